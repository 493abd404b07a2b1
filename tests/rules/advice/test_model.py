from __future__ import annotations

import numpy as np
import pytest
from advice_scenes import devices, situation
from chamber_histories import history_of, true_logs
from pydantic import ValidationError

from rules.advice.balance import Setting, at_rest, course, present_of
from rules.advice.fit import fit
from rules.advice.model import (
    BUFFER,
    COOLING,
    EVAPORATION,
    EXCHANGE,
    NAMES,
    lid_factor_with_foam,
    model_as_json,
    model_from_json,
    prior_model,
)
from rules.advice.room_day import COURSE_H
from rules.keeper.devices import present_knobs
from rules.settings import Chamber, Fan, Heater, Mister
from rules.settings import Devices as DeviceSettings

CHAMBER = Chamber(devices=DeviceSettings(heater=Heater(), fan=Fan(), mister=Mister()))
PRIOR = prior_model(CHAMBER)


def setting(present, count: int = 1, **changed) -> Setting:
    body = {
        "heat_k": 0.0, "power": 1.0, "vents": present.knobs.get("vents", 0.0),
        "fan_share": present.knobs.get("fan", 0.0) / 60.0,
        "mist_ml_d": present.knobs.get("mister", 0.0), "foam_mm": present.knobs.get("foam", 0.0), "wetness": 1.0,
    }
    return Setting(**{name: np.full(count, value) for name, value in {**body, **changed}.items()})


def present(t=26.0, rh=75.0, room=20.0, room_pct=45.0, setpoint_c=26.0, **changed):
    chamber = Chamber(devices=devices(setpoint_c=setpoint_c))
    return present_of(prior_model(chamber), chamber, situation(t, rh, room, room_pct, **changed), present_knobs(chamber, ()))


def mean(values, weight) -> float:
    return float(values[0] @ weight)


@pytest.mark.parametrize(("litres", "tau_h", "need_w_at_6k"), [(1.5, (0.7, 1.5), 1.6), (10.0, (1.4, 3.0), 5.5), (60.0, (1.9,
    5.0), 19.0)])
def test_the_prior_agrees_with_the_trades_figures_by_size(litres, tau_h, need_w_at_6k):
    # thermal time constants and watts at 6 K lift: lumped model, good to a factor of two
    chamber = Chamber(air_ml=litres * 1000.0, devices=DeviceSettings(heater=Heater(watts=need_w_at_6k)))
    model = prior_model(chamber)
    assert tau_h[0] * 0.8 <= 1.0 / model.value(COOLING) <= tau_h[1] * 1.2
    assert 4.0 <= model.value(NAMES.index("lift")) <= 9.0


def test_with_nothing_changed_the_model_stays_where_the_chamber_is():
    now = present()
    rest = at_rest(now, setting(now))
    assert mean(rest.temperature_c, now.weight) == pytest.approx(26.0, abs=0.05)
    assert mean(rest.humidity_pct, now.weight) == pytest.approx(75.0, abs=1.0)


def test_warming_a_dry_ventilated_box_costs_three_to_five_points_per_kelvin():
    # lumped model, common practice: -3.3 to -4.9 points per kelvin in a dry box; the ground gives some of it back at rest
    now = present(26.0, 70.0, 21.0, 40.0)
    first = course(now, setting(now, heat_k=1.0))[COURSE_H.index(1.0)]
    assert -4.9 < (mean(first.humidity_pct, now.weight) - 70.0) / (mean(first.temperature_c, now.weight) - 26.0) < -1.5


def test_warming_a_wet_box_makes_its_lid_wetter():
    # lumped model, common practice: margin about -0.3 K per kelvin in a wet box
    now = present(26.0, 88.0, 20.0, 50.0)
    before, after = at_rest(now, setting(now)), at_rest(now, setting(now, heat_k=1.0))
    assert -0.8 < mean(after.margin_k, now.weight) - mean(before.margin_k, now.weight) < 0.0


def test_opening_vents_to_a_dry_room_dries_and_to_a_humid_one_does_not():
    winter, summer = present(26.0, 75.0, 21.0, 30.0), present(26.0, 88.0, 26.0, 89.0)
    for now, low, high in ((winter, -40.0, -2.0), (summer, -2.0, 2.0)):
        change = at_rest(now, setting(now, vents=3.0)).humidity_pct - at_rest(now, setting(now)).humidity_pct
        assert low < float(change[0] @ now.weight) < high


