"""The care routine through the command line: real config, spool, rules and store; a year of it read as a keeper would."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import time_machine
from icalendar import Calendar

from adapters.wording.letter import compose
from daemon.cli import main
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.store.spool import Spool
from rules.terms.events import Batch, Event, LetterEvent, WordEvent
from rules.turn.advance import advance, dump_state
from rules.turn.state import EngineState

ZONE = ZoneInfo("Europe/Berlin")
CONFIG = """
[site]
name = "Ant shelf"
time_zone = "Europe/Berlin"
state_folder = "{folder}"

[chamber.food]
role = "food"
colony = "atta"

[chamber.nest]
title = "Nest"
colony = "atta"

[chamber.nest.garden]
volume_ml = 6.0
basin_ml = {basin}
covered = {covered}

[chamber.nest.devices.heater]
watts = 5

[chamber.tip]
title = "Tip"
role = "waste"
colony = "atta"

[probe.air]
kind = "serial-text"
place = "nest"
port = "/dev/serial/by-id/none"
pattern = 'T=(?P<air_temperature>-?\\d\\d\\.\\d) RH=(?P<relative_humidity>\\d\\d)'

[care.sugar-water]
off = true
"""


def ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


class Shelf:
    """A daemon without probes: takes words from the spool, judges and records, whenever it is turned."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "dewlid.toml"
        self.write()
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.state: EngineState | None = None
        self.events: list[Event] = []

    def write(self, basin: float = 600.0, covered: bool = True) -> None:
        self.config.write_text(CONFIG.format(folder=self.folder, basin=basin, covered=str(covered).lower()))
        self.settings = settings_of(load(self.config))

    def turn(self, now: datetime, *, record: bool = True) -> list[Event]:
        words, refused = self.spool.waiting(ms(now))
        assert refused == []
        batch = Batch.of(items=[each.word for each in words])
        advanced = advance(self.settings, self.state, batch, ms(now) + 1)
        self.state = advanced.state
        self.spool.done(words)
        self.events += advanced.events
        if record:
            history = History.open(self.folder / "dewlid.sqlite3", now_ms=ms(now))
            history.record(batch, advanced.events, dump_state(self.state))
            history.close()
        return list(advanced.events)

    def say(self, *arguments: str) -> int:
        return main([arguments[0], "--config", str(self.config), *arguments[1:]])

    def letters(self) -> list[LetterEvent]:
        return [event for event in self.events if isinstance(event, LetterEvent)]


@pytest.fixture(name="shelf")
def _shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    monkeypatch.setenv("USER", "keeper")
    yield Shelf(tmp_path)


NOON = datetime(2027, 5, 3, 12, 0, tzinfo=ZONE)


def at(moment: datetime) -> time_machine.travel:
    return time_machine.travel(moment, tick=False)


# ---------------------------------------------------------------- a few words


