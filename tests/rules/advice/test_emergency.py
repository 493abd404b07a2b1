"""Emergencies before cells, and the thermostat as a thing with states: what is said of heat, of cold and of the set point."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace

import pytest
from advice_scenes import alarms, devices, later, settings_of, situation, standing

from rules.advice.advisory import AdviceState, consider
from rules.advice.done import Begun, begun_at, owed
from rules.advice.done import done as book
from rules.advice.state import OpenAdvice
from rules.climate.situation import Beside, Situation, Swing
from rules.keeper.devices import told_knobs
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Garden, Heater, Vents
from rules.terms.condition_changes import Harm
from rules.terms.events import AdviceEvent

HOT_PLAIN = ("temperature-high",)


@dataclass
class Adviser:
    """What the adviser remembers, and what the keeper told of the devices."""

    state: AdviceState = field(default_factory=AdviceState)
    changes: tuple[DeviceChange, ...] = ()

    @property
    def open(self) -> OpenAdvice | None:
        return self.state.open


def asked(
    now: Situation, chamber: Chamber, adviser: Adviser | None = None, *names: str, priority: str = "wake"
) -> tuple[Adviser, list[AdviceEvent]]:
    adviser, standing = adviser or Adviser(), alarms(now, chamber, *names, priority=priority)
    now = replace(now, changes=adviser.changes)
    state, events = consider(settings_of(chamber), "north", adviser.state, now, standing, "test")
    return Adviser(state, adviser.changes), events


def told(now: Situation, chamber: Chamber, *names: str) -> AdviceEvent:
    _, events = asked(now, chamber, None, *names)
    assert [event.status for event in events] == ["given"]
    return events[0]


def acts(event: AdviceEvent) -> list[str]:
    return [f"{action.device} {action.change}" for action in event.actions]


def done(adviser: Adviser, now: Situation, vents: int = 0) -> Adviser:
    assert adviser.open is not None
    state, changes = book(adviser.state, adviser.open, None, Begun(now.at_ms, now.temperature_c), vents)
    return Adviser(state, (*adviser.changes, *changes))


def box(setpoint_c: float | None = 25.5, **changed) -> Chamber:
    return Chamber(devices=devices(setpoint_c=setpoint_c, **changed))


# ---------------------------------------------------------------- cold


COLD = [  # what the heater does, how far it is above its room, slope, what comes first
    ("falls to the room", box(), 6.0, -2.0, "heater check"),
    ("at the room's", box(), 0.5, 0.0, "heater check"),
    ("weak", box(), 7.0, 0.0, "room more"),
    ("no heater", box(heater=None), 1.0, 0.0, "room more"),
    ("set point not known", box(None), 6.0, 0.0, "heater check"),
]


@pytest.mark.parametrize(("case", "chamber", "lead_k", "slope", "first"), COLD)
@pytest.mark.parametrize("humidity", [50.0, 79.0, 97.0])
@pytest.mark.parametrize("t", [8.0, 11.5, 14.9])
def test_lethal_cold_is_answered_with_a_warm_place_never_with_foam_or_a_step(case, chamber, lead_k, slope, first, humidity, t):
    event = told(situation(t, humidity, t - lead_k, 60.0, temperature_slope_k_h=slope), chamber)
    assert acts(event)[0] == first and "room more" in acts(event)
    assert not {"lid insulate", "heater more", "vent open", "fan more", "mister more", "water more"} & set(acts(event))
    said = " ".join(action.text for action in event.actions)
    assert "bottle" in said and "gap" in said and "warmest room" in said
    assert any("open flame" in text for text in event.never) and any("hot pack inside" in text for text in event.never)
    assert event.urgency == "wake" and event.act_within_s <= 7200
    assert "smallest garden first" in event.reason


def test_without_heat_the_time_to_the_marks_is_told():
    event = told(situation(22.0, 79.0, 6.0, 60.0, temperature_slope_k_h=-3.0), box(), "heater-failed")
    assert "ends near the room's 6 °C." in event.reason
    (first, second) = event.reaches
    assert (first.chamber, first.mark_c, second.mark_c) == ("north", 15.0, 10.0)
    assert 0 < first.early_ms < first.after_ms < first.late_ms and first.after_ms < second.after_ms
    # Newton's law of cooling: from 16 K above the room's 6 degC, 9 K are left after tau ln(16/9), 4 K after tau ln(16/4).
    assert second.after_ms / first.after_ms == pytest.approx(math.log(16 / 4) / math.log(16 / 9), rel=1e-3)
    assert event.act_within_s == first.after_ms // 1000  # it said "within 18 hours", an hour and a half before 15 degC
    mild = told(situation(22.0, 79.0, 17.0, 60.0, temperature_slope_k_h=-3.0), box(), "heater-failed")
    assert "ends near the room's 17 °C." in mild.reason and mild.reaches == ()


def test_a_box_that_falls_slower_than_its_walls_say_is_told_by_its_own_pace():
    """Newton: 16 K above its room and falling by 1.6 K/h its time constant is 10 h, so 15 degC comes after 10 ln(16/9) h."""
    slow = told(situation(22.0, 79.0, 6.0, 60.0, temperature_slope_k_h=-1.6), box(), "heater-failed")
    mark = slow.reaches[0]
    assert mark.mark_c == 15.0 and mark.after_ms == pytest.approx(10.0 * math.log(16.0 / 9.0) * 3_600_000, rel=1e-3)
    assert mark.early_ms < 0.5 * mark.after_ms  # the walls alone would let it fall much faster: that is told too


@pytest.mark.parametrize("room_slope", [0.0, -2.1])
def test_boxes_that_fall_together_are_told_of_the_power_however_fast_their_room_falls(room_slope):
    """A room that falls as fast as the box hides that its heat is gone: it was called a weak heater every half hour."""
    other = Beside("south", "South", "cold", 19.5, 4.0, 1.4, -1.7)
    now = situation(18.7, 79.0, 12.9, 60.0, temperature_slope_k_h=-1.9, room_slope_k_h=room_slope, besides=(other,))
    event = told(now, box())
    assert acts(event)[0] == "room check" and "breaker" in event.headline and event.boxes == ("north", "south")


def test_a_room_as_cold_as_the_chamber_is_named_and_warmed():
    event = told(situation(16.0, 79.0, 15.6, 60.0), box(heater=None))
    assert "room is the cause" in event.reason and "room more" in acts(event)


def test_a_weak_heaters_vents_are_closed_and_its_set_point_is_left_alone():
    chamber = box(26.0, vents=Vents(count=3, open=2))
    event = told(situation(17.0, 79.0, 9.0, 60.0), chamber)
    assert acts(event) == ["vent close", "garden insulate"] and "pinhole" in event.actions[0].text
    assert "on all the time" in event.reason


def test_a_weak_heater_that_was_looked_at_gets_its_vents_closed_while_it_is_only_cool():
    chamber, now = box(26.0, vents=Vents(count=3, open=2)), situation(22.5, 75.0, 18.0, 45.0, factor=0.8)
    state, events = asked(now, chamber, priority="today")
    assert "heater check" in acts(events[0]) and "heater more" not in acts(events[0])
    state = done(state, now)
    state, events = asked(later(now, 1.0), chamber, state, priority="today")
    assert acts(events[-1]) == ["vent close", "room more"]  # its sides were asked for, and are done
    state = done(state, later(now, 1.0))
    assert told_knobs(state.changes)["vents"] == 0.0


def test_a_heater_that_failed_is_looked_at_once_before_it_is_called_weak():
    chamber, now = box(26.0), situation(21.0, 79.0, 18.0, 45.0, factor=0.8)
    state, events = asked(now, chamber, None, "heater-failed")
    assert acts(events[0])[0] == "heater check"
    state, events = asked(later(now, 1.0, temperature_slope_k_h=-0.2), chamber, state, "heater-failed")
    assert {event.status for event in events} <= {"reminded"}
    state = done(state, later(now, 1.0))
    _, events = asked(later(now, 2.0), chamber, state, "heater-failed")
    assert acts(events[-1])[0] == "vent close"


def test_a_box_that_was_warmed_comes_after_one_that_is_colder_by_now():
    chamber = box()
    beside = Beside("south", "South nest", "cold", 12.6, 9.0, 1.5)
    now = situation(21.0, 79.0, 7.0, 60.0, temperature_slope_k_h=-3.0, besides=(beside,))
    event = told(now, chamber, "heater-failed")
    assert "first South nest, then north" in " ".join(action.text for action in event.actions)
    warm = replace(now, besides=(replace(beside, temperature_c=24.5),))
    assert "first north, then South nest" in " ".join(action.text for action in told(warm, chamber, "heater-failed").actions)


def test_the_box_that_has_least_time_left_comes_first_whichever_is_colder_or_hotter():
    """What six minutes are left of stood behind a large garden that was hotter, or colder, and had hours."""
    mine = Harm("cold", 0.2, 5.0 * 3600, None, "severe", False, True)
    beside = Beside("south", "South nest", "cold", 16.2, 3.0, 1.5, -4.0, 360.0)
    now = situation(14.0, 79.0, 7.0, 60.0, temperature_slope_k_h=-1.0, besides=(beside,), harm=(mine,))
    assert "first South nest, then north" in " ".join(action.text for action in told(now, box(), "heater-failed").actions)
    warm = Beside("south", "South nest", "heat", 33.0, 9.0, 1.5, 0.2, 360.0)
    hot = situation(35.5, 79.0, 36.0, 60.0, besides=(warm,), harm=(replace(mine, kind="heat", left_s=1500.0),))
    event = told(hot, box(heater=None), *HOT_PLAIN)
    assert "first South nest, then north" in event.actions[0].text
    assert "least time left comes first" in event.reason and event.boxes == ("south", "north")


def test_what_was_done_against_the_cold_and_did_not_help_is_not_left_without_a_word_for_half_a_day():
    chamber, now = box(), situation(17.0, 79.0, 8.0, 60.0, temperature_slope_k_h=-2.5)
    adviser = done(asked(now, chamber, None, "heater-failed")[0], now)
    given = []
    for quarter in range(1, 13):
        t = 17.0 - 2.0 * quarter / 4
        adviser, events = asked(later(now, quarter / 4, temperature_c=t), chamber, adviser, "heater-failed")
        given += [quarter for event in events if event.status in ("given", "updated")]
    assert given and given[0] <= 8


@pytest.mark.parametrize(("falls_k_h", "most"), [(0.0, (3, 4)), (0.6, (8, 12))])
def test_a_box_without_heater_that_stays_as_cold_is_not_told_the_same_each_hour(falls_k_h, most):
    """Before: 11 urgent letters in 1.7 days to one who did all of it, in a room of 15 degC; while it falls, each hour."""
    chamber, adviser, given = box(heater=None), Adviser(), 0
    stands = {"temperature-low": standing("temperature-low", priority="wake", since_ms=0, at_ms=0)}
    for step in range(12 * 6):
        hour = step / 6
        t = 15.0 + 0.15 * math.sin(9.0 * hour) - falls_k_h * hour  # to and fro over the mark at which a bottle is asked for
        now = later(situation(t, 85.0, t - 0.4, 60.0, temperature_slope_k_h=-falls_k_h), hour)
        state, events = consider(
            settings_of(chamber), "north", adviser.state, replace(now, changes=adviser.changes), stands, "test"
        )
        adviser = Adviser(state, adviser.changes)
        if any(event.status == "given" for event in events):
            given, adviser = given + 1, done(adviser, now)
    assert most[0] <= given <= most[1]


def test_a_heater_that_warms_up_again_is_left_to_it():
    _, events = asked(situation(17.0, 79.0, 10.0, 60.0, temperature_slope_k_h=3.0), box())
    assert not {"heater check", "heater more", "room more"} & {name for event in events for name in acts(event)}


def test_a_heater_that_fails_as_other_advice_is_withdrawn_is_answered_at_once():
    """A box that fell by 8 K an hour was told without a step for half an hour, because a dry spell had just ended."""
    now = situation(24.5, 66.0, 18.0, 40.0)
    adviser, _ = asked(now, box(), None, "humidity-low", priority="today")
    state, over = consider(settings_of(box()), "north", adviser.state, later(now, 1.0, relative_humidity_pct=80.0), {}, "test")
    assert [event.status for event in over] == ["resolved"]
    falls = later(now, 1.1, temperature_c=22.5, relative_humidity_pct=86.0, temperature_slope_k_h=-8.0)
    _, events = asked(falls, box(), Adviser(state), "heater-failed", priority="today")
    assert [acts(event)[0] for event in events] == ["heater check"]


def test_a_box_that_stands_flat_for_hours_is_not_said_to_get_warmer_for_a_probes_noise():
    """Carried to a place of 21 degC its box stood at 21.0 degC for hours, and was said to get warmer again; and a small box at
    each turn of its mat, whose dial was too low (attack from outside)."""
    falling = situation(19.5, 79.0, 9.0, 60.0, temperature_slope_k_h=-2.0)
    adviser = done(asked(falling, box(), None, "heater-failed")[0], falling)
    stood, fell = Swing(21.0, 20.8, 21.2, 0.1, 3), Swing(20.5, 19.3, 22.0, 1.8, 3)
    flat = later(falling, 3.0, temperature_c=21.0, temperature_slope_k_h=0.6, room_slope_k_h=-0.7, temperature_swing=stood)
    switched = replace(flat, temperature_swing=Swing(21.0, 19.8, 22.2, 0.4, 3))
    for stands, slope_k_h in ((flat, 0.6), (flat, 1.3), (switched, 4.0)):  # noise, and a rise within a thermostat's swing
        _, events = asked(replace(stands, temperature_slope_k_h=slope_k_h), box(), adviser, "heater-failed")
        assert not any("gets warmer" in action.text for event in events for action in event.actions)
    _, events = asked(replace(flat, temperature_swing=fell), box(), adviser, "heater-failed")
    assert any("gets warmer" in action.text for event in events for action in event.actions)


def test_a_box_that_was_said_to_warm_up_and_stands_still_in_the_cold_is_not_left_to_it():
    """For two days a weak mat held 19 degC, and each half day it was said to get warmer by itself."""
    chamber, now = box(), situation(19.0, 79.0, 12.0, 60.0, temperature_slope_k_h=-1.5)
    adviser = done(asked(now, chamber, None, "heater-failed", "temperature-low")[0], now)
    said = []
    for quarter in range(3, 60):
        moment = later(now, quarter / 4, temperature_c=19.1, temperature_slope_k_h=1.0 if quarter == 3 else 0.0)
        adviser, events = asked(moment, chamber, adviser, "heater-failed", "temperature-low")
        said += [(quarter / 4, event.headline) for event in events if event.status in ("given", "updated")]
    assert "gets warmer again" in said[0][1]
    assert said[1][0] <= 3.0  # a weak heater that was looked at: its heat is kept in
    assert not any("gets warmer again" in headline for _, headline in said[1:])


def test_a_heater_that_was_looked_at_and_holds_a_box_too_cool_is_weak_and_its_heat_is_kept_in():
    """A mat without a thermostat was to be checked each half day of a cold week, with three vents open."""
    chamber = box(None, heater=Heater(watts=1.0, thermostat=False), vents=Vents(count=3, open=3))
    falls = situation(21.5, 85.0, 15.0, 60.0, temperature_slope_k_h=-2.0)
    adviser, events = asked(falls, chamber, None, "heater-failed", "temperature-low")
    assert acts(events[0])[0] == "heater check"
    stands = later(situation(20.5, 85.0, 15.0, 60.0, temperature_slope_k_h=0.0), 2.0)
    _, events = asked(stands, chamber, done(adviser, falls), "heater-failed", "temperature-low")
    assert acts(events[-1]) == ["heater more", "vent close"]  # nothing switches it: it is given what the room takes


def test_a_heater_that_was_looked_at_is_not_suspected_again_for_a_week():
    chamber, now = box(26.0), situation(22.5, 75.0, 15.0, 50.0)
    state, events = asked(now, chamber)
    assert "heater check" in acts(events[0])
    state = done(state, now)
    seen = []
    for hour in range(1, 6 * 24):
        state, events = asked(later(now, float(hour)), chamber, state)
        seen += [name for event in events for name in acts(event)]
    assert "heater check" not in seen and "heater more" not in seen


# ---------------------------------------------------------------- heat


def test_a_heat_wave_is_not_answered_at_the_heater_that_has_long_switched_off():
    event = told(situation(33.0, 60.0, 31.5, 50.0), box())
    assert "heater stop" not in acts(event) and "room less" in acts(event)
    assert "long switched off" in event.reason


def test_in_a_heat_wave_a_mat_that_should_be_off_is_felt_all_the_same():
    """A mat that stuck while its room was at 32 degC was named in no letter of 34 hours (attack from outside)."""
    assert "feel the mat, and pull its plug if it is hot" in told(situation(33.0, 60.0, 31.5, 50.0), box()).reason
    assert "mat" not in told(situation(33.0, 60.0, 31.5, 50.0), box(heater=None)).reason


def test_nobody_is_sent_to_see_whether_the_heat_works_in_a_box_that_is_too_warm():
    """After a heat wave a wet box of 31 degC was told first to look for plug and breaker (attack from outside)."""
    now = situation(31.0, 95.0, 27.0, 60.0, temperature_slope_k_h=-1.5)
    open_wide = box(fan=None, mister=None, vents=Vents(count=3, open=3))
    event = told(now, open_wide, *HOT_PLAIN, "humidity-high", "lid-dew")
    assert "breaker" not in " ".join(action.text for action in event.actions)


def test_a_box_that_lags_a_hot_day_into_the_cool_of_the_night_is_aired_not_unplugged():
    night = situation(33.0, 79.0, 27.0, 60.0, temperature_slope_k_h=-0.3, room_high_c=36.0, hourly_trend_k_h=-0.5)
    event = told(night, box(fan=None), *HOT_PLAIN)
    assert "heater stop" not in acts(event) and acts(event)[0] == "vent open"
    assert "still holds the heat of its room" in event.reason
    stuck = told(replace(night, hourly_trend_k_h=0.4, temperature_slope_k_h=0.4), box(), *HOT_PLAIN)
    assert acts(stuck)[0] == "heater stop"


def test_without_a_room_probe_the_mat_is_felt_before_its_set_point_is_touched():
    event = told(situation(29.0, 75.0, None, None), box())
    assert acts(event)[0] == "heater check" and "Feel the mat" in event.headline and "heater less" not in acts(event)
    lethal = told(situation(32.4, 75.0, None, None), box())
    assert acts(lethal) == ["heater stop", "vent open"] and "feel the mat" in lethal.reason
    air = lethal.actions[1].text  # whether its room is cooler only its keeper feels
    assert air.startswith("If the room feels cooler") and "if not, keep the sun" in air


def test_who_was_to_air_only_where_the_room_is_cooler_is_not_booked_to_have_opened_the_vents() -> None:
    cooler = {"temperature_slope_k_h": -0.3, "room_high_c": 36.0, "hourly_trend_k_h": -0.5}
    seen, unseen = situation(33.0, 79.0, 27.0, 60.0, **cooler), situation(32.4, 75.0, None, None)
    for now, opened in ((unseen, []), (seen, [2.0])):
        adviser, events = asked(now, box(fan=None), None, *HOT_PLAIN)
        assert "vent open" in acts(events[0])
        adviser = done(adviser, now, vents=2)
        assert [change.value for change in adviser.changes if change.knob == "vents"] == opened


def test_what_a_rising_heat_dries_gets_no_vent_closed_and_its_mat_is_felt():
    now = situation(28.5, 60.0, 19.0, 45.0, temperature_slope_k_h=12.0, garden_ml=15.0)
    chamber = box(vents=Vents(count=2, open=1))
    dry = {"humidity-low": alarms(now, chamber)["humidity-low"]}  # within the delay of what is too warm
    _, (event,) = consider(settings_of(chamber), "north", AdviceState(), now, dry, "test")
    assert acts(event)[0] == "heater check" and "vent close" not in acts(event)


def test_what_has_just_become_lethal_is_answered_at_once_with_air():
    """Half an hour after "unplug" it was still only that, at 33 degC."""
    now = situation(28.6, 60.0, 19.0, 45.0, temperature_slope_k_h=9.0)
    adviser, first = asked(now, box(), None, "heater-runaway", "temperature-high")
    assert acts(first[-1]) == ["heater stop", "probe check"]
    _, events = asked(later(now, 0.25, temperature_c=32.2), box(), adviser, "heater-runaway", "temperature-high")
    assert events and acts(events[-1]) == ["heater stop", "fan more"]


def test_a_heater_that_nobody_has_said_to_be_out_is_not_said_to_heat_on_while_it_cools():
    hot = situation(32.6, 60.0, 22.0, 45.0, temperature_slope_k_h=1.0)
    adviser, _ = asked(hot, box(), None, "heater-runaway", "temperature-high")
    cools = later(hot, 1.0, temperature_c=29.5, temperature_slope_k_h=-3.4)
    _, events = asked(cools, box(), adviser, "heater-runaway", "temperature-high")
    assert events and "heats on" not in events[-1].reason and "nobody has said that the heater is out" in events[-1].reason


def test_a_mat_that_nothing_switches_is_not_felt_for_its_thermostat():
    bare = box(heater=Heater(watts=8.0, thermostat=False, setpoint_c=26.0))
    event = told(situation(28.3, 75.0, 23.0, 45.0, temperature_slope_k_h=0.6), bare, *HOT_PLAIN)
    assert acts(event)[0] == "heater less" and not any("thermostat set" in action.text for action in event.actions)


def test_a_look_at_the_lid_that_nobody_has_answered_stays_the_first_step_while_it_dries_on():
    """The lid stood ajar; at 43 %RH its keeper was only told to close a vent and to moisten the room's air."""
    chamber = box(vents=Vents(count=2, open=1))
    now = situation(25.5, 60.0, 20.0, 45.0, humidity_slope_pct_h=-60.0)
    adviser, first = asked(now, chamber, None, "humidity-low", priority="today")
    _, events = asked(later(now, 1.0, relative_humidity_pct=43.0, humidity_slope_pct_h=-9.0), chamber, adviser, "humidity-low")
    assert acts(first[-1])[0] == "lid check"
    assert all(acts(event)[0] == "lid check" for event in events)


