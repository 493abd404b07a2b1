"""What a disk can do to the store: torn and garbled pages, no space, no permission, failing syncs. Nothing reported is lost."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from daemon.clock import StreamClock, SystemClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError
from daemon.store.examination import examine
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume
from rules.settings import Settings
from rules.terms.events import Batch, Reading, SystemEvent
from rules.turn.advance import advance, dump_state, load_state

NOW = 1_760_000_000_000
CONFIG = """
[chamber.tank-1]
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = { air_temperature = "t" }
[broker.home]
host = "localhost"
"""


@pytest.fixture(scope="module")
def settings() -> Settings:
    return settings_of(load_text(CONFIG))


def filled(path: Path, settings: Settings, count: int) -> History:
    """Return an open store of `count` records, each with a reading, an event and the state after it."""
    history, state = History.open(path, now_ms=NOW), None
    for number in range(count):
        at_ms = NOW + number * 30_000
        batch = Batch.of([Reading(at_ms, "air", "air_temperature", 25 + number % 7 / 10, at_ms)])
        state = advance(settings, state, batch, at_ms + 1).state
        event = SystemEvent(id=f"event-{number}", at_ms=at_ms, chamber=None, what="test", text="x" * (number % 50))
        history.record(batch, [event], dump_state(state))
    return history


def opened_again(path: Path, settings: Settings) -> tuple[History, int]:
    """Open the store as a start of the daemon does; returns it and how many readings it has."""
    history = History.open(path, now_ms=NOW)
    resume(settings, history)
    return history, sum(len(batch.value) for batch in history.stream_after(0))


@pytest.mark.parametrize("harm", ["cut", "zeroed", "garbled"])
def test_a_log_torn_at_every_page_leaves_a_prefix_of_what_was_stored(tmp_path: Path, settings: Settings, harm: str) -> None:
    path = tmp_path / "store.sqlite3"
    history = filled(path, settings, 10)
    database, log = path.read_bytes(), Path(f"{path}-wal").read_bytes()
    history.close()
    frame = 4096 + 24  # SQLite file format, section 4.1: a frame is a header of 24 bytes and a page
    counts = []
    for begin in range(32, len(log), frame):
        offset = begin + (begin // frame * 997) % frame  # somewhere within this frame
        torn = {
            "cut": log[:offset],
            "zeroed": log[:offset] + bytes(len(log) - offset),
            "garbled": log[:offset] + os.urandom(64) + log[offset + 64 :],
        }[harm]
        copy = tmp_path / "torn.sqlite3"
        copy.write_bytes(database)
        Path(f"{copy}-shm").unlink(missing_ok=True)
        Path(f"{copy}-wal").write_bytes(torn)
        again, count = opened_again(copy, settings)
        assert again.recovery is None
        ids = [row[0] for row in again._connection.execute("SELECT id FROM event ORDER BY seq")]
        again.close()
        assert ids == [f"event-{number}" for number in range(count)]
        counts.append(count)
    assert counts == sorted(counts), "a later tear keeps at least as much"
    assert counts[0] == 0
    assert counts[-1] >= 9


@pytest.mark.parametrize("harm", ["zeroed", "garbled", "replaced"])
def test_a_store_with_any_page_damaged_starts_and_goes_on(tmp_path: Path, settings: Settings, harm: str) -> None:
    path = tmp_path / "store.sqlite3"
    filled(path, settings, 120).close()
    whole = path.read_bytes()
    pages = [whole[begin : begin + 4096] for begin in range(0, len(whole), 4096)]
    told = tried = 0
    for number, page in enumerate(pages):
        others = [other for other in pages if other is not page]
        for wrong in {"zeroed": [bytes(4096)], "garbled": [os.urandom(4096)], "replaced": others}[harm]:
            path.write_bytes(b"".join([*pages[:number], wrong, *pages[number + 1 :]]))
            forget_companions(path)
            told += starts_and_goes_on(path, settings)
            tried += 1
    assert told >= tried // 3


def forget_companions(path: Path) -> None:
    for companion in path.parent.glob(f"{path.name}-*"):
        companion.unlink()
    for aside in path.parent.glob("*.damaged*"):
        aside.unlink()


def starts_and_goes_on(path: Path, settings: Settings) -> bool:
    """Start as systemd would, anew after each failure, and look through it all beside the watching, as after an unclean end;
    say whether the damaged store was set aside at last."""
    for _ in range(4):
        history = History.open(path, now_ms=NOW)
        recovered = history.recovery is not None
        try:
            resume(settings, history)
            assert sum(len(batch.value) for batch in history.stream_after(0)) <= 120
            at_ms = NOW + 9_000_000
            event = SystemEvent(id="event-new", at_ms=at_ms, chamber=None, what="test", text="")
            history.record(Batch.of([Reading(at_ms, "air", "air_temperature", 25.0, at_ms)]), [event], b"{}")
        except HistoryError as error:
            assert "restart dewlid, it sets the file aside" in str(error)
        else:
            found = examine(path, lambda: True)
            if found is None:
                return recovered
            doubt(path, found)
        finally:
            history.close()
    raise AssertionError("it would be started again and again for ever")


FULL = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from daemon.store.history import History
    from daemon.store.errors import HistoryError
    from rules.terms.events import Batch, Reading
    folder = Path(sys.argv[1])
    ballast = folder / "ballast"
    ballast.write_bytes(bytes(600_000))
    history = History.open(folder / "store.sqlite3", now_ms=0)
    number = 0
    def record():
        global number
        history.record(Batch.of([Reading(number + 1, "a", "air_temperature", float(number), number + 1)] * 200))
        number += 1
    try:
        while True:
            record()
    except HistoryError as error:
        print(error.passing, number, error)
    ballast.unlink()
    record()
    history.close()
    history = History.open(folder / "store.sqlite3", now_ms=0)
    print(history.recovery, sum(1 for _ in history.stream_after(0)) == number)
    """
)


