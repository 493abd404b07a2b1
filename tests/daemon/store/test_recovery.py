"""The way back: a store that is damaged anywhere, cut off, empty or gone, and a recovery that is itself cut off anywhere."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.store import backup as backups_of
from daemon.store import recovery as recoveries
from daemon.store.backup import back_up
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError
from daemon.store.examination import examine, fault_at_sight
from daemon.store.history import History
from daemon.store.recovery import RECOVERED
from rules.terms.events import Batch, Reading, SystemEvent

NOW = 1_800_000_000_000


def reading(at_ms: int) -> Reading:
    return Reading(at_ms, "air", "air_temperature", 25.0, at_ms)


def event(number: int) -> SystemEvent:
    return SystemEvent(id=f"event-{number}", at_ms=NOW + number, chamber=None, what="test", text="x" * 40)


def filled(path: Path, rows: int) -> History:
    history = History.open(path, now_ms=NOW)
    for number in range(rows):
        at_ms = NOW + 1000 * number
        history.record(Batch.of([reading(at_ms + n) for n in range(50)]), [event(number)], b'{"n": %d}' % number)
    return history


@pytest.fixture
def store(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """A store that ended cleanly, and its backup."""
    path = tmp_path / "store.sqlite3"
    history = filled(path, 240)
    good = back_up(path, tmp_path / "backups", now_ms=NOW)
    history.close()
    yield path, good


def middle_page(path: Path, table: str) -> int:
    """Return the number of a page in the middle of a table, away from both ends."""
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf'", (table,))
        pages = [row[0] for row in found]
    return pages[len(pages) // 2]


def garble(path: Path, page: int) -> None:
    data = bytearray(path.read_bytes())
    data[(page - 1) * 4096 : (page - 1) * 4096 + 64] = b"\xff" * 64
    path.write_bytes(data)


def test_damage_that_a_start_does_not_meet_is_found_beside_the_watching_and_the_next_start_recovers(store):
    path, good = store
    garble(path, middle_page(path, "batch"))
    first = History.open(path, now_ms=NOW + 1)
    assert first.recovery is None  # a start reads only what it needs, whatever the size
    found = examine(path, lambda: True)
    assert found is not None
    doubt(path, found)
    first.close()
    again = History.open(path, now_ms=NOW + 2)
    assert again.recovery is not None
    assert again.recovery.restored_from == good
    assert found in again.recovery.text
    assert examine(path, lambda: True) is None
    again.close()


def test_an_examination_that_is_no_longer_wanted_ends(store):
    path, _ = store
    garble(path, middle_page(path, "batch"))
    assert examine(path, lambda: False) is None


def test_a_store_is_examined_after_an_unclean_end_and_not_after_a_clean_one(tmp_path):
    path = tmp_path / "store.sqlite3"
    history = filled(path, 3)
    snapshot = {side: path.with_name(path.name + side).read_bytes() for side in ("", "-wal", "-shm")}
    history.close()
    clean = History.open(path, now_ms=NOW)
    assert not clean.in_doubt
    clean.close()
    for side, data in snapshot.items():
        path.with_name(path.name + side).write_bytes(data)
    killed = History.open(path, now_ms=NOW)
    assert killed.in_doubt
    assert killed.last_state() == (b'{"n": 2}', 3)
    killed.close()


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def one_byte(path: Path) -> None:
    path.write_bytes(b"S")


def cut_by_a_byte(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def cut_by_pages(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: -3 * 4096])


@pytest.mark.parametrize("harm", [emptied, one_byte, cut_by_a_byte, cut_by_pages, Path.unlink], ids=lambda harm: harm.__name__)
def test_a_store_that_lost_all_or_its_end_goes_on_from_the_backup_and_says_so(store, harm):
    path, good = store
    harm(path)
    history = History.open(path, now_ms=NOW + 1)
    assert history.recovery is not None
    assert history.recovery.restored_from == good
    assert str(good) in history.recovery.text
    assert history.last_state() == (b'{"n": 239}', 240)
    history.close()


def test_the_first_start_of_all_recovers_nothing(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    assert history.recovery is None
    history.close()
    (tmp_path / "empty.sqlite3").write_bytes(b"")
    history = History.open(tmp_path / "empty.sqlite3", now_ms=NOW)
    assert history.recovery is None
    history.close()


class Pulled(BaseException):
    """The plug."""


@pytest.mark.parametrize("harm", [lambda path: garble(path, 1), emptied, Path.unlink], ids=["garbled", "emptied", "gone"])
def test_a_recovery_that_is_cut_off_anywhere_goes_on_and_is_told_in_the_end(store, monkeypatch, harm):
    path, good = store
    whole, kept = path.read_bytes(), good.read_bytes()
    cuts = 0
    while True:
        for side in path.parent.glob("store.sqlite3*"):
            side.unlink()
        path.write_bytes(whole)
        good.write_bytes(kept)
        harm(path)
        if not _pulled_after(cuts, path, monkeypatch):
            break
        cuts += 1
        history = History.open(path, now_ms=NOW + 60_000)
        assert history.recovery is not None, cuts
        assert history.recovery.restored_from == good
        assert history.last_state() == (b'{"n": 239}', 240)
        history.close()
        told = History.open(path, now_ms=NOW + 120_000)
        assert told.recovery is not None
        told.record(Batch(), [event(9000)], b"{}")
        assert told.recovery is not None, "it stays to be told until just that was recorded"
        told.record(Batch(), [SystemEvent(id="r", at_ms=NOW, chamber=None, what=RECOVERED, text=told.recovery.text)], b"{}")
        told.close()
        last = History.open(path, now_ms=NOW + 180_000)
        assert last.recovery is None
        assert last.last_state() == (b"{}", 240)
        last.close()
    assert cuts >= 6


def _pulled_after(calls: int, path: Path, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Open the store and pull the plug at the given call that moves or syncs a file; False: it needed fewer."""
    left = [calls]

    def counted(call):
        def instead(*given, **named):
            if left[0] == 0:
                raise Pulled
            left[0] -= 1
            return call(*given, **named)

        return instead

    with monkeypatch.context() as patch:
        for name in ("rename", "replace"):
            patch.setattr(Path, name, counted(getattr(Path, name)))
        patch.setattr(backups_of, "flush", counted(backups_of.flush))
        patch.setattr(recoveries, "flush", counted(recoveries.flush))
        try:
            History.open(path, now_ms=NOW + 30_000).close()
        except Pulled:
            return True
    return False


