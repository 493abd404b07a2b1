"""A power cut and a heat wave have one cause: one letter about the room, whatever the number of its boxes.

The courses are drawn by hand: each box fades to its room by Newton's law of cooling with a time constant of its own. Marks:
10 degC after Mueller et al. 2011, the others judgement of our own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Devices, Garden, Heater, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent, Batch, Event, LetterEvent, WordEvent
from rules.terms.words import AdviceDone
from rules.turn.advance import advance, dump_state, load_state

EVENING_MS = 1_763_755_200_000  # 2025-11-21T20:00:00Z
STEP_MS, EVERY_MS = 60_000, 300_000
TAU_H = {"small": 2.5, "middle": 4.0, "big": 8.0}
ML = {"small": 90.0, "middle": 400.0, "big": 4000.0}
AIR_ML = {"small": 2000.0, "middle": 6000.0, "big": 20_000.0}
Course = Callable[[str, float], float]


def shelf(heater: bool = True) -> Settings:
    devices = Devices(heater=Heater(setpoint_c=25.5)) if heater else Devices()
    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
        probes={name: Probe(place="study" if name == "wall" else name, interval=EVERY_MS) for name in (*TAU_H, "wall")},
        chambers={
            name: Chamber(title=f"{name.title()} nest", room="study", air_ml=AIR_ML[name], garden=Garden(volume_ml=ML[name]),
                devices=devices) for name in TAU_H
        },
    )  # fmt: skip


def readings(hours: float, box: Course, room: Callable[[float], float], step_ms: int = STEP_MS) -> Batch:
    at_ms = np.arange(EVENING_MS - 8 * HOUR_MS, EVENING_MS + round(hours * HOUR_MS), step_ms)
    since_h = (at_ms - EVENING_MS) / HOUR_MS
    given, ripple = {}, 0.06 * np.sin(at_ms / 3.1e4)
    for name in TAU_H:
        given[(name, "air_temperature")] = np.array([box(name, hour) for hour in since_h]) + ripple
        given[(name, "relative_humidity")] = 80.0 + 8.0 * ripple
    given[("wall", "air_temperature")] = np.array([room(hour) for hour in since_h]) + ripple
    given[("wall", "relative_humidity")] = 50.0 + 8.0 * ripple
    return Batch(
        series=tuple(given), series_index=np.tile(np.arange(len(given), dtype=np.int32), len(at_ms)),
        taken_ms=np.repeat(at_ms, len(given)), at_ms=np.repeat(at_ms, len(given)),
        value=np.round(np.column_stack(list(given.values())), 2).ravel(),
    )


def cut_room(hour: float) -> float:
    return 4.0 + 15.0 * math.exp(-max(hour, 0.0) / 5.0)


def cut_box(name: str, hour: float, slower: float = 1.0) -> float:
    """Newton's law of cooling behind a room that fades itself: the difference of two exponentials."""
    tau, hour = TAU_H[name] * slower, max(hour, 0.0)
    share = 15.0 * 5.0 / (5.0 - tau)
    return 4.0 + share * math.exp(-hour / 5.0) + (21.5 - share) * math.exp(-hour / tau)


def letters(events: list[Event]) -> list[LetterEvent]:
    kept = ("situation", "escalation", "reminder")
    return [event for event in events if isinstance(event, LetterEvent) and event.sort in kept and event.to == "keeper"]


@pytest.fixture(scope="module", params=[True, False])
def power_cut(request: pytest.FixtureRequest) -> list[Event]:
    batch = readings(11.0, cut_box, cut_room)
    return advance(shelf(request.param), None, batch, int(batch.taken_ms[-1]) + 1).events


def test_a_power_cut_is_told_of_the_room_with_the_boxes_in_order(power_cut: list[Event]) -> None:
    told = letters(power_cut)
    assert {letter.chamber for letter in told[1:]} == {"study"}
    advice = [event for letter in told for event in letter.about if isinstance(event, AdviceEvent)]
    asked = next(event for event in advice if "3 boxes" in event.reason)
    assert "first Small nest, then Middle nest, then Big nest" in " ".join(action.text for action in asked.actions)
    assert "power cut" in asked.reason or "room is the cause" in asked.reason
    assert [reach.chamber for reach in asked.reaches if reach.mark_c == 15.0] == ["small", "middle", "big"]


def test_one_advisory_speaks_for_all_boxes(power_cut: list[Event]) -> None:
    begun = max(event.at_ms for event in power_cut if isinstance(event, AlarmEvent) and event.change == "raised"
                and event.alarm == "temperature-low")  # fmt: skip
    after = [event for event in power_cut if isinstance(event, AdviceEvent) and event.at_ms > begun and event.actions]
    assert {event.chamber for event in after} == {"small"}


def test_each_box_at_each_mark_is_still_told_within_half_an_hour(power_cut: list[Event]) -> None:
    urgent = [letter for letter in letters(power_cut) if letter.urgent]
    for name in TAU_H:
        for mark in (15.0, 12.0, 10.0):
            minutes = [minute for minute in range(11 * 60 - 30) if cut_box(name, minute / 60) < mark - 0.1]
            if minutes:
                at_ms = EVENING_MS + minutes[0] * STEP_MS
                assert any(-10 * STEP_MS <= letter.at_ms - at_ms <= 30 * STEP_MS for letter in urgent), (name, mark)


