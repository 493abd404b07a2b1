"""Means and differences over sliding windows of time, exact in thousandths, the same however the stream is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Tail
from rules.climate.seldom import Readings
from rules.terms.events import MINUTE_MS, SECOND_MS

STEP_MS = 10 * SECOND_MS  # bookkeeping
KEEP_MS = 40 * MINUTE_MS  # bookkeeping
TREND_OVER_MS = 25 * MINUTE_MS
"""A slope over this, between two means of five minutes, is told from a thermostat's swing; all that is kept allows it.
Own estimate."""
WORTH_A_LOOK = 64
"""Fewer instants are searched for as fast as they are compared. Measured."""

Where = NDArray[np.intp] | slice


def thousandths(value: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return values as whole thousandths; NaN becomes 0 and must be masked by the caller."""
    return np.rint(np.where(np.isfinite(value), value, 0.0) * 1000.0).astype(np.int64)


def passed_since(at_ms: NDArray[np.int64], first_ms: int) -> NDArray[np.int64]:
    """Return how long after the one before each instant is; the first one after `first_ms`."""
    passed = np.empty(len(at_ms), np.int64)
    if len(at_ms):
        passed[0] = at_ms[0] - first_ms
        np.subtract(at_ms[1:], at_ms[:-1], out=passed[1:])
    return passed


def merged_instants(parts: Sequence[NDArray[np.int64]]) -> NDArray[np.int64]:
    """Return the different instants of several arrays in rising order, rising."""
    distinct = [part if len(part) < 2 else part[np.concatenate(([True], part[1:] != part[:-1]))] for part in parts if len(part)]
    if not distinct:
        return np.empty(0, np.int64)
    first = distinct[0]
    others = [part for part in distinct[1:] if not np.array_equal(part, first)]
    if not others:
        return first
    merged = np.sort(np.concatenate([first, *others]))
    return merged[np.concatenate(([True], merged[1:] != merged[:-1]))]