def moved(path: Path) -> None:
    path.rename(path.with_name("elsewhere.sqlite3"))


@pytest.mark.parametrize("away", [Path.unlink, moved], ids=["deleted", "moved"])
def test_a_store_that_is_deleted_or_moved_while_it_is_used_is_written_back(tmp_path, away):
    path = tmp_path / "store.sqlite3"
    history = filled(path, 5)
    away(path)
    with pytest.raises(HistoryError, match="moved or deleted while dewlid used it; it was written back"):
        history.record(Batch.of([reading(NOW + 99_000)]), [event(99)], b"{}")
    history.close()
    again = History.open(path, now_ms=NOW)
    assert again.last_state() == (b'{"n": 4}', 5)
    assert again.recovery is not None
    assert "was written back: nothing is missing" in again.recovery.text
    again.close()


def test_another_file_in_the_place_of_the_store_is_not_overwritten(tmp_path):
    path, other = tmp_path / "store.sqlite3", tmp_path / "other.sqlite3"
    filled(other, 2).close()
    history = filled(path, 5)
    path.unlink()
    path.write_bytes(other.read_bytes())
    with pytest.raises(HistoryError, match="another file stands there now"):
        history.prove()
    history.close()
    assert path.read_bytes() == other.read_bytes()


def test_a_whole_store_shows_no_fault_at_sight(store):
    path, _ = store
    assert fault_at_sight(path) is None
