"""The adviser for deadbands on records so plain that noise, raises, excursions and words can be worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from rules.alarms.deadbands import Question, Trial, noise_of, propose, question_of
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import MINUTE_MS

Values = NDArray[np.float64]


def each(minutes: float, count: int) -> NDArray[np.int64]:
    return np.arange(count, dtype=np.int64) * round(minutes * MINUTE_MS)


def ask(deadband: float, on: float, off: float, excursion: float, **more: object) -> Question:
    return Question(deadband, round(on * MINUTE_MS), round(off * MINUTE_MS), excursion, **more)


# ---------------------------------------------------------------- noise


def test_a_zigzag_is_as_fast_as_it_is_wide_and_never_like_itself() -> None:
    """0, 1, 0, 1, ...: the middle of each three is the other value, so each is one away from it, but for both ends."""
    noise = noise_of(each(10, 8), np.arange(8) % 2.0)
    assert noise.fast == pytest.approx(1.4826)
    assert (noise.quantum, noise.spread, noise.interval_ms, noise.fast_for_s) == (1.0, 0.5, 10 * MINUTE_MS, None)


def test_what_a_float_adds_to_a_step_is_no_step() -> None:
    """Less than half a millionth is a probe's arithmetic; steps below a thousandth are none that it tells."""
    for error, step, quantum in ((2e-7, 1.0, 1.0), (0.0, 0.001, 0.001), (0.0, 0.0009, 0.0)):
        value = np.arange(40) % 2 * step + np.arange(40) % 3 * error
        assert noise_of(each(10, 40), value).quantum == pytest.approx(quantum, abs=1e-6)


