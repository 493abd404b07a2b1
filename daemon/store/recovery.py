"""A store that is damaged, cut off, empty or gone: how dewlid goes on from the newest good backup.

A start looks only at what it needs, so that it takes as long at 9 GB as at 9 kB; the whole file is looked through beside the
watching (`daemon.store.examination`), and what that finds is left as a mark for the next start. A note beside the store says
what is being recovered. It is written before anything is moved and goes when the keeper has been told, so a recovery that is
cut off at any instant goes on where it was.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path

from daemon.store.backup import (
    SUFFIX,
    Progress,
    fault_of,
    flush,
    name_aside,
    no_progress,
    restore_checked,
    set_aside,
)
from daemon.store.belonging import write_beside
from daemon.store.doubt import clear, found_damaged
from daemon.store.examination import fault_at_sight

RECOVERED = "store-recovered"
"""The event that tells the keeper: once it is recorded, the note goes."""
_NOTE = ".recovering"
_SMALLEST = 100  # bytes of the header alone; the database library takes what is shorter for a new file


@dataclass(frozen=True, slots=True)
class Recovery:
    """What was done about a damaged or missing store: where the file is kept (None: there was none) and from which backup it
    goes on (None: anew)."""

    set_aside: Path | None
    restored_from: Path | None
    found: str
    written_back: bool = False
    """It was moved or deleted while it was in use, and written back whole from the open file."""

    @property
    def text(self) -> str:
        """What the keeper should read."""
        if self.written_back:
            return f"The store {self.found}. It was still open and was written back: nothing is missing. Find out who did that."
        goes_on = (
            f"Now dewlid goes on from the backup {self.restored_from}; what was recorded after it"
            f" {'is only in the damaged file' if self.set_aside else 'is lost'}."
            if self.restored_from
            else "There was no good backup, so dewlid starts with an empty store: alarms that still stand are raised again."
        )
        kept = f" The damaged file is kept as {self.set_aside}: delete it when you miss nothing, it takes room."
        return f"The store was damaged ({self.found}). {goes_on}{kept if self.set_aside else ''}"


# ---------------------------------------------------------------- what counts as damage


def _gone(path: Path, backups: Path) -> str | None:
    """Return why a store that was there once cannot be read at all; None in the first start of a site."""
    if not any(backups.glob(f"{path.stem}.*{SUFFIX}")):
        return None
    if not path.exists():
        return f"{path.name} is not there, though it has backups"
    return f"{path.name} is empty, though it has backups" if path.stat().st_size < _SMALLEST else None


# ---------------------------------------------------------------- going on


@dataclass(slots=True)
class Note:
    """What is being recovered, beside the store until the keeper has been told."""

    path: Path
    found: str
    set_aside: str = ""
    restored_from: str = ""
    done: bool = False
    written_back: bool = False

    @staticmethod
    def of(store: Path) -> Path:
        """Return where the note of a store lies."""
        return store.with_name(f"{store.name}{_NOTE}")

    @classmethod
    def read(cls, store: Path) -> Note | None:
        """Return the note of an unfinished or untold recovery; one that cannot be read counts as unfinished."""
        place = cls.of(store)
        if not place.exists():
            return None
        try:
            said = json.loads(place.read_text(encoding="utf-8"))
            told = str(said["found"]), str(said["set_aside"]), str(said["restored_from"])
            return cls(place, *told, bool(said["done"]), bool(said.get("written_back")))
        except (ValueError, KeyError, TypeError):
            return cls(place, "a recovery was cut off")

    def write(self) -> None:
        """Make the note durable."""
        body = {slot.name: getattr(self, slot.name) for slot in fields(self) if slot.name != "path"}
        unfinished = self.path.with_name(f".{self.path.name}.unfinished")
        write_beside(unfinished, json.dumps(body))
        flush(unfinished)
        unfinished.replace(self.path)
        flush(self.path.parent)

    def recovery(self) -> Recovery:
        """Return what the keeper is told."""
        aside = self.path.parent / self.set_aside if self.set_aside else None
        return Recovery(aside, Path(self.restored_from) if self.restored_from else None, self.found, self.written_back)


def recovered(path: Path, backups: Path, now_ms: int, progress: Progress = no_progress) -> Recovery | None:
    """Put the newest good backup in the place of a store that is damaged or gone; None where there is nothing to do.

    Calls `progress` with what it does, again and again while it does it: a large store takes minutes.
    """
    note = Note.read(path)
    if note is None or note.done:  # what was recovered may be damaged again before the keeper has been told
        found = _gone(path, backups) or (path.exists() and (fault_at_sight(path) or found_damaged(path))) or None
        if found is None:
            return None if note is None else note.recovery()
        note = Note(Note.of(path), found, name_aside(path, now_ms=now_ms).name if path.exists() else "")
        note.write()
    if not note.done:
        _go_on(note, path, backups, now_ms, progress)
    return note.recovery()


def _go_on(note: Note, path: Path, backups: Path, now_ms: int, progress: Progress) -> None:
    aside = path.with_name(note.set_aside) if note.set_aside else None
    put_already = path.exists() and aside is not None and aside.exists()
    if path.exists() and not put_already:
        aside = aside or name_aside(path, now_ms=now_ms)
        note.set_aside = aside.name
        note.write()
        set_aside(path, aside)
    clear(path)
    if not put_already:
        good = newest_good(path, backups, progress)
        if good is not None:
            note.restored_from = str(good)
            note.write()
            restore_checked(good, path, now_ms=now_ms, progress=progress)
    note.done = True
    note.write()


def newest_good(path: Path, folder: Path, progress: Progress = no_progress) -> Path | None:
    """Return the newest verified backup of this store, of any label; None when there is none."""
    found = folder.glob(f"{path.stem}.*{SUFFIX}")
    by_age = sorted(found, key=lambda each: each.name.removesuffix(SUFFIX).rsplit(".", 1)[-1], reverse=True)
    for each in by_age:
        if fault_of(each, progress) is None:
            return each
    return None


def note_written_back(path: Path) -> None:
    """Have the next start tell the keeper that the store was away."""
    Note(Note.of(path), "was moved or deleted while dewlid used it", done=True, written_back=True).write()


def told(path: Path) -> None:
    """The keeper has been told of the recovery: its note goes."""
    with suppress(OSError):
        Note.of(path).unlink(missing_ok=True)
