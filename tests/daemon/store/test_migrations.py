"""Upgrades and refusals, on real files."""

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.backup import fault_of, read_only
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.migrations import APPLICATION_ID, STEPS, Step, version_of
from daemon.store.outbox_rows import counts, retained
from daemon.store.reader import HistoryReader
from daemon.watch.resume import resume
from rules.terms.events import Batch, Reading

NOW = 1_760_000_000_000
NEXT = Step("a column more", ("ALTER TABLE batch ADD COLUMN note TEXT", "UPDATE batch SET note = 'old'"))


def store(path):
    history = History.open(path, now_ms=NOW)
    history.record(Batch.of([Reading(NOW, "a", "air_temperature", 25.0, NOW)]))
    history.close()


def test_an_older_store_opens_with_its_readings_and_a_backup_was_made_before(tmp_path):
    path = tmp_path / "store.sqlite3"
    store(path)
    history = History.open(path, now_ms=NOW, steps=(*STEPS, NEXT))
    assert [batch.value.tolist() for batch in history.stream_after(0)] == [[25.0]]
    history.close()
    with read_only(path) as connection:
        assert version_of(connection) == len(STEPS) + 1
        assert connection.execute("SELECT note FROM batch").fetchall() == [("old",)]
    (backup,) = (tmp_path / "backups").iterdir()
    assert f"before-version-{len(STEPS) + 1}" in backup.name
    assert fault_of(backup) is None
    with read_only(backup) as connection:
        assert version_of(connection) == len(STEPS)


def test_a_new_store_needs_no_backup(tmp_path):
    store(tmp_path / "store.sqlite3")
    assert not (tmp_path / "backups").exists()


def test_a_step_that_fails_leaves_the_old_tables_whole(tmp_path):
    path = tmp_path / "store.sqlite3"
    store(path)
    broken = Step("broken", ("ALTER TABLE batch ADD COLUMN note TEXT", "SELECT nonsense FROM nowhere"))
    with pytest.raises(HistoryError, match="no such table"):
        History.open(path, now_ms=NOW, steps=(*STEPS, broken))
    with read_only(path) as connection:
        assert version_of(connection) == len(STEPS)
        assert "note" not in [row[1] for row in connection.execute("PRAGMA table_info(batch)")]
    History.open(path, now_ms=NOW).close()


KILLED = """
import os, sys
from pathlib import Path
from daemon.store.history import History
from daemon.store.migrations import STEPS, Step
path, count = Path(sys.argv[1]), int(sys.argv[2])
statements = ["CREATE TABLE extra_%d (n INTEGER) STRICT" % n for n in range(6)]
import sqlite3
class Connection(sqlite3.Connection):
    seen = 0
    def execute(self, sql, *more):
        if "extra_" in sql or sql.startswith("PRAGMA user_version =") or sql == "COMMIT":
            Connection.seen += 1
            if Connection.seen == count:
                os._exit(137)
        return super().execute(sql, *more)
real = sqlite3.connect
sqlite3.connect = lambda *a, **k: real(*a, **{**k, "factory": Connection})
History.open(path, now_ms=0, steps=(*STEPS, Step("extra", tuple(statements))))
"""


@pytest.mark.parametrize("count", range(1, 9))
def test_a_kill_inside_a_step_leaves_the_old_tables_never_half(tmp_path, count):
    path = tmp_path / "store.sqlite3"
    store(path)
    killed = subprocess.run([sys.executable, "-c", KILLED, path, str(count)], check=False)
    assert killed.returncode == 137
    history = History.open(path, now_ms=NOW)
    assert [batch.value.tolist() for batch in history.stream_after(0)] == [[25.0]]
    history.close()
    with read_only(path) as connection:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    assert version_of_file(path) == len(STEPS)
    assert not {name for name in names if name.startswith("extra_")}


def version_of_file(path):
    with read_only(path) as connection:
        return version_of(connection)


def test_a_store_of_a_newer_dewlid_is_refused_and_left_untouched(tmp_path):
    path = tmp_path / "store.sqlite3"
    store(path)
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {len(STEPS) + 3}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(HistoryError, match="newer dewlid") as caught:
        History.open(path, now_ms=NOW)
    assert "restore a backup that was made before the upgrade" in str(caught.value)
    assert path.read_bytes() == before


def test_a_database_of_another_program_is_refused_and_left_untouched(tmp_path):
    path = tmp_path / "other.sqlite3"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE precious (n INTEGER)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(HistoryError, match="another program"):
        History.open(path, now_ms=NOW)
    assert path.read_bytes() == before


