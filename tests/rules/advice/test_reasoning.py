from __future__ import annotations

import json

import pytest
from advice_scenes import alarms, devices, settings_of, situation

from rules.advice.advisory import AdviceState, consider
from rules.advice.reasoning import explain
from rules.settings import Chamber


def why(now, chamber, state=None):
    return explain(settings_of(chamber), "north", state or AdviceState(), now, alarms(now, chamber))


def test_the_reasoning_shows_figures_model_winner_and_runner_up_of_the_advice_that_was_given():
    chamber, now = Chamber(devices=devices(setpoint_c=29.0)), situation(29.0, 60.0, 21.0, 40.0)
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber), "test")
    seen = why(now, chamber)
    assert seen.cell == 13 and seen.case.startswith("C1:")
    assert seen.winner is not None and seen.runner_up is not None and seen.winner != seen.runner_up
    assert seen.winner.changes == tuple(action.text for action in events[0].actions if action.amount is not None)
    assert seen.searched > 10 and seen.model_source == "prior" and len(seen.model) == 8
    derived = {figure.name: figure.value for figure in seen.derived}
    assert derived["humidity at target temperature"] == pytest.approx(74.0, abs=1.0)
    assert seen.nothing_done.violation > seen.winner.violation


def test_asking_why_tells_nothing_and_goes_to_json():
    chamber, now = Chamber(devices=devices()), situation(26.0, 84.0, 18.0, 40.0)
    state = AdviceState()
    text = json.dumps(why(now, chamber, state).as_json())
    assert state == AdviceState() and "dew margin" in text


def test_a_good_chamber_and_a_blind_one_are_explained_too():
    chamber = Chamber(devices=devices())
    good = why(situation(25.5, 80.0, 23.0, 50.0), chamber)
    assert good.winner is None and "nothing to do" in good.reason
    blind = why(situation(None, None, lacking=("no believed air temperature",)), chamber)
    assert blind.cell is None and blind.lacking == ("no believed air temperature",)
