"""A probe that drifts away from its twins within a year is found, and which one; twins that only differ are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from healthy_air import DAY_MS, START_MS, Logger, office, raised, told

HOURLY = Logger(3600, 0.1, 0.1)


def twins(days: float, drift_pct_month: float, count: int = 2, apart_pct: float = 0.5):
    """Probes of one room that differ a little, of which the last one drifts."""
    draw = np.random.default_rng(5)
    air = office(draw, days, 3600)
    month = (air.at_ms - START_MS) / (30 * DAY_MS)
    probes = {}
    for number in range(count):
        off = apart_pct * number + draw.normal(0.0, 0.5, len(air.at_ms))
        off = off + (drift_pct_month * month if number == count - 1 else 0.0)
        one = type(air)(air.at_ms, air.temperature_c + draw.normal(0.0, 0.1, len(air.at_ms)), air.humidity_pct + off)
        probes[f"probe-{number + 1}"] = (HOURLY, HOURLY.hear(one))
    return probes


def reasons(events) -> list[str]:
    return [e.reason for e in events if e.kind == "alarm" and e.alarm == "probes-disagree" and e.change == "raised"]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_of_three_the_one_that_drifts_half_a_percent_a_month_is_named_within_a_year(sign: float) -> None:
    months = 10
    events = told({}, twins(months * 30, sign * 0.5, 3))
    found = raised(events, "probes-disagree")
    assert len(found) == 1
    assert 6 * 30 < (found[0][0] - START_MS) / DAY_MS < months * 30
    assert f"probe-3 has drifted by {sign * 4.0:+.0f}" in reasons(events)[0]


def test_of_two_it_is_said_that_one_is_wrong() -> None:
    (why,) = reasons(told({}, twins(75, 4.0)))
    assert "probe-2" in why
    assert "check both over wet salt" in why


def test_twins_that_differ_but_do_not_drift_are_left_alone() -> None:
    assert not reasons(told({}, twins(75, 0.0, apart_pct=3.5)))
