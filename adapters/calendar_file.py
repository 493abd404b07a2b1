"""The care plan as an iCalendar file (RFC 5545) for the keeper's own calendar, updated in place.

A doing keeps its UID when it moves; its SEQUENCE then rises and its DTSTAMP is renewed (RFC 5545 sections 3.8.4.7 and
3.8.7.4). What did not change stays byte for byte, and a file that would not change is not written.
"""

from __future__ import annotations

import os
import re
import stat
import tempfile
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from adapters.errors import AdapterError
from rules.care.care import plan
from rules.care.occurrences import Occurrence
from rules.care.state import CareState
from rules.keeper.state import Absence, KeeperState
from rules.settings import Settings
from rules.terms.events import DAY_MS

PRODUCT = "-//dewlid//care plan//EN"
DAYS_AHEAD = 90
_LARGEST_BYTES = 8_000_000
_STAMPS = ("DTSTAMP", "SEQUENCE")


class CalendarRefused(AdapterError):
    """The calendar file cannot be written there; the text says why and what to do."""


def write_calendar(
    path: Path, site: str, occurrences: Sequence[Occurrence], away: Sequence[Absence], stamp_ms: int
) -> bool:
    """Bring the calendar file up to date and return whether it changed; raises CalendarRefused for a foreign file."""
    before = _read(path)
    text = calendar_text(site, occurrences, away, stamp_ms, before)
    if text == before:
        return False
    try:
        _replace(path, text.encode())
    except OSError as failure:
        raise CalendarRefused(
            f"The calendar {path} cannot be written: {failure.strerror or failure}. Name a file in a folder that dewlid may"
            " write to."
        ) from failure
    return True


def calendar_text(
    site: str, occurrences: Sequence[Occurrence], away: Sequence[Absence], stamp_ms: int, before: str | None = None
) -> str:
    """Return the whole calendar; `before` is the text that it replaces, whose unchanged events keep their stamps."""
    domain = f"{re.sub(r'[^a-z0-9]+', '-', site.lower()).strip('-') or 'site'}.dewlid"
    known = _events(before or "")
    bodies = [_doing(one, domain) for one in occurrences] + [_absence(absence, domain) for absence in away]
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{PRODUCT}", "CALSCALE:GREGORIAN", f"NAME:{_text(site + ': care')}"]
    lines += [f"X-WR-CALNAME:{_text(site + ': care')}", "REFRESH-INTERVAL;VALUE=DURATION:PT6H"]
    for body in bodies:
        lines += ["BEGIN:VEVENT", *_stamped(body, known.get(body[0]), stamp_ms), "END:VEVENT"]
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in fold(line))


# ---------------------------------------------------------------- events


def _doing(one: Occurrence, domain: str) -> list[str]:
    """Return the lines of one doing: an all-day event, since a routine belongs to a day and never blocks it."""
    day = date.fromisoformat(one.day)
    late = {"overdue": "Overdue: ", "harmful-if-missed": "Overdue, harmful: "}.get(one.status, "")
    times = round(86_400_000 / one.repeats_ms) if one.repeats_ms else 1
    often = f" ({times} times a day)" if times > 1 else ""
    lines = [
        f"UID:{one.uid}@{domain}",
        f"SUMMARY:{_text(f'{late}{one.where}: {one.title}{often}')}",
        f"DESCRIPTION:{_text(f'{one.how[0].upper()}{one.how[1:]}. When done: dewlid care done {one.task}')}",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{day + timedelta(days=1):%Y%m%d}",
        "TRANSP:TRANSPARENT",
        f"CATEGORIES:{_text(one.task)}",
    ]
    return [*lines, "RRULE:FREQ=DAILY"] if one.repeats_ms else lines


def _absence(absence: Absence, domain: str) -> list[str]:
    return [
        f"UID:away.{absence.begins}@{domain}",
        "SUMMARY:Away: the stand-in looks after the shelf",
        f"DTSTART:{_utc(absence.begins)}",
        f"DTEND:{_utc(absence.ends)}",
        "TRANSP:TRANSPARENT",
    ]


