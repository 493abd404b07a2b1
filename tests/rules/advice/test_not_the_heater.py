"""Heat that is not the heater's: a sound mat that was unplugged for a hot room is no runaway, and is back before the cold."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice_scenes import NOON_MS, alarms, devices, later, settings_of, situation

from rules.advice.advisory import consider
from rules.advice.done import begun_at, booked_text, done, owed, remembered, taken_back, why_not_left_out
from rules.advice.heat import cleared, stops_lately
from rules.advice.set_point import cold_by_morning
from rules.advice.state import AdviceState, Asked, OpenAdvice
from rules.climate.situation import Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Heater, Lid
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent

BOX = Chamber(devices=devices(setpoint_c=25.5))


def told(now: Situation, state: AdviceState | None = None, *stands: str) -> tuple[AdviceState, list[AdviceEvent]]:
    return consider(settings_of(BOX), "north", state or AdviceState(), now, alarms(now, BOX, *stands), "test")


def asked(events: list[AdviceEvent]) -> list[str]:
    return [f"{action.device}:{action.change}" for event in events for action in event.actions]


def stopped(act: str, at_c: float = 28.6) -> tuple[AdviceState, list[DeviceChange]]:
    """Return the state, and the settings, once the heater was unplugged at noon as this act asked."""
    advice = OpenAdvice(
        "north-1", "heat", 13, None, False, "wake", NOON_MS, NOON_MS, NOON_MS, ["heater:stop"], [0.0], acts=[act],
        start_c=at_c,
    )
    hot = situation(at_c, 75.0, None, None, at_ms=NOON_MS)
    return done(AdviceState(counter=1, open=advice), advice, None, begun_at(NOON_MS, at_c, hot))


@pytest.mark.parametrize(
    ("hours", "t", "blamed"), [(1.9, 28.6, 1), (2.1, 27.4, 1), (2.1, 27.8, 0), (2.9, 28.9, 0), (3.2, 28.9, 1)]
)
def test_a_heater_is_not_blamed_for_heat_that_stays_two_hours_after_its_plug_was_pulled(hours, t, blamed):
    """In a heat wave a cold mat was unplugged on two days, called a runaway and forbidden; the wave ended, and its garden was
    at 17 degC (attack from outside)."""
    state, _ = stopped("stop-heater")
    now = situation(t, 75.0, None, None, at_ms=NOON_MS + round(hours * HOUR_MS))
    assert stops_lately(cleared(state, now), now.at_ms) == blamed


def test_what_nobody_can_know_from_here_is_no_runaway():
    for act, count in (("stop-heater", 1), ("stop-unsure", 0)):
        assert stops_lately(stopped(act)[0], NOON_MS + HOUR_MS) == count
    hot = situation(29.0, 75.0, None, None, temperature_slope_k_h=1.2)
    state, events = told(hot, None, "heater-runaway", "temperature-high")
    assert state.open is not None and state.open.acts[0] == "stop-unsure" and asked(events) == ["heater:stop", "room:less"]


@pytest.mark.parametrize(
    ("act", "t", "back"), [("stop-unsure", 27.4, True), ("stop-heater", 27.4, False), ("stop-heater", 25.9, True)]
)
def test_a_plug_that_nothing_speaks_against_is_put_back_with_the_all_clear(act: str, t: float, back: bool):
    """Its all-clear said nothing of the plug, and the night went down to 21.4 degC (attack from outside)."""
    state, changes = stopped(act)
    assert owed(state, BOX, changes).after(NOON_MS)
    now = situation(t, 80.0, None, None, at_ms=NOON_MS + 6 * HOUR_MS, changes=tuple(changes))
    state = replace(state, open=None, last=state.open)
    _, events = told(now, state)
    assert (asked(events)[:1] == ["heater:more"]) is back
    assert all(("Find out why" in event.actions[0].text) is (act == "stop-heater") for event in events if event.actions)


def test_who_has_not_said_whether_the_plug_is_out_is_asked_as_soon_as_it_cools_and_that_once():
    """After a hot evening it fell from 27 to 21.4 degC in a night before anybody asked (attack from outside)."""
    stop = OpenAdvice(
        "north-1", "heat", 13, None, False, "wake", NOON_MS, NOON_MS, NOON_MS, ["heater:stop"], [0.0], acts=["stop-heater"],
        start_c=29.0,
    )
    cools = situation(27.2, 80.0, None, None, at_ms=NOON_MS + 3 * HOUR_MS, temperature_slope_k_h=-0.8)
    state, events = told(cools, AdviceState(counter=1, open=stop))
    assert asked(events) == ["heater:more"] and "set to 25.5 °C" in events[-1].actions[0].text
    state, events = told(later(cools, 1.0, temperature_c=26.4), state)
    assert asked(events) == []
    state, events = told(later(cools, 2.0, temperature_c=25.6, temperature_slope_k_h=0.0), state)  # it holds: it was never out
    assert asked(events) == [] and state.open is None
    _, events = told(later(cools, 8.0, temperature_c=25.4, temperature_slope_k_h=-0.8), state)
    assert asked(events) == []


@pytest.mark.parametrize(("pace_k_h", "wakes"), [(-2.1, False), (-2.2, True), (None, False)])
def test_where_nobody_measures_the_room_its_last_hour_tells_how_cold_the_morning_is(pace_k_h: float | None, wakes: bool):
    now = situation(26.0, 80.0, None, None, hourly_trend_k_h=pace_k_h)
    assert cold_by_morning(now, 20.0, 3.0) is wakes


def test_a_set_point_that_was_lowered_for_a_hot_noon_is_turned_up_again_though_nobody_measures_the_room():
    """Three hot noons took it from 25.5 to 22.5 degC, and the night after was told to close a vent (attack from outside)."""
    lowered = (DeviceChange(NOON_MS - 6 * HOUR_MS, "setpoint", 23.5),)
    _, events = told(situation(24.1, 75.0, None, None, changes=lowered))
    assert asked(events) == ["heater:more"] and "up again from 23.5 to 25 °C" in events[0].actions[0].text  # its dial may lie


@pytest.mark.parametrize(("reached_c", "told_so"), [(30.0, True), (35.5, False)])
def test_a_dial_without_figures_is_not_turned_down_by_what_the_sun_has_done(reached_c: float, told_so: bool):
    """35 degC in the sun: "or 9 K lower, if its dial shows no figures", and it stood at 16.5 (attack from outside)."""
    box = Chamber(devices=devices(setpoint_c=None))
    state, changes = stopped("stop-heater", reached_c)
    now = situation(25.8, 80.0, 20.0, 50.0, at_ms=NOON_MS + 90 * MINUTE_MS, changes=tuple(changes))
    _, events = consider(settings_of(box), "north", replace(state, open=None, last=state.open), now, {}, "test")
    assert asked(events) == ["heater:more"] and ("if its dial shows no figures" in events[0].actions[0].text) is told_so


def test_a_hot_afternoon_in_a_room_that_nobody_measures_asks_for_a_cooler_room_beside_the_dial():
    """"Turn the thermostat down by 2 K" stood alone for an hour and a half, with the mat cold and the room at 31 degC (attack
    from outside)."""
    box = Chamber(devices=devices(setpoint_c=None))
    for slope_k_h, cools in ((1.5, True), (0.1, False)):
        now = situation(28.3, 80.0, None, None, temperature_slope_k_h=slope_k_h)
        _, events = consider(settings_of(box), "north", AdviceState(), now, alarms(now, box), "test")
        assert ("room:less" in asked(events)) is cools and "heater:less" in asked(events)


@pytest.mark.parametrize(
    ("hours", "by_mean", "asks"), [(0.5, False, True), (2.9, False, True), (3.1, False, False), (0.5, True, False)]
)
def test_a_plug_is_asked_for_while_it_cools_after_the_heat_and_not_in_a_swing(hours: float, by_mean: bool, asks: bool):
    """"It is cold now", of a box at 26.4 degC that had been heated by a new thermostat for 15 hours (attack from outside)."""
    state = AdviceState(by_itself_ms=[NOON_MS - round(hours * HOUR_MS)])
    _, events = told(situation(26.4, 78.0, 20.0, 50.0, temperature_slope_k_h=-0.8, by_mean=by_mean), state)
    assert ("heater:more" in asked(events)) is asks
    assert all("cold now" not in event.reason for event in events)


@pytest.mark.parametrize(("slope_k_h", "dries"), [(-5.0, False), (-1.0, True)])
def test_what_is_damp_because_it_cools_fast_is_not_dried(slope_k_h: float, dries: bool):
    """With its plug out it fell by 10 K an hour, and was told to open a vent and take out granules: for three days after that
    its keeper was sent to look for a leak (attack from outside)."""
    now = situation(25.0, 95.0, 20.0, 40.0, temperature_slope_k_h=slope_k_h)
    _, events = told(now, None, "humidity-high")
    assert bool(events) is dries


def test_a_second_pane_is_no_foam_that_is_made_thicker():
    """"Make the foam on the lid 30 mm instead of 5 mm", of a lid with two panes (attack from outside)."""
    double = Chamber(devices=devices(can_insulate_lid=True), lid=Lid(build="double"))
    now = situation(25.5, 88.0, 10.0, 50.0)
    _, events = consider(settings_of(double), "north", AdviceState(), now, alarms(now, double, "lid-dew"), "test")
    texts = [action.text for event in events for action in event.actions if action.change == "insulate"]
    assert texts and all(text.startswith("Lay ") for text in texts)


def mat(t: float, room_c: float, **changed) -> Situation:
    return situation(t, 80.0, room_c, 50.0, **changed)


@pytest.mark.parametrize(
    ("t", "room_c", "first"),
    [(28.4, 29.5, "Unplug"), (28.4, 25.6, "Unplug"), (28.4, 25.4, "Heater: turn it down"), (32.5, 29.5, "Unplug")],
)
def test_a_mat_that_nothing_switches_is_unplugged_in_a_room_that_needs_none(t: float, room_c: float, first: str):
    """With its room at 29 to 31 degC it was told from 3.2 to 1.5 W four times in a day and unplugged at 32 (attack from
    outside)."""
    box = Chamber(devices=devices(heater=Heater(thermostat=False)))
    now = mat(t, room_c, temperature_slope_k_h=0.4)
    state, events = consider(settings_of(box), "north", AdviceState(), now, alarms(now, box), "test")
    assert first in " ".join(action.text for action in events[-1].actions)
    assert all(("needs none" in event.reason) is (first == "Unplug") for event in events)
    still, _ = consider(settings_of(box), "north", state, later(now, 1.5, temperature_c=27.9), alarms(now, box), "test")
    assert still.open is not None and still.open.acts[0] == state.open.acts[0]  # not "turn it down" as its alarm runs out
    assert stops_lately(done(state, state.open, None, begun_at(NOON_MS, t, now))[0], NOON_MS) == 0


def test_a_silent_keepers_plug_is_asked_for_after_a_hot_room_too_and_no_more_once_the_box_is_seen_to_be_heated():
    """Its mat was back at 4.6 W, and two days of "too warm" passed without a step: its plug might be out (foreign
    simulation)."""
    box = Chamber(devices=devices(heater=Heater(thermostat=False)))

    def hears(now: Situation, state: AdviceState) -> tuple[AdviceState, list[AdviceEvent]]:
        return consider(settings_of(box), "north", state, now, alarms(now, box), "test")

    hot = mat(28.4, 29.5, temperature_slope_k_h=0.4)
    state, events = hears(hot, AdviceState())
    assert asked(events)[0] == "heater:stop"
    cold = later(mat(23.6, 18.0, temperature_slope_k_h=-1.0), 4.0)
    state, events = hears(cold, state)
    assert asked(events)[0] == "heater:more" and "If you pulled" in events[-1].actions[0].text
    state, _ = hears(later(mat(25.5, 18.0, temperature_slope_k_h=0.0), 12.0), state)
    state.left_ms.clear(), state.checked_ms.pop("warm-place")  # which is taken back first
    state, events = hears(later(mat(28.4, 18.0, temperature_slope_k_h=0.3), 20.0), state)
    assert "turn it down" in " ".join(action.text for event in events for action in event.actions)


def test_who_unplugs_a_runaway_looks_at_its_thermostat_in_the_same_visit():
    """A dial turned by 4 K was looked for an hour later, and its small box was at 17.5 degC in the night (attack from
    outside)."""
    for box, looks in ((BOX, True), (Chamber(devices=devices(heater=Heater(thermostat=False))), False)):
        hot = situation(28.9, 75.0, 20.0, 50.0, temperature_slope_k_h=4.0)
        _, events = consider(settings_of(box), "north", AdviceState(), hot, alarms(hot, box, "heater-runaway"), "test")
        assert events[-1].actions[0].text.startswith("Unplug the heater now, at the wall")
        assert ("its dial was turned" in events[-1].actions[0].text) is looks


def plug_in_told() -> tuple[AdviceState, OpenAdvice, list[DeviceChange]]:
    """Return the state after a runaway, the call to plug in again that follows, and the settings."""
    state, changes = stopped("stop-heater")
    now = situation(25.0, 80.0, 18.0, 50.0, at_ms=NOON_MS + HOUR_MS, changes=tuple(changes))
    state, events = told(now, replace(state, open=None, last=state.open))
    assert asked(events)[0] == "heater:more" and "--left-out" in events[-1].actions[0].text and state.open is not None
    return state, state.open, changes


def test_a_keeper_who_finds_it_stuck_says_so_and_is_not_sent_to_plug_it_in_again_that_day():
    """Told to plug in what did not switch off, and with no word for that, the keeper plugged it in a second evening (attack
    from outside)."""
    state, plug_in, changes = plug_in_told()
    known = remembered(state, plug_in, "w", NOON_MS + 2 * HOUR_MS, {"w"})
    left, more = done(known, plug_in, None, begun_at(NOON_MS + 2 * HOUR_MS, 24.5, None), left_out=True)
    assert [(one.knob, one.value) for one in more] == [("heater_plugged", 0.0)]
    assert "does not switch off" in booked_text(plug_in, None, left_out=True)
    cold = situation(23.4, 80.0, 20.5, 50.0, at_ms=NOON_MS + 5 * HOUR_MS, changes=(*changes, *more))
    _, events = told(cold, replace(left, open=None, last=left.open))
    assert asked(events) == ["heater:check", "room:more"] and "by a timer" in events[-1].reason
    day = replace(cold, at_ms=NOON_MS + 27 * HOUR_MS)
    _, events = told(day, replace(left, open=None, last=left.open))
    assert "only with another thermostat" in events[-1].actions[0].text
    assert taken_back(left, "w").stuck_ms is None


def test_only_a_heater_can_be_left_out():
    _, plug_in, _ = plug_in_told()
    assert why_not_left_out(plug_in, BOX, left_out=True) is None and why_not_left_out(plug_in, BOX, left_out=False) is None
    assert why_not_left_out(plug_in, Chamber(devices=devices(heater=None)), left_out=True) is not None
    assert why_not_left_out(replace(plug_in, event=Asked()), BOX, left_out=True) is not None


@pytest.mark.parametrize(("now_c", "first"), [(32.4, "Shut lid and vents again"), (31.6, "If the room feels cooler")])
def test_airing_that_has_not_cooled_a_box_is_ended_and_not_asked_for_again(now_c: float, first: str):
    """With no room probe, in a room of 34 degC: "if the room feels cooler, let its air in", three times in two days, and the
    box stood ajar at 48 %RH for six hours each (foreign simulation)."""
    aired = OpenAdvice(
        "north-1", "heat", 13, None, False, "wake", NOON_MS, NOON_MS, NOON_MS, ["heater:stop", "vent:open"], [0.0, 0.0],
        acts=["stop-heater", "air-if-cooler"], start_c=32.3,
    )
    hot = situation(32.3, 75.0, None, None, at_ms=NOON_MS)
    state, changes = done(AdviceState(counter=1, open=aired), aired, None, begun_at(NOON_MS, 32.3, hot))
    state = replace(state, open=None, last=state.open)
    now = situation(now_c, 48.0, None, None, at_ms=NOON_MS + 62 * MINUTE_MS, changes=tuple(changes), temperature_slope_k_h=0.2)
    state, _ = told(now, state)
    hotter = later(now, 1.2, temperature_c=32.6, temperature_slope_k_h=0.8)
    state, _ = told(hotter, state)
    assert state.open is not None
    texts = [action.text for action in state.open.event.actions]
    assert sum(text.startswith(("Shut lid", "If the room feels")) for text in texts) == 1
    assert any(text.startswith(first) for text in texts)


@pytest.mark.parametrize(
    ("thermostat", "slope_k_h", "first"), [(False, 30.0, "Keep the sun"), (False, 4.0, "Unplug"), (True, 30.0, "Unplug")]
)
def test_what_warms_faster_than_any_mat_that_has_been_on_for_hours_is_the_sun(thermostat, slope_k_h, first):
    """Three days running at eleven a mat of 0.7 to 17 W was called a runaway at 30 K an hour, 31 letters, and neither sun nor
    shade stood in one of them (attack from outside)."""
    box = Chamber(devices=devices(heater=Heater(watts=8.0, thermostat=thermostat, setpoint_c=25.5 if thermostat else None)))
    hot = situation(29.6, 63.0, 21.0, 50.0, temperature_slope_k_h=slope_k_h, usual_lead_k=5.0)
    stands = alarms(hot, box, "heater-runaway")
    state, events = consider(settings_of(box), "north", AdviceState(), hot, stands, "test")
    assert events[-1].actions[0].text.startswith(first)
    slower = later(hot, 0.4, temperature_c=34.0, temperature_slope_k_h=2.0)
    state, _ = consider(settings_of(box), "north", state, slower, stands, "test")
    assert state.open is not None and state.open.event.actions[0].text.startswith(first)
    assert ("the sun shines on it" in state.open.event.reason) is (first == "Keep the sun")