def inside(command: str, script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a script in a mount namespace of its own, after a shell command that prepares it."""
    if os.geteuid() != 0 and subprocess.run(["unshare", "-rm", "true"], check=False, capture_output=True).returncode:
        pytest.skip("this machine permits no mount namespace; the same fault is injected by max_page_count elsewhere")
    shell = f'{command} && exec "$0" -c "$1" "$2"'
    ours = [] if os.geteuid() == 0 else ["-r"]
    run = ["unshare", *ours, "-m", "sh", "-c", shell, sys.executable, script, str(folder)]
    return subprocess.run(run, capture_output=True, text=True, check=False, timeout=60, cwd=Path(__file__).parents[2])


def test_a_disk_of_one_megabyte_that_is_full_costs_nothing_and_goes_on_when_it_is_freed(tmp_path: Path) -> None:
    done = inside(f"mount -t tmpfs -o size=1m none {tmp_path}", FULL, tmp_path)
    assert done.returncode == 0, done.stderr
    first, last = done.stdout.splitlines()
    assert re.match(r"True \d+ .*the disk is full: free some space", first)
    assert last == "None True"


READ_ONLY = """
import sys
from pathlib import Path
from daemon.store.history import History
History.open(Path(sys.argv[1]) / "store.sqlite3", now_ms=0)
"""


def test_a_folder_that_cannot_be_written_is_named_with_what_to_do(tmp_path: Path) -> None:
    done = inside(f"mount --bind {tmp_path} {tmp_path} && mount -o remount,ro,bind {tmp_path}", READ_ONLY, tmp_path)
    assert done.returncode == 1
    assert "Read-only file system; it may not be written: a disk that turned read-only by itself is failing" in done.stderr
    assert "give the folder to the user that runs dewlid" in done.stderr


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed: it makes system calls fail")
@pytest.mark.parametrize("fault", ["fdatasync:error=EIO", "pwrite64:error=EIO", "pwrite64:error=ENOSPC", "fsync:error=EIO"])
def test_a_write_or_sync_that_fails_at_any_number_loses_nothing_that_was_reported(
    tmp_path: Path, settings: Settings, fault: str
) -> None:
    script = textwrap.dedent(
        """
        import sys
        from pathlib import Path
        from daemon.store.history import History
        from daemon.store.errors import HistoryError
        from rules.terms.events import Batch, Reading
        try:
            history = History.open(Path(sys.argv[1]), now_ms=0)
            for number in range(12):
                history.record(Batch.of([Reading(number + 1, "a", "air_temperature", float(number), number + 1)] * 60))
                print(number, flush=True)
        except HistoryError as error:
            print("told", error)
        """
    )
    call = fault.split(":")[0]
    told = 0
    for when in (1, 3, 8):
        path = tmp_path / f"store-{when}.sqlite3"
        command = ["strace", "-f", "-o", "/dev/null", "-e", f"trace={call}", "-e", f"inject={fault}:when={when}+"]
        run = [*command, sys.executable, "-c", script, str(path)]
        done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
        if "Operation not permitted" in done.stderr:
            pytest.skip("this machine does not permit to trace a process")
        assert done.returncode == 0, done.stderr
        reported = sum(line.isdecimal() for line in done.stdout.splitlines())
        told += "told" in done.stdout
        history = History.open(path, now_ms=0)
        assert sum(1 for _ in history.stream_after(0)) >= reported
        history.close()
    assert told or call == "fsync", "no call was made to fail"


def test_no_more_files_than_the_system_allows_is_an_error_in_words_and_no_loss(tmp_path: Path, settings: Settings) -> None:
    filled(tmp_path / "store.sqlite3", settings, 3).close()
    script = textwrap.dedent(
        """
        import os, resource, sys
        from pathlib import Path
        from daemon.store.history import History
        resource.setrlimit(resource.RLIMIT_NOFILE, (40, 40))
        held = []
        try:
            while True:
                held.append(os.open("/dev/null", os.O_RDONLY))
        except OSError:
            pass
        History.open(Path(sys.argv[1]), now_ms=0)
        """
    )
    run = [sys.executable, "-c", script, str(tmp_path / "store.sqlite3")]
    done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
    assert "HistoryError" in done.stderr
    assert "Too many open files" in done.stderr
    history, count = opened_again(tmp_path / "store.sqlite3", settings)
    history.close()
    assert count == 3


@pytest.mark.parametrize("state", [b'{"origin": 5}', b"no JSON", b'{"from": "another version"}'])
def test_a_state_that_cannot_be_read_is_told_and_not_worked_out_from_months_of_readings(
    tmp_path: Path, settings: Settings, state: bytes
) -> None:
    history = filled(tmp_path / "store.sqlite3", settings, 5)
    at_ms = NOW + 600_000
    history.record(Batch.of([Reading(at_ms, "air", "air_temperature", 25.0, at_ms)]), [], state)
    begin = resume(settings, history)
    assert (begin.state, begin.newest_ms, begin.events, begin.memory_lost) == (None, at_ms, [], True)
    setting, spool = Setting(settings, {}), Spool(tmp_path / "spool")
    spool.prepare()
    engine = Engine(setting, history, Inbox(StreamClock(SystemClock(), begin.newest_ms)), spool, begin)
    engine.turn()
    told = [row[0] for row in history._connection.execute("SELECT body FROM event WHERE kind = 'letter'")]
    assert any("alarms that still stand are raised again" in body for body in told)
    assert not resume(settings, history).memory_lost
    history.close()


def test_a_reading_that_is_no_number_and_not_closed_yet_survives_a_restart(tmp_path: Path, settings: Settings) -> None:
    batch = Batch.of([Reading(NOW, "air", "air_temperature", float("nan"), NOW)])
    waiting = advance(settings, None, batch, NOW).state
    assert waiting.waiting.taken_ms == [NOW]
    again = load_state(dump_state(waiting))
    assert dump_state(again) == dump_state(waiting)
    assert dump_state(advance(settings, again, Batch(), NOW + 1).state) == dump_state(
        advance(settings, None, batch, NOW + 1).state
    )
