"""The readings of one probe in one stretch, judged by quality and corrected by calibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import GOOD, Flat, Judged, judge
from rules.climate.stillness import FLAT_SAMPLES, Stillness, may_stand_ms, remembered, stillness
from rules.climate.windows import newest_at
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan
from rules.settings import Settings
from rules.terms.quantities import DRIEST_PCT, Quantity

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Column:
    """The new samples of one series in stream order."""

    taken_ms: Instants
    at_ms: Instants
    value: Floats


@dataclass(frozen=True, slots=True)
class Heard:
    """One series after judging: what it said in this stretch, and what it had last said before."""

    probe: str
    quantity: Quantity
    before: Series
    after: Series
    judged: Judged
    correction: tuple[float, float]
    grain_m: Instants
    """What all its values so far are multiples of, in thousandths, per sample."""


def hear(
    settings: Settings,
    probe: str,
    memory: ProbeMemory,
    columns: Mapping[Quantity, Column],
    seconds: Mapping[Quantity, Sequence[Second]] | None = None,
) -> tuple[ProbeMemory, list[Heard]]:
    """Return the probe's memory and its judged series; samples that are not newer than the last one are left out.

    `seconds`: what the other probes of its place say.
    """
    memory = replace(memory, series=dict(memory.series))
    fresh = {quantity: _newer(memory.series.get(quantity, Series()), column) for quantity, column in columns.items()}
    fresh = {quantity: column for quantity, column in fresh.items() if len(column.value)}
    interval_ms = settings.probes[probe].interval
    own = {
        name: stillness(
            memory.series.get(name, Series()), column.taken_ms, column.value, interval_ms, name == "relative_humidity"
        )
        for name, column in fresh.items()
    }
    flat = _flat(memory, fresh, own, interval_ms)
    humid = fresh.get("relative_humidity")
    air_c = None if humid is None else _air_at(humid.taken_ms, memory, fresh)
    heard = []
    for quantity, column in fresh.items():
        before = memory.series.get(quantity, Series())
        second = _nearest((seconds or {}).get(quantity, ()), column, air_c if quantity == "relative_humidity" else None)
        after, judged = judge(
            before, quantity, column.taken_ms, column.value, interval_ms, flat[quantity], second, air_c, own[quantity].grain_m
        )
        after.measured_ms = int(column.at_ms[-1])
        after.same_since_ms, after.calm_for_ms = int(own[quantity].since_ms[-1]), int(own[quantity].calm_for_ms[-1])
        after.grain_m, after.moves = int(own[quantity].grain_m[-1]), int(own[quantity].moves[-1])
        after.stood_min, after.stood_min2 = int(own[quantity].stood_min[-1]), int(own[quantity].stood_min2[-1])
        correction = memory.corrections.get(quantity)
        gain, offset = (correction.gain, correction.offset) if correction else (1.0, 0.0)
        judged = _corrected(judged, quantity, gain, offset)
        good = np.flatnonzero(judged.flag == GOOD)
        if len(good):
            after.good_ms, after.good = int(judged.at_ms[good[-1]]), float(judged.value[good[-1]])
        memory.series[quantity] = after
        heard.append(Heard(probe, quantity, before, after, judged, (gain, offset), own[quantity].grain_m))
    return memory, heard


def _newer(memory: Series, column: Column) -> Column:
    last = -1 if memory.measured_ms is None else memory.measured_ms
    highest = np.maximum.accumulate(np.concatenate(([last], column.at_ms)))[:-1]
    keep = column.at_ms > highest
    return column if keep.all() else Column(column.taken_ms[keep], column.at_ms[keep], column.value[keep])


def _air_at(at_ms: Instants, memory: ProbeMemory, columns: Mapping[Quantity, Column]) -> Floats | None:
    """Return the temperature that the probe itself said last at these instants; None: it never said any."""
    before, column = memory.series.get("air_temperature"), columns.get("air_temperature")
    if before is None and column is None:
        return None
    last = np.full(len(at_ms), np.nan if before is None or before.last_raw is None else before.last_raw)
    if column is None:
        return last
    where = newest_at(column.taken_ms, at_ms)
    return np.where(where >= 0, column.value[np.maximum(where, 0)], last)


def _flat(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness], interval_ms: int
) -> dict[Quantity, Flat | None]:
    """How long the whole probe has said exactly the same: one wandering quantity proves that the probe lives, but a humidity
    that stands at its top proves nothing. None: it never stood for as long as any probe may."""
    result: dict[Quantity, Flat | None] = {}
    for quantity, column in columns.items():
        alone, partner = own[quantity], _PARTNER.get(quantity)
        since = np.where(alone.at_top, column.taken_ms, alone.since_ms)
        if (column.taken_ms - since).max() < FLAT_SAMPLES * interval_ms:
            result[quantity] = None
            continue
        other = None if partner is None else _still_at(memory, columns, own, partner, column.taken_ms)
        humid = quantity == "relative_humidity"
        may = may_stand_ms(None, alone, interval_ms) if humid else may_stand_ms(alone, None, interval_ms)
        if other is not None:
            both = may_stand_ms(other, alone, interval_ms) if humid else may_stand_ms(alone, other, interval_ms)
            may = np.where(other.at_top, may, both)
            since = np.maximum(since, other.since_ms)
        result[quantity] = Flat(since, may)
    return result


_PARTNER: dict[Quantity, Quantity] = {"air_temperature": "relative_humidity", "relative_humidity": "air_temperature"}


def _still_at(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness], name: Quantity, at_ms: Instants
) -> Stillness | None:
    """Return the stillness of a series at other instants than its own; None: the probe never said it."""
    if name not in own and name not in memory.series:
        return None
    before = remembered(memory.series.get(name, Series()), at_ms, name == "relative_humidity")
    return own[name].at(newest_at(columns[name].taken_ms, at_ms), before) if name in own else before


@dataclass(frozen=True, slots=True)
class Second:
    """What another probe of the place said, uncorrected, for how long each word of it holds, and of a humidity what it said of
    its temperature."""

    taken_ms: Instants
    value: Floats
    holds_ms: int
    air: Second | None = None

    def at(self, at_ms: Instants) -> Floats:
        """Return what it said last at these instants; NaN where that is too long ago."""
        where = newest_at(self.taken_ms, at_ms)
        place = np.maximum(where, 0)
        return np.where((where >= 0) & (at_ms - self.taken_ms[place] <= self.holds_ms), self.value[place], np.nan)


ELSEWHERE_K = 3.0
"""Two probes whose air differs by more do not hang in the same air: what one says of its vapour is nothing to the other.
Own estimate."""


def _brought_here(humidity_pct: Floats, there_c: Floats, here_c: Floats) -> Floats:
    """Return what humidity the vapour of one spot of a box is at the temperature of another: the vapour is mixed, the heat is
    not. NaN where they are in different air; as it was said where a temperature is unknown, and exactly so at the same one."""
    there, here = saturation_vapour_pressure_pa_or_nan(there_c), saturation_vapour_pressure_pa_or_nan(here_c)
    known = ~np.isnan(there) & ~np.isnan(here)
    moved = np.where(known, np.minimum(humidity_pct * (there / here), 100.0), humidity_pct)
    return np.where(known & (np.abs(there_c - here_c) > ELSEWHERE_K), np.nan, moved)


def _nearest(seconds: Sequence[Second], column: Column, air_c: Floats | None) -> Floats | None:
    """Return, per sample, what the other probe said last that is nearest to it; NaN where none spoke lately. `air_c`: the
    temperature of a humidity's own probe, at which the others' vapour is looked at."""
    nearest: Floats | None = None
    for second in seconds:
        said = second.at(column.taken_ms)
        if air_c is not None and second.air is not None:
            said = _brought_here(said, second.air.at(column.taken_ms), air_c)
        if nearest is None:
            nearest = said
        else:
            closer = np.isnan(nearest) | (np.abs(said - column.value) < np.abs(nearest - column.value))
            nearest = np.where(closer, said, nearest)
    return nearest


def _corrected(judged: Judged, quantity: Quantity, gain: float, offset: float) -> Judged:
    if (gain, offset) == (1.0, 0.0) and quantity != "relative_humidity":
        return judged
    value = judged.value if (gain, offset) == (1.0, 0.0) else judged.value * gain + offset
    if quantity == "relative_humidity":
        value = np.clip(value, DRIEST_PCT, 100.0)  # nan stays nan
    return Judged(judged.at_ms, value, judged.flag, judged.test)