def test_airing_is_not_withheld_in_lethal_heat_because_the_air_is_dry():
    event = told(situation(33.5, 45.0, 22.0, 30.0), box(fan=None))
    assert acts(event) == ["heater stop", "vent open"]


def test_lethal_heat_that_nobody_answers_is_told_to_the_end_though_it_dries_the_air():
    """A box stood at 42 degC for a night in silence: the dry air spoke against the airing, and so against the plug."""
    chamber, hot = box(), situation(33.0, 72.0, 20.0, 45.0, temperature_slope_k_h=4.0)
    adviser, _ = asked(hot, chamber, None, "heater-runaway", "temperature-high")
    reminded = []
    for quarter in range(1, 81):
        now = later(situation(42.0, 57.0, 20.0, 45.0, temperature_slope_k_h=0.0), quarter / 4)
        adviser, events = asked(now, chamber, adviser, "heater-runaway", "temperature-high", "humidity-low")
        reminded += [quarter / 4 for event in events if acts(event)[:1] == ["heater stop"]]
    assert max(b - a for a, b in zip([0.0, *reminded], [*reminded, 20.0], strict=True)) <= 4.25


@pytest.mark.parametrize(("slope", "besides"), [(0.0, []), (3.0, ["room less"])])
def test_well_above_the_set_point_in_a_cooler_room_is_a_fault_and_never_a_set_point(slope, besides):
    """What rises may be the sun's work: the plug was pulled 40 minutes of a sunny morning before that was asked (attack)."""
    event = told(situation(28.5, 75.0, 20.0, 45.0, temperature_slope_k_h=slope), box())
    assert acts(event) == ["heater stop", *besides] and "3.0 K above the 25.5 °C that is set" in event.reason
    assert "find out why" in event.reason


