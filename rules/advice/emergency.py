"""Emergencies before cells: what to do first in lethal heat, at a heater that runs away, and in the cold, by what causes it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log
from typing import Literal

from rules.advice.cause import Cause, burning
from rules.advice.devices import Move, allowed, moves_for
from rules.advice.model import COOLING, NAMES, ChamberModel, cooling_h
from rules.advice.standing import Standing, dryness_harms
from rules.advice.state import AdviceState, OpenAdvice
from rules.climate.situation import Beside, Situation
from rules.climate.thermostat import FALLS_K_H, FAULT_K, NO_LIFT_K, RISES_K_H, ROOM_LIFT_K, SLOW_BOX_H, heat_k
from rules.settings import Chamber
from rules.terms.advised import Reach
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import emergencies, practice
from rules.trade.acts import ACTS
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import Step

MOST_ACTIONS = 2
FALLS_ON_H = 2.0
"""So long a room that gets colder is taken to go on doing so; judgement."""
PLAINLY_K_H, LEAST_K = 1.0, 0.3
"""A box that gets warmer by itself rises by so much; a reading is so sure. In lethal cold it has to rise as a heated one does,
or the noise of a probe and the morning sun would be a comfort; own judgement."""
WARMS_K_H, WARMS_FROM_H = 0.3, 1.0
"""A box whose heat is back gets warmer by more than this after the first hour; slower, it stays cold. Own estimate."""
LATELY_MS = 7 * DAY_MS
"""A heater that was unplugged within this and runs away again has a cause that was not found, not a new one; judgement."""
LEAD_K, SEEN_SPREAD = 2.0, 1.3
"""Over so much of a lead the pace of a quarter of an hour tells how a box cools, within this factor; own estimates."""
LEAST_AHEAD_K = 0.3
"""A mark so near the end is not told: when it is reached, if ever, nobody knows. Own estimate."""
MARKS_C = (practice.LETHAL_COLD_C, 10.0)
"""Marks to which the time is told: growth has long stopped (own estimate); it kills (Mueller et al. 2011)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Urgent:
    """What comes first: acts in order, words that take the place of an act's own, sized moves, what never, what to know."""

    branch: Literal["heat", "heater-failed", "cold", "together", "warming"]
    acts: tuple[str, ...]
    words: Mapping[str, str]
    moves: tuple[Move, ...] = ()
    never: tuple[practice.Never, ...]
    notes: tuple[str, ...]
    reaches: tuple[Reach, ...] = ()
    boxes: tuple[str, ...] = ()
    limits_harm: bool = False
    follows: bool = False


# ---------------------------------------------------------------- heat


def heat(cause: Cause, state: AdviceState, situation: Situation, model: ChamberModel) -> Urgent | None:
    """Return what lethal heat or a runaway asks for; None where it was unplugged and cools: there is nothing more to do."""
    t, slope = situation.temperature_c or 0.0, situation.temperature_slope_k_h or 0.0
    if cause.thermostat == "unplugged" and slope <= FALLS_K_H:
        return None
    kind = _kind_of_heat(cause, state, situation)
    acts = [step.act for step in emergencies.HEAT_BRANCH[kind] if allowed(step, cause)]
    notes, words = _why_hot(kind, cause, situation), {}
    if kind == "runaway" and (count := stops_lately(state, situation.at_ms)):
        words["stop-heater"] = "Unplug the heater now, at the wall, and leave it out: it is not the first time this week"
        notes = (f"It was unplugged {_times(count)} within a week, and it is back: the cause is not found yet.",
            "Is the mat really hot, and the garden's air with it?")
        if t < practice.HEAT_FIRST_C:
            acts.insert(1, "compare-probe")
    if kind != "heat-wave":
        return Urgent(branch="heat", acts=_one_a_device(acts), words=words, never=emergencies.HEAT_NEVER, notes=notes)
    besides = [beside for beside in situation.besides if beside.harm == "heat"]
    if besides:
        notes = (*notes, f"{len(besides) + 1} boxes get hot together: what helps one helps all, the smallest garden first.")
    return Urgent(
        branch="heat", acts=_one_a_device(acts), words=words, never=emergencies.WAVE_NEVER, notes=notes, limits_harm=True,
        boxes=_boxes(situation, besides), follows=_follows(besides, situation, model),
    )


