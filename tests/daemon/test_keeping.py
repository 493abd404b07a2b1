"""The table of the whole job names every task, sign, alarm and plan that there is, and nothing that there is not."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from daemon.commands import COMMANDS
from rules.care.plans import Plan
from rules.trade.alarm_kinds import ALARMS
from rules.trade.routine import TASKS
from rules.trade.symptoms import SYMPTOMS

TEXT = (Path(__file__).parents[2] / "sample_config" / "KEEPING.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"`([a-z][a-z-]*)`", TEXT))


def test_nothing_of_the_trades_tables_is_left_out() -> None:
    assert {*TASKS, *SYMPTOMS, *ALARMS} - NAMED == set()
    assert all(f"dewlid care prepare {plan}" in TEXT for plan in get_args(Plan))


def test_nothing_is_named_that_is_not_there() -> None:
    assert NAMED - {*TASKS, *SYMPTOMS, *ALARMS, "code", "colony"} == set()
    assert set(re.findall(r"`dewlid ([a-z][\w-]*)", TEXT)) <= set(COMMANDS)