def _stamped(body: list[str], known: dict[str, str] | None, stamp_ms: int) -> list[str]:
    """Return the event with its stamps: the old ones if nothing else changed.

    A new SEQUENCE is the minute in which it was given, so that it rises even for a doing that had left the calendar
    and comes back, or whose file was lost.
    """
    if known is not None and known["body"] == "\n".join(sorted(body)):
        return [body[0], f"DTSTAMP:{known['DTSTAMP']}", f"SEQUENCE:{known['SEQUENCE']}", *body[1:]]
    number = max(stamp_ms // 60_000, int(known["SEQUENCE"]) + 1 if known else 0)
    return [body[0], f"DTSTAMP:{_utc(stamp_ms)}", f"SEQUENCE:{number}", *body[1:]]


def _events(text: str) -> dict[str, dict[str, str]]:
    """Return the events of a calendar that we wrote, by their UID line; one that was damaged counts as new."""
    found: dict[str, dict[str, str]] = {}
    for block in re.findall(r"BEGIN:VEVENT\n(.*?)\nEND:VEVENT", unfold(text).replace("\r\n", "\n"), re.DOTALL):
        lines = block.split("\n")
        stamps = {name: value for name, _, value in (line.partition(":") for line in lines) if name in _STAMPS}
        uid = next((line for line in lines if line.startswith("UID:")), None)
        if uid is None or not re.fullmatch(r"\d{8}T\d{6}Z", stamps.get("DTSTAMP", "")):
            continue
        if not re.fullmatch(r"\d{1,9}", stamps.get("SEQUENCE", "")):
            continue
        kept = sorted(line for line in lines if line.partition(":")[0] not in _STAMPS)
        found[uid] = stamps | {"body": "\n".join(kept)}
    return found


# ---------------------------------------------------------------- lines


def _utc(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y%m%dT%H%M%SZ}"


def _text(value: str) -> str:
    """Return a TEXT value escaped (RFC 5545 section 3.3.11); control characters are no part of one."""
    escaped = value.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\r\n", "\n").replace("\n", "\\n")
    return "".join(letter for letter in escaped if letter >= " " and letter != "\x7f")


def fold(line: str) -> Iterable[str]:
    """Yield a content line in pieces of at most 75 octets, no letter cut in two (RFC 5545 section 3.1)."""
    piece, octets = "", 0
    for letter in line:
        size = len(letter.encode())
        if octets + size > 75:
            yield piece
            piece, octets = " ", 1
        piece, octets = piece + letter, octets + size
    yield piece


def unfold(text: str) -> str:
    """Undo the folding."""
    return re.sub(r"\r?\n[ \t]", "", text)


# ---------------------------------------------------------------- the file


def _read(path: Path) -> str | None:
    """Return what stands there, None: nothing; a file that is not ours is never overwritten."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise CalendarRefused(f"{path} is a folder, pipe or device, so it is left alone. Name a file.")
        if status.st_size > _LARGEST_BYTES:
            raise CalendarRefused(f"{path} is too large to be a calendar of dewlid's, so it is left alone. Name another file.")
        raw = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as failure:
        reason = failure.strerror or failure
        raise CalendarRefused(f"The calendar {path} cannot be read: {reason}. Name another file.") from failure
    text = raw.decode(errors="replace")
    if text.strip() and f"PRODID:{PRODUCT}" not in unfold(text):
        raise CalendarRefused(f"{path} is no calendar that dewlid wrote, so it is left alone. Name another file, or move it.")
    return text


def _replace(path: Path, content: bytes) -> None:
    """Put the new content in the place of the old in one step: a calendar that reads it sees one or the other."""
    target = path.resolve()
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(target)
    except BaseException:
        with suppress(FileNotFoundError):
            Path(name).unlink()
        raise
    folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def refresh(
    path: Path, settings: Settings, care: CareState, keeper: KeeperState, now_ms: int, days: int = DAYS_AHEAD
) -> tuple[int, bool]:
    """Write the plan of the next days and return its number of entries and whether the file changed.

    Raises CalendarRefused for a file that is not ours or cannot be written.
    """
    ahead = plan(settings, care, keeper, now_ms + days * DAY_MS)
    return len(ahead), write_calendar(path, settings.site.name, ahead, keeper.absences, now_ms)
