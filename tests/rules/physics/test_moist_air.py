"""Moist air: shapes, ranges, bad input, and that one value and an array are the same calculation."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from rules.physics import moist_air, vapour
from rules.physics.saturation import BLOCK, OutOfRange

BY_TEMPERATURE_AND_HUMIDITY: list[Callable[..., Any]] = [
    vapour.vapour_pressure_pa,
    vapour.dew_point_c,
    vapour.vapour_pressure_deficit_pa,
    moist_air.absolute_humidity_g_m3,
    moist_air.density_kg_m3,
]
NEVER_RAISING: list[Callable[..., Any]] = [
    vapour.dew_point_c_or_nan,
    vapour.vapour_pressure_pa_or_nan,
    vapour.vapour_pressure_deficit_pa_or_nan,
    moist_air.absolute_humidity_g_m3_or_nan,
]
every_function = pytest.mark.parametrize("function", BY_TEMPERATURE_AND_HUMIDITY, ids=lambda function: function.__name__)
every_silent_function = pytest.mark.parametrize("function", NEVER_RAISING, ids=lambda function: function.__name__)


def grid() -> tuple[np.ndarray, np.ndarray]:
    temperatures, humidities = np.meshgrid(np.linspace(-20.0, 60.0, 81), np.linspace(20.0, 104.0, 29))
    return temperatures.ravel(), humidities.ravel()


@every_function
def test_one_value_in_gives_a_plain_float_out(function: Callable[..., Any]) -> None:
    assert type(function(26.0, 80.0)) is float
    assert type(function(26, 80)) is float
    assert type(function(np.float64(26.0), np.float64(80.0))) is float


@every_function
def test_array_and_single_values_agree_to_1e_12(function: Callable[..., Any]) -> None:
    temperatures, humidities = grid()
    together = function(temperatures, humidities)
    one_by_one = [function(t, rh) for t, rh in zip(temperatures.tolist(), humidities.tolist(), strict=True)]
    assert together.dtype == np.float64
    np.testing.assert_allclose(together, one_by_one, rtol=1e-12, atol=1e-12)


@every_function
def test_arrays_broadcast_against_each_other_and_against_single_values(function: Callable[..., Any]) -> None:
    temperatures, humidities = np.array([[20.0], [26.0]]), np.array([60.0, 80.0, 95.0])
    result = function(temperatures, humidities)
    assert result.shape == (2, 3)
    assert result[1, 2] == pytest.approx(function(26.0, 95.0), rel=1e-12)
    assert function(26.0, humidities)[2] == pytest.approx(function(26.0, 95.0), rel=1e-12)
    assert function(temperatures, 95.0)[1, 0] == pytest.approx(function(26.0, 95.0), rel=1e-12)


@every_function
def test_nan_in_gives_nan_out_and_leaves_its_neighbours_alone(function: Callable[..., Any]) -> None:
    assert math.isnan(function(math.nan, 80.0))
    assert math.isnan(function(26.0, math.nan))
    result = function(np.array([26.0, math.nan, 26.0]), np.array([80.0, 80.0, math.nan]))
    assert result[0] == pytest.approx(function(26.0, 80.0), rel=1e-12)
    assert np.isnan(result[1:]).all()


@every_function
@pytest.mark.parametrize(
    ("temperature", "humidity", "quantity", "value", "allowed"),
    [
        (26.0, 130.0, "relative_humidity_pct", 130.0, "above 0 to 104 %RH"),
        (26.0, 0.0, "relative_humidity_pct", 0.0, "above 0 to 104 %RH"),
        (26.0, -1.0, "relative_humidity_pct", -1.0, "above 0 to 104 %RH"),
        (-300.0, 80.0, "temperature_c", -300.0, "-40 to 80 degC"),
        (80.5, 80.0, "temperature_c", 80.5, "-40 to 80 degC"),
        (math.inf, 80.0, "temperature_c", math.inf, "-40 to 80 degC"),
    ],
)
def test_what_is_out_of_range_is_named_with_its_value_and_what_is_allowed(
    function: Callable[..., Any], temperature: float, humidity: float, quantity: str, value: float, allowed: str
) -> None:
    with pytest.raises(OutOfRange) as caught:
        function(temperature, humidity)
    assert (caught.value.quantity, caught.value.value, caught.value.allowed) == (quantity, value, allowed)
    assert all(part in str(caught.value) for part in (quantity, f"{value:g}", allowed))
    with pytest.raises(OutOfRange, match=quantity):
        function(np.array([26.0, temperature]), np.array([80.0, humidity]))


@every_function
@pytest.mark.parametrize("nonsense", ["26", "warm", None, True, ["26"], 1j])
def test_what_is_no_number_is_refused_by_name(function: Callable[..., Any], nonsense: Any) -> None:
    with pytest.raises(TypeError, match=r"temperature_c = .* is not a number"):
        function(nonsense, 80.0)
    with pytest.raises(TypeError, match=r"relative_humidity_pct = .* is not a number"):
        function(26.0, nonsense)


@pytest.mark.parametrize("pressure", [0.0, 49_999.0, 200_000.0])
def test_pressure_outside_the_inhabited_range_is_refused(pressure: float) -> None:
    with pytest.raises(OutOfRange, match="pressure_pa"):
        moist_air.density_kg_m3(26.0, 80.0, pressure)


def test_probe_overshoot_up_to_104_counts_as_saturated() -> None:
    for humidity in (100.0, 101.0, 104.0):
        assert vapour.dew_point_c(26.0, humidity) == pytest.approx(26.0, abs=1e-9)
        assert vapour.vapour_pressure_pa(26.0, humidity) == vapour.saturation_vapour_pressure_pa(26.0)
        assert vapour.vapour_pressure_deficit_pa(26.0, humidity) == 0.0
    assert np.abs(vapour.dew_point_c_or_nan(np.full(3, 26.0), np.array([100.0, 101.0, 104.0])) - 26.0).max() < 1e-9


def test_air_so_dry_that_its_dew_point_leaves_the_range_is_refused_with_the_least_humidity_allowed() -> None:
    with pytest.raises(OutOfRange, match=r"relative_humidity_pct = 0.5 .* at 20 degC 0.81 to 104 %RH"):
        vapour.dew_point_c(20.0, 0.5)
    with pytest.raises(OutOfRange, match=r"relative_humidity_pct = 0\.5"):
        vapour.dew_point_c(np.array([20.0, 20.0]), np.array([50.0, 0.5]))
    assert np.isnan(vapour.dew_point_c_or_nan(20.0, 0.5))


@every_silent_function
def test_never_raising_form_gives_nan_exactly_where_the_other_would_raise(function: Callable[..., Any]) -> None:
    name = function.__name__.removesuffix("_or_nan")
    strict = getattr(vapour, name, None) or getattr(moist_air, name)
    temperatures = np.array([26.0, -300.0, 90.0, 26.0, 26.0, math.nan, 26.0, math.inf, 24.0])
    humidities = np.array([80.0, 80.0, 80.0, 130.0, 0.0, 80.0, math.nan, 80.0, 103.0])
    result = function(temperatures, humidities)
    good = [0, 8]
    assert np.flatnonzero(~np.isnan(result)).tolist() == good
    for index in good:
        assert result[index] == pytest.approx(strict(temperatures[index], humidities[index]), rel=1e-12)


@every_silent_function
def test_never_raising_form_takes_nothing_and_a_single_value(function: Callable[..., Any]) -> None:
    assert function(np.empty(0), np.empty(0)).shape == (0,)
    assert function(26.0, 80.0).shape == ()


@every_silent_function
def test_never_raising_form_still_refuses_text(function: Callable[..., Any]) -> None:
    with pytest.raises(TypeError, match="temperature_c"):
        function(np.array(["26"]), np.array([80.0]))


def test_long_array_gives_the_same_bits_however_it_is_cut() -> None:
    points = np.random.default_rng(3)
    temperatures, humidities = points.uniform(5.0, 40.0, 2 * BLOCK + 7), points.uniform(20.0, 104.0, 2 * BLOCK + 7)
    humidities[BLOCK + 5] = math.nan
    whole = vapour.dew_point_c_or_nan(temperatures, humidities)
    cuts = [0, 1, 2, 1000, BLOCK, BLOCK + 3, 2 * BLOCK + 7]
    parts = [
        vapour.dew_point_c_or_nan(temperatures[start:stop], humidities[start:stop])
        for start, stop in pairwise(cuts)
    ]
    np.testing.assert_array_equal(whole, np.concatenate(parts))


def test_inputs_are_never_written_to() -> None:
    temperatures, humidities = np.array([26.0, math.nan, 200.0]), np.array([104.0, 80.0, 80.0])
    before = temperatures.copy(), humidities.copy()
    vapour.dew_point_c_or_nan(temperatures, humidities)
    moist_air.absolute_humidity_g_m3_or_nan(temperatures, humidities)
    vapour.dew_point_c(temperatures[:1], humidities[:1])
    np.testing.assert_array_equal(temperatures, before[0])
    np.testing.assert_array_equal(humidities, before[1])


def test_arrays_that_are_views_or_whole_numbers_are_taken() -> None:
    both = np.array([[20, 50], [26, 80]])
    np.testing.assert_allclose(vapour.dew_point_c_or_nan(both[:, 0], both[:, 1]), [9.2733, 22.2815], atol=2e-3)


@pytest.mark.parametrize("humidity", [5e-324, 1e-36, 1e-9, 0.2])
def test_humidity_next_to_nothing_is_refused_by_name_and_never_reaches_a_root_of_a_negative_number(humidity: float) -> None:
    with pytest.raises(OutOfRange, match="relative_humidity_pct"):
        vapour.dew_point_c(26.0, humidity)
    assert np.isnan(vapour.dew_point_c_or_nan(np.array([26.0]), np.array([humidity])))


def test_both_ends_of_the_temperature_range_have_a_dew_point() -> None:
    for temperature in (-40.0, 80.0):
        assert vapour.dew_point_c(temperature, 100.0) == pytest.approx(temperature, abs=1e-9)
        assert vapour.dew_point_c_or_nan(temperature, 100.0) == pytest.approx(temperature, abs=1e-9)