def _kind_of_heat(cause: Cause, state: AdviceState, situation: Situation) -> str:
    if cause.thermostat == "unplugged":
        rises = (situation.temperature_slope_k_h or 0.0) > -FALLS_K_H and "room-cooler" in cause.facts
        return "still-rising" if rises or "heats-itself" in cause.facts else "heat-wave"
    if burning(situation) or _runs_away_still(cause, state.open, situation):
        return "runaway"
    if "heats-itself" in cause.facts:
        return "box"
    if cause.thermostat == "unknown" and situation.room_temperature_c is None:
        return "not-known"
    room, held = situation.room_temperature_c, cause.setpoint_c or cause.goal.temperature_c
    warm_room = (room is not None and room >= held - 0.5) or _holds_the_days_heat(situation)
    return "heat-wave" if cause.thermostat is None or (cause.thermostat == "resting" and warm_room) else "runaway"


def _runs_away_still(cause: Cause, told: OpenAdvice | None, situation: Situation) -> bool:
    """Return whether a heater that was told to be unplugged is to stay so: who has pulled it has not said so yet."""
    t, was_told = situation.temperature_c, told is not None and "heater:stop" in told.keys
    return was_told and t is not None and cause.setpoint_c is not None and t > cause.setpoint_c + FAULT_K


def _holds_the_days_heat(situation: Situation) -> bool:
    t, room_high_c = situation.temperature_c, situation.room_high_c
    return t is not None and room_high_c is not None and t <= room_high_c + ROOM_LIFT_K


_HEATER_IS_NOT_IT = (": the heater has long switched off, unplugging it changes nothing", ": the heater is unplugged already")


def _why_hot(kind: str, cause: Cause, situation: Situation) -> tuple[str, ...]:
    if kind == "still-rising":
        rises = (situation.temperature_slope_k_h or 0.0) > 0.0
        return (f"The heater was unplugged, and yet it {'gets warmer' if rises else 'does not cool'}.",)
    if kind == "box":
        lead_k = (situation.temperature_c or 0.0) - (situation.room_temperature_c or 0.0)
        ferments = "" if cause.goal.dryness_matters else "; wet leaf or waste in it may ferment"
        return (f"The box is {lead_k:.0f} K warmer than its room: it is not the room that heats it{ferments}.",)
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
    setpoint = cause.setpoint_c
    said = "It heats on although it is warm enough."
    if burning(situation):
        return (f"The mat itself is at {situation.mat_temperature_c:.0f} °C: that burns.", emergencies.FIND_CAUSE)
    if "thermostat" not in cause.facts:
        return ("No thermostat switches its mat off: it heats however warm it is.",)
    if setpoint is not None and cause.thermostat == "stuck":
        over = (situation.temperature_c or 0.0) - setpoint
        said = f"It is {over:.1f} K above the {setpoint:g} °C that is set: a thermostat that works does not let it get so warm."
    return (said, emergencies.FIND_CAUSE)


def stops_lately(state: AdviceState, at_ms: int) -> int:
    """Return how often the heater was unplugged on advice lately."""
    return sum(at_ms - stop_ms < LATELY_MS for stop_ms in state.stopped_at_ms)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


# ---------------------------------------------------------------- cold


