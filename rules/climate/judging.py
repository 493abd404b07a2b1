"""The readings of one probe in one stretch, judged by quality and corrected by calibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.beside import Air, Second, beside, moved_beside
from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import GOOD, SUSPECT, TESTS, Flat, Judged, asks_second, judge
from rules.climate.stillness import (
    FLAT_SAMPLES,
    Stillness,
    channel_may_stand_ms,
    keep,
    may_stand_ms,
    remembered,
    stillness,
)
from rules.climate.windows import newest_at
from rules.settings import Settings
from rules.terms.quantities import DRIEST_PCT, FACTS, Quantity

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Bools = NDArray[np.bool_]


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
    heard_of = replace(memory, series=dict(memory.series))
    fresh = {quantity: newer(memory.series.get(quantity, Series()), column) for quantity, column in columns.items()}
    fresh = {quantity: column for quantity, column in fresh.items() if len(column.value)}
    interval_ms = settings.probes[probe].interval
    own = {
        name: stillness(
            memory.series.get(name, Series()), column.taken_ms, column.value, interval_ms, name == "relative_humidity"
        )
        for name, column in fresh.items()
    }
    humid = fresh.get("relative_humidity")
    air = None if humid is None else _air_at(humid.taken_ms, memory, fresh, own)
    heard: list[Heard] = []
    for quantity, column in sorted(fresh.items()):
        before, still, others = memory.series.get(quantity, Series()), own[quantity], (seconds or {}).get(quantity, ())
        here, at_ms, raw = air if quantity == "relative_humidity" else None, column.taken_ms, column.value
        after = copy(before)
        moved = moved_beside(after, others, quantity, at_ms, raw, still, interval_ms)
        flat = _flat(memory, fresh, own, quantity, after, moved, interval_ms)
        asked = others if asks_second(before, quantity, raw) else ()
        second = beside(asked, quantity, at_ms, raw, still.grain_m, here, interval_ms)
        air_c = None if here is None else here.value
        nonsense = None if here is None else _nonsense(memory.series.get("air_temperature"), heard, at_ms, here.value)
        after, judged = judge(after, quantity, at_ms, raw, interval_ms, flat, second, air_c, still.grain_m, nonsense)
        after.measured_ms = int(column.at_ms[-1])
        keep(after, still)
        correction = memory.corrections.get(quantity)
        gain, offset = (correction.gain, correction.offset) if correction else (1.0, 0.0)
        judged = _corrected(judged, quantity, gain, offset)
        good = np.flatnonzero(judged.flag == GOOD)
        if len(good):
            after.good_ms, after.good = int(judged.at_ms[good[-1]]), float(judged.value[good[-1]])
        heard_of.series[quantity] = after
        heard.append(Heard(probe, quantity, before, after, judged, (gain, offset), still.grain_m))
    return heard_of, heard


def _nonsense(before: Series | None, heard: list[Heard], at_ms: Instants, air_c: Floats) -> Bools:
    """Return where the temperature of a probe was not believed at last and reads like a humidity, as two swapped channels do; a
    sentinel knows of its own fault."""
    result = np.full(len(at_ms), before is not None and before.flag >= SUSPECT and before.test != "sentinel")
    item = next((one for one in heard if one.quantity == "air_temperature"), None)
    if item is not None:
        where = newest_at(item.judged.at_ms, at_ms)
        said = (item.judged.flag >= SUSPECT) & (item.judged.test != TESTS.index("sentinel"))
        result = np.where(where >= 0, said[np.maximum(where, 0)], result)
    return result & (air_c > FACTS["air_temperature"].domain_high)


def newer(memory: Series, column: Column) -> Column:
    """Return the samples that were measured after all that were heard before them."""
    last = -1 if memory.measured_ms is None else memory.measured_ms
    highest = np.maximum.accumulate(np.concatenate(([last], column.at_ms)))[:-1]
    later = column.at_ms > highest
    return column if later.all() else Column(column.taken_ms[later], column.at_ms[later], column.value[later])


def _air_at(
    at_ms: Instants, memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness]
) -> Air | None:
    """Return the temperature that the probe itself said last at these instants; None: it never said any."""
    still = _still_at(memory, columns, own, "air_temperature", at_ms)
    if still is None:
        return None
    before, column = memory.series.get("air_temperature"), columns.get("air_temperature")
    value = np.full(len(at_ms), np.nan if before is None or before.last_raw is None else before.last_raw)
    if column is not None:
        where = newest_at(column.taken_ms, at_ms)
        value = np.where(where >= 0, column.value[np.maximum(where, 0)], value)
    return Air(value, still.value_since_ms, still.grain_m)


def _flat(
    memory: ProbeMemory,
    columns: Mapping[Quantity, Column],
    own: Mapping[Quantity, Stillness],
    quantity: Quantity,
    after: Series,
    moved: Bools,
    interval_ms: int,
) -> Flat | None:
    """How long the probe has said exactly the same: the whole probe, or one quantity of it beside the other that lives,
    whichever is longer overdue. None: it never stood for as long as any probe may.

    A humidity that stands at its top proves nothing, and one at its bottom stands there for months in a dry box. `moved`:
    where another probe tells that the air went on. Keeps in `after` when it was overdue.
    """
    column, alone = columns[quantity], own[quantity]
    at_ms, humid = column.taken_ms, quantity == "relative_humidity"
    if (at_ms - alone.value_since_ms).max() < FLAT_SAMPLES * interval_ms:
        return None
    since, value_since = (np.where(alone.at_top, at_ms, one) for one in (alone.since_ms, alone.value_since_ms))
    partner = _PARTNER.get(quantity)
    other = None if partner is None else _still_at(memory, columns, own, partner, at_ms)
    may = may_stand_ms(None, alone, interval_ms) if humid else may_stand_ms(alone, None, interval_ms)
    if other is None:
        whole, after.frozen_ms = _held(after.frozen_ms, at_ms, since, value_since, may)
        return Flat(whole, may)
    both = may_stand_ms(other, alone, interval_ms) if humid else may_stand_ms(alone, other, interval_ms)
    both = np.where(other.at_top, may, both)
    whole_since, whole_value = np.maximum(since, other.since_ms), np.maximum(value_since, other.value_since_ms)
    whole, after.frozen_ms = _held(after.frozen_ms, at_ms, whole_since, whole_value, both)
    if humid:
        since, value_since = (np.where(column.value < DRIEST_PCT, at_ms, one) for one in (since, value_since))
    may = channel_may_stand_ms(alone, humid, moved, interval_ms)
    channel, after.channel_frozen_ms = _held(after.channel_frozen_ms, at_ms, since, value_since, may)
    later = (at_ms - channel) / may > (at_ms - whole) / both
    return Flat(np.where(later, channel, whole), np.where(later, may, both))


def _held(
    frozen_ms: int | None, at_ms: Instants, since: Instants, value_since: Instants, may: Instants
) -> tuple[Instants, int | None]:
    """Return since when it stands, and when it last was overdue: who was frozen before a gap and says the same still is."""
    never = -(10**15)
    last = np.maximum.accumulate(np.where(at_ms - since >= may, at_ms, never if frozen_ms is None else frozen_ms))
    return np.where(last >= value_since, value_since, since), int(last[-1]) if last[-1] > never else None


_PARTNER: dict[Quantity, Quantity] = {"air_temperature": "relative_humidity", "relative_humidity": "air_temperature"}


def _still_at(
    memory: ProbeMemory, columns: Mapping[Quantity, Column], own: Mapping[Quantity, Stillness], name: Quantity, at_ms: Instants
) -> Stillness | None:
    """Return the stillness of a series at other instants than its own; None: the probe never said it."""
    if name not in own and name not in memory.series:
        return None
    before = remembered(memory.series.get(name, Series()), at_ms, name == "relative_humidity")
    return own[name].at(newest_at(columns[name].taken_ms, at_ms), before) if name in own else before


def _corrected(judged: Judged, quantity: Quantity, gain: float, offset: float) -> Judged:
    if (gain, offset) == (1.0, 0.0) and quantity != "relative_humidity":
        return judged
    value = judged.value if (gain, offset) == (1.0, 0.0) else judged.value * gain + offset
    if quantity == "relative_humidity":
        value = np.clip(value, DRIEST_PCT, 100.0)  # nan stays nan
    return Judged(judged.at_ms, value, judged.flag, judged.test)