def test_what_lasts_over_half_an_hour_is_not_fast() -> None:
    """The middle of 30 minutes and of the one more that makes them odd: a step of 16 readings is it, one of 15 is not."""
    for lasts, is_fast in ((15, True), (16, False)):
        value = np.where(np.arange(3000) % 60 // lasts == 1, 1.0, 0.0)
        noise = noise_of(each(1, 3000), value)
        assert noise.fast == 0.0 and noise.spread == pytest.approx(math.sqrt(lasts / 60 * (1 - lasts / 60)))
        assert (noise.fast_for_s is not None) is is_fast


@pytest.mark.parametrize(("gap_min", "like_itself"), [(1.0, True), (1.5, True), (1.6, False)])
def test_two_of_ten_readings_that_are_one_higher_are_half_like_the_next(gap_min: float, like_itself: bool) -> None:
    """1, 1 and eight times 0: after a high reading the next is high in one of two, and to half it falls in ln 2 time constants.
    Over a gap nothing is compared."""
    value = np.where(np.arange(1000) % 10 // 2 == 2, 1.0, 0.0)
    at_ms = np.cumsum(np.where(np.arange(1000) % 10 == 5, gap_min, 1.0) * MINUTE_MS).astype(np.int64)
    found = noise_of(at_ms, value).fast_for_s
    assert found == (pytest.approx(60.0 / math.log(2.0), rel=0.01) if like_itself else None)


def test_a_gap_counts_as_two_readings_and_no_more() -> None:
    at_ms = each(10, 12)
    at_ms[6:] += 5 * 60 * MINUTE_MS
    assert noise_of(at_ms, np.arange(12.0)).days == pytest.approx((10 * 10 + 20) / 1440)


@pytest.mark.parametrize(
    ("values", "quantum"),
    [([0.0, 0.05, 0.2], 0.05), ([0.0, 0.001, 0.1], 0.001), ([0.0, 0.0009, 0.1], 0.0), ([0.3, 0.3, 0.3], 0.0)],
)
def test_the_smallest_step_that_a_display_makes_is_seen_down_to_a_thousandth(values: list[float], quantum: float) -> None:
    assert noise_of(each(1, 30), np.array(values * 10)).quantum == pytest.approx(quantum)


# ---------------------------------------------------------------- a square wave around the limit

# 20 minutes one above its middle, 20 minutes one below, 287 times: 36 periods a day for 8 days less half an hour. The 24
# excursions begin 460 minutes apart, so in turns with the half that is high and with the low one.
COUNT = 25 * 460 + 1
WAVE: Values = np.where(np.arange(COUNT) % 40 < 20, 1.0, -1.0)
WAVE[287 * 40 :] = 0.0
AT_MS = each(1, COUNT)
DAYS = (COUNT - 1) / 1440


def present(question: Question) -> Trial:
    return propose(AT_MS, WAVE, question).present


@pytest.mark.parametrize(
    ("deadband", "on", "off", "raises"),
    [
        (1.0, 10, 10, 287),
        (1.0, 19, 19, 287), (1.0, 20, 10, 0),  # of 20 readings the last is 19 minutes after the first
        (1.0, 10, 20, 1), (1.1, 10, 10, 1),  # once raised it never comes back far enough, or for long enough
    ],
)  # fmt: skip
def test_a_wave_raises_once_a_period_where_deadband_and_delays_let_it(deadband: float, on: int, off: int, raises: int) -> None:
    assert present(ask(deadband, on, off, 10.0)).raises_per_day == pytest.approx(raises / DAYS)


@pytest.mark.parametrize(
    ("on", "excursion", "missed", "late_min"),
    [
        (10, 10.0, 0.0, 10), (30, 10.0, 0.0, 30), (59, 10.0, 0.0, 59), (60, 10.0, 1.0, None),  # an hour of 60 readings
        (10, 0.5, 0.0, 10), (25, 0.5, 0.5, 25),  # in a high hour the low half goes back below the limit
    ],
)  # fmt: skip
def test_an_excursion_is_found_after_the_delay_unless_the_noise_takes_it_back(
    on: int, excursion: float, missed: float, late_min: float | None
) -> None:
    found = present(ask(1.0, on, on, excursion))
    assert (found.missed, found.late_s) == (missed, None if late_min is None else 60.0 * late_min)


def test_a_gap_delays_by_two_readings_and_no_more() -> None:
    """Five readings above the limit, half an hour of nothing, five more: 4 + 2 + 4 minutes."""
    minute = np.concatenate(([0, 1, 2, 3, 4, 34, 35, 36, 37, 38], np.arange(39, 79)))
    at_ms = np.concatenate([(minute + 80 * n) * MINUTE_MS for n in range(300)]).astype(np.int64)
    value = np.tile(np.repeat([1.0, 0.0, -1.0, 0.0], (10, 15, 10, 15)), 300)
    days = noise_of(at_ms, value).days
    for on, raises in ((10, 300), (11, 0)):
        trial = propose(at_ms, value, ask(0.5, on, 2, 10.0)).present
        assert round(trial.raises_per_day * days) == raises


def test_what_is_tried_and_advised_and_how_it_is_said() -> None:
    """Steps of 1 and no fast noise: twice the step is the least deadband; 2 minutes are two readings."""
    proposal = propose(AT_MS, WAVE, ask(1.0, 10, 10, 10.0, unit="K"))
    assert sorted({trial.deadband for trial in proposal.trials}) == [2.0, 3.0, 4.0, 6.0, 10.0]
    delays = {(trial.on_ms // MINUTE_MS, trial.off_ms // MINUTE_MS) for trial in proposal.trials}
    assert delays == {(2, 5), (5, 5), (10, 10), (15, 30), (30, 30)}
    assert proposal.advised is not None
    assert (proposal.advised.deadband, proposal.advised.on_ms, proposal.advised.off_ms) == (2.0, 2 * MINUTE_MS, 5 * MINUTE_MS)
    assert proposal.text == (
        "now: deadband 1 K, 10 min on, 10 min off gives 35.9 raises a day while hovering on the limit, 0% missed, found after "
        "10 min. Advised: deadband 2 K, 2 min on, 5 min off, which gives 0.1 raises a day while hovering on the limit, 0% "
        "missed, found after 2 min."
    )
    lost = propose(AT_MS, WAVE, ask(1.0, 70, 70, 10.0))
    assert "now: deadband 1, 70 min on, 70 min off gives 0.0 raises a day" in lost.text
    assert "100% missed, nothing found. Advised" in lost.text


@pytest.mark.parametrize(
    ("within_min", "each_days", "stays"), [(30.0, 8.0, True), (29.9, 8.0, False), (30.0, 1.9, False), (30.0, 2.7, True)]
)
def test_a_setting_may_stay_that_raises_every_other_day_at_most_and_finds_in_time(
    within_min: float, each_days: float, stays: bool
) -> None:
    """Above the limit for 70 minutes, then below it for as long, each so many days: 5 raises in 8 days are too many, 3 are not.
    A delay of 30 minutes finds after 30 minutes."""
    minute = np.arange(COUNT) % round(each_days * 1440)
    value = np.where(minute < 70, 10.0, np.where(minute < 140, -10.0, 0.0))
    question = ask(5.0, 30, 30, 100.0, find_within_ms=round(within_min * MINUTE_MS))
    assert propose(AT_MS, value, question).text.endswith("It may stay as it is.") is stays


def test_readings_finer_than_a_display_have_deadbands_of_two_digits() -> None:
    """A zigzag of 0.0008 is 0.0008 x 1.4826 fast; three times that is 0.003558, and a step of a tenth of its first digit is
    0.0001."""
    proposal = propose(each(10, 1300), np.arange(1300) % 2 * 0.0008, ask(0.5, 30, 30, 2.0))
    assert sorted({trial.deadband for trial in proposal.trials}) == pytest.approx([0.0036, 0.0054, 0.0072, 0.0107, 0.0178])


def test_a_true_excursion_goes_from_the_limit_to_the_harmful_level_and_no_deadband_beyond_that_is_tried() -> None:
    near = question_of(TemperatureBand(low=24.0, harmful_low=23.0), "low", "K")
    assert near == Question(0.5, 10 * MINUTE_MS, 15 * MINUTE_MS, 1.0, unit="K", upper=False, deadband_at_most=1.0)
    wide = question_of(TemperatureBand(), "low", "K")
    assert wide is not None and (wide.excursion, wide.deadband_at_most) == (4.0, 1.6)
    alone = question_of(HumidityBand(low=None, harmful_low=None, high=80.0, harmful_high=84.0), "high", "%RH")
    assert alone is not None and (alone.excursion, alone.deadband_at_most) == (4.0, 4.0)
