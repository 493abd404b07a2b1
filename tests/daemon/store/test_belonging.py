"""What root, a keeper or a tight umask leaves in the folder is of use to the service; planted links are refused."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.store.backup import back_up
from daemon.store.belonging import write_beside
from daemon.store.doubt import doubt
from daemon.store.history import History
from daemon.store.opening import restore_backup
from daemon.store.spool import Spool

NOW_MS = 1_750_000_000_000
SERVICE = 54_321
"""A user and group that no other file here belongs to."""
VISIT = {"word": "visit", "chamber": "tank-1", "for_ms": 600_000}
AS_ROOT = pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file away")


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


@AS_ROOT
def test_what_root_restores_and_backs_up_belongs_to_the_service(tmp_path: Path) -> None:
    folder = tmp_path / "dewlid"
    folder.mkdir()
    os.chown(folder, SERVICE, SERVICE)
    store = folder / "store.sqlite3"
    History.open(store, now_ms=NOW_MS).close()
    made = back_up(store, folder / "backups", now_ms=NOW_MS)
    restore_backup(made, store, now_ms=NOW_MS)
    left = [folder / "backups", made, store, folder / "store.sqlite3.lock"]
    assert [(each.stat().st_uid, each.stat().st_gid) for each in left] == [(SERVICE, SERVICE)] * 4


@AS_ROOT
def test_a_word_of_root_is_read_by_the_service(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    spool.prepare()
    os.chown(spool.folder, SERVICE, SERVICE)
    before = os.umask(0o077)
    spool.leave(VISIT)
    os.umask(before)
    [file] = spool.folder.glob("*.word.json")
    read = f"import os; os.setgid({SERVICE}); os.setuid({SERVICE}); os.open('{file.name}', os.O_RDONLY)"
    done = subprocess.run([sys.executable, "-c", read], cwd=spool.folder, capture_output=True, text=True)
    assert (done.returncode, file.stat().st_uid) == (0, SERVICE), done.stderr
