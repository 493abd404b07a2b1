"""The readings of one probe in one stretch, judged by quality and corrected by calibration."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import GOOD, Judged, flat_since, judge
from rules.climate.windows import newest_at
from rules.settings import Settings
from rules.terms.quantities import Quantity

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
    settings: Settings, probe: str, memory: ProbeMemory, columns: Mapping[Quantity, Column]
) -> tuple[ProbeMemory, list[Heard]]:
    """Return the probe's memory and its judged series; samples that are not newer than the last one are left out."""
    memory = replace(memory, series=dict(memory.series))
    fresh = {quantity: _newer(memory.series.get(quantity, Series()), column) for quantity, column in columns.items()}
    fresh = {quantity: column for quantity, column in fresh.items() if len(column.value)}
    flat = _flat(memory, fresh)
    heard = []
    for quantity, column in fresh.items():
        before = memory.series.get(quantity, Series())
        after, judged = judge(before, quantity, column.taken_ms, column.value, settings.probes[probe].interval, flat[quantity])
        after.measured_ms = int(column.at_ms[-1])
        after.same_since_ms = int(_own_flat(before, column)[0])
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


def _own_flat(memory: Series, column: Column) -> tuple[int, Instants]:
    return flat_since(memory, column.taken_ms, column.value)


def _flat(memory: ProbeMemory, columns: Mapping[Quantity, Column]) -> dict[Quantity, Instants | None]:
    """Since when the whole probe has said exactly the same: one wandering quantity proves that the probe lives."""
    own = {quantity: _own_flat(memory.series.get(quantity, Series()), column)[1] for quantity, column in columns.items()}
    known = [name for name in ("air_temperature", "relative_humidity") if name in own or name in memory.series]
    if len(known) < 2:
        return dict.fromkeys(columns, None)
    result: dict[Quantity, Instants | None] = {}
    for quantity, column in columns.items():
        others = [name for name in known if name != quantity]
        since = own[quantity]
        for name in others:
            since = np.maximum(since, _other_since(memory, columns, own, name, column.taken_ms))
        result[quantity] = since if quantity in known else None
    return result


def _other_since(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Instants], name: Quantity, at_ms: Instants
) -> Instants:
    before = memory.series.get(name, Series()).same_since_ms
    if name not in own:
        return np.full(len(at_ms), at_ms[0] if before is None else before)
    where = newest_at(columns[name].taken_ms, at_ms)
    earlier = at_ms if before is None else np.full(len(at_ms), before)
    return np.where(where >= 0, own[name][np.maximum(where, 0)], earlier)


def _corrected(judged: Judged, quantity: Quantity, gain: float, offset: float) -> Judged:
    value = judged.value if (gain, offset) == (1.0, 0.0) else judged.value * gain + offset
    if quantity == "relative_humidity":
        value = np.minimum(value, 100.0)
    return replace(judged, value=value)
