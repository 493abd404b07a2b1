"""The set point after a hot spell: plugged in again once the cause is found, turned up again before it is cold; and its bounds.

A set point is only ever moved within what the band needs: never below the band's low edge plus what the box loses against its
dial; where it is not known, the aim itself is told, so that it is known from then on and no step is told twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, log

from rules.advice.cause import Cause
from rules.advice.devices import Move, dial
from rules.advice.goal import Goal
from rules.advice.heat import LATELY_MS, is_blamed, stops_lately
from rules.advice.model import LIFT, NAMES
from rules.advice.planned import Plan, plain
from rules.advice.recalled import model_of
from rules.advice.standing import Standing
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.climate.thermostat import FAULT_K, OVERSHOOT_K, SURE_LIFT_K
from rules.keeper.devices import heater_since_ms, present_knobs, told_knobs, turns_of_power
from rules.keeper.state import DeviceChange
from rules.settings import Chamber
from rules.terms.events import DAY_MS
from rules.trade import practice
from rules.trade.practice import Never

PLUG_IN_BELOW_K = 0.5
"""How far above the aim an unplugged heater's chamber may still be when it is plugged in again: the deadband. Own estimate."""
LEFT_OUT_MS = DAY_MS
"""So long a heater that ran away twice is not advised again: a day to get another one; judgement."""
NIGHT_H = 8.0
"""Hours for which nobody looks: what is harmfully cold before they are over is told now. Common practice, no source."""
NIGHT_HOURS = round(NIGHT_H)
LOWERED_K = 0.4
"""So far below what it was, or below the aim, a set point counts as lowered; own estimate."""
TO_AND_FRO_MS = 3 * DAY_MS
"""What was turned for a noon and back for a night within so long is turned for the next noon in vain. Own estimate."""
TIMER_MIN = 30
"""A timer's turn, minutes: a mat and a box of litres hardly swing within it. Common practice, no source."""
SHARE = 0.25
"""Finer than this no keeper turns a dimmer or sets a timer, and a figure that is told stands. Own estimate."""
LEAST_SHARE = 0.1
"""Of a heater's rated power: with less it is off, and nothing is learned from how it heated. Own estimate."""
ROOM_COOLER_K = 1.0
INSIDE_K, LEAST_SHIFT_K, MOST_SHIFT_K = 0.5, 0.5, 2.0
"""So far inside its band the troughs or peaks of a swing should lie, if there is room: a probe errs and lags;
what no dial shows is not told, and what a keeper should see the effect of first is not told at once. Own estimates."""
MOST_TURNED_K = 5.0
"""What was hotter by more was so for another reason than its dial: nobody turns that so far by accident. Own estimate."""


def plug_in(
    chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause, standing: Mapping[str, Standing]
) -> Move | None:
    """Return how an unplugged heater is plugged in again; None while it is warm."""
    t, room_c, goal = situation.temperature_c or 0.0, situation.room_temperature_c, cause.goal
    hot = any(row.alarm in ("temperature-high", "heater-runaway") and row.condition == "active" for row in standing.values())
    if hot and t > goal.temperature_c:
        return None  # too warm until that is over; below its aim a small box is cold before its alarm has run out
    switched = "thermostat" in cause.facts
    warm_c = goal.high_c if switched and not is_blamed(state, situation) else goal.temperature_c + PLUG_IN_BELOW_K
    if t > warm_c or (room_c is not None and room_c > goal.temperature_c):
        return None  # a thermostat that nothing speaks against keeps its mat off until it is wanted
    if not switched:  # with the least that can be set it would be too warm where the night takes next to nothing
        wanted = t < goal.low_c + goal.inside_k or _stepped(chamber, state, situation, goal) > 0.0
        return dimmed(chamber, state, situation, cause) if wanted else None
    return _by_set_point(state, situation, goal, present_knobs(chamber, situation.changes).get("setpoint"))


