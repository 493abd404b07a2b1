"""Somebody who may not look into the folder of the record: every command says so and what to do; the watch goes on without."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

STRANGER = 54_321
"""A user and group that no file here belongs to."""
CONFIG = """
[site]
state_folder = "{folder}"
[chamber.nest]
[probe.air]
kind = "simulated-chamber"
measures = "big-air"
place = "nest"
interval = "1s"
[outlet.terminal]
kind = "console"
"""
COMMANDS = [
    "ack nest", "alarms", "away 2027-01-01 2027-01-05", "backup", "calendar {out}/care.ics", "calibrate air", "care",
    "care done leaves", "check", "done nest", "export", "garden nest --ml 50", "leaves nest", "lid nest seen dry",
    "note nest quiet", "out-of-service air --for 2h", "report --out {out}/report.html", "restore", "restore {folder}/backups/x",
    "shelve nest --for 4h", "tune --set chamber.nest.humidity.high=92", "visit nest", "watch --once", "why nest",
]  # fmt: skip
RUN = """
import contextlib, io, json, os, sys
from daemon.cli import main

def said(words):
    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        try:
            code = main(words)
        except SystemExit as end:
            code = end.code
    return code, told.getvalue()

open_, closed, commands, user = json.loads(sys.argv[1])
for words in commands:
    said([*words, "--config", open_])  # so that all that is imported late has been imported
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(user); os.setuid(user)
print(json.dumps([said([*words, "--config", closed]) for words in commands]))
"""


@pytest.fixture(scope="module")
def answers() -> Iterator[dict[str, tuple[int, str]]]:
    """What each command says to somebody without any right to the folder, by command."""
    base = Path(tempfile.mkdtemp())  # not below the folder of the tests, which no stranger may enter
    base.chmod(0o711)
    out = base / "out"
    out.mkdir()
    out.chmod(0o777)
    for name in ("open", "closed"):
        (base / name).mkdir()
        (base / f"{name}.toml").write_text(CONFIG.format(folder=base / name))
    (base / "closed" / "dewlid.sqlite3").write_bytes(b"")
    (base / "closed").chmod(0o000)
    commands = [each.format(folder=base / "closed", out=out).split() for each in COMMANDS]
    given = json.dumps([str(base / "open.toml"), str(base / "closed.toml"), commands, STRANGER])
    done = subprocess.run([sys.executable, "-c", RUN, given], cwd=Path(__file__).parents[2], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    yield dict(zip(COMMANDS, json.loads(done.stdout.splitlines()[-1]), strict=True))
    (base / "closed").chmod(0o700)
    shutil.rmtree(base)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_names_the_folder_and_what_to_do(answers: dict[str, tuple[int, str]], command: str) -> None:
    status, told = answers[command]
    plain = " ".join(told.split())
    assert "Traceback" not in told
    assert "closed" in plain and "Permission denied; run it as the user of dewlid" in plain, told
    assert status == {"check": 69, "watch --once": 0}.get(command, 74)
