"""The threat table names only tests that exist, and leaves no threat of the model out."""

from __future__ import annotations

import ast
import importlib.util
from functools import cache
from pathlib import Path
from typing import Any

import pytest

TESTS = Path(__file__).parents[1]


def table() -> Any:
    spec = importlib.util.spec_from_file_location("threats", Path(__file__).with_name("threats.py"))
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.THREATS


THREATS = table()


@cache
def functions(file: str) -> frozenset[str]:
    tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"))


@pytest.mark.parametrize("row", THREATS, ids=lambda row: row.id)
def test_every_threat_has_what_stops_it_and_tests_that_exist(row: Any) -> None:
    assert row.threat and row.stopped_by and row.tests
    missing = [test for test in row.tests if test.split("::")[1] not in functions(test.split("::")[0])]
    assert missing == []


def test_the_table_is_complete_and_names_each_threat_once() -> None:
    ids = [row.id for row in THREATS]
    assert len(set(ids)) == len(ids)
    assert {f"S{number}" for number in range(1, 22)} <= set(ids)


def test_every_security_test_is_in_the_table_or_guards_one_that_is() -> None:
    named = {test for row in THREATS for test in row.tests}
    files = {path.name for path in (TESTS / "security").glob("test_*.py")} - {"test_threats.py"}
    assert files == {test.split("::")[0].removeprefix("security/") for test in named if test.startswith("security/")}
