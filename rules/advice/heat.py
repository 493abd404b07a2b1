"""Lethal heat and a heater that runs away come first: what to do, by what heats the box."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rules.advice.boxes import in_order, in_turn, moved_with, names, told_by_another
from rules.advice.cause import Cause, heats_itself
from rules.advice.devices import allowed
from rules.advice.emergency import Urgent, one_a_device
from rules.advice.goal import Goal
from rules.advice.model import ChamberModel
from rules.advice.planned import Plan, plain
from rules.advice.standing import Standing, stands
from rules.advice.state import AdviceState, OpenAdvice
from rules.climate.situation import Situation
from rules.climate.thermostat import BURNING_MAT_C, FALLS_K_H, FAULT_K, ROOM_LIFT_K, WARMS_WITHIN_MS, State
from rules.keeper.devices import heater_since_ms, told_knobs
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import emergencies, practice

LATELY_MS = 7 * DAY_MS
"""A heater that was unplugged within this and runs away again has a cause that was not found, not a new one; judgement."""
STOP_COOLS_MS, STOP_COOLS_K = 2 * HOUR_MS, 1.0
"""So long after its heater was unplugged a box has lost most of the heat it held above its room, and this much at least; own
estimate for boxes of up to 60 litres."""
AIR_COOLS_MS, AIR_COOLS_K = HOUR_MS, 0.5
"""So long after its lid was set ajar into a cooler room the air of a box has followed, by this much at least. Own estimate."""
BY_ITSELF_MS = 3 * DAY_MS
"""The sun comes at the same hour for days on end; judgement."""
SWIFT_K_H = 8.0
"""Few mats warm a box so fast, and a probe that has slipped onto one is as warm as that within minutes. Own estimate."""
GOES_ON_K = 1.0
"""What has risen by more since it was told goes on. Own estimate."""
EACH_BOX = ("fan-now", "air-now", "move-box", "shade-box")


def burning(situation: Situation) -> bool:
    """Return whether the mat itself burns, however warm the air is by now."""
    return situation.mat_temperature_c is not None and situation.mat_temperature_c > BURNING_MAT_C


def heat_comes_first(
    situation: Situation, standing: Mapping[str, Standing], thermostat: State | None, goal: Goal, felt: bool = False,
    asked: bool = False,
) -> bool:
    """Return whether the heat branch holds: lethal, or a heater that heats on above the band, whatever the humidity says.

    A cycle, a warm-up, the sun or a hot room below 32 degC is none of it, nor is what has come back while the alarm recovers.
    `felt`: the mat was felt since it is too warm, and it does not cool: where nothing else tells, its plug is pulled. `asked`:
    that was asked for and nobody has answered: what called for it may be unseen by now, and it is right until the box is back.
    """
    t = situation.temperature_c
    if t is None or situation.may_lie:
        return False  # a second thermometer tells first whether it is warm at all
    if t >= practice.HEAT_FIRST_C:
        return True
    if thermostat == "unplugged" and t > goal.high_c and stands(standing, "temperature-high"):
        since_ms = heater_since_ms(situation.changes) or situation.at_ms
        rises = (situation.temperature_slope_k_h or 0.0) > -FALLS_K_H
        return rises and heats_itself(situation) and situation.at_ms - since_ms > WARMS_WITHIN_MS  # another plug is in
    if stands(standing, "heater-runaway") and thermostat != "unplugged":
        return burning(situation) or t > (goal.temperature_c + 0.5 if thermostat == "unknown" else goal.high_c)
    heats_on = thermostat == "stuck" or (thermostat == "unknown" and felt) or (asked and thermostat not in (None, "unplugged"))
    return heats_on and t > goal.high_c and stands(standing, "temperature-high")


def heat(
    cause: Cause, state: AdviceState, situation: Situation, chamber: Chamber, model: ChamberModel
) -> Urgent | None:
    """Return what lethal heat or a runaway asks for; None where it was unplugged and cools: there is nothing more to do."""
    t, slope = situation.temperature_c or 0.0, situation.temperature_slope_k_h or 0.0
    if cause.thermostat == "unplugged" and slope <= FALLS_K_H:
        return None
    kind = _kind_of_heat(cause, state, situation)
    acts = [step.act for step in emergencies.HEAT_BRANCH[kind] if allowed(step, cause)]
    acts = [act for act in acts if act != "no-sun"] if burning(situation) else acts  # its mat says what heats it
    notes, words = _why_hot(kind, cause, situation), {}
    if kind == "runaway" and "thermostat" in cause.facts:
        words["stop-heater"] = (
            "Unplug the heater now, at the wall, and look at its thermostat while you are there: if its dial was turned or its "
            "probe has fallen, put that right"
        )
    if kind == "runaway" and (count := stops_lately(state, situation.at_ms)):
        words["stop-heater"] = "Unplug the heater now, at the wall, and leave it out: it is not the first time this week"
        notes = (f"It was unplugged {_times(count)} within a week, and it is back: the cause is not found yet.",
            "Is the mat really hot, and the garden's air with it?")
        if t < practice.DEADLY_HEAT_C:
            acts.insert(1, "compare-probe")
    elif kind == "runaway" and _may_have_slipped(state.open, t, slope):
        acts.insert(1, "compare-probe")
        notes = (*notes, "So fast few mats warm a box: its probe may have slipped onto the mat.")
    elif kind == "runaway" and _may_be_the_sun(state, situation):
        acts.insert(0, "feel-mat")
        notes = (*notes, emergencies.WENT_BY_ITSELF)
    if kind != "heat-wave":
        return Urgent(branch="heat", acts=one_a_device(acts), words=words, never=emergencies.HEAT_NEVER, notes=notes)
    besides, order = moved_with(situation, "heat"), in_order(situation, "heat", chamber, model)
    felt = ("feel-mat",) if allowed(practice.FEEL_HOT, cause) and "heater-looked" not in cause.facts else ()
    chosen = (*one_a_device(acts), *felt)
    if besides:
        notes = (*notes, f"{len(order)} boxes get hot together: what helps one helps all. The least time left comes first.")
    return Urgent(
        branch="heat", acts=chosen, words=in_turn(chosen, order, EACH_BOX), never=emergencies.WAVE_NEVER, notes=notes,
        limits_harm=True, boxes=names(situation, order), follows=told_by_another(besides, situation, model),
    )


def _may_have_slipped(told: OpenAdvice | None, temperature_c: float, slope_k_h: float) -> bool:
    """Return whether its probe may lie on the mat: it went up faster than a box does. Who was asked to compare is so until
    it has gone on to what is lethal: then air comes first."""
    if told is None or "compare-probe" not in told.acts:
        return slope_k_h >= SWIFT_K_H and temperature_c < practice.DEADLY_HEAT_C
    goes_on = temperature_c >= practice.HEAT_FIRST_C and temperature_c > (told.start_c or temperature_c) + GOES_ON_K
    return not goes_on and temperature_c < practice.DEADLY_HEAT_C


def needs_no_mat(chamber: Chamber, situation: Situation, standing: Mapping[str, Standing], goal: Goal) -> bool:
    """Return whether it is called too warm and a mat heats it that nothing switches, in a room that needs none."""
    t, room, heater = situation.temperature_c, situation.room_temperature_c, chamber.devices.heater
    if t is None or room is None or heater is None or heater.thermostat or min(t, room) < goal.temperature_c:
        return False
    knobs = told_knobs(situation.changes)
    plugged = knobs.get("heater_plugged", 1.0) > 0.0 and knobs.get("watts", heater.watts) > 0.0
    return plugged and stands(standing, "temperature-high")


def needless_mat(cause: Cause, situation: Situation) -> Plan | None:
    """Return the call to unplug a mat that nothing switches in a room that is warm enough without it; None: it is of use."""
    if "mat-needless" not in cause.facts:
        return None
    acts = one_a_device([step.act for step in emergencies.HEAT_BRANCH["hot-room"] if allowed(step, cause)])
    return plain("hot-room", cause, acts, practice.NO_COVER_HOT, *_why_hot("hot-room", cause, situation))


def _kind_of_heat(cause: Cause, state: AdviceState, situation: Situation) -> str:
    if cause.thermostat == "unplugged":
        rises = (situation.temperature_slope_k_h or 0.0) > -FALLS_K_H and "room-cooler" in cause.facts
        return "still-rising" if rises or "heats-itself" in cause.facts else "heat-wave"
    if burning(situation) or _runs_away_still(cause, state.open, situation):
        return "runaway"
    if _is_shone_on(cause, state.open, situation):
        return "sun"
    if "mat-needless" in cause.facts:
        return "hot-room"
    if "heats-itself" in cause.facts:
        return "box"
    if cause.thermostat == "unknown" and situation.room_temperature_c is None:
        return "not-known"
    room, held = situation.room_temperature_c, cause.setpoint_c or cause.goal.temperature_c
    warm_room = (room is not None and room >= held - 0.5) or _holds_the_days_heat(situation)
    return "heat-wave" if cause.thermostat is None or (cause.thermostat == "resting" and warm_room) else "runaway"


def _is_shone_on(cause: Cause, told: OpenAdvice | None, situation: Situation) -> bool:
    """Return whether a box whose mat nothing switches warms faster than one that has been on for hours can: something else
    heats it. What was told so stands until it is done."""
    asks = told is not None and told.done_ms is None and told.acts[:1] == ["shade-box"] and "stop-unsure" in told.acts
    swift = (situation.temperature_slope_k_h or 0.0) >= SWIFT_K_H
    return "heater" in cause.facts and "thermostat" not in cause.facts and (swift or asks)


def _runs_away_still(cause: Cause, told: OpenAdvice | None, situation: Situation) -> bool:
    """Return whether a heater that was told to be unplugged is to stay so: who has pulled it has not said so yet."""
    t, was_told = situation.temperature_c, told is not None and "heater:stop" in told.keys
    return was_told and t is not None and cause.setpoint_c is not None and t > cause.setpoint_c + FAULT_K


def _holds_the_days_heat(situation: Situation) -> bool:
    t, room_high_c = situation.temperature_c, situation.room_high_c
    return t is not None and room_high_c is not None and t <= room_high_c + ROOM_LIFT_K


_HEATER_IS_NOT_IT = (
    ": the heater should have long switched off; feel the mat, and pull its plug if it is hot",
    ": the heater is unplugged already",
)


def _why_hot(kind: str, cause: Cause, situation: Situation) -> tuple[str, ...]:
    if kind == "still-rising":
        rises = (situation.temperature_slope_k_h or 0.0) > 0.0
        return (f"The heater was unplugged, and yet it {'gets warmer' if rises else 'does not cool'}.",)
    if kind == "box":
        lead_k = (situation.temperature_c or 0.0) - (situation.room_temperature_c or 0.0)
        ferments = "" if cause.goal.dryness_matters else "; wet leaf or waste in it may ferment"
        return (f"The box is {lead_k:.0f} K warmer than its room: it is not the room that heats it{ferments}.",)
    if kind == "hot-room":
        return (f"Nothing switches its mat off, and its room, at {situation.room_temperature_c:.0f} °C, needs none.",)
    if kind == "sun":
        return ("So fast no mat warms a box that has been on for hours: the sun shines on it, or a lamp.",)
    if kind == "not-known":
        return (
            "Whether the heater or the room does it cannot be told from here: feel the mat. If it is hot, the heater heats on; "
            "if it is cold, it is the room, the sun or a lamp.",
        )
    if cause.thermostat == "unplugged" and "room-cooler" in cause.facts:
        return ("The heater is unplugged; the heat it gave is still in the box.",)
    if kind == "heat-wave":
        off = "" if cause.thermostat is None else _HEATER_IS_NOT_IT[cause.thermostat == "unplugged"]
        if "room-cooler" not in cause.facts:
            return (f"It is the room, the sun or a lamp that heats{off}.",)
        if _holds_the_days_heat(situation):
            return (f"It still holds the heat of its room{off}.",)
        ferments = "" if cause.goal.dryness_matters else ", or wet leaf or waste in it that ferments"
        return (f"The room is cooler: it is the sun, a lamp or something warm beside it that heats{ferments}{off}.",)
    setpoint, falls = cause.setpoint_c, (situation.temperature_slope_k_h or 0.0) <= FALLS_K_H
    said = "It cools, but nobody has said that the heater is out." if falls else "It heats on although it is warm enough."
    if burning(situation):
        return (f"The mat itself is at {situation.mat_temperature_c:.0f} °C: that burns.", emergencies.FIND_CAUSE)
    if "thermostat" not in cause.facts:
        return ("No thermostat switches its mat off: it heats however warm it is.",)
    if setpoint is not None and cause.thermostat == "stuck":
        over = (situation.temperature_c or 0.0) - setpoint
        said = f"It is {over:.1f} K above the {setpoint:g} °C that is set: a thermostat that works does not let it get so warm."
    return (said, emergencies.FIND_CAUSE)


def over_by_itself(state: AdviceState, at_ms: int) -> AdviceState:
    """Return the state that knows when a runaway was over though nobody said to have unplugged it."""
    told = state.open
    if told is None or told.done_ms is not None or "heater:stop" not in told.keys:
        return state
    return replace(state, by_itself_ms=[*state.by_itself_ms, at_ms][-3:])


def _may_be_the_sun(state: AdviceState, situation: Situation) -> bool:
    """Return whether a runaway went by itself lately and no probe on the mat tells: its touch does, until it is lethal.

    Not where it was cold afterwards, as without its heater: somebody had pulled the plug. Nor where it is to be pulled now.
    """
    pulled_ms = state.checked_ms.get("plug-back", 0)
    lately = any(situation.at_ms - one_ms < BY_ITSELF_MS and one_ms > pulled_ms for one_ms in state.by_itself_ms)
    lately = lately and (state.open is None or "heater:stop" not in state.open.keys)
    return lately and situation.mat_temperature_c is None and (situation.temperature_c or 0.0) < practice.HEAT_FIRST_C


def cleared(state: AdviceState, situation: Situation) -> AdviceState:
    """Return the state in which the heater is not blamed for heat that stayed when it was out: two hours after its plug was
    pulled a box has lost most of what its heater gave, or something else heats it."""
    t, stops = situation.temperature_c, state.stopped_at_ms
    if t is None or not stops or not STOP_COOLS_MS <= situation.at_ms - stops[-1] < STOP_COOLS_MS + HOUR_MS:
        return state
    told = next((one for one in (state.open, state.last) if one is not None and one.done_ms == stops[-1]), None)
    stays = told is not None and told.done_c is not None and t > told.done_c - STOP_COOLS_K
    return replace(state, stopped_at_ms=stops[:-1], cleared_ms=stops[-1]) if stays else state


def aired(state: AdviceState, situation: Situation) -> AdviceState:
    """Return the state that knows whether letting in the room's air, of which nothing was known, has cooled the box."""
    t = situation.temperature_c
    for told in (state.open, state.last):
        if t is None or told is None or told.done_ms is None or told.done_c is None or "air-if-cooler" not in told.acts:
            continue
        if AIR_COOLS_MS <= situation.at_ms - told.done_ms < STOP_COOLS_MS and t > told.done_c - AIR_COOLS_K:
            return replace(state, aired_in_vain_ms=told.done_ms)
    return state


def is_blamed(state: AdviceState, situation: Situation) -> bool:
    """Return whether the heater that is out may be what heated: it was not seen to be as warm without it."""
    return state.cleared_ms is None or heater_since_ms(situation.changes) != state.cleared_ms


def stops_lately(state: AdviceState, at_ms: int) -> int:
    """Return how often the heater was unplugged on advice lately."""
    return sum(at_ms - stop_ms < LATELY_MS for stop_ms in state.stopped_at_ms)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
