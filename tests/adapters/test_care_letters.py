"""What of the routine is mailed, to whom and when."""

from __future__ import annotations

from datetime import datetime
from operator import attrgetter
from typing import Any
from zoneinfo import ZoneInfo

from keeper_course import pieces

from adapters.wording.letter import compose
from rules.care.care import CareState, NothingKnown, follow
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Garden, Settings, Site, Telling
from rules.telling.telling import TellingState, tell
from rules.terms.events import CareEvent, Event, LetterEvent
from rules.terms.words import Away, CareDone, Observation, Word

ZONE = ZoneInfo("Europe/Berlin")
WATCH = Settings(
    site=Site(time_zone="Europe/Berlin"), zone=ZONE, rooms={}, probes={}, telling=Telling(),
    chambers={"nest": Chamber(title="Nest", garden=Garden(volume_ml=50.0))},
)  # fmt: skip


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp() * 1000)


def letters(begin: str, end: str, *words: Word) -> list[LetterEvent]:
    return [one for one in course(begin, end, *words)[1] if one.sort != "system"]


def course(begin: str, end: str, *words: Word) -> tuple[list[Event], list[LetterEvent]]:
    care, telling, events, found = CareState(), TellingState(), [], []
    for piece in pieces(WATCH, KeeperState(), words, at(begin), at(end), "o"):
        care, told = follow(WATCH, care, piece.heard, piece.from_ms, piece.until_ms, "o", NothingKnown())
        said = sorted([*piece.heard.events, *told], key=attrgetter("at_ms"))
        away = piece.heard.state.away
        telling, sent = tell(WATCH, telling, said, piece.from_ms, piece.until_ms, "o", away=away)
        events, found = events + said, found + sent
    return events, found


def told(kind: type[Word], when: str, **keys: Any) -> Word:
    if kind is not Away:
        keys = {"chamber": "nest", "at_ms": at(when)} | keys
    return kind(taken_ms=at(when), word_id=when, **keys)


def local(letter: LetterEvent) -> str:
    return datetime.fromtimestamp(letter.at_ms / 1000, ZONE).strftime("%Y-%m-%d %H:%M")


def test_the_answer_to_a_bad_sight_is_mailed_at_once_and_one_to_a_good_sight_waits_for_the_digest() -> None:
    found = letters(
        "2027-05-03 12:00", "2027-05-04 12:00",
        told(Observation, "2027-05-03 15:00", seen=("brown-on-top",)),
        told(Observation, "2027-05-03 16:00", seen=("brown-from-below",)),
    )  # fmt: skip
    care = [(local(one), one.sort, [event.task for event in one.about if event.kind == "care"]) for one in found]
    assert care[0] == ("2027-05-03 15:00", "care", ["observation"])
    assert care[1][:2] == ("2027-05-04 08:00", "digest")
    assert "observation" in care[1][2]


def test_two_sights_at_night_are_both_answered_in_the_morning() -> None:
    found = letters(
        "2027-05-03 12:00", "2027-05-04 07:00",
        told(Observation, "2027-05-03 23:00", seen=("brown-on-top",)),
        told(Observation, "2027-05-03 23:30", seen=("dripping",)),
    )  # fmt: skip
    (letter,) = found
    assert local(letter) == "2027-05-04 06:30"
    texts = " ".join(event.text for event in letter.about)
    assert "Brown on top or throughout" in texts
    assert "Drops fall from the lid on the garden" in texts


def test_late_leaves_are_mailed_when_the_quiet_hours_end() -> None:
    found = letters("2027-05-03 12:00", "2027-05-05 07:00", told(CareDone, "2027-05-03 18:00", task="leaves"))
    mailed = [one for one in found if one.sort == "care"]
    assert [(local(one), one.to, one.urgent) for one in mailed] == [("2027-05-05 06:30", "keeper", False)]


def test_the_checklist_goes_to_the_stand_in_and_the_keeper_gets_a_letter_of_his_own() -> None:
    word = told(Away, "2027-12-20 12:00", from_ms=at("2027-12-27 09:00"), to_ms=at("2028-01-05 20:00"))
    found = [one for one in letters("2027-12-20 11:00", "2027-12-27 00:00", word) if one.sort == "care"]
    assert {(local(one), one.to, one.about[0].task) for one in found} == {
        ("2027-12-26 09:00", "stand-in", "away"),
        ("2027-12-26 09:00", "keeper", "away-before"),
    }
    assert all(len(one.about) == 1 for one in found)


def test_while_the_keeper_is_away_care_that_cannot_wait_goes_to_the_stand_in() -> None:
    found = letters(
        "2027-12-20 11:00", "2028-01-10 00:00",
        told(Away, "2027-12-20 12:00", from_ms=at("2027-12-27 09:00"), to_ms=at("2028-01-05 20:00")),
        told(CareDone, "2027-12-28 18:00", task="leaves"),
        told(CareDone, "2028-01-06 18:00", task="leaves"),
    )  # fmt: skip
    leaves = [(local(one), one.to) for one in found if one.sort == "care" and one.about[0].task == "leaves"]
    assert leaves == [
        ("2027-12-30 06:30", "stand-in"), ("2027-12-30 18:00", "stand-in"),
        ("2028-01-08 06:30", "keeper"), ("2028-01-08 18:00", "keeper"),
    ]  # fmt: skip


def test_a_task_that_is_done_is_owed_no_longer() -> None:
    events, found = course(
        "2027-05-03 12:00", "2027-05-05 07:00",
        told(CareDone, "2027-05-03 18:00", task="leaves"), told(CareDone, "2027-05-05 06:15", task="leaves"),
    )  # fmt: skip
    assert "overdue" in {one.status for one in events if isinstance(one, CareEvent) and one.task == "leaves"}
    assert not [one for one in found if one.sort == "care"]


# ---------------------------------------------------------------- as they are read


def test_the_stand_in_reads_a_checklist_with_lists_and_nothing_cut_off() -> None:
    word = told(Away, "2027-12-20 12:00", from_ms=at("2027-12-27 09:00"), to_ms=at("2028-01-05 20:00"))
    found = letters("2027-12-20 11:00", "2027-12-27 00:00", word)
    letter = compose(next(one for one in found if one.to == "stand-in"), WATCH)
    assert letter.subject == "Your checklist: fungus shelf"
    for line in (
        "YOUR CHECKLIST",
        "EVERY DAY\n- Nest:",
        "PLEASE DO NOT\n- Do not open the fungus chamber",
        "No mail means that all is well",
    ):
        assert line in letter.text
    assert "dewlid care done" not in letter.text
    assert max(len(line) for line in letter.text.splitlines()) <= 72


def test_the_answer_to_a_sight_puts_the_first_thing_in_a_paragraph_of_its_own() -> None:
    found = letters("2027-05-03 12:00", "2027-05-03 18:00", told(Observation, "2027-05-03 15:00", seen=("dripping",)))
    letter = compose(found[0], WATCH)
    assert letter.subject == "What you saw: Nest"
    assert "\n\nFirst: wipe it and tilt it" in letter.text
