"""Over drawn courses of every kind: priority never falls while it gets worse, nothing is said to get better, each mark is told.

The courses are straight lines, curves that fade to an end, and plateaus, with a noise of their own: nothing of them comes from
the rules. Marks: 10 degC after Mueller et al. 2011, the others judgement of our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from rules.settings import Chamber, Devices, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch, Event, LetterEvent
from rules.terms.words import Acknowledge, Shelve
from rules.turn.advance import advance

START_MS = 1_763_722_800_000  # 2025-11-21T11:00:00Z
STEP_MS = MINUTE_MS
CALM_H = 3.0
PRIORITIES = ("digest", "morning", "today", "wake")
SIZES_ML = (10.0, 90.0, 400.0, 4000.0, 20_000.0)
MARKS = {"cold": (15.0, 12.0, 10.0), "heat": (32.0, 35.0), "dryness": (50.0,)}
OF_KIND = {"cold": ("temperature-low", "heater-failed"), "heat": ("temperature-high",), "dryness": ("humidity-low",)}


@dataclass(frozen=True)
class Course:
    """One figure on its way for the worse: from its calm value to an end, at a pace, straight or fading, begun at some hour."""

    kind: str
    end: float
    per_hour: float
    fades: bool
    begin_h: float
    hours: float

    def at(self, hour: float) -> float:
        start = {"cold": 25.5, "heat": 26.0, "dryness": 80.0}[self.kind]
        passed, way = max(hour - self.begin_h, 0.0), self.end - start
        if self.fades:
            return start + way * (1.0 - math.exp(-passed * self.per_hour / abs(way) * 1.5))
        return start + math.copysign(min(passed * self.per_hour, abs(way)), way)


@st.composite
def courses(draw: st.DrawFn) -> Course:
    kind = draw(st.sampled_from(["cold", "heat", "dryness"]))
    end = draw({
        "cold": st.floats(6.0, 23.0), "heat": st.floats(28.5, 38.0), "dryness": st.floats(30.0, 67.0),
    }[kind])  # fmt: skip
    pace = draw(st.floats(6.0, 25.0)) if kind == "dryness" else draw(st.floats(0.8, 5.0))
    begin_h = draw(st.floats(0.0, 14.0))
    return Course(kind, end, pace, draw(st.booleans()), begin_h, begin_h + draw(st.floats(6.0, 12.0)))


def lived(
    course: Course, garden_ml: float, *, devices: bool, room: bool, answer: str = "none", wander: float = 0.0
) -> list[Event]:
    """Return the events of a shelf on this course; an hour after its beginning the keeper answers what was raised.

    `wander`: how far the air swings about its course, slower than any trend is taken over.
    """
    at_ms = np.arange(START_MS - round(CALM_H * HOUR_MS), START_MS + round(course.hours * HOUR_MS), STEP_MS)
    hours = (at_ms - START_MS) / HOUR_MS
    figure = np.array([course.at(hour) for hour in hours]) + 0.06 * np.sin(at_ms / 2.3e4)
    figure += wander * np.sin(at_ms / 1.1e6) + 0.4 * wander * np.sin(at_ms / 3.7e5)
    calm_t, calm_h = 25.5 + 0.06 * np.sin(at_ms / 2.9e4), 80.0 + 0.4 * np.sin(at_ms / 2.9e4)
    warm = figure if course.kind != "dryness" else calm_t
    given = {
        ("air", "air_temperature"): np.round(warm, 1),
        ("air", "relative_humidity"): np.round(figure if course.kind == "dryness" else calm_h, 1),
    }
    probes = {"air": Probe(place="nest", interval="1min")}
    if room:
        probes["wall"] = Probe(place="study", interval="1min")
        around = np.minimum(warm - 1.0, 22.0) if course.kind != "heat" else np.minimum(warm - 1.0, 34.0)
        given[("wall", "air_temperature")] = np.round(around, 1)
        given[("wall", "relative_humidity")] = np.round(45.0 + 0.4 * np.sin(at_ms / 2.1e4), 1)
    parts = Devices(heater=Heater(setpoint_c=25.5), mister=Mister()) if devices else Devices()
    settings = Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, probes=probes, telling=Telling(),
        chambers={"nest": Chamber(room="study", garden=Garden(volume_ml=garden_ml), devices=parts)},
    )
    batch = Batch(
        series=tuple(given), series_index=np.tile(np.arange(len(given), dtype=np.int32), len(at_ms)),
        taken_ms=np.repeat(at_ms, len(given)), at_ms=np.repeat(at_ms, len(given)),
        value=np.column_stack(list(given.values())).ravel(), items=_answers(course, answer),
    )
    return advance(settings, None, batch, int(at_ms[-1]) + 1).events


def _answers(course: Course, answer: str) -> tuple[object, ...]:
    at_ms = START_MS + round((course.begin_h + 1.0) * HOUR_MS)
    if answer == "none" or at_ms >= START_MS + course.hours * HOUR_MS:
        return ()
    words = []
    for number, alarm in enumerate(OF_KIND[course.kind]):
        about = {"taken_ms": at_ms + number, "word_id": f"w{number}", "chamber": "nest", "alarm": alarm}
        words.append(Acknowledge(**about) if answer == "acknowledged" else Shelve(**about, for_ms=24 * HOUR_MS))
    return tuple(words)


def bad_way_ms(course: Course) -> tuple[int, int]:
    """Return from when to when the value gets worse by more than noise: its pace over the half hour before is still felt."""
    noise = 4.0 if course.kind == "dryness" else 0.5
    end_h = course.begin_h
    while end_h < course.hours and abs(course.at(end_h + 0.1) - course.at(end_h)) * 10.0 > noise:
        end_h += 0.1
    return START_MS + round((course.begin_h + 0.5) * HOUR_MS), START_MS + round(end_h * HOUR_MS)


def crossed_ms(course: Course, mark: float) -> tuple[int, int] | None:
    """Return from when a probe of tenths may tell it, and from when it must; None: it never must."""
    worse = 1.0 if course.kind == "heat" else -1.0
    beyond = [worse * (course.at(step / 60.0) - mark) for step in range(round(course.hours * 60))]
    may, must = (next((step for step, by in enumerate(beyond) if by > least), None) for least in (-0.15, 0.15))
    return None if may is None or must is None else (START_MS + may * MINUTE_MS, START_MS + must * MINUTE_MS)


def of_kind(events: list[Event], course: Course) -> list[AlarmEvent]:
    return [event for event in events if isinstance(event, AlarmEvent) and event.alarm in OF_KIND[course.kind]]


answers = st.sampled_from(["none", "acknowledged", "shelved"])
LOOKED_AT = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@LOOKED_AT
@given(courses(), st.sampled_from(SIZES_ML), st.booleans(), st.booleans(), answers)
def test_while_it_gets_worse_priority_never_falls_and_nothing_is_said_to_get_better(
    course: Course, garden_ml: float, devices: bool, room: bool, answer: str
) -> None:
    events = of_kind(lived(course, garden_ml, devices=devices, room=room, answer=answer), course)
    since_ms, until_ms = bad_way_ms(course)
    worsening = [event for event in events if since_ms <= event.at_ms <= until_ms]
    assert [(event.alarm, event.change) for event in worsening if event.change in ("eased", "recovering", "returned")] == []
    for alarm in OF_KIND[course.kind]:
        mine = [event for event in worsening if event.alarm == alarm and event.condition == "active"]
        ranks = [PRIORITIES.index(event.priority) for event in mine]
        assert ranks == sorted(ranks)


@settings(max_examples=7, derandomize=True, deadline=None, phases=[Phase.explicit, Phase.generate])
@example(Course("cold", 16.0, 0.24, fades=False, begin_h=1.0, hours=18.0), 400.0, False, 0.1)
@given(
    st.builds(
        Course, st.just("cold"), st.floats(9.0, 21.0), st.floats(0.15, 1.2), st.booleans(), st.floats(0.0, 2.0), st.just(18.0)
    ),
    st.sampled_from(SIZES_ML), st.booleans(), st.floats(0.0, 0.25),
)
def test_no_priority_falls_from_a_value_to_a_worse_one_however_slowly_it_came_there(
    course: Course, garden_ml: float, room: bool, wander: float
) -> None:
    last: dict[str, AlarmEvent] = {}
    for event in of_kind(lived(course, garden_ml, devices=False, room=room, wander=wander), course):
        before = last.get(event.alarm)
        last[event.alarm] = event
        if before is None or not (before.open and event.open) or before.value is None or event.value is None:
            continue
        hour = (event.at_ms - START_MS) / HOUR_MS
        if event.value < before.value - 0.3 and course.at(hour - 1.0) - course.at(hour - 2.0) < -0.15:
            assert PRIORITIES.index(event.priority) >= PRIORITIES.index(before.priority), (before, event)


@LOOKED_AT
@given(courses(), st.sampled_from(SIZES_ML), st.booleans(), st.booleans(), answers)
def test_each_mark_is_followed_by_an_urgent_letter_within_half_an_hour_also_at_night(
    course: Course, garden_ml: float, devices: bool, room: bool, answer: str
) -> None:
    events = lived(course, garden_ml, devices=devices, room=room, answer=answer)
    letters = [
        event.at_ms for event in events
        if isinstance(event, LetterEvent) and event.urgent and event.to == "keeper" and event.sort != "reminder"
    ]
    last_ms = START_MS + round(course.hours * HOUR_MS)
    for mark in MARKS[course.kind]:
        crossed = crossed_ms(course, mark)
        if crossed is None or crossed[1] + 30 * MINUTE_MS > last_ms or (course.kind == "dryness" and garden_ml >= 200.0):
            continue
        late = [round((one - crossed[1]) / MINUTE_MS) for one in letters]
        assert any(crossed[0] <= one <= crossed[1] + 30 * MINUTE_MS for one in letters), (mark, late)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(courses(), st.sampled_from(SIZES_ML[:-1]), st.booleans())
def test_a_larger_garden_is_never_more_urgent_on_the_same_course(course: Course, garden_ml: float, room: bool) -> None:
    def urgency(ml: float) -> list[tuple[int, int]]:
        events = of_kind(lived(course, ml, devices=False, room=room), course)
        alarm = OF_KIND[course.kind][0]
        return [(event.at_ms, PRIORITIES.index(event.priority)) for event in events if event.alarm == alarm]

    small, large = urgency(garden_ml), urgency(2.0 * garden_ml)
    for at_ms, rank in large:
        before = [other for then_ms, other in small if then_ms <= at_ms]
        assert before and rank <= max(before), (at_ms, rank, small)


@pytest.mark.parametrize("answer", ["none", "acknowledged", "shelved"])
def test_letters_of_one_long_way_down_stay_few(answer: str) -> None:
    course = Course("cold", 6.0, 1.5, fades=True, begin_h=2.0, hours=26.0)
    events = lived(course, 400.0, devices=True, room=True, answer=answer)
    news = [event for event in events if isinstance(event, LetterEvent) and event.sort in ("situation", "escalation")]
    assert 4 <= len([event for event in news if event.to == "keeper"]) <= 12
