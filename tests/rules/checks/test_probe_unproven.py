"""A humidity probe that stands at its top for a week is asked about, and proves itself by any drier reading."""

from __future__ import annotations

import numpy as np
import pytest
from healthy_air import DAY_MS, HOUR_MS, START_MS, Air, Logger, _settings

from rules.terms.events import AlarmEvent, Batch, Event
from rules.terms.words import OutOfService
from rules.turn.advance import advance

HOURLY = Logger(3600, 0.1, 0.1)


def told(humidity_pct: np.ndarray, *words: OutOfService, cuts: int = 1) -> list[Event]:
    """Return the events of a chamber with one probe that is heard every hour."""
    at_ms = START_MS + np.arange(len(humidity_pct), dtype=np.int64) * HOUR_MS
    values = np.column_stack((20.0 + np.arange(len(at_ms)) % 5 * 0.1, humidity_pct))
    settings = _settings({"one": ("nest", HOURLY, Air(at_ms, values[:, 0], values[:, 1]))}, False)
    state, events = None, []
    for part in np.array_split(np.arange(len(at_ms)), cuts):
        here = np.repeat(at_ms[part], 2)
        series = np.tile(np.array([0, 1], np.int32), len(part))
        mine = tuple(word for word in words if here[0] <= word.taken_ms <= here[-1])
        names = (("one", "air_temperature"), ("one", "relative_humidity"))
        done = advance(settings, state, Batch(names, series, here, here, values[part].ravel(), mine), int(here[-1]) + 1000)
        state, events = done.state, events + list(done.events)
    return events


def turns(events: list[Event]) -> list[tuple[str, float]]:
    """Return how the question turned, and on which day."""
    asked = [e for e in events if isinstance(e, AlarmEvent) and e.alarm == "probe-unproven"]
    assert {e.kind for e in asked} <= {"question"}
    return [(e.change, (e.at_ms - START_MS) / DAY_MS) for e in asked if e.change in ("raised", "returned")]


def wet(days: float) -> np.ndarray:
    return 99.4 + np.arange(round(days * 24)) % 3 * 0.3


def test_it_is_asked_after_a_week_and_answered_by_a_drier_reading() -> None:
    humidity = np.concatenate((wet(7.5), np.full(3, 55.0), wet(0.5)))
    events = told(humidity)
    assert turns(events) == [("raised", 7.0), ("returned", 7.5)]
    assert not [e for e in events if e.kind == "letter" and e.sort != "digest" and "probe-unproven" in str(e.about)]
    assert told(humidity, cuts=50) == events


def test_who_came_down_within_the_week_is_not_asked_about() -> None:
    assert not turns(told(np.concatenate((wet(0.9), np.full(2, 96.9), wet(6.9)))))


def test_wet_air_below_the_top_is_no_reason_to_ask() -> None:
    assert not turns(told(98.0 + np.arange(8 * 24) % 3 * 0.3))
    assert turns(told(np.concatenate((wet(0.2), 98.0 + np.arange(7 * 24) % 3 * 0.3))))


def test_a_probe_that_has_read_no_moisture_since_it_was_hung_up_is_asked_about_after_a_day_and_blamed_for_nothing() -> None:
    """A dead one and a sound one over silica gel say the same; a drier reading than 3 %RH proves nothing."""
    humidity = np.concatenate((np.zeros(36), np.full(4, 2.0), np.full(3, 44.0)))
    events = told(humidity)
    assert turns(events) == [("raised", 1.0), ("returned", pytest.approx(40 / 24))]
    blames = [e.at_ms for e in events if isinstance(e, AlarmEvent) and e.alarm == "probe-fault"]
    assert not [at_ms for at_ms in blames if at_ms < START_MS + 40 * HOUR_MS]
    assert next(e.reason for e in events if e.kind == "question").endswith("has not read above 3 %RH for 1 day")
    assert told(humidity, cuts=20) == events


def test_a_probe_that_was_taken_out_begins_anew() -> None:
    out = OutOfService(taken_ms=START_MS + 2 * DAY_MS, word_id="out", probe="one", for_ms=2 * HOUR_MS)
    assert turns(told(wet(9.5), out)) == [("raised", pytest.approx(9.1, abs=0.1))]
