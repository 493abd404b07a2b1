"""The one error of the store: what happened to which file, and what the keeper can do. It ends the
program with exit status 74."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

TO_BE_LET_IN = "run it as the user of dewlid (sudo -u dewlid), or join the group: sudo usermod -aG dewlid $USER, log in again"
"""What whoever is not allowed to look or to speak can do."""
_LOCKED = "another program holds the file locked: close it"
_DAMAGED = "restart dewlid, it sets the file aside and goes on from the newest good backup"
_REMEDIES = {
    "SQLITE_FULL": "the disk is full: free some space; nothing that was stored is lost",
    "SQLITE_BUSY": _LOCKED,
    "SQLITE_LOCKED": _LOCKED,
    "SQLITE_READONLY": "it may not be written: a disk that turned read-only by itself is failing and wants to be replaced; else"
    " give the folder to the user that runs dewlid",
    "SQLITE_CANTOPEN": "the folder must exist and belong to the user that runs dewlid",
    "SQLITE_IOERR": "the disk reports an error: if it is failing, restore the newest backup elsewhere",
    "SQLITE_CORRUPT": f"the file is damaged: {_DAMAGED}",
    "SQLITE_NOTADB": f"the file is no database: {_DAMAGED}",
    "SQLITE_CONSTRAINT": f"its rows contradict each other, so the file is damaged: {_DAMAGED}",
}

_OF_FILES = {
    errno.ENOSPC: "SQLITE_FULL", errno.EDQUOT: "SQLITE_FULL", errno.EIO: "SQLITE_IOERR", errno.EROFS: "SQLITE_READONLY",
}  # fmt: skip
_OF_THE_DISK = tuple(f"SQLITE_{name}" for name in ("FULL", "BUSY", "LOCKED", "READONLY", "CANTOPEN", "IOERR", "PERM"))
_OF_DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_CONSTRAINT")


class HistoryError(Exception):
    """The store cannot be used. `passing` says that the same call may succeed later (disk full, file locked);
    `stops` that no watching goes on with it: the file is damaged, or another dewlid uses it."""

    def __init__(self, text: str, *, passing: bool = False, stops: bool = False) -> None:
        super().__init__(text)
        self.passing = passing
        self.stops = stops


def history_error(path: Path, doing: str, error: sqlite3.Error) -> HistoryError:
    """Return what the keeper should read for an error of the database library; the caller raises it
    `from` that error."""
    name = _name(error)
    known = next((prefix for prefix in _REMEDIES if name.startswith(prefix)), None)
    remedy = _REMEDIES[known] if known else "restart dewlid; if it happens again, look at the disk"
    passing = known in ("SQLITE_FULL", "SQLITE_BUSY", "SQLITE_LOCKED")
    text = f"{path}: {doing} failed: {error} ({name or type(error).__name__}); {remedy}"
    return HistoryError(text, passing=passing, stops=not name.startswith(_OF_THE_DISK))


def file_error(path: Path, doing: str, error: OSError) -> HistoryError:
    """Return what the keeper should read for an error with a file or folder; the caller raises it `from` that error."""
    remedy = _REMEDIES[_OF_FILES.get(error.errno or 0, "SQLITE_CANTOPEN")]
    return HistoryError(f"{error.filename or path}: {doing} failed: {error.strerror}; {remedy}")


def senseless(path: Path, error: Exception) -> HistoryError:
    """Return what the keeper should read where the file can be read, but no program wrote what stands in it."""
    return HistoryError(f"{path}: its rows make no sense ({error}); the file is damaged: {_DAMAGED}", stops=True)


def tells_of_damage(error: sqlite3.Error) -> bool:
    """Whether the file itself is wrong: no page can be read, or a page that stands in another's place makes rows contradict."""
    return _name(error).startswith(_OF_DAMAGE)


def damaged(found: str) -> sqlite3.DatabaseError:
    """Return what the database library would raise if it had seen that the file is damaged."""
    error = sqlite3.DatabaseError(found)
    error.sqlite_errorname = "SQLITE_CORRUPT"
    return error


def _name(error: sqlite3.Error) -> str:
    if str(error).startswith(("no such table", "no such column")):
        return "SQLITE_CORRUPT"  # our own statements name only our own tables: a name in the file has changed
    return getattr(error, "sqlite_errorname", "") or ""
