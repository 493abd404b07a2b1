"""What becomes lethal is told while it becomes so, and nothing is said to get better while it gets worse.

The courses are drawn by hand: straight lines, and curves that fade away to a room, in plain arithmetic. Marks: 10 degC after
Mueller et al. 2011, the others judgement of our own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Devices, Garden, Heater, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch, Event, LetterEvent
from rules.terms.words import Acknowledge, Shelve
from rules.turn.advance import advance, dump_state, load_state

EVENING_MS = 1_763_751_600_000  # 2025-11-21T19:00:00Z, a local evening; quiet hours 22:30 to 06:30
MORNING_MS = EVENING_MS + 13 * HOUR_MS
STEP_MS = 30_000
BETTER = ("eased", "recovering", "returned")
Course = Callable[[float], float]
"""Hours since the beginning in, value out."""


def shelf(garden_ml: float = 400.0, *, heater: bool = True, room: bool = True) -> Settings:
    devices = Devices(heater=Heater(watts=15.0, setpoint_c=25.5)) if heater else Devices()
    probes = {"air": Probe(place="nest")} | ({"wall": Probe(place="study")} if room else {})
    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, probes=probes, telling=Telling(),
        chambers={"nest": Chamber(room="study", garden=Garden(volume_ml=garden_ml), devices=devices)},
    )


def lived(settings: Settings, hours: float, temperature: Course, **more: Any) -> list[Event]:
    """Return the events of a shelf that lives through these courses, some calm hours before them included."""
    batch = readings(settings, hours, temperature, **more)
    return advance(settings, None, batch, int(batch.taken_ms[-1]) + 1).events


def readings(
    settings: Settings, hours: float, temperature: Course, humidity: Course = lambda _: 80.0, room: Course = lambda _: 20.0,
    begin_ms: int = EVENING_MS, items: tuple[object, ...] = (),
) -> Batch:
    """Return what the probes of a shelf tell on these courses, in tenths, some calm hours before them included."""
    calm_ms = 6 * HOUR_MS
    at_ms = np.arange(begin_ms - calm_ms, begin_ms + round(hours * HOUR_MS), STEP_MS)
    ripple = 0.1 * np.sin(at_ms / 3.1e4)  # a working probe never says quite the same for hours
    since_h = np.maximum(at_ms - begin_ms, 0) / HOUR_MS
    given = {("air", "air_temperature"): temperature, ("air", "relative_humidity"): humidity}
    if "wall" in settings.probes:
        given[("wall", "air_temperature")] = room
        given[("wall", "relative_humidity")] = lambda _: 55.0
    columns = [np.round(np.array([course(hour) for hour in since_h]) + ripple, 1) for course in given.values()]
    return Batch(
        series=tuple(given), series_index=np.tile(np.arange(len(given), dtype=np.int32), len(at_ms)),
        taken_ms=np.repeat(at_ms, len(given)), at_ms=np.repeat(at_ms, len(given)), value=np.column_stack(columns).ravel(),
        items=items,
    )


def alarms(events: list[Event]) -> list[AlarmEvent]:
    return [event for event in events if isinstance(event, AlarmEvent)]


def urgent_news(events: list[Event]) -> list[int]:
    """Return when the keeper got an urgent letter that was no reminder."""
    return [
        event.at_ms for event in events
        if isinstance(event, LetterEvent) and event.urgent and event.to == "keeper" and event.sort not in ("reminder",)
    ]


def crossed_ms(course: Course, mark: float, hours: float, begin_ms: int = EVENING_MS) -> int:
    """Return when a course that goes one way passes a mark."""
    upward = course(hours) > course(0.0)
    low, high = 0.0, hours
    for _ in range(60):
        middle = (low + high) / 2
        if (course(middle) >= mark) == upward:
            high = middle
        else:
            low = middle
    return begin_ms + round(high * HOUR_MS)


def assert_told(events: list[Event], course: Course, marks: list[float], hours: float, begin_ms: int = EVENING_MS) -> None:
    told = urgent_news(events)
    for mark in marks:
        at_ms = crossed_ms(course, mark, hours, begin_ms)
        # A probe that tells tenths may cross a little before the course does.
        after_h = [(one - at_ms) / HOUR_MS for one in told]
        assert any(-0.2 <= late_h <= 0.5 for late_h in after_h), (mark, after_h)


def power_cut(hour: float) -> float:
    """A box that fades towards a room which itself falls from 20 to 4 degC overnight."""
    return 4.0 + 21.0 * math.exp(-hour / 5.5)


def cold_room(hour: float) -> float:
    return 4.0 + 16.0 * math.exp(-hour / 5.0)


@pytest.mark.parametrize("heater", [True, False])
@pytest.mark.parametrize("room", [True, False])
def test_a_power_cut_overnight_is_told_at_every_mark_and_never_said_to_get_better(heater: bool, room: bool) -> None:
    events = lived(shelf(heater=heater, room=room), 11.0, power_cut, room=cold_room)
    assert_told(events, power_cut, [15.0, 12.0, 10.0], 11.0)
    assert [event.change for event in alarms(events) if event.change in BETTER and event.alarm != "humidity-low"] == []
    first = min(event.at_ms for event in events if isinstance(event, LetterEvent) and event.sort == "situation")
    assert first < crossed_ms(power_cut, 20.0, 11.0)


def lost_at_night(hour: float) -> float:
    """A box whose power fails at 22:30: 5 K per hour at first, towards a room of 6 degC."""
    return 25.5 if hour < 3.5 else 6.0 + 19.5 * math.exp(-(hour - 3.5) / 4.0)


def freezing(hour: float) -> float:
    """The room of that box, ahead of it."""
    return 5.0 + 13.0 * math.exp(-max(hour - 3.5, 0.0) / 2.0)


@pytest.mark.parametrize("heater", [True, False])
@pytest.mark.parametrize("room", [True, False])
def test_a_fall_that_is_past_15_degrees_before_the_morning_is_told_near_23(heater: bool, room: bool) -> None:
    """It was told at 15.5 degC and 01:33: what such a garden bears at 15 degC would have lasted till the morning."""
    events = lived(shelf(heater=heater, room=room), 7.0, lost_at_night, room=freezing)
    told_h = (urgent_news(events)[0] - EVENING_MS) / HOUR_MS
    assert 22.0 < lost_at_night(told_h) < 24.0


def opened(hour: float) -> float:
    """How much of its air a box that is opened for a quarter of an hour at 22:45 has changed for the room's."""
    return min(max(hour - 3.75, 0.0) / 0.25, 1.0) * math.exp(-max(hour - 4.0, 0.0) / 0.35)