def test_a_power_cut_of_three_boxes_brings_hardly_more_letters_than_its_marks(power_cut: list[Event]) -> None:
    told = letters(power_cut)
    assert len([letter for letter in told if letter.sort != "reminder"]) <= 16  # 9 marks, 3 turns to urgent, the beginning
    assert len(told) <= 30


def test_that_all_boxes_lose_their_heat_is_told_the_same_hour_also_at_night() -> None:
    """At 22:50 the mat of one box was to be looked at, and that it is the power was told at 01:50, at 15.7 degC."""
    batch = readings(8.0, lambda name, hour: cut_box(name, hour - 2.4, slower=0.4), lambda hour: cut_room(hour - 2.4))
    told = letters(advance(shelf(), None, batch, int(batch.taken_ms[-1]) + 1).events)
    shared = next(
        letter for letter in told
        if any(isinstance(event, AdviceEvent) and "boxes lose their heat together" in event.reason for event in letter.about)
    )
    assert told[0].urgent and shared.urgent and shared.at_ms - told[0].at_ms <= HOUR_MS


def test_when_the_power_is_back_no_box_is_told_to_do_more_than_to_let_it_warm() -> None:
    def box(name: str, hour: float) -> float:
        cold = cut_box(name, min(hour, 7.0))
        return cold if hour < 7.0 else 25.5 - (25.5 - cold) * math.exp(-(hour - 7.0) / (TAU_H[name] / 2.0))

    batch = readings(9.0, box, lambda hour: cut_room(min(hour, 7.0)))
    events = advance(shelf(), None, batch, int(batch.taken_ms[-1]) + 1).events
    back_ms = EVENING_MS + round(7.05 * HOUR_MS)
    asked = [event for event in events if isinstance(event, AdviceEvent) and event.at_ms > back_ms and event.actions]
    assert {action.text[:20] for event in asked for action in event.actions} == {"It gets warmer again"}
    assert "falls towards" not in " ".join(event.reason for event in asked)


def test_what_is_done_of_a_letter_about_all_boxes_is_booked_for_all() -> None:
    batch = readings(4.0, cut_box, cut_room)
    first = advance(shelf(), None, batch, int(batch.taken_ms[-1]) + 1)
    told = first.state.advice["small"].open
    assert told is not None and told.event.boxes == ["small", "middle", "big"]
    word = AdviceDone(taken_ms=int(batch.taken_ms[-1]) + 2, word_id="w", advisory=told.name)
    answers = advance(shelf(), first.state, Batch.of([], [word]), int(batch.taken_ms[-1]) + 3).events
    assert "Booked for Middle nest and Big nest too." in next(event.text for event in answers if isinstance(event, WordEvent))


def wave_room(hour: float) -> float:
    hour = max(hour, 0.0)
    heat = min(hour / 36.0, 1.0)
    return 23.0 + 8.0 * heat + (2.0 + 3.0 * heat) * math.sin((hour + 10.5) / 24.0 * 2.0 * math.pi)


def wave_box() -> Course:
    """Each box follows its room behind its time constant, in steps of a minute; its thermostat holds it at 25.5 from below."""
    courses: dict[str, list[float]] = {}
    for name, tau_h in (TAU_H | {"big": 6.0}).items():
        course = [25.5]
        for minute in range(96 * 60):
            course.append(course[-1] + (max(wave_room(minute / 60.0) + 0.8, 25.5) - course[-1]) / (tau_h * 60.0))
        courses[name] = course
    return lambda name, hour: courses[name][max(round(hour * 60.0), 0)]


def test_a_heat_wave_is_told_of_the_room_once_and_then_only_at_its_marks() -> None:
    batch = readings(92.0, wave_box(), wave_room, step_ms=5 * STEP_MS)
    events = advance(shelf(), None, batch, int(batch.taken_ms[-1]) + 1).events
    last_day = [letter for letter in letters(events) if letter.at_ms > EVENING_MS + 68 * HOUR_MS]
    after_ms = last_day[0].at_ms
    marks = [event for event in events if isinstance(event, AlarmEvent) and event.worse == "mark" and event.at_ms >= after_ms]
    assert marks and len(last_day) <= len(marks) + 3, [(letter.at_ms, letter.sort) for letter in last_day]


def test_a_cut_of_the_stream_changes_nothing_of_what_several_boxes_share() -> None:
    settings, batch = shelf(), readings(4.0, cut_box, cut_room)
    whole = advance(settings, None, batch, int(batch.taken_ms[-1]) + 1)
    state, events, ends = None, [], np.unique(batch.taken_ms)
    for begin, end in zip(ends[::37], [*ends[37::37], ends[-1] + 1], strict=False):
        mine = (batch.taken_ms >= begin) & (batch.taken_ms < end)
        part = Batch(
            series=batch.series, series_index=batch.series_index[mine], taken_ms=batch.taken_ms[mine], at_ms=batch.at_ms[mine],
            value=batch.value[mine],
        )  # fmt: skip
        done = advance(settings, state, part, int(end))
        state, events = load_state(dump_state(done.state)), [*events, *done.events]
    assert [event.as_json() for event in events] == [event.as_json() for event in whole.events]