@pytest.mark.parametrize(
    ("rh", "alarm", "room"), [(94.0, "lid-dew", 14.0), (88.0, "lid-dew", 19.0), (68.0, "humidity-low", 20.0)]
)
def test_a_queen_who_founds_shut_in_is_not_opened_by_advice(rh, alarm, room):
    """Before: "take out about a third of the wet granules", and "fill the drinker and wet the granules" without saying how."""
    queen = Garden(volume_ml=3.0, founding=True)
    chamber = box().model_copy(update={"garden": queen, "genus": "Atta", "air_ml": 300.0})
    event = told(replace(situation(25.3, rh, room, 40.0), garden_ml=3.0), chamber, alarm)
    said = " ".join(action.text for action in event.actions)
    assert not any(word in said for word in ("Take out", "granules", "Wipe", "Mist", "Cover the small garden"))
    assert ("by a syringe through a vent or the pinhole, the lid shut" in said) == (alarm == "humidity-low")


def test_water_for_a_queen_needs_no_granules_and_nobody_fills_her_a_drinker():
    queen = Garden(volume_ml=3.0, founding=True)
    chamber = Chamber(devices=devices(setpoint_c=25.5, wet_granules=False), garden=queen, air_ml=300.0)
    event = told(replace(situation(25.3, 68.0, 20.0, 25.0), garden_ml=3.0), chamber, "humidity-low")
    said = " ".join(action.text for action in event.actions)
    assert "by a syringe through a vent or the pinhole" in said and "drinker" not in said