def test_what_is_done_goes_through_spool_and_store_and_shows_in_the_list(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    with at(NOON):
        shelf.turn(NOON)
        assert shelf.say("care", "done", "waste", "--chamber", "tip") == 0
        assert capsys.readouterr().out == "Logged for Nest: clear the waste.\n"
        shelf.turn(NOON + timedelta(minutes=1))
    later = NOON + timedelta(days=14)
    with at(later):
        shelf.turn(later)
        assert shelf.say("care", "list", "--days", "20") == 0
    told = capsys.readouterr().out
    assert "waste              Nest: clear the waste (due since Mon 17 May 2027)" in told
    assert "waste              Mon 31 May 2027" in told
    assert "sugar-water" not in told


def test_a_sight_is_answered_at_once_and_the_daemon_says_the_same(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    with at(NOON):
        shelf.turn(NOON)
        assert shelf.say("leaves", "food", "rose", "--place", "florist", "--at", "2027-05-02T10:00") == 0
        shelf.turn(NOON + timedelta(seconds=1))
        assert shelf.say("note", "nest", "half of it", "--fungus", "brown-on-top", "--lid", "droplets") == 0
        said = capsys.readouterr().out
        assert "rose (florist, treated or not is not known; 26 h ago)" in said
        events = shelf.turn(NOON + timedelta(seconds=2))
    answer = next(event for event in events if event.kind == "care")
    assert answer.text in said  # type: ignore[attr-defined]
    assert ("observation", True) in {(event.word, event.accepted) for event in events if isinstance(event, WordEvent)}


def test_the_absences_that_are_known_are_listed(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    with at(NOON):
        shelf.turn(NOON)
        assert shelf.say("away") == 0
        assert capsys.readouterr().out == "No absence is planned.\n"
        assert shelf.say("away", "2027-05-03", "2027-05-09") == 0
        shelf.turn(NOON + timedelta(seconds=1))
    with at(NOON + timedelta(seconds=2)):
        assert shelf.say("away", "2027-05-08", "2027-05-11") == 0
        assert "In it is the absence from Mon 3 May 2027 00:00 to Sun 9 May 2027 23:59." in capsys.readouterr().out
        assert shelf.say("away", "2027-06-01", "2027-06-02T09:00") == 0
        shelf.turn(NOON + timedelta(seconds=3))
        capsys.readouterr()
        assert shelf.say("away") == 0
        assert capsys.readouterr().out == (
            "Away from Mon 3 May 2027 00:00 to Tue 11 May 2027 23:59: now, and alarms go to the stand-in.\n"
            "Away from Tue 1 Jun 2027 00:00 to Wed 2 Jun 2027 09:00.\n"
        )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("care", "done", "leavs"), "Tasks: leaves, water"),
        (("care", "done", "leaves", "--at", "2027-05-03T18:00"), "lies in the future"),
        (("care", "done", "leaves", "--at", "soon"), "write it like"),
        (("care", "done", "water", "--amount", "nan"), "amount: found nan"),
        (("garden", "nest", "--fill", "1.7"), "share of the basin: found 1.7; allowed is at most 1"),
        (("garden", "tip", "--ml", "5"), "is a waste chamber"),
        (("garden", "attic"), "Chambers: food, nest, tip"),
        (("note", "nest", "a\x1b[2Jb"), "U+001B at place 2"),
        (("note", "nest", "x" * 1_000_000), "at most 2000 characters"),
        (("note", "nest", "--fungus", "purple"), "Allowed: brown-on-top"),
        (("note",), "Say which chamber"),
        (("leaves", "nest", "rose\nBcc: x"), "U+000A at place 5"),
        (("away", "2027-06-10", "2027-06-01"), "before it begins"),
        (("away", "2027-06-10"), "Say from when to when"),
    ],
)
def test_bad_input_is_refused_at_once_by_name_and_nothing_is_spooled(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    with at(NOON):
        shelf.turn(NOON)
        assert shelf.say(*words) == (64 if said == "Say from when to when" else 65)  # something is missing
    told = capsys.readouterr()
    assert said in told.err
    assert len(told.err) < 800
    assert "Traceback" not in told.err
    assert shelf.spool.waiting(0) == ([], [])


@pytest.mark.parametrize(
    ("first", "slip", "said"),
    [
        (("garden", "nest", "--ml", "20"), ("garden", "nest", "--ml", "5000"), "5 l is far from the size that is known, 20 ml"),
        (("garden", "nest", "--fill", "0.5"), ("garden", "nest", "--fill", "0.02"), "12 ml is far from the size that is known"),
        (
            ("care", "done", "water", "--amount", "10"), ("care", "done", "water", "--amount", "5000000"),
            "far from what it was last time, 10 ml",
        ),
    ],
)  # fmt: skip
def test_a_figure_far_from_the_usual_is_asked_about_and_taken_with_yes(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], first: tuple[str, ...], slip: tuple[str, ...], said: str
) -> None:
    with at(NOON):
        shelf.turn(NOON)
        assert shelf.say(*first, "--yes") == 0
        shelf.turn(NOON + timedelta(seconds=1))
    with at(NOON + timedelta(minutes=1)):
        capsys.readouterr()
        assert shelf.say(*slip) == 65
        told = capsys.readouterr().err
        assert said in told and "--yes" in told
        assert shelf.spool.waiting(0) == ([], [])
        assert shelf.say(*slip, "--yes") == 0
        assert len(shelf.spool.waiting(ms(NOON))[0]) == 1


