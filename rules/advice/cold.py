"""The cold comes first where it is lethal or the heat has failed: what to do, by what the heater does."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from rules.advice.boxes import in_order, in_turn, marks_ahead, moved_with, names, pace_h, told_by_another
from rules.advice.cause import Cause
from rules.advice.devices import Move, allowed, dial, moves_for
from rules.advice.emergency import Urgent, one_a_device
from rules.advice.model import COOLING, NAMES, ChamberModel, cooling_h
from rules.advice.planned import Plan, action_of, plain
from rules.advice.set_point import kept_out, looked_into
from rules.advice.standing import Standing, dryness_harms
from rules.advice.state import AdviceState, OpenAdvice
from rules.climate.situation import Beside, Situation
from rules.climate.swing import HOURS, SWING_SHARE
from rules.climate.thermostat import FALLS_K_H, NO_LIFT_K, RISES_K_H, SLOW_BOX_H, heat_k
from rules.settings import Chamber
from rules.terms.advised import Reach
from rules.terms.events import HOUR_MS
from rules.trade import emergencies, practice
from rules.trade.acts import FAILED_PART
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import Never, Step

FALLS_ON_H = 2.0
"""So long a room that gets colder is taken to go on doing so; judgement."""
PLAINLY_K_H, LEAST_K = 1.0, 0.3
"""A box that gets warmer by itself rises by so much; a reading is so sure. In lethal cold it has to rise as a heated one does,
or the noise of a probe and the morning sun would be a comfort; own judgement."""
WARMS_K_H, WARMS_FROM_H = 0.3, 1.0
"""A box whose heat is back gets warmer by more than this after the first hour; slower, it stays cold. Own estimate."""
LEAST_HOURS, FLAT_K = 2, 1.0
"""In hours that move by less a rise is no warming; a box whose heat is back has fallen before by more. Own estimates."""
EACH_BOX = ("warm-now", "warm-place", "wrap-bottle")


def cold_comes_first(cause: Cause, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether the cold is answered before the decision table: lethal, or the heat has failed."""
    t = situation.temperature_c
    if t is None or cause.temperature == "high" or not cause.goal.dryness_matters:
        return False
    if cause.thermostat == "warming" and (t > practice.LETHAL_COLD_C or _comes_back(situation)):
        return False  # the heat is back; more of it does not come faster
    if cause.temperature == "ok" and (situation.temperature_slope_k_h or 0.0) >= PLAINLY_K_H:
        return False  # so it is where an alarm of before stands still
    not_rising = (situation.temperature_slope_k_h or 0.0) < -FALLS_K_H and cause.thermostat != "regulating"  # that has power
    if cause.temperature == "low" and not_rising and moved_with(situation, "cold"):
        return True  # one cause for several: no cell of one of them answers it
    if _failed(standing) or (cause.temperature == "low" and cause.thermostat == "dead"):
        return True
    if {"gets-colder", "room-cold", "heater-suspect"} <= cause.facts:
        return True  # no look at its heat and no foam holds it against such a room: that is warmed in the same letter
    dry_side = cause.humidity != "high" and not cause.lid_wet
    if cause.thermostat == "at-limit" and cause.temperature == "low" and "heater-suspect" not in cause.facts and dry_side:
        return True  # it was looked at and is weak: keep its heat in
    sets_too_low = cause.thermostat in ("regulating", "resting", "unknown")
    return t <= min(practice.LETHAL_COLD_C if sets_too_low else practice.COLD_FIRST_C, cause.goal.low_c)


def _failed(standing: Mapping[str, Standing]) -> bool:
    return any(row.alarm == "heater-failed" and row.condition == "active" for row in standing.values())


