"""A small box's humidity swings with each pulse of its mat: a tiny garden dries by the mean of that, and by no trough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Garden, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event, LetterEvent
from rules.turn.advance import Advanced, EngineState, advance

START_MS = 1_763_722_800_000  # 2025-11-21T11:00:00Z
KNOWN_H = 4.0
"""From then on three whole hours show how it swings."""
FOUNDING = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
    probes={"air": Probe(place="nest", interval=MINUTE_MS)},
    chambers={"nest": Chamber(room="study", garden=Garden(volume_ml=4.0, founding=True))},
)
"""Told to want 80 %RH and more; drunk empty by air that dries as 70 %RH does at 26 degC."""


def pulsed(mean_pct: Callable[[float], float], hours: float, minutes: float, depth_pct: float = 8.0) -> Batch:
    """Return what a probe reads: the air warms and dries while the mat is on, faster than it cools and is damp again."""
    hour = np.arange(round(hours * 60.0)) / 60.0
    phase = hour * 60.0 / minutes % 1.0
    pulse = np.where(phase < 0.4, phase / 0.4, (1.0 - phase) / 0.6) * 2.0 - 1.0
    at_ms = START_MS + np.arange(len(hour)) * MINUTE_MS
    mean = np.array([mean_pct(one) for one in hour])
    figures = np.column_stack((np.round(25.6 + 1.8 * pulse, 1), np.round(mean - depth_pct * pulse, 1)))
    return Batch(
        series=(("air", "air_temperature"), ("air", "relative_humidity")),
        series_index=np.tile(np.arange(2, dtype=np.int32), len(at_ms)),
        taken_ms=np.repeat(at_ms, 2), at_ms=np.repeat(at_ms, 2), value=figures.ravel(), items=(),
    )  # fmt: skip


def lived(batch: Batch, state: EngineState | None = None) -> Advanced:
    return advance(FOUNDING, state, batch, int(batch.at_ms[-1]) + 1)


def part_of(batch: Batch, begin: int, end: int) -> Batch:
    return replace(batch, **{name: getattr(batch, name)[begin:end] for name in ("series_index", "taken_ms", "at_ms", "value")})


def raised_h(events: list[Event]) -> list[float]:
    """Return the hours from which on dryness is told, but for the first, in which no swing is known."""
    alarms = [one for one in events if isinstance(one, AlarmEvent) and one.alarm == "humidity-low" and one.change == "raised"]
    return [hour for one in alarms if (hour := (one.at_ms - START_MS) / HOUR_MS) > KNOWN_H]


@pytest.mark.parametrize("minutes", [18.0, 30.0, 42.0])
def test_what_comes_back_with_each_pulse_raises_nothing_and_asks_for_nothing(minutes: float) -> None:
    events = lived(pulsed(lambda hour: 85.0 if hour < KNOWN_H else 82.0, 24.0, minutes, depth_pct=11.0)).events
    told = [one for one in events if isinstance(one, AlarmEvent | AdviceEvent) and one.at_ms > START_MS + KNOWN_H * HOUR_MS]
    assert [one for one in told if getattr(one, "alarm", "humidity-low") == "humidity-low"] == []


@pytest.mark.parametrize("minutes", [18.0, 42.0])
@pytest.mark.parametrize(("per_hour", "end", "within_h"), [(8.0, 62.0, 0.9), (3.0, 72.0, 2.0), (1.0, 72.0, 2.3)])
def test_a_true_drying_below_the_pulses_is_told(minutes: float, per_hour: float, end: float, within_h: float) -> None:
    pulses = pulsed(lambda hour: max(end, 84.0 - per_hour * max(hour - 6.0, 0.0)), 14.0, minutes)
    assert 6.0 < raised_h(lived(pulses).events)[0] < 6.0 + 4.0 / per_hour + within_h


@pytest.mark.parametrize("minutes", [18.0, 30.0, 42.0])
def test_what_is_dry_on_its_mean_is_told_once_and_not_with_each_pulse(minutes: float) -> None:
    events = lived(pulsed(lambda hour: max(79.0, 85.0 - 8.0 * max(hour - KNOWN_H, 0.0)), 24.0, minutes)).events
    assert len(raised_h(events)) == 1
    assert len([one for one in events if isinstance(one, LetterEvent) and one.urgent]) <= 2


def test_water_that_was_given_ends_it_within_two_hours() -> None:
    watered = pulsed(lambda hour: 85.0 if not KNOWN_H < hour < 10.0 else 77.0, 14.0, 30.0)
    back = [one.at_ms for one in lived(watered).events if isinstance(one, AlarmEvent) and one.change == "returned"]
    assert 10.0 < (back[-1] - START_MS) / HOUR_MS < 12.0


@pytest.mark.parametrize("size", [26, 1002])
def test_pulses_say_the_same_however_they_are_cut(size: int) -> None:
    pulses = pulsed(lambda hour: 83.0 - 0.5 * hour, 14.0, 42.0)
    whole, state = lived(pulses), None
    events: list[Event] = []
    for begin in range(0, len(pulses.at_ms), size):
        piece = lived(part_of(pulses, begin, begin + size), state)
        state, events = piece.state, [*events, *piece.events]
    assert events == whole.events
    assert state == whole.state
