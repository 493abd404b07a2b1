"""Each row of the fault catalogue is proved by tests that exist, and no test of this folder stands outside it."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest
from fault_catalogue import FAULTS, Fault

ROOT = Path(__file__).parents[2]


@cache
def names_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    found = [node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    return frozenset(name for name in found if name.startswith("test_"))


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.id for fault in FAULTS])
def test_a_row_names_tests_that_exist(fault: Fault) -> None:
    assert all((fault.fault, fault.injected, fault.expected, fault.tests))
    assert set(fault.must_not_be_lost.split()) <= set("RSCHQ")
    for node in fault.tests:
        file, _, name = node.partition("::")
        assert name in names_in(file), node


def test_there_are_more_than_sixty_rows_each_with_its_own_id() -> None:
    ids = [fault.id for fault in FAULTS]
    assert len(ids) == len(set(ids)) > 60


def test_every_test_that_injects_a_fault_here_is_in_the_catalogue() -> None:
    named = {node for fault in FAULTS for node in fault.tests}
    files = [path for path in sorted((ROOT / "tests/faults").glob("test_*.py")) if path.stem != "test_fault_catalogue"]
    here = {f"tests/faults/{path.name}::{name}" for path in files for name in names_in(f"tests/faults/{path.name}")}
    assert here - named == set()
