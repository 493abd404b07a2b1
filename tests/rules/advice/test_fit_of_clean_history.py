"""The fit on a chamber that is known: hardly any noise and no offsets, so what it finds must be what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advice_scenes import devices
from chamber_histories import history_of

from rules.advice.fit import STEP_MS, History, fit
from rules.advice.model import (
    BUFFER,
    COOLING,
    EVAPORATION,
    EXCHANGE,
    FAN,
    LID,
    LIFT,
    NAMES,
    VENT,
    ChamberModel,
    prior_model,
)
from rules.settings import Chamber

BOX = Chamber(devices=devices(setpoint_c=26.0))
PRIOR = prior_model(BOX)
TRUE = np.array(PRIOR.mean) + np.array([0.4, -0.3, 0.5, -0.4, 0.2, 0.3, -0.2, 0.5])


class Exact(np.random.Generator):
    """Draws what the keeper does and how the room wanders, and of errors 0.05 K alone."""

    def normal(self, loc=0.0, scale=1.0, size=None):
        return super().normal(0.0, scale, size) * (loc == 0.0 and size is not None and scale < 0.3)

    def uniform(self, low=0.0, high=1.0, size=None):
        return super().uniform(low, high, size) if low > 0.0 else np.zeros(size) if size else 0.0


def exact(days: int = 10, doses: int = 20, logs=TRUE) -> History:
    """Return days of that chamber."""
    return history_of(logs, BOX.air_ml, Exact(np.random.PCG64(3)), days, doses)


def found(history: History) -> ChamberModel:
    return fit(history, PRIOR, BOX.air_ml, 7)


WHOLE = found(exact())


def test_each_parameter_is_found_within_its_stated_interval_and_near_what_was_put_in() -> None:
    near = {EXCHANGE: 0.25, VENT: 0.15, FAN: 0.15, EVAPORATION: 0.15, LID: 0.25, COOLING: 0.1, LIFT: 0.1, BUFFER: 0.4}
    for index, within in near.items():
        missed = WHOLE.mean[index] - TRUE[index]
        assert abs(missed) < within, (NAMES[index], missed)
        assert abs(missed) <= 1.96 * WHOLE.covariance[index][index] ** 0.5, NAMES[index]
    assert WHOLE.source == "fitted" and WHOLE.fitted_ms == 7
    assert {name for name, known in WHOLE.identified.items() if known} >= {"vent", "fan", "evaporation", "cooling", "lift"}


def test_one_reading_in_twenty_that_is_nonsense_does_not_move_it() -> None:
    """25 points too high, without a pattern: by least squares the ground would seem to give far more water."""
    history = exact()
    wrong = np.random.default_rng(5).random(len(history.at_ms)) < 0.05
    spoiled = found(replace(history, humidity_pct=np.minimum(history.humidity_pct + 25.0 * wrong, 100.0)))
    for index in (VENT, FAN, EVAPORATION):
        assert spoiled.mean[index] == pytest.approx(WHOLE.mean[index], abs=0.12), NAMES[index]


def test_where_each_window_begins_is_not_believed_from_its_first_reading() -> None:
    """The first reading of each six hours is 4 points too high, or 0.5 K: the start is free."""
    history = exact()
    first = np.arange(len(history.at_ms)) % 36 == 0
    damp = found(replace(history, humidity_pct=np.minimum(history.humidity_pct + 4.0 * first, 100.0)))
    warm = found(replace(history, temperature_c=history.temperature_c + 0.5 * first))
    for index in (VENT, EVAPORATION):
        assert damp.mean[index] == pytest.approx(WHOLE.mean[index], abs=0.1), NAMES[index]
    for index in (COOLING, LIFT):
        assert warm.mean[index] == pytest.approx(WHOLE.mean[index], abs=0.05), NAMES[index]
    assert damp.residual_pct is not None and WHOLE.residual_pct is not None
    assert damp.residual_pct < 2.0 * WHOLE.residual_pct


def test_offsets_of_the_probes_are_allowed_for_and_more_errors_never_make_it_surer() -> None:
    """2 %RH and 0.3 K, what cheap probes may be wrong by for ever, are no noise: ten times the data do not take them away."""
    longer = found(exact(days=20))
    for index in (EXCHANGE, EVAPORATION, COOLING, LIFT):
        short, long = (model.covariance[index][index] ** 0.5 for model in (WHOLE, longer))
        assert long > 0.4 * short and long > 0.02, NAMES[index]
    covariance = np.array(WHOLE.covariance)
    assert covariance == pytest.approx(covariance.T) and np.linalg.eigvalsh(covariance).min() > -1e-9
    prior = np.sqrt(np.diag(np.array(PRIOR.covariance)))
    assert (np.sqrt(np.diag(covariance)) <= 1.5 * prior + 1e-9).all()


STEPS = 10 * 144
WINDOWS = STEPS // 36


def disturbed(history: History) -> History:
    return replace(history, disturbed=np.arange(STEPS) == 100)


def without(column: str):
    def change(history: History) -> History:
        values = getattr(history, column).copy()
        values[200] = np.nan
        return replace(history, **{column: values})

    return change


def interrupted(history: History) -> History:
    return replace(history, at_ms=history.at_ms + np.where(np.arange(STEPS) >= 110, 3 * STEP_MS, 0))


@pytest.mark.parametrize(
    ("change", "lost"),
    [
        (lambda history: history, 0), (disturbed, 2), (without("humidity_pct"), 1), (without("power_share"), 1),
        (without("room_pct"), 1), (without("temperature_c"), 2), (without("room_c"), 2), (without("lid_c"), 0),
        (interrupted, 2),
    ],
)  # fmt: skip
def test_six_hours_with_a_gap_a_disturbance_or_a_missing_figure_are_left_out(change, lost: int) -> None:
    """Forty windows of 36 readings for the vapour and as many for the heat."""
    assert found(change(exact())).samples == (2 * WINDOWS - lost) * 36


@pytest.mark.parametrize(("steps", "fitted"), [(8 * 36, True), (8 * 36 - 1, False)])
def test_two_days_are_needed(steps: int, fitted: bool) -> None:
    history = exact()
    short = History(*(getattr(history, name)[:steps] for name in History.__slots__))
    model = found(short)
    assert (model.source == "fitted") is fitted and any("it takes two days" in note for note in model.notes) is not fitted
    if not fitted:
        assert model.mean == PRIOR.mean and model.covariance == PRIOR.covariance and not any(model.identified.values())


def test_what_no_data_tell_of_follows_by_what_is_known_of_such_chambers() -> None:
    """Without a dose of mist the buffer is told by the rates alone: the regression of the prior, exact for normal errors."""
    model = found(exact(doses=0))
    inside = [EXCHANGE, VENT, FAN, EVAPORATION, LID]
    prior, covariance = np.array(PRIOR.covariance), np.array(model.covariance)
    gain = np.linalg.inv(prior[np.ix_(inside, inside)]) @ prior[inside, BUFFER]
    moved = np.array(model.mean)[inside] - np.array(PRIOR.mean)[inside]
    assert model.mean[BUFFER] == pytest.approx(PRIOR.mean[BUFFER] + gain @ moved)
    left = prior[BUFFER, BUFFER] - gain @ (prior[np.ix_(inside, inside)] - covariance[np.ix_(inside, inside)]) @ gain
    assert covariance[BUFFER, BUFFER] == pytest.approx(left)
    assert covariance[BUFFER, inside] == pytest.approx(covariance[np.ix_(inside, inside)] @ gain)
    assert not model.identified["buffer"] and any("ratios alone" in note for note in model.notes)


def test_a_lid_that_was_never_wet_and_vents_that_were_never_open_stay_as_they_were() -> None:
    history = exact()
    dry = found(replace(history, lid_c=np.full(STEPS, 60.0), vents=np.zeros(STEPS), fan_share=np.zeros(STEPS)))
    assert any("The lid was never wet" in note for note in dry.notes) and not dry.identified["lid"]
    assert not dry.identified["vent"] and not dry.identified["fan"]
    assert not any("The lid was never wet" in note for note in WHOLE.notes)


def test_behind_a_thermostat_cooling_and_lift_keep_what_the_size_says() -> None:
    model = found(replace(exact(), power_share=np.full(STEPS, np.nan)))
    for index in (COOLING, LIFT):
        assert model.mean[index] == PRIOR.mean[index] and model.covariance[index][index] == PRIOR.covariance[index][index]
    for said in ("Heat not fitted", "known only from its watts"):
        assert any(said in note for note in model.notes)


