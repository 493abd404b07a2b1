"""Predictions that are worth what they state: as wide as the chamber's past ones had to be, in the end one in twenty misses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advice_scenes import NOON_MS, situation

from rules.advice.state import AdviceState, Awaited, Worth
from rules.advice.worth import ALONE, FIRST, awaited, factor, held_against, is_due
from rules.terms.advised import Prediction
from rules.terms.events import HOUR_MS, MINUTE_MS


def held(draw, count: int = 4000) -> tuple[float, float]:
    """Return the share of the last half that held, and what was stated at the end."""
    state, hits = AdviceState(), []
    for number in range(count):
        wide = factor(state.worth, "temperature", 6.0)
        row = Awaited(NOON_MS, "temperature 6", 25.0, wide)
        came = 25.0 + draw(number)
        hits.append(abs(came - row.value) <= 2.0 * row.u)
        state = held_against(replace(state, awaited=[row]), replace(situation(came, 80.0, 20.0, 50.0), at_ms=NOON_MS))
    return float(np.mean(hits[count // 2 :])), factor(state.worth, "temperature", 6.0)


@pytest.mark.parametrize("name", ["normal", "heavy tails", "too sure by three", "too shy by half", "worse from the middle on"])
def test_whatever_the_errors_are_one_in_twenty_misses_in_the_long_run(name):
    rng = np.random.default_rng(7)
    draws = {
        "normal": lambda number: rng.normal(0.0, 1.0), "heavy tails": lambda number: rng.standard_t(3),
        "too sure by three": lambda number: rng.normal(0.0, 3.0), "too shy by half": lambda number: rng.normal(0.0, 1.0),
        "worse from the middle on": lambda number: rng.normal(0.0, 1.0 if number < 2000 else 2.5),
    }
    share, _ = held(draws[name])
    assert 0.92 <= share <= 0.98


def test_it_is_never_stated_wider_than_fourfold_nor_narrower_than_half():
    assert held(lambda number: 20.0, 60)[1] == pytest.approx(4.0 * FIRST["temperature"][1])
    assert held(lambda number: 0.0, 200)[1] == pytest.approx(0.5 * FIRST["temperature"][1])


def test_each_horizon_is_as_wide_as_it_had_to_be_and_what_lies_between_lies_between():
    told = {"temperature 1": Worth(0.4, 3, 1), "temperature 24": Worth(-0.2, 4, 4)}
    wide = [factor(told, "temperature", hours) for hours in (0.0, 0.5, 1.0, 3.0, 6.0, 12.0, 24.0)]
    assert wide[0] == wide[1] == wide[2] == pytest.approx(FIRST["temperature"][0] * np.exp(0.4))
    assert wide[4] == pytest.approx(FIRST["temperature"][1])
    assert wide[6] == pytest.approx(FIRST["temperature"][2] * np.exp(-0.2))
    assert wide[2] > wide[3] > wide[4] > wide[5] > wide[6]


def test_what_actions_missed_does_not_widen_what_is_stated_where_nothing_is_changed():
    assert [factor(None, name, hours) for name in ("temperature", "humidity") for hours in (1.0, 6.0, 24.0)] == pytest.approx(
        [*ALONE["temperature"], *ALONE["humidity"]]
    )


def test_what_nobody_saw_in_its_time_counts_for_nothing_and_each_counts_once():
    rows = awaited([Prediction(6 * HOUR_MS, 25.0, 0.3, 80.0, 2.0, None, None)], NOON_MS)
    state = replace(AdviceState(), awaited=rows)
    early = replace(situation(29.0, 80.0, 20.0, 50.0), at_ms=NOON_MS + 5 * HOUR_MS)
    assert not is_due(state, early.at_ms) and held_against(state, early) == state
    late = replace(early, at_ms=NOON_MS + 8 * HOUR_MS)
    assert held_against(state, late) == AdviceState()
    seen = held_against(state, replace(early, at_ms=NOON_MS + 6 * HOUR_MS + 10 * MINUTE_MS))
    assert seen.worth["temperature 6"] == Worth(pytest.approx(0.285), told=1, held=0)
    assert seen.worth["humidity 6"] == Worth(pytest.approx(-0.015), told=1, held=1)
    assert held_against(seen, late) == seen
