"""The adviser for deadbands and delays, against the closed forms and against records whose noise is known."""

from __future__ import annotations

import doctest
import math

import delay_timers
import numpy as np
import pytest
from delay_timers import delay_timer, samples_until
from numpy.typing import NDArray

from rules.alarms.deadbands import Noise, Question, Trial, noise_of, propose, question_of
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

Record = tuple[NDArray[np.int64], NDArray[np.float64]]


def wander(generator: np.random.Generator, count: int, sd: float, tau_s: float, step_s: float) -> NDArray[np.float64]:
    keep = math.exp(-step_s / tau_s)
    shocks = generator.normal(0, sd * math.sqrt(1 - keep * keep), count)
    value, values = 0.0, np.empty(count)
    for number in range(count):
        value = keep * value + shocks[number]
        values[number] = value
    return values


def record(days: float, slow: float, fast: float, *, step_s: int = 30, quantum: float = 0.1, seed: int = 1) -> Record:
    """A value that wanders over hours and rustles over a minute and a half, as read with one decimal."""
    generator, count = np.random.default_rng(seed), int(days * 86_400 / step_s)
    values = 80 + wander(generator, count, slow, 7200, step_s) + wander(generator, count, fast, 90, step_s)
    return np.arange(count, dtype=np.int64) * step_s * 1000, np.round(values / quantum) * quantum


HUMID = record(14, 1.5, 0.8)
WARM = record(14, 0.3, 0.08)


def ask(deadband: float, minutes: float, excursion: float, **more: object) -> Question:
    return Question(deadband, round(minutes * MINUTE_MS), round(minutes * MINUTE_MS), excursion, **more)


# ---------------------------------------------------------------- closed forms


# Check values: closed forms for Gaussian samples, trip 1.5 sigma, mean shift 2 sigma, interval 1; the third decimal is ours.
@pytest.mark.parametrize(
    ("on", "off", "false", "missed", "late"), [(1, 1, 0.067, 0.31, 0.45), (3, 3, 0.0010, 0.12, 5.6), (3, 1, 0.0003, 0.67, 5.6)]
)
def test_delays_lower_false_alarms_and_a_short_off_delay_loses_true_ones(
    on: int, off: int, false: float, missed: float, late: float
) -> None:
    p1, q1 = 0.5 * math.erfc(1.5 / math.sqrt(2)), 0.5 * math.erfc(0.5 / math.sqrt(2))
    figures = delay_timer(p1, q1, on, off, 1.0)
    assert figures.false_alarm_rate == pytest.approx(false, rel=0.06)
    assert figures.missed_alarm_rate == pytest.approx(missed, rel=0.03)
    assert figures.detection_delay_s == pytest.approx(late, rel=0.02)


def test_the_closed_forms_agree_with_a_million_drawn_samples() -> None:
    generator, p1, on, off, count = np.random.default_rng(7), 0.3, 2, 3, 1_000_000
    bad = generator.random(count) < p1
    active, run, raises, active_samples = False, 0, 0, 0
    for sample in bad.tolist():
        run = run + 1 if sample != active else 0
        if run >= (off if active else on):
            active, run = not active, 0
            raises += active
        active_samples += active
    figures = delay_timer(p1, 0.5, on, off, 1.0)
    # basis of the tolerance: four standard deviations of a count of this size, and dwell times that are not independent
    assert raises / count * 86_400 == pytest.approx(figures.raises_per_day, rel=0.01)
    assert active_samples / count == pytest.approx(figures.false_alarm_rate, rel=0.02)


