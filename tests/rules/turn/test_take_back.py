"""A word that is taken back leaves nothing behind: what was booked, learned, planned or corrected is as before it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from north_course import SHELF, START_MS, Course, after, word

from rules.advice.done import Begun, done, remembered, taken_back
from rules.advice.state import Gain, ToldMove
from rules.alarms.alarms import standing
from rules.keeper.devices import told_knobs
from rules.keeper.said import KEPT_WORDS
from rules.keeper.state import garden_ml
from rules.terms.events import DAY_MS, HOUR_MS, AdviceEvent, LetterEvent
from rules.terms.words import (
    Acknowledge,
    AdviceDone,
    Away,
    Calibrated,
    CareDone,
    GardenSize,
    LeavesGiven,
    LidSeen,
    Observation,
    OutOfService,
    Shelve,
    TakeBack,
    Visit,
)
from rules.turn.advance import dump_state

HOT = ("temperature-high", "lid-dew", "heater-runaway")
SEEN = [f"ack-{alarm}" for alarm in HOT]


@pytest.fixture
def quiet() -> Course:
    return Course(after(25.5, 25.5))


@pytest.fixture
def hot() -> Course:
    return Course(after(25.5, 27.4, 29.2, 29.2))


def test_a_garden_of_fifty_litres_is_again_what_it_was(quiet: Course) -> None:
    north = SHELF.chambers["north"]
    quiet.say(word(GardenSize, chamber="north", at_ms=quiet.now_ms, garden_ml=50_000.0))
    assert garden_ml(quiet.state.keeper, "north", north) == 50_000.0
    told = quiet.undo("w")
    assert told.accepted
    assert told.takes_back == "garden"
    assert told.chamber == "north"
    assert "The garden of North holds 50 l" in told.text
    assert garden_ml(quiet.state.keeper, "north", north) == 400.0


@pytest.mark.parametrize("fields", [
    {"kind": Visit, "chamber": "north", "for_ms": HOUR_MS}, {"kind": OutOfService, "probe": "air", "for_ms": HOUR_MS},
    {"kind": CareDone, "chamber": "north", "task": "water"}, {"kind": LeavesGiven, "chamber": "north", "plant": "rose"},
    {"kind": Observation, "chamber": "north", "seen": ("dry-edge",)}, {"kind": LidSeen, "chamber": "north", "seen": "dry"},
    {"kind": Away, "from_ms": START_MS + 5 * DAY_MS, "to_ms": START_MS + 9 * DAY_MS},
    {"kind": Away, "from_ms": START_MS, "to_ms": START_MS + 9 * DAY_MS},
    {"kind": GardenSize, "chamber": "north", "garden_ml": 9.0},
], ids=lambda fields: fields["kind"].__name__)  # fmt: skip
def test_what_a_word_told_is_nowhere_in_the_state_once_it_is_taken_back(quiet: Course, fields: dict[str, Any]) -> None:
    kind = fields["kind"]
    more = {"at_ms": quiet.now_ms} if "at_ms" in kind.model_fields else {}
    said = word(kind, "slip-1", **{key: value for key, value in fields.items() if key != "kind"}, **more)
    before = quiet.facts
    (answered,) = quiet.say(said)
    assert answered.accepted
    assert b'"slip-1"' in dump_state(quiet.facts)
    assert quiet.undo("slip-1").accepted
    assert b'"slip-1"' not in dump_state(quiet.facts)
    assert (quiet.state.keeper.visits, quiet.state.keeper.out_of_service) == ({}, {})
    assert quiet.state.keeper.absences == []
    assert quiet.state.keeper.gardens == before.keeper.gardens
    assert (quiet.state.care.leaves, quiet.state.care.notes, quiet.state.care.doings) == ([], [], [])
    assert quiet.state.places["north"].belief == before.places["north"].belief
    done = {key: (task.done_ms, task.base_ms, task.due_ms, task.doings) for key, task in quiet.state.care.tasks.items()}
    assert done == {key: (task.done_ms, task.base_ms, task.due_ms, task.doings) for key, task in before.care.tasks.items()}


def test_of_two_doings_the_earlier_may_be_the_slip(quiet: Course) -> None:
    first_ms = quiet.now_ms
    quiet.say(word(CareDone, "a", chamber="north", task="water", at_ms=first_ms, amount=5.0))
    quiet.live(30, 25.5)
    quiet.say(word(CareDone, "b", chamber="north", task="water", at_ms=quiet.now_ms, amount=7.0))
    later = quiet.state.care.tasks["north/water"]
    quiet.undo("a")
    assert quiet.state.care.tasks["north/water"].amount == later.amount == 7.0
    quiet.undo("b")
    assert quiet.state.care.tasks["north/water"].done_ms is None


def test_a_visit_that_another_put_aside_goes_on_when_that_one_was_the_slip(quiet: Course) -> None:
    quiet.say(word(Visit, "a", chamber="north", for_ms=3 * HOUR_MS))
    ends_ms = quiet.state.keeper.visits["north"].until_ms
    quiet.say(word(Visit, "b", chamber="north", for_ms=0))
    assert quiet.state.keeper.visits == {}
    quiet.undo("b")
    assert quiet.state.keeper.visits["north"].until_ms == ends_ms
    quiet.live(200, 25.5)
    assert quiet.state.keeper.visits == {}


def test_an_absence_that_was_called_off_by_mistake_is_planned_again(quiet: Course) -> None:
    begin_ms, end_ms = quiet.now_ms + 3 * DAY_MS, quiet.now_ms + 9 * DAY_MS
    quiet.say(word(Away, "a", from_ms=begin_ms, to_ms=end_ms))
    quiet.say(word(Away, "b", from_ms=quiet.now_ms, to_ms=quiet.now_ms))
    assert quiet.state.keeper.absences == []
    quiet.undo("b")
    assert [(one.begins, one.ends) for one in quiet.state.keeper.absences] == [(begin_ms, end_ms)]


def test_an_absence_that_has_begun_ends_when_it_was_a_slip(quiet: Course) -> None:
    quiet.say(word(Away, "a", from_ms=quiet.now_ms, to_ms=quiet.now_ms + 9 * DAY_MS))
    assert quiet.state.keeper.away
    quiet.undo("a")
    assert not quiet.state.keeper.away


def test_an_acknowledgement_by_mistake_brings_the_reminders_back() -> None:
    def reminded(*words: str) -> int:
        course = Course(after(25.5, 28.4, 31.3))
        for name in words:
            said = [word(Acknowledge, f"{name}-{alarm}", chamber="north", alarm=alarm) for alarm in HOT]
            assert all(event.accepted for event in (course.say(*said) if name != "undo" else map(course.undo, SEEN)))
        return sum(isinstance(event, LetterEvent) and event.sort == "reminder" for event in course.live(40, 31.3))

    assert reminded("ack", "undo") == reminded() > 0
    assert reminded("ack") == 0


def test_an_acknowledgement_said_twice_is_undone_only_by_the_first(hot: Course) -> None:
    hot.say(word(Acknowledge, "a", chamber="north", alarm="temperature-high"))
    hot.say(word(Acknowledge, "b", chamber="north", alarm="temperature-high"))
    assert not hot.undo("b").accepted
    assert standing(hot.state.alarms, "north")["temperature-high"].acknowledged
    assert hot.undo("a").accepted


def test_a_shelf_by_mistake_is_lifted(hot: Course) -> None:
    hot.say(word(Shelve, chamber="north", alarm="temperature-high", for_ms=DAY_MS))
    hot.undo("w")
    assert standing(hot.state.alarms, "north")["temperature-high"].suppression == "none"


def test_what_was_booked_and_learned_of_an_advice_is_forgotten(hot: Course) -> None:
    opened = hot.state.advice["north"].open
    assert opened is not None
    before = hot.state.advice["north"]
    hot.say(word(AdviceDone, advisory=opened.name, amount=5_000_000.0))
    booked = told_knobs(hot.state.keeper.devices["north"])
    assert booked
    hot.live(5 * 60, 28.4)  # until it is judged
    assert "verified" in [event.status for event in hot.events if isinstance(event, AdviceEvent)]
    told = hot.undo("w")
    assert told.accepted
    assert told.chamber == "north"
    after = hot.state.advice["north"]
    assert told_knobs(hot.state.keeper.devices["north"]) == {}
    assert after.gains == before.gains == {}
    assert after.judge_from_ms == before.judge_from_ms
    assert after.last is not None
    assert after.last.done_ms is None
    (again,) = hot.say(word(AdviceDone, "right", advisory=opened.name))
    assert again.accepted
    assert "done_before" not in again.text


def test_what_the_devices_were_learned_to_do_is_forgotten_with_the_doing(hot: Course) -> None:
    adviser = hot.state.advice["north"]
    assert adviser.open is not None
    old, other, learned = Gain(1.1, 0.4, 2), Gain(0.9, 0.3, 1), Gain(4.0, 0.1, 3)
    move = ToldMove("mist-more", "mister", "mister", 5.0, 5.0, "ml/day", 10.0)
    told = replace(adviser.open, moves=[move])
    known = remembered(replace(adviser, open=told, gains={"mister": old}), told, "slip", START_MS, ())
    booked, _ = done(known, told, 500.0, Begun(START_MS))
    judged = replace(booked, gains={"mister": learned, "fan": other}, mist_failures=2)
    after = taken_back(judged, "slip")
    assert after.gains == {"mister": old, "fan": other}
    assert after.mist_failures == 0
    assert after.open == told


def test_an_advice_not_yet_judged_stands_again_as_it_was_told(hot: Course) -> None:
    before = hot.state.advice["north"].open
    assert before is not None
    hot.say(word(AdviceDone, advisory=before.name))
    hot.undo("w")
    assert hot.state.advice["north"].open == before


def test_a_correction_goes_and_the_one_before_it_holds_again(quiet: Course) -> None:
    def offset() -> float | None:
        made = quiet.state.probes["air"].corrections.get("relative_humidity")
        return None if made is None else made.offset

    about = {"probe": "air", "quantity": "relative_humidity", "gain": 1.0, "standard_uncertainty": 0.5}
    for number, shift in enumerate((1.0, 25.0, 2.0)):
        quiet.say(word(Calibrated, f"c{number}", offset=shift, **about))
    quiet.undo("c1")
    assert offset() == 2.0
    quiet.undo("c2")
    assert offset() == 1.0
    quiet.undo("c0")
    assert offset() is None
    assert quiet.state.care.tasks["north/humidity-check"].done_ms is None


def test_a_word_and_its_undoing_may_come_in_one_instant(hot: Course) -> None:
    opened = hot.state.advice["north"].open
    assert opened is not None
    words = [
        word(Acknowledge, "a", chamber="north", alarm="temperature-high"), word(AdviceDone, "b", advisory=opened.name),
        word(GardenSize, "c", chamber="north", at_ms=hot.now_ms, garden_ml=9.0),
        word(CareDone, "d", chamber="north", task="water", at_ms=hot.now_ms),
    ]  # fmt: skip
    told = hot.say(*words, *(word(TakeBack, f"back-{one.word_id}", said=one.word_id) for one in words))
    assert [event.accepted for event in told] == [True] * 8
    assert hot.state.keeper.said == []
    assert not standing(hot.state.alarms, "north")["temperature-high"].acknowledged
    assert hot.state.advice["north"].open == opened
    assert hot.state.care.tasks["north/water"].done_ms is None


def test_a_word_is_taken_back_once_and_a_refused_or_unknown_one_never(quiet: Course) -> None:
    quiet.say(word(Visit, "a", chamber="north"), word(Visit, "b", chamber="attic"), word(CareDone, "c", task="x", at_ms=1))
    assert [said.word_id for said in quiet.state.keeper.said] == ["a"]
    assert quiet.undo("a").accepted
    for said in ("a", "b", "c", "never-said"):
        told = quiet.undo(said)
        assert not told.accepted
        assert "dewlid undo --list" in told.text


def test_a_word_that_changed_nothing_is_not_there_to_be_taken_back(hot: Course) -> None:
    """`dewlid undo` takes back the last word: one that did nothing must not stand before the one that did."""
    opened = hot.state.advice["north"].open
    assert opened is not None
    about = {"chamber": "north", "alarm": "temperature-high"}
    said = [
        word(AdviceDone, "did", advisory=opened.name), word(AdviceDone, "again", advisory=opened.name),
        word(AdviceDone, "unknown", advisory="north-9"), word(Acknowledge, "seen", **about),
        word(Acknowledge, "seen-again", **about), word(Acknowledge, "never-stood", chamber="north", alarm="humidity-low"),
        word(CareDone, "water", chamber="north", task="water", at_ms=hot.now_ms),
        word(CareDone, "water-before", chamber="north", task="water", at_ms=hot.now_ms - DAY_MS),
        word(Shelve, "shelf", **about, for_ms=HOUR_MS), word(Shelve, "longer", **about, for_ms=2 * HOUR_MS),
        word(Visit, "no-visit", chamber="north", for_ms=0), word(OutOfService, "in-service", probe="air", for_ms=0),
    ]  # fmt: skip
    for one in said:
        hot.say(one)
    hot.say(word(Away, "not-away", from_ms=hot.now_ms + 1, to_ms=hot.now_ms + 1))
    assert [one.word_id for one in hot.state.keeper.said] == ["did", "seen", "water", "longer"]


def test_only_so_many_words_are_remembered(quiet: Course) -> None:
    for number in range(KEPT_WORDS + 5):
        quiet.say(word(CareDone, f"w{number}", chamber="north", task="water", at_ms=quiet.now_ms))
    assert quiet.state.keeper.said[0].word_id == "w5"
    assert len(quiet.state.care.doings) <= KEPT_WORDS + 1
    assert quiet.undo("w5").accepted


def test_an_absence_that_another_was_joined_with_is_as_it_was_when_that_one_was_the_slip(quiet: Course) -> None:
    first, last, end = (quiet.now_ms + days * DAY_MS for days in (4, 9, 14))
    quiet.say(word(Away, "a", from_ms=first, to_ms=last))
    quiet.say(word(Away, "b", from_ms=last - DAY_MS, to_ms=end))
    assert [(one.begins, one.ends) for one in quiet.state.keeper.absences] == [(first, end)]
    quiet.undo("b")
    assert [(one.begins, one.ends) for one in quiet.state.keeper.absences] == [(first, last)]


def spans(course: Course) -> list[tuple[int, int]]:
    return [(one.begins, one.ends) for one in course.state.keeper.absences]


def test_of_joined_absences_the_earlier_one_may_be_the_slip(quiet: Course) -> None:
    first, last, end, far = (quiet.now_ms + days * DAY_MS for days in (4, 9, 14, 20))
    quiet.say(word(Away, "a", from_ms=first, to_ms=last))
    quiet.say(word(Away, "b", from_ms=last - DAY_MS, to_ms=end))
    quiet.say(word(Away, "c", from_ms=end - DAY_MS, to_ms=far))
    assert spans(quiet) == [(first, far)]
    quiet.undo("a")
    assert spans(quiet) == [(last - DAY_MS, far)]
    quiet.undo("c")
    assert spans(quiet) == [(last - DAY_MS, end)]
    quiet.undo("b")
    assert spans(quiet) == []


def test_what_only_the_slip_had_joined_is_apart_again(quiet: Course) -> None:
    first, last, end, far = (quiet.now_ms + days * DAY_MS for days in (4, 9, 14, 20))
    quiet.say(word(Away, "early", from_ms=first, to_ms=last))
    quiet.say(word(Away, "slip", from_ms=first + DAY_MS, to_ms=end + DAY_MS))
    quiet.say(word(Away, "late", from_ms=end, to_ms=far))
    assert spans(quiet) == [(first, far)]
    quiet.undo("slip")
    assert spans(quiet) == [(first, last), (end, far)]


def test_who_is_away_by_a_slip_that_was_joined_is_back_until_the_other_begins(quiet: Course) -> None:
    begin, end = (quiet.now_ms + days * DAY_MS for days in (5, 9))
    quiet.say(word(Away, "slip", from_ms=quiet.now_ms, to_ms=begin + DAY_MS))
    quiet.say(word(Away, "meant", from_ms=begin, to_ms=end))
    assert quiet.state.keeper.away
    quiet.undo("slip")
    assert (quiet.state.keeper.away, spans(quiet)) == (False, [(begin, end)])
