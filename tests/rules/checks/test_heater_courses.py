"""What is said of a heater over whole courses: by a box of another make than the program's own balance."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import islice
from math import pi, sin
from random import Random

import pytest
from heated_box import NOON_MS, HeatedBox, advanced, always, chamber, played, readings, settings_of

from rules.keeper.state import DeviceChange
from rules.settings import Probe
from rules.terms.events import MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event
from rules.terms.words import AdviceDone
from rules.turn.advance import advance

HOUR_MS = 3_600_000


def raised(events: list[Event], alarm: str) -> list[float]:
    """Return the hours at which an alarm was raised."""
    return [
        (event.at_ms - NOON_MS) / HOUR_MS
        for event in events if isinstance(event, AlarmEvent) and event.alarm == alarm and event.change == "raised"
    ]


def heater_alarms(box: HeatedBox, hours: float, setpoint_c: float | None = 25.5, **changed) -> list[tuple[str, float]]:
    mat_probe, room_probe = changed.pop("mat_probe", False), changed.pop("room_probe", True)
    settings = settings_of(chamber(setpoint_c, **changed), mat_probe=mat_probe, room_probe=room_probe)
    events = played(settings, box.minutes(hours), hours)
    return [(name, hour) for name in ("heater-runaway", "heater-failed") for hour in raised(events, name)]


def night_room(low: float, high: float):
    return lambda hour: (low + high) / 2 + (high - low) / 2 * sin(2 * pi * (hour + 3.0) / 24.0)


# ---------------------------------------------------------------- a sound heater is left in peace


@pytest.mark.parametrize("width_k", [0.4, 1.0, 2.0])
@pytest.mark.parametrize("setpoint_c", [25.5, None])
def test_a_thermostat_that_cycles_is_neither_a_runaway_nor_a_failure(width_k, setpoint_c):
    box = HeatedBox(width_k=width_k, watts=30.0, inside_j_k=2500.0, room_c=night_room(16.0, 21.0))
    reach = [air for air, _, _ in box.minutes(30.0)]
    assert max(reach) - min(reach) > 2.0  # it swings as cheap ones do
    learned_h = 2.0 if width_k == 2.0 else 0.0  # a peak 3 K above the set point must have been seen to turn before
    assert [row for row in heater_alarms(box, 30.0, setpoint_c) if row[1] > learned_h] == []


@pytest.mark.parametrize("start_c", [12.0, 19.0])
def test_a_warm_up_to_the_set_point_is_no_runaway_however_steep(start_c):
    box = HeatedBox(start_c=start_c, watts=40.0, room_c=always(start_c), inside_j_k=2000.0)
    course = [air for air, _, _ in box.minutes(3.0)]
    assert max(b - a for a, b in zip(course[:-15], course[15:], strict=True)) > 2.0  # 8 K per hour
    assert [name for name, _ in heater_alarms(box, 3.0) if name == "heater-runaway"] == []


def test_a_chamber_without_a_heater_has_none_that_runs_away_whatever_the_sun_does():
    box = HeatedBox(works=always(0.0), room_c=always(22.0), start_c=22.0, sun_w=lambda hour: 18.0 if 1.0 < hour < 5.0 else 0.0)
    assert max(air for air, _, _ in box.minutes(6.0)) > 31.0
    assert heater_alarms(box, 6.0, heater=None) == []


def test_a_hot_room_is_no_runaway():
    box = HeatedBox(room_c=lambda hour: min(24.0 + 1.2 * hour, 33.0))
    assert max(air for air, _, _ in box.minutes(10.0)) > 31.0
    assert heater_alarms(box, 10.0) == []


def test_a_weak_heater_in_a_cold_week_is_not_reported_broken_while_it_holds_what_it_can():
    box = HeatedBox(watts=6.0, room_c=always(17.0), start_c=23.3)
    assert 22.5 < [air for air, _, _ in box.minutes(20.0)][-1] < 24.0
    assert heater_alarms(box, 20.0) == []


def heat_wave(hour: float) -> float:
    """Three days that get hot: from 23 degC to days of 36 and nights of 26."""
    heat = min(hour / 36.0, 1.0)
    return 23.0 + 8.0 * heat + (2.0 + 3.0 * heat) * sin(2 * pi * (hour + 2.5) / 24.0)


def wave_alarms(litres: float, seed: int, stuck_from_h: float = 99.0) -> tuple[list[float], float]:
    """Return when a box with so many litres of wet ground was said to run away in a heat wave, by a probe that speaks every
    five minutes and scatters by 0.1 K; and by how much it is warmer than its room at most in the last two days."""
    noise, settings = Random(seed), settings_of(chamber())
    settings = settings.model_copy(
        update={"probes": {name: Probe(place=probe.place, interval=5 * MINUTE_MS) for name, probe in settings.probes.items()}}
    )
    box = HeatedBox(watts=30.0, air_j_k=9000.0, inside_j_k=4000.0 * litres, inside_w_k=5.0, loss_w_k=1.35, mat_w_k=1.2,
        room_c=heat_wave, stuck=lambda hour: hour > stuck_from_h)
    course = [(air + noise.gauss(0.0, 0.1), mat, room) for air, mat, room in box.minutes(80.0)]
    spoken = [reading for reading in readings(settings, course) if (reading.at_ms // MINUTE_MS) % 5 == 0]
    events = advance(settings, None, Batch.of(spoken), NOON_MS + 80 * HOUR_MS).events
    return raised(events, "heater-runaway"), max(air - room for air, _, room in course[32 * 60 :])


@pytest.mark.parametrize("litres", [6.0, 10.0])
def test_a_large_box_that_a_heat_wave_has_warmed_through_is_no_runaway_in_the_cool_of_the_night(litres):
    told, lead_k = wave_alarms(litres, seed=3)
    assert lead_k > 4.0 and told == []


def lagging(heat_k: float, stuck_from_h: float = 99.0) -> list[tuple[float, float, float]]:
    """Return the course of a box that follows its room through two lags, as a wall passes on heat, and not at once."""
    deep = air = mat = 25.6
    course = []
    for minute in range(60 * 60):
        hour = minute / 60.0
        height = sin(2 * pi * (hour + 1.5) / 24.0)  # it begins at noon; its room is warmest at half past four
        room = 23.5 + 1.5 * height + (heat_k * (0.45 + 0.55 * height) if hour > 15.0 else 0.0)
        on = air < 25.6 or hour > stuck_from_h
        mat += ((4.5 if on else 0.0) - mat) / 40.0 if minute else -mat
        deep += (room + mat - deep) / 300.0
        air += (deep - air) / 120.0
        course.append((air, air + mat, room))
    return course


@pytest.mark.parametrize("heat_k", [8.0, 10.0])
def test_a_box_that_lags_its_room_by_hours_stands_still_in_the_heat_that_it_holds_and_a_stuck_mat_goes_past_it(heat_k):
    """In the evenings of a heat wave, steady at 31.6 degC with its room at 27.6, it was called a runaway (attack from
    outside)."""
    course, settings = lagging(heat_k), settings_of(chamber(25.6))
    peak = max(range(len(course)), key=lambda minute: course[minute][0])
    assert course[peak][0] > 30.0 and course[peak][0] - course[peak][2] > 1.5
    assert raised(played(settings, course, 60.0), "heater-runaway") == []
    assert raised(played(settings, lagging(heat_k, 22.0), 60.0), "heater-runaway")


def test_a_mat_that_sticks_in_a_heat_wave_is_still_told():
    told, _ = wave_alarms(6.0, seed=3, stuck_from_h=60.0)
    assert told and 60.0 < told[0] < 64.0


def test_a_thermostat_that_somebody_turned_down_is_seen_to_switch_there_and_is_not_called_failed_at_each_rest():
    box = HeatedBox(
        width_k=1.0, watts=30.0, inside_j_k=2500.0, room_c=always(15.0), setpoint_c=lambda hour: 25.5 if hour < 8.0 else 21.0
    )
    course = [air for air, _, _ in box.minutes(30.0)]
    assert max(course[900:]) - min(course[900:]) > 2.0 and min(course[900:]) < 20.5
    told = [hour for name, hour in heater_alarms(box, 30.0) if name == "heater-failed"]
    assert told and all(8.0 < hour < 12.5 for hour in told)


@pytest.mark.parametrize(("width_k", "inside_j_k", "peak_c", "learned_h"), [(1.0, 800.0, 28.8, 1.0), (2.0, 1000.0, 29.6, 2.0)])
def test_the_first_hours_of_wide_swings_show_how_high_they_go(width_k, inside_j_k, peak_c, learned_h):
    """A box whose mat overshoots by 3.5 K was called a runaway an hour after the watch began."""
    box = HeatedBox(width_k=width_k, watts=45.0, inside_j_k=inside_j_k, room_c=always(20.0), sensor_lag_s=300.0)
    course = [air for air, _, _ in box.minutes(12.0)]
    assert peak_c - 0.2 < max(course[60:]) < peak_c + 0.2
    assert [row for row in heater_alarms(box, 12.0) if row[1] > learned_h] == []


@pytest.mark.parametrize(("watts", "cold_w", "peak_c"), [(10.0, 9.0, 29.2), (14.0, 12.0, 31.1)])
def test_a_tiny_box_that_was_opened_overshoots_once_and_is_no_runaway_but_a_stuck_mat_is(watts, cold_w, peak_c):
    """A founding box was called a runaway at each feeding, 11 times in a calm week of a foreign simulation."""
    tiny = HeatedBox(
        watts=watts, mat_j_k=150.0, sensor_lag_s=200.0, air_j_k=90.0, inside_j_k=300.0, inside_w_k=0.5, loss_w_k=0.45,
        room_c=always(24.0), setpoint_c=always(24.5), width_k=1.0, sun_w=lambda hour: -cold_w if 8.0 < hour < 8.1 else 0.0,
    )
    course = [air for air, _, _ in tiny.minutes(11.0)]
    assert min(course[480:500]) < 21.0 and max(course[480:]) == pytest.approx(peak_c, abs=0.2)
    assert heater_alarms(tiny, 11.0, 24.5) == []
    stuck = replace(tiny, stuck=lambda hour: hour > 8.1)
    ((name, hour),) = heater_alarms(stuck, 11.0, 24.5)
    assert name == "heater-runaway" and hour < 8.25


def test_a_slow_strong_mat_that_is_plugged_in_again_overshoots_half_an_hour_later_and_a_stuck_one_does_not_turn():
    """Plugged in at 23.3 degC as it was told, it turned at 28 degC, was called a runaway and left out for a cold week (foreign
    simulation)."""
    slow = HeatedBox(
        watts=35.0, mat_j_k=2500.0, inside_j_k=800.0, sensor_lag_s=900.0, setpoint_c=always(24.5),
        room_c=lambda hour: 20.0 if hour < 9.0 else 23.2, works=lambda hour: 0.0 if 8.0 < hour < 13.0 else 1.0,
    )
    course = [air for air, _, _ in slow.minutes(15.0)]
    assert max(course[:780]) < 28.0 < max(course[780:]) < 28.6 and course.index(max(course)) == 780 + 41
    assert [row for row in heater_alarms(slow, 15.0, 24.5, room_probe=False) if row[1] > 13.0] == []
    stuck = heater_alarms(replace(slow, stuck=lambda hour: hour > 13.0), 15.0, 24.5, room_probe=False)
    assert any(name == "heater-runaway" and 13.0 < hour < 13.75 for name, hour in stuck)


# ---------------------------------------------------------------- a fault is told


@pytest.mark.parametrize(("watts", "by_c"), [(12.0, 29.5), (20.0, 30.5), (30.0, 31.5)])
@pytest.mark.parametrize("setpoint_c", [25.5, None])
def test_a_stuck_mat_is_told_before_it_is_lethal(watts, by_c, setpoint_c):
    box = HeatedBox(watts=watts, stuck=lambda hour: hour > 8.0)
    course = [air for air, _, _ in box.minutes(12.0)]
    told = [hour for name, hour in heater_alarms(box, 12.0, setpoint_c) if name == "heater-runaway"]
    assert len(told) == 1 and told[0] > 8.0
    assert course[round(told[0] * 60)] < by_c


def test_a_mat_that_is_stuck_flat_above_the_band_is_a_fault_at_any_time():
    box = HeatedBox(watts=8.8, stuck=lambda hour: hour > 8.0)  # ends near 29 degC
    course = [air for air, _, _ in box.minutes(30.0)]
    assert 28.4 < course[-1] < 30.0
    told = [hour for name, hour in heater_alarms(box, 30.0) if name == "heater-runaway"]
    assert len(told) == 1  # and it is not over because it is flat


def test_more_than_two_kelvin_above_the_set_point_is_a_fault_unless_it_was_seen_to_turn_there():
    stuck = HeatedBox(setpoint_c=always(26.5), watts=8.3, stuck=lambda hour: hour > 8.0)
    course = [air for air, _, _ in stuck.minutes(30.0)]
    assert 28.55 < course[-1] < 28.85
    assert [name for name, _ in heater_alarms(stuck, 30.0, 26.5)] == ["heater-runaway"]
    # A dial that is wrong by 2.2 K: flat, and as far above what is set, but switched all the time.
    dial = HeatedBox(setpoint_c=always(28.7), width_k=0.6, watts=14.0)
    assert heater_alarms(dial, 30.0, 26.5) == []


@pytest.mark.parametrize("mat_probe", [False, True])
def test_dead_heat_is_told_while_the_chamber_is_still_warm(mat_probe):
    box = HeatedBox(room_c=always(14.0), works=lambda hour: float(hour < 8.0), watts=20.0)
    course = [air for air, _, _ in box.minutes(12.0)]
    told = [hour for name, hour in heater_alarms(box, 12.0, mat_probe=mat_probe) if name == "heater-failed"]
    assert told and course[round(told[0] * 60)] > 21.0


def test_a_slow_fall_is_told_long_before_it_harms():
    box = HeatedBox(room_c=always(12.0), works=lambda hour: float(hour < 8.0), watts=20.0, inside_j_k=16_000.0, air_j_k=4000.0)
    course = [air for air, _, _ in box.minutes(20.0)]
    told = [hour for name, hour in heater_alarms(box, 20.0) if name == "heater-failed"]
    assert told and course[round(told[0] * 60)] > 22.0
    assert course[round((told[0] + 1.0) * 60)] < course[round(told[0] * 60)] - 0.5


def test_a_mats_own_probe_tells_the_sun_from_a_stuck_mat():
    sun = HeatedBox(room_c=always(22.0), sun_w=lambda hour: 12.0 if 8.0 < hour < 12.0 else 0.0)
    assert max(air for air, _, _ in sun.minutes(14.0)) > 29.0
    assert heater_alarms(sun, 14.0, mat_probe=True) == []


def test_a_mat_above_sixty_degrees_is_told_whatever_the_air_says():
    box = HeatedBox(watts=14.0, stuck=lambda hour: hour > 8.0, mat_w_k=0.3, loss_w_k=3.5, room_c=always(22.0))
    at_60 = next(minute / 60.0 for minute, (_, mat, _) in enumerate(box.minutes(12.0)) if mat > 60.0)
    told = [hour for name, hour in heater_alarms(box, 12.0, mat_probe=True) if name == "heater-runaway"]
    assert told and told[0] < at_60 + 0.5


# ---------------------------------------------------------------- what the keeper said


UNPLUGGED_AT_H, PLUGGED_AT_H = 9.0, 30.0


@pytest.mark.parametrize(("again", "told"), [(False, []), (True, ["heater-runaway"])])
def test_an_unplugged_heater_neither_fails_nor_runs_away_until_it_evidently_heats_again(again, told):
    """It is stuck, unplugged on advice, and, in the second case, plugged in again without a word."""
    works = lambda hour: 0.0 if UNPLUGGED_AT_H < hour < (PLUGGED_AT_H if again else 99.0) else 1.0  # noqa: E731
    box = HeatedBox(watts=18.0, stuck=lambda hour: hour > 7.0, works=works, room_c=always(17.0))
    settings = settings_of(chamber())
    first = advanced(settings, islice(box.minutes(9.0), 540), 9.0)
    stopped = first.state.advice["north"].open
    assert stopped is not None and "heater:stop" in stopped.keys
    word = AdviceDone(taken_ms=NOON_MS + 540 * 60_000, word_id="w", advisory=stopped.advisory)
    later = list(readings(settings, box.minutes(34.0)))
    rest = Batch.of([reading for reading in later if reading.taken_ms >= NOON_MS + 540 * 60_000], [word])
    events = advance(settings, first.state, rest, NOON_MS + 34 * 3_600_000).events
    found = [name for name in ("heater-runaway", "heater-failed") if any(hour > 12.0 for hour in raised(events, name))]
    assert found == told


def test_a_heater_that_was_said_to_be_unplugged_and_heats_on_has_not_stopped_running_away():
    """The keeper pulled the wrong plug: at 32.3 degC, rising by 6 K an hour, the runaway was told as over."""
    box = HeatedBox(watts=18.0, stuck=lambda hour: hour > 7.0, room_c=always(17.0))
    settings, said_ms = settings_of(chamber()), NOON_MS + 9 * HOUR_MS
    before = advanced(settings, islice(box.minutes(9.0), 540), 9.0).state
    unplugged = DeviceChange(said_ms, "heater_plugged", 0.0)
    state = replace(before, keeper=replace(before.keeper, devices={"north": [unplugged]}))
    course = list(box.minutes(10.0))
    rest = [one for one in readings(settings, course) if one.taken_ms >= said_ms]
    events = advance(settings, state, Batch.of(rest), NOON_MS + 10 * HOUR_MS).events
    assert course[-1][0] > course[570][0] + 0.3 > course[540][0] + 0.9 > 28.0
    changes = {one.change for one in events if isinstance(one, AlarmEvent) and one.alarm == "heater-runaway"}
    assert not {"returned", "recovering", "closed"} & changes


def test_a_dial_that_was_turned_down_a_little_leaves_a_wide_swing_what_it_was():
    """Peaks 3 K above the set point were usual; half an hour after "24 instead of 25" they were a runaway."""
    setpoint_c = lambda hour: 25.5 if hour < 12.5 else 24.5  # noqa: E731
    box = HeatedBox(width_k=1.5, watts=45.0, inside_j_k=1000.0, room_c=always(20.0), setpoint_c=setpoint_c)
    settings = settings_of(chamber())
    told = DeviceChange(NOON_MS + round(12.5 * HOUR_MS), "setpoint", 24.5)
    before = advanced(settings, islice(box.minutes(13.0), 750), 12.5).state
    state = replace(before, keeper=replace(before.keeper, devices={"north": [told]}))
    course = list(box.minutes(17.0))
    assert 28.2 < max(air for air, _, _ in course[780:]) < 29.2
    later = [one for one in readings(settings, course) if one.taken_ms >= NOON_MS + round(12.5 * HOUR_MS)]
    events = advance(settings, state, Batch.of(later), NOON_MS + 17 * HOUR_MS).events
    assert raised(events, "heater-runaway") == []


@pytest.mark.parametrize(("inside_j_k", "watts", "width_k"), [(5000.0, 10.0, 0.8), (9000.0, 14.0, 1.2), (15000.0, 10.0, 0.8)])
def test_a_dial_that_somebody_turned_down_is_a_failure_while_it_falls_and_none_at_each_pause(inside_j_k, watts, width_k):
    box = HeatedBox(
        setpoint_c=lambda hour: 25.5 if hour < 20.0 else 22.3, inside_j_k=inside_j_k, watts=watts, width_k=width_k,
        room_c=always(17.0),
    )  # fmt: skip
    failed = [hour for name, hour in heater_alarms(box, 26.0) if name == "heater-failed"]
    assert len(failed) == 1 and 20.0 < failed[0] < 21.0


def test_a_dead_mat_in_a_room_that_is_aired_and_heated_again_is_taken_for_no_thermostat_that_switches():
    box = HeatedBox(
        works=lambda hour: 1.0 if hour < 18.0 else 0.0,
        room_c=lambda hour: 18.5 - (3.0 if hour % 2.0 < 1.0 and hour > 20.0 else 0.0),
    )  # fmt: skip
    settings = settings_of(chamber())
    events = [event for event in played(settings, box.minutes(30.0), 30.0) if isinstance(event, AlarmEvent)]
    told = [event.change for event in events if event.alarm == "heater-failed" and event.change in ("raised", "returned")]
    assert told == ["raised"]


def test_a_room_that_is_warmed_after_a_cold_night_begins_no_failure_of_a_box_that_warms_with_it():
    """The room rose faster than its box, until the box was hardly warmer and so seemed to get no heat (attack from outside)."""
    day = list(HeatedBox(watts=12.0, room_c=always(18.0)).minutes(20.0))
    night = [(day[-1][0] - 0.008 * minute, day[-1][1], max(18.0 - 0.12 * minute, 17.0)) for minute in range(390)]
    air, mat, room = night[-1]
    morning = [(air + 0.025 * minute, mat, min(room + 0.1 * minute, 23.9)) for minute in range(90)]
    assert min(warm - cool for warm, _, cool in morning) < 1.0
    assert raised(played(settings_of(chamber()), day + night + morning, 28.0), "heater-failed") == []


def test_a_weak_mat_that_holds_against_the_cold_is_no_failure_that_wakes_on():
    """It was urgent through the night though the box had stopped to fall (attack from outside)."""
    box = HeatedBox(watts=9.0, room_c=lambda hour: 18.0 if hour < 20.0 else min(7.0 + 4.0 * (hour - 20.0), 12.0))
    events = [one for one in played(settings_of(chamber()), box.minutes(24.0), 24.0) if isinstance(one, AlarmEvent)]
    told = [one.change for one in events if one.alarm == "heater-failed"]
    assert told[0] == "raised" and not {"escalated", "returned"} & {*told}


@pytest.mark.parametrize("watts", [1.8, 2.0, 2.3])
def test_a_mat_too_weak_for_the_night_under_a_roof_has_not_failed(watts):
    """The box falls with its room, at most a little after it, and in the morning it warms again (attack from outside)."""
    box = HeatedBox(watts=watts, room_c=lambda hour: 25.5 + 4.0 * math.cos((hour - 4.0) / 12.0 * math.pi))
    assert raised(played(settings_of(chamber()), box.minutes(72.0), 72.0), "heater-failed") == []


@pytest.mark.parametrize("watts", [14.0, 18.0])
def test_a_window_that_is_opened_each_morning_fails_no_heater(watts):
    """The room falls by 7 K within a quarter of an hour and is as warm as before after an hour (attack from outside)."""

    def room_c(hour: float) -> float:
        since_h = (hour - 19.0) % 24.0
        return 16.5 - 7.0 * (min(1.0, 4.0 * since_h) if since_h < 0.42 else math.exp(-(since_h - 0.42) / 0.58))

    box = HeatedBox(watts=watts, room_c=room_c)
    assert raised(played(settings_of(chamber()), box.minutes(72.0), 72.0), "heater-failed") == []


@pytest.mark.parametrize("setpoint_c", [25.5, None])
def test_a_probe_that_leaps_blames_no_heater_and_is_judged_anew_once_it_is_hung_back(setpoint_c):
    """It had fallen onto the mat, and a sound heater was left out for what it said there (attack from outside)."""
    course = enumerate(HeatedBox(room_c=always(21.5), inside_j_k=9000.0).minutes(40.0))
    fallen = [(air + (4.0 if 26.0 <= minute / 60.0 < 32.0 else 0.0), mat, room) for minute, (air, mat, room) in course]
    events = played(settings_of(chamber(setpoint_c)), fallen, 40.0)
    asked = [event for event in events if isinstance(event, AdviceEvent) and event.status in ("given", "updated")]
    assert {(action.device, action.change) for event in asked for action in event.actions} == {("probe", "check")}
    assert raised(events, "heater-runaway") == raised(events, "heater-failed") == []
    assert asked[0].at_ms < NOON_MS + 26.5 * HOUR_MS


def test_a_mat_that_sticks_after_its_probe_had_leapt_is_told():
    box = HeatedBox(room_c=always(21.0), watts=20.0, stuck=lambda hour: float(hour > 28.0))
    course = enumerate(box.minutes(32.0))
    leapt = [(air + (3.5 if minute >= 26 * 60 else 0.0), mat, room) for minute, (air, mat, room) in course]
    told = raised(played(settings_of(chamber()), leapt, 32.0), "heater-runaway")
    assert told and 28.0 < told[0] < 30.0
