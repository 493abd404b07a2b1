"""A check is one file, one line of CHECKS and one row of ALARMS: no part can be forgotten, and nothing named does not exist."""

from __future__ import annotations

import inspect
import subprocess
import sys
from dataclasses import MISSING, fields
from pathlib import Path
from types import SimpleNamespace
from typing import get_args

import pytest
from north_course import Course

import rules.advice.cause
import rules.advice.coupled
import rules.checks
from rules.advice.branches import BRANCHES, BY_CAUSE, Branch
from rules.advice.text import UNMET
from rules.checks import CHECKS, Check, lid_open, unpaired
from rules.climate.situation import Situation
from rules.settings import Chamber, Telling
from rules.settings.bands import Band
from rules.terms.advised import Action
from rules.trade.acts import ACTS
from rules.trade.alarm_kinds import ALARMS, AlarmKind, Bears, Latch
from rules.turn import perceive

ROOT = Path(rules.checks.__file__).parents[2]
LEVELS = ("outside", "harmful")
KINDS = pytest.mark.parametrize("alarm", ALARMS)


def test_every_check_that_has_a_file_is_in_the_catalogue() -> None:
    files = {path.stem for path in Path(rules.checks.__file__).parent.glob("[a-z]*.py")} - {"verdict"}
    assert {check.look.__module__.rpartition(".")[2] for check in CHECKS} == files


def test_an_alarm_without_its_check_or_its_row_or_with_two_checks_is_named() -> None:
    assert unpaired(CHECKS, ALARMS) == []
    assert unpaired(CHECKS[1:], ALARMS) == ["temperature-high", "temperature-low"]
    assert unpaired([*CHECKS, CHECKS[1]], ALARMS) == ["heater-runaway"]
    assert unpaired(CHECKS, ALARMS | {"of-tomorrow": ALARMS["blind"]}) == ["of-tomorrow"]
    assert unpaired(CHECKS, {name: kind for name, kind in ALARMS.items() if name != "lid-open"}) == ["lid-open"]


def test_a_forgotten_part_stops_the_import() -> None:
    code = "from rules.trade.alarm_kinds import ALARMS; del ALARMS['lid-open']; import rules.checks"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].endswith("one row of ALARMS each: lid-open")


@pytest.mark.parametrize("alarm", ["blind", "probe-calibration"])
def test_an_alarm_that_advice_is_said_to_answer_and_that_has_no_branch_stops_the_import(alarm: str) -> None:
    code = (
        "from dataclasses import replace; from rules.trade.alarm_kinds import ALARMS;"
        f" ALARMS['{alarm}'] = replace(ALARMS['{alarm}'], answered='climate'); import rules.advice.plan"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].endswith(f"needs a row of BRANCHES or a name in BY_CAUSE, not both: {alarm}")


@pytest.mark.parametrize("alarm", sorted(BY_CAUSE))
def test_what_the_cause_answers_is_looked_for_by_the_cause(alarm: str) -> None:
    looked_for = inspect.getsource(rules.advice.cause) + inspect.getsource(rules.advice.coupled)
    assert f'"{alarm}"' in looked_for


@pytest.mark.parametrize("branch", BRANCHES.values(), ids=list(BRANCHES))
def test_a_branch_of_its_own_asks_for_acts_that_there_are(branch: Branch) -> None:
    cause = SimpleNamespace(facts=frozenset({"lethal-cold"}))
    plain = SimpleNamespace(facts=frozenset())
    asked = {*branch.acts(cause, lambda act: False), *branch.acts(plain, lambda act: False)}  # type: ignore[arg-type]
    assert asked and asked <= ACTS.keys()
    assert branch.reason.endswith(".")


def test_no_field_of_a_row_may_be_left_out() -> None:
    left_out = [one.name for one in fields(AlarmKind) if one.default is not MISSING or one.default_factory is not MISSING]
    assert left_out == []


def test_every_alarm_that_a_check_can_raise_stands_in_its_file() -> None:
    for check in CHECKS:
        source = inspect.getsource(sys.modules[check.look.__module__])
        assert all(f'"{alarm}"' in source for alarm in check.alarms), check.alarms


@KINDS
def test_a_row_says_something_in_every_text_and_fills_in_only_what_is_known(alarm: str) -> None:
    kind = ALARMS[alarm]
    said = kind.said("Nest", "air-1", "line-2")
    assert "{" not in said
    assert "Nest" in said or kind.subject == "medium"
    assert ("air-1" in said) == ("{probe}" in kind.sentence)
    assert "{probe}" not in kind.sentence or kind.subject == "probe"
    assert ("line-2" in said) == (kind.subject == "medium")
    assert kind.first_step[-1] in ".?" and kind.first_step[0].isupper()
    assert kind.label and not kind.label.endswith(".") and not said.endswith(".")
    assert len(kind.label) <= 32  # it stands in a subject of 60 signs beside the chamber's name


@KINDS
def test_a_row_names_only_what_exists(alarm: str) -> None:
    kind = ALARMS[alarm]
    assert set(kind.explained_by) <= set(ALARMS) - {alarm}
    assert kind.figure is None or kind.figure in {field.name for field in fields(Situation)}
    if kind.edge is not None:
        band, side = kind.edge
        assert isinstance(getattr(Chamber(), band), Band) and side in Band.model_fields
    devices, changes = (set(get_args(inspect.get_annotations(Action, eval_str=True)[name])) for name in ("device", "change"))
    for device, change in (one.split(":") for one in kind.forbids):
        assert device in devices and change in changes


@KINDS
def test_what_a_garden_bears_is_ordered_by_level_and_size(alarm: str) -> None:
    rows: tuple[Bears, ...] = ALARMS[alarm].bears
    assert all(list(row.hours) == sorted(row.hours) for row in rows)
    assert all(row.level in LEVELS for row in rows) and len({row.level for row in rows}) == len(rows)


def test_each_way_to_latch_of_the_config_has_an_alarm_and_the_other_way_round() -> None:
    assert {kind.latch for kind in ALARMS.values()} == set(get_args(Latch))
    for latch in get_args(Latch):
        assert Telling(latch=[latch]).latch == [latch]


def test_what_advice_may_leave_unmet_is_what_every_reading_is_held_against() -> None:
    assert set(UNMET) == {alarm for alarm, kind in ALARMS.items() if kind.continuous}
    assert {alarm for alarm, kind in ALARMS.items() if kind.edge is not None} <= set(UNMET)


def test_no_two_alarms_are_called_or_said_the_same() -> None:
    for texts in ([kind.label for kind in ALARMS.values()], [kind.sentence for kind in ALARMS.values()]):
        assert len(set(texts)) == len(texts)


def test_a_check_that_speaks_of_an_alarm_of_another_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two checks that walk one alarm would each undo what the other said."""
    course, wrong = Course(), Check(lid_open.check, ("lid-dew",))
    monkeypatch.setattr(perceive, "CHECKS", (wrong,))
    with pytest.raises(LookupError, match="answers for lid-dew must not speak of lid-open"):
        course.live(5, 25.5)
