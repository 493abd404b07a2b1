"""Correcting a probe: salts, equilibrium, one and two points, comparison; and a wetted probe told from wet air."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from pydantic import TypeAdapter

from rules.physics.salt_points import (
    SALTS,
    Correction,
    FixedPoint,
    Point,
    Sample,
    by_comparison,
    check_point,
    due_ms,
    equilibrium,
    one_point,
    paired,
    salt_point,
    two_point,
)
from rules.physics.saturation import OutOfRange
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS


def test_potassium_nitrate_is_not_offered() -> None:
    assert "potassium-nitrate" not in SALTS
    with pytest.raises(KeyError):
        salt_point("potassium-nitrate", 25.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("salt", list(SALTS))
@pytest.mark.parametrize("temperature", [14.9, 30.1, math.nan])
def test_salt_point_is_only_given_where_its_uncertainty_is_known(salt: str, temperature: float) -> None:
    with pytest.raises(OutOfRange, match="15 to 30 degC"):
        salt_point(salt, temperature)  # type: ignore[arg-type]


def test_salt_point_is_less_sure_when_probe_and_solution_differ_in_temperature() -> None:
    together, apart = salt_point("sodium-chloride", 25.0, 0.0), salt_point("sodium-chloride", 25.0, 0.1)
    assert together.u_pct == pytest.approx(0.12 / math.sqrt(3.0))
    assert apart.u_pct == pytest.approx(math.hypot(together.u_pct, 75.3 * 0.0597 * 0.1), rel=0.01)
    assert apart.relative_humidity_pct == together.relative_humidity_pct


def test_every_salt_needs_hours_and_potassium_sulphate_a_day() -> None:
    assert SALTS["potassium-sulphate"].soak_for_ms == DAY_MS
    assert min(facts.soak_for_ms for facts in SALTS.values()) == 8 * HOUR_MS


# ---------------------------------------------------------------- equilibrium


def closed_box(hours: float, drift_pct_h: float = 0.0, drift_k_h: float = 0.0, noise: float = 0.03) -> list[Sample]:
    """A probe in a box over table salt: approach with a time constant of 1 h, then a drift."""
    points = np.random.default_rng(5)
    minutes = np.arange(0.0, hours * 60.0 + 0.5, 1.0)
    humidity = 75.3 - 20.0 * np.exp(-minutes / 60.0) + drift_pct_h * minutes / 60.0 + points.normal(0.0, noise, minutes.size)
    temperature = 24.0 + drift_k_h * minutes / 60.0
    return [
        (int(minute * MINUTE_MS), float(rh), float(t)) for minute, rh, t in zip(minutes, humidity, temperature, strict=True)
    ]


def test_probe_that_has_soaked_and_lies_flat_is_settled_and_reads_its_mean() -> None:
    found = equilibrium(closed_box(10.0))
    assert found.settled
    assert found.lacking == ""
    assert found.wait_for_ms == 0
    assert found.relative_humidity_pct == pytest.approx(75.3, abs=0.02)
    assert found.u_relative_humidity_pct == pytest.approx(0.03, abs=0.01)
    assert found.temperature_c == pytest.approx(24.0)


@pytest.mark.parametrize(
    ("samples", "lacking"),
    [
        (closed_box(3.0), r"soaked 3\.0 h of 8 h"),
        (closed_box(10.0, drift_pct_h=0.3), r"humidity still drifts by \+0\.30 %RH per hour"),
        (closed_box(10.0, drift_k_h=-0.5), r"temperature drifts by -0\.50 K per hour"),
        (closed_box(10.0)[::15], "too few readings"),
        (closed_box(10.0)[:-100] + closed_box(10.0)[-40:], "too few readings"),
        ([], "no readings yet"),
        ([(0, math.nan, 24.0)] * 50, "no readings yet"),
    ],
)
def test_what_is_lacking_for_equilibrium_is_said(samples: list[Sample], lacking: str) -> None:
    found = equilibrium(samples)
    assert not found.settled
    assert found.wait_for_ms > 0
    assert re.search(lacking, found.lacking)


def test_salt_that_needs_a_day_is_waited_for_a_day() -> None:
    found = equilibrium(closed_box(10.0), SALTS["potassium-sulphate"].soak_for_ms)
    assert not found.settled
    assert found.wait_for_ms == 14 * HOUR_MS


def test_samples_out_of_order_and_with_holes_are_taken() -> None:
    samples = closed_box(10.0)
    holed = [(at, math.nan, t) if at % (7 * MINUTE_MS) == 0 else (at, rh, t) for at, rh, t in samples]
    assert equilibrium(list(reversed(holed))).settled


# ---------------------------------------------------------------- offset and gain


def point(raw: float, true: FixedPoint, u_raw: float = 0.1) -> Point:
    return Point(raw, u_raw, true.relative_humidity_pct, true.u_pct)


NACL, KCL, K2SO4 = (salt_point(name, 25.0) for name in ("sodium-chloride", "potassium-chloride", "potassium-sulphate"))


def test_one_point_moves_the_probe_and_leaves_its_gain() -> None:
    fit = one_point(point(73.0, NACL))
    assert (fit.gain, fit.u_gain) == (1.0, 0.0)
    assert fit.corrected(73.0) == pytest.approx(NACL.relative_humidity_pct)
    assert fit.standard_uncertainty_at(60.0) == pytest.approx(math.hypot(0.1, NACL.u_pct))


def test_two_points_are_both_met_and_the_uncertainty_at_each_is_its_own() -> None:
    fit = two_point(point(73.0, NACL), point(94.0, K2SO4))
    assert fit.corrected(73.0) == pytest.approx(NACL.relative_humidity_pct)
    assert fit.corrected(94.0) == pytest.approx(K2SO4.relative_humidity_pct)
    assert fit.standard_uncertainty_at(73.0) == pytest.approx(math.hypot(NACL.u_pct, fit.gain * 0.1))
    assert fit.standard_uncertainty_at(94.0) == pytest.approx(math.hypot(K2SO4.u_pct, fit.gain * 0.1))
    assert fit.standard_uncertainty_at(50.0) > fit.standard_uncertainty_at(85.0)


def test_two_point_uncertainty_agrees_with_monte_carlo() -> None:
    draw = np.random.default_rng(9)
    low, high = point(73.0, NACL), point(94.0, K2SO4)
    fit = two_point(low, high)
    x1, r1 = draw.normal(low.raw, low.u_raw, 100_000), draw.normal(low.true, low.u_true, 100_000)
    x2, r2 = draw.normal(high.raw, high.u_raw, 100_000), draw.normal(high.true, high.u_true, 100_000)
    gains = (r2 - r1) / (x2 - x1)
    offsets = r1 - gains * x1
    assert fit.u_gain == pytest.approx(float(gains.std()), rel=0.05)
    assert fit.u_offset == pytest.approx(float(offsets.std()), rel=0.05)
    assert fit.covariance == pytest.approx(float(np.cov(gains, offsets)[0, 1]), rel=0.05)
    assert fit.standard_uncertainty_at(82.0) == pytest.approx(float((gains * 82.0 + offsets).std()), rel=0.05)


def test_points_too_near_to_each_other_are_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match="take salts further apart"):
        two_point(point(75.0, NACL), point(84.0, KCL))


def test_third_salt_condemns_a_probe_that_is_bent_in_between() -> None:
    fit = two_point(point(73.0, NACL), point(94.0, K2SO4))
    straight = (KCL.relative_humidity_pct - fit.offset) / fit.gain
    assert check_point(fit, point(straight, KCL)).acceptable
    bent = check_point(fit, point(straight + 2.0, KCL))
    assert not bent.acceptable
    assert bent.residual == pytest.approx(2.0 * fit.gain)
    assert 0.1 < bent.u_residual < 1.5


def test_correction_survives_json() -> None:
    adapter = TypeAdapter(Correction)
    fit = two_point(point(73.0, NACL), point(94.0, K2SO4))
    assert adapter.validate_json(adapter.dump_json(fit)) == fit


# ---------------------------------------------------------------- comparison


def side_by_side(span: float, gain: float = 1.0, offset: float = -1.5, noise: float = 0.2) -> list[tuple[float, float]]:
    draw = np.random.default_rng(11)
    raw = 70.0 + span * (np.arange(400) % 100) / 99.0
    return list(zip(raw.tolist(), (gain * raw + offset + draw.normal(0.0, noise, 400)).tolist(), strict=True))


def test_probe_beside_a_better_one_gets_an_offset_that_is_no_surer_than_the_better_one() -> None:
    fit = by_comparison(side_by_side(3.0), 0.4)
    assert fit.gain == 1.0
    assert fit.offset == pytest.approx(-1.5, abs=0.05)
    assert fit.u_offset >= 0.4


def test_gain_is_fitted_only_over_a_wide_span() -> None:
    fit = by_comparison(side_by_side(25.0, gain=1.08, offset=-8.0), 0.4)
    assert fit.gain == pytest.approx(1.08, abs=0.01)
    assert fit.corrected(80.0) == pytest.approx(1.08 * 80.0 - 8.0, abs=0.1)
    assert fit.standard_uncertainty_at(82.5) == pytest.approx(0.4, abs=0.02)
    assert fit.standard_uncertainty_at(40.0) > fit.standard_uncertainty_at(82.5)


def test_too_few_common_readings_are_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match="at least 20 are needed: let them lie together longer"):
        by_comparison(side_by_side(3.0)[:19], 0.4)


def test_only_readings_of_the_same_minute_are_paired_and_nan_is_left_out() -> None:
    probe = [(0, 70.0), (5 * MINUTE_MS, 71.0), (10 * MINUTE_MS, math.nan), (20 * MINUTE_MS, 73.0)]
    reference = [(20_000, 72.0), (5 * MINUTE_MS - 10_000, 73.0), (5 * MINUTE_MS + 30_000, 99.0), (10 * MINUTE_MS, 74.0)]
    assert paired(probe, reference) == [(70.0, 72.0), (71.0, 73.0)]
    assert paired(probe, []) == []


def test_check_is_due_when_the_last_one_no_longer_holds() -> None:
    assert due_ms(None, 90 * DAY_MS) is None
    assert due_ms(1_000, 90 * DAY_MS) == 1_000 + 90 * DAY_MS
