"""The shape of the house: arrows run daemon -> adapters -> rules, rules are pure, and the packages are ours."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from functools import cache
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


@cache
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


# Room by room, from the ground up: each may import the rooms named, and itself. A circle cannot be written down in this order.
ROOMS: dict[str, str] = {
    "rules/terms": "",
    "rules/trade": "terms",
    "rules/settings": "terms trade",
    "rules/keeper": "terms trade settings",
    "rules/physics": "terms settings",
    "rules/climate": "terms trade settings keeper physics",
    "rules/checks": "terms trade settings keeper physics climate",
    "rules/harm": "terms trade settings keeper physics climate checks",
    "rules/alarms": "terms trade settings keeper climate",
    "rules/care": "terms trade settings keeper climate",
    "rules/advice": "terms trade settings keeper physics climate",
    "rules/telling": "terms trade settings climate alarms",
    "rules/turn": "terms trade settings keeper physics climate checks harm alarms care advice telling",
    "daemon/clock": "",
    "daemon/exit_status": "",
    "daemon/logs": "",
    "daemon/screen": "exit_status",
    "daemon/store": "",
    "daemon/config": "store",
    "daemon/delivery": "store",
    "daemon/fit": "store",
    "daemon/report": "store config",
    "daemon/setup": "clock store config",
    "daemon/desk": "clock logs screen store config delivery fit report",
    "daemon/trouble": "exit_status store config report desk",
    "daemon/watch": "clock exit_status logs store config delivery fit report",
    "daemon/check": "clock logs screen store config delivery watch",
    "daemon/demo": "clock screen store config delivery desk watch",
    "daemon/commands": "clock exit_status screen store config delivery fit report setup desk watch check demo",
    "daemon/cli": "exit_status trouble commands",
}


def room_of(module: str) -> str:
    return "/".join(module.split(".")[:2])


@pytest.mark.parametrize("package", ["rules", "daemon"])
def test_arrows_between_rooms_run_only_downwards(package: str) -> None:
    wrong: set[str] = set()
    for path in modules(package):
        here = "/".join(path.relative_to(ROOT).with_suffix("").parts[:2])
        for name in imported(path):
            there = room_of(name)
            if name.startswith(f"{package}.") and there != here and there.split("/")[1] not in ROOMS[here].split():
                wrong.add(f"{path.relative_to(ROOT)} -> {name}")
    assert wrong == set()


def test_the_care_routine_can_be_lifted_out() -> None:
    """Only the turn calls it: with it taken away, every other room of the rules still stands."""
    assert [room for room, below in ROOMS.items() if room.startswith("rules/") and "care" in below.split()] == ["rules/turn"]
    others = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts) for path in modules("rules")
        if path.relative_to(ROOT).parts[1] not in ("care", "turn")
    ]  # fmt: skip
    program = f"import sys, importlib\nsys.modules['rules.care'] = None\nfor name in {others}: importlib.import_module(name)"
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_every_room_stands_above_all_that_it_may_import() -> None:
    order = list(ROOMS)
    for room, below in ROOMS.items():
        package = room.split("/")[0]
        assert all(order.index(f"{package}/{name}") < order.index(room) for name in below.split()), room


def test_no_room_is_missing_from_the_table_and_none_is_made_up() -> None:
    paths = [path.relative_to(ROOT).with_suffix("") for package in ("rules", "daemon") for path in modules(package)]
    found = {"/".join(path.parts[:2]) for path in paths} - {"rules/__init__", "daemon/__init__"}
    assert found == set(ROOMS)


def test_the_ground_floor_of_the_adapters_knows_no_room_above_it() -> None:
    above = ("adapters.probes", "adapters.outlets", "adapters.wording")
    files = sorted((ROOT / "adapters").glob("*.py"))
    assert len(files) > 10
    assert {path.name: found for path in files if (found := [name for name in imported(path) if name.startswith(above)])} == {}


def test_the_wording_imports_rules_alone() -> None:
    allowed, own = PURE | {"rules", "html", "textwrap"}, "adapters.wording"
    wrong = {
        path.name: sorted(name for name in imported(path) if name.split(".")[0] not in allowed and not name.startswith(own))
        for path in modules("adapters/wording")
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


def test_no_module_is_too_long_to_be_read_at_one_go() -> None:
    """About 300 lines are the aim; a longer one is split by what is true of its parts."""
    lines = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for package in MAY_IMPORT for path in modules(package)
    }  # fmt: skip
    assert {path: count for path, count in lines.items() if count > 400} == {}


@pytest.mark.parametrize("package", ["rules", "adapters", "daemon"])
def test_the_packages_that_are_imported_are_ours(package: str) -> None:
    assert Path(importlib.import_module(package).__file__ or "").parent == ROOT / package


def test_the_daemon_imports_nothing_heavy() -> None:
    heavy = ["resvg_py", "PIL", "pandas", "scipy", "rich", "pymodbus", "jsonschema", "icalendar", "dns", "CoolProp", "pytest"]
    heavy += ["re2", "imaplib", "html.entities", "email.headerregistry"]  # only where the config asks for what needs them
    script = (
        "import sys, daemon.cli, daemon.watch.daemon, daemon.watch.assembly, adapters.probes, adapters.outlets\n"
        "import rules.turn.advance\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


def test_no_text_uses_a_quaint_word() -> None:
    quaint = re.compile(r"\b(mend(s|ed|ing)?|foret(old|ell)\w*|reckon\w*)\b", re.IGNORECASE)
    found = {
        f"{path.relative_to(ROOT)}:{node.lineno}": node.value
        for package in MAY_IMPORT
        for path in modules(package)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and quaint.search(node.value)
    }
    assert found == {}


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
