"""What a letter says of what it is, what cannot be repaired, and what would, each at its border, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from advice_scenes import devices, situation

from rules.advice.balance import present_of
from rules.advice.cause import Cause, reason_of
from rules.advice.devices import Move, moves_for
from rules.advice.model import prior_model
from rules.advice.planned import Plan
from rules.advice.search import Miss, Solution, solve
from rules.advice.text import _diagnosis, _missed, beyond_devices, headline_of, in_keepers_unit
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.settings import Chamber
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.advised import Action

BOX = Chamber(
    devices=devices(setpoint_c=25.5), temperature=TemperatureBand(target=25.5), humidity=HumidityBand(low=70.0, target=80.0)
)
KNOBS = present_knobs(BOX, ())


def cause_of(now: Situation) -> Cause:
    return reason_of(BOX, now, {}, KNOBS)


def moves_of(cause: Cause) -> list[Move]:
    return [move for step in cause.cell.order for move in moves_for(step, BOX, cause, KNOBS)]


def plan(cause: Cause | None, **more: Any) -> Plan:
    act = Action("fan", "more", 2.0, "min", "Let the fan run 2 minutes more")
    return Plan(**{"branch": "cell", "cause": cause, "actions": (act,), "acts": ()} | more)


# ---------------------------------------------------------------- what it is


def test_humid_air_under_a_dry_lid_is_what_the_garden_likes_where_nothing_is_to_change() -> None:
    damp = cause_of(situation(26.0, 95.0, 25.0, 60.0, dew_margin_k=3.0, probability_wet=0.0))
    moves = tuple(moves_of(damp)[:1])
    assert damp.cell.number == 11 and damp.case is None and moves
    assert _diagnosis(plan(damp), damp) == damp.cell.meaning
    said = "more humid than its band, and its lid is dry, so there is no haste"
    assert _diagnosis(plan(damp, moves=moves), damp) == said
    unknown = replace(damp, lid_known=False)
    for some in ((), moves):
        told = _diagnosis(plan(unknown, moves=some), unknown)
        assert told == "more humid than its band, and whether its lid is dry is not known"


@pytest.mark.parametrize(("t", "rh"), [(23.0, 80.0), (26.0, 65.0)])
def test_any_other_cell_is_what_the_table_calls_it(t: float, rh: float) -> None:
    cause = replace(cause_of(situation(t, rh, 20.0, 45.0, dew_margin_k=3.0, probability_wet=0.0)), case=None)
    assert cause.cell.number != 11
    for known in (True, False):
        told = _diagnosis(plan(cause, moves=tuple(moves_of(cause)[:1])), replace(cause, lid_known=known))
        assert told == cause.cell.meaning


# ---------------------------------------------------------------- what cannot be repaired


def found(worst: Miss | None = "humidity-low", *, left: float = 1.0, **more: Any) -> tuple[Plan, Solution]:
    """A dry box in which the winner leaves such a share of the fault; `moved`: of what does most harm it takes so much away."""
    now = situation(25.5, 55.0, 20.0, 30.0, dew_margin_k=3.0, probability_wet=0.0)
    cause = cause_of(now)
    moves = moves_of(cause)
    rank = {step.act: place for place, step in enumerate(cause.cell.order)}
    real = solve(present_of(prior_model(BOX), BOX, now, KNOBS), cause, moves, rank, {}, 2)
    winner = replace(real.winner, violation=left * real.idle.violation)
    body: dict[str, Any] = {"feasible": False, "unmet": ("humidity-low",), "worst": worst, "moved": 0.0} | more
    solution = replace(real, winner=winner, **body)
    return plan(cause, solution=solution), solution


@pytest.mark.parametrize(("left", "moved", "worst", "beyond"), [
    (0.7, 0.49, "humidity-low", True), (0.69, 0.49, "humidity-low", False),  # seven tenths of the fault are left
    (0.9, 0.5, "humidity-low", False), (0.9, 0.5, None, True),  # half of what does most harm is help
])  # fmt: skip
def test_what_leaves_seven_tenths_and_not_half_of_the_worst_is_no_help(
    left: float, moved: float, worst: Any, beyond: bool
) -> None:
    told, _ = found(worst, left=left, moved=moved)
    assert beyond_devices(told) is beyond


def test_what_is_feasible_or_searched_for_nothing_limits_harm_only_where_it_is_said_so() -> None:
    for limits in (True, False):
        for more in ({"feasible": True}, {"unmet": ()}):
            told, _ = found(**more)
            assert beyond_devices(replace(told, limits_harm=limits)) is limits
        assert beyond_devices(plan(None, limits_harm=limits)) is limits
    hold = Action("none", "hold", None, "", "Leave it be")
    assert not beyond_devices(plan(None, limits_harm=True, actions=(hold,)))


@pytest.mark.parametrize(("left", "more", "begins"), [
    (0.9, {"moved": 0.0}, "Your devices cannot repair this: it stays too dry. What would: a larger water buffer"),
    (0.5, {"moved": 0.1}, "This is a first step: by itself it stays too dry."),
    (0.5, {"moved": 0.09}, "Nothing that can be set here makes it moister: it stays too dry. What would: a larger water"),
    (0.5, {"moved": 0.0, "worst": None}, "This is a first step: by itself it stays too dry."),
    (0.9, {"unmet": ("humidity-high",), "moved": 0.2}, "This is a first step: by itself it may get very humid."),
    (0.9, {"unmet": ()}, "The size is not sure yet, so this is a first step"), (0.9, {"feasible": True}, ""),
])  # fmt: skip
def test_what_is_still_missed_is_said_with_what_would_help(left: float, more: dict[str, Any], begins: str) -> None:
    told, _ = found(**{"left": left} | more)
    said = _missed(told)
    assert said == [] if not begins else said[0].startswith(begins)


# ---------------------------------------------------------------- words


def test_two_short_steps_are_one_headline() -> None:
    """Together below 110 letters."""
    for length, joined in ((54, True), (55, False)):
        one, two = (Action("fan", "more", None, "", letter * length) for letter in ("a", "B"))
        told = headline_of(plan(None, actions=(one, two)))
        assert told == ("a" * 54 + "; then b" + "B" * 53 if joined else "a" * 55)
    assert headline_of(plan(None)) == "Let the fan run 2 minutes more"


@pytest.mark.parametrize(("text", "said"), [
    ("26.0 °C", "78.8 °F"), ("24 to 28 °C", "75.2 to 82.4 °F"), ("by 1.5 K", "by 2.7 °F"), ("+1.0 K", "+1.8 °F"),
    ("-0.5 K", "-0.9 °F"), ("-10 °C", "14.0 °F"), ("5 Kelvin", "5 Kelvin"),
])  # fmt: skip
def test_every_figure_is_told_in_the_keepers_unit(text: str, said: str) -> None:
    assert in_keepers_unit(text, "degF") == said
    assert in_keepers_unit(text, "degC") == text
