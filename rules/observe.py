"""From raw samples to what is known of a place, instant by instant: judged series, their consensus, lid and condensate.

A *place* is a chamber or a room. Its *instants* are the times at which one of its own probes was heard, and, where none was
for a minute, the full minutes in between; so silence is looked at as often as speech. All arrays of a `View` run over them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rules import lid, psychrometrics
from rules.events import MINUTE_MS
from rules.lid_course import condensate_g_m2, lagged_lid_c
from rules.quality import GOOD, TESTS, Judged, flat_since, fresh_for_ms, judge
from rules.quantities import Quantity
from rules.settings import Chamber, Lid, Watch
from rules.state import Night, PlaceMemory, ProbeMemory, Series
from rules.windows import Recent, Signal, merged_instants, newest_at, passed_since, recent

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]

ROOM_FRESH_MS = 30 * MINUTE_MS  # a room moves slowly; its last good reading stands this long


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


@dataclass(frozen=True, slots=True)
class Seen:
    """One figure of a place per instant: value (NaN: not seen) and whether its newest sample may count for delays."""

    value: Floats
    counts: NDArray[np.bool_]
    least: Floats
    most: Floats


@dataclass(frozen=True, slots=True)
class View:
    """All that the checks may look at for one chamber or room over one stretch."""

    watch: Watch
    place: str
    chamber: Chamber | None
    memory: PlaceMemory
    probes: Mapping[str, ProbeMemory]
    heard: tuple[Heard, ...]
    faults: Mapping[str, tuple[tuple[int, str], ...]]
    at_ms: Instants
    credit_ms: Instants
    credit_humidity_ms: Instants
    temperature: Seen
    humidity: Seen
    dew_point: Floats
    vapour_deficit_pa: Floats
    room_temperature: Floats
    room_humidity: Floats
    lid: Floats
    lid_estimate: Floats
    lid_measured: NDArray[np.bool_]
    margin: Floats
    condensate: Floats
    recent: Recent
    visiting: NDArray[np.bool_]
    garden_ml: float | None
    room_nights: tuple[Night, ...]
    room_recent: Signal | None

    def passed_ms(self) -> Instants:
        """Return how long after the one before each instant is."""
        before = self.memory.instant_ms
        return passed_since(self.at_ms, before if before is not None else int(self.at_ms[0]))


def hear(watch: Watch, probe: str, memory: ProbeMemory, columns: Mapping[Quantity, Column]) -> tuple[ProbeMemory, list[Heard]]:
    """Return the probe's memory and its judged series; samples that are not newer than the last one are left out."""
    memory = replace(memory, series=dict(memory.series))
    fresh = {quantity: _newer(memory.series.get(quantity, Series()), column) for quantity, column in columns.items()}
    fresh = {quantity: column for quantity, column in fresh.items() if len(column.value)}
    flat = _flat(memory, fresh)
    heard = []
    for quantity, column in fresh.items():
        before = memory.series.get(quantity, Series())
        after, judged = judge(before, quantity, column.taken_ms, column.value, watch.probes[probe].interval, flat[quantity])
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


# ---------------------------------------------------------------- instants and consensus


GRID_MS = 10 * MINUTE_MS