def feeding(hour: float) -> float:
    return 25.5 - 2.5 * opened(hour)


def cycling(hour: float) -> float:
    """A thermostat that lets the box fall at 5 K per hour from 26.5 to 23.9 and heats it again."""
    phase = hour / 1.04 % 1.0
    return 26.5 - 2.6 * (phase / 0.5 if phase < 0.5 else 2.0 - phase / 0.5)


def cool_night(hour: float) -> float:
    """A room of the house that loses 2 K from evening to morning, the box with it."""
    return 24.6 - 2.0 * min(hour / 11.0, 1.0)


@pytest.mark.parametrize("course", [feeding, cycling, cool_night])
@pytest.mark.parametrize("heater", [True, False])
@pytest.mark.parametrize("room", [True, False])
def test_nobody_is_called_at_night_by_a_feeding_a_thermostat_or_a_cool_night(course: Course, heater: bool, room: bool) -> None:
    damp = {"humidity": lambda hour: 80.0 - 20.0 * opened(hour)} if course is feeding else {}
    events = lived(shelf(heater=heater, room=room), 11.0, course, room=lambda hour: min(course(hour), 18.0), **damp)
    assert [one for one in events if isinstance(one, LetterEvent) and one.urgent] == []


@pytest.mark.parametrize(("garden_ml", "most"), [(20.0, 1), (90.0, 1), (400.0, 1), (4000.0, 0)])
def test_mild_dryness_at_night_is_told_once_where_it_will_not_last_till_the_morning(garden_ml: float, most: int) -> None:
    events = lived(shelf(garden_ml), 14.0, lambda _: 25.5, humidity=lambda hour: max(80.0 - 8.0 * max(hour - 3.0, 0.0), 68.0))
    night = (EVENING_MS + round(3.5 * HOUR_MS), EVENING_MS + round(11.5 * HOUR_MS))  # quiet hours from 22:30 to 06:30
    told = [event for event in events if isinstance(event, LetterEvent) and night[0] <= event.at_ms < night[1]]
    assert len(told) <= most and all(letter.urgent for letter in told)


