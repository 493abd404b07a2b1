"""The longer past of a place: whole hours for five days, and how far a room falls by night."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import add
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Hour, PlaceMemory
from rules.climate.past_moves import Moves, moves_of
from rules.climate.room_ahead import RoomAhead, room_ahead_of
from rules.climate.situation import MatDay, Situation, Swing
from rules.climate.thermostat import HOT_MAT_K
from rules.climate.view import View
from rules.climate.windows import thousandths
from rules.terms.events import DAY_MS, HOUR_MS

KEPT_MS = 5 * DAY_MS  # bookkeeping


def hours_after(view: View) -> dict[str, dict[str, Hour]]:
    """Return the hourly figures of a place with this stretch added; what is older than five days stays until `pruned`."""
    figures: dict[Hourly, NDArray[np.float64]] = {
        "temperature_c": view.temperature.value,
        "relative_humidity_pct": view.humidity.value,
        "vapour_pressure_deficit_pa": view.vapour_deficit_pa,
        "dew_margin_k": view.margin,
        "dew_point_c": view.dew_point,
    }
    if view.chamber is not None:
        figures["room_dew_point_c"] = view.room_dew_point
        if view.settings.probes_at(view.place, "heater-surface"):
            figures["mat_c"] = view.mat
    return {name: hours_with(view, name, value) for name, value in figures.items()}


def hours_with(view: View, name: Hourly, value: NDArray[np.float64]) -> dict[str, Hour]:
    """Return the hours of one figure with this stretch added, worked out once for a view."""
    if name not in view.hours:
        view.hours[name] = dict(view.memory.hours.get(name, {}))
        _add(view.hours[name], view.hour, value)
    return view.hours[name]


def _add(hours: dict[str, Hour], hour: NDArray[np.int64], value: NDArray[np.float64]) -> None:
    if len(value) == 1:
        _add_one(hours, str(int(hour[0])), float(value[0]))
        return
    seen = ~np.isnan(value)
    if not seen.any():
        return
    number, figures = hour[seen], thousandths(value[seen])
    starts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    columns = (np.diff(starts, append=len(number)), *(each.reduceat(figures, starts) for each in _OF_AN_HOUR))
    names = [*map(str, number[starts].tolist())]
    begun = {name: hours[name] for name in names if name in hours}  # the first, and after a clock set back others too
    hours.update(zip(names, map(Hour, *(column.tolist() for column in columns)), strict=True))
    for name, old in begun.items():
        hours[name] = _both(old, hours[name])


def _add_one(hours: dict[str, Hour], name: str, value: float) -> None:
    """Add one value, as each reading does while it is watched: several times faster."""
    if value == value:
        figure = round(value * 1000.0) if math.isfinite(value) else 0
        new = Hour(1, figure, figure, figure)
        hours[name] = _both(hours[name], new) if name in hours else new


def _both(old: Hour, new: Hour) -> Hour:
    return Hour(old.count + new.count, old.total + new.total, min(new.least, old.least), max(new.greatest, old.greatest))


_OF_AN_HOUR = (np.add, np.minimum, np.maximum)


def oldest_hour(at_ms: int) -> int:
    """Return the number of the oldest hour that is kept at an instant: only when the hour turns is there anything to prune."""
    return (at_ms - KEPT_MS) // HOUR_MS


def pruned(hours: dict[str, dict[str, Hour]], until_ms: int) -> dict[str, dict[str, Hour]]:
    """Return the hours of the last five days."""
    first = oldest_hour(until_ms)
    return {name: {key: hour for key, hour in table.items() if int(key) >= first} for name, table in hours.items()}


class Climate:
    """The remembered hours of all chambers, as the care routine asks for them (`rules.climate.hours`)."""

    def __init__(self, places: Mapping[str, PlaceMemory]) -> None:
        self._places = places
        self._tables: dict[tuple[str, Hourly], _Table] = {}
        self._moves: dict[tuple[str, int], tuple[Moves, ...]] = {}
        self._means: dict[tuple[str, int], tuple[float | None, ...]] = {}
        self._rooms: dict[tuple[str | None, int], RoomAhead | None] = {}

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        """Return the whole hours that ended within `last_ms` before `at_ms`; None: nothing is remembered of them."""
        found = self._table(chamber, quantity).between(-(-(at_ms - last_ms) // HOUR_MS), at_ms // HOUR_MS)
        return found if found.known else None

    def _table(self, place: str, quantity: Hourly) -> _Table:
        if (place, quantity) not in self._tables:
            memory = self._places.get(place)
            self._tables[place, quantity] = _Table(memory.hours.get(quantity, {}) if memory else {})
        return self._tables[place, quantity]

    def swing(self, chamber: str, quantity: Hourly, since_ms: int, at_ms: int) -> Swing | None:
        """Return the swing over the whole hours of a span; None where not every one of them is known."""
        memory = self._places.get(chamber)
        table = memory.hours.get(quantity, {}) if memory else {}
        rows = [table.get(str(hour)) for hour in range(-(-since_ms // HOUR_MS), at_ms // HOUR_MS)]
        known = [_figures(row) for row in rows if row is not None]
        return swing_of(*zip(*known, strict=True)) if known and len(known) == len(rows) else None

    def moves(self, chamber: str, at_ms: int) -> tuple[Moves, ...]:
        """Return how far the figures of `SWINGING` moved by themselves in the five days before this hour."""
        hour = at_ms // HOUR_MS
        if (chamber, hour) not in self._moves:
            past = (self._table(chamber, name).between(hour - KEPT_MS // HOUR_MS, hour) for name in SWINGING)
            self._moves[chamber, hour] = tuple(
                moves_of(one.mean, assumed, one.lowest, one.highest) for one, assumed in zip(past, ASSUMED, strict=True)
            )
        return self._moves[chamber, hour]

    def room_ahead(self, room: str | None, at_ms: int) -> RoomAhead | None:
        """Return how a room goes on by its five days before this hour; None where not one of them is known."""
        hour = at_ms // HOUR_MS
        if (room, hour) not in self._rooms:
            past = self._table(room or "", "temperature_c").between(hour - KEPT_MS // HOUR_MS, hour)
            self._rooms[room, hour] = room_ahead_of(past.mean) if past.known else None
        return self._rooms[room, hour]

    def vapour_fall_k(self, now: Situation) -> float | None:
        """Return how far the dew point lies below the mean of its last day, beyond what a cooler box or a drier room explains;
        negative: above it, beyond what a warmer or a damper one does; None where half a day of it is not known."""
        came = now.dew_point_c, now.temperature_c, now.room_dew_point_c
        days = self._days_means(now.chamber, now.at_ms)
        dew, cooler, room = (None if day is None or one is None else day - one for day, one in zip(days, came, strict=True))
        if dew is None or cooler is None:
            return None
        if dew < 0.0:
            return min(dew - min(cooler, 0.0) - min(room or 0.0, 0.0), 0.0)
        return dew - max(cooler, 0.0) - max(room or 0.0, 0.0)

    def _days_means(self, chamber: str, at_ms: int) -> tuple[float | None, ...]:
        key = chamber, at_ms // HOUR_MS
        if key not in self._means:
            first, end = -(-(at_ms - DAY_MS) // HOUR_MS), at_ms // HOUR_MS
            past = (self._table(chamber, name).between(first, end) for name in DRYING)
            self._means[key] = tuple(one.average(LEAST_OF_DAY_H) for one in past)
        return self._means[key]


Hourly = Literal[
    "temperature_c", "relative_humidity_pct", "vapour_pressure_deficit_pa", "dew_margin_k", "dew_point_c", "room_dew_point_c",
    "mat_c",
]
SWINGING: tuple[Hourly, ...] = ("temperature_c", "relative_humidity_pct", "dew_margin_k")
DRYING: tuple[Hourly, ...] = ("dew_point_c", "temperature_c", "room_dew_point_c")
LEAST_OF_DAY_H = 12
"""So many hours of a day must be known for its mean; own estimate."""
WHOLE_DAY_H = 23
"""So many whole hours lie in the 24 before any instant. By definition."""
SWITCHED_MAT_K = 2.0
"""A mat whose temperature moves by more within most hours is switched; one that stays on follows its air. Own estimate."""
ASSUMED = ((0.4, 0.8, 1.0), (2.0, 4.0, 5.0), (0.4, 0.7, 1.0))
"""How far each moves within 1, 6 and 24 hours (K, points, K; standard uncertainty) before its own days tell; own estimate."""


@dataclass(frozen=True, slots=True)
class Hours:
    """One quantity of one chamber, one value per whole hour, oldest first; NaN where the hour is not known."""

    mean: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]

    @property
    def known(self) -> int:
        """Number of hours that are known."""
        return int(np.count_nonzero(~np.isnan(self.mean)))

    def hours_below(self, limit: float) -> int:
        """Return the number of known hours whose mean was below the limit."""
        return int(np.count_nonzero(self.mean < limit))

    def hours_above(self, limit: float) -> int:
        """Return the number of known hours whose mean was above the limit."""
        return int(np.count_nonzero(self.mean > limit))

    def least(self) -> float | None:
        """Return the lowest value; None: no hour is known."""
        return float(np.nanmin(self.lowest)) if self.known else None

    def most(self) -> float | None:
        """Return the highest value; None: no hour is known."""
        return float(np.nanmax(self.highest)) if self.known else None

    def average(self, least: int = 1) -> float | None:
        """Return the mean over the known hours; None: fewer than `least` are known."""
        known = self.known
        if known < least:
            return None
        means = self.mean if known == len(self.mean) else np.where(np.isnan(self.mean), 0.0, self.mean)
        return float(means.sum() / known)


def hours_between(table: Mapping[str, Hour], first: int, end: int) -> Hours:
    """Return the hours from number `first` to before `end`."""
    if not table:
        return Hours(*np.full((3, max(0, end - first)), np.nan))
    rows = (table.get(str(hour)) for hour in range(first, end))
    return Hours(*np.array([_UNKNOWN if row is None else _figures(row) for row in rows], np.float64).reshape(-1, 3).T)


class _Table:
    """All hours of one figure, of which any span is a slice."""

    def __init__(self, hours: Mapping[str, Hour]) -> None:
        self._numbers = sorted(map(int, hours))
        self._figures = np.array([_figures(hours[str(number)]) for number in self._numbers], np.float64).reshape(-1, 3).T

    def between(self, first: int, end: int) -> Hours:
        """Return what `hours_between` says of them."""
        low, high = bisect_left(self._numbers, first), bisect_left(self._numbers, end)
        found = self._figures[:, low:high]
        if high - low == end - first:
            return Hours(*found)
        whole = np.full((3, max(0, end - first)), np.nan)
        whole[:, np.array(self._numbers[low:high], np.int64) - first] = found
        return Hours(*whole)


def _figures(hour: Hour) -> tuple[float, float, float]:
    """Return an hour's mean, lowest and highest."""
    return hour.total / hour.count / 1000.0, hour.least / 1000.0, hour.greatest / 1000.0