@pytest.mark.parametrize("t", [24.5, 26.5, 27.5])
def test_a_mat_that_burns_is_unplugged_though_the_air_is_still_right_and_the_lid_wet(t):
    """Before: "URGENT: insulate the lid: heater is running away", then blinds and a wiped lid, until the air was at 28."""
    now = replace(situation(t, 80.0, 20.0, 50.0, temperature_slope_k_h=1.5, lid_temperature_c=20.0), mat_temperature_c=63.0)
    _, events = asked(now, box(), None, "heater-runaway", "lid-dew")
    assert [acts(event) for event in events] == [["heater stop"]]
    assert "The mat itself is at 63 °C" in events[0].reason


def test_the_heat_branch_ends_when_the_heat_is_over_though_the_alarm_still_recovers():
    chamber = box()
    for t, slope in ((22.7, -3.0), (25.0, -6.0)):
        _, events = asked(situation(t, 75.0, 18.0, 45.0, temperature_slope_k_h=slope), chamber, None, "heater-runaway")
        assert not {"room move", "vent open", "fan more", "heater stop"} & {name for event in events for name in acts(event)}


def test_done_to_a_runaway_is_not_answered_by_another_urgent_letter_at_once():
    chamber, hot = box(), situation(32.5, 70.0, 21.0, 45.0, temperature_slope_k_h=6.0)
    state, _ = asked(hot, chamber, None, "heater-runaway")
    when_done = later(hot, 0.2, temperature_c=33.7)
    state = done(state, when_done)
    state, events = asked(later(hot, 0.21, temperature_c=33.8), chamber, state, "heater-runaway")
    assert events == []
    cooling = later(hot, 0.5, temperature_c=32.8, temperature_slope_k_h=-4.0)
    state, events = asked(cooling, chamber, state, "heater-runaway")
    assert [event.status for event in events] == ["verified"]
    assert "33.7 °C when this was done" in events[0].reason


def test_boxes_that_get_cold_together_stay_told_though_the_alarm_of_one_is_hidden() -> None:
    """Behind the failing heater of the other box the first alarm of this one was hidden for three minutes, and for six hours
    nothing was advised to either."""
    chamber = box()
    other = Beside("b", "Box b", "cold", 20.0, 50.0, 1.4, -2.0)
    now = situation(21.0, 80.0, 12.0, 50.0, temperature_slope_k_h=-2.0, besides=(other,))
    state, events = asked(now, chamber, None, "temperature-low", priority="today")
    assert events[0].boxes
    hidden = later(now, 0.3, temperature_c=20.5)
    after, told_then = consider(settings_of(chamber), "north", state.state, hidden, {}, "test")
    assert told_then == [] and after.open is not None


@pytest.mark.parametrize("slope", [-0.3, -0.1, 0.0, 0.1])
def test_boxes_flat_at_the_temperature_of_a_cold_room_are_not_told_in_turns_to_look_at_the_power(slope: float) -> None:
    other = Beside("b", "Box b", "cold", 12.2, 50.0, 1.4, slope)
    now = situation(12.3, 80.0, 12.0, 50.0, temperature_slope_k_h=slope, besides=(other,))
    _, events = asked(now, box(), None, "temperature-low")
    assert acts(events[0])[0] == "room check"


