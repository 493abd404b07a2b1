"""A memory card dies: full, read-only or failing at the start. It watches and tells all the same, and catches up."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
CONFIG = """
[site]
name = "card"
state_folder = "{folder}/state"
[chamber.tank-1]
[probe.air]
kind = "recorded-file"
place = "tank-1"
path = "{folder}/readings.csv"
quantities = ["air_temperature"]
[outlet.screen]
kind = "console"
tell = ["system", "letter", "alarm"]
"""
# Runs in a mount namespace of its own: prepares the folder of the store, starts the daemon, repairs it when told to.
INSIDE = """
import os, signal, sqlite3, subprocess, sys, time
from pathlib import Path
folder, harm = Path(sys.argv[1]), sys.argv[2]
state = folder / "state"
state.mkdir(exist_ok=True)
run = lambda *words: subprocess.run(words, check=True)
run("mount", "-t", "tmpfs", "-o", "size=1m", "none", str(state))
start = [sys.executable, "-m", "daemon.cli", "run", str(folder / "dewlid.toml")]
if harm == "read-only after a life":
    with open(folder / "first", "ab") as first:
        daemon = subprocess.Popen(start, stdout=first, stderr=first)
        say = [sys.executable, "-m", "daemon.cli", "visit", "tank-1", "--config", str(folder / "dewlid.toml")]
        while subprocess.run(say).returncode:
            time.sleep(0.2)
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
ballast = state / "ballast"
if harm == "full":
    file = os.open(ballast, os.O_WRONLY | os.O_CREAT)
    try:
        while True:
            os.write(file, bytes(4096))
    except OSError:
        os.close(file)
elif harm == "of another program":
    other = sqlite3.connect(state / "dewlid.sqlite3")
    other.executescript("CREATE TABLE precious (n INTEGER)")
    other.close()
else:
    run("mount", "-o", "remount,ro", str(state))
with open(folder / "out", "ab") as out, open(folder / "log", "ab") as log:
    daemon = subprocess.Popen(start, stdout=out, stderr=log)
while not (folder / "repair").exists() and daemon.poll() is None:
    time.sleep(0.05)
if harm == "full":
    ballast.unlink(missing_ok=True)
elif harm == "of another program":
    (state / "dewlid.sqlite3").rename(state / "precious.sqlite3")
else:
    run("mount", "-o", "remount,rw", str(state))
while not (folder / "stop").exists() and daemon.poll() is None:
    time.sleep(0.05)
daemon.send_signal(signal.SIGTERM)
status = daemon.wait(20)
for name in state.glob("dewlid.sqlite3*"):
    (folder / name.name).write_bytes(name.read_bytes())
sys.exit(status)
"""


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Callable[[str], subprocess.Popen[bytes]]]:
    """Start the daemon on a card with this harm."""
    (tmp_path / "dewlid.toml").write_text(CONFIG.format(folder=tmp_path))
    (tmp_path / "readings.csv").write_text("time,probe,quantity,value,unit\n2026-01-01T00:00:00Z,air,air_temperature,25,Cel\n")
    (tmp_path / "inside.py").write_text(textwrap.dedent(INSIDE))
    started: list[subprocess.Popen[bytes]] = []

    def start(harm: str) -> subprocess.Popen[bytes]:
        ours = [] if os.geteuid() == 0 else ["-r"]
        command = ["unshare", *ours, "-m", sys.executable, str(tmp_path / "inside.py"), str(tmp_path), harm]
        started.append(subprocess.Popen(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}))
        return started[-1]

    yield start
    for process in started:
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
            process.wait()


@pytest.mark.parametrize(
    ("harm", "why"),
    [("full", "full"), ("read-only", "Read-only file system"),
     ("read-only after a life", "Read-only file system"), ("of another program", "a database of another program")],
)
def test_a_start_without_a_store_watches_tells_and_catches_up(
    card: Callable[[str], subprocess.Popen[bytes]], tmp_path: Path, wait_until: Callable[..., Any], harm: str, why: str
) -> None:
    process = card(harm)
    out = tmp_path / "out"

    def told(text: str) -> Callable[[], bool]:
        return lambda: (out.exists() and text in out.read_text()) or process.poll() is not None

    wait_until(told("The record cannot be written"), "the letter", 30)
    assert process.poll() is None, (tmp_path / "log").read_text()
    assert why in out.read_text()
    (tmp_path / "repair").touch()
    wait_until(told("The record is written again"), "the record to be caught up", 40)
    (tmp_path / "stop").touch()
    assert process.wait(30) == 0, (tmp_path / "log").read_text()
    with closing(sqlite3.connect(tmp_path / "dewlid.sqlite3")) as connection:
        events = [json.loads(row[0]) for row in connection.execute("SELECT body FROM event")]
    assert {"record-lost", "record-back"} <= {event.get("what") for event in events}
    if harm == "read-only after a life":
        assert "nothing is remembered" not in (tmp_path / "log").read_text()
        assert len({event["id"].partition(".")[0] for event in events if event["kind"] != "system"}) == 1, events  # one memory

