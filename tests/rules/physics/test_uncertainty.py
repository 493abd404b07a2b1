"""Propagated uncertainty against Monte Carlo (JCGM 101), and the probability that the lid is wet."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rules.physics import moist_air, vapour
from rules.physics.uncertainty import (
    absolute_humidity_uncertainty_g_m3,
    dew_margin_uncertainty_k,
    dew_margin_uncertainty_of_measured_lid_k,
    dew_point_sensitivities,
    dew_point_uncertainty_k,
    humidity_standard_uncertainty_pct,
    probability_below,
    probability_wet,
    standard_uncertainty_from_limits,
    vapour_pressure_deficit_uncertainty_pa,
    vapour_pressure_uncertainty_pa,
)

U_T, U_RH = standard_uncertainty_from_limits(0.3), standard_uncertainty_from_limits(2.0)
DRAWS = 200_000  # the Monte Carlo deviation itself is then known to 0.16 %
PLACES = [(20.0, 50.0), (24.0, 70.0), (26.0, 80.0), (26.0, 92.0), (28.0, 60.0)]


def draws(limits: float, centre: float, seed: int) -> np.ndarray:
    return centre + np.random.default_rng(seed).uniform(-limits, limits, DRAWS)


def probe(temperature: float, humidity: float, limits_k: float = 0.3, limits_pct: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    return draws(limits_k, temperature, 1), draws(limits_pct, humidity, 2)


PROPAGATED: list[tuple[str, Callable[..., Any], Callable[..., Any]]] = [
    ("dew point", vapour.dew_point_c_or_nan, lambda t, rh: dew_point_uncertainty_k(t, rh, U_T, U_RH)),
    ("vapour pressure", vapour.vapour_pressure_pa_or_nan, lambda t, rh: vapour_pressure_uncertainty_pa(t, rh, U_T, U_RH)),
    (
        "vapour pressure deficit",
        vapour.vapour_pressure_deficit_pa_or_nan,
        lambda t, rh: vapour_pressure_deficit_uncertainty_pa(t, rh, U_T, U_RH),
    ),
    (
        "absolute humidity",
        moist_air.absolute_humidity_g_m3_or_nan,
        lambda t, rh: absolute_humidity_uncertainty_g_m3(t, rh, U_T, U_RH),
    ),
]


@pytest.mark.parametrize(("name", "value", "uncertainty"), PROPAGATED, ids=[row[0] for row in PROPAGATED])
@pytest.mark.parametrize(("temperature", "humidity"), PLACES)
def test_first_order_uncertainty_agrees_with_monte_carlo_within_5_percent(
    name: str, value: Callable[..., Any], uncertainty: Callable[..., Any], temperature: float, humidity: float
) -> None:
    drawn = value(*probe(temperature, humidity))
    assert uncertainty(temperature, humidity) == pytest.approx(float(np.std(drawn)), rel=0.05), name


def test_a_poor_probe_is_still_propagated_within_5_percent() -> None:
    drawn = vapour.dew_point_c_or_nan(*probe(26.0, 75.0, 1.0, 5.0))
    u_t, u_rh = standard_uncertainty_from_limits(1.0), standard_uncertainty_from_limits(5.0)
    assert dew_point_uncertainty_k(26.0, 75.0, u_t, u_rh) == pytest.approx(float(np.std(drawn)), rel=0.05)


@pytest.mark.parametrize("temperature", [10.0, 26.0, 40.0])
def test_near_saturation_the_spread_is_overstated_and_the_mean_lies_lower_as_stated(temperature: float) -> None:
    for u_rh in (1.155, 2.3, 5.0):  # a probe that reads above 100 %RH is counted as one at 100
        seeded = np.random.default_rng(3)
        air, noise = temperature + 0.17 * seeded.standard_normal(DRAWS), u_rh * seeded.standard_normal(DRAWS)
        for humidity, most in ((100.0 - 1.5 * u_rh, 1.05), (100.0, 1.65)):
            drawn = vapour.dew_point_c_or_nan(air, np.clip(humidity + noise, 0.5, 104.0))
            claimed = dew_point_uncertainty_k(temperature, humidity, 0.17, u_rh)
            assert 0.95 < claimed / float(np.std(drawn)) < most
            assert -0.4 < float(np.mean(drawn)) - vapour.dew_point_c(temperature, humidity) < 0.01


@pytest.mark.parametrize(("temperature", "humidity"), PLACES)
@pytest.mark.parametrize("room", [16.0, 20.0, 23.0])
def test_margin_of_an_estimated_lid_agrees_with_monte_carlo_in_which_one_thermometer_error_acts_twice(
    temperature: float, humidity: float, room: float
) -> None:
    t, rh = probe(temperature, humidity)
    t_room, factor = draws(0.3, room, 3), draws(0.11, 0.43, 4)
    drawn = t_room + factor * (t - t_room) - vapour.dew_point_c_or_nan(t, rh)
    ours = dew_margin_uncertainty_k(temperature, humidity, U_T, U_RH, room, U_T, 0.43, standard_uncertainty_from_limits(0.11))
    assert ours == pytest.approx(float(np.std(drawn)), rel=0.05)


def test_margin_under_a_measured_lid_agrees_with_monte_carlo() -> None:
    t, rh = probe(26.0, 80.0)
    drawn = draws(0.3, 22.0, 5) - vapour.dew_point_c_or_nan(t, rh)
    ours = dew_margin_uncertainty_of_measured_lid_k(26.0, 80.0, U_T, U_RH, U_T)
    assert ours == pytest.approx(float(np.std(drawn)), rel=0.05)


def test_error_of_the_chamber_thermometer_partly_cancels_under_an_estimated_lid() -> None:
    alone = dew_margin_uncertainty_k(26.0, 80.0, 0.5, 0.0, 20.0, 0.0, 0.42, 0.0)
    assert alone < 0.6 * dew_point_uncertainty_k(26.0, 80.0, 0.5, 0.0)


def test_sensitivities_are_the_slopes_of_the_dew_point() -> None:
    c_t, c_u = dew_point_sensitivities(26.0, 80.0)
    h = 1e-4
    assert c_t == pytest.approx((vapour.dew_point_c(26.0 + h, 80.0) - vapour.dew_point_c(26.0 - h, 80.0)) / (2 * h), rel=1e-6)
    assert c_u == pytest.approx((vapour.dew_point_c(26.0, 80.0 + h) - vapour.dew_point_c(26.0, 80.0 - h)) / (2 * h), rel=1e-6)


def test_bad_readings_have_no_uncertainty_that_looks_right() -> None:
    temperatures = np.array([26.0, math.nan, -300.0, 26.0, 26.0])
    humidities = np.array([80.0, 80.0, 80.0, 130.0, 0.0])
    for result in (
        dew_point_uncertainty_k(temperatures, humidities, U_T, U_RH),
        vapour_pressure_uncertainty_pa(temperatures, humidities, U_T, U_RH),
        vapour_pressure_deficit_uncertainty_pa(temperatures, humidities, U_T, U_RH),
        absolute_humidity_uncertainty_g_m3(temperatures, humidities, U_T, U_RH),
    ):
        assert np.isfinite(result).tolist() == [True, False, False, False, False]
    assert math.isnan(dew_point_uncertainty_k(-300.0, 80.0, U_T, U_RH))
    assert math.isnan(dew_point_uncertainty_k(26.0, 130.0, U_T, U_RH))


def test_numbers_and_arrays_agree() -> None:
    t, rh = np.array([24.0, 26.0]), np.array([70.0, 92.0])
    one_by_one = [dew_point_uncertainty_k(a, b, U_T, U_RH) for a, b in zip(t.tolist(), rh.tolist(), strict=True)]
    np.testing.assert_allclose(dew_point_uncertainty_k(t, rh, U_T, U_RH), one_by_one, rtol=1e-12)
    assert type(dew_point_uncertainty_k(24.0, 70.0, U_T, U_RH)) is float
    margins, widths = np.array([-0.5, 0.0, 2.0]), np.array([0.5, 0.3, 0.0])
    assert probability_wet(margins, widths).tolist() == [
        probability_wet(a, b) for a, b in zip(margins.tolist(), widths.tolist(), strict=True)
    ]


def test_probability_wet_is_even_at_zero_margin_and_certain_without_uncertainty() -> None:
    assert probability_wet(0.0, 0.4) == 0.5
    assert probability_wet(-1.0, 0.0) == 1.0
    assert probability_wet(1.0, 0.0) == 0.0
    assert probability_wet(0.0, 0.0) == 0.5
    assert math.isnan(probability_wet(math.nan, 0.0))
    assert math.isnan(probability_wet(1.0, math.nan))
    assert probability_wet(-1.6449, 1.0) == pytest.approx(0.95, abs=1e-4)  # the 95 % quantile of the normal distribution
    assert probability_below(3.0, 1.0, limit=3.0) == 0.5


def test_poorer_probe_is_less_sure_on_both_sides_of_the_dew_point() -> None:
    assert probability_wet(-0.5, 0.3) > probability_wet(-0.5, 0.9) > 0.5 > probability_wet(0.5, 0.9) > probability_wet(0.5, 0.3)


def test_humidity_probes_are_trusted_less_near_saturation() -> None:
    assert humidity_standard_uncertainty_pct(85.0, 2.0) == pytest.approx(2.0 / math.sqrt(3.0))
    assert humidity_standard_uncertainty_pct(97.0, 2.0) == pytest.approx(4.0 / math.sqrt(3.0))
    np.testing.assert_allclose(
        humidity_standard_uncertainty_pct(np.array([85.0, 92.5, 97.0]), 2.0), np.array([1.0, 1.5, 2.0]) * 2.0 / math.sqrt(3.0)
    )