@pytest.mark.parametrize("slope", [-0.4, -0.3, -0.1, 0.0, 0.4])
def test_heated_boxes_in_a_room_that_cools_are_told_no_power_cut_by_the_noise_of_their_slope(slope: float) -> None:
    """Two boxes 6 K over a room that cooled a little were told in turns of the power and of a weak heater, every half hour of
    a night (attack from outside)."""
    other = Beside("b", "Box b", "cold", 23.4, 12.0, 1.4, -0.2)
    now = situation(23.4, 60.0, 17.6, 45.0, temperature_slope_k_h=slope, room_slope_k_h=-0.2, besides=(other,))
    event = told(now, box(24.5, vents=Vents(count=3, open=1)), "temperature-low")
    assert "power" not in event.headline and "lose their heat" not in event.reason


def test_a_mat_that_was_pulled_without_a_word_is_not_said_to_have_switched_off_by_itself():
    """Ten minutes after the plug was out the letter blamed the sun: "the heater has long switched off"."""
    chamber, hot = box(25.5), situation(32.1, 61.0, 24.9, 40.0, temperature_slope_k_h=3.7)
    state, events = asked(hot, chamber, None, "heater-runaway")
    assert acts(events[0])[0] == "heater stop"
    flat = later(hot, 0.6, temperature_c=32.2, temperature_slope_k_h=-1.0)
    state, events = asked(flat, chamber, state, "heater-runaway")
    assert not [event for event in events if "heater stop" not in acts(event)]


def test_a_runaway_that_went_by_itself_yesterday_is_felt_before_it_is_unplugged():
    """The afternoon sun had "unplug the heater" four days running; each time it was over by itself at the same hour."""
    chamber, hot = box(25.5), situation(28.6, 66.0, 22.0, 45.0, temperature_slope_k_h=3.0)
    state, events = asked(hot, chamber, None, "heater-runaway")
    assert acts(events[0])[0] == "heater stop"
    state, _ = asked(later(hot, 2.0, temperature_c=25.5, temperature_slope_k_h=-2.0), chamber, state)
    state, events = asked(later(hot, 24.0), chamber, state, "heater-runaway")
    assert "Feel the mat: if it is hot" in events[-1].headline and "over by itself" in events[-1].reason
    lethal = later(hot, 24.6, temperature_c=32.5)
    _, events = asked(lethal, chamber, state, "heater-runaway")
    assert acts(events[-1])[0] == "heater stop"


def test_what_still_rises_unplugged_is_told_to_look_at_the_plug():
    chamber, hot = box(), situation(33.0, 70.0, 21.0, 45.0)
    state = done(asked(hot, chamber, None, "heater-runaway")[0], hot)
    _, events = asked(later(hot, 0.6, temperature_c=35.0, temperature_slope_k_h=4.0), chamber, state, "heater-runaway")
    assert acts(events[-1])[0] == "heater check" and "right plug" in events[-1].headline


def run_away(chamber: Chamber, state: Adviser, at_h: float) -> Adviser:
    hot = later(situation(33.0, 70.0, 21.0, 45.0), at_h)
    return done(asked(hot, chamber, state, "heater-runaway")[0], hot)


def test_plugging_in_again_is_judged_by_the_highest_temperature_since():
    chamber = box(27.0)
    state = run_away(chamber, Adviser(), 0.0)
    state, _ = asked(later(situation(35.2, 70.0, 21.0, 45.0), 0.1), chamber, state, "heater-runaway")
    state, events = asked(later(situation(25.0, 78.0, 21.0, 45.0), 3.0), chamber, state)
    assert "8 K past its set point" in events[-1].headline and "only then" in events[-1].headline


@pytest.mark.parametrize(("room_c", "urgency"), [(12.0, "wake"), (22.0, "today")])
def test_plugging_in_again_waits_for_no_morning_where_the_box_would_be_cold_by_then(room_c, urgency):
    chamber = box()
    adviser = run_away(chamber, Adviser(), 0.0)
    _, events = asked(later(situation(25.4, 78.0, room_c, 45.0), 1.5), chamber, adviser)
    assert "Plug the heater in again" in events[-1].headline and events[-1].urgency == urgency


def test_plugging_in_again_is_told_by_day_though_the_cold_that_stands_is_mild():
    """A box whose heater had been left out for a day stood at 24.0 degC at 19:00, its alarm of cold by then only for the
    digest; "plug it in again" was in no letter before 8:00, at 22.8 degC (foreign simulation)."""
    chamber = box()
    adviser = run_away(chamber, Adviser(), 0.0)
    _, events = asked(later(situation(23.8, 78.0, 22.0, 45.0), 1.5), chamber, adviser, "temperature-low", priority="digest")
    assert "Plug the heater in again" in events[-1].headline and events[-1].urgency == "today"


def test_the_same_urgent_steps_twice_within_a_day_are_not_simply_repeated():
    chamber = box()
    state = run_away(chamber, Adviser(), 0.0)
    cool = later(situation(25.0, 78.0, 21.0, 45.0), 3.0)
    state = done(asked(cool, chamber, state)[0], cool)
    again = later(situation(29.0, 70.0, 21.0, 45.0, temperature_slope_k_h=5.0), 6.0)
    state, events = asked(again, chamber, state, "heater-runaway")
    assert acts(events[-1]) == ["heater stop", "probe check"]
    assert "not the first time this week" in events[-1].actions[0].text and "second thermometer" in events[-1].actions[1].text
    assert "not found yet" in events[-1].reason
    state = done(state, again)
    chilly = later(situation(22.0, 78.0, 20.0, 45.0), 9.0)
    state, events = asked(chilly, chamber, state, priority="digest")
    assert acts(events[-1]) == ["heater check", "room more"] and "Leave the heater out" in events[-1].headline
    assert events[-1].urgency == "today"  # a box without its heat gets colder, however mild the cold that stands
    warmed = done(state, chilly)
    # A room that was warmed and leaves the box cold is asked to be warmer, and soon where it gets colder all the same.
    for hours, slope_k_h, told in ((12.9, 0.0, 0), (13.1, 0.0, 1), (11.5, -1.5, 1)):
        still = later(situation(22.9, 78.0, 20.7, 45.0, temperature_slope_k_h=slope_k_h), hours)
        judged, _ = asked(later(still, -2.0), chamber, warmed, priority="digest")
        _, events = asked(still, chamber, judged, priority="digest")
        assert [acts(event) for event in events if event.status == "given"] == [["heater check", "room more"]] * told, hours
    state, events = asked(later(situation(17.5, 78.0, 14.0, 45.0), 10.0), chamber, state)
    assert acts(events[-1]) == ["heater more", "room more"]
    assert "only with another thermostat, or while you sit beside it" in events[-1].headline


def test_a_mat_that_was_dimmed_to_nothing_is_plugged_in_again_at_a_share_of_what_it_can():
    """It was plugged in "with 0 W instead of 0 W"."""
    chamber = box(None, heater=Heater(watts=4.0, thermostat=False))
    dimmed = DeviceChange(later(situation(25.0, 78.0, 21.0, 45.0), 1.0).at_ms, "watts", 0.0)
    adviser = run_away(chamber, Adviser(), 0.0)
    adviser = Adviser(adviser.state, (*adviser.changes, dimmed))
    _, events = asked(later(situation(25.0, 78.0, 21.0, 45.0), 3.0), chamber, adviser)
    watts, before = re.findall(r"([\d.]+) W", events[-1].headline)
    assert 0.4 <= float(watts) < float(before) == 4.0


