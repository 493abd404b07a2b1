"""What the other probes of a place say, as far as it bears on what one of them says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Series
from rules.climate.quality import AGREE, COARSE, MOST_STEP, SPIKE, Beside
from rules.climate.stillness import FLAT_SAMPLES, Stillness
from rules.climate.windows import newest_at
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.quantities import Quantity

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Bools = NDArray[np.bool_]

ELSEWHERE_K = 3.0
"""Two probes whose air differs by more do not hang in the same air: what one says of its vapour is nothing to the other.
Own estimate."""
AIR_ERROR_K, AIR_MOVES_K_PER_H = 0.5, 4.0
"""So far the temperatures of two sound probes in the same air may be apart, besides their steps, and so much the air moves on
until the later one speaks. Own estimates."""


@dataclass(frozen=True, slots=True)
class Second:
    """What another probe of the place said, uncorrected, for how long each word of it holds, of a humidity what it said of its
    temperature, and how it stood at each word (None: it moves at each)."""

    taken_ms: Instants
    value: Floats
    holds_ms: int
    air: Second | None = None
    stands: Callable[[], Stillness] | None = None

    def at(self, at_ms: Instants) -> Floats:
        """Return what it said last at these instants; NaN where that is too long ago."""
        where = newest_at(self.taken_ms, at_ms)
        place = np.maximum(where, 0)
        return np.where((where >= 0) & (at_ms - self.taken_ms[place] <= self.holds_ms), self.value[place], np.nan)

    def led_at(self, at_ms: Instants, quantity: Quantity) -> Floats:
        """Return the same, but NaN where it had leapt there from its word before: that proves no move of the air."""
        apart = np.abs(np.diff(self.value, prepend=self.value[:1]))
        minutes = np.maximum(np.diff(self.taken_ms, prepend=self.taken_ms[:1]) / MINUTE_MS, 1.0)
        led = apart <= np.minimum(SPIKE[quantity] * minutes, MOST_STEP[quantity])
        where = np.maximum(newest_at(self.taken_ms, at_ms), 0)
        return np.where(led[where], self.at(at_ms), np.nan)

    def age_ms(self, at_ms: Instants) -> Instants:
        """Return how old its word is at these instants."""
        age: Instants = at_ms - self.taken_ms[np.maximum(newest_at(self.taken_ms, at_ms), 0)]
        return age

    def stillness_at(self, at_ms: Instants) -> tuple[Instants, Instants]:
        """Return since when it has said the same at these instants, and its resolution so far in thousandths."""
        where = np.maximum(newest_at(self.taken_ms, at_ms), 0)
        if self.stands is None:
            return self.taken_ms[where], np.zeros(len(at_ms), np.int64)
        found = self.stands()
        return found.value_since_ms[where], found.grain_m[where]


@dataclass(frozen=True, slots=True)
class Air:
    """What a humidity probe itself said last of its temperature, per sample, since when, and in which steps, in thousandths."""

    value: Floats
    since_ms: Instants
    grain_m: Instants


def beside(
    seconds: Sequence[Second],
    quantity: Quantity,
    at_ms: Instants,
    raw: Floats,
    grain_m: Instants,
    air: Air | None,
    interval_ms: int,
) -> Beside | None:
    """Return, per sample, what the other probe that is nearest to it may mean there; None: there is no other.

    `air`: the temperature of a humidity's own probe, at which the others' vapour is looked at.
    """
    nearest: Beside | None = None
    for second in seconds:
        said = second.at(at_ms)
        since_ms, steps_m = second.stillness_at(at_ms)
        if air is not None and second.air is not None:
            said = _brought_here(said, second.air, air, at_ms, raw, interval_ms)
        own, its = (np.where(steps > COARSE[quantity], steps, 0) for steps in (grain_m, steps_m))
        one = Beside(said, since_ms, AGREE[quantity] + (own + its) / 2000.0)
        nearest = one if nearest is None else _nearer(nearest, one, raw)
    return nearest


def _nearer(before: Beside, one: Beside, raw: Floats) -> Beside:
    closer = np.isnan(before.value) | (np.abs(one.value - raw) < np.abs(before.value - raw))
    return Beside(
        np.where(closer, one.value, before.value),
        np.where(closer, one.since_ms, before.since_ms),
        np.where(closer, one.near, before.near),
    )


def _brought_here(humidity_pct: Floats, there: Second, here: Air, at_ms: Instants, raw: Floats, interval_ms: int) -> Floats:
    """Return the humidity nearest to `raw` that the vapour of one spot of a box may be at the temperature of another: the
    vapour is mixed, the heat is not, and both thermometers err.

    NaN where they are in different air, as it was said where a temperature is unknown, and exactly so at the same one; where
    one of them stands, the air may be one as well.
    """
    there_c, (there_since_ms, there_m) = there.at(at_ms), there.stillness_at(at_ms)
    warmer_k, moved_k = there_c - here.value, AIR_MOVES_K_PER_H * there.age_ms(at_ms) / HOUR_MS
    stands = at_ms - np.minimum(there_since_ms, here.since_ms) > max(FLAT_SAMPLES * interval_ms, HOUR_MS)
    error_k = np.where(stands, np.inf, AIR_ERROR_K + moved_k + (there_m + here.grain_m) / 2000.0)
    least_c = there_c - np.copysign(np.minimum(error_k, np.abs(warmer_k)), warmer_k)
    here_pa = saturation_vapour_pressure_pa_or_nan(here.value)
    ratios = [saturation_vapour_pressure_pa_or_nan(one) / here_pa for one in (least_c, there_c)]
    may = [np.minimum(humidity_pct * ratio, 100.0) for ratio in ratios]
    nearest = np.where(np.isnan(may[1]), humidity_pct, np.clip(raw, np.fmin(*may), np.fmax(*may)))
    return np.where(np.abs(warmer_k) > ELSEWHERE_K + moved_k, np.nan, nearest)


def moved_beside(
    memory: Series,
    seconds: Sequence[Second],
    quantity: Quantity,
    at_ms: Instants,
    raw: Floats,
    own: Stillness,
    interval_ms: int,
) -> Bools:
    """Return where the nearest of the other probes went further while this one stood than its steps and two probes' errors
    could hide; keeps in `memory` between what and what it went in the newest stand."""
    if not seconds:
        memory.beside_least = memory.beside_most = None
        return np.zeros(len(at_ms), bool)
    said = seconds[0].led_at(at_ms, quantity)
    for second in seconds[1:]:
        other = second.led_at(at_ms, quantity)
        said = np.where(np.isnan(said) | (np.abs(other - raw) < np.abs(said - raw)), other, said)
    age_ms, went = at_ms - own.since_ms, np.zeros(len(at_ms))
    begins = np.union1d([0], np.flatnonzero(age_ms == 0))
    ends = np.append(begins[1:], len(at_ms))
    worth = (age_ms[ends - 1] >= FLAT_SAMPLES * interval_ms) | (ends == len(at_ms))
    for begin, end in zip(begins[worth].tolist(), ends[worth].tolist(), strict=True):
        low, high = memory.beside_least, memory.beside_most
        if begin > 0 or age_ms[0] == 0 or low is None or high is None:
            low = high = np.nan
        least = np.fmin.accumulate(np.concatenate(([low], said[begin:end])))[1:]
        most = np.fmax.accumulate(np.concatenate(([high], said[begin:end])))[1:]
        went[begin:end] = most - least
    known = not np.isnan(least[-1])
    memory.beside_least, memory.beside_most = (float(least[-1]), float(most[-1])) if known else (None, None)
    if not (went > AGREE[quantity]).any():
        return np.zeros(len(at_ms), bool)
    steps_m = np.maximum.reduce([second.stillness_at(at_ms)[1] for second in seconds])
    moved: Bools = went > AGREE[quantity] + (own.grain_m + steps_m) / 1000.0
    return moved