def warming(
    cause: Cause, situation: Situation, standing: Mapping[str, Standing], model: Callable[[], ChamberModel], state: AdviceState
) -> Urgent | None:
    """Return what is left to say where the heat is back after it had failed, here or in several boxes: let it come.

    Once said it is not taken back at every rest of the heat, but only for as long as the box has really become warmer.
    """
    besides = moved_with(situation, "cold")
    last = state.open or state.last
    if "watts-told" in cause.facts and not _failed(standing):
        return None  # it was never gone: it is too weak
    before = last is not None and last.branch in ("heater-failed", "cold", "together", "warming")
    known = situation.temperature_swing is not None and situation.temperature_swing.hours >= LEAST_HOURS
    if not (before or (besides and known) or _failed(standing)) or cause.temperature != "low" or dryness_harms(standing):
        return None
    slope, said = situation.temperature_slope_k_h or 0.0, state.open
    lethal = situation.temperature_c is not None and situation.temperature_c <= practice.LETHAL_COLD_C
    if said is None or said.branch != "warming":
        least_k_h = RISES_K_H if lethal else PLAINLY_K_H
    elif _has_warmed(said, situation):
        least_k_h = FALLS_K_H
    else:
        return None
    if _stands_still(situation, slope) or (slope < least_k_h and (lethal or cause.thermostat != "warming")):
        return None
    if slope <= 0.0 or _is_coldest(situation) or _stays_cold(cause, situation):
        return None
    if not any(ALARMS[row.alarm].harm == "cold" and row.condition == "active" for row in standing.values()):
        return None
    return Urgent(
        branch="warming", acts=("let-warm",), words={}, never=emergencies.WARMING_NEVER, notes=(emergencies.WARM_BACK,),
        boxes=names(situation, besides), follows=told_by_another(besides, situation, model()),
    )


def _comes_back(situation: Situation) -> bool:
    """Return whether it rises as only a heated box does: who carries it now only cools it."""
    return (situation.temperature_slope_k_h or 0.0) >= RISES_K_H and not _is_coldest(situation)


def _is_coldest(situation: Situation) -> bool:
    """Return whether it is as cold as ever in the last whole hours: a step of a coarse probe is no rise."""
    t, swing = situation.temperature_c, situation.temperature_swing
    least_k = max(LEAST_K, 2.0 * (situation.u_temperature_k or 0.0))
    return t is not None and swing is not None and t < swing.least + least_k


def _stays_cold(cause: Cause, situation: Situation) -> bool:
    """Return whether a mat that nothing switches, and gives what it always gave, does not warm it over such a room, which goes
    on falling as it does: the rise is that of the first half hour."""
    room, lead_k, slope = situation.room_temperature_c, situation.usual_lead_k, situation.room_slope_k_h
    lead_k = None if "thermostat" in cause.facts else lead_k  # it may have been without power in those hours
    return room is not None and lead_k is not None and room + lead_k + min(slope or 0.0, 0.0) * FALLS_ON_H < cause.goal.low_c


def _stands_still(situation: Situation, slope_k_h: float) -> bool:
    """Return whether it is within a swing about one place: a rise in that is no warming, nor is a steep one where its mat has
    switched for hours."""
    t, swing = situation.temperature_c, situation.temperature_swing
    if t is None or swing is None or swing.hours < LEAST_HOURS:
        return False
    wide_k = swing.most - swing.least
    still = slope_k_h < RISES_K_H if wide_k < FLAT_K else swing.hours >= HOURS and swing.drift <= SWING_SHARE * wide_k
    return still and swing.least - LEAST_K <= t <= swing.most + LEAST_K


def _has_warmed(told: OpenAdvice, situation: Situation) -> bool:
    """Return whether a box has kept pace since it was said to get warmer, and is no colder than then."""
    t, hours = situation.temperature_c, (situation.at_ms - told.told_ms) / HOUR_MS
    least_k = max(-LEAST_K, WARMS_K_H * (hours - WARMS_FROM_H))
    return t is None or told.start_c is None or t - told.start_c >= least_k