def test_a_foreign_file_is_no_calendar_to_write(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    target = shelf.folder / "letters.txt"
    target.write_text("mine")
    with at(NOON):
        assert shelf.say("calendar", str(target)) == 73
    assert "is left alone" in capsys.readouterr().err
    assert target.read_text() == "mine"


def test_a_note_that_is_nearly_a_word_of_the_vocabulary_is_told_that_word(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    with at(NOON):
        shelf.turn(NOON)
        capsys.readouterr()
        assert shelf.say("note", "nest", "Drops") == 0
        assert "Did you mean a word of the vocabulary? dewlid note nest --lid droplets" in capsys.readouterr().out
        assert shelf.say("note", "nest", "moved the box to the shelf") == 0
        assert "Did you mean" not in capsys.readouterr().out


def test_the_words_can_be_listed_without_a_config(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["note", "--words"]) == 0
    told = capsys.readouterr().out
    for word in ("--fungus", "dry-edge", "white-fluffy-mould", "--lid", "droplets", "--ants", "gathered-at-vents"):
        assert word in told


# ---------------------------------------------------------------- a year

FOUNDED = datetime(2027, 9, 15, 20, 0, tzinfo=ZONE)
DAYS, STEP_D = 366, 14
DOUBLING_D = 50.0


def true_ml(day: float) -> float:
    return 6.0 * 2 ** (day / DOUBLING_D)


class Year:
    """A keeper who reads the list every other week and does what it says, all through the command line."""

    def __init__(self, shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
        self.shelf, self.capsys = shelf, capsys
        self.spread = np.random.default_rng(11)
        self.garden_said: list[str] = []
        self.moved: date | None = None
        self.calendars: list[Calendar] = []

    def run(self) -> None:
        self.shelf.turn(FOUNDED)
        for day in range(0, DAYS, STEP_D):
            now = FOUNDED + timedelta(days=day)
            with at(now):
                self.shelf.turn(now)
                self.evening(day)
                self.shelf.turn(now + timedelta(seconds=30))
                self.calendar()
        self.capsys.readouterr()

    def evening(self, day: int) -> None:
        say = self.shelf.say
        assert say("care") == 0
        due = [
            line.split()[0]
            for line in self.capsys.readouterr().out.split("The next")[0].splitlines()[1:]
            if line.startswith("  ")
        ]
        for task in due:
            if task == "next-basin":
                self.moved = self.moved or (FOUNDED + timedelta(days=day)).date()
                self.shelf.write(basin=3_000.0, covered=False)
            assert task in ("leaves", "garden-look") or say("care", "done", task) == 0
        assert say("leaves", "food", ("bramble", "oak", "privet")[day // STEP_D % 3], "--untreated") == 0
        size_ml = true_ml(day) * math.exp(self.spread.normal(0.0, 0.12))
        assert say("garden", "nest", "--ml", f"{size_ml:.1f}") == 0
        self.garden_said.append(self.capsys.readouterr().out)
        if day == 98:
            assert say("away", "2027-12-27T09:00", "2028-01-05T20:00") == 0
        if day == 196:
            assert say("note", "nest", "--fungus", "brown-from-below", "--ants", "calm") == 0

    def calendar(self) -> None:
        assert self.shelf.say("calendar", str(self.shelf.folder / "care.ics")) == 0
        self.calendars.append(Calendar.from_ical((self.shelf.folder / "care.ics").read_text()))


@pytest.fixture(name="year")
def _year(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> Year:
    year = Year(shelf, capsys)
    year.run()
    return year


def test_a_year_from_founding_to_the_second_basin_reads_as_a_keeper_would_want_it(year: Year) -> None:
    _check_growth(year)
    _check_calendars(year)
    _check_letters(year)


def _check_growth(year: Year) -> None:
    assert "Size class A becomes B" in "".join(year.garden_said)
    assert "Size class B becomes C" in "".join(year.garden_said)
    full = FOUNDED + timedelta(days=DOUBLING_D * math.log2(540 / 6))
    assert year.moved is not None
    assert 10 < (full.date() - year.moved).days < 70
    assert "by the rule of thumb for Atta" in year.garden_said[0]
    assert "by 11 entries" in year.garden_said[-1]  # those of the last 150 days


def _check_calendars(year: Year) -> None:
    seen: dict[str, tuple[int, object]] = {}
    days: set[object] = set()
    for calendar in year.calendars:
        assert calendar.errors == []
        entries = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
        assert len(entries) == len(calendar.walk("VEVENT"))
        for uid, event in entries.items():
            number, start = int(event["SEQUENCE"]), event.decoded("DTSTART")
            if uid in seen and seen[uid][1] != start:
                assert number > seen[uid][0], f"{uid} moved without a new sequence number"
            seen[uid] = (number, start)
            days.add(start)
    assert len(days) > 200
    away = next(event for event in year.calendars[7].walk("VEVENT") if str(event["UID"]).startswith("away."))
    assert away.decoded("DTSTART").astimezone(ZONE) == datetime(2027, 12, 27, 9, 0, tzinfo=ZONE)


def _check_letters(year: Year) -> None:
    letters = year.shelf.letters()
    checklists = [one for one in letters if one.to == "stand-in" and getattr(one.about[0], "task", None) == "away"]
    assert [datetime.fromtimestamp(one.at_ms / 1000, ZONE).strftime("%Y-%m-%d %H:%M") for one in checklists] == [
        "2027-12-26 09:00"
    ]
    # Leaves are logged once in two weeks: after two such gaps it is the log that is late, and nobody is mailed for it.
    late = [one for one in letters if one.sort == "care" and "leaves" in {getattr(event, "task", None) for event in one.about}]
    assert 2 <= len(late) <= 6
    digests = [one for one in letters if one.sort == "digest"]
    assert len(digests) >= DAYS - 2
    told = compose(digests[200], year.shelf.settings).text
    assert "dewlid at Ant shelf" in told


def test_plants_and_plans_are_printed_for_the_gardens_that_are_there(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["care", "plants", "--month", "5", "--config", str(shelf.config)]) == 0
    told = capsys.readouterr().out
    assert told.startswith("What suits in May, northern temperate lands:")
    assert "- Nest, garden of 6 ml: about 4 cm2 of leaf" in told
    assert main(["care", "prepare", "power-cut", "--room", "8", "--config", str(shelf.config)]) == 0
    told = capsys.readouterr().out
    assert "1. Nest: from 25.5 °C it is at 20.0 °C after" in told.replace("20 °C", "20.0 °C")
    assert "Tip" not in told  # no garden grows there