def test_every_table_is_strict_and_marked_as_ours(tmp_path):
    path = tmp_path / "store.sqlite3"
    store(path)
    with read_only(path) as connection:
        tables = connection.execute("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").fetchall()
        mark = connection.execute("PRAGMA application_id").fetchone()[0]
        mode = connection.execute("PRAGMA journal_mode").fetchone()[0]
    assert mark == APPLICATION_ID
    assert mode == "wal"
    assert {name for name, strict in tables if not strict} == {"sqlite_schema", "sqlite_sequence"}


# ---------------------------------------------------------------- stores that daemons of each version have written

DATA = Path(__file__).parents[2] / "data"
KEPT = {1: {"readings": 420, "events": 17, "owed": {"post": 6, "topics": 17}, "retained": 3, "quarter_hours": 11},
        2: {"readings": 480, "events": 7, "owed": {"post": 3, "topics": 7}, "retained": 4, "quarter_hours": 20}}  # fmt: skip


@pytest.mark.parametrize("version", range(1, len(STEPS) + 1))
def test_every_released_store_opens_with_all_that_it_holds(tmp_path, version):
    path = tmp_path / "store.sqlite3"
    shutil.copy(DATA / f"store-version-{version}.sqlite3", path)
    config = tmp_path / "dewlid.toml"
    shutil.copyfile(DATA / f"store-version-{version}.toml", config)
    config.chmod(0o600)
    history = History.open(path, now_ms=NOW)
    assert history.recovery is None
    with HistoryReader(path) as reader:
        events = list(reader.events())
        found = {
            "readings": len(reader.readings().value),
            "events": len(events),
            "owed": {outlet: count for outlet, (count, _, _) in counts(reader.connection).items()},
            "retained": len(retained(reader.connection, "topics")),
            "quarter_hours": len(reader.quarter_hours("air", "relative_humidity").count),
        }
    assert found == KEPT[version]
    raised = next(event for event in events if event["kind"] == "alarm")
    assert (raised["alarm"], raised["change"], raised["occurrence"]) == ("temperature-high", "raised", 1)
    begin = resume(settings_of(load(config)), history)
    assert begin.newest_ms is not None
    assert begin.memory_lost or begin.state.closed_ms >= begin.newest_ms - 1, "goes on where it was, or says that it cannot"
    history.close()
    assert (tmp_path / "backups").exists() == (version < len(STEPS))
    assert fault_of(path) is None


def test_every_version_of_the_tables_has_a_store_of_its_own():
    """Who adds a step writes a store with it into tests/data first."""
    assert sorted(KEPT) == list(range(1, len(STEPS) + 1))


def test_readings_of_before_they_were_packed_are_read_as_they_lie_and_roll_up_with_those_of_after(tmp_path):
    """A reader may come before the daemon has taken the step, and rows of then stay beside packed readings for months."""
    path = tmp_path / "store.sqlite3"
    shutil.copy(DATA / "store-version-1.sqlite3", path)
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT taken_ms, value FROM reading ORDER BY seq").fetchall()
        known = connection.execute("SELECT sum(count) FROM quarter_hour").fetchone()[0]
    values = [float("nan") if value is None else value for _, value in rows]
    with HistoryReader(path) as reader:
        found = reader.readings()
        assert found.taken_ms.tolist() == [taken_ms for taken_ms, _ in rows]
        assert found.value.tolist() == pytest.approx(values, rel=0, abs=0, nan_ok=True)
        assert sum(len(batch.value) for batch in reader.stream()) == len(rows)
        assert reader.span_ms() == (rows[0][0], rows[-1][0])
    history = History.open(path, now_ms=NOW)
    later_ms = rows[-1][0] + 60_000
    packed = [Reading(later_ms + n, "air", "air_temperature", 20.0 + n, later_ms + n) for n in range(3)]
    history.record(Batch.of(packed), state_json=b"{}")
    history.record(Batch.of([Reading(later_ms + 60_000, "air", "air_temperature", 30.0, later_ms)]))
    with HistoryReader(path) as reader:
        now = [*values, 20.0, 21.0, 22.0, 30.0]
        assert reader.readings().value.tolist() == pytest.approx(now, rel=0, abs=0, nan_ok=True)
        assert reader.readings(rows[-1][0] + 1, later_ms + 2).value.tolist() == [20.0, 21.0]
    assert history.roll_up(later_ms + 30_000, most=10**6) == len(rows) + 3
    folded = history._connection.execute("SELECT sum(count) FROM quarter_hour").fetchone()[0]
    assert folded == known + sum(value is not None for _, value in rows) + 3
    assert history._connection.execute("SELECT count(*) FROM reading").fetchone() == (0,)
    history.close()