def cold_by_morning(situation: Situation, harmful_low_c: float, time_constant_h: float) -> bool:
    """Return whether a chamber whose heater is unplugged is harmfully cold within a night: by Newton's law of cooling, or where
    nobody measures its room by its last hour's pace, which dies down with the chamber's time constant."""
    t, room_c, pace_k_h = situation.temperature_c, situation.room_temperature_c, situation.hourly_trend_k_h
    if t is not None and room_c is None and pace_k_h is not None:
        return t + pace_k_h * time_constant_h * (1.0 - exp(-NIGHT_H / time_constant_h)) <= harmful_low_c
    if t is None or room_c is None or room_c >= harmful_low_c:
        return False
    return t <= harmful_low_c or time_constant_h * log((t - room_c) / (harmful_low_c - room_c)) < NIGHT_H


def left_out(state: AdviceState, situation: Situation) -> bool:
    """Return whether a heater that ran away twice within days stays unplugged for now: what failed twice is not tried again.

    Not below the temperature at which the cold comes first: then a heater under the keeper's eyes is the lesser harm.
    """
    t, now, stuck_ms = situation.temperature_c, situation.at_ms, state.stuck_ms or 0
    lately = now - max([stuck_ms, *state.stopped_at_ms]) < LEFT_OUT_MS
    return has_failed(state, now) and lately and t is not None and t > practice.COLD_FIRST_C


def has_failed(state: AdviceState, at_ms: int) -> bool:
    """Return whether its thermostat does not hold: it ran away twice within days, or the keeper found that it does not switch
    off."""
    return stops_lately(state, at_ms) > 1 or (state.stuck_ms is not None and at_ms - state.stuck_ms < LATELY_MS)


def kept_out(state: AdviceState, situation: Situation, cause: Cause) -> Plan:
    """Return the call to leave a heater out that does not hold, and to keep the box warm without it."""
    warm = ("warm-now",) if "lethal-cold" in cause.facts else ("warm-place",) if cause.temperature == "low" else ()
    never = Never("Do not try it once more as it is.")
    return plain("left-out", cause, ("leave-out", *warm), never, _meanwhile(state, situation, cause.goal))


def _meanwhile(state: AdviceState, situation: Situation, goal: Goal) -> str:
    """Return how a box is kept warm whose heater stays out, also by who has no other thermostat."""
    minutes = min(max(round(_share(state, situation, goal) * TIMER_MIN / 5.0), 1) * 5, TIMER_MIN - 5)
    return (
        "Until then keep the box warm without it: warm the room, or carry it to the warmest one, and stand a closed bottle of "
        "water at 40 °C, wrapped in a towel, beside it. "
        f"Who has no other thermostat heats {_by_hand(goal)}; or by a timer that has the mat on for {minutes} minutes of each "
        "half hour (or a dimmer, by as much), where somebody looks at the thermometer each quarter of an hour until it holds, "
        "and some times a day from then on. A plug that cuts out at a temperature by its own probe guards both."
    )


def _by_hand(goal: Goal) -> str:
    low_c, high_c = dial(goal.low_c + goal.inside_k), goal.temperature_c + PLUG_IN_BELOW_K
    return f"only while sitting beside it, its thermostat set to {low_c:g} °C, and pulls the plug by hand at {high_c:g} °C"


STAY = "stay until you have seen it switch off once"


def looked_into(find_out: str, setting: str) -> str:
    """Return how a heater that ran away is put back, its plug known to be out or not: the cause first, and watched."""
    return (
        f"{find_out} (probe fallen? relay stuck? dial turned? or was it the room?). Plug the heater in again only then, "
        f"{setting}; {STAY}; if it does not switch off, leave it out, say so (add `--left-out` to `dewlid done`) and warm the "
        "room"
    )


def _by_set_point(state: AdviceState, situation: Situation, goal: Goal, setpoint: float | None) -> Move:
    blamed = is_blamed(state, situation)
    reached = (state.stopped_c or goal.high_c) if blamed else goal.temperature_c
    failed = setpoint is not None and reached - setpoint > FAULT_K
    lower = round(max(reached - OVERSHOOT_K - goal.temperature_c, 0.0) * 2.0) / 2.0
    value = dial(goal.temperature_c)
    if setpoint is not None:
        value = min(dial(setpoint), value if failed else max(dial(setpoint - lower), goal.low_c + goal.inside_k))
    delta = -lower if setpoint is None else value - setpoint
    setting = f"its thermostat set to {value:g} °C" + ("" if delta or setpoint is None else " as it was")
    turned = setpoint is None and 0.0 < lower <= MOST_TURNED_K
    setting += f" (or {lower:g} K lower, if its dial shows no figures)" if turned else ""
    if has_failed(state, situation.at_ms):
        text = (
            f"Plug the heater in again, {setting}, but only with another thermostat, or while you sit beside it and pull the "
            f"plug by hand at {goal.temperature_c + PLUG_IN_BELOW_K:g} °C: its thermostat does not hold"
        )
    elif failed or (blamed and setpoint is None):
        past = f"{reached - (setpoint or 0.0):.0f} K past its set point" if failed else f"the chamber to {reached:.0f} °C"
        text = looked_into(f"Find out why it heated {past}", setting)
    else:
        text = f"Plug the heater in again, {setting}; {STAY}"
    return Move(act="plug-in", knob="heater", delta=delta, value=value, amount=-delta, unit="K", effort=1.0, text=text)


