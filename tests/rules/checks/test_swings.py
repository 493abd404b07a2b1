"""The peaks and troughs of a thermostat that works raise nothing where their mean is right; what is more than that does."""

from __future__ import annotations

import pytest
from heated_box import NOON_MS, HeatedBox, always, chamber, played, settings_of

from rules.terms.events import AlarmEvent

KNOWN_H = 4.0
"""From then on three whole hours show how it swings."""


def wide(**changed) -> HeatedBox:
    """Between 24.1 and 29.0 degC around 26, within an hour and a half."""
    return HeatedBox(width_k=2.0, watts=40.0, inside_j_k=2500.0, room_c=always(20.0), **changed)


def bands(box: HeatedBox, hours: float, setpoint_c: float = 25.5) -> dict[str, list[float]]:
    events = played(settings_of(chamber(setpoint_c)), box.minutes(hours), hours)
    raised = [event for event in events if isinstance(event, AlarmEvent) and event.change == "raised"]
    return {
        name: [(event.at_ms - NOON_MS) / 3_600_000 for event in raised if event.alarm == name]
        for name in ("temperature-high", "temperature-low")
    }


def test_the_peaks_of_a_wide_swing_about_the_right_place_are_not_too_warm_again_and_again():
    course = [air for air, _, _ in wide().minutes(24.0)]
    assert max(course[240:]) > 28.8 and 25.0 < sum(course[240:]) / len(course[240:]) < 27.0
    assert [hour for hours in bands(wide(), 24.0).values() for hour in hours if hour > KNOWN_H] == []


@pytest.mark.parametrize(("setpoint_c", "alarm"), [(29.0, "temperature-high"), (22.0, "temperature-low")])
def test_a_swing_about_the_wrong_place_is_told(setpoint_c, alarm):
    moved = wide(setpoint_c=lambda hour: 25.5 if hour < 8.0 else setpoint_c)
    assert any(8.0 < hour < 12.0 for hour in bands(moved, 16.0)[alarm])


def test_heat_that_stops_within_a_swing_is_told_as_cold():
    stopped = wide(works=lambda hour: float(hour < 8.0))
    assert any(8.0 < hour < 12.0 for hour in bands(stopped, 16.0)["temperature-low"])
