"""What the keeper told stands in one place, is answered once, and everybody acts by it: seen through `advance`."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from rules.keeper.state import KeeperState
from rules.settings import Chamber, Garden, Probe, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, Batch, Event, LetterEvent, Reading, SystemEvent, WordEvent
from rules.terms.words import Away, GardenSize, OutOfService, Visit, Word
from rules.turn.advance import advance, dump_state, load_state

START_MS = 1_809_000_000_000  # 2027-04-29, 15:00 in Berlin
SHELF = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("Europe/Berlin"), rooms={}, telling=Telling(),
    probes={"air": Probe(place="nest", interval="1min")},
    chambers={"nest": Chamber(garden=Garden(volume_ml=150.0)), "tip": Chamber(role="waste")},
)  # fmt: skip


class Shelf:
    """A shelf that is advanced by days and words; between two calls its state goes through JSON."""

    def __init__(self, settings: Settings = SHELF) -> None:
        self.settings, self.now_ms, self.count = settings, START_MS, 0
        self.state = advance(settings, None, Batch(), START_MS).state
        self.events: list[Event] = []

    def until(self, after_ms: int, *items: object) -> list[Event]:
        self.now_ms = START_MS + after_ms
        readings = [one for one in items if isinstance(one, Reading)]
        batch = Batch.of(readings, [one for one in items if not isinstance(one, Reading)])
        done = advance(self.settings, load_state(dump_state(self.state)), batch, self.now_ms + 1)
        self.state = done.state
        self.events += done.events
        return done.events

    def say(self, after_ms: int, kind: type[Word], **keys: object) -> list[Event]:
        self.until(after_ms - 1)
        self.count += 1
        return self.until(after_ms, kind(taken_ms=START_MS + after_ms, word_id=f"w{self.count}", **keys))

    def heat(self, after_ms: int, celsius: float, humidity: float = 80.0, minutes: int = 40) -> list[Event]:
        readings = []
        for minute in range(minutes):
            at_ms = START_MS + after_ms + minute * MINUTE_MS
            readings.append(Reading(at_ms, "air", "air_temperature", celsius + 0.01 * (minute % 5), at_ms))
            readings.append(Reading(at_ms, "air", "relative_humidity", humidity + 0.1 * (minute % 3), at_ms))
        return self.until(after_ms + minutes * MINUTE_MS, *readings)

    def turned(self) -> list[tuple[float, str]]:
        return [
            ((one.at_ms - START_MS) / DAY_MS, one.what) for one in self.events
            if isinstance(one, SystemEvent) and one.what.startswith("away")
        ]  # fmt: skip


def answers(events: list[Event]) -> list[tuple[bool, str]]:
    return [(one.accepted, one.text) for one in events if isinstance(one, WordEvent)]


def absence(first_d: float, last_d: float) -> dict[str, int]:
    return {"from_ms": START_MS + round(first_d * DAY_MS), "to_ms": START_MS + round(last_d * DAY_MS)}


# ---------------------------------------------------------------- absences


def test_a_second_absence_that_is_planned_meanwhile_leaves_the_first_one_alone() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 7))
    shelf.until(DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun")]
    assert [taken for taken, _ in answers(shelf.say(DAY_MS + HOUR_MS, Away, **absence(30, 40)))] == [True]
    told = shelf.heat(2 * DAY_MS, 34.0)
    urgent = [one for one in told if isinstance(one, LetterEvent) and one.urgent]
    assert urgent and {one.to for one in urgent} == {"stand-in"}
    shelf.until(45 * DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun"), (7, "away-ended"), (30, "away-begun"), (40, "away-ended")]


def test_back_is_answered_once_and_nothing_of_the_absence_comes_later() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 7))
    shelf.until(DAY_MS)
    now = START_MS + DAY_MS + HOUR_MS
    back = shelf.say(DAY_MS + HOUR_MS, Away, from_ms=now, to_ms=now)
    assert answers(back) == [(True, "You are back: alarms and routine come to you again, and no absence is planned.")]
    shelf.until(10 * DAY_MS)
    assert [what for _, what in shelf.turned()] == ["away-begun", "away-ended"]
    assert shelf.turned()[1][0] == pytest.approx(1 + 1 / 24)


def test_an_absence_that_is_changed_while_it_runs_tells_nobody_of_an_end_or_a_beginning() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 7))
    shelf.until(DAY_MS)
    shelf.say(2 * DAY_MS, Away, **absence(2, 9))
    assert shelf.state.keeper.away
    shelf.until(20 * DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun"), (9, "away-ended")]
    checklists = [one.at_ms for one in shelf.events if one.kind == "care" and one.task == "away"]
    assert checklists == [START_MS + HOUR_MS, START_MS + 2 * DAY_MS]  # the stand-in is told the new dates


def test_one_that_begins_before_the_running_one_ends_goes_on_from_it_without_a_gap() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 7))
    shelf.until(DAY_MS)
    shelf.say(2 * DAY_MS, Away, **absence(6, 12))
    for day in range(3, 12):
        shelf.until(day * DAY_MS)
        assert shelf.state.keeper.away, day
    shelf.until(13 * DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun"), (12, "away-ended")]


def test_an_absence_too_many_is_refused_and_leaves_the_running_one_as_long_as_it_was() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 7))
    for number in range(7):
        shelf.say(2 * HOUR_MS + number, Away, **absence(20 + 3 * number, 21 + 3 * number))
    shelf.until(DAY_MS)
    (accepted, said), *_ = answers(shelf.say(2 * DAY_MS, Away, **absence(8, 9)))
    assert not accepted and "8 absences are planned already" in said
    shelf.until(10 * DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun"), (7, "away-ended")]


def test_what_an_absence_replaces_is_told() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(4, 7))
    ((accepted, said),) = answers(shelf.say(2 * HOUR_MS, Away, **absence(5, 6)))
    assert accepted and "This replaces the absence from " in said
    assert [(one.begins, one.ends) for one in shelf.state.keeper.absences] == [tuple(absence(5, 6).values())]


def test_two_absences_that_overlap_are_joined_in_whichever_order_they_are_told() -> None:
    for first, second in (((4, 11), (9, 14)), ((9, 14), (4, 11)), ((9, 11), (4, 14))):
        shelf = Shelf()
        shelf.say(HOUR_MS, Away, **absence(*first))
        ((accepted, said),) = answers(shelf.say(2 * HOUR_MS, Away, **absence(*second)))
        assert accepted and "Away from Mon 3 May" in said and "to Thu 13 May" in said and "In it is the absence from" in said
        shelf.until(20 * DAY_MS)
        assert shelf.turned() == [(4, "away-begun"), (14, "away-ended")]
        assert [one.at_ms for one in shelf.events if one.kind == "care" and one.task == "away"] == [START_MS + 3 * DAY_MS]


def test_an_absence_between_two_others_makes_one_of_all_three() -> None:
    shelf = Shelf()
    for number, days in enumerate(((4, 6), (8, 10), (5, 9))):
        shelf.say((number + 1) * HOUR_MS, Away, **absence(*days))
    assert [(one.begins, one.ends) for one in shelf.state.keeper.absences] == [tuple(absence(4, 10).values())]


def test_overlapping_absences_are_refused_where_they_would_last_too_long_together() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(4, 100))
    ((accepted, said),) = answers(shelf.say(2 * HOUR_MS, Away, **absence(90, 130)))
    assert not accepted and "more than 120 days" in said
    assert [(one.begins, one.ends) for one in shelf.state.keeper.absences] == [tuple(absence(4, 100).values())]


def test_one_that_shortens_the_running_absence_says_so() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(0.5, 9))
    shelf.until(DAY_MS)
    ((accepted, said), *_) = answers(shelf.say(2 * DAY_MS, Away, **absence(3, 4)))
    assert accepted and "This replaces the absence from" in said
    shelf.until(12 * DAY_MS)
    assert shelf.turned() == [(0.5, "away-begun"), (4, "away-ended")]


def test_an_absence_that_ends_when_it_begins_is_no_way_of_being_back_but_now() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(4, 7))
    ((accepted, said),) = answers(shelf.say(2 * HOUR_MS, Away, **absence(5, 5)))
    assert not accepted and "ends when it begins" in said
    assert [(one.begins, one.ends) for one in shelf.state.keeper.absences] == [tuple(absence(4, 7).values())]
    ((accepted, _),) = answers(shelf.say(3 * HOUR_MS, Away, **absence(0.125, 0.125)))
    assert accepted and shelf.state.keeper.absences == []


def test_a_step_of_the_clock_leaves_the_days_of_an_absence_where_the_calendar_has_them() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Away, **absence(3, 7))
    shelf.say(2 * HOUR_MS, Visit, chamber="nest", for_ms=4 * HOUR_MS)
    before = shelf.state.keeper
    moved = advance(SHELF, shelf.state, Batch(clock_step_ms=5 * HOUR_MS), shelf.now_ms + 5 * HOUR_MS + 2).state.keeper
    assert moved.absences == before.absences
    assert moved.visits["nest"].until_ms == before.visits["nest"].until_ms + 5 * HOUR_MS


# ---------------------------------------------------------------- garden sizes


def priority_when_dry(*sizes: dict[str, object]) -> tuple[str, list[tuple[bool, str]]]:
    shelf = Shelf()
    said = []
    for hour, keys in enumerate(sizes, 1):
        said += answers(shelf.say(hour * HOUR_MS, GardenSize, **keys))
    dry = shelf.heat(3 * DAY_MS, 26.0, 58.0, minutes=90)  # dry for a garden of every size
    return next(one.priority for one in dry if one.kind == "alarm" and one.alarm == "humidity-low"), said


def test_a_refused_garden_size_changes_no_priority_and_a_taken_one_does() -> None:
    plain, _ = priority_when_dry()
    large = {"chamber": "nest", "garden_ml": 150_000.0}
    refused, said = priority_when_dry(large | {"at_ms": START_MS + 300 * DAY_MS})
    taken, more = priority_when_dry(large | {"at_ms": START_MS})
    assert [accepted for accepted, _ in said + more] == [False, True]
    assert "Nothing was changed by it" in said[0][1]
    assert refused == plain != taken


def test_of_two_sizes_the_one_that_was_seen_later_holds_for_everybody() -> None:
    first = {"chamber": "nest", "garden_ml": 150_000.0, "at_ms": START_MS + MINUTE_MS}
    older = {"chamber": "nest", "garden_ml": 5.0, "at_ms": START_MS}
    assert priority_when_dry(first, older)[0] == priority_when_dry(first)[0]


def test_a_size_of_before_the_newest_one_is_noted_and_the_newest_is_said_to_hold() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, GardenSize, chamber="nest", garden_ml=400.0, at_ms=START_MS + MINUTE_MS)
    ((accepted, said),) = answers(shelf.say(2 * HOUR_MS, GardenSize, chamber="nest", garden_ml=5.0, at_ms=START_MS))
    assert accepted and "held 5 ml at " in said and "What holds now is the newer entry of " in said and "400 ml" in said
    assert "Size class" not in said
    assert [one.garden_ml for one in shelf.state.keeper.gardens["nest"]] == [5.0, 400.0]


# ---------------------------------------------------------------- visits and probes out of service


def test_a_visit_and_a_probe_out_of_service_end_by_themselves_to_the_millisecond() -> None:
    shelf = Shelf()
    shelf.say(HOUR_MS, Visit, chamber="nest", for_ms=20 * MINUTE_MS)
    shelf.say(HOUR_MS + 5, OutOfService, probe="air", for_ms=30 * MINUTE_MS, reason="salt")
    shelf.until(HOUR_MS + 20 * MINUTE_MS - 1)
    assert list(shelf.state.keeper.visits) == ["nest"]
    shelf.until(HOUR_MS + 20 * MINUTE_MS)
    assert (list(shelf.state.keeper.visits), list(shelf.state.keeper.out_of_service)) == ([], ["air"])
    shelf.until(HOUR_MS + 5 + 30 * MINUTE_MS)
    assert shelf.state.keeper.out_of_service == {}


@pytest.mark.parametrize(
    ("kind", "keys", "said"),
    [
        (Away, {"from_ms": START_MS + DAY_MS, "to_ms": START_MS}, "before it begins"),
        (Away, {"from_ms": START_MS - DAY_MS, "to_ms": START_MS - 1}, "in the past"),
        (Visit, {"chamber": "attic"}, "allowed: nest, tip"),
        (OutOfService, {"probe": "forged", "for_ms": 1}, "allowed: air"),
        (GardenSize, {"chamber": "tip", "garden_ml": 5.0, "at_ms": START_MS}, "is a waste chamber"),
        (GardenSize, {"chamber": "nest", "fill": 0.5, "at_ms": START_MS}, "basin_ml"),
        (GardenSize, {"chamber": "nest", "fill": 0.5, "garden_ml": 20.0, "at_ms": START_MS}, "given twice"),
        (GardenSize, {"chamber": "nest", "garden_ml": 20.0, "at_ms": 0}, "more than 20 years ago"),
    ],
)
def test_a_refused_word_says_why_and_leaves_no_trace(kind: type[Word], keys: dict[str, object], said: str) -> None:
    shelf = Shelf()
    ((accepted, text),) = answers(shelf.say(HOUR_MS, kind, **keys))
    assert not accepted and said in text
    assert shelf.state.keeper == KeeperState(configured=shelf.state.keeper.configured)


def test_times_of_the_shelf_are_told_in_its_own_zone() -> None:
    ((_, text),) = answers(Shelf().say(HOUR_MS, Away, **absence(1, 2)))
    local = datetime.fromtimestamp((START_MS + DAY_MS) / 1000, ZoneInfo("Europe/Berlin"))
    assert f"{local:%H:%M}" in text and "30 Apr 2027" in text
