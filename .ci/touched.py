"""Which tests touch which function of rules/: written down once by pytest, then asked for the tests that could notice a change.

    pytest -p touched ...               with .ci on the path and TOUCHED naming the file: writes it, of the tests that pass
    python .ci/touched.py checks/heat   in a changed copy of the tree: runs the tests that touch what is changed, fastest first
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from types import FrameType
from typing import Any

RULES = f"{os.sep}rules{os.sep}"
AT_MOST_S = 60.0

_touched: dict[str, set[str]] = {}
_took_s: dict[str, float] = {}


def pytest_runtest_protocol(item: Any) -> None:
    """Begin a test: note every function of rules/ that is called."""
    seen = _touched[item.nodeid] = set()

    def called(frame: FrameType, event: str, _: Any) -> None:
        file = frame.f_code.co_filename
        if RULES in file and f"{os.sep}tests{os.sep}" not in file:
            seen.add(f"{file.rpartition(RULES)[2]}:{frame.f_code.co_firstlineno}")

    sys.settrace(called)


def pytest_runtest_logreport(report: Any) -> None:
    """End of a part of a test."""
    if report.when == "call" and report.passed:
        _took_s[report.nodeid] = report.duration
    if report.when == "teardown":
        sys.settrace(None)


def pytest_sessionfinish() -> None:
    """Write down who touched what."""
    by_function: dict[str, list[str]] = defaultdict(list)
    for test in sorted(_took_s, key=_took_s.__getitem__):
        for function in _touched[test]:
            by_function[function].append(test)
    Path(os.environ["TOUCHED"]).write_text(json.dumps({"tests": by_function, "took_s": _took_s}), encoding="utf-8")


def noticing(module: str, tree: Path, root: Path) -> list[str]:
    """Return the tests that touch what differs between the module in the copy and in the original, fastest first."""
    name = f"{module}.py"
    text = (root / "rules" / name).read_text(encoding="utf-8")
    pairs = zip(text.splitlines(), (tree / "rules" / name).read_text(encoding="utf-8").splitlines(), strict=False)
    changed = next((number for number, (old, new) in enumerate(pairs, 1) if old != new), 0)
    known = json.loads((tree.parent / "touched.json").read_text(encoding="utf-8"))
    inside = [
        min([node.lineno, *(one.lineno for one in node.decorator_list)])
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef) and node.lineno <= changed <= (node.end_lineno or 0)
    ]
    # What stands outside of every function is of concern to all that touch the module.
    wanted = [f"{name}:{max(inside)}"] if inside else [one for one in known["tests"] if one.startswith(f"{name}:")]
    tests = sorted({test for one in wanted for test in known["tests"].get(one, ())}, key=known["took_s"].__getitem__)
    chosen, left_s = [], AT_MOST_S
    for test in tests:
        left_s -= known["took_s"][test]
        if left_s < 0:
            break
        chosen.append(test)
    return chosen


def main() -> int:
    """Run what could notice; 0 where nothing could, as for tests that pass."""
    tree = Path.cwd()
    tests = noticing(sys.argv[1], tree, tree.parent.parent)
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0", *tests]
    return subprocess.run(command, check=False).returncode if tests else 0  # noqa: S603 (the tests' own names)


if __name__ == "__main__":
    sys.exit(main())
