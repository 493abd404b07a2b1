"""What the probes of a place say together: one value for each instant, with its source and uncertainty."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.judging import (
    Floats,
    Heard,
    Instants,
)
from rules.climate.memory import PlaceMemory, ProbeMemory, Series
from rules.climate.quality import GOOD, fresh_for_ms
from rules.climate.windows import merged_instants, newest_at
from rules.settings import Settings
from rules.terms.events import MINUTE_MS
from rules.terms.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Seen:
    """One figure of a place per instant: value (NaN: not seen), whether its newest sample may count for delays, the least and
    the greatest of its probes, and when the newest of its believed readings came (`NEVER_MS`: none did)."""

    value: Floats
    counts: NDArray[np.bool_]
    least: Floats
    most: Floats
    read_ms: Instants
    pair: NDArray[np.bool_]
    """Where two are believed, so that no third one can say which is right."""


NEVER_MS = -(10**15)  # bookkeeping
GRID_MS = 10 * MINUTE_MS  # bookkeeping


def looks_unasked(settings: Settings, from_ms: int, until_ms: int) -> bool:
    """Return whether an instant lies in [from, until) at which any place is looked at that said nothing: a full minute, or with
    slow probes alone every second or fifth."""
    if -(-from_ms // MINUTE_MS) == -(-until_ms // MINUTE_MS):
        return False
    every_ms = min(map(unasked_every_ms, settings.fastest_ms.values()), default=MINUTE_MS)
    return -(-from_ms // every_ms) < -(-until_ms // every_ms)


def unasked_every_ms(fastest_ms: int) -> int:
    """Return how often a place that says nothing is looked at: every minute; every second or fifth one where even the fastest
    probe speaks every ten or 25 minutes at most, for there a look costs as much as a reading, and the word holds for longer."""
    return (5 if fastest_ms >= 25 * MINUTE_MS else 2 if fastest_ms >= 10 * MINUTE_MS else 1) * MINUTE_MS


def instants(
    memory: PlaceMemory, heard: list[Heard], from_ms: int, until_ms: int, every_ms: int, also_ms: tuple[int, ...] = ()
) -> Instants:
    """Return the place's instants in [from, until): its samples, the full minutes in which nothing was heard for a minute, as
    far as they are due by `every_ms`, every full ten minutes, and the instants that are asked for."""
    own = [item.judged.at_ms for item in heard]
    heard_ms = merged_instants(own)
    grid = np.arange(-(-from_ms // every_ms), -(-until_ms // every_ms), dtype=np.int64) * every_ms
    if len(grid):
        last = memory.heard_ms if memory.heard_ms is not None else memory.since_ms
        latest = np.concatenate(([last], heard_ms))[heard_ms.searchsorted(grid, "right")]
        grid = grid[(grid - latest >= MINUTE_MS) | (grid % GRID_MS == 0)]
    if not len(grid) and not also_ms:
        return heard_ms
    return merged_instants([heard_ms, grid, np.array(sorted(also_ms), np.int64)])


def told_step(
    name: str, quantity: Quantity, probes: Mapping[str, ProbeMemory], heard: Sequence[Heard], at_ms: Instants
) -> Floats:
    """Return by which steps a probe tells a quantity, as far as it was heard, per instant."""
    item = next((one for one in heard if (one.probe, one.quantity) == (name, quantity)), None)
    before = item.before if item else probes[name].series.get(quantity)
    step_m = np.full(len(at_ms), 0 if before is None else before.grain_m)
    if item is not None:
        where = newest_at(item.judged.at_ms, at_ms)
        step_m = np.where(where >= 0, item.grain_m[np.maximum(where, 0)], step_m)
    return step_m / 1000.0


def finest_step(
    names: tuple[str, ...], quantity: Quantity, probes: Mapping[str, ProbeMemory], heard: Sequence[Heard], at_ms: Instants
) -> Floats:
    """Return the steps of the probe that tells a quantity in the smallest ones."""
    return np.asarray(np.min([told_step(name, quantity, probes, heard, at_ms) for name in names], axis=0))


def seen(
    settings: Settings,
    names: tuple[str, ...],
    quantity: Quantity,
    probes: Mapping[str, ProbeMemory],
    out: Container[str],
    heard: list[Heard],
    at_ms: Instants,
    at_least_ms: int = 0,
) -> Seen:
    """Return a figure's consensus over the believed probes: the middle value, least and most, NaN where none is fresh, or two
    humidities contradict each other.

    A probe's last word holds as long as everywhere (`fresh_for_ms`), and at least `at_least_ms`. `out`: the probes that are
    out of service.
    """
    rows, counts, read_ms = [], np.zeros(len(at_ms), bool), np.full(len(at_ms), NEVER_MS)
    for name in names:
        if name in out:
            continue
        item = next((h for h in heard if h.probe == name and h.quantity == quantity), None)
        series = item.before if item else probes[name].series.get(quantity)
        if series is None:
            continue
        limit = max(at_least_ms, fresh_for_ms(settings.probes[name].interval))
        value, believed, since = _carried(series, item, at_ms, limit)
        rows.append(value)
        counts |= believed
        read_ms = np.maximum(read_ms, since) if len(rows) > 1 else since
    if not rows:
        nothing = np.full(len(at_ms), np.nan)
        return Seen(nothing, counts, nothing, nothing, read_ms, np.zeros(len(at_ms), bool))
    if len(rows) == 1:
        return Seen(rows[0], counts, rows[0], rows[0], read_ms, np.zeros(len(at_ms), bool))
    found = _middle(np.sort(np.stack(rows), axis=0), counts, read_ms)
    return _told_apart(found) if quantity == "relative_humidity" else found


def _middle(ordered: Floats, counts: NDArray[np.bool_], read_ms: Instants) -> Seen:
    """NaN sorts last, so the believed values are the first `number` rows of each column."""
    number = np.count_nonzero(~np.isnan(ordered), axis=0)
    column = np.arange(ordered.shape[1])
    low, high = np.maximum(number - 1, 0) // 2, number // 2
    high = np.minimum(high, np.maximum(number - 1, 0))
    middle = (ordered[low, column] + ordered[high, column]) / 2
    return Seen(middle, counts, ordered[0], ordered[np.maximum(number - 1, 0), column], read_ms, number == 2)


APART_K = 3.0
"""Two probes of one box that differ by more cannot both be right, whatever their errors and places; own judgement."""


def farther_out(found: Seen, wanted_c: float) -> Seen:
    """Return a temperature that is, where two probes are far apart, the one that is farther from what the garden wants.

    Their mean is read by neither: beside a probe that sticks it tells of 16 degC while a garden freezes at 6.
    """
    apart = found.pair & (found.most - found.least > APART_K)
    if not apart.any():
        return found
    outer = np.where(wanted_c - found.least > found.most - wanted_c, found.least, found.most)
    return replace(found, value=np.where(apart, outer, found.value))


APART_PCT = 25.0
"""The same of their humidities, wherever in the box they hang; own judgement."""


def _told_apart(found: Seen) -> Seen:
    """Return a humidity that is not known where two probes are far apart: their mean is read by neither, and whoever follows
    the drier one is sent to a lid of which a dead input tells. That they disagree is told."""
    apart = found.pair & (found.most - found.least > APART_PCT)
    return replace(found, value=np.where(apart, np.nan, found.value), counts=found.counts & ~apart) if apart.any() else found


def _carried(before: Series, item: Heard | None, at_ms: Instants, fresh_ms: int) -> tuple[Floats, NDArray[np.bool_], Instants]:
    """Return the last good value at each instant while it is fresh, whether the newest sample was a good one, and its time."""
    value = np.full(len(at_ms), np.nan if before.good is None else before.good)
    since = np.full(len(at_ms), NEVER_MS if before.good_ms is None else before.good_ms)
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
    return value, newest_good & ~stale, since


def credit(passed_ms: Instants, counts: NDArray[np.bool_], interval_ms: int) -> Instants:
    """Return the observed time that each instant adds: what passed since the one before, at most two intervals."""
    return np.where(counts, np.minimum(passed_ms, 2 * max(interval_ms, MINUTE_MS // 2)), 0)
