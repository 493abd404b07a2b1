"""Healthy probes in foreign air, and the six ways in which a probe breaks: made and measured series that nothing was tuned to.

Each kind of air is a course of its own making: no part of `rules` draws it. A `Logger` hears it as a keeper's would: thinned to
its interval, rounded to its steps, now and then with a gap. Figures of the made air are our own estimates.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rules.climate.judging import Column, hear
from rules.climate.memory import ProbeMemory
from rules.climate.quality import GOOD, SUSPECT, TESTS, fresh_for_ms
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, Event
from rules.turn.advance import advance

Floats = NDArray[np.float64]
DATA = Path(__file__).parents[1] / "data"
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z


@dataclass(frozen=True, slots=True)
class Air:
    """Air as it is: instants, degC and %RH (may be above 100: a probe clips it)."""

    at_ms: NDArray[np.int64]
    temperature_c: Floats
    humidity_pct: Floats


@dataclass(frozen=True, slots=True)
class Logger:
    """How a probe tells it."""

    interval_s: int
    step_k: float
    step_pct: float

    def hear(self, air: Air) -> Air:
        """Return what it says: one sample an interval, in its steps."""
        slot = air.at_ms // (1000 * self.interval_s)
        first = np.diff(slot, prepend=slot[:1] - 1) != 0
        return Air(
            air.at_ms[first],
            np.round(np.round(air.temperature_c[first] / self.step_k) * self.step_k, 3),
            np.round(np.round(np.clip(air.humidity_pct[first], 0.0, 100.0) / self.step_pct) * self.step_pct, 3),
        )


LOGGERS = (Logger(10, 0.01, 0.01), Logger(60, 0.1, 0.1), Logger(60, 0.1, 1.0), Logger(600, 0.5, 1.0), Logger(900, 0.1, 0.1),
           Logger(900, 1.0, 2.0), Logger(3600, 0.1, 1.0), Logger(3600, 0.5, 1.0), Logger(3600, 1.0, 1.0))  # fmt: skip


def days_of(logger: Logger) -> float:
    """So long a recording is worth its time: the fast ones tell as much in days as the slow ones in weeks."""
    return 1.0 if logger.interval_s < 60 else 6.0 if logger.interval_s < 600 else 45.0


# ---------------------------------------------------------------- made air


def _clock(days: float, every_s: int) -> tuple[NDArray[np.int64], Floats]:
    at_ms = START_MS + np.arange(round(days * 86_400 / every_s), dtype=np.int64) * (1000 * every_s)
    return at_ms, (at_ms - START_MS) / HOUR_MS


def _wander(draw: np.random.Generator, count: int, every_s: int, hours: float, size: float) -> Floats:
    """Noise with a memory of so many hours."""
    keep = np.exp(-every_s / 3600 / hours)
    steps = draw.normal(0.0, size * np.sqrt(1 - keep**2), count)
    value, course = draw.normal(0.0, size), []
    for step in steps.tolist():
        value = keep * value + step
        course.append(value)
    return np.array(course)


def _humidity(temperature_c: Floats, dew_c: Floats) -> Floats:
    """Magnus form of WMO No. 8: another equation than the rules use."""
    return 100.0 * np.exp(17.62 * dew_c / (243.12 + dew_c) - 17.62 * temperature_c / (243.12 + temperature_c))


def cave(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """It stays 11 degC for weeks, and its air is full of water."""
    at_ms, _ = _clock(days, every_s)
    temperature = draw.uniform(8.0, 14.0) + _wander(draw, len(at_ms), every_s, 200.0, 0.1)
    humidity = draw.choice((95.0, 99.3, 101.0)) + _wander(draw, len(at_ms), every_s, 50.0, 0.5)
    return Air(at_ms, temperature, humidity)


def still_cave(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """Nothing moves but the last digit, once in a day or two."""
    at_ms, hour = _clock(days, every_s)
    return Air(at_ms, 10.9 + 0.2 * np.sin(hour / 31.0), 96.0 + 1.5 * np.sin(hour / 53.0))


def greenhouse(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """Sun between clouds heats it by 10 K within minutes; at night it is at its dew point."""
    at_ms, hour = _clock(days, every_s)
    sun = np.clip(np.sin((hour - 6.0) / 12.0 * np.pi), 0.0, None) * (hour % 24 > 6) * (hour % 24 < 18)
    cloud = np.clip(0.6 + _wander(draw, len(at_ms), every_s, 0.7, 0.5), 0.1, 1.0)
    keep, box, boxes = np.exp(-every_s / 1200), 12.0, []
    outside = 10.0 + 4.0 * np.sin((hour - 9.0) / 24.0 * 2 * np.pi) + _wander(draw, len(at_ms), every_s, 60.0, 3.0)
    for aim in (outside + 18.0 * sun * cloud).tolist():
        box = keep * box + (1 - keep) * aim
        boxes.append(box)
    temperature = np.array(boxes)
    keep, dew, dews = np.exp(-every_s / 5400), 9.0, []
    for air_c, aim in zip(boxes, (outside - 2.0 + 8.0 * sun).tolist(), strict=True):
        dew = min(keep * dew + (1 - keep) * (aim + 2.0), air_c + 0.15)
        dews.append(dew)
    return Air(at_ms, temperature, _humidity(temperature, np.array(dews)))


def office(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """Heated on weekdays, windows now and then, dry in winter."""
    at_ms, hour = _clock(days, every_s)
    work = ((hour % 168 < 120) & (hour % 24 > 7) & (hour % 24 < 18)).astype(float)
    temperature = 18.0 + 4.0 * _lagged(work, every_s, 2.0) + _wander(draw, len(at_ms), every_s, 20.0, 0.4)
    dew = 2.0 + 3.0 * _lagged(work, every_s, 1.0) + _wander(draw, len(at_ms), every_s, 40.0, 2.5)
    return Air(at_ms, temperature, _humidity(temperature, dew))


def _lagged(drive: Floats, every_s: int, hours: float) -> Floats:
    keep, value, course = np.exp(-every_s / 3600 / hours), 0.0, []
    for aim in drive.tolist():
        value = keep * value + (1 - keep) * aim
        course.append(value)
    return np.array(course)


def roof(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """Under the tiles: 55 degC at noon, frost at night, dew before dawn."""
    at_ms, hour = _clock(days, every_s)
    sun = np.clip(np.sin((hour - 6.5) / 11.0 * np.pi), 0.0, None) * (hour % 24 > 6.5) * (hour % 24 < 17.5)
    outside = -4.0 + 5.0 * np.sin((hour - 9.0) / 24.0 * 2 * np.pi) + _wander(draw, len(at_ms), every_s, 70.0, 6.0)
    cloud = np.clip(0.7 + _wander(draw, len(at_ms), every_s, 2.0, 0.4), 0.1, 1.0)
    temperature = outside + 40.0 * _lagged(sun * cloud, every_s, 0.5)
    dew = np.minimum(_lagged(outside - 2.0 + 6.0 * sun, every_s, 5.0), temperature + 0.1)
    return Air(at_ms, temperature, _humidity(temperature, dew))


def salt_box(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """A closed box over wet salt (75.3 %RH, NaCl at 25 degC, Greenspan 1977) in a room."""
    at_ms, hour = _clock(days, every_s)
    temperature = 21.0 + 0.8 * np.sin((hour - 9.0) / 24.0 * 2 * np.pi) + _wander(draw, len(at_ms), every_s, 30.0, 0.3)
    return Air(at_ms, temperature, 75.3 + _wander(draw, len(at_ms), every_s, 5.0, 0.15))


def bathroom(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """Steam from a shower once or twice a day: 50 to 96 %RH within ten minutes, dry again in an hour or two."""
    at_ms, hour = _clock(days, every_s)
    shower = (hour % 24 > 7.0) & (hour % 24 < 7.3) | (hour % 48 > 21.0) & (hour % 48 < 21.2)
    warm = _lagged(shower.astype(float), every_s, 0.4)
    temperature = 21.0 + 4.0 * warm + _wander(draw, len(at_ms), every_s, 10.0, 0.4)
    dew = 10.0 + 18.0 * _lagged(shower.astype(float), every_s, 0.25) + _wander(draw, len(at_ms), every_s, 20.0, 1.0)
    return Air(at_ms, temperature, _humidity(temperature, np.minimum(dew, temperature - 0.5)))


def fungus_box(draw: np.random.Generator, days: float, every_s: int) -> Air:
    """A mat that switches every half hour, a wet ground, a keeper who opens it daily."""
    at_ms, hour = _clock(days, every_s)
    mat = 0.6 * np.sin(hour * 2 * np.pi / 0.6)
    temperature = 25.5 + mat + _wander(draw, len(at_ms), every_s, 12.0, 0.4)
    opened = _lagged(((hour % 24 > 19.0) & (hour % 24 < 19.15)).astype(float), every_s, 0.3)
    return Air(
        at_ms, temperature - 3.0 * opened, 84.0 - 2.0 * mat - 40.0 * opened + _wander(draw, len(at_ms), every_s, 9.0, 2.0)
    )


MADE: dict[str, Callable[[np.random.Generator, float, int], Air]] = {
    one.__name__: one for one in (cave, still_cave, greenhouse, office, roof, salt_box, bathroom, fungus_box)
}


# ---------------------------------------------------------------- measured air (tests/data/SOURCES.md)


def measured() -> dict[str, Air]:
    """The real series that the project owns, hourly."""
    with (DATA / "half_heated_house.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    at_ms = np.array([round(datetime.fromisoformat(row["time"]).timestamp() * 1000) for row in rows])
    return {
        place: Air(at_ms, *(np.array([float(row[f"{place}_{unit}"]) for row in rows]) for unit in ("c", "pct")))
        for place in ("room", "outside")
    }


# ---------------------------------------------------------------- what becomes of a probe, and what dewlid says


def with_gaps(air: Air, draw: np.random.Generator) -> Air:
    """Nobody hears it for hours, some times."""
    lost = np.zeros(len(air.at_ms), bool)
    for begin_ms in draw.choice(air.at_ms, 4).tolist():
        lost |= (air.at_ms >= begin_ms) & (air.at_ms < begin_ms + draw.choice((1, 7, 40)) * HOUR_MS)
    return Air(air.at_ms[~lost], air.temperature_c[~lost], air.humidity_pct[~lost])


def blames(logger: Logger, air: Air) -> int:
    """How often a lone probe was not believed for longer than its last word holds, though it spoke."""
    settings = _settings({"one": ("nest", logger, air)}, False)
    heard = {
        "air_temperature": Column(air.at_ms, air.at_ms, air.temperature_c),
        "relative_humidity": Column(air.at_ms, air.at_ms, air.humidity_pct),
    }
    _, both = hear(settings, "one", ProbeMemory(int(air.at_ms[0])), heard)  # type: ignore[arg-type]
    unseen = np.zeros(len(air.at_ms), bool)
    for one in both:
        good_ms = np.maximum.accumulate(np.where(one.judged.flag == GOOD, air.at_ms, air.at_ms[0]))
        doubted = (one.judged.flag >= SUSPECT) & (one.judged.test != TESTS.index("begins-extreme"))
        unseen |= (air.at_ms - good_ms > fresh_for_ms(1000 * logger.interval_s)) & doubted
    return int(np.count_nonzero(np.diff(unseen.astype(int), prepend=0) == 1))


def told(probes: dict[str, tuple[Logger, Air]], room: dict[str, tuple[Logger, Air]] | None = None) -> Sequence[Event]:
    """Return the events of a chamber in which these probes hang, and of its room."""
    everyone = {
        **{name: ("nest", *one) for name, one in probes.items()},
        **{n: ("loft", *one) for n, one in (room or {}).items()},
    }
    names, parts = [], []
    for name, (_, _, air) in everyone.items():
        for quantity, value in (("air_temperature", air.temperature_c), ("relative_humidity", air.humidity_pct)):
            parts.append((air.at_ms, np.full(len(value), len(names), np.int32), value))
            names.append((name, quantity))
    at_ms, series, value = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(at_ms, kind="stable")
    batch = Batch(tuple(names), series[order], at_ms[order], at_ms[order], value[order])  # type: ignore[arg-type]
    return advance(_settings(everyone, bool(room)), None, batch, int(at_ms.max()) + 1000).events


def _settings(probes: dict[str, tuple[str, Logger, Air]], room: bool) -> Settings:
    return Settings(
        site=Site(), zone=UTC, rooms={"loft": Room()} if room else {},
        chambers={name: Chamber(room="loft" if room else None) for name in {place for place, *_ in probes.values()} - {"loft"}},
        probes={name: Probe(place=place, interval=1000 * log.interval_s) for name, (place, log, _) in probes.items()},
        telling=Telling(),
    )  # fmt: skip


def raised(events: Sequence[Event], alarm: str) -> list[tuple[int, str | None]]:
    """When an alarm was raised, and of which probe."""
    return [(e.at_ms, e.probe) for e in events if e.kind == "alarm" and e.alarm == alarm and e.change == "raised"]  # type: ignore[union-attr]
