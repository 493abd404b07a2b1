"""The readings of one probe in one stretch, judged by quality and corrected by calibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import GOOD, Flat, Judged, Stillness, judge, may_stand_ms, stillness
from rules.climate.windows import newest_at
from rules.settings import Settings
from rules.terms.quantities import FACTS, Quantity

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
    own = {name: stillness(memory.series.get(name, Series()), column.taken_ms, column.value) for name, column in fresh.items()}
    flat = _flat(memory, fresh, own, interval_ms)
    heard = []
    for quantity, column in fresh.items():
        before = memory.series.get(quantity, Series())
        second = _nearest((seconds or {}).get(quantity, ()), column)
        after, judged = judge(before, quantity, column.taken_ms, column.value, interval_ms, flat[quantity], second)
        after.measured_ms = int(column.at_ms[-1])
        after.same_since_ms, after.calm_for_ms = int(own[quantity].since_ms[-1]), int(own[quantity].calm_for_ms[-1])
        after.grain_m = int(own[quantity].grain_m[-1])
        correction = memory.corrections.get(quantity)
        gain, offset = (correction.gain, correction.offset) if correction else (1.0, 0.0)
        judged = _corrected(judged, quantity, gain, offset)
        good = np.flatnonzero(judged.flag == GOOD)
        if len(good):
            after.good_ms, after.good = int(judged.at_ms[good[-1]]), float(judged.value[good[-1]])
        memory.series[quantity] = after
        heard.append(Heard(probe, quantity, before, after, judged, (gain, offset)))
    return memory, heard


def _newer(memory: Series, column: Column) -> Column:
    last = -1 if memory.measured_ms is None else memory.measured_ms
    highest = np.maximum.accumulate(np.concatenate(([last], column.at_ms)))[:-1]
    keep = column.at_ms > highest
    return column if keep.all() else Column(column.taken_ms[keep], column.at_ms[keep], column.value[keep])


def _flat(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness], interval_ms: int
) -> dict[Quantity, Flat | None]:
    """How long the whole probe has said exactly the same: one wandering quantity proves that the probe lives."""
    if not all(name in own or name in memory.series for name in _PAIR):
        return dict.fromkeys(columns, None)
    result: dict[Quantity, Flat | None] = {}
    for quantity, column in columns.items():
        if quantity not in _PAIR:
            result[quantity] = None
            continue
        temperature, humidity = (_still_at(memory, columns, own, name, column.taken_ms) for name in _PAIR)
        since = np.maximum(temperature.since_ms, humidity.since_ms)
        result[quantity] = Flat(since, may_stand_ms(temperature, humidity, interval_ms))
    return result


_PAIR: tuple[Quantity, Quantity] = ("air_temperature", "relative_humidity")


def _still_at(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness], name: Quantity, at_ms: Instants
) -> Stillness:
    """Return the stillness of a series at other instants than its own: as its newest sample there left it."""
    before = memory.series.get(name, Series())
    since = at_ms if before.same_since_ms is None else np.full(len(at_ms), before.same_since_ms)
    calm, grain = np.full(len(at_ms), before.calm_for_ms), np.full(len(at_ms), before.grain_m)
    if name not in own:
        return Stillness(since, calm, grain)
    where = newest_at(columns[name].taken_ms, at_ms)
    known, place, still = where >= 0, np.maximum(where, 0), own[name]
    return Stillness(
        np.where(known, still.since_ms[place], since),
        np.where(known, still.calm_for_ms[place], calm),
        np.where(known, still.grain_m[place], grain),
    )


@dataclass(frozen=True, slots=True)
class Second:
    """What another probe of the place said, uncorrected, and for how long each word of it holds."""

    taken_ms: Instants
    value: Floats
    holds_ms: int


def _nearest(seconds: Sequence[Second], column: Column) -> Floats | None:
    """Return, per sample, what the other probe said last that is nearest to it; NaN where none spoke lately."""
    nearest: Floats | None = None
    for second in seconds:
        where = newest_at(second.taken_ms, column.taken_ms)
        place = np.maximum(where, 0)
        fresh = (where >= 0) & (column.taken_ms - second.taken_ms[place] <= second.holds_ms)
        said = np.where(fresh, second.value[place], np.nan)
        if nearest is None:
            nearest = said
        else:
            closer = np.isnan(nearest) | (np.abs(said - column.value) < np.abs(nearest - column.value))
            nearest = np.where(closer, said, nearest)
    return nearest


def _corrected(judged: Judged, quantity: Quantity, gain: float, offset: float) -> Judged:
    value = judged.value if (gain, offset) == (1.0, 0.0) else judged.value * gain + offset
    if quantity == "relative_humidity":
        value = np.clip(value, FACTS[quantity].gross_low, 100.0)  # nan stays nan
    return replace(judged, value=value)
