"""What is used up of what a garden bears: shown as a figure, called an estimate, and gone when it is nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC

import pytest

from adapters.wording.harm import harm_lines, harm_sentences
from adapters.wording.payload import chamber_state
from rules.climate.situation import Situation
from rules.settings import Settings, Site, Telling
from rules.terms.condition_changes import Harm

HARM = Harm("cold", 0.601, 5.0 * 3600, 3.0 * 3600, "severe", False, False)
NOTHING = dict.fromkeys(Situation.__dataclass_fields__)


def test_the_figure_is_told_with_its_rest_and_its_early_end():
    assert harm_lines([HARM]) == ["cold: about 60 %; at this pace the rest lasts about 5 hours, at the earliest 3 hours"]


@pytest.mark.parametrize(("changed", "said"), [
    ({"used": 1.2}, "cold: all"),
    ({"left_s": None, "early_left_s": None}, "cold: about 60 %; it is back in its band and gets over it"),
    ({"early_left_s": 5.0 * 3600}, "cold: about 60 %; at this pace the rest lasts about 5 hours"),
    ({"carried": True, "early_left_s": None},
     "cold: about 60 %; at this pace the rest lasts about 5 hours; it goes on as it went when it was last seen"),
])  # fmt: skip
def test_each_way_in_which_it_stands_has_its_words(changed: dict[str, object], said: str):
    assert harm_lines([replace(HARM, **changed)]) == [said]


def test_who_does_not_ask_is_told_what_is_worth_it_and_that_it_is_an_estimate():
    assert harm_sentences([HARM, replace(HARM, kind="heat", used=0.007)]) == [
        "About 60 % of what such a garden bears of cold is used up (an own estimate)."
    ]


def test_programs_read_it_in_the_state_of_the_chamber():
    situation = Situation(**NOTHING | {"at_ms": 1, "chamber": "nest", "condensate_g_m2": 0.0, "lacking": (), "harm": (HARM,)})
    settings = Settings(site=Site(), zone=UTC, rooms={}, chambers={}, probes={}, telling=Telling())
    state = json.loads(chamber_state(situation, settings))
    assert state["harm"] == [{
        "kind": "cold", "used": 0.601, "left_s": 18000.0, "early_left_s": 10800.0, "consequence": "severe", "acute": False,
        "going_away": False, "carried": False,
    }]  # fmt: skip
