"""One question has one answer: what stands for the same fact in several places is the same figure."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from advice_scenes import situation

from rules.advice.boxes import MARKS_C
from rules.advice.goal import goal_of
from rules.settings import Chamber, Garden
from rules.trade import practice
from rules.trade.bearable import BEARABLE
from rules.trade.profiles import GARDENS

SAMPLES = sorted((Path(__file__).parents[3] / "sample_config").glob("*.toml"))


@pytest.mark.parametrize("garden_ml", [5.0, 100.0, 400.0, 5000.0, 20_000.0])
@pytest.mark.parametrize(("genus", "group"), list(GARDENS))
def test_advice_aims_at_the_edges_that_the_alarms_judge_by(genus, group, garden_ml):
    chamber = Chamber(genus=genus, species_group=group, garden=Garden(volume_ml=garden_ml))
    goal = goal_of(chamber, situation(26.0, 80.0, garden_ml=garden_ml))
    heat, damp = chamber.temperature, chamber.humidity_for(garden_ml)
    assert (goal.low_c, goal.high_c, goal.harmful_low_c, goal.harmful_high_c) == (
        heat.low, heat.high, heat.harmful_low, heat.harmful_high,
    )
    assert (goal.low_pct, goal.high_pct, goal.harmful_low_pct) == (damp.low, damp.high, damp.harmful_low)


def test_no_sample_but_by_reason_writes_another_humidity_edge():
    for path in SAMPLES:
        for name, chamber in tomllib.loads(path.read_text(encoding="utf-8"))["chamber"].items():
            assert "high" not in chamber.get("humidity", {}), f"{path.name}, {name}: the default is the trade's"


def test_the_marks_of_cold_and_heat_are_those_of_what_a_garden_bears():
    cold = [value for value, _ in BEARABLE["cold"].marks]
    heat = [value for value, _ in BEARABLE["heat"].marks]
    assert set(MARKS_C) <= set(cold)
    assert practice.LETHAL_COLD_C == BEARABLE["cold"].severe[0] == cold[0]
    assert heat == [practice.HEAT_FIRST_C, practice.DEADLY_HEAT_C, 37.0]  # no growth at 37 degC: Cazin et al. 1989
    # stagnation of tropical gardens, Mueller et al. 2011, and growth clearly reduced, Cazin et al. 1989
    assert Chamber().temperature.harmful_low == BEARABLE["cold"].serious[0] == 20.0
    assert Chamber().temperature.harmful_high == BEARABLE["heat"].severe[0] == practice.VERY_HOT_C == 30.0