def test_a_mat_that_is_dimmed_to_nothing_on_advice_is_out_and_not_called_broken():
    """Switched off as asked, the box that cooled was told to check its heat, and the mat never came on again."""
    chamber = box(None, heater=Heater(watts=4.0, thermostat=False))
    hot = situation(29.5, 75.0, 21.0, 45.0, temperature_slope_k_h=0.5)
    state, _ = asked(hot, chamber, None, "temperature-high")
    opened = state.state.open
    assert opened is not None and any(move.unit == "W" for move in opened.moves)
    told = replace(opened, moves=[replace(move, value=0.0, delta=-4.0) for move in opened.moves if move.unit == "W"])
    _, changes = book(state.state, told, None, begun_at(hot.at_ms, 29.5, None))
    assert {change.knob: change.value for change in changes} == {"watts": 0.0, "heater_plugged": 0.0}


@pytest.mark.parametrize(("room_c", "warned"), [(8.0, True), (None, True), (20.0, False)])
def test_a_box_colder_than_its_room_is_not_told_that_airing_cools(room_c: float | None, warned: bool) -> None:
    now = situation(12.0, 60.0, room_c, 50.0)
    _, events = asked(now, box(), None, "temperature-low")
    assert any("air the box" in text for text in events[-1].never) == warned


def test_who_plugs_in_again_is_told_where_the_dial_should_stand_though_nothing_is_to_change():
    """One had turned it the wrong way: "as it was set" left the box at 29.8 degC."""
    chamber = box()
    adviser = run_away(chamber, Adviser(), 0.0)
    _, events = asked(later(situation(25.0, 78.0, 21.0, 45.0), 3.0), chamber, adviser)
    assert "thermostat set to 25.5 °C as it was" in events[-1].headline


# ---------------------------------------------------------------- the set point


def test_the_set_point_is_not_walked_down_while_the_heater_rests():
    chamber = box(25.5)
    state, seen = Adviser(), []
    for hour in range(0, 96, 2):
        now = later(situation(29.4, 60.0, 28.6, 55.0), float(hour))
        state, events = asked(now, chamber, state, priority="today")
        seen += [name for event in events for name in acts(event)]
        if state.open is not None and state.open.done_ms is None:
            state = done(state, now)
    assert not {"heater less", "heater stop"} & set(seen)
    assert told_knobs(state.changes).get("setpoint", 25.5) == 25.5


@pytest.mark.parametrize("obedient", [True, False])
def test_an_unknown_set_point_is_told_as_a_figure_once_and_is_no_ladder(obedient):
    chamber, state, headlines = box(None), Adviser(), []
    for hour in range(0, 120, 3):
        now = later(situation(22.5, 90.0, 18.0, 50.0, factor=0.9, usual_range_k=0.2), float(hour))
        state, events = asked(now, chamber, state, priority="today")
        headlines += [event.headline for event in events if event.status == "given" and "heater more" in acts(event)]
        if obedient and state.open is not None and state.open.done_ms is None:
            state = done(state, now)
    assert headlines and "to 25.5 °C if its dial shows figures" in headlines[0]
    # flat at 22.5 with 25.5 set: it is at its limit, not told up again
    assert told_knobs(state.changes).get("setpoint", 25.5) == 25.5
    assert len(headlines) == 1 or not obedient


@pytest.mark.parametrize("setpoint_c", [25.4987, 26.23, 27.1])
def test_every_set_point_that_is_asked_for_is_one_that_a_knob_has(setpoint_c):
    adviser, told_texts = Adviser(changes=(DeviceChange(0, "setpoint", setpoint_c),)), []
    for t, names in ((setpoint_c + 1.6, HOT_PLAIN), (setpoint_c - 2.0, ()), (setpoint_c, ())):
        _, events = asked(situation(t, 75.0, 19.0, 45.0, factor=0.9), box(28.0), adviser, *names)
        told_texts += [action.text for event in events for action in event.actions if action.text.startswith("Turn the heater")]
    figures = [float(found) for text in told_texts for found in re.findall(r" to ([\d.]+) °C", text)]
    assert figures and all(figure * 2 % 1 == 0 for figure in figures)
    assert not re.search(r"\d\.\d\d", " ".join(told_texts))


def test_a_dial_that_lies_is_turned_on_while_the_box_cycles_and_left_alone_when_it_stands_still():
    chamber, cold = box(25.5), situation(22.9, 79.0, 17.0, 50.0, factor=0.9)
    cycles = later(cold, 0.0, usual_c=22.9, usual_peak_c=23.6, usual_trough_c=22.3, usual_range_k=1.2)
    stands = later(cold, 0.0, usual_c=22.9, usual_peak_c=23.0, usual_trough_c=22.8, usual_range_k=0.1)
    assert "heater more" in acts(told(cycles, chamber)) and "heater more" not in acts(told(stands, chamber))


def test_what_was_turned_down_for_a_warm_spell_is_turned_up_again_before_it_is_cold():
    chamber, warm = box(28.5), situation(29.0, 72.0, 21.0, 45.0)
    state, events = asked(warm, chamber, priority="today")
    assert acts(events[0])[0] == "heater less"
    state = done(state, warm)
    low = told_knobs(state.changes)["setpoint"]
    cool = later(situation(low, 79.0, 18.0, 45.0, factor=0.8), 30.0)
    assert low >= 24.5 and owed(state.state, chamber, state.changes).at(cool.at_ms)
    state, events = asked(cool, chamber, state)
    text = next(event.headline for event in events if event.status == "given")
    assert low < 25.1 and f"up again from {low:g} to 25.5 °C" in text
    state = done(state, cool)
    assert told_knobs(state.changes)["setpoint"] == 25.5


def test_what_stands_hot_after_the_heater_was_unplugged_is_not_said_to_come_from_the_sun():
    chamber, hot = box(), situation(33.0, 70.0, 21.0, 45.0)
    state = done(asked(hot, chamber, None, "heater-runaway")[0], hot)
    _, events = asked(later(hot, 0.6, temperature_slope_k_h=0.1), chamber, state, "heater-runaway")
    assert events[-1].reason.count("unplugged") == 1
    assert "still in the box" in events[-1].reason and "sun" not in events[-1].reason


def test_no_noise_and_no_morning_sun_is_a_comfort_in_lethal_cold():
    """Found by an attack: at 4.9 degC and falling, a probe's noise made it "It gets warmer again: leave the box as it is"."""
    chamber, cold = box(), situation(6.0, 82.0, 4.0, 60.0, temperature_slope_k_h=-1.0)
    state, _ = asked(cold, chamber, None, "temperature-low", "heater-failed")
    for slope_k_h, comfort in ((0.6, False), (1.5, False), (4.0, True)):
        rising = later(situation(5.0, 82.0, 4.5, 60.0, temperature_slope_k_h=slope_k_h), 1.0)
        events = asked(rising, chamber, state, "temperature-low", "heater-failed")[1]
        assert any("warmer again" in event.headline for event in events) is comfort, slope_k_h