def cold_comes_first(cause: Cause, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether the cold is answered before the decision table: lethal, or the heat has failed."""
    t = situation.temperature_c
    if t is None or cause.temperature == "high" or not cause.goal.dryness_matters:
        return False
    if cause.thermostat == "warming" and t > practice.LETHAL_COLD_C:
        return False  # the heat is back; more of it does not come faster
    not_rising = (situation.temperature_slope_k_h or 0.0) < -FALLS_K_H
    if cause.temperature == "low" and not_rising and any(beside.harm == "cold" for beside in situation.besides):
        return True  # one cause for several: no cell of one of them answers it
    if _failed(standing) or (cause.temperature == "low" and cause.thermostat == "dead"):
        return True
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
    besides = [beside for beside in situation.besides if beside.harm == "cold"]
    last = state.open or state.last
    before = last is not None and last.branch in ("heater-failed", "cold", "together", "warming")
    if not (before or besides or _failed(standing)) or cause.temperature != "low" or dryness_harms(standing):
        return None
    slope, said = situation.temperature_slope_k_h or 0.0, state.open
    lethal = situation.temperature_c is not None and situation.temperature_c <= practice.LETHAL_COLD_C
    if said is None or said.branch != "warming":
        least_k_h = RISES_K_H if lethal else PLAINLY_K_H
    elif _has_warmed(said, situation):
        least_k_h = FALLS_K_H
    else:
        return None
    if slope < least_k_h and (lethal or cause.thermostat != "warming"):
        return None
    if not any(ALARMS[row.alarm].harm == "cold" and row.condition == "active" for row in standing.values()):
        return None
    return Urgent(
        branch="warming", acts=("let-warm",), words={}, never=emergencies.WARMING_NEVER, notes=(emergencies.WARM_BACK,),
        boxes=_boxes(situation, besides), follows=_follows(besides, situation, model()),
    )


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
    besides = [beside for beside in situation.besides if beside.harm == "cold"]
    kind = _kind_of_cold(cause, situation, standing, model)
    order = _in_order(besides, situation, chamber, model)
    reaches = _reaches(kind, situation, order, model)
    acts, moves = ["warm-place"] if kind == "at-limit" and reaches else [], []  # what is kept in does not suffice
    for step in emergencies.COLD_BRANCH[kind]:
        if not allowed(step, cause):
            continue
        if step.act == "close-vents":
            if situation.relative_humidity_pct is None or situation.saturated:
                continue  # what it does to the humidity could not be followed
            moves = moves_for(Step("close-vents"), chamber, cause, knobs)[-1:]
        acts.append(step.act)
    chosen = _one_a_device(acts)
    words = {"close-vents": moves[0].text} if moves else {}
    if besides:
        words |= {act: _ordered_text(act, order) for act in ("warm-now", "warm-place", "wrap-bottle") if act in chosen}
    branch: Literal["heater-failed", "cold", "together"] = "heater-failed" if kind in ("dead", "broken") else "cold"
    branch = "together" if besides else branch
    return Urgent(
        branch=branch, acts=chosen, words=words, moves=tuple(move for move in moves if move.act in chosen),
        never=emergencies.COLD_NEVER, notes=_why_cold(kind, cause, situation, len(order)),
        reaches=reaches, boxes=_boxes(situation, order), follows=_follows(besides, situation, model),
    )


def _kind_of_cold(cause: Cause, situation: Situation, standing: Mapping[str, Standing], model: ChamberModel) -> str:
    """Return the row of the cold branch that holds. Weak is only what is seen to heat, or what nobody has looked at yet."""
    slope = situation.temperature_slope_k_h or 0.0
    if cause.thermostat is None:
        return "no-heat"
    least, most = _heats(situation, model)
    if any(beside.harm == "cold" for beside in situation.besides):
        weak = cause.thermostat == "at-limit" and slope >= FALLS_K_H and (least or situation.room_temperature_c is None)
        return "at-limit" if weak else "power"  # flat at its room's temperature it may have no heat at all
    suspected = _failed(standing) and "heater-suspect" in cause.facts
    heats = slope > FALLS_K_H if situation.room_temperature_c is None else least
    if cause.thermostat == "at-limit" and not suspected and (heats or slope > FALLS_K_H):
        return "at-limit"
    if "heater-seen" in cause.facts and heats:
        return "at-limit"
    if "heater-looked" not in cause.facts:
        return "dead"
    return "unsure" if most else "broken"


def _heats(situation: Situation, model: ChamberModel) -> tuple[bool, bool]:
    """Return whether heat comes surely, however slowly the chamber cools, and whether it may, however fast."""
    _, early_h, late_h = cooling_h(model)
    slowest_h = late_h if model.identified.get(NAMES[COOLING]) else max(late_h, SLOW_BOX_H)  # litres of wet ground lag
    return _heat_k(situation, slowest_h) >= NO_LIFT_K, _heat_k(situation, early_h) >= NO_LIFT_K


def _heat_k(situation: Situation, tau_h: float) -> float:
    """Return by how much the heat that comes now would lift the chamber over its room in the end."""
    t, room, slope = situation.temperature_c, situation.room_temperature_c, situation.temperature_slope_k_h
    return 0.0 if t is None or room is None else float(heat_k(t - room, slope or 0.0, tau_h))


def _boxes(situation: Situation, besides: Sequence[Beside]) -> tuple[str, ...]:
    """Return the chambers that a plan speaks for, in this order; none where it is its own alone."""
    names = [one.chamber for one in besides]
    return () if not set(names) - {situation.chamber} else tuple(dict.fromkeys([*names, situation.chamber]))


def _follows(besides: Sequence[Beside], situation: Situation, model: ChamberModel) -> bool:
    """Return whether another chamber tells it for all: the one with the smallest heat store."""
    return any((one.time_constant_h, one.chamber) < (cooling_h(model)[0], situation.chamber) for one in besides)


def _in_order(besides: Sequence[Beside], situation: Situation, chamber: Chamber, model: ChamberModel) -> list[Beside]:
    """Return all chambers that get cold, this one included: the one that is cold first at the head."""
    tau_h, _, late_h = cooling_h(model)
    title, slope = chamber.title or situation.chamber, situation.temperature_slope_k_h
    mine = Beside(situation.chamber, title, "cold", situation.temperature_c, tau_h, late_h / tau_h, slope)
    return sorted([mine, *besides], key=lambda one: (*_how_late(one, situation), one.time_constant_h, one.chamber))


def _how_late(one: Beside, situation: Situation) -> tuple[int, float]:
    """Return how many marks a chamber has left, and the hours until the next at the room of now: once warmed, it can wait."""
    t, room = one.temperature_c, situation.room_temperature_c
    ahead = [mark for mark in MARKS_C if t is None or mark < t]
    if t is None or not ahead:
        return len(ahead), 0.0
    end = ahead[0] - 1.0 if room is None else min(room, ahead[0] - 1.0)
    return len(ahead), _cooling_h(one, room)[0] * log((t - end) / (ahead[0] - end))


def _cooling_h(one: Beside, room_c: float | None) -> tuple[float, float, float]:
    """Return the time constant with which a chamber cools, h, and between which ones it may lie.

    Where it plainly falls, its own pace tells it: a box full of wet ground falls several times slower than its walls say.
    """
    tau_h, t, slope = one.time_constant_h, one.temperature_c, one.slope_k_h
    if t is None or room_c is None or slope is None or slope > FALLS_K_H or t - room_c < LEAD_K:
        return tau_h, tau_h / one.spread, tau_h * one.spread
    seen_h = (t - room_c) / -slope
    return seen_h, min(seen_h / SEEN_SPREAD, tau_h / one.spread), max(seen_h * SEEN_SPREAD, tau_h * one.spread)


def _ordered_text(act: str, order: Sequence[Beside]) -> str:
    names, text = ", then ".join(one.title for one in order), ACTS[act].text
    return f"One box after the other, first {names}: {text[0].lower()}{text[1:]}"


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
        said = "It is far below what the thermostat is set to, and no heat is seen to come."
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
    if boxes > 1:
        parts.append("The box that is cold first comes first.")
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
        t, (tau_h, early_h, late_h) = one.temperature_c, _cooling_h(one, room + lift)
        end = room + lift + min(slope or 0.0, 0.0) * min(tau_h, FALLS_ON_H)
        for mark, share in marks_ahead(t, end) if t is not None else ():
            ms = [round(hours * share * HOUR_MS) for hours in (tau_h, early_h, late_h)]
            found.append(Reach(one.chamber, mark, *ms))
    return tuple(found)


def marks_ahead(now_c: float, end_c: float, marks_c: Iterable[float] = MARKS_C) -> list[tuple[float, float]]:
    """Return the marks on the way from now to an end, down or up, each with how many time constants it takes to get there."""
    lead_k = now_c - end_c
    shares = [(mark, (mark - end_c) / lead_k) for mark in marks_c if abs(mark - end_c) > LEAST_AHEAD_K and lead_k]
    return [(mark, log(1.0 / share)) for mark, share in shares if 0.0 < share < 1.0]


def _one_a_device(acts: list[str]) -> tuple[str, ...]:
    """Return the first acts in order, one for each device: a device gets at most one change per message."""
    out: dict[str, str] = {}
    for act in acts:
        device = "power" if act == "check-power" else ACTS[act].device
        out.setdefault("vent" if device == "fan" else device, act)
    if "warm-now" in acts:
        out = {device: act for device, act in out.items() if act != "wrap-bottle"}  # it says so already
    return tuple(out.values())[:MOST_ACTIONS]