def test_a_mat_that_sticks_is_told_on_its_way_to_43_degrees() -> None:
    def stuck(hour: float) -> float:
        return 25.5 + 18.0 * (1.0 - math.exp(-hour / 2.5))

    events = lived(shelf(), 9.0, stuck)
    assert_told(events, stuck, [32.0, 35.0], 9.0)
    # Whether the lid is wet is a question that the heat answers by itself: no harm that gets better.
    assert [event.change for event in alarms(events) if event.change in BETTER and event.alarm != "lid-unsure"] == []


def test_8_degrees_for_hours_is_graver_than_19_9_and_falling() -> None:
    def falling(hour: float) -> float:
        return max(25.5 - 1.5 * hour, 19.9)

    def cold(hour: float) -> float:
        return max(25.5 - 6.0 * hour, 8.0)

    mild = [event for event in alarms(lived(shelf(4000.0), 3.8, falling)) if event.alarm == "temperature-low"]
    grave = [event for event in alarms(lived(shelf(4000.0), 8.0, cold)) if event.alarm == "temperature-low"]
    assert {event.priority for event in mild} <= {"digest", "morning", "today"}
    assert grave[-1].priority == "wake"
    assert all(event.seconds_left is None or event.seconds_left > 0 for event in mild)


def test_harmful_dryness_at_night_is_told_at_night() -> None:
    def drying(hour: float) -> float:
        return max(80.0 - 40.0 * max(hour - 4.8, 0.0), 43.0)

    events = lived(shelf(300.0), 10.0, lambda _: 25.5, humidity=drying)
    letters = [event.at_ms for event in events if isinstance(event, LetterEvent) and event.sort in ("situation", "escalation")]
    harmful_ms = crossed_ms(drying, 50.0, 6.0)
    assert any(harmful_ms - HOUR_MS <= at_ms <= harmful_ms + HOUR_MS for at_ms in letters)


def test_a_heat_wave_by_day_is_told_at_32_and_35() -> None:
    def wave(hour: float) -> float:
        return 27.0 + 3.0 * min(hour, 1.0) + 0.55 * max(hour - 1.0, 0.0)

    events = lived(shelf(heater=False), 11.0, wave, room=lambda hour: wave(hour) - 0.3, begin_ms=MORNING_MS)
    assert_told(events, wave, [32.0, 35.0], 11.0, MORNING_MS)


@pytest.mark.parametrize("fall_h", [4.0, 6.0])
def test_a_fall_by_day_is_told_while_there_is_time(fall_h: float) -> None:
    def fall(hour: float) -> float:
        return 25.5 - 6.0 * min(hour / fall_h, 1.0)

    events = lived(shelf(heater=False), fall_h, fall, room=lambda hour: fall(hour) - 0.5, begin_ms=MORNING_MS)
    letters = [event.at_ms for event in events if isinstance(event, LetterEvent) and event.sort == "situation"]
    assert min(letters) < crossed_ms(fall, 22.5, fall_h, MORNING_MS)


def test_worse_ends_acknowledgement_and_shelf_of_less() -> None:
    at_ms = EVENING_MS + 3 * HOUR_MS
    items = (
        Acknowledge(taken_ms=at_ms, word_id="a", chamber="nest", alarm="temperature-low"),
        Shelve(taken_ms=at_ms + MINUTE_MS, word_id="s", chamber="nest", alarm="temperature-low", for_ms=10 * HOUR_MS),
    )
    events = lived(shelf(heater=False), 11.0, power_cut, room=cold_room, items=items)
    assert_told(events, power_cut, [12.0, 10.0], 11.0)
    worsened = [event for event in alarms(events) if event.change == "worsened" and event.at_ms > at_ms]
    assert worsened and not any(event.acknowledged or event.suppression == "shelved" for event in worsened)


def test_a_value_that_hovers_at_the_harmful_level_is_not_told_at_each_toggle() -> None:
    def hovering(hour: float) -> float:
        return 25.5 + min(4.5 * hour, 4.5) + 0.8 * math.sin(2.0 * math.pi * hour / 1.5) * (hour > 1.0)

    events = lived(shelf(), 24.0, hovering, begin_ms=MORNING_MS)
    news = [
        event for event in events
        if isinstance(event, LetterEvent) and event.to == "keeper" and event.sort in ("situation", "escalation")
    ]
    assert len(news) <= 6


