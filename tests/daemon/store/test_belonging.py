"""What root, a keeper or a tight umask leaves in the folder is of use to the service; planted links are refused."""

from __future__ import annotations

import os
import shutil
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.outlets.outlet import Owed
from daemon.store.backup import back_up
from daemon.store.belonging import write_beside
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.opening import restore_backup
from daemon.store.reader import HistoryReader
from daemon.store.spool import Spool, SpoolError
from rules.terms.events import Batch

NOW_MS = 1_750_000_000_000
ROOT = os.geteuid() == 0
SERVICE, KEEPER = (54_321, 54_322) if ROOT else (os.geteuid(), os.geteuid())
"""Two users that no other file belongs to, the second one of the first one's group; who is not root can only be himself."""
VISIT = {"word": "visit", "chamber": "tank-1", "for_ms": 600_000}


@pytest.fixture
def tight() -> Iterator[None]:
    before = os.umask(0o077)
    yield
    os.umask(before)


@pytest.mark.usefixtures("tight")
def test_a_tight_umask_leaves_words_and_bell_to_the_group(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    spool.prepare()
    spool.leave(VISIT)
    [spoken], _ = spool.waiting(NOW_MS)
    assert spoken.file.stat().st_mode & 0o777 == 0o640
    assert (spool.folder / "bell").stat().st_mode & 0o777 == 0o660
    assert spool.folder.stat().st_mode & 0o777 == 0o770


def test_a_folder_in_the_spool_costs_no_descriptor_and_hides_no_word(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    spool.prepare()
    before = len(list(Path("/proc/self/fd").iterdir()))
    for number in range(20):
        (spool.folder / f"{number}.word.json").mkdir()
    spool.leave(VISIT)
    words, refused = spool.waiting(NOW_MS)
    assert (len(words), len(refused)) == (1, 20)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_mark_of_doubt_follows_no_planted_link(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("untouched")
    (tmp_path / "store.sqlite3.doubtful").symlink_to(precious)
    doubt(tmp_path / "store.sqlite3", "rows are missing")
    with pytest.raises(OSError, match="symbolic links"):
        write_beside(tmp_path / "store.sqlite3.doubtful", "x")
    assert precious.read_text() == "untouched"


@pytest.fixture
def folder() -> Iterator[Path]:
    """The folder of the service, which its group may write; not below that of the tests, which no other user may enter."""
    base = Path(tempfile.mkdtemp())
    base.chmod(0o711)
    made = base / "dewlid"
    made.mkdir()
    os.chown(made, SERVICE, SERVICE if ROOT else -1)
    made.chmod(0o2770)
    yield made
    shutil.rmtree(base)


def by(user: int, action: Callable[[], object], umask: int = 0o077) -> None:
    """Do something as another user of the service's group, in a child; whatever it raises is the test's failure."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.umask(umask)
            if ROOT and user:
                os.setgroups([SERVICE])
                os.setgid(user)
                os.setuid(user)
            action()
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    assert os.waitpid(child, 0)[1] == 0


@pytest.mark.parametrize("who", [0, KEEPER])
def test_what_root_or_a_keeper_backs_up_and_restores_is_the_service_s_to_use(folder: Path, who: int) -> None:
    store, backups = folder / "store.sqlite3", folder / "backups"
    by(SERVICE, lambda: History.open(store, now_ms=NOW_MS).close(), 0o027)
    by(who, lambda: back_up(store, backups, now_ms=NOW_MS))  # before the service has made one: the folder is made, too
    [made] = backups.glob("*.backup.sqlite3")
    by(who, lambda: restore_backup(made, store, now_ms=NOW_MS))

    def go_on() -> None:
        history = History.open(store, now_ms=NOW_MS + 1)
        assert history.recovery is None
        history.record(Batch(), owed=[Owed(outlet="mail", event_id="e", kind="letter", payload="{}", made_ms=NOW_MS)])
        history.close()
        back_up(store, backups, now_ms=NOW_MS + 60_000, keep=1)
        assert len(list(backups.glob("*.backup.sqlite3"))) == 1  # it may also remove what they made

    by(SERVICE, go_on, 0o027)
    by(who, lambda: restore_backup(next(backups.glob("*.backup.sqlite3")), store, now_ms=NOW_MS + 120_000))
    by(SERVICE, lambda: History.open(store, now_ms=NOW_MS + 180_000).close(), 0o027)


@pytest.mark.parametrize("who", [0, KEEPER])
def test_a_word_of_root_or_of_a_keeper_is_heard_at_once_whatever_the_umask(folder: Path, who: int) -> None:
    spool = Spool(folder / "spool")
    by(SERVICE, spool.prepare, 0o027)
    (spool.folder / "bell").chmod(0o640)  # as an older program left it
    by(SERVICE, spool.prepare, 0o027)
    bell = spool.bell()
    assert bell is not None
    by(who, lambda: spool.leave(VISIT))
    assert os.read(bell, 10) == b"!"
    os.close(bell)

    def hear() -> None:
        words, refused = spool.waiting(NOW_MS)
        assert (len(words), refused) == (1, [])
        spool.done(words)
        assert spool.waiting(NOW_MS) == ([], [])

    by(SERVICE, hear, 0o027)


def test_a_keeper_reads_a_store_at_rest_in_a_folder_that_only_the_service_may_write(folder: Path) -> None:
    store, elsewhere = folder / "store.sqlite3", folder.parent / "keeper"
    by(SERVICE, lambda: History.open(store, now_ms=NOW_MS).close(), 0o027)
    folder.chmod(0o750)
    elsewhere.mkdir()
    os.chown(elsewhere, KEEPER, KEEPER if ROOT else -1)

    def look() -> None:
        with HistoryReader(store) as reader:
            assert reader.last_state() is None
        made = back_up(store, elsewhere, now_ms=NOW_MS)
        if ROOT:  # else it is his own folder
            with pytest.raises(HistoryError, match="may not write there; type it with sudo"):
                restore_backup(made, store, now_ms=NOW_MS)
        assert made.stat().st_uid == KEEPER

    by(KEEPER, look)


def test_a_word_that_the_service_could_not_read_is_not_called_noted(folder: Path) -> None:
    spool = Spool(folder / "spool")
    by(SERVICE, spool.prepare)
    spool.folder.chmod(0o777)  # anybody may write into it, but not give a file to the service's group

    def leave() -> None:
        if ROOT:
            os.setgroups([])
            os.setgid(KEEPER + 1)
            os.setuid(KEEPER + 1)
            with pytest.raises(SpoolError, match="join the group"):
                spool.leave(VISIT)

    folder.chmod(0o2777)
    by(0, leave)
    assert list(spool.folder.glob("*.word.json")) == []
