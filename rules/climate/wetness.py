"""A humidity probe at its top: is it the air that is wet, or the probe?

Thresholds are proposals of our own, supported by what capacitive probes do in wet air (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Series
from rules.physics.vapour import dew_point_c_or_nan
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.quantities import DRIEST_PCT, FACTS

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Bools = NDArray[np.bool_]

SATURATED_PCT = 99.0  # own estimate
SATURATED_AFTER_MS = 30 * MINUTE_MS  # own estimate
LEAP_K, LEAP_K_PER_H = 1.5, 4.0
"""A dew point that comes to the top ran ahead of any air if it rose by more than this and so much an hour: own estimate."""
WARMED_K, WARMED_K_PER_H = 2.5, 1.0
"""So a probe is found that stands at its top while it warms. Over half a year outdoor air at its top ran 1.6 K ahead of 1 K/h,
2.4 K in steps of 1 K and 2 %RH (FMI station, TRH-database). Measured there."""
DEW_DRIES_MS = 3 * HOUR_MS
"""So long after it has warmed air may still be full of water from what a night left on glass and leaves: half a millimetre of
dew, which the morning sun dries at 0.2 mm an hour. Own estimate."""
STEAM_K = 3.0
"""Vapour that comes with so much heat is air, as steam or the breath of a drain: water on a probe brings none. Own estimate."""
DRY_AGAIN_PCT = 97.0  # own estimate
WETTED_AT_MOST_MS = 3 * HOUR_MS  # own estimate
BURSTS = 2
"""After so many leaps that went by within hours they are known as this box's: it is misted. Own estimate."""
AS_ONE_PCT = 3.0
"""So near to it a second probe says the same: half of what the errors of two cheap ones allow. Own estimate."""
PARTED_AFTER_MS = 12 * HOUR_MS
"""A second probe that went slower from there to where it contradicts may have drifted: drying air is faster. Own estimate."""


def own_dew_point_c(air_c: Floats, humidity_pct: Floats) -> Floats:
    """Return the dew point that a probe itself says; NaN where its temperature cannot be."""
    facts = FACTS["air_temperature"]
    air_c = np.where((air_c >= facts.gross_low) & (air_c <= facts.gross_high), air_c, np.nan)
    return dew_point_c_or_nan(air_c, np.clip(humidity_pct, DRIEST_PCT, 100.0))


def leaping(memory: Series, at_ms: Instants, dew_c: Floats, air_c: Floats) -> tuple[Bools, Bools]:
    """Return where the dew point has run ahead of what air does, twice in a row, and no heat came with it: a soaked probe reads
    its top at once, air comes there step by step, and cooling air without any rise of its dew point; and where heat did."""
    count = len(dew_c)
    if memory.slowest_ms is not None:
        at_ms, dew_c = np.concatenate(([memory.slowest_ms], at_ms)), np.concatenate(([memory.slowest_c], dew_c))
        air_c = np.concatenate(([memory.slowest_air_c], air_c))
    lead = dew_c - LEAP_K_PER_H * (at_ms / HOUR_MS)
    least = np.fmin.accumulate(lead)
    lower = lead < np.concatenate(([np.inf], np.where(np.isnan(least), np.inf, least)[:-1]))
    slowest = np.maximum.accumulate(np.where(lower, np.arange(len(lead)), 0))
    if lower.any():
        last = int(slowest[-1])
        memory.slowest_ms, memory.slowest_c, memory.slowest_air_c = int(at_ms[last]), float(dew_c[last]), float(air_c[last])
    ahead = np.concatenate(([memory.leapt], (lead - least > LEAP_K)[-count:]))
    memory.leapt = bool(ahead[-1])
    heated = ahead[1:] & (air_c - air_c[slowest] >= STEAM_K)[-count:]
    return ahead[1:] & ahead[:-1] & ~heated, heated


def rests(memory: Series, raw: Floats) -> bool:
    """Return whether nothing of it is near its top, nor was lately."""
    since = (memory.top_since_ms, memory.wet_until_ms, memory.as_one_ms, memory.burst_ms)
    return since == (None,) * 4 and not memory.parted and not (raw >= DRY_AGAIN_PCT).any()