def dimmed(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Move:
    """Return how a heater without a thermostat is plugged in again: at the share of its power that the night's room takes."""
    heater = chamber.devices.heater
    before = present_knobs(chamber, situation.changes).get("watts", 1.0)
    rated = before if heater is None else heater.watts
    before = before if before >= LEAST_SHARE * rated else rated
    share = max(_stepped(chamber, state, situation, cause.goal), SHARE)
    value = round(rated * share, 1)
    setting, by_hand_c = f"with {value:g} W as before", cause.goal.temperature_c + PLUG_IN_BELOW_K
    if value != before:
        setting = f"but with {value:g} W instead of {before:g} W"
    if share < 1.0:
        setting += (
            f" (by a dimmer, or a timer that has it on for {TIMER_MIN * share:.0f} of each {TIMER_MIN} minutes; with neither, "
            f"only while you are there, and pull it at {by_hand_c:g} °C)"
        )
    text = f"Plug the heater in again, {setting}, and buy it a thermostat"
    if cause.thermostat != "unplugged":  # nobody has said that it is out
        text = (
            f"If you pulled the heater's plug when it was too warm, plug it in again, {setting}, look at the thermometer each "
            "quarter of an hour until it holds, say that it is done, and buy it a thermostat. If you did not pull it, feel "
            "whether its mat is warm, and look at plug and breaker"
        )
    return Move(
        act="plug-in", knob="heater", delta=value - before, value=value, amount=abs(before - value), unit="W", effort=1.0,
        text=text,
    )


def _stepped(chamber: Chamber, state: AdviceState, situation: Situation, goal: Goal) -> float:
    """Return that share in steps that a keeper can set; all of it only where the box's own days have shown what it gives."""
    model = model_of(chamber, state)
    usual_k = situation.usual_lead_k
    lift_k = usual_k if usual_k is not None and usual_k >= SURE_LIFT_K else None
    lift_k = model.value(LIFT) if model.identified.get(NAMES[LIFT]) else lift_k
    return min(round(_share(state, situation, goal, lift_k) / SHARE) * SHARE, 1.0 if lift_k else 1.0 - SHARE)


def _share(state: AdviceState, situation: Situation, goal: Goal, lift_k: float | None = None) -> float:
    """Return which share of its power the aim needs over the room of the next hours: of the lift that the box's days have
    shown, or where they have not shown any, of what heated it too far."""
    room_c, ahead = situation.room_temperature_c, situation.room_ahead
    below = room_c if room_c is not None else goal.low_c - 4.0
    night_k = 0.0 if ahead is None or room_c is None else sum(ahead.change_k[: NIGHT_HOURS + 1]) / (NIGHT_HOURS + 1)
    seen_k = max((state.stopped_c or goal.harmful_high_c) - below, 1.0)
    return (goal.temperature_c - below - night_k) / (lift_k or seen_k)


def turns_for_days(chamber: Chamber, situation: Situation, goal: Goal, turns: list[Move]) -> list[Move]:
    """Return those turns of a heater that its room's day does not take back: what a mat that nothing switches gives more in the
    morning is too much at noon.

    Turned both ways within days it is left as it is where its room brings it to its aim within the day; before one day of its
    room is known it is turned down once, by what it is too warm. What is nearer to harm than to its band does not wait.
    """
    t, heater, ahead = situation.temperature_c, chamber.devices.heater, situation.room_ahead
    if heater is None or heater.thermostat or t is None or situation.room_temperature_c is None:
        return turns
    if not goal.low_c + goal.harmful_low_c < 2.0 * t < goal.high_c + goal.harmful_high_c:
        return turns
    turned = turns_of_power(chamber, situation.changes, situation.at_ms - TO_AND_FRO_MS)
    if ahead is None:
        down, least_k = [move for move in turns if move.delta < 0.0], min(goal.high_c - goal.inside_k - t, 0.0)
        once = [] if turned else [move for move in down if move.lifts_k >= least_k] or down[:1]
        return [move for move in turns if move in once or move not in down]
    comes_back = t + min(ahead.change_k) <= goal.temperature_c <= t + max(ahead.change_k)
    return [] if turned and min(turned) < 0.0 < max(turned) and comes_back else turns


def cold_tonight(situation: Situation, goal: Goal) -> bool:
    """Return whether a box that falls as its room does within a day, by the room's own last days, leaves its band."""
    t, ahead = situation.temperature_c, situation.room_ahead
    return t is not None and ahead is not None and t + min(ahead.change_k) < goal.low_c


def lowered_k(chamber: Chamber, changes: Sequence[DeviceChange]) -> float:
    """Return by how much the set point was told down against what the keeper's config says; 0 where it was not."""
    before, now = present_knobs(chamber, ()).get("setpoint"), told_knobs(changes).get("setpoint")
    if before is None or now is None:
        return 0.0
    return max(before - now, 0.0)


def turn_up(chamber: Chamber, situation: Situation, cause: Cause) -> Move | None:
    """Return how a set point that was lowered, for a hot spell or a wet lid, is turned up again before it is cold."""
    now, goal, room_c, t = cause.setpoint_c, cause.goal, situation.room_temperature_c, situation.temperature_c
    if now is None or t is None or lowered_k(chamber, situation.changes) <= LOWERED_K:
        return None
    warm_room = room_c is not None and room_c > t - ROOM_COOLER_K
    if cause.thermostat in ("unplugged", "stuck", "dead") or t > goal.temperature_c - LOWERED_K or warm_room:
        return None
    value = min(present_knobs(chamber, ())["setpoint"], dial(goal.temperature_c))
    if cause.thermostat == "regulating":  # it holds the air where it is: its dial may lie by some kelvins
        value = min(value, dial(now + goal.temperature_c - t))
    if value - now <= LOWERED_K:
        return None
    turn = f"Turn the heater's thermostat up again from {round(now, 1):g} to {value:g} °C"
    text = f"{turn}: it stands lower than your config has it, and the box needs that heat now"
    return Move(
        act="heat-up", knob="heater", delta=value - now, value=value, amount=value - now, unit="K", effort=1.0, text=text
    )


def centred(situation: Situation, cause: Cause) -> Move | None:
    """Return how a thermostat is turned whose swing passes one edge of the band and has room at the other; None: it fits, or
    nothing is known of a whole day of it."""
    trough_c, peak_c, now = situation.usual_trough_c, situation.usual_peak_c, cause.setpoint_c
    since_ms = heater_since_ms(situation.changes)
    if cause.thermostat != "regulating" or trough_c is None or peak_c is None:
        return None
    if since_ms is not None and situation.at_ms - since_ms < DAY_MS:
        return None
    under_k, over_k = cause.goal.low_c - trough_c, peak_c - cause.goal.high_c
    out_k, other_k = max(under_k, over_k), min(under_k, over_k)
    turn_k = min(out_k + INSIDE_K, (out_k - other_k) / 2.0, MOST_SHIFT_K)  # no further than to the middle of its band
    if turn_k < LEAST_SHIFT_K:
        return None
    delta_k = dial(turn_k) if under_k > over_k else -dial(turn_k)
    value = None if now is None else round(now + delta_k, 1)  # whose set point is told by tenths has a dial that shows them
    word, to = "up" if delta_k > 0.0 else "down", f"by {abs(delta_k):g} K" if value is None else f"from {now:g} to {value:g} °C"
    text = f"Turn the heater's thermostat {word} {to}: it goes from {trough_c:.1f} to {peak_c:.1f} °C and back"
    act = "heat-up" if delta_k > 0.0 else "heat-down"
    return Move(act=act, knob="heater", delta=delta_k, value=value, amount=abs(delta_k), unit="K", effort=1.0, text=text)
