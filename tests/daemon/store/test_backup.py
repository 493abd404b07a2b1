"""Backups of a store in use, their verification and their way back."""

import sqlite3

import pytest

from adapters.outlets.outlet import Owed
from daemon.store import outbox_rows
from daemon.store.backup import back_up, fault_of, restore
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.opening import restore_backup
from daemon.store.reader import HistoryReader
from daemon.store.recovery import newest_good
from rules.terms.events import DAY_MS, Batch, Reading

NOW = 1_760_000_000_000


def record(history, *values):
    history.record(Batch.of([Reading(NOW, "a", "air_temperature", value, NOW) for value in values]))


def test_a_backup_made_while_the_daemon_writes_is_whole_and_ends_at_a_commit(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, 1.0, 2.0)
    backup = back_up(history.path, tmp_path / "backups", now_ms=NOW)
    record(history, 3.0)
    history.close()
    assert fault_of(backup) is None
    with HistoryReader(backup) as reader:
        assert reader.readings().value.tolist() == [1.0, 2.0]
    assert [each.name for each in (tmp_path / "backups").iterdir()] == [backup.name], "no unfinished file is left"


def test_only_the_newest_backups_are_kept_and_labelled_ones_stay(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, 1.0)
    labelled = back_up(history.path, tmp_path, now_ms=NOW, label="before-version-2")
    made = [back_up(history.path, tmp_path, now_ms=NOW + n * DAY_MS, keep=2) for n in range(4)]
    history.close()
    assert [each.exists() for each in made] == [False, False, True, True]
    assert labelled.exists()


def test_a_damaged_backup_is_passed_over_for_the_next_older_one(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, *range(2000))
    older = back_up(history.path, tmp_path, now_ms=NOW)
    newer = back_up(history.path, tmp_path, now_ms=NOW + DAY_MS)
    history.close()
    data = bytearray(newer.read_bytes())
    data[4096:12288] = bytes(8192)
    newer.write_bytes(data)
    assert "backup" in newer.name
    assert fault_of(newer) is not None
    assert newest_good(tmp_path / "store.sqlite3", tmp_path) == older


def test_restoring_keeps_the_former_store_and_does_not_send_old_letters_again(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, 1.0)
    debts = [
        Owed(outlet="mail", event_id=name, kind="letter", payload="{}", made_ms=made)
        for name, made in (("old", NOW - 2 * DAY_MS), ("new", NOW - 1000))
    ]
    history.record(Batch.of(), owed=debts)
    backup = back_up(history.path, tmp_path / "backups", now_ms=NOW)
    record(history, 2.0)
    history.close()

    former = restore(backup, history.path, now_ms=NOW)
    with HistoryReader(history.path) as reader:
        assert reader.readings().value.tolist() == [1.0]
        assert [row.owed.event_id for row in outbox_rows.waiting(reader.connection, "mail")] == ["new"]
    with HistoryReader(former) as reader:
        assert reader.readings().value.tolist() == [1.0, 2.0]
    again = History.open(history.path, now_ms=NOW)
    record(again, 3.0)
    again.close()


def test_a_file_that_is_no_whole_store_is_not_restored(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, 1.0)
    history.close()
    before = history.path.read_bytes()
    other = tmp_path / "other.sqlite3"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE t (n)")
    connection.close()
    for candidate in (other, tmp_path / "missing.sqlite3"):
        with pytest.raises(HistoryError, match="not whole"):
            restore(candidate, history.path, now_ms=NOW)
    assert history.path.read_bytes() == before


def test_a_backup_into_a_folder_that_cannot_be_made_says_which(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(HistoryError, match="file/backups"):
        back_up(history.path, tmp_path / "file" / "backups", now_ms=NOW)
    history.close()


def test_a_store_in_use_is_not_replaced(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    record(history, 1.0)
    backup = back_up(history.path, tmp_path / "backups", now_ms=NOW)
    with pytest.raises(HistoryError, match="uses this store; stop it first"):
        restore_backup(backup, history.path, now_ms=NOW)
    history.close()
    assert restore_backup(backup, history.path, now_ms=NOW).exists()
