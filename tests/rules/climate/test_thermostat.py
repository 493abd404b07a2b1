"""A thermostat judged at one instant is judged as among many: advice asks for one, checks for all."""

from __future__ import annotations

import numpy as np
import pytest

from rules.climate.thermostat import STATES, Evidence, judged, state_of

COUNT = 3_000
MIDDLES = {
    "air_c": (26.0, 3.0), "slope_k_h": (0.0, 2.0), "room_c": (22.0, 3.0), "room_slope_k_h": (0.0, 1.0), "mat_c": (29.0, 4.0),
    "setpoint_c": (26.0, 1.0), "usual_c": (26.0, 1.0), "peak_c": (26.6, 1.0), "trough_c": (25.4, 1.0), "range_k": (0.8, 0.6),
    "trend_k_h": (0.0, 0.5), "room_high_c": (24.0, 2.0), "room_lately_c": (23.5, 2.0), "lead_k": (3.0, 2.0),
    "high_c": (28.0, 0.5), "low_c": (24.0, 0.5), "since_ms": (1.8e7, 1.4e7), "tau_h": (3.0, 1.0),
}  # fmt: skip


@pytest.mark.parametrize("plugged", [True, False])
def test_one_instant_is_judged_as_among_many_whatever_is_not_known(plugged: bool) -> None:
    random = np.random.default_rng(8)
    figures = {name: np.round(random.normal(*middle, COUNT), 1) for name, middle in MIDDLES.items()}  # rounded: edges are met
    for column in figures.values():
        column[random.random(COUNT) < 0.2] = np.nan
    states = judged(Evidence(**figures), plugged).tolist()
    assert len(set(states)) >= 6 and (STATES.index("unplugged") in states) is not plugged
    for place, state in enumerate(states):
        seen = {name: float(column[place]) for name, column in figures.items()}
        assert state_of(plugged, **{name: None if value != value else value for name, value in seen.items()}) == STATES[state]


@pytest.mark.parametrize(("trend_k_h", "stuck"), [(-1.9, False), (-0.4, True), (None, True)])
def test_a_box_that_cooled_from_hour_to_hour_is_not_stuck_at_a_pause(trend_k_h, stuck):
    """The sun had gone two hours before, and the last reading was one step up (attack from outside)."""
    seen = {"air_c": 29.0, "slope_k_h": 0.0, "room_c": 18.3, "setpoint_c": 25.6, "high_c": 28.0, "low_c": 24.0}
    assert (state_of(True, **seen, trend_k_h=trend_k_h) == "stuck") == stuck
    assert state_of(True, **{**seen, "slope_k_h": 2.5}, trend_k_h=trend_k_h) == "stuck"
