"""A heater's thermostat as a thing with states: what it does now, judged only from outside.

Evidence is the air's course, the set point, the room, the mat's own probe where there is one, and what the keeper said to have
done. Checks ask for many instants, advice for one; both ask here. Limits: own estimates unless a source stands beside them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import combinations
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Hour
from rules.keeper.devices import heater_since_ms, told_knobs
from rules.keeper.state import DeviceChange
from rules.settings import Chamber
from rules.terms.events import HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]
State = Literal["unknown", "regulating", "warming", "resting", "at-limit", "dead", "stuck", "unplugged"]
"""`warming`: on, and on its way up to the set point. `resting`: off because it is warm enough, so its set point explains
nothing. `at-limit`: on all the time and too weak. `dead`: gives no heat (also: pulled out or tripped without a word)."""
UNKNOWN, REGULATING, WARMING, RESTING, AT_LIMIT, DEAD, STUCK, UNPLUGGED = range(8)
STATES: tuple[State, ...] = get_args(State)

FAULT_K, FAULT_UNSEEN_K = 2.0, 2.8
"""So far above its set point, with a cooler room, no thermostat that works lets it get: common swings and errors of scale are
1 to 2 K (common practice, no source). One whose dial and probe err by more is known by its cycles: peaks that were seen to turn
are none (`ceiling_c`). The second while it rises and no cycle has been seen yet: it may still turn."""
BELOW_K, BELOW_UNSEEN_K = 1.0, 2.0
"""How far below its set point it is no longer held: where its usual swing is known, and where it is not."""
OVERSHOOT_K = 1.0
"""What a sound thermostat reaches above its set point in its cycles; common practice, no source."""
SWING_K = 0.6
"""How far past the peaks and troughs of its last cycles is out of the usual. Own estimate."""
ROOM_LIFT_K, SURE_LIFT_K = 1.5, 4.0
"""What a garden and some light give a box above its room, and what only a heater gives. Own estimate."""
CYCLES_K = 0.7
"""Air that swings by more within an hour is switched by a thermostat; a heater at its limit holds it still. Own estimate."""
NO_LIFT_K = 2.0
"""A heater that lifts a cold chamber by less over its room gives no heat that counts. Own estimate."""
GIVES_MORE_K = 1.0
"""What it gives less than this above its usual lead is its swing through the day. Own estimate."""
GIVEN_SHARE = 0.5
"""A mat that is on all the time and gives less than this share of what it gave before has failed. Own estimate."""
LEAST_TAU_H = 1.0
"""With this time constant, the least of ordinary boxes, a fall counts where the chamber's own is not known. Own estimate."""
SLOWEST_H, SLOW_BOX_H = 7.0, 12.0
"""Without heat a box loses at least one part in seven of its lead over the room per hour: time constants of 1 to 6 h. The
second for one that a hot room has warmed through, with litres of wet ground: it lags longest. Own estimate."""
HOT_MAT_K, COLD_MAT_K = 6.0, 1.5
"""A mat that heats is warmer than the air by more than the first; one that is off comes below the second. Own estimate."""
BURNING_MAT_C = 60.0
"""A mat this hot burns a hand and its own glue, whatever the air says; common practice, no source."""
FALLS_K_H, RISES_K_H = -0.5, 2.0  # own estimate
COOLED_K_H = -1.0
"""What has fallen by so much from one hour to the next is on its way down, whatever a quarter of an hour says. Own estimate."""
WARMS_WITHIN_MS, COOLS_WITHIN_MS = 30 * MINUTE_MS, 2 * HOUR_MS
"""So long after a change of the heater the air may still be on its way up from below, and down to a lower set point.
Own estimate."""
FORGOTTEN_MS = 8 * HOUR_MS
"""So long after it was unplugged no box is still this warm by itself: it was plugged in again without a word. Own estimate."""
FAST_K_H = 4.0
"""1 K in 15 minutes. A mat of three times the needed power gives 1.3 to 3.7 K in 15 minutes (factor 2). Own estimate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldHeater:
    """What the keeper said of the heater: plugged in or not, the thermostat's set point, and since when."""

    plugged: bool = True
    thermostat: bool = True
    setpoint_c: float | None = None
    since_ms: int | None = None


