"""What is written about the program is written by the program: the reference of keys, the manual page, the completion.

`WRITE_GOLDEN=1` (`make documents`) writes KEYS.md anew and fails, so that someone reads it.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import get_args

import pytest

from adapters.probes import AnyProbe
from daemon.cli import parser
from daemon.commands import COMMANDS, GROUPS
from daemon.config.key_reference import as_markdown, as_text, tables, undocumented
from daemon.screen.manual import bash_completion, commands_of, manual

ROOT = Path(__file__).parents[2]
KEYS = ROOT / "sample_config" / "KEYS.md"
PARSERS = dict(commands_of(parser()))


# ---------------------------------------------------------------- keys


def test_the_reference_of_keys_is_up_to_date() -> None:
    if os.environ.get("WRITE_GOLDEN") and (not KEYS.exists() or KEYS.read_text(encoding="utf-8") != as_markdown()):
        KEYS.write_text(as_markdown(), encoding="utf-8")
        pytest.fail("sample_config/KEYS.md: written anew; read it, then run again")
    assert KEYS.read_text(encoding="utf-8") == as_markdown(), "sample_config/KEYS.md is out of date: make documents"


def test_every_key_and_every_table_says_what_it_means() -> None:
    assert undocumented() == []
    assert sum(len(table.keys) for table in tables()) > 100


def test_numbers_with_a_unit_in_their_name_state_it() -> None:
    units = {"_c": "degC", "_k": "K", "_ml": "ml", "_mm": "mm", "_m": "m", "_s": "s", "_pct": "%RH", "_g_m2": "g/m2"}
    wrong = [
        f"{table.heading} {key.name}: {key.allowed}"
        for table in tables()
        for key in table.keys
        for suffix, unit in units.items()
        if re.search(rf"[a-z]{suffix}$", key.name) and not key.allowed.endswith(f" {unit}")
    ]
    assert wrong == []


def test_a_key_is_found_with_or_without_ids_and_a_table_before_an_id() -> None:
    assert as_text("chamber.lid").startswith("[chamber.ID.lid]\n")
    assert as_text("chamber.tank-1.lid") == as_text("chamber.lid") == as_text("[chamber.ID.lid]")
    assert "low = 24.0" in as_text("chamber.temperature.low")
    assert 'interval = "30s"' in as_text("probe.interval")
    assert as_text("probe.interval").count("kind =") == len(get_args(get_args(AnyProbe)[0]))
    assert as_text("garden-gnome") == ""


def test_a_misspelt_table_is_answered_with_the_nearest() -> None:
    done = subprocess.run([sys.executable, "-m", "daemon.cli", "keys", "teling"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 65
    assert 'did you mean "telling"' in done.stderr


# ---------------------------------------------------------------- commands


@pytest.mark.parametrize("name", PARSERS)
def test_every_command_teaches(name: str) -> None:
    child = PARSERS[name]
    assert len(COMMANDS.get(name, child.description or "")) > 8, f"dewlid {name} has no line in the list of commands"
    assert child.description, f"dewlid {name} --help says nothing"
    rows = child.format_help().split("\n")
    silent = [row for row, after in pairwise(rows) if re.fullmatch(r"  (-|[A-Z{]).*", row) and not explained(row, after)]
    assert silent == [], f"dewlid {name}: these arguments are not explained"


def explained(row: str, after: str) -> bool:
    """The help stands two columns behind the argument, or below it where that is long."""
    return re.search(r"\S {2,}\S", row) is not None or re.match(r" {20,}\S", after) is not None


def test_an_argument_without_help_would_be_found() -> None:
    bare = argparse.ArgumentParser(prog="x")
    bare.add_argument("--amount", metavar="NUMBER")
    rows = bare.format_help().split("\n")
    silent = [row for row, after in pairwise(rows) if row.startswith("  --") and not explained(row, after)]
    assert silent == ["  --amount NUMBER"]


def test_the_list_of_commands_is_ordered_by_what_they_are_for_and_fits_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    rows = parser().format_help().splitlines()
    titles = [row.strip().rstrip(":") for row in rows if re.fullmatch(r"  [a-z].*:", row)]
    assert titles == list(GROUPS)
    listed = [row.split()[0] for row in rows if re.match(r"    [a-z]", row)]
    assert sorted(listed) == sorted(COMMANDS)
    assert max(len(row) for row in rows if row.startswith("    ")) <= 80


def test_every_command_is_named_in_the_readme_or_for_developers_and_in_the_manual() -> None:
    told = "".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
    page = manual(parser(), "1").replace("\\-", "-")
    assert [name for name in COMMANDS if f"dewlid {name}" not in told] == []
    assert [name for name in PARSERS if f".SS {name}\n" not in page] == []


@pytest.mark.skipif(shutil.which("groff") is None, reason="this machine has no groff")
def test_the_manual_page_is_sound() -> None:
    done = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww", "-z"], input=manual(parser(), "1"), capture_output=True, text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")


def completed(line: str, tmp_path: Path) -> list[str]:
    script = tmp_path / "completion"
    script.write_text(bash_completion(parser()))
    words = line.split(" ")
    given = " ".join(f"'{word}'" for word in words)
    code = f"source {script}; COMP_WORDS=({given}); COMP_CWORD={len(words) - 1}; _dewlid; printf '%s\\n' \"${{COMPREPLY[@]}}\""
    done = subprocess.run(["bash", "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stderr == ""
    return done.stdout.split()


def test_the_shell_completes_commands_options_values_and_files(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").touch()
    assert completed("dewlid ala", tmp_path) == ["alarms"]
    assert completed("dewlid check --off", tmp_path) == ["--offline"]
    assert completed("dewlid check sh", tmp_path) == ["shelf.toml"]
    assert completed("dewlid care do", tmp_path) == ["done"]
    assert "--amount" in completed("dewlid care done --", tmp_path)
    assert completed("dewlid dew --walls ", tmp_path) == ["cold", "warm"]


def test_the_bare_name_shows_what_there_is_and_a_wrong_line_where_to_read() -> None:
    bare = subprocess.run([sys.executable, "-m", "daemon.cli"], capture_output=True, text=True, cwd=ROOT)
    assert (bare.returncode, bare.stdout) == (64, "")
    assert "watch the chambers (the daemon)" in bare.stderr
    wrong = subprocess.run([sys.executable, "-m", "daemon.cli", "ack"], capture_output=True, text=True, cwd=ROOT)
    assert wrong.returncode == 64
    assert wrong.stderr.endswith("required: ALARM\n`dewlid ack --help` explains it.\n")