def wet(
    memory: Series, at_ms: Instants, raw: Floats, apart: Floats, near: Floats, second_since_ms: Instants, air_c: Floats | None
) -> tuple[Bools, Bools]:
    """Return where the probe is wet or engulfed, and where it still reads high after that.

    Half an hour at its top it is, if it leapt there and no heat came with it, went on to say so for hours after the air had
    warmed, or a second probe contradicts it (is further `apart` than `near`, and has moved since). Else it is the air that is
    wet. A second one that was with it and went away slowly contradicts nothing, nor does one that stands: either of the two
    may be wrong then. Where leaps were seen to go by within hours, by misting, a leap is no sign before that.
    """
    saturated, wetted = np.zeros(len(raw), bool), np.zeros(len(raw), bool)
    dew_c = np.full(len(raw), np.nan) if air_c is None else own_dew_point_c(air_c, raw)
    alone, far = np.isnan(apart), apart > near
    leaps, heated = (alone, np.zeros(len(raw), bool)) if air_c is None else leaping(memory, at_ms, dew_c, air_c)
    if rests(memory, raw):
        return saturated, wetted
    for index, (instant, value) in enumerate(zip(at_ms.tolist(), raw.tolist(), strict=True)):
        _meets(memory, instant, value, float(apart[index]), float(near[index]))
        _bursts(memory, instant, value, bool(leaps[index]))
        if value >= SATURATED_PCT:
            memory.top_since_ms = instant if memory.top_since_ms is None else memory.top_since_ms
            stays_ms = instant - memory.top_since_ms
            memory.steamed = memory.steamed or (bool(heated[index]) and stays_ms <= SATURATED_AFTER_MS)
            suspicious = bool(leaps[index] and alone[index]) or _warming(memory, instant, float(dew_c[index]))
            memory.soaked = (memory.soaked or suspicious) and not memory.steamed
            contradicted = far[index] and not memory.parted and second_since_ms[index] > memory.top_since_ms
            soaked_after_ms = WETTED_AT_MOST_MS if memory.bursts >= BURSTS else SATURATED_AFTER_MS
            if (memory.soaked and stays_ms >= soaked_after_ms) or (contradicted and stays_ms >= SATURATED_AFTER_MS):
                saturated[index] = True
                memory.wet_until_ms = instant + WETTED_AT_MOST_MS
            else:
                wetted[index] = memory.wet_until_ms is not None and instant < memory.wet_until_ms
            continue
        if not memory.soaked or value < DRY_AGAIN_PCT:  # a soaked one stays so until it is dry, however its top flickers
            memory.top_since_ms, memory.top_least_ms, memory.warmed_ms = None, None, None
            memory.soaked = memory.steamed = False
        if memory.wet_until_ms is not None and value < DRY_AGAIN_PCT:
            # Ten more minutes after it has come down: polymer films give water back slowly.
            memory.wet_until_ms = min(memory.wet_until_ms, instant + 10 * MINUTE_MS)
        if memory.wet_until_ms is not None:
            if instant < memory.wet_until_ms:
                wetted[index] = True
            else:
                memory.wet_until_ms = None
    as_one = apart <= near
    return saturated & ~as_one, wetted & ~as_one


def _bursts(memory: Series, instant: int, value: float, leaps: bool) -> None:
    """Remember how often it leapt nearly to its top and came down again by itself within hours."""
    if value >= DRY_AGAIN_PCT:
        if leaps and memory.burst_ms is None:
            memory.burst_ms = instant
    elif memory.burst_ms is not None:
        memory.bursts += instant - memory.burst_ms <= WETTED_AT_MOST_MS
        memory.burst_ms = None


def _meets(memory: Series, instant: int, value: float, apart_pct: float, near_pct: float) -> None:
    """Remember when a second probe last said the same of wet air, and whether it went away slowly since."""
    if value < DRY_AGAIN_PCT:
        memory.as_one_ms, memory.parted = None, False
    elif apart_pct <= AS_ONE_PCT:
        memory.as_one_ms, memory.parted = instant, False
    elif memory.as_one_ms is None:
        memory.as_one_ms = instant if apart_pct <= near_pct and not memory.parted else None
    elif apart_pct > near_pct:
        memory.parted = instant - memory.as_one_ms >= PARTED_AFTER_MS
        memory.as_one_ms = None


def _warming(memory: Series, instant: int, dew_c: float) -> bool:
    """Return whether a probe at its top has gone on to say so for hours after it had warmed: air dries by that, dew first."""
    if np.isnan(dew_c):
        return False
    ahead = 0.0
    if memory.top_least_ms is not None:
        ahead = dew_c - memory.top_least_c - WARMED_K_PER_H * (instant - memory.top_least_ms) / HOUR_MS
    if ahead <= 0:
        memory.top_least_ms, memory.top_least_c, memory.warmed_ms = instant, dew_c, None
    elif ahead > WARMED_K and memory.warmed_ms is None:
        memory.warmed_ms = instant
    return memory.warmed_ms is not None and instant - memory.warmed_ms >= DEW_DRIES_MS
