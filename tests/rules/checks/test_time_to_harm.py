"""A time until harm is told only where the course that is told gets there: a box without heat cools to its room, no further."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.climate.onward import reached_s
from rules.settings import Chamber, Devices, Garden, Heater, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch
from rules.trade.bearable import BEARABLE
from rules.turn.advance import advance

START_MS = 1_764_036_000_000


@pytest.mark.parametrize(("way_k", "per_hour", "at_most_k", "hours"), [
    # Cold fades by 4 h: at 1 K/h it goes 4 K in all, and 2 K of them in -4 ln(1 - 2 / 4) = 2.773 h.
    (2.0, 1.0, np.inf, 2.773),
    (3.4, 1.0, np.inf, 7.588),  # -4 ln(1 - 3.4 / 4)
    (3.6, 1.0, np.inf, None),  # 0.4 K beyond is not surely there: half a degree is
    (2.0, 1.0, 2.6, 2.773),
    (2.0, 1.0, 2.4, None),
    (2.0, -1.0, np.inf, None),
    (2.0, 0.0, np.inf, None),
    (0.0, -1.0, 0.0, 0.0),
])  # fmt: skip
def test_a_course_that_fades_and_ends_gets_as_far_as_it_does(
    way_k: float, per_hour: float, at_most_k: float, hours: float | None
) -> None:
    told_s = reached_s(BEARABLE["cold"], way_k, per_hour, at_most_k)
    assert told_s == (None if hours is None else pytest.approx(hours * 3600.0, rel=1e-3))


SETTINGS = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("Europe/Berlin"), rooms={"r": Room()},
    chambers={"nest": Chamber(
        room="r", garden=Garden(volume_ml=800.0), devices=Devices(heater=Heater(watts=5.0, mount="side", setpoint_c=25.8)),
    )},
    probes={"p": Probe(place="nest", interval=MINUTE_MS), "q": Probe(place="r", interval=MINUTE_MS)}, telling=Telling(),
)  # fmt: skip
SERIES = (("p", "air_temperature"), ("p", "relative_humidity"), ("q", "air_temperature"), ("q", "relative_humidity"))
HEATED_H, TAU_H = 30.0, 5.0


def cooling(room_c: float) -> tuple[AlarmEvent, float]:
    """Return what is told first of a heater that ends, and in how many hours from then the box is at 20 degC: Newton's law."""
    minute = np.arange(36 * 60)
    past_h = np.clip(minute / 60.0 - HEATED_H, 0.0, None)
    box_c = room_c + (25.6 - room_c) * np.exp(-past_h / TAU_H) + 0.08 * np.sin(minute / 7.0) * (past_h == 0)
    columns = np.stack([box_c, np.full(len(minute), 80.0), np.full(len(minute), room_c), np.full(len(minute), 55.0)], axis=1)
    columns += 0.02 * np.sin(minute[:, None] * np.array([2.1, 1.7, 1.3, 1.1]))  # as a probe that is read never stands still
    at_ms = START_MS + np.repeat(minute, 4) * MINUTE_MS
    batch = Batch(SERIES, np.tile(np.arange(4), len(minute)), at_ms, at_ms, np.round(columns, 2).ravel())
    events = advance(SETTINGS, None, batch, int(at_ms[-1]) + 1).events
    told = next(event for event in events if isinstance(event, AlarmEvent) and event.alarm == "heater-failed")
    whole_h = -TAU_H * np.log((20.0 - room_c) / (25.6 - room_c)) if room_c < 20.0 else np.inf
    return told, whole_h - ((told.at_ms - START_MS) / HOUR_MS - HEATED_H)


@pytest.mark.parametrize("room_c", [20.3, 19.7])
def test_no_time_is_told_of_a_box_that_ends_near_what_harms(room_c: float) -> None:
    told, _ = cooling(room_c)
    assert "it ends near the room's 20 degC" in told.reason
    assert told.seconds_left is None


@pytest.mark.parametrize("room_c", [12.0, 16.0])
def test_the_time_that_is_told_of_a_colder_room_comes_true(room_c: float) -> None:
    told, true_h = cooling(room_c)
    assert f"it ends near the room's {room_c:.0f} degC" in told.reason
    assert told.seconds_left is not None
    assert 0.6 * true_h < told.seconds_left / 3600.0 < 1.4 * true_h