def test_ten_millimetres_of_foam_lift_the_lids_factor_as_the_enclosure_model_says():
    # enclosure model: cold walls 0.36 bare, 0.62 with 10 mm of foam (here the ratio rule, which is coarser)
    assert float(lid_factor_with_foam(np.array(0.36), 0.0, 10.0)) == pytest.approx(0.57, abs=0.07)
    assert float(lid_factor_with_foam(np.array(0.36), 10.0, 10.0)) == pytest.approx(0.36)


def test_a_course_ends_where_the_closed_form_says():
    now = present(26.0, 78.0, 20.0, 45.0)
    changed = setting(now, heat_k=-1.0, vents=2.0, wetness=1.5)
    last, rest = course(now, changed)[-1], at_rest(now, changed)
    fast = now.model[:, EVAPORATION] > 0.3
    assert np.abs(last.humidity_pct - rest.humidity_pct)[0, fast].max() < 1.5
    assert np.abs(last.temperature_c - rest.temperature_c).max() < 0.3


def test_a_model_goes_to_json_and_back_and_a_wrong_one_is_refused():
    assert model_from_json(model_as_json(PRIOR)) == PRIOR
    with pytest.raises(ValueError, match="parameters"):
        model_from_json({**model_as_json(PRIOR), "mean": [0.0]})
    with pytest.raises(ValidationError):
        model_from_json({"mean": "x"})


def test_parameters_are_recovered_within_their_stated_95_percent_intervals():
    # 40 chambers drawn from the prior, one-minute steps, probes with noise and unknown offsets within 0.3 K and 2 %RH
    inside, total = np.zeros(len(NAMES)), 40
    for seed in range(total):
        rng = np.random.default_rng(seed)
        logs = true_logs(PRIOR, rng)
        model = fit(history_of(logs, CHAMBER.air_ml, rng), PRIOR, CHAMBER.air_ml, 0)
        half = 1.96 * np.sqrt(np.diag(model.covariance))
        inside += np.abs(np.array(model.mean) - logs) <= half
    assert dict(zip(NAMES, inside / total, strict=True)) == pytest.approx(dict.fromkeys(NAMES, 1.0), abs=0.10 + 1.0 / total)


def test_without_a_known_dose_the_buffer_stays_unknown_and_the_model_says_so():
    rng = np.random.default_rng(3)
    history = history_of(true_logs(PRIOR, rng), CHAMBER.air_ml, rng, doses=0)
    model = fit(history, PRIOR, CHAMBER.air_ml, 0)
    assert not model.identified["buffer"] and any("ratios alone" in note for note in model.notes)
    assert model.identified["fan"] and model.identified["evaporation"]
    low, high = model.interval(BUFFER)
    assert high / low > 2.5


def test_behind_a_thermostat_the_heat_is_not_claimed():
    rng = np.random.default_rng(4)
    history = history_of(true_logs(PRIOR, rng), CHAMBER.air_ml, rng)
    history.power_share[:] = np.nan
    model = fit(history, PRIOR, CHAMBER.air_ml, 0)
    assert not model.identified["cooling"] and any("thermostat" in note for note in model.notes)


def test_too_short_a_history_leaves_the_prior():
    rng = np.random.default_rng(5)
    model = fit(history_of(true_logs(PRIOR, rng), CHAMBER.air_ml, rng, days=1), PRIOR, CHAMBER.air_ml, 0)
    assert model.source == "prior" and model.mean == PRIOR.mean


def test_a_morning_of_nonsense_does_not_move_the_fit():
    rng = np.random.default_rng(6)
    logs = true_logs(PRIOR, rng)
    history = history_of(logs, CHAMBER.air_ml, rng)
    clean = fit(history, PRIOR, CHAMBER.air_ml, 0)
    history.humidity_pct[700:720] += 25.0
    spoiled = fit(history, PRIOR, CHAMBER.air_ml, 0)
    assert abs(spoiled.mean[EXCHANGE] - clean.mean[EXCHANGE]) < 0.5
    assert abs(spoiled.mean[EVAPORATION] - clean.mean[EVAPORATION]) < 0.1
