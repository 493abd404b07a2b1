"""A course that is told seldom is judged as one that is told each minute: at most later, never as its opposite.

A quarter of an hour after an hourly reading a box that warmed was said to stand still (attack from outside). The boxes are of
three heat stores, not of the program's own balance.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
from heated_box import NOON_MS, HeatedBox, always, chamber, readings, settings_of

from rules.climate.seldom import Readings
from rules.settings import Settings
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event, Reading
from rules.trade.acts import ACTS
from rules.turn.advance import advance

HOURS = 30
ON_CHANGE = 0
EVERY_MIN = (5, 10, 15, 30, 60, ON_CHANGE)
STEP = {"air_temperature": 0.5, "relative_humidity": 2.0}


def between(begin: float, end: float, inside: float, outside: float, ramp_h: float = 1.0):
    """Return what goes from one figure to another over some hours, stays there, and comes back as slowly."""
    hours = (begin, begin + ramp_h, end, end + ramp_h)
    return lambda hour: float(np.interp(hour, hours, (outside, inside, inside, outside)))


BOXES = {
    "its mat fails and comes back": HeatedBox(works=between(8.0, 20.0, 0.0, 1.0, 0.01), room_c=always(17.0), inside_j_k=9000.0),
    "its room gets hot": HeatedBox(room_c=between(8.0, 16.0, 33.5, 20.0, 5.0)),
    "its mat sticks": HeatedBox(stuck=between(8.0, 18.0, 1.0, 0.0, 0.01), watts=22.0, inside_j_k=9000.0),
}


def told(settings: Settings, air: list[tuple[float, float, float]], every_min: int) -> Iterator[Reading]:
    """Yield the readings of a course as probes tell them that speak so often, or when something moved and every hour."""
    last: dict[tuple[str, str], Reading] = {}
    for reading in readings(settings, air):
        key, minute = (reading.probe, reading.quantity), (reading.at_ms - NOON_MS) // MINUTE_MS
        before = last.get(key)
        moved = before is None or abs(reading.value - before.value) >= STEP[reading.quantity]
        if minute % (every_min or 60) == 0 or (every_min == ON_CHANGE and moved):
            last[key] = reading
            yield reading


@cache
def events(name: str, every_min: int) -> list[Event]:
    """Return all that is told of a box whose probes speak so often."""
    settings = settings_of(chamber(25.5))
    pace = {"interval": (every_min or 60) * MINUTE_MS}
    probes = {name: probe.model_copy(update=pace) for name, probe in settings.probes.items()}
    settings = settings.model_copy(update={"probes": probes})
    air = list(BOXES[name].minutes(HOURS))
    return list(advance(settings, None, Batch.of(told(settings, air, every_min)), NOON_MS + HOURS * HOUR_MS).events)


def alarms(name: str, every_min: int) -> dict[str, list[float]]:
    """Return at which hours each alarm of heat and cold was raised."""
    found: dict[str, list[float]] = {}
    for event in events(name, every_min):
        if isinstance(event, AlarmEvent) and event.change == "raised" and event.alarm.startswith(("temperature", "heater")):
            found.setdefault(event.alarm, []).append((event.at_ms - NOON_MS) / HOUR_MS)
    return found


def first_steps(name: str, every_min: int) -> list[str]:
    """Return the first step of each wording of what is advised."""
    advice = (event for event in events(name, every_min) if isinstance(event, AdviceEvent))
    return [event.actions[0].text for event in advice if event.status in ("given", "updated")]


@pytest.mark.parametrize("every_min", EVERY_MIN)
@pytest.mark.parametrize("name", BOXES)
def test_it_raises_the_same_alarms_once_and_at_most_later(name: str, every_min: int) -> None:
    often, seldom = alarms(name, 1), alarms(name, every_min)
    late_h = 2.2 * (every_min or 60) / 60.0 + 0.5  # two readings, and where in the hour they fall
    assert often and seldom.keys() == often.keys()
    for alarm, hours in seldom.items():
        assert len(hours) == len(often[alarm]), alarm
        assert all(-0.2 <= late - soon <= late_h for late, soon in zip(hours, often[alarm], strict=True)), alarm


@pytest.mark.parametrize("every_min", EVERY_MIN)
@pytest.mark.parametrize("name", BOXES)
def test_no_alarm_says_of_a_box_that_moves_that_it_stands_or_goes_the_other_way(name: str, every_min: int) -> None:
    air = np.array([row[0] for row in BOXES[name].minutes(HOURS)])
    for event in events(name, every_min):
        minute = (event.at_ms - NOON_MS) // MINUTE_MS
        if not isinstance(event, AlarmEvent) or not event.alarm.startswith(("temperature", "heater")) or minute < 120:
            continue
        moves = np.diff(air[minute - 120 : minute + 1 : 30]) * 2.0  # K per hour
        if (moves > 1.0).all():
            assert "steady" not in event.reason and "falling" not in event.reason, event
        if (moves < -1.0).all():
            assert "steady" not in event.reason and "rising" not in event.reason, event


@pytest.mark.parametrize("every_min", EVERY_MIN)
def test_who_was_told_to_let_it_warm_is_not_sent_to_its_heat_before_the_next_reading(every_min: int) -> None:
    steps = first_steps("its mat fails and comes back", every_min)
    let = steps.index(ACTS["let-warm"].text)
    check = ACTS["check-heater"].text
    assert check in steps[:let] and check not in steps[let:]


@pytest.mark.parametrize("every_min", EVERY_MIN)
def test_no_heater_is_blamed_for_a_hot_room_as_it_cools(every_min: int) -> None:
    assert ACTS["stop-heater"].text not in first_steps("its room gets hot", every_min)


def test_a_slope_ages_where_nothing_is_said_and_is_unknown_after_a_gap() -> None:
    """By hand: 2 K in half an hour; silent for an hour after it, it was at most 2 K in that hour."""
    said = Readings(np.array([0, 30, 400]) * MINUTE_MS, np.array([20_000.0, 22_000.0, 22_500.0]))
    at_ms = np.array([20, 30, 60, 90, 150]) * MINUTE_MS
    assert said.slope_h(at_ms, 15 * MINUTE_MS) == pytest.approx([np.nan, 4.0, 4.0, 2.0, 1.0], nan_ok=True)
    gap = Readings(np.array([0, 30, 120, 400]) * MINUTE_MS, np.array([20_000.0, 22_000.0, np.nan, 22_500.0]))
    assert np.isnan(gap.slope_h(np.array([130, 400, 500]) * MINUTE_MS, 15 * MINUTE_MS)).all()


def test_the_slope_of_one_instant_is_that_of_many_to_the_last_bit() -> None:
    random = np.random.default_rng(20)
    at_ms = np.cumsum(random.integers(1, 90 * MINUTE_MS, 400))
    value_m = np.where(random.random(400) < 0.1, np.nan, random.integers(18_000, 34_000, 400))
    now_ms = random.integers(0, at_ms[-1] + 3 * HOUR_MS, 4_000)
    coarse = Readings.of(at_ms, np.rint(value_m / 4_000.0) * 4_000.0, np.full(400, 4_000.0))
    for said in (Readings.of(at_ms, value_m), Readings.of(at_ms[:0], value_m[:0]), coarse):
        for over_ms in (8 * MINUTE_MS, 15 * MINUTE_MS):
            one_by_one = [said.slope_at(at, over_ms) for at in now_ms.tolist()]
            np.testing.assert_array_equal(one_by_one, said.slope_h(now_ms, over_ms))
