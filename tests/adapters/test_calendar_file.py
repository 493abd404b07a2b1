from __future__ import annotations

import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from icalendar import Calendar

from adapters.calendar_file import CalendarRefused, calendar_text, fold, unfold, write_calendar
from rules.care.occurrences import Occurrence
from rules.keeper.state import Absence
from rules.terms.events import DAY_MS, HOUR_MS

STAMP = int(datetime(2028, 2, 1, 12, tzinfo=UTC).timestamp() * 1000)


def doing(uid: str = "nest.waste.3", day: str = "2028-02-29", repeats_ms: int | None = None, **other: str) -> Occurrence:
    words = {"title": "clear the waste", "how": "gloves and mask; freeze it", "where": "Nest", "status": "waiting"} | other
    due_ms = int(datetime.fromisoformat(f"{day}T06:00:00+00:00").timestamp() * 1000)
    return Occurrence(
        uid=uid, task=uid.split(".")[1], chamber="nest", due_ms=due_ms, day=day, repeats_ms=repeats_ms, stand_in=True, **words
    )  # fmt: skip


def events(text: str) -> dict[str, dict[str, object]]:
    return {str(event["UID"]): event for event in Calendar.from_ical(text).walk("VEVENT")}


def test_an_independent_reader_finds_every_doing_on_its_day() -> None:
    text = calendar_text("Fungus shelf", [doing(), doing("nest.leaves.daily", "2028-02-02", DAY_MS)], [], STAMP)
    calendar = Calendar.from_ical(text)
    assert calendar["VERSION"] == "2.0"
    assert calendar.errors == []
    found = events(text)
    assert set(found) == {"nest.waste.3@fungus-shelf.dewlid", "nest.leaves.daily@fungus-shelf.dewlid"}
    waste = found["nest.waste.3@fungus-shelf.dewlid"]
    assert waste.decoded("DTSTART") == date(2028, 2, 29)
    assert waste.decoded("DTEND") == date(2028, 3, 1)
    assert waste.decoded("DTSTAMP") == datetime(2028, 2, 1, 12, tzinfo=UTC)
    assert found["nest.leaves.daily@fungus-shelf.dewlid"]["RRULE"]["FREQ"] == ["DAILY"]
    assert "RRULE" not in waste


def test_the_words_survive_commas_semicolons_backslashes_lines_and_other_scripts() -> None:
    how = "gloves; mask, then C:\\waste\nschließen – 🐜 тест"
    found = events(calendar_text("Regal Ä", [doing(how=how)], [], STAMP))
    assert str(found["nest.waste.3@regal.dewlid"]["DESCRIPTION"]).startswith(
        "Gloves; mask, then C:\\waste\nschließen – 🐜 тест"
    )


def test_a_name_cannot_smuggle_lines_into_the_calendar() -> None:
    text = calendar_text("shelf", [doing(where="Nest\r\nEND:VEVENT\r\nATTACH:x\x00")], [], STAMP)
    assert len(events(text)) == 1
    assert "ATTACH" not in next(iter(events(text).values()))


def test_no_line_is_longer_than_75_octets_and_every_line_ends_with_crlf() -> None:
    text = calendar_text("shelf", [doing(how="ä" * 200 + "🐜" * 50)], [], STAMP)
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    assert text.endswith("\r\n")
    assert not re.search(r"(?<!\r)\n", text)


@pytest.mark.parametrize("line", ["", "a" * 75, "a" * 76, "é" * 100, "🐜" * 100, "ab" + "漢" * 70])
def test_folding_is_undone_by_unfolding(line: str) -> None:
    assert unfold("\r\n".join(fold(line))) == line


