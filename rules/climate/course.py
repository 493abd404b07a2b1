"""The present of the chambers at any instant of a stretch, for what is said while it is gone through."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules.climate.hysteresis import OUTSIDE
from rules.climate.judging import Floats, Instants
from rules.climate.memory import PlaceMemory
from rules.climate.situate import QUARTER_MS, known, read_ms
from rules.climate.situation import Situation
from rules.climate.view import View
from rules.climate.windows import Recent
from rules.terms.condition_changes import Harm
from rules.terms.events import AlarmEvent, Figures
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import HarmKind

Zones = Mapping[str, NDArray[np.int8]]
"""By alarm, its zone at each instant."""


@dataclass(frozen=True, slots=True)
class Course:
    """What was believed of one chamber over a stretch: of its view what a letter may ask for; the rest may be forgotten."""

    at_ms: Instants
    temperature_c: Floats
    temperature_read_ms: Instants
    relative_humidity_pct: Floats
    humidity_read_ms: Instants
    dew_margin_k: Floats
    recent: Recent
    harm_at: Mapping[HarmKind, Callable[[int], Harm | None]]
    """How each account of harm stands at an instant by its place; None: it is inside its band."""
    zones: Zones
    """Of each limit that was passed, where the figures were at each instant."""

    @staticmethod
    def of(view: View, harm_at: Mapping[HarmKind, Callable[[int], Harm | None]], zones: Zones) -> Course:
        """Return the course that a view saw."""
        heat, damp = view.temperature, view.humidity
        signals = view.recent.alone()
        return Course(view.at_ms, heat.value, heat.read_ms, damp.value, damp.read_ms, view.margin, signals, harm_at, zones)


def outside_at(zones: Zones, index: int) -> tuple[str, ...]:
    """Return the alarms whose limit is passed at an instant."""
    return tuple(alarm for alarm, zone in zones.items() if zone[index] >= OUTSIDE)


@dataclass(frozen=True, slots=True)
class Look:
    """One look at a chamber, of which each figure is worked out where it is asked for; they are named as in a `Situation`."""

    course: Course
    place: int

    @property
    def temperature_c(self) -> float | None:
        """What was believed of it, here and below; None: nothing."""
        return known(self.course.temperature_c[self.place])

    @property
    def relative_humidity_pct(self) -> float | None:
        return known(self.course.relative_humidity_pct[self.place])

    @property
    def dew_margin_k(self) -> float | None:
        return known(self.course.dew_margin_k[self.place])

    @property
    def temperature_read_ms(self) -> int | None:
        """When that was read, here and below."""
        return read_ms(self.course.temperature_read_ms[self.place])

    @property
    def humidity_read_ms(self) -> int | None:
        return read_ms(self.course.humidity_read_ms[self.place])

    @property
    def temperature_slope_k_h(self) -> float | None:
        """Over a quarter of an hour, here and below."""
        return known(self.course.recent.temperature.slope_at(int(self.course.at_ms[self.place]), QUARTER_MS))

    @property
    def humidity_slope_pct_h(self) -> float | None:
        return known(self.course.recent.humidity.slope_at(int(self.course.at_ms[self.place]), QUARTER_MS))

    @property
    def outside(self) -> tuple[str, ...]:
        """The alarms whose limit is passed."""
        return outside_at(self.course.zones, self.place)


@dataclass(frozen=True, slots=True)
class Presents:
    """The chambers along one stretch: by their courses, and where these have not begun, as they were before it."""

    before: Mapping[str, PlaceMemory] = field(default_factory=dict)
    courses: Mapping[str, Course] = field(default_factory=dict)

    def figures(self, chamber: str, at_ms: int) -> Figures | None:
        """Return what is believed of a chamber at an instant; None before anything was read there."""
        seen = self.seen(chamber, at_ms)
        read = () if seen is None else [ms for ms in (seen.temperature_read_ms, seen.humidity_read_ms) if ms is not None]
        if seen is None or not read:
            return None
        heat_ms, damp_ms = seen.temperature_read_ms, seen.humidity_read_ms
        at_ms = max(read) if seen.temperature_c is None or heat_ms is None else heat_ms
        apart = seen.relative_humidity_pct is not None and damp_ms != at_ms
        return Figures(
            chamber, at_ms, seen.temperature_c, seen.relative_humidity_pct, seen.dew_margin_k,
            seen.temperature_slope_k_h, seen.humidity_slope_pct_h, seen.outside,
            damp_ms if apart else None,
        )  # fmt: skip

    def told(self, alarm: AlarmEvent, at_ms: int) -> AlarmEvent:
        """Return an alarm with figure and account of harm as they are at an instant, or were when they were last believed."""
        alarm = self._judged(alarm, at_ms)
        seen = None if alarm.chamber is None else self.seen(alarm.chamber, at_ms)
        figure = ALARMS[alarm.alarm].figure
        if seen is None or figure is None:
            return alarm
        value = seen.dew_margin_k if figure == "dew_margin_k" else self._last(alarm.chamber or "", at_ms, figure)
        read = seen.temperature_read_ms if figure == "temperature_c" else seen.humidity_read_ms
        return alarm if value is None or read is None else replace(alarm, value=round(value, 3), read_ms=read)

    def place(self, chamber: str, at_ms: int) -> int:
        """Return the place of a chamber's last look at or before an instant in its course; -1: it has not begun."""
        course = self.courses.get(chamber)
        return -1 if course is None else int(course.at_ms.searchsorted(at_ms, "right")) - 1

    def harms(self, chamber: str, at_ms: int) -> dict[HarmKind, Harm]:
        """Return how each account of harm of a chamber that is outside its band stood at its last look before an instant."""
        course, before, place = self.courses.get(chamber), self.before.get(chamber), self.place(chamber, at_ms)
        if course is not None and place >= 0:
            found = {kind: harm_at(place) for kind, harm_at in course.harm_at.items()}
        else:
            found = {} if before is None else {kind: account.judged for kind, account in before.harm.items()}
        return {kind: harm for kind, harm in found.items() if harm is not None}

    def _judged(self, alarm: AlarmEvent, at_ms: int) -> AlarmEvent:
        kind = ALARMS[alarm.alarm].harm
        known = alarm.chamber in self.courses or alarm.chamber in self.before
        if kind is None or alarm.chamber is None or alarm.harm_used is None or not alarm.open or not known:
            return alarm
        harm = self.harms(alarm.chamber, at_ms).get(kind)
        if harm is None:  # it is back inside, and gets over it
            return replace(alarm, seconds_left=None, early_seconds_left=None, judged_ms=at_ms)
        return replace(
            alarm, harm_used=harm.used, seconds_left=harm.left_s, early_seconds_left=harm.early_left_s, judged_ms=harm.at_ms
        )

    def seen(self, chamber: str, at_ms: int) -> Look | Situation | None:
        """Return what is believed of a chamber at its last look at or before an instant; None: there was none."""
        place, before = self.place(chamber, at_ms), self.before.get(chamber)
        if place >= 0:
            return Look(self.courses[chamber], place)
        return None if before is None else before.present

    def _last(self, chamber: str, at_ms: int, figure: Literal["temperature_c", "relative_humidity_pct"]) -> float | None:
        """Return the newest believed value up to a look, in its course or from before it."""
        place, before = self.place(chamber, at_ms), self.before.get(chamber)
        if place >= 0:
            column: Floats = getattr(self.courses[chamber], figure)
            if column[place] == column[place]:
                return float(column[place])
            believed = np.flatnonzero(~np.isnan(column[: place + 1]))
            if len(believed):
                return float(column[believed[-1]])
        return None if before is None else getattr(before, figure)
