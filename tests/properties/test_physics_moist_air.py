"""What must hold of moist air everywhere: inverses, monotony, order of the points, and the same answer for any shape."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from numpy.typing import NDArray

from rules.physics import condensate, moist_air, saturation, vapour
from rules.physics.saturation import OutOfRange

temperatures = some.floats(-20.0, 60.0)
shelf_temperatures = some.floats(0.5, 45.0)
humidities = some.floats(25.0, 100.0)
pressures = some.floats(60_000.0, 108_000.0)
steps = some.floats(1e-3, 5.0)


@given(temperatures)
def test_dew_point_of_saturated_air_is_its_temperature_to_a_billionth_of_a_kelvin(t: float) -> None:
    assert vapour.dew_point_c(t, 100.0) == pytest.approx(t, abs=1e-9)


@given(temperatures, humidities)
def test_humidity_comes_back_from_the_dew_point(t: float, rh: float) -> None:
    dew = vapour.dew_point_c(t, rh)
    assert vapour.relative_humidity_pct_from_dew_point(t, dew) == pytest.approx(rh, rel=1e-10)


@given(temperatures, some.floats(25.0, 94.0), steps)
def test_moister_air_has_more_of_everything_but_deficit_and_density(t: float, rh: float, step: float) -> None:
    for rising in (vapour.dew_point_c, vapour.vapour_pressure_pa, moist_air.absolute_humidity_g_m3):
        assert rising(t, rh + step) > rising(t, rh)
    for falling in (vapour.vapour_pressure_deficit_pa, moist_air.density_kg_m3):
        assert falling(t, rh + step) < falling(t, rh)


@given(some.floats(-20.0, 54.0), humidities, steps)
def test_warmer_air_at_the_same_humidity_holds_more_water(t: float, rh: float, step: float) -> None:
    for rising in (vapour.saturation_vapour_pressure_pa, vapour.log_slope_per_k):
        assert (rising(t + step) > rising(t)) == (rising is vapour.saturation_vapour_pressure_pa)
    for rising in (vapour.dew_point_c, moist_air.absolute_humidity_g_m3):
        assert rising(t + step, rh) > rising(t, rh)


@given(shelf_temperatures, some.floats(25.0, 75.0), some.floats(0.1, 4.0))
def test_heating_at_constant_vapour_lowers_humidity_and_keeps_the_dew_point(t: float, rh: float, step: float) -> None:
    after = rh * vapour.saturation_vapour_pressure_pa(t) / vapour.saturation_vapour_pressure_pa(t + step)
    assert after < rh
    assert vapour.dew_point_c(t + step, after) == pytest.approx(vapour.dew_point_c(t, rh), abs=1e-9)


@given(temperatures)
def test_saturated_air_has_no_deficit_and_no_margin_at_a_wall_of_its_own_temperature(t: float) -> None:
    assert vapour.vapour_pressure_deficit_pa(t, 100.0) == 0.0
    assert t - vapour.dew_point_c(t, 100.0) == pytest.approx(0.0, abs=1e-9)
    assert vapour.relative_humidity_pct_from_dew_point(t, t) == pytest.approx(100.0, rel=1e-12)


@given(temperatures)
def test_slope_is_the_derivative_of_the_logarithm_of_the_pressure(t: float) -> None:
    h = 1e-3
    difference = (
        math.log(vapour.saturation_vapour_pressure_pa(t + h)) - math.log(vapour.saturation_vapour_pressure_pa(t - h))
    ) / (2.0 * h)
    assert vapour.log_slope_per_k(t) == pytest.approx(difference, rel=1e-6)


@given(temperatures, humidities, pressures)
def test_moist_air_is_lighter_than_dry_air_and_vapour_and_air_add_up(t: float, rh: float, p: float) -> None:
    density, water = moist_air.density_kg_m3(t, rh, p), moist_air.absolute_humidity_g_m3(t, rh, p) / 1000.0
    assert density < p / (287.047 * (t + 273.15))
    partial_pa = moist_air.enhancement_factor(t, p) * vapour.vapour_pressure_pa(t, rh)  # WMO-No. 8: w = eps e / (p - e)
    assert water / (density - water) == pytest.approx(0.621957 * partial_pa / (p - partial_pa), rel=2e-5)


@given(some.lists(some.tuples(some.floats(allow_nan=True), some.floats(allow_nan=True)), min_size=1, max_size=40))
def test_any_floats_at_all_give_a_true_dew_point_or_nan_and_one_value_agrees(rows: list[tuple[float, float]]) -> None:
    table = np.array(rows)
    result = vapour.dew_point_c_or_nan(table[:, 0], table[:, 1])
    for (t, rh), ours in zip(rows, result.tolist(), strict=True):
        try:
            alone = vapour.dew_point_c(t, rh)
        except OutOfRange:
            alone = math.nan
        assert ours == pytest.approx(alone, abs=1e-12, nan_ok=True)
        assert math.isnan(ours) or -40.0 <= ours <= t + 1e-9


@pytest.mark.parametrize(
    "formula", [
        saturation.saturation_pressures_or_nan, lambda t: saturation.dew_points_or_nan(t, 100.0 - t), vapour.log_slope_per_k,
        lambda t: condensate.condensation_flux_g_m2h(saturation.saturation_pressures_or_nan(t + 0.2), t),
    ], ids=["pressure", "dew point", "slope", "flux"],
)  # fmt: skip
def test_each_of_many_values_is_to_the_last_bit_what_it_is_alone(formula: Callable[[NDArray[np.float64]], Any]) -> None:
    """The same stream gives the same state however it is cut, also where a piece has one reading: a pressure by `z ** 2` was
    another number in one of 1,500 temperatures, by the power of the C library, than by numpy's product."""
    temperatures_c = np.random.default_rng(5).uniform(10.0, 30.0, 3_000)
    together = formula(temperatures_c)
    alone = [formula(temperatures_c[at : at + 1])[0] for at in range(len(temperatures_c))]
    assert together.tolist() == alone