def cold(
    cause: Cause, situation: Situation, standing: Mapping[str, Standing], chamber: Chamber, knobs: Mapping[str, float],
    model: ChamberModel,
) -> Urgent:
    """Return what the cold asks for, by what the heater does; one that failed is looked at before it is called weak."""
    besides = moved_with(situation, "cold")
    kind = _kind_of_cold(cause, situation, standing, model)
    order = in_order(situation, "cold", chamber, model)
    reaches = _reaches(kind, situation, order, model)
    place = "warm-now" if "lethal-cold" in cause.facts else "warm-place"
    acts, moves = [place] if kind == "at-limit" and reaches else [], []  # what is kept in does not suffice
    for step in emergencies.COLD_BRANCH[kind]:
        if not allowed(step, cause):
            continue
        if step.act == "close-vents":
            if situation.relative_humidity_pct is None or situation.saturated:
                continue  # what it does to the humidity could not be followed
            moves = moves_for(Step("close-vents"), chamber, cause, knobs)[-1:]
        acts.append(step.act)
    if kind == "at-limit" and "thermostat" not in cause.facts:  # nothing switches it: it is turned up to what it takes
        power = moves_for(Step("heat-up"), chamber, cause, knobs)[-1:]
        moves, acts = [*power, *moves], [*(move.act for move in power), *acts]
    if kind == "at-limit" and _failed(standing) and not _heats(situation, model)[0]:
        acts.insert(1, place)  # what was looked at and falls slowly may have no heat all the same
    chosen = one_a_device(acts)
    words = {move.act: move.text for move in moves}
    words |= {} if cause.weak is None else {"stronger-mat": cause.weak.text}
    short_k = dial(cause.goal.temperature_c - (situation.temperature_c or cause.goal.temperature_c))
    words |= {"swap-heater": _dial_tried(cause.setpoint_c, short_k)}
    words |= in_turn(chosen, order, EACH_BOX)
    branch: Literal["heater-failed", "cold", "together"] = "heater-failed" if kind in ("dead", "broken") else "cold"
    branch = "together" if besides else branch
    return Urgent(
        branch=branch, acts=chosen, words=words, moves=tuple(move for move in moves if move.act in chosen),
        turns_k={"swap-heater": short_k} if cause.setpoint_c is None else {},
        never=emergencies.COLD_NEVER, notes=_why_cold(kind, cause, situation, len(order)),
        reaches=reaches, boxes=names(situation, order), follows=told_by_another(besides, situation, model),
    )


def _dial_tried(setpoint_c: float | None, short_k: float) -> str:
    """Return how a dial is tried that somebody may have turned: no heat comes, and the look at plug and mat found nothing.

    Where it shows no figures, what the box is short of, K, is how much further it must go than where it switches on.
    """
    then = (
        f"then up by about {short_k:g} K more, as much as the box is too cold" if setpoint_c is None
        else f"then leave the thermostat set to {setpoint_c:g} °C"
    )
    return f"Turn the thermostat's dial up until it switches on and the mat gets warm, {then}. {FAILED_PART}"


def _kind_of_cold(cause: Cause, situation: Situation, standing: Mapping[str, Standing], model: ChamberModel) -> str:
    """Return the row of the cold branch that holds. Weak is only what is seen to heat, or what nobody has looked at yet."""
    slope = situation.temperature_slope_k_h or 0.0
    if cause.thermostat is None:
        return "no-heat"
    if "heater-too-weak" in cause.facts and not moved_with(situation, "cold"):
        return "at-limit"
    if moved_with(situation, "cold"):
        weak = cause.thermostat == "at-limit" and slope >= FALLS_K_H and not _falls_as_unheated(situation, model)
        return "at-limit" if weak else "power"
    least, most = _heats(situation, model)
    suspected = "heat-unseen" in cause.facts or (_failed(standing) and "heater-suspect" in cause.facts)
    heats = slope > FALLS_K_H if situation.room_temperature_c is None else least
    if cause.thermostat == "at-limit" and not suspected and (heats or slope > FALLS_K_H):
        return "at-limit"
    if "heater-seen" in cause.facts and heats:
        return "at-limit"
    if "heater-looked" not in cause.facts:
        return "dead"
    return "unsure" if most else "broken"


