"""The cells of the decision table and the coupled cases, each played as a history of readings through the whole engine."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from math import sin

import pytest
from advice_scenes import devices

from rules.events import AdviceEvent, Batch, Event, Reading
from rules.settings import Chamber, Garden, Heater, Probe, Room, Site, Telling, Vents, Watch
from rules.watch import advance
from rules.words import AdviceDone

START_MS = 1_770_033_600_000  # noon, so that nothing waits for the morning
MINUTE_MS = 60_000
Course = Callable[[float], tuple[float, float, float, float]]


def watch_of(chamber: Chamber) -> Watch:
    return Watch(
        site=Site(), zone=UTC, rooms={"study": Room()}, chambers={"north": chamber.model_copy(update={"room": "study"})},
        probes={"inside": Probe(place="north", interval=MINUTE_MS), "outside": Probe(place="study", interval=MINUTE_MS)},
        telling=Telling(),
    )


def readings(course: Course, from_min: int, until_min: int) -> list[Reading]:
    out = []
    for minute in range(from_min, until_min):
        t, rh, room, room_rh = course(minute / 60.0)
        wiggle, at_ms = 0.04 * sin(minute * 2.4), START_MS + minute * MINUTE_MS
        for probe, temperature, humidity in (("inside", t, rh), ("outside", room, room_rh)):
            out.append(Reading(at_ms, probe, "air_temperature", round(temperature + wiggle, 2), at_ms))
            out.append(Reading(at_ms, probe, "relative_humidity", round(min(humidity + 4 * wiggle, 100.0), 2), at_ms))
    return out


def play(chamber: Chamber, course: Course, hours: float = 2.0) -> list[Event]:
    minutes = round(hours * 60)
    return advance(watch_of(chamber), None, Batch.of(readings(course, 0, minutes)), START_MS + minutes * MINUTE_MS).events


def advice(events: list[Event]) -> list[AdviceEvent]:
    return [event for event in events if isinstance(event, AdviceEvent)]


def steady(*figures: float) -> Course:
    """These figures from the first reading on."""
    return lambda hour: figures  # type: ignore[return-value]


def acts(event: AdviceEvent) -> list[str]:
    return [f"{action.device} {action.change}" for action in event.actions]


def last_acts(events: list[Event]) -> list[str]:
    """Return all that was advised over the history: what came first may have been updated."""
    return [name for event in advice(events) if event.status in ("given", "updated") for name in acts(event)]


# cell, T, RH, room T, room RH, device and change that must come up, those that must not
CELLS = [
    (1, 22.0, 62.0, 20.0, 30.0, "fan less", {"fan more", "vent open"}),
    (2, 22.0, 64.0, 5.0, 60.0, "probe check", {"fan more", "vent open"}),
    (3, 22.0, 76.0, 17.5, 50.0, "heater more", {"fan more", "vent open"}),
    (4, 22.0, 85.0, 15.0, 50.0, "lid insulate", {"fan more", "vent open", "mister more"}),
    (5, 22.0, 93.0, 21.0, 60.0, "heater more", {"fan more", "vent open", "mister more"}),
    (6, 22.0, 95.0, 16.0, 50.0, "lid insulate", {"fan more", "vent open", "mister more"}),
    (7, 26.0, 62.0, 21.0, 30.0, "water more", {"fan more", "vent open", "heater more"}),
    (8, 26.0, 68.5, 9.0, 40.0, "lid insulate", {"fan more", "vent open", "mister more"}),
    (10, 26.0, 87.0, 18.0, 40.0, "lid insulate", {"heater more", "mister more"}),
    (12, 26.0, 96.0, 19.0, 50.0, "lid insulate", {"heater more", "mister more"}),
    (13, 29.2, 60.0, 21.0, 40.0, "heater less", {"mister more", "lid insulate", "vent close"}),
    (14, 29.2, 68.0, 11.0, 40.0, "heater less", {"mister more", "lid insulate"}),
    (15, 29.2, 75.0, 23.0, 50.0, "heater less", {"mister more", "lid insulate"}),
    (16, 29.2, 86.0, 19.0, 50.0, "heater less", {"mister more", "lid insulate"}),
    (17, 29.2, 93.0, 28.9, 60.0, "mister less", {"mister more", "lid insulate", "fan more"}),
    (18, 29.2, 96.0, 18.0, 50.0, "heater less", {"mister more", "lid insulate"}),
]


@pytest.mark.parametrize(("cell", "t", "rh", "room", "room_rh", "must", "never"), CELLS)
def test_each_cell_is_advised_on_from_readings(cell, t, rh, room, room_rh, must, never):
    chamber = Chamber(devices=devices(setpoint_c=t), garden=Garden(volume_ml=500.0))
    events = play(chamber, steady(t, rh, room, room_rh), 1.5)
    assert must in last_acts(events)
    assert not never & set(last_acts(events))
    for event in advice(events):
        assert event.reason and event.headline


def test_a_good_chamber_is_silent_and_so_is_cell_11_for_the_garden_likes_humid_air_under_a_dry_lid():
    assert advice(play(Chamber(devices=devices()), steady(25.6, 79.0, 22.5, 50.0), 6.0)) == []
    assert advice(play(Chamber(devices=devices()), steady(26.0, 93.0, 25.7, 60.0), 6.0)) == []


def cases(events: list[Event]) -> list[str | None]:
    return [event.case for event in advice(events)]


STEADY_CASES = [
    ("C1", 29.2, 60.0, 21.0, 40.0), ("C2", 22.0, 93.0, 21.0, 60.0), ("C3", 26.0, 62.0, 21.0, 25.0), ("C4", 26.0, 97.0, 25.8,
        90.0),
    ("C5", 26.0, 87.0, 18.0, 40.0), ("C18", 22.0, 85.0, 15.0, 50.0),
]


@pytest.mark.parametrize(("case", "t", "rh", "room", "room_rh"), STEADY_CASES)
def test_the_steady_coupled_cases_are_named_from_readings(case, t, rh, room, room_rh):
    chamber = Chamber(devices=devices(setpoint_c=min(t, 28.0)), garden=Garden(volume_ml=500.0))
    events = play(chamber, steady(t, rh, room, room_rh), 1.5)
    assert case in cases(events)


def test_c6_the_heater_that_works_against_a_cooling_room_is_answered_with_foam_or_water_not_more_heat():
    def course(hour):
        return 26.0, 74.0 - 3.0 * hour, 22.0 - 1.2 * hour, 45.0

    events = play(Chamber(devices=devices(), garden=Garden(volume_ml=500.0)), course, 4.0)
    assert "C6" in cases(events) and "heater more" not in last_acts(events)


def test_c7_a_mat_below_a_wet_box_is_moved():
    chamber = Chamber(devices=devices(heater=Heater(mount="below", setpoint_c=26.0)), garden=Garden(volume_ml=500.0))
    events = play(chamber, steady(26.0, 87.0, 18.0, 40.0), 1.5)
    assert "C7" in cases(events)


def test_c8_an_open_lid_is_asked_about_and_nothing_is_misted():
    def course(hour):
        return (25.5, 82.0, 21.0, 45.0) if hour < 1.0 else (25.0, 55.0, 21.0, 45.0)

    events = play(Chamber(devices=devices(), garden=Garden(volume_ml=500.0)), course, 2.0)
    assert "lid check" in last_acts(events) and "mister more" not in last_acts(events)


def test_c9_failing_heat_is_looked_for_at_the_plug_and_the_end_is_foretold():
    def course(hour):
        fall = max(0.0, hour - 1.0)
        return 18.0 + 7.5 * 2.718 ** (-fall / 1.5), min(80.0 + 8.0 * fall, 92.0), 18.0, 45.0

    events = play(Chamber(devices=devices(), garden=Garden(volume_ml=500.0)), course, 4.0)
    assert "heater check" in last_acts(events) and "heater more" not in last_acts(events)
    assert any("18" in event.reason for event in advice(events))


def test_c10_a_runaway_is_unplugged_before_anything_else():
    def course(hour):
        return 25.5 + 6.0 * max(0.0, hour - 1.0), 75.0, 21.0, 45.0

    events = play(Chamber(devices=devices(), garden=Garden(volume_ml=500.0)), course, 2.3)
    first = advice(events)[0]
    assert acts(first)[0] in ("heater stop", "heater less")
    assert "heater stop" in last_acts(events)
    assert any(event.urgency == "wake" and event.act_within_s <= 3600 for event in advice(events))


def test_c12_a_heatwave_is_met_in_the_room_not_at_the_heater():
    def course(hour):
        return 25.5 + 0.8 * hour, 78.0, 25.0 + 0.8 * hour, 60.0

    events = play(Chamber(devices=devices(), garden=Garden(volume_ml=500.0)), course, 5.0)
    assert "C12" in cases(events) and {"room less", "room move"} & set(last_acts(events))


def test_c17_an_undersized_heater_is_not_told_to_be_turned_up():
    events = play(Chamber(devices=devices(setpoint_c=26.0), garden=Garden(volume_ml=500.0)), steady(22.5, 75.0, 15.0, 50.0),
        1.5)
    assert "heater more" not in last_acts(events)
    assert {"heater check", "lid insulate"} & set(last_acts(events))


def test_a_silent_probe_gives_no_climate_advice():
    def course(hour):
        return 26.0, 62.0, 21.0, 30.0

    chamber = Chamber(devices=devices(), garden=Garden(volume_ml=500.0))
    events = advance(watch_of(chamber), None, Batch.of(readings(course, 0, 5)), START_MS + 120 * MINUTE_MS).events
    assert set(last_acts(events)) <= {"probe check"}


def test_an_advisory_is_done_verified_and_over_through_the_engine():
    chamber = Chamber(devices=devices(setpoint_c=29.0, vents=Vents(count=0)), garden=Garden(volume_ml=500.0))
    watch, hot = watch_of(chamber), steady(29.2, 72.0, 21.0, 45.0)
    first = advance(watch, None, Batch.of(readings(hot, 0, 90)), START_MS + 90 * MINUTE_MS)
    given = advice(first.events)[-1]
    word = AdviceDone(taken_ms=START_MS + 90 * MINUTE_MS, word_id="w1", advisory=given.advisory)

    def cooling(hour):
        share = 1.0 - 2.718 ** (-(hour - 1.5) / 1.5)
        return 29.2 - (given.amount or 0.0) * share, 72.0 + 6.0 * share, 21.0, 45.0

    second = advance(watch, first.state, Batch.of(readings(cooling, 90, 390), [word]), START_MS + 390 * MINUTE_MS)
    told = [(event.status, event.headline) for event in advice(second.events) if event.advisory == given.advisory]
    assert ("verified", "It works: the change does what was expected") in told or told[0][0] == "resolved"
    assert second.state.advice["north"].told_knobs["setpoint"] == pytest.approx(29.0 - given.amount)