def told_heater(chamber: Chamber, changes: Sequence[DeviceChange]) -> ToldHeater | None:
    """Return the heater after what the keeper said to have done; None where there is none."""
    heater, knobs = chamber.devices.heater, told_knobs(changes)
    if heater is None:
        return None
    return ToldHeater(
        plugged=knobs.get("heater_plugged", 1.0) > 0.0, thermostat=heater.thermostat,
        setpoint_c=knobs.get("setpoint", heater.setpoint_c) if heater.thermostat else None,
        since_ms=heater_since_ms(changes),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """How the air swung around the set point in the last day, by whole hours; NaN: not known."""

    mean_c: float = float("nan")
    peak_c: float = float("nan")
    trough_c: float = float("nan")
    range_k: float = float("nan")
    trend_k_h: float = float("nan")
    """From the mean of the hour before last to that of the last one: it tells a slow fall from a probe's noise."""
    room_high_c: float = float("nan")
    """The highest of the room in the last day."""
    room_lately_c: float = float("nan")
    """The highest of the room in the last hours, by which a large box lags it."""
    lead_k: float = float("nan")
    """How far the air lies over its room while the mat is on all the time: usually where nothing switches it, at most where a
    thermostat does."""


NEEDED_HOURS, LOOKED_BACK_HOURS, STEADY_K = 2, 24, 1.0  # own estimate
LAGS_HOURS = 8
"""So long after its room the largest box may be at its warmest: litres of wet ground behind a thick wall. Own estimate."""
LATELY_HOURS = 4
"""A thermostat that was set lower, or whose dial lies, is seen to switch there within so many hours; own estimate."""


def _figures(rows: Sequence[Hour]) -> list[tuple[float, int, int, int]]:
    return [(row.total / row.count, row.greatest, row.least, row.greatest - row.least) for row in rows]


def usual(hours: Mapping[str, Hour], at_ms: int, since_ms: int | None, room_hours: Mapping[str, Hour]) -> Usual:
    """Return the usual swing before the hour of `at_ms`, after the last change of the heater that the keeper told; until that
    is two whole hours ago, as it was before.

    Quartiles of the hourly extremes, so that one bad hour does not make itself usual; a mean only where the hours agree.
    """
    now = at_ms // HOUR_MS
    oldest = now - LOOKED_BACK_HOURS
    first = oldest if since_ms is None else max(oldest, since_ms // HOUR_MS + 1)
    rows = [hours[key] for key in map(str, range(first, now)) if key in hours]
    figures = _figures(rows)
    if len(rows) < NEEDED_HOURS:
        before = _figures([hours[key] for key in map(str, range(oldest, first - 1)) if key in hours])
        past = [row for row in before if row[3] > 1000.0 * CYCLES_K]
        if len(past) >= NEEDED_HOURS:  # a turned dial moves the swing, and hardly its height
            _, peak, trough, range_k = np.median(past, axis=0) / 1000.0
            return Usual(peak_c=float(peak), trough_c=float(trough), range_k=float(range_k))
        _, peak, trough, range_k = np.array(figures[0] if rows else (0.0,) * 4) / 1000.0  # one hour shows where it has turned
        return Usual(peak_c=float(peak), trough_c=float(trough)) if range_k > CYCLES_K else Usual()
    means, _, troughs, ranges = zip(*figures, strict=True)
    low, mean_c, high = (quantile(means, share) / 1000.0 for share in (0.25, 0.5, 0.75))
    trough, range_k = quantile(troughs, 0.25) / 1000.0, quantile(ranges, 0.5) / 1000.0
    last = list(map(str, range(max(first, now - LATELY_HOURS), now)))
    turned_k = _turned_k(hours, last) - _turned_k(room_hours, last)  # a dead box goes up and down with its room
    if turned_k > CYCLES_K:  # it switches at another height now
        trough = min(trough, min(hours[key].least for key in last if key in hours) / 1000.0)
        range_k = max(range_k, turned_k)
    turned = [peak for _, peak, _, swing in figures if swing > 1000.0 * CYCLES_K]  # a creeping rise makes itself no peak
    return Usual(
        mean_c=mean_c if high - low <= STEADY_K else float("nan"), trough_c=trough, range_k=range_k,
        peak_c=quantile(turned, 0.75) / 1000.0 if turned else float("nan"),
    )


def _turned_k(hours: Mapping[str, Hour], last: Sequence[str]) -> float:
    """Return how far the air rose out of one of the last hours into a later one and fell the other way, whichever is less.

    What is switched does both; what cools down, or heats all the time, goes one way.
    """
    lately = [(row.greatest / 1000.0, row.least / 1000.0) for row in map(hours.get, last) if row is not None]
    if len(lately) < NEEDED_HOURS:
        return 0.0
    pairs = [*combinations(lately, 2)]
    rises, falls = max(high - low for (_, low), (high, _) in pairs), max(high - low for (high, _), (_, low) in pairs)
    return max(0.0, min(rises, falls))


def quantile(figures: Sequence[float], share: float) -> float:
    """Return a quantile, as numpy's own function has it to the bit; for a few days that is many times slower."""
    ordered, place = sorted(figures), share * (len(figures) - 1)
    below = int(place)
    low, high, along = ordered[below], ordered[min(below + 1, len(ordered) - 1)], place - below
    return low + (high - low) * along if along < 0.5 else high - (high - low) * (1.0 - along)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is seen of one heated chamber, for many instants as arrays or for one as numbers; NaN: not known. degC and K/h."""

    air_c: Floats
    slope_k_h: Floats
    """Over a quarter of an hour."""
    room_c: Floats
    room_slope_k_h: Floats
    mat_c: Floats
    setpoint_c: Floats
    usual_c: Floats
    peak_c: Floats
    trough_c: Floats
    range_k: Floats
    trend_k_h: Floats
    room_high_c: Floats
    room_lately_c: Floats
    lead_k: Floats
    high_c: Floats
    """Upper edge of the band."""
    low_c: Floats
    since_ms: Floats
    """How long ago the keeper last changed the heater."""
    tau_h: Floats
    """The time constant with which the chamber cools, h, at its early end."""


_EVIDENCE = tuple(field.name for field in fields(Evidence))


def evidence_of(**figures: float | None) -> Evidence:
    """Return the evidence of one instant from plain figures; what is absent or None is not known."""
    rows: Any = (_NAN if (figure := figures.get(name)) is None else np.float64(figure) for name in _EVIDENCE)
    return Evidence(**dict(zip(_EVIDENCE, rows, strict=True)))


_NAN = np.float64(np.nan)


def state_of(plugged: bool, **figures: float | None) -> State:
    """Return what the thermostat does at one instant."""
    return STATES[int(judged(evidence_of(**figures), plugged))]


def in_its_swing(air_c: float | None, usual_peak_c: float | None, setpoint_c: float | None) -> bool:
    """Return whether the air is no warmer than a sound thermostat lets it get: its usual peak, or the set point and what it
    overshoots; where neither is known it may be."""
    peaks_c = [usual_peak_c, None if setpoint_c is None else setpoint_c + OVERSHOOT_K]
    known_c = [peak for peak in peaks_c if peak is not None]
    return air_c is not None and (not known_c or air_c <= max(known_c) + SWING_K)


def judged(seen: Evidence, plugged: bool) -> NDArray[np.int8]:
    """Return the state of the thermostat at each instant, as its place in `STATES`.

    A heater that was told to be unplugged is believed to be, until hours later only a heater explains what is seen.
    """
    if plugged:
        return _judged(seen)
    with np.errstate(invalid="ignore"):
        heats = (seen.since_ms > FORGOTTEN_MS) & (seen.air_c - seen.room_c > SURE_LIFT_K) & (seen.slope_k_h > FALLS_K_H)
    return np.asarray(_either(heats, _judged(seen), UNPLUGGED), np.int8)


def _either(where: NDArray[np.bool_], one: Any, other: Any) -> Any:
    """Return `np.where` of many instants, or of one in a twentieth of its time."""
    if isinstance(where, np.ndarray):
        return np.where(where, one, other)
    return one if where else other


def _unknown(figure: Floats) -> NDArray[np.bool_]:
    """Return where a figure is not known: `np.isnan`, for one instant in a tenth of its time."""
    unlike: NDArray[np.bool_] = figure != figure
    return unlike


def _judged(seen: Evidence) -> NDArray[np.int8]:
    with np.errstate(invalid="ignore"):  # a comparison with what is not known holds for nothing
        t, over_room, aim = seen.air_c, seen.air_c - seen.room_c, _aim(seen)
        state = _either((abs(t - aim) <= FAULT_K) & ~(seen.room_c >= aim - 0.5), REGULATING, UNKNOWN)
        below = t < floor_c(seen)
        state = _either(below & ~(over_room < NO_LIFT_K) & ~_unknown(aim), AT_LIMIT, state)
        cycles = (seen.range_k > CYCLES_K) & (t >= seen.trough_c - SWING_K)
        swings = cycles & (t <= seen.peak_c + SWING_K) & ~(seen.room_c >= seen.trough_c)
        its_dial_lies = ((state == AT_LIMIT) & cycles) | ((state == UNKNOWN) & swings)
        state = _either(its_dial_lies, REGULATING, state)
        if below.any():
            state = _either(below & ~cycles & _gives_nothing(seen), DEAD, state)
            rises = (seen.slope_k_h >= -FALLS_K_H) & ~(seen.slope_k_h - seen.room_slope_k_h < -FALLS_K_H)
            warms = (rises & ~(seen.mat_c < t + COLD_MAT_K)) | (seen.since_ms < WARMS_WITHIN_MS)
            state = _either(below & warms, WARMING, state)
        above = t >= aim - BELOW_K
        warm_room = (seen.room_c >= aim - 0.5) | ((t > aim + 0.7) & (over_room < ROOM_LIFT_K))
        state = _either(above & (warm_room | ((t > aim + 1.0) & (seen.mat_c < t + COLD_MAT_K))), RESTING, state)
        state = _either(_unknown(aim) & (over_room < 1.0) & (t > seen.high_c - 1.0), RESTING, state)
        too_warm = t > ceiling_c(seen)
        if too_warm.any():
            falls = (seen.trend_k_h <= COOLED_K_H) | (seen.since_ms < COOLS_WITHIN_MS)  # a pause in that is no heat
            cooling = (seen.slope_k_h <= FALLS_K_H) | (falls & (seen.slope_k_h < RISES_K_H))
            # Off for a moment: it holds the air as warm as this.
            own_heat = swings & (over_room > SURE_LIFT_K) & ~holds_heat(seen) & ~(seen.since_ms < COOLS_WITHIN_MS)
            rests = too_warm & (cooling | holds_heat(seen))
            state = _either(rests, _either(own_heat, REGULATING, RESTING), state)
            state = _either(too_warm & _heats_on(seen, aim) & ~cooling, STUCK, state)
        return np.asarray(_either(_unknown(t), UNKNOWN, state), np.int8)


def _aim(seen: Evidence) -> Floats:
    """Return what the air is held at: the set point, or where that is not known what it usually is at."""
    aim: Floats = _either(_unknown(seen.setpoint_c), seen.usual_c, seen.setpoint_c)
    return aim


def floor_c(seen: Evidence) -> Floats:
    """Return below which temperature the air is not held: 1 to 2 K under the set point by its usual trough, else the band's."""
    aim, trough = _aim(seen), _either(_unknown(seen.trough_c), -np.inf, seen.trough_c - SWING_K)
    held: Floats = np.minimum(np.maximum(trough, aim - BELOW_UNSEEN_K), aim - BELOW_K)
    least: Floats = _either(_unknown(aim), seen.low_c, held)
    return least


def ceiling_c(seen: Evidence) -> Floats:
    """Return the temperature that a working thermostat does not let it pass.

    A usual peak counts up to 1 K above the band, one of a cycle that was seen to turn for hours up to 2 K.
    """
    aim, most = _aim(seen), seen.high_c + _either(seen.range_k > CYCLES_K, 2.0, 1.0)
    peak = np.minimum(seen.peak_c + SWING_K, _either(_unknown(most), np.inf, most))
    unseen = _unknown(seen.range_k) & (seen.slope_k_h > -FALLS_K_H)
    fault = aim + _either(unseen, FAULT_UNSEEN_K, FAULT_K)
    highest: Floats = np.fmax(
        _either(_unknown(aim), seen.high_c + 0.5, fault), _either(_unknown(peak), -np.inf, peak)
    )
    return highest


def holds_heat(seen: Evidence) -> NDArray[np.bool_]:
    """Return where the heat of the room's last day explains how warm it is: without heat it falls, over hours."""
    return seen.air_c <= seen.room_high_c + ROOM_LIFT_K


def lost_k_h(slope_k_h: Floats, room_slope_k_h: Floats) -> Floats:
    """Return how much faster a box falls than its room, less than 0: what it falls with its room is no lack of heat, and a room
    that gets warm again, as after a window was open, takes nothing from it."""
    lost: Floats = slope_k_h - np.minimum(room_slope_k_h, 0.0)
    return lost


def heat_k(over_room_k: Floats | float, slope_k_h: Floats | float, tau_h: Floats | float) -> Floats:
    """Return by how much the heat that comes now would lift a chamber over its room in the end: its lead plus tau dT/dt.

    Newton's law of cooling with a source: dT/dt = (lift - lead) / tau. So a heater at its limit is known from a dead one also
    where the room falls as fast as the box. A rise is counted only where the room is cooler and so does not make it, and as of
    the least box: it may be the sun's.
    """
    fall = np.where(np.isnan(slope_k_h), 0.0, np.minimum(slope_k_h, 0.0))
    rise = np.where(np.asarray(over_room_k) > 0.0, np.fmax(slope_k_h, 0.0), 0.0) * LEAST_TAU_H
    return np.asarray(over_room_k + np.where(np.isnan(tau_h), LEAST_TAU_H, tau_h) * fall + rise)


def _gives_nothing(seen: Evidence) -> NDArray[np.bool_]:
    """Return where a heater that should heat does not: its mat is cold, or the air is at the room's or goes to it by itself."""
    over_room = seen.air_c - seen.room_c
    lost = lost_k_h(seen.slope_k_h, seen.room_slope_k_h)
    to_room = (seen.slope_k_h <= FALLS_K_H) & (lost <= -np.maximum(0.4, over_room / SLOWEST_H))
    to_room &= ~(over_room > seen.lead_k)  # it only follows a room that fell
    unseen_room = _unknown(seen.room_c) & (seen.slope_k_h <= -2.0)
    least_k = np.fmin(NO_LIFT_K, GIVEN_SHARE * seen.lead_k)  # a dimmed mat never gave more
    by_air = (heat_k(over_room, seen.slope_k_h, seen.tau_h) < least_k) | to_room | unseen_room
    by_air &= ~(seen.lead_k < ROOM_LIFT_K)  # of a mat that never gave more no air tells whether it gives that still
    nothing: NDArray[np.bool_] = _either(_unknown(seen.mat_c), by_air, seen.mat_c < seen.air_c + COLD_MAT_K)
    return nothing


def _heats_on(seen: Evidence, aim: Floats) -> NDArray[np.bool_]:
    """Return where it heats although it is warm enough: nothing but a heater explains it, or its own mat shows it."""
    t, slope = seen.air_c, seen.slope_k_h
    over_room = t - seen.room_c
    by_itself = (slope >= FAST_K_H) & ~(seen.room_slope_k_h > slope / 2.0)
    cooler = (over_room > ROOM_LIFT_K) & (~(seen.room_c >= aim - 0.5) | (over_room > SURE_LIFT_K) | by_itself)
    alone = _either(_unknown(seen.room_c), slope >= RISES_K_H, cooler)
    guessed = _unknown(aim) & ~((slope >= RISES_K_H) | (t > seen.high_c + FAULT_K))
    # A large box is warmer than a room that cools in the evening for hours without any heat; then it falls, if only slowly.
    by_slope = slope > np.fmax(FALLS_K_H, -over_room / (2.0 * SLOWEST_H))
    lags = seen.air_c <= seen.room_lately_c  # at its peak it stands still, kelvins above a room that falls already
    holds_on = _either(holds_heat(seen), ~lags & (seen.trend_k_h > -over_room / (2.0 * SLOW_BOX_H)), by_slope)
    by_air = alone & (holds_on | (slope >= RISES_K_H)) & ~guessed
    by_air &= ~(_unknown(aim) & (over_room <= seen.lead_k + GIVES_MORE_K))  # a mat that nothing switches gives as ever
    heats: NDArray[np.bool_] = _either(_unknown(seen.mat_c), by_air, (seen.mat_c > t + HOT_MAT_K) & (slope > FALLS_K_H))
    return heats
