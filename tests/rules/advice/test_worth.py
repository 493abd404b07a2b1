"""Predictions that are worth what they state: as wide as the chamber's past ones had to be, in the end one in twenty misses."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import exp

import numpy as np
import pytest
from advice_scenes import NOON_MS, devices, later, settings_of, situation, standing

from rules.advice.advisory import consider
from rules.advice.done import Begun
from rules.advice.done import done as book
from rules.advice.state import AdviceState, Awaited, Worth
from rules.advice.worth import ALONE, FIRST, awaited, factor, held_against, is_due
from rules.settings import Chamber
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
    rows = awaited([Prediction(6 * HOUR_MS, 25.0, 0.3, 80.0, 2.0, None, None)], NOON_MS, watered=False)
    state = replace(AdviceState(), awaited=rows)
    early = replace(situation(29.0, 80.0, 20.0, 50.0), at_ms=NOON_MS + 5 * HOUR_MS)
    assert not is_due(state, early.at_ms) and held_against(state, early) == state
    late = replace(early, at_ms=NOON_MS + 8 * HOUR_MS)
    assert held_against(state, late) == AdviceState()
    seen = held_against(state, replace(early, at_ms=NOON_MS + 6 * HOUR_MS + 10 * MINUTE_MS))
    assert seen.worth["temperature 6"] == Worth(pytest.approx(0.285), told=1, held=0)
    assert seen.worth["humidity 6"] == Worth(pytest.approx(-0.015), told=1, held=1)
    assert held_against(seen, late) == seen


def test_promises_of_water_come_down_to_what_water_gives_in_a_box_that_dries_it_within_hours():
    """54 promises of 54 were too high, by 14 points on the mean, the last as much as the first. This box
    is dry at 62 %RH; a dose lifts it by 6 points, and that dries away in 5 hours (own figures): after a day nothing is left."""
    chamber, state, promised = Chamber(devices=devices(setpoint_c=26.0, mister=None)), AdviceState(), []
    dry = {"humidity-low": standing("humidity-low", since_ms=NOON_MS)}
    given_h, changes = [], ()
    for hour in range(10 * 24):
        rh = 62.0 + sum(6.0 * exp(-(hour - at_h) / 5.0) for at_h in given_h if hour > at_h)
        now = later(situation(26.0, rh, 21.0, 30.0, 0.9), float(hour), changes=changes)
        state = held_against(state, now) if is_due(state, now.at_ms) else state
        state, events = consider(settings_of(chamber), "north", state, now, dry, "test")
        for event in events:
            promised += [one.relative_humidity_pct for one in event.predictions if one.after_ms == 24 * HOUR_MS]
        if events and events[-1].status == "given" and state.open is not None:
            given_h += [hour] if "water:more" in state.open.keys else []
            state, made = book(state, state.open, None, Begun(now.at_ms, 26.0))
            changes = (*changes, *made)
    assert len(promised) >= 2 and promised[0] < 62.0 + 14.0  # at first 8 points less than was promised to such a box
    assert promised[-1] - 62.0 < 0.6 * (promised[0] - 62.0)


def test_where_water_does_not_hold_the_letter_says_that_nothing_here_repairs_it():
    now, chamber = situation(26.0, 62.0, 21.0, 30.0, 0.9), Chamber(devices=devices(setpoint_c=26.0))
    state, said = AdviceState(), []
    dry = {"humidity-low": standing("humidity-low", since_ms=NOON_MS)}
    for hour in range(5 * 24):
        state, events = consider(settings_of(chamber), "north", state, later(now, float(hour)), dry, "test")
        said += [(hour, event) for event in events if event.status == "given"]
        if events and events[-1].status == "given" and state.open is not None:
            state, _ = book(state, state.open, None, Begun(NOON_MS + hour * HOUR_MS, 26.0, 26.0, 62.0))
    vain = [(hour, event) for hour, event in said if "Nothing here repairs it" in event.reason]
    assert vain and vain[0][0] <= 60 and all(event.predictions == () for _, event in vain)
    assert all(later_h - hour >= 20 for (hour, _), (later_h, _) in pairwise(vain))


def test_what_a_cooled_room_or_a_shut_lid_brings_is_promised_once_and_half_believed():
    """Rooms that were cooled as asked came out 1.5 K colder than predicted, lids that were looked at 6 points more humid:
    neither has a knob (foreign simulation)."""
    hot = situation(29.5, 80.0, 28.5, 50.0, 0.9, temperature_slope_k_h=0.0)
    chamber, warm = Chamber(devices={}), {"temperature-high": standing("temperature-high", since_ms=NOON_MS)}
    state, first = consider(settings_of(chamber), "north", AdviceState(), hot, warm, "test")
    assert "room:less" in [f"{row.device}:{row.change}" for row in first[-1].actions] and state.open is not None
    state, _ = book(state, state.open, None, Begun(NOON_MS, 29.5))
    _, again = consider(settings_of(chamber), "north", state, later(hot, 30.0), warm, "test")
    cold, warm_still = ({row.after_ms: row for row in one[-1].predictions} for one in (first, again))
    for hours in (1, 6, 24):
        now, then = cold[hours * HOUR_MS], warm_still[hours * HOUR_MS]
        assert now.temperature_c < then.temperature_c - 0.5 and now.temperature_u_k > then.temperature_u_k
