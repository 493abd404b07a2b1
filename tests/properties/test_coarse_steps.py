"""One step of a probe that tells whole kelvins is no course: how fast it moves is told by how long it was read as before.

One step up in the quarter of an hour after the sun had gone was "rising by 4.0 K per hour", and the heater was to be unplugged
again (attack from outside). Courses by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.climate.seldom import Readings
from rules.terms.events import MINUTE_MS

QUARTER_MS = 15 * MINUTE_MS


def slopes(values_c: list[float], step_k: float, now_min: list[float] | None = None) -> list[float]:
    """Return the slope of a quarter of an hour at each reading, one a quarter of an hour, or at other minutes."""
    at_ms = np.arange(len(values_c)) * QUARTER_MS
    said = Readings(at_ms, 1000.0 * np.array(values_c), np.full(len(at_ms), 1000.0 * step_k))
    now_ms = at_ms if now_min is None else np.array(now_min) * MINUTE_MS
    return said.slope_h(now_ms.astype(np.int64), QUARTER_MS).tolist()


def test_one_step_back_after_a_fall_is_no_rise() -> None:
    """(attack from outside)"""
    assert slopes([31.0, 30.0, 29.0, 28.0, 28.0, 29.0], 1.0)[-1] == 0.0


def test_one_step_back_after_a_plain_fall_is_a_rise() -> None:
    assert slopes([29.0, 29.0, 25.0, 26.0], 1.0)[-1] == pytest.approx(4.0)


def test_one_step_after_a_long_stand_took_as_long_as_the_stand() -> None:
    """(attack from outside) By hand: 25 degC for two hours, then 24: half a kelvin an hour, and less while it stays there."""
    course = [25.0] * 8 + [24.0]
    assert slopes(course, 1.0)[-1] == pytest.approx(-0.5)
    assert slopes(course, 1.0, [180.0, 240.0]) == pytest.approx([-1.0 / 2.0, -1.0 / 2.0])


def test_a_steady_fall_is_told_between_its_steps_too() -> None:
    """By hand: 2 K per hour, of which every second reading is one step lower."""
    told = slopes([26.0, 26.0, 25.0, 25.0, 24.0, 24.0, 23.0, 23.0], 1.0)[2:]
    assert told == pytest.approx([-2.0, -4.0 / 3.0] * 3)


def test_what_is_more_than_one_step_is_told_as_before_and_fine_steps_too() -> None:
    assert slopes([26.0, 26.0, 28.0], 1.0)[-1] == pytest.approx(8.0)
    assert slopes([26.0, 26.0, 26.0, 27.0], 0.1)[-1] == pytest.approx(4.0)


def test_the_slopes_are_the_same_after_any_of_the_readings_was_remembered() -> None:
    random = np.random.default_rng(7)
    value = np.round(25.0 + np.cumsum(random.normal(0.0, 0.35, 300)))
    value[random.random(300) < 0.05] = np.nan
    at_ms = np.cumsum(random.integers(3, 40, 300)) * MINUTE_MS
    step = np.full(300, 1.0)
    whole = Readings(at_ms[:0], value[:0]).went_on(at_ms, value, at_ms, step)
    part = Readings(at_ms[:0], value[:0])
    for place in range(300):
        one = slice(place, place + 1)
        part = Readings.remembered(part.kept(int(at_ms[place - 1]))) if place else part
        part = part.went_on(at_ms[one], value[one], at_ms[one], step[one])
        for over_ms in (8 * MINUTE_MS, QUARTER_MS, 25 * MINUTE_MS):
            now_ms = at_ms[one]
            np.testing.assert_array_equal(part.slope_h(now_ms, over_ms), whole.slope_h(now_ms, over_ms))
            before_ms = now_ms - 10 * MINUTE_MS
            np.testing.assert_array_equal(part.slope_h(before_ms, over_ms), whole.slope_h(before_ms, over_ms))
