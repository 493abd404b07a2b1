"""The daemon as a process under what a machine can do to it: no memory, no environment, a slow disk, a stop in mid-letter."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from test_kills import Shelf

from daemon.config.configuration import load_text
from daemon.config.file import ConfigurationError
from daemon.store.spool import Spool

ROOT = Path(__file__).parents[2]
CONFIG = """
[site]
state_folder = "{folder}/state"
[chamber.tank-1]
[probe.air]
kind = "recorded-file"
place = "tank-1"
path = "{folder}/readings.csv"
quantities = ["air_temperature"]
interval = "5s"
[outlet.screen]
kind = "console"
tell = ["word", "system"]
"""


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[bytes]]]:
    """A factory of daemons: `run(command_before=[...], preexec_fn=..., env=...)`; its log is the file `log`."""
    started: list[subprocess.Popen[bytes]] = []
    config = tmp_path / "dewlid.toml"
    config.write_text(CONFIG.format(folder=tmp_path))
    log = (tmp_path / "log").open("ab")

    def make(before: tuple[str, ...] = (), extra: str = "", **options: Any) -> subprocess.Popen[bytes]:
        config.write_text(CONFIG.format(folder=tmp_path) + extra)
        command = [*before, sys.executable, "-m", "daemon.cli", "run", str(config)]
        facts = {"stdout": log, "stderr": log, "cwd": ROOT, "start_new_session": True} | options
        started.append(subprocess.Popen(command, **facts))
        return started[-1]

    yield make
    log.close()
    for process in started:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def words(folder: Path) -> int:
    """How many of the keeper's words were answered in the record."""
    store = folder / "state" / "dewlid.sqlite3"
    if not store.exists():
        return 0
    with contextlib.closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        try:
            return int(connection.execute("SELECT count(*) FROM event WHERE kind = 'word'").fetchone()[0])
        except sqlite3.OperationalError:
            return 0  # its tables are not made yet


def answers(folder: Path, wait_until: Callable[..., Any], count: int) -> None:
    """Leave a word and wait until so many are answered."""
    spool = Spool(folder / "state" / "spool")
    wait_until(spool.folder.is_dir, "the spool")
    spool.leave({"word": "visit", "chamber": "tank-1"})
    wait_until(lambda: words(folder) == count, "the answer", 40)


def test_without_memory_it_ends_and_with_memory_it_goes_on_where_it_was(
    run: Callable[..., Any], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    process = run()
    answers(tmp_path, wait_until, 1)
    process.send_signal(signal.SIGKILL)
    process.wait(20)

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (110_000_000, 110_000_000))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    assert run(preexec_fn=little, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"}).wait(40) != 0
    process = run()
    answers(tmp_path, wait_until, 2)
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0


def test_it_runs_in_an_empty_environment_and_whatever_the_umask_is(
    run: Callable[..., Any], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    process = run(env={}, cwd="/", preexec_fn=lambda: os.umask(0) and None)
    answers(tmp_path, wait_until, 1)
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    assert (tmp_path / "state" / "dewlid.sqlite3").stat().st_mode & 0o007 == 0


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed: it makes system calls slow")
def test_a_slow_disk_delays_records_and_nothing_else(
    run: Callable[..., Any], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    slow = "inject=fdatasync,fsync:delay_exit=400000"
    before = ("strace", "-f", "-o", "/dev/null", "-e", "trace=fdatasync,fsync", "-e", slow)
    environment = os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000000"}
    process = run(before, env=environment)
    answers(tmp_path, wait_until, 1)
    answers(tmp_path, wait_until, 2)
    manager.setblocking(False)
    notes = []
    with contextlib.suppress(BlockingIOError):
        while True:
            notes.append(manager.recv(4096).decode())
    manager.close()
    assert any("READY=1" in note for note in notes)
    assert any("WATCHDOG=1" in note for note in notes)
    assert "no answer" not in (tmp_path / "log").read_text()
    os.killpg(process.pid, signal.SIGTERM)
    process.wait(40)


class StallingServer:
    """An SMTP server without encryption that takes the connection and then says nothing for ever."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.held: list[socket.socket] = []
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                self.held.append(self._server.accept()[0])

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join()
        for one in self.held:
            one.close()


def test_a_stop_while_a_letter_is_on_its_way_is_clean_and_the_letter_stays_owed(
    run: Callable[..., Any], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    server = StallingServer()
    extra = (
        f'[outlet.post]\nkind = "mail"\nhost = "127.0.0.1"\nport = {server.port}\n'
        'sender = "dewlid@example.org"\nto = ["keeper@example.org"]\n'
    )
    process = run(extra=extra)
    wait_until(lambda: server.held, "the letter about law and safety on its way", 40)
    begun_s = time.monotonic()
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0
    print(f"stopped in {time.monotonic() - begun_s:.1f} s")
    server.close()
    with contextlib.closing(sqlite3.connect(tmp_path / "state" / "dewlid.sqlite3")) as connection:
        owed = connection.execute("SELECT event_id, refused FROM owed WHERE outlet = 'post'").fetchall()
    assert owed
    assert all(refused is None for _, refused in owed)


def test_a_reload_that_meets_a_half_written_config_keeps_the_old_one(tmp_path: Path) -> None:
    whole = CONFIG.format(folder=tmp_path)
    load_text(whole)
    refused = 0
    for length in range(len(whole)):
        try:
            load_text(whole[:length])
        except ConfigurationError as error:
            refused += 1
            assert error.faults
    assert refused > 0.5 * len(whole)


def test_a_process_that_was_stopped_for_minutes_records_a_pause_and_raises_nothing(
    broker: Callable[..., Any], mail_server: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    mail, _ = mail_server("tls")
    house = Shelf(tmp_path, broker().port, mail)  # on a clock that runs 1500 times as fast
    try:
        process = house.start()
        wait_until(house.store.exists, "the store")
        wait_until(lambda: house.rows("PRAGMA user_version") != [(0,)], "its tables")
        wait_until(lambda: house.rows("SELECT coalesce(sum(readings), 0) FROM batch")[0][0] > 100, "readings")
        os.kill(process, signal.SIGSTOP)
        time.sleep(1.0)
        os.kill(process, signal.SIGCONT)
        query = "SELECT taken_ms - json_extract(body, '$.begin_ms') FROM item WHERE sort = 'pause'"
        wait_until(lambda: any(row[0] > 20 * 60_000 for row in house.rows(query)), "the pause in the record")
        kinds = [json.loads(row[0]) for row in house.rows("SELECT body FROM event WHERE kind = 'alarm'")]
        assert [body for body in kinds if body["alarm"] == "probe-stale" and body["change"] == "raised"] == []
        assert house.end(process, signal.SIGTERM) == 0
    finally:
        house.close()
