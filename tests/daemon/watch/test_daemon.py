"""The daemon as a process, as systemd sees it: ready, alive, reloaded, stopped, and never two on one store."""

from __future__ import annotations

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.config.configuration import load
from daemon.store.reader import HistoryReader
from daemon.store.spool import Spool
from daemon.watch.inbox import ThreadDiedError
from daemon.watch.running import Running

CONFIG = """
[site]
state_folder = "{folder}/state"
[chamber.tank-1]
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = {{ air_temperature = "tank-1/t", relative_humidity = "tank-1/h" }}
interval = "5s"
[broker.home]
host = "127.0.0.1"
port = {port}
[outlet.terminal]
kind = "console"
tell = ["alarm", "word", "system"]
"""

SECOND = """
[chamber.tank-2]
[probe.second]
kind = "mqtt-topic"
place = "tank-2"
broker = "home"
topics = { air_temperature = "tank-2/t" }
"""


class Process:
    """`dewlid run` with a service manager's socket that listens to it."""

    def __init__(self, folder: Path, config: Path, wait_until: Callable[..., Any]) -> None:
        self.folder, self.config, self._wait_until = folder, config, wait_until
        self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        address = str(folder / f"notify-{len(list(folder.iterdir()))}")
        self._manager.bind(address)
        self._manager.setblocking(False)
        self.notes: list[str] = []
        environment = os.environ | {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"}
        self._log = (folder / "log").open("ab")
        self._out = (folder / "out").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daemon.cli", "run", str(config)], env=environment, stdout=self._out, stderr=self._log
        )

    def told(self, word: str) -> int:
        """How often the service manager was told so."""
        while True:
            try:
                self.notes.append(self._manager.recv(4096).decode())
            except BlockingIOError:
                return sum(note.startswith(word) for note in self.notes)

    def ready(self, times: int = 1) -> Process:
        self._wait_until(lambda: self.told("READY=1") >= times or self.process.poll() is not None, "ready")
        assert self.process.poll() is None, self.log
        return self

    def end(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        status = self.process.wait(20)
        self.close()
        return status

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        for part in (self._manager, self._log, self._out):
            part.close()

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text()

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(row[0]) for row in self.rows("SELECT body FROM event ORDER BY at_ms")]

    def words(self) -> list[dict[str, Any]]:
        return [event for event in self.events() if event["kind"] == "word"]

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        with sqlite3.connect(f"file:{self.folder / 'state' / 'dewlid.sqlite3'}?mode=ro", uri=True) as connection:
            return connection.execute(query).fetchall()

    def readings(self) -> list[float]:
        with HistoryReader(self.folder / "state" / "dewlid.sqlite3") as reader:
            return sorted(reader.readings().value.tolist())


@pytest.fixture
def home(broker: Callable[..., Any], tmp_path: Path) -> tuple[Any, Path]:
    server = broker()
    config = tmp_path / "dewlid.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=server.port))
    return server, config


@pytest.fixture
def dewlid(home: tuple[Any, Path], tmp_path: Path, wait_until: Callable[..., Any]) -> Iterator[Callable[[], Process]]:
    started: list[Process] = []

    def start() -> Process:
        started.append(Process(tmp_path, home[1], wait_until))
        return started[-1]

    yield start
    for process in started:
        process.close()


def test_it_is_ready_feeds_the_watchdog_reads_and_ends_cleanly(
    home: tuple[Any, Path], dewlid: Callable[[], Process], wait_until: Callable[..., Any]
) -> None:
    process = dewlid().ready()
    wait_until(lambda: process.told("WATCHDOG=1") >= 3, "three heartbeats")
    assert any("STATUS=1 chamber, 1 probe," in note for note in process.notes)
    wait_until(lambda: '"state": "up"' in process.log, "the broker")
    home[0].say("tank-1/t", "25.5")
    home[0].say("tank-1/h", "81")
    wait_until(lambda: home[0].log.count("Received PUBACK from dewlid") >= 2, "both readings")
    assert process.end() == 0
    assert process.readings() == [25.5, 81.0]
    assert "left behind" not in process.log


def test_interrupt_ends_it_like_terminate(dewlid: Callable[[], Process]) -> None:
    assert dewlid().ready().end(signal.SIGINT) == 0