def test_the_limits_of_the_closed_forms() -> None:
    assert samples_until(0.0, 2) == math.inf
    assert samples_until(1.0, 2) == 2
    never = delay_timer(0.0, 0.0, 2, 2, 30.0)
    assert (never.false_alarm_rate, never.missed_alarm_rate, never.raises_per_day) == (0.0, 0.0, 0.0)
    assert never.detection_delay_s == 30.0
    assert delay_timer(0.0, 1.0, 2, 2, 30.0).missed_alarm_rate == 1.0
    for wrong in ((-0.1, 0.5, 1, 1, 1.0), (0.5, 1.1, 1, 1, 1.0), (0.5, 0.5, 0, 1, 1.0), (0.5, 0.5, 1, 1, 0.0)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            delay_timer(*wrong)


def test_the_docstring_example_holds() -> None:
    results = doctest.testmod(delay_timers)
    assert (results.attempted, results.failed) == (1, 0)


# ---------------------------------------------------------------- noise


@pytest.mark.parametrize(("made", "fast"), [(HUMID, 0.8), (WARM, 0.08)])
def test_the_noise_that_was_put_in_is_found(made: Record, fast: float) -> None:
    noise = noise_of(*made)
    assert noise.days == pytest.approx(14, abs=0.01)
    assert noise.interval_ms == 30_000
    assert noise.quantum == pytest.approx(0.1)
    # the running median takes some of the fast part away and rounding to 0.1 adds 0.03: within a quantum
    assert noise.fast == pytest.approx(fast, abs=0.1)
    assert noise.fast_for_s == pytest.approx(90, rel=0.25)


def test_gaps_are_no_observed_time() -> None:
    at_ms, value = record(8, 1.5, 0.8)
    late = at_ms.copy()
    late[len(late) // 2 :] += 30 * DAY_MS
    assert noise_of(late, value).days == pytest.approx(8, abs=0.01)


def test_white_noise_has_no_correlation_time_and_fine_readings_no_quantum() -> None:
    generator = np.random.default_rng(3)
    noise = noise_of(np.arange(5000, dtype=np.int64) * 30_000, generator.normal(0, 1, 5000))
    assert noise.fast_for_s is None or noise.fast_for_s < 15
    assert noise.quantum == 0.0


# ---------------------------------------------------------------- the advice


def test_a_hovering_value_raises_as_often_as_was_measured_for_the_default_settings() -> None:
    """Check values: simulated before (raises per day at these noises), within the scatter of 14 days of rare events."""
    seen = {
        "plain threshold, humidity": propose(*HUMID, ask(0.0, 0, 10)).present.raises_per_day,
        "ours, humidity": propose(*HUMID, ask(3.0, 10, 10)).present.raises_per_day,
        "plain threshold, temperature": propose(*WARM, ask(0.0, 0, 2)).present.raises_per_day,
        "ours, temperature": propose(*WARM, ask(0.5, 10, 2)).present.raises_per_day,
    }
    print(seen)
    assert 100 < seen["plain threshold, humidity"] < 260
    assert 50 < seen["plain threshold, temperature"] < 160
    assert seen["ours, humidity"] <= 1
    assert seen["ours, temperature"] <= 1.2


@pytest.mark.parametrize(
    ("made", "question"), [(HUMID, ask(0.2, 0, 10)), (WARM, ask(0.1, 0, 2))], ids=["humidity", "temperature"]
)
def test_the_advised_setting_is_quiet_misses_nothing_and_is_quick_enough(made: Record, question: Question) -> None:
    proposal = propose(*made, question)
    advised = proposal.advised
    assert advised is not None
    assert proposal.present.raises_per_day > 10
    assert advised.raises_per_day <= 0.5
    assert advised.missed == 0.0
    assert advised.late_s is not None
    assert advised.late_s * 1000 <= question.find_within_ms
    assert advised.deadband >= max(2 * proposal.noise.quantum, 3 * proposal.noise.fast) - 1e-9
    assert advised.off_ms >= advised.on_ms >= 2 * proposal.noise.interval_ms
    assert "Advised: deadband" in proposal.text
    better = [trial for trial in proposal.trials if trial.on_ms < advised.on_ms]
    assert all(trial.raises_per_day > 0.5 for trial in better)


def test_a_setting_that_is_good_is_left_alone() -> None:
    assert propose(*HUMID, ask(3.0, 10, 10)).text.endswith("It may stay as it is.")


def test_a_limit_within_the_noise_gets_no_advice_but_an_explanation() -> None:
    proposal = propose(*HUMID, ask(3.0, 10, 0.2, deadband_at_most=3.0))
    assert proposal.advised is None
    assert proposal.present.missed > 0.2
    assert "the noise is too large" in proposal.text


def test_longer_delays_are_later_and_raise_no_more() -> None:
    trials = propose(*WARM, ask(0.5, 10, 2)).trials
    same = [trial for trial in trials if trial.deadband == trials[0].deadband]
    assert [trial.late_s for trial in same] == sorted(trial.late_s or 0 for trial in same)
    assert same[0].raises_per_day >= same[-1].raises_per_day


def test_a_slow_probe_is_not_offered_delays_below_two_of_its_readings() -> None:
    made = record(10, 0.3, 0.08, step_s=600)
    trials = propose(*made, ask(0.5, 30, 2)).trials
    assert {trial.on_ms for trial in trials} == {30 * MINUTE_MS}


def test_upper_and_lower_edges_mirror_each_other() -> None:
    at_ms, value = WARM
    below = propose(at_ms, -value, ask(0.5, 10, 2, upper=False))
    above = propose(at_ms, value, ask(0.5, 10, 2))
    assert below.trials == above.trials


def test_too_short_a_record_is_refused_with_what_is_missing() -> None:
    at_ms, value = WARM
    part = 3 * 2880
    with pytest.raises(ValueError, match=r"3\.0 days of good samples are too few: the advice needs 7 days"):
        propose(at_ms[:part], value[:part], ask(0.5, 10, 2))
    with pytest.raises(ValueError, match=r"0\.0 days"):
        propose(at_ms[:1], value[:1], ask(0.5, 10, 2))


def test_a_band_asks_for_each_of_its_edges_and_leaves_itself_room_to_clear() -> None:
    warm = question_of(TemperatureBand(), "high", "K")
    assert warm == Question(0.5, 10 * MINUTE_MS, 15 * MINUTE_MS, 2.0, unit="K", upper=True, deadband_at_most=1.6)
    humid = question_of(HumidityBand(), "high", "%RH")
    assert humid is not None
    assert (humid.excursion, humid.deadband_at_most) == (9.0, 8.0)
    assert question_of(TemperatureBand(high=None, harmful_high=None), "high", "K") is None
    narrow = propose(*HUMID, ask(3.0, 10, 10, deadband_at_most=3.0))
    assert max(trial.deadband for trial in narrow.trials) <= 3.0


def test_what_is_returned_can_be_read_by_name() -> None:
    proposal = propose(*WARM, ask(0.5, 10, 2))
    assert isinstance(proposal.noise, Noise)
    assert isinstance(proposal.present, Trial)
    assert proposal.present.off_ms < HOUR_MS