def _falls_as_unheated(situation: Situation, model: ChamberModel) -> bool:
    """Return whether it is near its room's temperature, or falls towards it as fast as the slowest of boxes without heat.

    Not by what heat would have to come: a few hundredths of a kelvin in a quarter of an hour are kelvins of that.
    """
    t, room = situation.temperature_c, situation.room_temperature_c
    if t is None or room is None:
        return False
    return t - room < NO_LIFT_K or _heat_k(situation, _slowest_h(model)) <= 0.0


def _heats(situation: Situation, model: ChamberModel) -> tuple[bool, bool]:
    """Return whether heat comes surely, however slowly the chamber cools, and whether it may, however fast."""
    _, early_h, _ = cooling_h(model)
    return _heat_k(situation, _slowest_h(model)) >= NO_LIFT_K, _heat_k(situation, early_h) >= NO_LIFT_K


def _slowest_h(model: ChamberModel) -> float:
    """Return the longest time constant that the chamber may have: litres of wet ground lag."""
    late_h = cooling_h(model)[2]
    return late_h if model.identified.get(NAMES[COOLING]) else max(late_h, SLOW_BOX_H)


def _heat_k(situation: Situation, tau_h: float) -> float:
    """Return by how much the heat that comes now would lift the chamber over its room in the end."""
    t, room, slope = situation.temperature_c, situation.room_temperature_c, situation.temperature_slope_k_h
    return 0.0 if t is None or room is None else float(heat_k(t - room, slope or 0.0, tau_h))


def _why_cold(kind: str, cause: Cause, situation: Situation, boxes: int) -> tuple[str, ...]:
    said = {
        "power": f"{boxes} boxes lose their heat together: that is no fault of one heater but a power cut, a breaker, strip or "
        "timer that they share, or a room that is too cold for them.",
        "at-limit": "The heater is on all the time and cannot do more: keep its heat in, or help it with a warmer place.",
        "no-heat": "Nothing heats this chamber: it follows the room.",
        "dead": "The temperature falls towards the room's, as it does when the heat has stopped.",
        "unsure": "It was looked at, and it gets colder all the same: whether any heat comes cannot be told from here.",
        "broken": "The heater was looked at, and still no heat comes from it: take the mat or its thermostat as broken.",
    }[kind]
    if kind == "dead" and not (situation.temperature_slope_k_h or 0.0) < 0.0:
        wanted = "what the thermostat is set to" if "thermostat" in cause.facts else "what such a mat gives"
        said = f"It is far below {wanted}, and no heat is seen to come."
    lethal = "lethal-cold" in cause.facts
    parts, t, room = [said], situation.temperature_c, situation.room_temperature_c
    if boxes > 1 and kind != "power":
        parts.append(f"{boxes} boxes get cold together: the room is the cause.")
    if kind != "at-limit" and t is not None and room is not None and room <= t - 1.0:
        falls = ", and the room falls too" if (situation.room_slope_k_h or 0.0) < FALLS_K_H else ""
        parts.append(f"Without heat it ends near the room's {room:.0f} °C{falls}.")
    if "room-no-warmer" in cause.facts and boxes == 1:
        parts.append("The room is as cold as the chamber: the room is the cause.")
    if kind == "dead" and lethal:
        parts.append("If the lights are out too, it is a power cut.")
    if "room-warms" in cause.facts:
        parts.append("Its room is warm enough and warmer than the box, so it warms by itself; a box that stays colder than its "
            "room has a thermometer that is wrong.")
    if boxes > 1:
        parts.append("The box that has the least time left comes first.")
    order = () if boxes > 1 else (emergencies.COLD_ORDER,)
    return (*parts, *((*order, emergencies.WARM_BACK) if lethal else ()))