def newest_at(times_ms: NDArray[np.int64], at_ms: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the place of the newest of `times_ms` at or before each instant, -1 where there is none; both rise.

    The instants are mostly those very times, or those times a fixed way further on; to see that is much cheaper than to search.
    """
    count = _until(times_ms, at_ms)
    return np.arange(count.start - 1, count.stop - 1) if isinstance(count, slice) else count - 1


def _until(times_ms: NDArray[np.int64], at_ms: NDArray[np.int64]) -> Where:
    """Return how many of the times are at or before each instant, as a slice where it is one more at each."""
    first = _shift(times_ms, at_ms)
    if first is None:
        return times_ms.searchsorted(at_ms, "right")
    counts = slice(first + 1, first + 1 + len(at_ms))
    return counts if counts.start >= 0 else np.maximum(np.arange(counts.start, counts.stop), 0)


def _shift(times_ms: NDArray[np.int64], at_ms: NDArray[np.int64]) -> int | None:
    """Return the place of the time that is the newest at the first instant, if at each later instant it is the next one; less
    than 0 where so many instants come before all times; None: it is otherwise."""
    if not len(times_ms) or len(at_ms) < WORTH_A_LOOK:
        return None
    first = int(times_ms.searchsorted(at_ms[0], "right")) - 1
    if first < 0:
        first = -int(at_ms.searchsorted(times_ms[0]))
    begin, rest = max(first, 0), at_ms[max(-first, 0) :]
    here, after = times_ms[begin : begin + len(rest)], times_ms[begin + 1 : begin + 1 + len(rest)]
    if len(here) < len(rest) or not (here <= rest).all() or not (after > rest[: len(after)]).all():
        return None
    return first


def distinct(numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Return the different ones of numbers that rise, and the place of each number among them."""
    first = np.ones(len(numbers), bool)
    np.not_equal(numbers[1:], numbers[:-1], out=first[1:])
    return numbers[first], np.cumsum(first) - 1


Places = dict[tuple[int, int], tuple[NDArray[np.int64], Where]]


@dataclass(frozen=True, slots=True)
class Signal:
    """A figure with its sums: mean over any window of the past is two look-ups."""

    at_ms: NDArray[np.int64]
    total: NDArray[np.int64]
    count: NDArray[np.int64]
    places: Places = field(default_factory=dict)
    """Where a window ends that lies so far back, for so many instants, as last asked; shared by signals of one time."""
    means: dict[tuple[int, int, int], tuple[NDArray[np.int64], NDArray[np.float64]]] = field(default_factory=dict)
    """The means that were asked for, likewise: several checks ask for the same one. Never to be written to."""
    readings: Readings | None = None
    """What it was read to be, by which it moves; None: it is told often enough for means."""

    @staticmethod
    def of(
        at_ms: NDArray[np.int64], value_m: NDArray[np.int64], seen: NDArray[np.bool_], places: Places | None = None,
        readings: Readings | None = None,
    ) -> Signal:
        """Return the signal of values in thousandths, of which only the seen ones count."""
        zero = np.zeros(1, np.int64)
        return Signal(
            at_ms,
            np.concatenate((zero, np.cumsum(np.where(seen, value_m, 0)))),
            np.concatenate((zero, np.cumsum(seen.astype(np.int64)))),
            {} if places is None else places,
            readings=readings,
        )

    def mean(self, now_ms: NDArray[np.int64], begin_ms: int, end_ms: int) -> NDArray[np.float64]:
        """Return the mean of what was seen in (now - begin, now - end], NaN where nothing was."""
        key = begin_ms, end_ms, len(now_ms)
        known = self.means.get(key)
        if known is not None and known[0] is now_ms:
            return known[1]
        if len(now_ms) == 1:  # a live reading: in half the time
            ends = self.at_ms.searchsorted((int(now_ms[0]) - begin_ms, int(now_ms[0]) - end_ms), "right").tolist()
            self.means[key] = now_ms, np.array([self._between(*ends)])
            return self.means[key][1]
        low, high = self._place(now_ms, begin_ms), self._place(now_ms, end_ms)
        count = self.count[high] - self.count[low]
        total = self.total[high] - self.total[low]
        seen = bool(count.all())
        found: NDArray[np.float64] = total / (count if seen else np.maximum(count, 1))
        found /= 1000.0
        if not seen:
            found[count == 0] = np.nan
        found.flags.writeable = False
        self.means[key] = now_ms, found
        return found

    def _place(self, now_ms: NDArray[np.int64], back_ms: int) -> Where:
        known = self.places.get((back_ms, len(now_ms)))
        if known is not None and known[0] is now_ms:
            return known[1]
        end_ms = now_ms - back_ms
        found = _until(self.at_ms, end_ms)
        self.places[back_ms, len(now_ms)] = now_ms, found
        return found

    def alone(self) -> Signal:
        """Return the signal without what it was asked: to be kept."""
        return Signal(self.at_ms, self.total, self.count, readings=self.readings)

    def slope_k_h(self, now_ms: NDArray[np.int64], over_ms: int, mean_ms: int = 5 * MINUTE_MS) -> NDArray[np.float64]:
        """Return the change per hour between the newest and an older mean, `over_ms` apart; between readings where they are
        further apart than that mean is long."""
        if self.readings is not None:
            return self.readings.slope_h(now_ms, over_ms)
        new = self.mean(now_ms, mean_ms, 0)
        old = self.mean(now_ms, over_ms + mean_ms, over_ms)
        return (new - old) * (3_600_000 / over_ms)

    def slope_at(self, now_ms: int, over_ms: int, mean_ms: int = 5 * MINUTE_MS) -> float:
        """Return what `slope_k_h` says of one instant, several times faster."""
        if self.readings is not None:
            return self.readings.slope_at(now_ms, over_ms)
        ends = [now_ms, now_ms - mean_ms, now_ms - over_ms, now_ms - over_ms - mean_ms]
        high, low, old_high, old_low = self.at_ms.searchsorted(ends, "right").tolist()
        return float((self._between(low, high) - self._between(old_low, old_high)) * (3_600_000 / over_ms))

    def _between(self, low: int, high: int) -> float:
        count = int(self.count[high] - self.count[low])
        return int(self.total[high] - self.total[low]) / count / 1000.0 if count > 0 else float("nan")


@dataclass(frozen=True, slots=True)
class Recent:
    """The slow signals of a place: what is kept of the past 40 minutes and this stretch, every ten seconds at most."""

    temperature: Signal
    humidity: Signal
    dew_point: Signal

    def alone(self) -> Recent:
        """Return the signals without what they were asked: to be kept."""
        return Recent(self.temperature.alone(), self.humidity.alone(), self.dew_point.alone())


def recent(
    tail: Tail,
    at_ms: NDArray[np.int64],
    temperature: NDArray[np.float64],
    humidity: NDArray[np.float64],
    dew_point: NDArray[np.float64],
    seldom: Mapping[str, Readings],
) -> tuple[Tail, Recent]:
    """Return the tail after this stretch and the signals over tail and stretch. NaN: not seen, or not to be counted; `seldom`:
    the readings of the figures that are told seldom, by the names of `Recent`."""
    bins = at_ms // STEP_MS
    last_bin = tail.at_ms[-1] // STEP_MS if tail.at_ms else -1
    keep = np.concatenate((bins[:1] != last_bin, bins[1:] != bins[:-1]))
    columns = [
        (tail.temperature_mk, temperature[keep]),
        (tail.humidity_m, humidity[keep]),
        (tail.dew_point_mk, dew_point[keep]),
    ]
    joined_ms = np.concatenate((np.array(tail.at_ms, np.int64), at_ms[keep]))
    joined = [_join(old, new) for old, new in columns]
    first = int(np.searchsorted(joined_ms, int(at_ms[-1]) - KEEP_MS))
    kept = [
        [value if ok else None for value, ok in zip(values[first:].tolist(), seen[first:].tolist(), strict=True)]
        for values, seen in joined
    ]
    places: Places = {}
    told = [seldom.get(figure) for figure in ("temperature", "humidity", "dew_point")]
    signals = [Signal.of(joined_ms, *each, places, readings) for each, readings in zip(joined, told, strict=True)]
    said = {figure: readings.kept(int(at_ms[-1])) for figure, readings in seldom.items()}
    temperature_mk, humidity_m, dew_point_mk = kept
    return Tail(joined_ms[first:].tolist(), temperature_mk, humidity_m, dew_point_mk, said), Recent(*signals)


def _join(old: list[int | None], new: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    seen = np.concatenate((np.array([value is not None for value in old], bool), ~np.isnan(new)))
    values = np.concatenate((np.array([value or 0 for value in old], np.int64), thousandths(new)))
    return values, seen


def temperature_signal(tail: Tail) -> Signal:
    """Return the remembered temperature of a place as a signal."""
    seen = np.array([value is not None for value in tail.temperature_mk], bool)
    values = np.array([value or 0 for value in tail.temperature_mk], np.int64)
    readings = Readings.remembered(tail.said["temperature"]) if "temperature" in tail.said else None
    return Signal.of(np.array(tail.at_ms, np.int64), values, seen, readings=readings)