def test_a_word_wakes_it_and_its_answer_is_told(
    home: tuple[Any, Path], dewlid: Callable[[], Process], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    spool = Spool(tmp_path / "state" / "spool")
    spool.prepare()
    spool.leave({"word": "visit", "chamber": "tank-1"})
    process = dewlid().ready()
    wait_until(lambda: len(process.words()) == 1, "the word from before the start")
    spool.leave({"word": "visit", "chamber": "nowhere"})
    wait_until(lambda: len(process.words()) == 2, "the word to the running one")
    assert {event["accepted"] for event in process.words()} == {True, False}
    wait_until(lambda: "nowhere" in (tmp_path / "out").read_text(), "the answer on the console")
    assert list(spool.folder.glob("*.word.json")) == []


def test_a_second_daemon_on_the_same_store_says_so_and_leaves_the_first_alone(dewlid: Callable[[], Process]) -> None:
    first = dewlid().ready()
    second = dewlid()
    assert second.process.wait(20) in (74, 75)
    assert f"another dewlid (process {first.process.pid}) uses this store" in second.log
    assert first.process.poll() is None
    assert first.end() == 0


def test_a_good_new_config_is_used_and_a_bad_one_is_refused_and_told(
    home: tuple[Any, Path], dewlid: Callable[[], Process], wait_until: Callable[..., Any]
) -> None:
    server, config = home
    process = dewlid().ready()
    config.write_text(config.read_text() + SECOND)
    process.process.send_signal(signal.SIGHUP)
    process.ready(2)
    wait_until(lambda: "tank-2/t" in server.log, "the new subscription")
    server.say("tank-2/t", "24.25")
    wait_until(lambda: "Received PUBACK from dewlid" in server.log, "the reading")
    good = config.read_text()
    config.write_text(good.replace('place = "tank-2"', 'place = "tank-3"'))
    process.process.send_signal(signal.SIGHUP)
    process.ready(3)
    refused = wait_until(lambda: [e for e in process.events() if e.get("what") == "config-refused"], "the refusal")
    assert "probe.second.place" in refused[0]["text"]
    assert "the new config is not used" in process.log
    assert process.end() == 0
    assert process.readings() == [24.25]


def test_a_storm_of_reloads_ends_with_the_last_config(home: tuple[Any, Path], dewlid: Callable[[], Process]) -> None:
    process = dewlid().ready()
    for n in range(100):
        if n == 99:
            home[1].write_text(home[1].read_text() + "[chamber.last]\n")
        process.process.send_signal(signal.SIGHUP)
    reloads = process.told("RELOADING=1")
    process.ready(2)
    process._wait_until(lambda: '"chambers": 2' in process.log, "the last config")
    assert reloads <= 100
    assert process.end() == 0


def test_a_wrong_config_ends_with_78_and_its_faults_before_anything_is_touched(
    home: tuple[Any, Path], dewlid: Callable[[], Process], tmp_path: Path
) -> None:
    home[1].write_text(home[1].read_text() + "[site2]\n")
    process = dewlid()
    assert process.process.wait(20) == 78
    assert "site2: this key is unknown" in process.log
    assert process.told("READY=1") == 0
    assert not (tmp_path / "state").exists()


def test_killed_at_any_time_it_goes_on_with_all_that_was_recorded(
    home: tuple[Any, Path], dewlid: Callable[[], Process], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    spool = Spool(tmp_path / "state" / "spool")
    process = dewlid().ready()
    wait_until(lambda: '"state": "up"' in process.log, "the broker")
    home[0].say("tank-1/t", "25.5")
    spool.leave({"word": "visit", "chamber": "tank-1"})
    wait_until(process.words, "the word")
    before = process.events()
    assert process.end(signal.SIGKILL) == -signal.SIGKILL
    process = dewlid().ready()
    assert process.end() == 0
    assert [event for event in before if event not in process.events()] == []
    assert process.rows("SELECT count(*) FROM item WHERE sort = 'pause'")[0][0] == 1


def test_an_engine_that_hangs_ends_the_process_so_that_it_is_started_anew(
    dewlid: Callable[[], Process], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    process = dewlid().ready()
    with sqlite3.connect(tmp_path / "state" / "dewlid.sqlite3", isolation_level=None) as outsider:
        outsider.execute("BEGIN EXCLUSIVE")  # the record waits for the lock; heartbeats come every third of a second here
        Spool(tmp_path / "state" / "spool").leave({"word": "visit", "chamber": "tank-1"})
        assert process.process.wait(30) == 70
        outsider.execute("ROLLBACK")
    outsider.close()
    assert "no answer; the watchdog is not fed" in process.log
    process = dewlid().ready()
    wait_until(process.words, "the word that was not recorded before")
    assert process.end() == 0


def test_what_it_records_is_for_its_user_and_group_only(dewlid: Callable[[], Process], tmp_path: Path) -> None:
    assert dewlid().ready().end() == 0
    modes = {path.name: path.stat().st_mode & 0o007 for path in (tmp_path / "state").rglob("*")}
    assert set(modes.values()) == {0}
    assert "dewlid.sqlite3" in modes


# ---------------------------------------------------------------- what ends or stops the watching


@pytest.fixture
def running(home: tuple[Any, Path]) -> Iterator[Running]:
    result = Running(load(home[1]), wake=lambda: None)
    result.start()
    yield result
    result.stop()


def test_a_stuck_engine_is_not_called_alive(running: Running, wait_until: Callable[..., Any]) -> None:
    wait_until(running.beat, "an answered heartbeat")
    free = threading.Event()
    running._engine.chores["stuck"] = lambda now_ms: bool(free.wait(30))
    running._inbox.chore("stuck")
    running.beat()
    assert [running.beat() for _ in range(3)] == [False, False, False]
    assert running.stage == "waiting for the engine"
    free.set()
    wait_until(running.beat, "an answered heartbeat")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_dies_ends_the_daemon(running: Running, wait_until: Callable[..., Any]) -> None:
    def die() -> None:
        raise MemoryError("in a thread")

    threading.Thread(target=die, name="some part").start()
    wait_until(lambda: not running._thread.is_alive(), "the end of the engine")
    with pytest.raises(ThreadDiedError, match="in a thread"):
        running.check_alive()
