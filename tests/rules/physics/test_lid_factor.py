"""The lid: factor from its build, lag, learning from measurements and sightings, and what wins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pydantic import TypeAdapter

from rules.physics.lid_factor import (
    FactorBelief,
    LidTemperature,
    believed_lid,
    lag_weight,
    lagged_lid_series_c,
    learn_from_measurement,
    learn_from_sighting,
    lid_time_constant_s,
    prior_factor,
    steady_lid_temperature_c,
)
from rules.physics.lid_heat import heat_balance, pane_resistance_m2k_w, temperature_factor_by_resistance
from rules.settings import Lid

COLD_BOX, WARM_BOX = Lid(), Lid(walls="warm")


def test_cold_walls_pull_the_lid_down_much_more_than_the_material_of_the_lid_does() -> None:
    cold, warm = heat_balance(COLD_BOX).lid_factor, heat_balance(WARM_BOX).lid_factor
    glass = heat_balance(Lid(material="glass", thickness_mm=4.0)).lid_factor
    assert (cold, warm) == (pytest.approx(0.36, abs=0.01), pytest.approx(0.51, abs=0.015))
    assert abs(glass - cold) < 0.03 < warm - cold


@pytest.mark.parametrize(("room", "lid_c"), [(18.0, 20.96), (20.0, 22.16), (22.0, 23.38), (24.0, 24.65)])
def test_enclosure_model_gives_the_temperatures_that_an_independent_solution_gave(room: float, lid_c: float) -> None:
    # derived: energy balance of the same box solved by another program, two decimals printed
    factor = heat_balance(COLD_BOX, 26.0, room).lid_factor
    assert steady_lid_temperature_c(room, 26.0, factor) == pytest.approx(lid_c, abs=0.011)


def test_heat_into_the_lid_equals_heat_out_of_it() -> None:
    for lid in (COLD_BOX, WARM_BOX, Lid(build="double"), Lid(insulation_mm=20.0), Lid(material="glass", thickness_mm=6.0)):
        balance = heat_balance(lid)
        lid_c = 20.0 + 6.0 * balance.lid_factor
        wall_c = 20.0 + 6.0 * balance.wall_factor
        convection = 2.04 * (26.0 - lid_c) ** (1 / 3)
        radiation = balance.inner_w_m2k - convection
        inward = convection * (26.0 - lid_c) + radiation * (0.2 * 26.0 + 0.8 * wall_c - lid_c)
        assert inward == pytest.approx(balance.outer_w_m2k * (lid_c - 20.0), abs=1e-4)


def test_every_added_layer_warms_the_lid() -> None:
    builds = [COLD_BOX, Lid(thickness_mm=10.0), Lid(build="double"), Lid(build="insulated", insulation_mm=20.0)]
    for factor in (
        [heat_balance(lid).lid_factor for lid in builds],
        [temperature_factor_by_resistance(lid) for lid in builds],
        [prior_factor(lid).mean for lid in builds],
    ):
        assert factor == sorted(factor)
        assert len(set(factor)) == len(factor)
    assert pane_resistance_m2k_w(Lid(build="double")) > pane_resistance_m2k_w(COLD_BOX) + 0.16


def test_a_factor_means_nothing_without_a_difference() -> None:
    with pytest.raises(ValueError, match=r"must differ by 0\.2 K"):
        heat_balance(COLD_BOX, 24.0, 24.1)


def test_prior_of_a_common_lid_is_the_recommended_one_and_is_wide() -> None:
    belief = prior_factor(COLD_BOX)
    assert belief.mean == pytest.approx(0.43, abs=0.02)
    assert 0.06 < belief.standard_deviation < 0.08
    low, high = belief.interval()
    assert (low, high) == (pytest.approx(0.31, abs=0.03), pytest.approx(0.54, abs=0.03))
    assert sum(belief.weights) == pytest.approx(1.0)
    assert not belief.learned


def test_a_factor_given_in_the_config_wins_over_the_build() -> None:
    belief = prior_factor(Lid(temperature_factor=0.7))
    assert belief.mean == pytest.approx(0.70, abs=0.005)
    assert belief.standard_deviation < 0.05


def test_vents_make_the_prior_wider_and_lower() -> None:
    closed, open_ = prior_factor(Lid(vent_share=0.0)), prior_factor(Lid(vent_share=0.4))
    assert open_.mean < closed.mean
    assert open_.standard_deviation > closed.standard_deviation


def test_belief_survives_json() -> None:
    adapter = TypeAdapter(FactorBelief)
    belief = learn_from_measurement(prior_factor(COLD_BOX), 22.0, 20.0, 26.0, 0.3)
    assert adapter.validate_json(adapter.dump_json(belief)) == belief


# ---------------------------------------------------------------- lag


def stepped(before_c: float | None, goal_c: float, elapsed_s: float, time_constant_s: float) -> float:
    return float(lagged_lid_series_c(before_c, np.array([goal_c]), np.array([elapsed_s]), time_constant_s)[0])


def test_time_constant_is_minutes_and_grows_with_thickness() -> None:
    assert 240.0 < lid_time_constant_s(COLD_BOX) < 420.0
    assert lid_time_constant_s(Lid(thickness_mm=6.0)) > 1.8 * lid_time_constant_s(COLD_BOX)


def test_lid_covers_63_percent_of_a_step_in_one_time_constant() -> None:
    assert stepped(20.0, 24.0, 300.0, 300.0) == pytest.approx(20.0 + 4.0 * (1.0 - math.exp(-1.0)))
    assert lag_weight(0.0, 300.0) == lag_weight(-5.0, 300.0) == 1.0


def test_one_long_step_equals_many_short_ones() -> None:
    short = lagged_lid_series_c(20.0, np.full(600, 24.0), np.full(600, 1.0), 320.0)
    assert short[-1] == pytest.approx(stepped(20.0, 24.0, 600.0, 320.0), abs=1e-9)


def test_first_sample_starts_in_steady_state() -> None:
    assert stepped(None, 22.0, 60.0, 320.0) == 22.0
    assert stepped(math.nan, 22.0, 60.0, 320.0) == 22.0


def test_a_gap_in_the_series_is_nan_and_its_time_is_not_lost() -> None:
    steady = np.array([20.0, math.nan, math.nan, 24.0])
    series = lagged_lid_series_c(None, steady, np.array([0.0, 100.0, 100.0, 100.0]), 300.0)
    assert series[0] == 20.0
    assert np.isnan(series[1:3]).all()
    assert series[3] == pytest.approx(stepped(20.0, 24.0, 300.0, 300.0))


def test_series_gives_the_same_bits_however_it_is_cut() -> None:
    steady = 22.0 + np.sin(np.arange(500) / 40.0)
    elapsed = np.full(500, 30.0)
    whole = lagged_lid_series_c(None, steady, elapsed, 320.0)
    first = lagged_lid_series_c(None, steady[:123], elapsed[:123], 320.0)
    second = lagged_lid_series_c(float(first[-1]), steady[123:], elapsed[123:], 320.0)
    np.testing.assert_array_equal(whole, np.concatenate([first, second]))


def test_a_room_that_cools_at_night_is_followed_with_the_lag_of_one_time_constant() -> None:
    seconds = np.arange(0.0, 4 * 3600.0, 30.0)
    room = 22.0 - 1.0 * seconds / 3600.0
    steady = steady_lid_temperature_c(room, np.full(room.size, 26.0), 0.4)
    lagged = lagged_lid_series_c(None, steady, np.full(room.size, 30.0), 320.0)
    slope_k_s = -0.6 / 3600.0
    assert lagged[-1] - steady[-1] == pytest.approx(-slope_k_s * (320.0 - 15.0), rel=0.01)  # tau less half a step


# ---------------------------------------------------------------- learning


def test_measurements_move_the_belief_to_the_measured_factor_and_sharpen_it() -> None:
    belief = prior_factor(COLD_BOX)
    widths = [belief.standard_deviation]
    for _ in range(4):
        belief = learn_from_measurement(belief, 20.0 + 0.33 * 6.0, 20.0, 26.0, 0.3)
        widths.append(belief.standard_deviation)
    assert belief.mean == pytest.approx(0.33, abs=0.02)
    assert widths == sorted(widths, reverse=True)
    assert belief.measurements == 4
    assert belief.learned


def test_one_exact_measurement_agrees_with_bayes_by_hand() -> None:
    belief = FactorBelief([1.0 / 81.0] * 81, 0.5, 0.29)  # flat
    after = learn_from_measurement(belief, 22.4, 20.0, 26.0, 0.5)
    spread = math.hypot(0.5 / 6.0, 0.03)
    grid = np.linspace(0.0, 1.0, 81)
    likelihood = np.exp(-0.5 * ((grid - 0.4) / spread) ** 2) + 0.02
    assert after.mean == pytest.approx(float(likelihood @ grid / likelihood.sum()), abs=1e-12)


def test_measurement_with_room_and_chamber_alike_teaches_nothing() -> None:
    before = prior_factor(COLD_BOX)
    after = learn_from_measurement(before, 24.0, 24.0, 24.05, 0.5)
    assert after.mean == pytest.approx(before.mean, abs=1e-3)
    assert after.standard_deviation == pytest.approx(before.standard_deviation, abs=1e-3)


def test_one_impossible_measurement_does_not_capture_the_belief() -> None:
    before = prior_factor(COLD_BOX)
    after = learn_from_measurement(before, 35.0, 20.0, 26.0, 0.3)
    assert after.mean == pytest.approx(before.mean, abs=0.05)


@pytest.mark.parametrize("lid_c", [math.nan, math.inf])
def test_what_is_not_finite_leaves_the_belief_as_it_was(lid_c: float) -> None:
    before = prior_factor(COLD_BOX)
    assert learn_from_measurement(before, lid_c, 20.0, 26.0, 0.3) is before
    assert learn_from_measurement(before, 22.0, 20.0, 26.0, 0.0) is before
    assert learn_from_sighting(before, "dry", lid_c, 20.0, 26.0, 0.3) is before


def test_a_lid_seen_wet_is_colder_and_one_seen_dry_is_warmer_than_believed() -> None:
    before = prior_factor(COLD_BOX)
    dew_c = steady_lid_temperature_c(20.0, 26.0, before.mean)
    mist = learn_from_sighting(before, "mist", dew_c, 20.0, 26.0, 0.2)
    droplets = learn_from_sighting(before, "droplets", dew_c, 20.0, 26.0, 0.2)
    dry = learn_from_sighting(before, "dry", dew_c, 20.0, 26.0, 0.2)
    assert mist.mean < droplets.mean < before.mean < dry.mean
    assert mist.standard_deviation < before.standard_deviation
    assert (dry.sightings, dry.measurements) == (1, 0)


def test_sightings_at_many_humidities_find_the_true_factor() -> None:
    belief, truth = prior_factor(COLD_BOX), 0.35
    for step in range(60):
        dew_c = 21.0 + 3.0 * ((step * 37) % 60) / 60.0
        seen = "mist" if 20.0 + truth * 6.0 < dew_c else "dry"
        belief = learn_from_sighting(belief, seen, dew_c, 20.0, 26.0, 0.2)
    assert belief.mean == pytest.approx(truth, abs=0.03)
    assert belief.u_factor >= 0.03 > belief.standard_deviation - 0.01


def test_many_measurements_never_make_the_belief_surer_than_the_box_is_steady() -> None:
    belief = prior_factor(COLD_BOX)
    for _ in range(500):
        belief = learn_from_measurement(belief, 20.0 + 0.40 * 6.0, 20.0, 26.0, 0.3)
    assert 0.015 < belief.standard_deviation < 0.035
    assert belief.u_factor >= 0.03
    for _ in range(60):  # foam was put on the lid, and nobody said so
        belief = learn_from_measurement(belief, 20.0 + 0.62 * 6.0, 20.0, 26.0, 0.3)
    assert belief.mean == pytest.approx(0.62, abs=0.03)


def test_evidence_against_the_build_wins_in_the_end() -> None:
    belief = prior_factor(COLD_BOX)
    for _ in range(5):
        belief = learn_from_measurement(belief, 20.0 + 0.8 * 6.0, 20.0, 26.0, 0.3)
    assert belief.mean == pytest.approx(0.8, abs=0.03)


# ---------------------------------------------------------------- what wins


def test_measured_lid_wins_then_the_estimate_and_nothing_is_guessed_without_a_room() -> None:
    belief = prior_factor(COLD_BOX)
    assert believed_lid(belief, 22.0, 0.17, 23.0, 6.0) == LidTemperature(22.0, 0.17, "measured")
    estimated = believed_lid(belief, None, 0.17, 23.0, 6.0)
    assert (estimated.temperature_c, estimated.source) == (23.0, "estimated")
    assert estimated.u_k == pytest.approx(6.0 * belief.standard_deviation)
    learned = learn_from_measurement(belief, 22.0, 20.0, 26.0, 0.3)
    assert believed_lid(learned, math.nan, 0.17, 23.0, 6.0).source == "learned"
    assert believed_lid(belief, None, 0.17, None, None) == LidTemperature(None, None, None)