def test_a_doing_that_moves_keeps_its_uid_and_raises_its_sequence(tmp_path: Path) -> None:
    path = tmp_path / "care.ics"
    assert write_calendar(path, "shelf", [doing(day="2028-02-29"), doing("nest.tubes.1", "2028-02-10")], [], STAMP)
    assert write_calendar(path, "shelf", [doing(day="2028-03-04"), doing("nest.tubes.1", "2028-02-10")], [], STAMP + DAY_MS)
    found = events(path.read_text())
    moved, kept = found["nest.waste.3@shelf.dewlid"], found["nest.tubes.1@shelf.dewlid"]
    assert moved.decoded("DTSTART") == date(2028, 3, 4)
    assert moved["SEQUENCE"] > kept["SEQUENCE"]
    assert moved.decoded("DTSTAMP") == datetime(2028, 2, 2, 12, tzinfo=UTC)
    assert kept.decoded("DTSTAMP") == datetime(2028, 2, 1, 12, tzinfo=UTC)


def test_changes_within_a_minute_and_a_return_after_absence_still_raise_the_sequence(tmp_path: Path) -> None:
    path, numbers = tmp_path / "care.ics", []
    for n, day in enumerate(("2028-02-29", "2028-03-01", None, "2028-03-02")):
        write_calendar(path, "shelf", [doing(day=day)] if day else [], [], STAMP + n * 60_000 * (n == 3))
        numbers += [int(event["SEQUENCE"]) for event in events(path.read_text()).values()]
    assert numbers == sorted(set(numbers))
    assert len(numbers) == 3


def test_what_does_not_change_is_not_written_again(tmp_path: Path) -> None:
    path = tmp_path / "care.ics"
    long = doing(how="a long text; with, folded lines " * 10)
    assert write_calendar(path, "shelf", [long], [], STAMP)
    first = path.stat().st_ino
    assert not write_calendar(path, "shelf", [long], [], STAMP + DAY_MS)
    assert path.stat().st_ino == first


def test_a_doing_that_is_gone_leaves_the_calendar_and_no_file_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "care.ics"
    write_calendar(path, "shelf", [doing(), doing("nest.tubes.1")], [], STAMP)
    write_calendar(path, "shelf", [doing("nest.tubes.1")], [], STAMP)
    assert set(events(path.read_text())) == {"nest.tubes.1@shelf.dewlid"}
    assert [file.name for file in tmp_path.iterdir()] == ["care.ics"]
    assert path.stat().st_mode & 0o777 == 0o644


def test_an_overdue_task_says_so_in_its_title() -> None:
    found = events(calendar_text("shelf", [doing(status="overdue")], [], STAMP))
    assert str(found["nest.waste.3@shelf.dewlid"]["SUMMARY"]) == "Overdue: Nest: clear the waste"


def test_an_absence_over_new_year_stands_with_its_hours() -> None:
    leave = int(datetime(2027, 12, 27, 8, tzinfo=UTC).timestamp() * 1000)
    found = events(calendar_text("shelf", [], [Absence(leave, leave + 8 * DAY_MS + 3 * HOUR_MS, leave)], STAMP))
    (away,) = found.values()
    assert away.decoded("DTSTART") == datetime(2027, 12, 27, 8, tzinfo=UTC)
    assert away.decoded("DTEND") == datetime(2028, 1, 4, 11, tzinfo=UTC)


def test_a_file_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "mine.ics"
    path.write_text("BEGIN:VCALENDAR\nPRODID:-//somebody//else//EN\nEND:VCALENDAR\n")
    with pytest.raises(CalendarRefused, match="is left alone"):
        write_calendar(path, "shelf", [doing()], [], STAMP)
    assert "somebody" in path.read_text()


def test_a_torn_file_of_ours_is_mended(tmp_path: Path) -> None:
    path = tmp_path / "care.ics"
    write_calendar(path, "shelf", [doing(), doing("nest.tubes.1")], [], STAMP)
    path.write_bytes(path.read_bytes()[:330])
    assert write_calendar(path, "shelf", [doing(), doing("nest.tubes.1")], [], STAMP)
    assert len(events(path.read_text())) == 2


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CalendarRefused, match="Name a file in a folder"):
        write_calendar(tmp_path / "none" / "care.ics", "shelf", [doing()], [], STAMP)
