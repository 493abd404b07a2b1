"""The shape of the house: arrows run daemon -> adapters -> rules, rules are pure, and the packages are ours."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MAY_IMPORT = {"rules": {"rules"}, "adapters": {"rules", "adapters"}, "daemon": {"rules", "adapters", "daemon"}}
PURE = {  # standard modules without clock, file, socket, log, randomness or thread
    "__future__", "bisect", "collections", "contextlib", "copy", "dataclasses", "datetime", "enum", "functools", "hashlib",
    "heapq", "itertools", "json", "math", "operator", "re", "statistics", "string", "types", "typing", "unicodedata",
}
# What reaches the world from otherwise pure modules.
WORLDLY = {"open", "print", "input", "now", "today", "utcnow", "monotonic", "sleep", "random", "default_rng", "exec", "eval"}
FORBIDDEN_NAMES = {"utils", "util", "helpers", "common", "manager", "service", "base", "core", "misc", "types"}


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("package", ["rules", "adapters", "daemon"])
def test_arrows_run_from_daemon_over_adapters_to_rules(package: str) -> None:
    ours = {"rules", "adapters", "daemon"}
    wrong = {
        str(path.relative_to(ROOT)): sorted(name for name in imported(path) if name.split(".")[0] in ours - MAY_IMPORT[package])
        for path in modules(package)
    }
    assert {path: names for path, names in wrong.items() if names} == {}


def test_rules_import_only_numpy_pydantic_and_pure_modules() -> None:
    allowed = PURE | {"numpy", "pydantic", "rules"}
    wrong = {
        str(path.relative_to(ROOT)): sorted(name for name in imported(path) if name.split(".")[0] not in allowed)
        for path in modules("rules")
    }
    assert {path: names for path, names in wrong.items() if names} == {}


def test_rules_never_ask_a_clock_or_touch_a_file() -> None:
    found = {path.name: called(path) & WORLDLY for path in modules("rules")}
    assert {name: calls for name, calls in found.items() if calls} == {}


def called(path: Path) -> set[str]:
    """Return the names of all functions that are called in a file."""
    calls = [node.func for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    return {call.id for call in calls if isinstance(call, ast.Name)} | {
        call.attr for call in calls if isinstance(call, ast.Attribute)
    }


def test_no_module_has_a_grab_bag_name_or_shadows_the_standard_library() -> None:
    stems = {path.stem for package in MAY_IMPORT for path in modules(package)} - {"__init__", "__main__"}
    assert stems & FORBIDDEN_NAMES == set()
    top_level = {path.stem for package in MAY_IMPORT for path in (ROOT / package).glob("*.py")} - {"__init__", "__main__"}
    assert top_level & set(sys.stdlib_module_names) == set()


@pytest.mark.parametrize("package", ["rules", "adapters", "daemon"])
def test_the_packages_that_are_imported_are_ours(package: str) -> None:
    assert Path(importlib.import_module(package).__file__ or "").parent == ROOT / package


def test_the_daemon_imports_nothing_heavy() -> None:
    heavy = ["matplotlib", "pandas", "scipy", "rich", "pymodbus", "jsonschema", "icalendar", "dns", "CoolProp", "pytest"]
    script = (
        "import sys, daemon.cli, daemon.watch.daemon, daemon.watch.assembly, adapters.probes, adapters.outlets\n"
        "import rules.turn.advance\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


def test_no_modbus_write_function_exists() -> None:
    """Part of the promise that nothing is ever driven: only functions 3 and 4 may be asked for."""
    words = re.compile(r"write_(coil|register|multiple)|0x0[56]\b|0x0[fF]\b|0x10\b|preset", re.IGNORECASE)
    hits = {
        path.name: words.findall(path.read_text(encoding="utf-8"))
        for path in (ROOT / "adapters").rglob("modbus*.py")
    }
    assert {name: found for name, found in hits.items() if found} == {}


def test_the_top_level_holds_only_what_was_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, check=True, cwd=ROOT).stdout.split()
    agreed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "rules", "adapters", "tests", "systemd", "sample_config",
        "Makefile", "LICENSE", "CHANGELOG.md", "requirements.lock", ".ci", ".gitignore",
    }
    assert {name.split("/")[0] for name in listed} - agreed == set()
