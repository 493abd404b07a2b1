"""The keeper's words on their way to the daemon: one small file each, renamed into place when it is whole.

Other programs never write the store, so `dewlid ack` and its like leave a file here; the engine takes it
in, whether the daemon runs already or is started later. A bell (a FIFO) wakes a running daemon at once;
who may write into the folder may speak to the daemon, and nobody else.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog
from pydantic import ValidationError

from daemon.store import word_faults
from daemon.store.belonging import belong, hand_over
from daemon.store.errors import TO_BE_LET_IN
from rules.terms.words import WORD, ModelFitted, Word

_log = structlog.get_logger(__name__)
LARGEST_BYTES = 64 * 1024
MOST_WAITING = 1_000
_BELL = "bell"
_SUFFIX = ".word.json"


class SpoolError(Exception):
    """The spool folder cannot be used; its text says what to do."""


class WordError(ValueError):
    """A word that cannot be taken; its text says why, in words for the keeper."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """A word that waits in the spool; its file is removed with `done` once the word is recorded."""

    file: Path
    word: Word


@dataclass(frozen=True, slots=True)
class Refused:
    """A file of the spool that was moved aside, and why."""

    file: Path
    reason: str


class Spool:
    """The folder in which words wait."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def prepare(self) -> None:
        """Make the folder and its bell; called by the daemon. Members of its group may speak too."""
        try:
            for place in (self.folder, self.folder / "refused"):
                if not place.is_dir():
                    place.mkdir(parents=True)
                    hand_over(place, 0o770)  # whatever the umask is
            with contextlib.suppress(FileExistsError):
                os.mkfifo(self.folder / _BELL)
            hand_over(self.folder / _BELL, 0o660)  # also one that an older program made
        except OSError as error:
            where = error.filename or self.folder
            raise SpoolError(f"{where}: {error.strerror}; the folder must belong to the user of dewlid") from error

    # ------------------------------------------------------------ the speaker's side

    def leave(self, word: dict[str, Any], *, by: str = "keeper", word_id: str | None = None) -> str:
        """Put a word (without `taken_ms` and `word_id`) into the spool and return its id; raises
        WordError. `word_id`, of letters, digits, - and _: where the speaker brings one that was never used."""
        word_id = word_id or secrets.token_hex(8)
        body = {key: value for key, value in word.items() if value is not None} | {"word_id": word_id, "by": by}
        checked_word({**body, "taken_ms": 0})
        if not self.folder.is_dir():
            raise SpoolError(f"{self.folder}: there is no such folder; start the daemon once (`dewlid run`), it makes it")
        if sum(1 for _ in self.folder.glob(f"*{_SUFFIX}")) >= MOST_WAITING:
            raise SpoolError(f"{self.folder}: {MOST_WAITING} words wait already; is the daemon running?")
        unfinished = self.folder / f".{word_id}.unfinished"
        try:
            self._write(unfinished, json.dumps(body, ensure_ascii=False).encode())
        except OSError as error:
            with contextlib.suppress(OSError):
                unfinished.unlink()
            raise SpoolError(
                f"{self.folder}: {error.strerror}; {TO_BE_LET_IN}"
            ) from error
        self._ring()
        return word_id

    def _write(self, unfinished: Path, octets: bytes) -> None:
        descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
        with os.fdopen(descriptor, "wb") as stream:
            belong(descriptor, self.folder)
            stream.write(octets)
            stream.flush()
            os.fsync(descriptor)
        unfinished.rename(self.folder / f"{unfinished.stat().st_mtime_ns:020d}-{unfinished.stem[1:]}{_SUFFIX}")
        folder = os.open(self.folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _ring(self) -> None:
        # No reader: the daemon is down and takes the word in when it starts.
        with contextlib.suppress(OSError):
            descriptor = os.open(self.folder / _BELL, os.O_WRONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                if stat.S_ISFIFO(os.fstat(descriptor).st_mode):
                    os.write(descriptor, b"!")
            finally:
                os.close(descriptor)

    # ------------------------------------------------------------ the daemon's side

    def bell(self) -> int | None:
        """Open the bell for waiting on it; None: this file system has none, words are then found within a
        minute."""
        try:
            # Opened for reading and writing, so that it does not hang up whenever a speaker is done.
            descriptor = os.open(self.folder / _BELL, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError:
            return None
        if stat.S_ISFIFO(os.fstat(descriptor).st_mode):
            return descriptor
        os.close(descriptor)
        return None

    def waiting(self, taken_ms: int) -> tuple[list[Spoken], list[Refused]]:
        """Return the words that wait, oldest first, stamped with `taken_ms`; what is no word is moved
        aside."""
        words: list[Spoken] = []
        refused: list[Refused] = []
        try:
            files = sorted(self.folder.glob(f"*{_SUFFIX}"))[:MOST_WAITING]
        except OSError as error:  # the watch goes on; that no words can be taken was told at the start
            _log.error("the spool cannot be looked into", reason=error.strerror)
            files = []
        for file in files:
            try:
                words.append(Spoken(file, checked_word({**_parsed(_octets(file)), "taken_ms": taken_ms})))
            except FileNotFoundError:
                continue
            except (OSError, WordError) as error:
                refused.append(self._refuse(file, str(error)))
        return words, refused

    def not_taken(self) -> list[dict[str, Any]]:
        """Return the words that wait, oldest first; nothing is moved, and what is no word is left to the daemon."""
        bodies = []
        for file in sorted(self.folder.glob(f"*{_SUFFIX}")):
            with contextlib.suppress(OSError, WordError):
                bodies.append(_parsed(_octets(file)))
        return bodies

    def done(self, spoken: list[Spoken]) -> None:
        """Remove the files of words that are recorded. A file that stays is harmless: a word is taken
        once by its id."""
        for each in spoken:
            with contextlib.suppress(OSError):
                each.file.unlink(missing_ok=True)

    def _refuse(self, file: Path, reason: str) -> Refused:
        target = self.folder / "refused" / file.name
        with contextlib.suppress(OSError):
            target.with_suffix(".reason.txt").write_text(reason + "\n", encoding="utf-8", errors="backslashreplace")
        try:
            file.rename(target)
        except OSError:
            with contextlib.suppress(OSError):
                file.unlink()
        return Refused(target, reason)


def _octets(file: Path) -> bytes:
    # With an opener the descriptor is closed also where no stream comes of it, as with a folder.
    with open(file, "rb", opener=lambda name, flags: os.open(name, flags | os.O_NONBLOCK | os.O_NOFOLLOW)) as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise WordError("it is not a regular file")
        octets = stream.read(LARGEST_BYTES + 1)
    if len(octets) > LARGEST_BYTES:
        raise WordError(f"it is larger than {LARGEST_BYTES // 1024} KiB")
    return octets


def _parsed(octets: bytes) -> dict[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(body := dict(pairs)) < len(pairs):
            raise WordError("it holds a key twice")
        return body

    def no_number(text: str) -> float:
        raise WordError(f"{text} is no number")

    try:
        body = json.loads(octets, object_pairs_hook=once, parse_constant=no_number)
    except WordError:
        raise
    except (ValueError, RecursionError) as error:
        raise WordError(f"it is not JSON: {error}") from error
    if not isinstance(body, dict):
        raise WordError("it is not a JSON object")
    return body


def checked_word(body: dict[str, Any]) -> Word:
    """Return the keeper's word that a JSON object holds; raises WordError."""
    try:
        word = WORD.validate_python(body)
    except ValidationError as error:
        raise WordError(word_faults.told(error, by_key=True)) from error
    if isinstance(word, ModelFitted):
        raise WordError("model-fitted is a word of the daemon, not of the keeper")
    return word
