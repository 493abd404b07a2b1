"""Which tests touch which function of rules/: written down once by pytest, then asked for the tests that could notice a change.

    pytest -p touched ...     with .ci on the path and TOUCHED naming a folder: notes them there, by files of tests
    python .ci/touched.py     in a changed copy of the tree: runs the tests that touch what is changed, fastest first
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
import subprocess
import sys
from collections import defaultdict
from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

RULES = f"{os.sep}rules{os.sep}"
AT_MOST_S = 60.0

_touched: dict[str, set[CodeType]] = {}
_took_s: dict[str, float] = {}


def pytest_runtest_protocol(item: Any) -> None:
    """Begin a test: note every function of rules/ that is called."""
    seen = _touched[item.nodeid] = set()

    def called(frame: FrameType, event: str, _: Any) -> None:
        seen.add(frame.f_code)

    sys.settrace(called)


def pytest_runtest_logreport(report: Any) -> None:
    """End of a part of a test."""
    if report.when == "call" and report.passed:
        _took_s[report.nodeid] = report.duration
    if report.when == "teardown":
        sys.settrace(None)


def pytest_sessionfinish() -> None:
    """Write down who touched what, a note for each file of tests."""
    by_file: dict[str, dict[str, tuple[float, list[str]]]] = defaultdict(dict)
    for test, took_s in _took_s.items():
        by_file[test.partition("::")[0]][test] = took_s, sorted({_name(one) for one in _touched[test]} - {""})
    for file, tests in by_file.items():
        path = note(Path(os.environ["TOUCHED"]), Path(file))
        path.parent.mkdir(exist_ok=True)
        path.write_text(json.dumps(tests), encoding="utf-8")


def _name(code: CodeType) -> str:
    """Return module and function of what is of the rules, as `_changed` names them."""
    inside, file = code.co_filename.rpartition(RULES)[1:]
    return f"{file}:{code.co_qualname.partition('.<locals>')[0]}" if inside and "/tests/" not in code.co_filename else ""


def files_of_tests(tree: Path, places: Sequence[str] = ("tests",)) -> list[Path]:
    """Return the files of tests at these places."""
    return [file for place in places for file in sorted((tree / place).rglob("test_*.py") or [tree / place])]


def note(home: Path, file: Path) -> Path:
    """Return where it is noted what the tests of a file touch, as it reads now."""
    return home / "touched" / f"{file.stem}-{hashlib.sha256(file.read_bytes()).hexdigest()[:12]}.json"


def noticing(tree: Path, home: Path) -> list[str]:
    """Return the tests that touch what differs between the rules in the copy and unchanged, fastest first."""
    function = _changed(tree / "rules", home / "rules")
    known = {}
    for path in (note(home, file) for file in files_of_tests(tree)):
        known |= json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    wholes = _of_concern(home / "rules", function) if function.endswith(":") else ()
    took_s = {
        test: took_s for test, (took_s, names) in known.items()
        if function in names or (wholes and any(name.startswith(wholes) for name in names))
    }
    chosen, left_s = [], AT_MOST_S
    for test in sorted(took_s, key=took_s.__getitem__):
        left_s -= took_s[test]
        if left_s < 0:
            break
        chosen.append(test)
    return chosen


def _changed(rules: Path, unchanged: Path) -> str:
    """Return the module and function that differ; what stands outside of every function is of concern to all that touch the
    module."""
    for path in sorted(rules.rglob("*.py")):
        name = path.relative_to(rules)
        new, old = (folder.joinpath(name).read_text(encoding="utf-8") for folder in (rules, unchanged))
        if new != old:
            line = next(number for number, (a, b) in enumerate(zip_longest(old.splitlines(), new.splitlines()), 1) if a != b)
            return f"{name}:{_function(ast.parse(old), line)}"
    sys.exit("nothing is changed")


def _of_concern(rules: Path, module: str) -> tuple[str, ...]:
    """Return the module, and where it has no function those that import it: a table is touched by nobody, but read by them."""
    name = module.removesuffix(":")
    if any(isinstance(node, ast.FunctionDef) for node in ast.walk(_parsed(rules / name))):
        return (module,)
    dotted = f"rules.{name.removesuffix('.py').removesuffix('/__init__').replace('/', '.')}"
    readers = (path for path in sorted(rules.rglob("*.py")) if dotted in _imported(_parsed(path)))
    return (module, *(f"{path.relative_to(rules)}:" for path in readers))


def _parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _imported(module: ast.Module) -> set[str]:
    """Return what a module imports from: each module, and each name in it, which may be one too."""
    rows = [node for node in ast.walk(module) if isinstance(node, ast.ImportFrom) and node.module]
    return {f"{row.module}" for row in rows} | {f"{row.module}.{one.name}" for row in rows for one in row.names}


def _function(module: ast.Module, line: int) -> str:
    """Return the name of the outermost function around a line, after its class; empty outside of all."""
    classes = [node for node in module.body if isinstance(node, ast.ClassDef)]
    within = [(f"{one.name}.", node) for one in classes for node in one.body]
    for before, node in [*(("", node) for node in module.body), *within]:
        if isinstance(node, ast.FunctionDef):
            begins = min([node.lineno, *(one.lineno for one in node.decorator_list)])
            if begins <= line <= (node.end_lineno or 0):
                return before + node.name
    return ""


def main() -> int:
    """Run what could notice; 0 where nothing could, as for tests that pass."""
    tree = Path.cwd()
    tests = noticing(tree, tree.parent)
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0", *tests]
    return subprocess.run(command, check=False).returncode if tests else 0  # noqa: S603 (the tests' own names)


if __name__ == "__main__":
    sys.exit(main())