_UNKNOWN = (np.nan, np.nan, np.nan)


def mean_in(table: Mapping[str, Hour], hour: int) -> float:
    """Return the mean of one hour, NaN where it is not known."""
    row = table.get(str(hour))
    return float("nan") if row is None else _figures(row)[0]


def most_between(table: Mapping[str, Hour], first: int, end: int) -> float:
    """Return the highest value from hour number `first` to before `end`, NaN where no hour is known."""
    known = (row.greatest for row in map(table.get, map(str, range(first, end))) if row is not None)
    return max(known, default=float("nan")) / 1000.0


def swing_of(means: Sequence[float], lowest: Sequence[float], highest: Sequence[float]) -> Swing:
    """Return the swing over these hours, all of them known."""
    return Swing(reduce(add, means) / len(means), min(lowest), max(highest), max(means) - min(means), len(means))


def mat_day(mat: Hours | None, air: Hours | None) -> MatDay | None:
    """Return what the mat's own probe shows of a day, from the whole hours of mat and air; None where one is not known."""
    if mat is None or air is None or mat.known < max(len(mat.mean), WHOLE_DAY_H) or air.known < len(air.mean):
        return None
    hot, box = (swing_of(one.mean.tolist(), one.lowest.tolist(), one.highest.tolist()) for one in (mat, air))
    lead, most = hot.mean - box.mean, hot.most - box.mean
    if most <= HOT_MAT_K:
        return MatDay("never", 0.0, hot.least, hot.most, box.mean)
    turns = float(np.median(mat.highest - mat.lowest)) > SWITCHED_MAT_K
    return MatDay("by turns" if turns else "always", min(lead / most, 1.0) if turns else 1.0, hot.least, hot.most, box.mean)


class ClimateMemory(Protocol):
    """The last five days by whole hours.

    An answer may depend only on hours that ended at or before `at_ms`, whatever has been read since: otherwise the
    same stream, cut elsewhere, would give another answer.
    """

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        """Return the hours of the span `last_ms` before `at_ms`; None: nothing is remembered of it."""


class NothingKnown:
    """A climate of which nothing is remembered."""

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        """Return None for every question."""
        return None
