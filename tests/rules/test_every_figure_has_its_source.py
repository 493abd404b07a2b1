"""Every figure of the rules has beside it where it is from: a publication, the trade, memory, or an estimate of our own.

Beside: in a comment on its lines or right above, or in the docstring below it or below the row of figures it stands in. A
figure is a number written at the top of a module; 0, 1 and 2, codes that only tell states apart, and what is computed from
other figures are none. The tables of `rules/trade` carry a source in each row, or in the docstring of their module for all rows
without one.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted((ROOT / "rules").rglob("*.py"))
SAYS_WHERE_FROM = re.compile(
    r"own estimate|estimates? of our own|judgement|common practice|no source|from memory|by definition|bookkeeping|measured"
    r"|et al|\b(1[89]|20)\d\d\b|\bISO\b|IAPWS|JCGM|ASHRAE|CODATA|RFC|CLDR",
    re.IGNORECASE,
)
TABLES = {"trade"}


def figures(node: ast.expr) -> bool:
    """Return whether an expression holds a number that had to be chosen."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "range":
        return False
    numbers = [
        each.value for each in ast.walk(node)
        if isinstance(each, ast.Constant) and isinstance(each.value, (int, float)) and not isinstance(each.value, bool)
    ]
    if isinstance(node, ast.Tuple) and codes(node):
        return False
    names = {each.id for each in ast.walk(node) if isinstance(each, ast.Name)}
    derived = any(re.fullmatch(r"_?[A-Z][A-Z0-9_]*", name) and not name.endswith("_MS") for name in names)
    return not derived and any(abs(number) not in (0, 1, 2) for number in numbers)


def codes(node: ast.Tuple) -> bool:
    """Return whether these are whole numbers one after the other, which only tell states apart."""
    try:
        found = ast.literal_eval(node)
    except ValueError:
        return False
    return all(isinstance(each, int) for each in found) and list(found) == list(range(found[0], found[0] + len(found)))


def assigned(body: list[ast.stmt]) -> Iterator[tuple[int, str, ast.expr]]:
    for place, node in enumerate(body):
        if isinstance(node, ast.Assign):
            yield place, ast.unparse(node.targets[0]), node.value
        elif isinstance(node, ast.AnnAssign) and node.value is not None:
            yield place, ast.unparse(node.target), node.value


def beside(source: str, body: list[ast.stmt], place: int) -> str:
    """Return all that is said beside the assignment at this place."""
    lines, node = source.splitlines(), body[place]
    above = node.lineno - 2
    while above >= 0 and lines[above].lstrip().startswith("#"):
        above -= 1
    said = [*lines[above + 1 : node.end_lineno]]
    below = place + 1
    while below < len(body) and isinstance(body[below], (ast.Assign, ast.AnnAssign)) and (
        lines[body[below].lineno - 2].strip() or body[below].lineno == (body[below - 1].end_lineno or 0) + 1
    ):  # fmt: skip
        below += 1
    after = body[below] if below < len(body) else None
    if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and isinstance(after.value.value, str):
        said.append(after.value.value)
    return "\n".join(said)


def without_source(path: Path) -> list[str]:
    source = path.read_text(encoding="utf-8")
    tree = ast.parse(source)
    whole = (ast.get_docstring(tree) or "") if path.parent.name in TABLES else ""
    return [
        f"{path.relative_to(ROOT)}: {name}" for place, name, value in assigned(tree.body)
        if figures(value) and not SAYS_WHERE_FROM.search(beside(source, tree.body, place) + whole)
    ]


def test_every_figure_of_the_rules_says_where_it_is_from() -> None:
    assert [line for path in MODULES for line in without_source(path)] == []


@pytest.mark.parametrize(("text", "found"), [
    ("LIMIT_C = 31.5\n", True),
    ("LIMIT_C = 31.5  # own estimate\n", False),
    ('LIMIT_C = 31.5\n"""Common practice, no source."""\n', False),
    ('LIMIT_C = 31.5\nOTHER_C = 12.0\n"""Both: Cazin 1989."""\n', False),
    ('LIMIT_C = 31.5\n\nOTHER_C = 12.0\n"""Cazin 1989."""\n', True),
    ("LIMIT_C = 31.5\n# Cazin 1989\nOTHER_C = 1.0\n", True),
    ("ON, OFF, LATE = 0, 1, 2\nCOUNT = 2\nWAIT_MS = HALF * 3\n", False),
    ("WAIT_MS = 3 * HOUR_MS\n", True),
    ('"""All of it: own estimates."""\nLIMITS = {"a": (3.0, 4.0)}\n', True),
])  # fmt: skip
def test_the_guard_finds_what_it_is_for(text: str, found: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"{__name__}.ROOT", tmp_path)
    path = tmp_path / "some.py"
    path.write_text(text, encoding="utf-8")
    assert bool(without_source(path)) == found