def test_however_the_stream_is_cut_the_account_says_the_same() -> None:
    settings, whole = shelf(), readings(shelf(), 9.0, power_cut, room=cold_room)
    at_once = advance(settings, None, whole, int(whole.taken_ms[-1]) + 1)
    state, told = None, []
    edges = [0, *sorted(np.random.default_rng(5).integers(1, len(whole.taken_ms), 60).tolist()), len(whole.taken_ms)]
    for begin, end in itertools.pairwise(edges):
        part = slice(begin, end)
        batch = replace(
            whole, series_index=whole.series_index[part], taken_ms=whole.taken_ms[part], at_ms=whole.at_ms[part],
            value=whole.value[part],
        )
        now_ms = int(whole.taken_ms[end]) if end < len(whole.taken_ms) else int(whole.taken_ms[-1]) + 1
        done = advance(settings, state, batch, now_ms)
        told += done.events
        state = load_state(dump_state(done.state))
    assert [event.as_json() for event in told] == [event.as_json() for event in at_once.events]
    assert state is not None and state.places["nest"].harm == at_once.state.places["nest"].harm
    assert 0.05 < state.places["nest"].harm["cold"].used < 1.0


def test_a_probe_that_falls_silent_carries_its_course_on_and_says_so() -> None:
    settings = shelf()
    whole = readings(settings, 3.0, power_cut, room=cold_room)
    seen = advance(settings, None, whole, int(whole.taken_ms[-1]) + 1)
    silent = advance(settings, seen.state, Batch(), int(whole.taken_ms[-1]) + 8 * HOUR_MS)
    worse = [event for event in alarms(silent.events) if event.change == "worsened"]
    assert {event.mark for event in worse} >= {15.0}
    assert all("as it was going" in event.priority_reason for event in worse)
    assert silent.state.places["nest"].harm["cold"].used > 2 * seen.state.places["nest"].harm["cold"].used


def test_what_is_used_up_stands_in_the_present_of_the_chamber_and_heals() -> None:
    def cold_night(hour: float) -> float:
        return 25.0 - 12.0 * math.exp(-(((hour - 3.0) / 1.5) ** 2))

    settings = shelf(heater=False)
    at_worst, next_day = (
        advance(settings, None, batch, int(batch.taken_ms[-1]) + 1).state.places["nest"].present
        for batch in (readings(settings, hours, cold_night, room=cold_night) for hours in (4.0, 30.0))
    )
    assert at_worst is not None and next_day is not None
    [cold], [healing] = at_worst.harm, next_day.harm
    assert cold.kind == healing.kind == "cold"
    assert 0 < healing.used < cold.used
    assert healing.left_s is None and cold.left_s is not None


@pytest.mark.parametrize("garden_ml", [120.0, 800.0, 6000.0])
def test_what_does_harm_is_told_by_day_however_long_such_a_garden_bears_it(garden_ml: float) -> None:
    """Below 20 degC growth has stopped (Mueller et al. 2011): no screen says to act while the letter waits for the digest."""
    settings = shelf(garden_ml, heater=False, room=False)
    events = lived(settings, 1.0, lambda hour: 21.2 if hour < 0.27 else 19.1, begin_ms=MORNING_MS)
    (harms,) = [one for one in alarms(events) if one.alarm == "temperature-low" and one.change == "escalated"]
    assert (harms.level, harms.priority) == ("harmful", "today")
    assert [one for one in events if isinstance(one, LetterEvent) and one.at_ms == harms.at_ms]


def test_the_pulse_of_a_thermostat_in_a_small_dry_box_wakes_nobody() -> None:
    """Three times a day a box of 40 ml that swings from 78 to 70 %RH each hour and a half was 47 minutes from its end."""

    def humidity(hour: float) -> float:
        phase = (hour / 1.6) % 1.0
        return 78.5 - 9.0 * phase / 0.35 if phase < 0.35 else 69.5 + 9.0 * (phase - 0.35) / 0.65

    events = lived(shelf(40.0, heater=False), 14.0, lambda _: 26.0, humidity=humidity)
    dry = [event for event in events if isinstance(event, AlarmEvent) and event.alarm == "humidity-low"]
    assert any(event.change == "relapsed" for event in dry)
    assert [(event.at_ms - EVENING_MS) / HOUR_MS for event in dry if event.priority == "wake"] == []
