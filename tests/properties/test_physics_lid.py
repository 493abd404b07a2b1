"""What must hold of lid, condensate and correction everywhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from rules.physics.condensate import LEVEL_DRIP_LOAD_G_M2, condensation_flux_g_m2h, drip_load_g_m2, load_series_g_m2
from rules.physics.lid_factor import (
    lagged_lid_series_c,
    learn_from_measurement,
    learn_from_sighting,
    prior_factor,
    steady_lid_temperature_c,
)
from rules.physics.lid_heat import heat_balance, temperature_factor_by_resistance
from rules.physics.salt_points import Point, two_point
from rules.physics.uncertainty import dew_margin_uncertainty_k, dew_point_uncertainty_k, probability_wet
from rules.physics.vapour import dew_point_c, saturation_vapour_pressure_pa, vapour_pressure_pa
from rules.settings import Lid

rooms = some.floats(10.0, 24.0)
chambers = some.floats(24.5, 32.0)
factors = some.floats(0.0, 1.0)
humidities = some.floats(30.0, 100.0)
lids = some.builds(
    Lid,
    material=some.sampled_from(("acrylic", "polycarbonate", "glass", "pet")),
    thickness_mm=some.floats(0.5, 12.0),
    build=some.sampled_from(("single", "double", "insulated")),
    insulation_mm=some.floats(0.0, 50.0),
    walls=some.sampled_from(("cold", "warm")),
    vent_share=some.floats(0.0, 0.9),
)
PRIOR = prior_factor(Lid())


@given(rooms, chambers, factors)
def test_lid_lies_between_room_and_chamber(room: float, chamber: float, factor: float) -> None:
    assert room - 1e-9 <= steady_lid_temperature_c(room, chamber, factor) <= chamber + 1e-9


@given(lids)
@settings(max_examples=40)
def test_every_build_has_a_factor_between_room_and_chamber_and_a_belief_around_it(lid: Lid) -> None:
    by_enclosure, by_resistance = heat_balance(lid).lid_factor, temperature_factor_by_resistance(lid)
    belief = prior_factor(lid)
    assert 0.2 < by_enclosure < 1.0
    assert 0.5 < by_resistance < 1.0
    assert sum(belief.weights) == pytest.approx(1.0)
    assert min(belief.weights) > 0.0
    assert min(by_enclosure, by_resistance) - 0.2 < belief.mean < max(by_enclosure, by_resistance) + 0.1
    assert 0.03 < belief.standard_deviation < 0.25


@given(some.floats(5.0, 35.0), some.floats(5.0, 35.0), some.lists(some.floats(0.0, 500.0), min_size=1, max_size=20))
def test_lag_never_overshoots_and_is_the_same_in_one_step_or_many(start: float, goal: float, steps: list[float]) -> None:
    series = lagged_lid_series_c(start, np.full(len(steps), goal), np.array(steps), 320.0)
    low, high = min(start, goal), max(start, goal)
    assert ((series >= low - 1e-9) & (series <= high + 1e-9)).all()
    assert series[-1] == pytest.approx(goal + (start - goal) * math.exp(-sum(steps) / 320.0), abs=1e-9)


@given(rooms, chambers, some.floats(5.0, 35.0), some.floats(0.05, 2.0))
def test_measuring_keeps_the_belief_a_probability_and_moves_it_towards_the_measurement(
    room: float, chamber: float, lid_c: float, u: float
) -> None:
    after = learn_from_measurement(PRIOR, lid_c, room, chamber, u)
    assert sum(after.weights) == pytest.approx(1.0)
    measured = (lid_c - room) / (chamber - room)
    inside = min(max(measured, 0.0), 1.0)
    if measured == inside:
        assert abs(after.mean - inside) <= abs(PRIOR.mean - inside) + 0.02


@given(rooms, chambers, some.floats(5.0, 35.0), some.floats(0.05, 2.0))
def test_a_wet_sighting_never_makes_the_lid_warmer_and_a_dry_one_never_colder(
    room: float, chamber: float, dew: float, u: float
) -> None:
    for seen in ("mist", "droplets"):
        assert learn_from_sighting(PRIOR, seen, dew, room, chamber, u).mean <= PRIOR.mean + 1e-12
    assert learn_from_sighting(PRIOR, "dry", dew, room, chamber, u).mean >= PRIOR.mean - 1e-12


@given(rooms, chambers, humidities, factors)
def test_margin_of_saturated_air_at_a_wall_of_its_own_temperature_is_zero(
    room: float, chamber: float, humidity: float, factor: float
) -> None:
    assert steady_lid_temperature_c(room, chamber, 1.0) - dew_point_c(chamber, 100.0) == pytest.approx(0.0, abs=1e-9)
    margin = steady_lid_temperature_c(room, chamber, factor) - dew_point_c(chamber, humidity)
    lower = steady_lid_temperature_c(room, chamber, factor) - dew_point_c(chamber, 100.0)
    assert margin >= lower - 1e-9


@given(chambers, humidities, some.floats(0.01, 1.0), some.floats(0.1, 3.0), some.floats(1.05, 3.0))
def test_a_poorer_probe_never_has_the_smaller_uncertainty(
    t: float, rh: float, u_t: float, u_rh: float, worse: float
) -> None:
    assert dew_point_uncertainty_k(t, rh, worse * u_t, worse * u_rh) == pytest.approx(
        worse * dew_point_uncertainty_k(t, rh, u_t, u_rh)
    )
    better = dew_margin_uncertainty_k(t, rh, u_t, u_rh, 20.0, 0.1, 0.4, 0.05)
    assert dew_margin_uncertainty_k(t, rh, u_t, worse * u_rh, 20.0, 0.1, 0.4, 0.05) >= better


@given(some.floats(-5.0, 5.0), some.floats(0.0, 3.0))
def test_probability_wet_and_its_complement_add_to_one(margin: float, u: float) -> None:
    assert 0.0 <= probability_wet(margin, u) <= 1.0
    assert probability_wet(margin, u) + probability_wet(-margin, u) == pytest.approx(1.0)


@given(some.floats(800.0, 4000.0), some.floats(5.0, 34.0), some.floats(0.1, 3.0))
def test_colder_lid_never_collects_less_and_the_sign_is_that_of_the_driving_pressure(
    vapour: float, lid_c: float, step: float
) -> None:
    flux = condensation_flux_g_m2h(vapour, lid_c)
    assert condensation_flux_g_m2h(vapour, lid_c - step) > flux
    drive = vapour - saturation_vapour_pressure_pa(lid_c)
    assert math.copysign(1.0, flux) == math.copysign(1.0, drive) or abs(drive) < 1e-6
    assert abs(flux) <= abs(condensation_flux_g_m2h(vapour, lid_c, None)) * 1.2 + 1e-9


@given(chambers, humidities)
def test_no_lid_collects_water_from_air_whose_dew_point_it_has(t: float, rh: float) -> None:
    assert condensation_flux_g_m2h(vapour_pressure_pa(t, rh), dew_point_c(t, rh)) == pytest.approx(0.0, abs=1e-6)


fluxes = some.lists(some.floats(-50.0, 50.0) | some.just(math.nan), min_size=1, max_size=30)


@given(some.floats(0.0, 400.0), fluxes, some.floats(1.0, 7200.0), some.integers(0, 30))
def test_load_stays_between_nothing_and_dripping_and_does_not_depend_on_the_cut(
    load: float, flux: list[float], elapsed: float, cut: int
) -> None:
    values, times = np.array(flux), np.full(len(flux), elapsed)
    whole = load_series_g_m2(load, values, times, 400.0)
    assert ((whole >= 0.0) & (whole <= 400.0)).all()
    cut = min(cut, len(flux))
    first = load_series_g_m2(load, values[:cut], times[:cut], 400.0)
    handed_on = float(first[-1]) if cut else load
    np.testing.assert_array_equal(whole, np.concatenate([first, load_series_g_m2(handed_on, values[cut:], times[cut:], 400.0)]))


@given(some.floats(0.0, 400.0), some.floats(-50.0, 50.0), some.floats(0.0, 3600.0))
def test_water_is_conserved_while_nothing_drips_or_runs_dry(load: float, flux: float, elapsed: float) -> None:
    after = float(load_series_g_m2(load, np.array([flux]), np.array([elapsed]), 400.0)[0])
    assert after == pytest.approx(load + flux * elapsed / 3600.0, abs=1e-9) or after in (0.0, 400.0)


@given(some.floats(0.0, 60.0), some.floats(0.0, 60.0))
def test_a_steeper_lid_never_holds_more(one: float, other: float) -> None:
    gentle, steep = sorted((one, other))
    assert 0.0 < drip_load_g_m2(steep) <= drip_load_g_m2(gentle) <= LEVEL_DRIP_LOAD_G_M2


@given(some.floats(20.0, 60.0), some.floats(11.0, 40.0), some.floats(-5.0, 5.0), some.floats(-5.0, 5.0), some.floats(0.01, 1.0))
def test_two_point_correction_meets_both_points_whatever_they_are(
    low: float, span: float, off_low: float, off_high: float, u: float
) -> None:
    a, b = Point(low, u, low + off_low, u), Point(low + span, u, low + span + off_high, u)
    fit = two_point(a, b)
    assert fit.corrected(a.raw) == pytest.approx(a.true, abs=1e-9)
    assert fit.corrected(b.raw) == pytest.approx(b.true, abs=1e-9)
    middle = fit.standard_uncertainty_at(low + span / 2.0)
    assert middle <= max(fit.standard_uncertainty_at(a.raw), fit.standard_uncertainty_at(b.raw)) + 1e-6