def _reaches(kind: str, situation: Situation, order: Sequence[Beside], model: ChamberModel) -> tuple[Reach, ...]:
    """Return when each chamber passes the marks on its way: an exponential to the room's temperature, and over it what a
    heater lifts that is too weak.

    A room that falls itself is taken as cold as it will be when the chamber's own time constant is over.
    """
    room, slope = situation.room_temperature_c, situation.room_slope_k_h
    if room is None or (kind == "at-limit" and len(order) > 1):
        return ()
    found, lift = [], _heat_k(situation, cooling_h(model)[0]) if kind == "at-limit" else 0.0
    for one in order:
        t, (tau_h, early_h, late_h) = one.temperature_c, pace_h(one, room + lift)
        end = room + lift + min(slope or 0.0, 0.0) * min(tau_h, FALLS_ON_H)
        for mark, share in marks_ahead(t, end) if t is not None else ():
            ms = [round(hours * share * HOUR_MS) for hours in (tau_h, early_h, late_h)]
            found.append(Reach(one.chamber, mark, *ms))
    return tuple(found)


def plug_back(
    cause: Cause, situation: Situation, state: AdviceState, *, again: bool, cools: bool, unswitched: Move | None
) -> Plan | None:
    """Return the call to plug a heater in again that may have been unplugged without a word, once it is no longer too warm, or
    to leave it out where it ran away again after that; None where it gives some heat.

    What is told stands until it is warm: a box that goes with its room looks like many a thermostat. `cools`: it may be asked
    for as soon as it cools, which it was not yet. `unswitched`: how a mat without a thermostat is plugged in again.
    """
    told = state.open
    asked = told is not None and told.done_ms is None and not {"plug-back", "leave-out"}.isdisjoint(told.acts)
    pace_k_h = situation.temperature_slope_k_h or 0.0
    falls = cause.thermostat == "regulating" and pace_k_h <= -PLAINLY_K_H
    unheated = cause.temperature == "low" and (asked or falls or cause.thermostat in ("unknown", "dead", "at-limit"))
    if not unheated and not (cools and cause.temperature == "ok" and pace_k_h <= FALLS_K_H and not again):
        return None  # it holds, or is still too warm
    if again:
        return kept_out(state, situation, cause)
    warm = ("warm-now",) if "lethal-cold" in cause.facts else () if _warms_by_day(cause, situation) else ("warm-place",)
    acts = ("plug-back", *warm) if cause.temperature == "low" else ("plug-again",)  # it may be that it does not switch off
    asks = plain("plug-back", cause, acts, Never("Do not turn its heat up before you have looked at its plug."))
    back = _plug_back(cause) if unswitched is None else unswitched
    moves = (replace(back, act=acts[0]),) if back.delta else ()
    return replace(asks, actions=(action_of(acts[0], back.text), *asks.actions[1:]), moves=moves)


def _warms_by_day(cause: Cause, situation: Situation) -> bool:
    """Return whether its room was too warm within a day: in a heat wave no box is carried to a warmer one for its cool
    mornings."""
    return situation.room_high_c is not None and situation.room_high_c > cause.goal.high_c


def _plug_back(cause: Cause) -> Move:
    """Return how a plug that may be out is put back: with its dial where it should be, for somebody may have turned it."""
    aim_c = dial(cause.goal.temperature_c)
    value_c = aim_c if cause.setpoint_c is None else min(aim_c, dial(cause.setpoint_c))
    delta_k = 0.0 if cause.setpoint_c is None else value_c - cause.setpoint_c
    text = (
        looked_into(
            "If you pulled the heater's plug when it was too warm, find out why it was",
            f"its thermostat set to {value_c:g} °C",
        )
        + ". Say that it is done. If you did not pull it, feel whether its mat is warm, and look at plug and breaker"
    )
    return Move(
        act="plug-back", knob="heater", delta=delta_k, value=value_c, amount=-delta_k, unit="K", effort=1.0, text=text
    )
