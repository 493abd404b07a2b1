"""A room of three boxes with two probes each goes from bad to worse, answered or not: nothing of it is played down.

The courses are those of `test_courses_for_the_worse`, drawn by hand. Two boxes live the same course, one garden twice the
other's size; the third follows at half the pace. A few rooms are looked at; `ROOMS=N` looks at new ones.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_courses_for_the_worse import (
    CALM_H,
    MARKS,
    OF_KIND,
    PRIORITIES,
    SIZES_ML,
    START_MS,
    Course,
    bad_way_ms,
    courses,
    crossed_ms,
)

from adapters.wording.letter import compose
from rules.settings import Chamber, Devices, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch, Event, LetterEvent
from rules.terms.words import Acknowledge, Shelve, Word
from rules.turn.advance import advance

STEP_MS = 5 * MINUTE_MS
BOXES = ("one", "two", "three")
SAID = re.compile(r"Box (\w+)[^.:]*: (-?\d+\.\d) °C(?: \(limit|,)")
MOVED = re.compile(r"Box (\w+)[^.:]*: -?\d+\.\d °C at [\d:]+ UTC(?:, \w+ \d+ \w+)?, (-?\d+\.\d) °C now")
SHARED = re.compile(r"Box (\w+) (-?\d+\.\d) °C(?=[,. ])")
"""What a sentence tells of a box as of now: without a time behind it, beside what it was, or in a line for several."""
LINE = re.compile(r"Box (\w+): (-?\d+\.\d) °C, (\d+) % humidity")


@dataclass(frozen=True)
class Lived:
    """What became of a room: its settings, the course of each box, what each probe read, and the events."""

    settings: Settings
    courses: dict[str, Course]
    at_ms: np.ndarray
    read: dict[tuple[str, str], np.ndarray]
    events: list[Event]

    def newest(self, box: str, quantity: str, at_ms: int) -> tuple[float, float]:
        """Return the least and the greatest that the two probes of a box said last."""
        place = int(np.searchsorted(self.at_ms, at_ms, "right")) - 1
        found = [self.read[f"{box}-{side}", quantity][place] for side in "ab"]
        return min(found), max(found)


def lived(course: Course, garden_ml: float, *, heaters: bool, answer: str) -> Lived:
    begin_h = course.begin_h
    each = {"one": course, "two": course, "three": replace(course, per_hour=course.per_hour / 2.0)}
    sizes = {"one": garden_ml, "two": 2.0 * garden_ml, "three": garden_ml}
    parts = Devices(heater=Heater(setpoint_c=25.5), mister=Mister()) if heaters else Devices()
    probes = {f"{box}-{side}": Probe(place=box, interval=STEP_MS) for box in BOXES for side in "ab"}
    shelf = Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
        probes=probes | {"wall": Probe(place="study", interval=STEP_MS)},
        chambers={
            box: Chamber(title=f"Box {box}", room="study", garden=Garden(volume_ml=sizes[box]), devices=parts) for box in BOXES
        },
    )  # fmt: skip
    at_ms = np.arange(START_MS - round(CALM_H * HOUR_MS), START_MS + round(course.hours * HOUR_MS), STEP_MS)
    hours, read = (at_ms - START_MS) / HOUR_MS, {}
    for number, box in enumerate(BOXES):
        figure = np.array([each[box].at(hour) for hour in hours])
        for side, off in (("a", -0.03), ("b", 0.03)):
            noise = 0.05 * np.sin(at_ms / (2.3e5 + 1e4 * number) + 30.0 * off)
            warm, damp = (25.5, figure) if course.kind == "dryness" else (figure, 80.0)
            read[f"{box}-{side}", "air_temperature"] = np.round(warm + off + noise, 2)
            read[f"{box}-{side}", "relative_humidity"] = np.round(damp + 5.0 * (off + noise), 2)
    slow = np.array([each["three"].at(hour) for hour in hours]) if course.kind != "dryness" else np.full(len(hours), 22.0)
    read["wall", "air_temperature"] = np.round(np.minimum(slow - 1.0, 34.0 if course.kind == "heat" else 22.0), 2)
    read["wall", "relative_humidity"] = np.round(45.0 + 0.3 * np.sin(at_ms / 2.1e5), 2)
    words: list[Word] = []
    said_ms = START_MS + round((begin_h + 1.0) * HOUR_MS) + 1
    for number, (box, alarm) in enumerate((box, alarm) for box in BOXES for alarm in OF_KIND[course.kind]):
        about = {"taken_ms": said_ms + number, "word_id": f"w{number}", "chamber": box, "alarm": alarm}
        if answer != "none":
            words.append(Acknowledge(**about) if answer == "acknowledged" else Shelve(**about, for_ms=24 * HOUR_MS))
    batch = Batch(
        series=tuple(read), series_index=np.tile(np.arange(len(read), dtype=np.int32), len(at_ms)),
        taken_ms=np.repeat(at_ms, len(read)), at_ms=np.repeat(at_ms, len(read)),
        value=np.column_stack(list(read.values())).ravel(), items=tuple(words),
    )  # fmt: skip
    return Lived(shelf, each, at_ms, read, advance(shelf, None, batch, int(at_ms[-1]) + 1).events)


ANSWERS = st.sampled_from(["none", "acknowledged", "shelved"])


@settings(
    max_examples=int(os.environ.get("ROOMS", "4")), deadline=None, suppress_health_check=[HealthCheck.too_slow],
    derandomize="ROOMS" not in os.environ,
)  # fmt: skip
@given(courses(), st.sampled_from(SIZES_ML[:-1]), st.booleans(), ANSWERS)
def test_a_room_that_gets_worse_is_told_so_box_by_box(course: Course, garden_ml: float, heaters: bool, answer: str) -> None:
    room = lived(course, garden_ml, heaters=heaters, answer=answer)
    for box in BOXES:
        check_never_played_down(room, box)
        check_each_mark_is_told(room, box, garden_ml)
    check_figures_are_of_now(room)
    check_the_larger_garden_is_never_more_urgent(room)


def alarms_of(room: Lived, box: str) -> list[AlarmEvent]:
    kinds = OF_KIND[room.courses[box].kind]
    return [event for event in room.events if isinstance(event, AlarmEvent) and event.alarm in kinds and event.chamber == box]


def check_never_played_down(room: Lived, box: str) -> None:
    since_ms, until_ms = bad_way_ms(room.courses[box])
    worsening = [event for event in alarms_of(room, box) if since_ms <= event.at_ms <= until_ms]
    assert [(event.alarm, event.change) for event in worsening if event.change in ("eased", "recovering", "returned")] == []
    for alarm in OF_KIND[room.courses[box].kind]:
        ranks = [PRIORITIES.index(one.priority) for one in worsening if one.alarm == alarm and one.condition == "active"]
        assert ranks == sorted(ranks), (box, alarm, ranks)


def check_each_mark_is_told(room: Lived, box: str, garden_ml: float) -> None:
    course, last_ms = room.courses[box], int(room.at_ms[-1])
    size_ml = 2.0 * garden_ml if box == "two" else garden_ml
    told = [
        event.at_ms for event in room.events
        if isinstance(event, LetterEvent) and event.urgent and event.to == "keeper" and event.sort != "reminder"
        and any(one.chamber == box for one in event.about)
    ]  # fmt: skip
    for mark in MARKS[course.kind]:
        crossed = crossed_ms(course, mark)
        if crossed is None or crossed[1] + 30 * MINUTE_MS > last_ms or (course.kind == "dryness" and size_ml >= 200.0):
            continue
        late = [round((one - crossed[1]) / MINUTE_MS) for one in told]
        assert any(crossed[0] - STEP_MS <= one <= crossed[1] + 30 * MINUTE_MS for one in told), (box, mark, late)


def check_figures_are_of_now(room: Lived) -> None:
    """Each figure of a letter's present, and each that its sentences tell of now, lies between what the probes said last."""
    for letter in room.events:
        if not isinstance(letter, LetterEvent) or letter.sort in ("system", "care"):
            continue
        for told in letter.present:
            heat, damp = (room.newest(told.chamber, name, letter.at_ms) for name in ("air_temperature", "relative_humidity"))
            assert told.temperature_c is not None and heat[0] - 0.01 <= told.temperature_c <= heat[1] + 0.01
            assert told.relative_humidity_pct is not None and damp[0] - 0.01 <= told.relative_humidity_pct <= damp[1] + 0.01
        body = " ".join(compose(letter, room.settings).text.split())
        for box, celsius, *_ in (match.groups() for pattern in (SAID, MOVED, SHARED, LINE) for match in pattern.finditer(body)):
            least, most = room.newest(box, "air_temperature", letter.at_ms)
            assert least - 0.06 <= float(celsius) <= most + 0.06, body


def check_the_larger_garden_is_never_more_urgent(room: Lived) -> None:
    alarm = OF_KIND[room.courses["one"].kind][0]
    small, large = ([one for one in alarms_of(room, box) if one.alarm == alarm] for box in ("one", "two"))
    for event in large:
        before = [PRIORITIES.index(other.priority) for other in small if other.at_ms <= event.at_ms + STEP_MS]
        assert before and PRIORITIES.index(event.priority) <= max(before), (event.at_ms, event.priority, before)