def instants(memory: PlaceMemory, heard: list[Heard], from_ms: int, until_ms: int, also_ms: tuple[int, ...] = ()) -> Instants:
    """Return the place's instants in [from, until): its samples, the full minutes in which nothing was heard for a minute,
    every full ten minutes, and the instants that are asked for."""
    own = [item.judged.at_ms for item in heard]
    heard_ms = merged_instants(own)
    grid = np.arange(-(-from_ms // MINUTE_MS), -(-until_ms // MINUTE_MS), dtype=np.int64) * MINUTE_MS
    if len(grid):
        last = memory.heard_ms if memory.heard_ms is not None else memory.since_ms
        latest = np.concatenate(([last], heard_ms))[np.searchsorted(heard_ms, grid, "right")]
        grid = grid[(grid - latest >= MINUTE_MS) | (grid % GRID_MS == 0)]
    if not len(grid) and not also_ms:
        return heard_ms
    return merged_instants([heard_ms, grid, np.array(sorted(also_ms), np.int64)])


def seen(
    watch: Watch,
    names: tuple[str, ...],
    quantity: Quantity,
    probes: Mapping[str, ProbeMemory],
    heard: list[Heard],
    at_ms: Instants,
    fresh_ms: int | None = None,
) -> Seen:
    """Return a figure's consensus over the believed probes: the middle value, least and most, NaN where none is fresh."""
    rows, counts = [], np.zeros(len(at_ms), bool)
    for name in names:
        if probes[name].out_until_ms is not None:
            continue
        item = next((h for h in heard if h.probe == name and h.quantity == quantity), None)
        series = item.before if item else probes[name].series.get(quantity)
        if series is None:
            continue
        limit = fresh_ms if fresh_ms is not None else fresh_for_ms(watch.probes[name].interval)
        value, believed = _carried(series, item, at_ms, limit)
        rows.append(value)
        counts |= believed
    if not rows:
        nothing = np.full(len(at_ms), np.nan)
        return Seen(nothing, counts, nothing, nothing)
    if len(rows) == 1:
        return Seen(rows[0], counts, rows[0], rows[0])
    return _middle(np.sort(np.stack(rows), axis=0), counts)


def _middle(ordered: Floats, counts: NDArray[np.bool_]) -> Seen:
    """NaN sorts last, so the believed values are the first `number` rows of each column."""
    number = np.count_nonzero(~np.isnan(ordered), axis=0)
    column = np.arange(ordered.shape[1])
    low, high = np.maximum(number - 1, 0) // 2, number // 2
    high = np.minimum(high, np.maximum(number - 1, 0))
    middle = (ordered[low, column] + ordered[high, column]) / 2
    return Seen(middle, counts, ordered[0], ordered[np.maximum(number - 1, 0), column])


def _carried(before: Series, item: Heard | None, at_ms: Instants, fresh_ms: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the last good value at each instant while it is fresh, and whether the newest sample was a good one."""
    value = np.full(len(at_ms), np.nan if before.good is None else before.good)
    since = np.full(len(at_ms), -(10**15) if before.good_ms is None else before.good_ms)
    newest_good = np.full(len(at_ms), before.flag == GOOD)
    if item is not None:
        judged = item.judged
        good = judged.flag == GOOD
        where = newest_at(judged.at_ms[good], at_ms)
        known = where >= 0
        if good.any():
            value = np.where(known, judged.value[good][np.maximum(where, 0)], value)
            since = np.where(known, judged.at_ms[good][np.maximum(where, 0)], since)
        newest = where if good.all() else newest_at(judged.at_ms, at_ms)
        newest_good = np.where(newest >= 0, good[np.maximum(newest, 0)], newest_good)
    stale = at_ms - since > fresh_ms
    value = np.where(stale, np.nan, value)
    return value, newest_good & ~stale


# ---------------------------------------------------------------- the view of a place


def credit(memory: PlaceMemory, at_ms: Instants, counts: NDArray[np.bool_], interval_ms: int) -> Instants:
    """Return the observed time that each instant adds: what passed since the one before, at most two intervals."""
    last = memory.instant_ms if memory.instant_ms is not None else int(at_ms[0])
    passed = passed_since(at_ms, last)
    return np.where(counts, np.minimum(passed, 2 * max(interval_ms, MINUTE_MS // 2)), 0)


@dataclass(frozen=True, slots=True)
class Around:
    """What a chamber's view needs from outside the chamber: its room's figures per instant, faults, garden size."""

    room_temperature: Floats
    room_humidity: Floats
    room_nights: tuple[Night, ...] = ()
    room_recent: Signal | None = None
    faults: Mapping[str, tuple[tuple[int, str], ...]] = field(default_factory=dict)
    garden_ml: float | None = None
    lid: Lid | None = None
    """The chamber's lid as it is now."""


def look(
    watch: Watch,
    place: str,
    memory: PlaceMemory,
    probes: Mapping[str, ProbeMemory],
    heard: list[Heard],
    at_ms: Instants,
    around: Around,
) -> View:
    """Return the view of a place over these instants; `view.memory` holds the place's memory before them, but for the tail."""
    chamber = watch.chambers.get(place)
    air = watch.probes_at(place)
    interval = min((watch.probes[name].interval for name in air), default=MINUTE_MS)
    temperature = seen(watch, air, "air_temperature", probes, heard, at_ms)
    humidity = seen(watch, air, "relative_humidity", probes, heard, at_ms)
    dew_point = psychrometrics.dew_point_c_or_nan(temperature.value, humidity.value)
    tail, signals = recent(
        memory.tail,
        at_ms,
        np.where(temperature.counts, temperature.value, np.nan),
        np.where(humidity.counts, humidity.value, np.nan),
        np.where(humidity.counts, dew_point, np.nan),
    )
    guesses = {key: old.copied() for key, old in memory.guesses.items()}
    memory = replace(memory, tail=tail, walks=dict(memory.walks), guesses=guesses)
    lid_c, estimate, measured = _lid(watch, place, memory, probes, heard, at_ms, temperature.value, around)
    return View(
        watch=watch,
        place=place,
        chamber=chamber,
        memory=memory,
        probes=probes,
        heard=tuple(heard),
        faults=around.faults,
        at_ms=at_ms,
        credit_ms=credit(memory, at_ms, temperature.counts, interval),
        credit_humidity_ms=credit(memory, at_ms, humidity.counts, interval),
        temperature=temperature,
        humidity=humidity,
        dew_point=dew_point,
        vapour_deficit_pa=psychrometrics.vapour_pressure_deficit_pa_or_nan(temperature.value, humidity.value),
        room_temperature=around.room_temperature,
        room_humidity=around.room_humidity,
        lid=lid_c,
        lid_estimate=estimate,
        lid_measured=measured,
        margin=lid_c - dew_point,
        condensate=condensate_g_m2(memory, chamber, at_ms, dew_point, lid_c, measured),
        recent=signals,
        visiting=at_ms < (memory.visit_until_ms or 0),
        garden_ml=around.garden_ml,
        room_nights=around.room_nights,
        room_recent=around.room_recent,
    )


def remembered(view: View) -> PlaceMemory:
    """Return the place's memory after the stretch: the next stretch and the room's chambers go on from it."""
    known_t = np.flatnonzero(~np.isnan(view.temperature.value))
    known_h = np.flatnonzero(~np.isnan(view.humidity.value))
    newest = replace(view.memory, instant_ms=int(view.at_ms[-1]))
    newest.heard_ms = max((int(item.judged.at_ms[-1]) for item in view.heard), default=view.memory.heard_ms)
    if len(known_t):
        newest.temperature_c, newest.seen_ms = float(view.temperature.value[known_t[-1]]), int(view.at_ms[known_t[-1]])
    if len(known_h):
        newest.relative_humidity_pct = float(view.humidity.value[known_h[-1]])
        newest.humidity_seen_ms = int(view.at_ms[known_h[-1]])
    known_lid = np.flatnonzero(~np.isnan(view.lid_estimate))
    if len(known_lid):
        newest.lid_c, newest.lid_ms = float(view.lid_estimate[known_lid[-1]]), int(view.at_ms[known_lid[-1]])
    newest.condensate_g_m2 = float(view.condensate[-1])
    return newest


def _lid(
    watch: Watch,
    place: str,
    memory: PlaceMemory,
    probes: Mapping[str, ProbeMemory],
    heard: list[Heard],
    at_ms: Instants,
    chamber_c: Floats,
    around: Around,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the lid's inner temperature (measured where a lid probe speaks, else the estimate), the estimate with the lid's
    own lag, and where it is measured."""
    if around.lid is None or memory.belief is None:
        nothing = np.full(len(at_ms), np.nan)
        return nothing, nothing, np.zeros(len(at_ms), bool)
    steady = lid.steady_lid_temperature_c(around.room_temperature, chamber_c, memory.belief.mean)
    estimate = lagged_lid_c(memory, at_ms, steady, lid.lid_time_constant_s(around.lid))
    names = watch.probes_at(place, "lid")
    if not names:
        return estimate, estimate, np.zeros(len(at_ms), bool)
    measured = seen(watch, names, "surface_temperature", probes, heard, at_ms).value
    return np.where(np.isnan(measured), estimate, measured), estimate, ~np.isnan(measured)


def failing_test(view: View, probe: str, index: int, quantity: Quantity | None = None) -> str:
    """Return the test that a probe's newest sample at an instant did not pass, empty if it passed all."""
    series = view.probes[probe].series
    wanted = [name for name in series if quantity in (None, name)]
    for name in wanted:
        item = next((h for h in view.heard if h.probe == probe and h.quantity == name), None)
        newest, flag = series[name].test, series[name].flag
        if item is not None:
            where = int(np.searchsorted(item.judged.at_ms, view.at_ms[index], "right")) - 1
            newest, flag = item.before.test, item.before.flag
            if where >= 0:
                newest, flag = TESTS[int(item.judged.test[where])], int(item.judged.flag[where])
        if flag > GOOD:
            return newest
    return ""