@pytest.mark.parametrize(("lead_k", "room_k_h", "comfort"), [
    (6.0, -2.5, False), (6.0, -0.1, False), (9.0, -0.1, True), (9.0, -2.5, False), (None, -2.5, True),
])  # fmt: skip
def test_the_first_half_hour_of_a_mat_is_no_comfort_where_its_room_leaves_the_box_too_cold(lead_k, room_k_h, comfort):
    """Plugged in again it warmed its box by 3.8 K an hour, in a room of 16 degC that fell by 2.5 K an hour: "It gets warmer
    again: leave the box", at 22.2 degC, which was the most it came to (attack from outside)."""
    chamber, falling = box(heater=Heater(thermostat=False, watts=40.0)), situation(20.8, 90.0, 17.0, temperature_slope_k_h=-4.6)
    state = done(asked(falling, chamber, None, "heater-failed")[0], falling)
    now = later(falling, 0.5, temperature_c=22.2, temperature_slope_k_h=3.8, room_temperature_c=16.0, room_slope_k_h=room_k_h)
    _, events = asked(replace(now, usual_lead_k=lead_k), chamber, state, "heater-failed", "temperature-low")
    assert any("gets warmer" in action.text for event in events for action in event.actions) is comfort


def test_a_step_of_a_coarse_probe_is_no_comfort_in_lethal_cold() -> None:
    """A probe of whole degrees stepped from 9 to 10 as its box fell: "It gets warmer again", at 9 and at 6 degC."""
    chamber, cold = box(), situation(12.0, 82.0, 4.0, 60.0, temperature_slope_k_h=-1.0)
    state, _ = asked(cold, chamber, None, "temperature-low", "heater-failed")
    rising = later(situation(10.0, 82.0, 4.5, 60.0, temperature_slope_k_h=3.2), 1.0)
    for least_c, u_k, comfort in ((11.0, 0.17, False), (9.0, 0.58, False), (9.0, 0.17, True)):
        now = replace(rising, u_temperature_k=u_k, temperature_swing=Swing(10.5, least_c, 12.0, 0.7, 2))
        events = asked(now, chamber, state, "temperature-low", "heater-failed")[1]
        assert any("warmer again" in event.headline for event in events) is comfort, (least_c, u_k)


def test_a_box_whose_heat_is_back_is_not_to_be_carried_though_its_air_dries_as_it_warms() -> None:
    """At 13.7 degC and rising by 5 K an hour it was to be carried away, because its air had become harmfully dry."""
    chamber, cold = box(), situation(8.0, 82.0, 4.0, 60.0, temperature_slope_k_h=-1.0)
    adviser, _ = asked(cold, chamber, None, "temperature-low", "heater-failed")
    rising = later(situation(13.7, 59.0, 6.0, 60.0, temperature_slope_k_h=4.8), 3.0)
    rising = replace(rising, temperature_swing=Swing(8.1, 7.4, 10.2, 0.6, 2))
    stands = alarms(rising, chamber, "temperature-low", "humidity-low")
    stands["humidity-low"] = replace(stands["humidity-low"], level="harmful")
    _, events = consider(settings_of(chamber), "north", adviser.state, rising, stands, "test")
    assert events and not any("arry the box" in action.text for event in events for action in event.actions)


@pytest.mark.parametrize("alarm", ["moisture-lost", "lid-open"])
def test_a_lid_that_nobody_has_looked_at_waits_for_lethal_heat(alarm: str) -> None:
    """It stood second, in the place of what cools: who shuts it at 42 degC keeps the heat in (attack from outside)."""
    now = situation(34.0, 40.0, None, 31.0, 30.0)
    _, events = asked(now, box(), None, "temperature-high", alarm)
    assert "lid check" not in acts(events[0]) and len(acts(events[0])) == 2
    assert not any(act.startswith(("water", "mister")) for act in acts(events[0]))


def test_a_lid_that_may_be_ajar_stands_second_in_lethal_cold() -> None:
    now = situation(14.0, 60.0, None, 8.0, 50.0)
    _, events = asked(now, box(), None, "temperature-low", "moisture-lost")
    assert acts(events[0])[0] != "lid check"
    assert acts(events[0])[1:] == ["lid check", "vent close"]


@pytest.mark.parametrize("thermostat", [True, False])
def test_a_cold_box_is_held_against_a_thermostat_only_where_it_has_one(thermostat):
    chamber = box(heater=Heater(watts=8.0, thermostat=thermostat, setpoint_c=26.0 if thermostat else None))
    event = told(situation(18.5, 75.0, 18.0, 45.0, temperature_slope_k_h=0.0), chamber, "temperature-low", "heater-failed")
    assert "no heat is seen to come" in event.reason
    assert ("what the thermostat is set to" in event.reason) == thermostat


def test_a_mat_that_nothing_switches_is_not_tried_without_its_thermostat():
    chamber = box(heater=Heater(watts=8.0, thermostat=False))
    now = situation(20.0, 75.0, 18.0, 45.0, temperature_slope_k_h=-1.0)
    adviser, first = asked(now, chamber, None, "temperature-low", "heater-failed")
    assert acts(first[-1])[0] == "heater check"
    adviser = done(adviser, later(now, 0.5, temperature_c=19.5))
    adviser, events = asked(later(now, 1.5, temperature_c=18.5), chamber, adviser, "temperature-low", "heater-failed")
    texts = [action.text for event in events for action in event.actions]
    assert texts and not any("without its thermostat" in text for text in texts)


@pytest.mark.parametrize(("chamber", "t", "falls_k_h", "says"), [
    (box(), 18.0, -1.5, "Hold a thermometer where the box stands now"), (box(), 31.0, 4.0, "switch off the socket strip"),
], ids=["cold", "heat"])  # fmt: skip
def test_who_did_it_twice_while_it_went_on_is_told_what_to_look_at(chamber, t, falls_k_h, says):
    """Ten times in a day, once for each `done`, the same two steps, with the wrong plug out."""
    adviser, reasons = Adviser(), []
    names = ("temperature-low", "heater-failed") if falls_k_h < 0 else ("temperature-high", "heater-runaway")
    for step in range(4 * 6):
        hour = step / 6
        now = later(situation(t + falls_k_h * hour, 80.0, 8.0, 60.0, temperature_slope_k_h=falls_k_h), hour)
        stands = {name: standing(name, priority="wake", since_ms=0) for name in names}
        state, events = consider(
            settings_of(chamber), "north", adviser.state, replace(now, changes=adviser.changes), stands, "test"
        )
        adviser = Adviser(state, adviser.changes)
        reasons += [event.reason for event in events if event.status in ("given", "updated")]
        if adviser.open is not None and adviser.open.done_ms is None:
            adviser = done(adviser, now)
    assert says not in reasons[0] and says in reasons[-1]


@pytest.mark.parametrize(("case", "chamber", "lead_k", "slope", "first"), COLD)
def test_in_lethal_cold_each_cause_asks_for_warmth_with_a_bottle_and_a_warm_room_in_one(case, chamber, lead_k, slope, first):
    """At 8.2 degC the step was weaker than at 15, and changed each time that the heater was judged anew."""
    event = told(situation(8.2, 79.0, 8.2 - lead_k, 60.0, temperature_slope_k_h=slope), chamber)
    warm = next(action.text for action in event.actions if action.device == "room")
    assert "warmest room" in warm and "bottle" in warm


