"""A letter speaks with one voice: what it has the keeper do, never do, why and how sure contradict each other nowhere."""

from __future__ import annotations

from itertools import product

import pytest
from advice_scenes import alarms, devices, settings_of, situation
from decision_matrix import judged

from rules.advice.advisory import AdviceState, consider
from rules.advice.planned import Plan, fitting
from rules.settings import Chamber, Mister
from rules.trade.acts import ACTS
from rules.trade.emergencies import COLD_NEVER, HEAT_NEVER, WAVE_NEVER
from rules.trade.practice import CELLS, NO_MIST_HOT

EVERY = 353
"""One letter of so many: it shares no factor with any side of the matrix, so each side is met in turn."""


def test_no_letter_of_the_decision_matrix_contradicts_itself() -> None:
    read, found, shown = judged(EVERY)
    assert read > 250
    assert not found, next(iter(shown.items()))


def test_a_plan_that_warns_of_what_it_advises_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="must not say: Do not mist"):
        Plan(branch="cell", cause=None, actions=(), acts=("mist-more",), never=(NO_MIST_HOT,))
    assert fitting((NO_MIST_HOT,), ("mist-more",)) == ()


def test_what_a_cell_forbids_outright_is_nowhere_in_its_order() -> None:
    for cell in CELLS:
        forbidden = frozenset().union(*(row.against for row in cell.never if not row.about_order and not row.when))
        assert forbidden.isdisjoint(f"{ACTS[step.act].device}:{ACTS[step.act].change}" for step in cell.order), cell.number


def test_what_is_forbidden_names_changes_that_some_act_makes() -> None:
    known = {f"{act.device}:{act.change}" for act in ACTS.values()} | {"mister:on"}
    rows = [*HEAT_NEVER, *WAVE_NEVER, *COLD_NEVER, *(row for cell in CELLS for row in cell.never)]
    assert frozenset().union(*(row.against for row in rows)) <= known


@pytest.mark.parametrize(("press_ml", "now_ml"), list(product((None, 0.15, 0.8, 1.1), (0.0, 0.3, 1.6, 4.0))))
def test_mist_is_given_in_whole_presses_at_intervals_that_a_keeper_can_remember(press_ml, now_ml) -> None:
    chamber = Chamber(devices=devices(mister=Mister(ml_per_day=now_ml, ml_per_press=press_ml), wet_granules=False))
    dose_ml = press_ml or 0.5
    for t, rh in product((22.5, 26.0, 29.0), (55.0, 62.0, 80.0, 97.0)):
        now = situation(t, rh, 21.0, 45.0)
        _, events = consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber), "test")
        for action in (action for event in events for action in event.actions if action.device == "mister"):
            then_ml = now_ml + (action.amount or 0.0) * (1 if action.change == "more" else -1)
            given = [round(then_ml * days / dose_ml, 2) for days in (1, 2, 3, 4, 7)]
            assert any(abs(count - round(count)) <= 0.05 for count in given), (action.text, given)