COLD_NIGHT = {"temperature_slope_k_h": -2.6, "room_slope_k_h": -5.0, "usual_c": 25.6, "usual_trough_c": 24.9,
    "usual_peak_c": 26.1, "usual_range_k": 0.9}


@pytest.mark.parametrize("humidity_pct", [79.0, 92.0])
def test_a_room_that_no_mat_holds_against_is_to_be_warmed_in_the_first_letter_and_nothing_is_dried(humidity_pct):
    """Foam, and wet granules to be taken out, were asked for in a box that fell by kelvins an hour (attack from outside)."""
    north = Chamber(devices=devices(setpoint_c=25.5, mister=None, fan=None), garden=Garden(volume_ml=1300.0))
    first = told(situation(23.5, humidity_pct, 9.1, 60.0, **COLD_NIGHT), north)
    assert acts(first) == ["heater check", "room more"]


def test_heat_that_is_back_is_not_looked_for_where_its_alarm_stands_still():
    """`Check the heat` came in the very letter that all is well again, at 2.4 K an hour upwards (attack from outside)."""
    north = Chamber(devices=devices(setpoint_c=25.5), garden=Garden(volume_ml=1300.0))
    warm = situation(24.7, 81.0, 23.0, 50.0, temperature_slope_k_h=2.4, room_slope_k_h=4.0)
    assert asked(warm, north, None, "heater-failed")[1] == []
    assert acts(told(later(warm, 0.0, temperature_slope_k_h=-2.4), north, "heater-failed"))[0] == "heater check"


LEAPT = situation(29.5, 86.0, 20.0, 50.0, leapt_k=4.0, temperature_slope_k_h=16.0, garden_ml=900.0)


@pytest.mark.parametrize("now", [
    LEAPT, later(LEAPT, 0.0, temperature_c=32.6, temperature_slope_k_h=0.0), later(LEAPT, 0.0, temperature_slope_k_h=0.0),
    later(LEAPT, 0.0, temperature_c=27.0, lid_seen_wet=True), later(LEAPT, 0.0, temperature_c=27.0, relative_humidity_pct=96.0),
])  # fmt: skip
def test_what_a_probe_says_that_leapt_is_compared_before_heater_lid_or_water_are_touched(now):
    """Plug out, vents open, granules out, by a probe that read 4 K too warm from one reading on (attack from outside)."""
    asks = told(now, box(), "lid-dew")
    assert acts(asks) == ["probe check"]
    assert "second thermometer" in asks.headline and "4 K more within minutes" in asks.reason
    assert acts(told(later(now, 0.0, leapt_k=None), box(), "lid-dew")) != ["probe check"]


def test_who_has_compared_is_not_asked_again_each_hour_and_the_heater_is_never_blamed():
    adviser, _ = asked(LEAPT, box())
    adviser = done(adviser, later(LEAPT, 0.3))
    settings, said = settings_of(box()), []
    for ten_minutes in range(2, 6 * 23):
        now = later(LEAPT, ten_minutes / 6.0, temperature_slope_k_h=0.1)
        state, events = consider(settings, "north", adviser.state, now, alarms(now, box(), "heater-runaway"), "test")
        adviser, said = Adviser(state), [*said, *events]
    assert [event.status for event in said] == ["verified"]


@pytest.mark.parametrize("now", [
    situation(33.7, 48.0, 21.9, 45.0, switched_k=8.0, temperature_slope_k_h=30.0),
    situation(26.2, 58.0, 21.9, 45.0, switched_k=8.0, temperature_slope_k_h=-40.0),
])  # fmt: skip
def test_a_probe_that_goes_up_and_down_with_the_mat_asks_for_its_place_alone(now):
    """80 letters in four days, the lid ajar and towels for a garden at 25 °C, by a probe on its mat (attack from outside)."""
    asks = told(now, box(), "temperature-high", "humidity-low", "heater-runaway")
    assert acts(asks) == ["probe check"] and "up and down by 8 K" in asks.reason
    believed = told(later(now, 0.0, switched_k=None), box(), "temperature-high", "humidity-low", "heater-runaway")
    assert acts(believed) != ["probe check"]


def test_who_is_told_to_unplug_what_warms_faster_than_mats_do_is_asked_where_its_probe_lies():
    """From one hour to the next 25 -> 34 °C, by a probe that had slipped onto the mat (attack from outside)."""
    swift = situation(33.8, 48.0, 21.9, 45.0, temperature_slope_k_h=8.4)
    adviser, (first, *_) = asked(swift, box(), None, "heater-runaway", "temperature-high")
    assert acts(first) == ["heater stop", "probe check"] and "slipped onto the mat" in first.reason
    still = later(swift, 1.0, temperature_c=33.3, temperature_slope_k_h=-0.5)
    _, more = asked(still, box(), adviser, "heater-runaway", "temperature-high")
    assert all(acts(event) == ["heater stop", "probe check"] for event in more)
    slow = later(swift, 0.0, temperature_slope_k_h=5.0)
    assert acts(told(slow, box(), "heater-runaway", "temperature-high")) == ["heater stop", "fan more"]


def test_a_probe_that_leapt_is_believed_of_cold_and_of_dry_air():
    cold = later(LEAPT, 0.0, temperature_c=22.0, temperature_slope_k_h=-1.0)
    assert acts(told(cold, box())) != ["probe check"]
    dry = situation(26.5, 55.0, 24.0, 50.0, leapt_k=4.0)
    assert "probe check" not in acts(told(dry, box()))


@pytest.mark.parametrize("heat", [{"watts": 10.3}, None])
def test_a_box_of_42_degrees_is_not_told_to_shut_its_lid(heat):
    """"Unplug the heater; check that the lid is shut", in the sun at 43 K/h, because moisture was missed since the evening
    before (attack from outside)."""
    chamber = Chamber(devices=devices(heater=None if heat is None else Heater(thermostat=False, **heat)))
    hot = situation(36.7, 40.0, None, None, temperature_slope_k_h=43.0)
    _, events = asked(hot, chamber, None, "temperature-high", "moisture-lost")
    assert events and all("lid check" not in acts(event) and {"room less", "vent open"} & {*acts(event)} for event in events)


@pytest.mark.parametrize(
    ("slope_k_h", "stands", "cold"), [(-15.6, (), False), (-15.6, ("temperature-low",), True), (-1.0, (), True)]
)
def test_a_lid_that_was_opened_to_feed_is_no_cold(slope_k_h, stands, cold):
    """One reading of 23.2 between two of 26.5 degC: an hour later a letter said "check the heat, warm the room, or carry the
    box" (attack from outside)."""
    now = situation(23.2, 77.0, None, None, temperature_slope_k_h=slope_k_h)
    chamber = box(heater=Heater(thermostat=False, watts=8.1))
    rows = {name: standing(name, since_ms=now.at_ms) for name in ("lid-dew", *stands)}
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, rows, "test")
    warms = {"heater check", "heater more", "room more"}
    assert bool(warms & {act for event in events for act in acts(event)}) is cold
