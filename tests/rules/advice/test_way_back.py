"""The way back after heat and after a cold night: what was done on advice is taken back in time, as its room takes it."""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import Any

import pytest
from advice_scenes import NOON_MS, alarms, devices, later, settings_of, situation

from rules.advice.advisory import consider
from rules.advice.done import Begun, done, taken_back
from rules.advice.done import remembered as kept
from rules.advice.model import LIFT, NAMES, model_as_json, prior_model
from rules.advice.recalled import may_be_out
from rules.advice.state import AdviceState, OpenAdvice
from rules.advice.still_changed import still_changed
from rules.climate.room_ahead import RoomAhead
from rules.climate.situation import Situation
from rules.climate.thermostat import state_of
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Heater
from rules.terms.events import HOUR_MS, AdviceEvent

MAT = Chamber(devices=devices(heater=Heater(watts=5.2, thermostat=False)))
OUT = DeviceChange(NOON_MS - 8 * HOUR_MS, "heater_plugged", 0.0)
HOT_ROOM = OpenAdvice(
    "north-1", "hot-room", 15, None, False, "morning", NOON_MS, NOON_MS, NOON_MS, ["heater:stop", "room:less"], [0.0, 0.0],
    acts=["stop-heater", "cool-room"], start_c=28.2,
)


def told(now: Situation, state: AdviceState, *names: str, priority: str = "today") -> tuple[AdviceState, list[AdviceEvent]]:
    return consider(settings_of(MAT), "north", state, now, alarms(now, MAT, *names, priority=priority), "test")


def texts(events: list[AdviceEvent]) -> list[str]:
    return [action.text for event in events for action in event.actions]


def shown(lift_k: float) -> dict[str, Any]:
    """Return a fitted model that has seen what its mat gives."""
    model = prior_model(MAT)
    mean = list(model.mean)
    mean[LIFT] = log(lift_k)
    return model_as_json(replace(model, mean=mean, source="fitted", identified=dict.fromkeys(NAMES, False) | {"lift": True}))


def test_a_stop_that_is_told_anew_is_not_over_and_a_plug_that_is_told_to_be_in_is():
    """"If you pulled the heater's plug ..., nobody has said whether that was done", to who had said so twice and had put it
    back: told "today" instead of "morning", the same stop counted as over by itself (attack from outside)."""
    hot = later(situation(28.6, 80.0, 28.0, 60.0), 3.0)
    state, events = told(hot, AdviceState(counter=1, open=HOT_ROOM), "temperature-high")
    assert any(text.startswith("Unplug the heater") for text in texts(events)) and state.by_itself_ms == []
    cool = later(situation(25.0, 80.0, 22.5, 50.0, changes=(OUT,)), 12.0)
    state, events = told(cool, AdviceState(counter=1, by_itself_ms=[NOON_MS]))
    assert state.open is not None and texts(events)[0].startswith("Plug the heater in again")
    before = kept(state, state.open, "word-1", cool.at_ms, ())
    said, _ = done(before, state.open, None, Begun(cool.at_ms, 25.0))
    assert may_be_out(before, cool.at_ms + HOUR_MS) and not may_be_out(said, cool.at_ms + HOUR_MS)
    assert may_be_out(taken_back(said, "word-1"), cool.at_ms + HOUR_MS)


@pytest.mark.parametrize(
    ("t", "room_c", "ahead_k", "watts"),
    [(25.0, 24.5, 0.0, "1.3 W instead of 5.2 W"), (25.0, 24.5, -4.0, "3.9 W instead of 5.2 W"),
     (25.0, 22.0, 0.0, "2.6 W instead of 5.2 W"), (25.0, 17.0, 0.0, "with 5.2 W as before"), (25.0, 25.3, 0.0, None),
     (23.9, 25.3, 0.0, "1.3 W instead of 5.2 W")],
)  # fmt: skip
def test_a_mat_is_plugged_in_for_the_room_that_is_and_comes_and_not_for_the_hot_afternoon(t, room_c, ahead_k, watts):
    """A mat of 5.2 W that lifts its box by 7 K was to go in with 0.6, 2.1, 2.5 and 3 W within three hours, for the room had
    been at 29 degC, and 3 W left the box at 21 (attack from outside)."""
    ahead = RoomAhead((0.0, *[ahead_k] * 24), (0.5,) * 25)
    now = situation(t, 80.0, room_c, 60.0, changes=(OUT,), room_ahead=ahead)
    _, events = told(now, AdviceState(stopped_c=29.6, model=shown(7.0)))
    assert [watts in text for text in texts(events) if text.startswith("Plug")] == ([] if watts is None else [True])
    if watts is not None and "instead" in watts:
        assert "a timer that has it on for" in texts(events)[0]  # who has no dimmer


def test_a_figure_of_a_plug_is_told_anew_where_it_matters_and_the_cooled_room_is_not_lost_with_it():
    """The wake letter had lost "let the room be as warm as before", which no letter had told yet (attack from outside)."""
    state = AdviceState(stopped_c=29.6, model=shown(7.0), checked_ms={"cool-room": NOON_MS - 6 * HOUR_MS})
    now, seen = situation(25.0, 80.0, 24.5, 60.0, changes=(OUT,)), []
    for hours, t, room_c in ((0.0, 25.0, 24.5), (0.6, 24.8, 23.9), (1.2, 24.4, 23.5), (3.0, 22.5, 20.5)):
        changed = {"temperature_c": t, "room_temperature_c": room_c}
        state, events = told(later(now, hours, **changed), state)
        seen += [[action.text.split(" W")[0][-3:] for action in event.actions] for event in events if event.actions]
        assert all(event.actions[-1].text.startswith("If the room was cooled") for event in events)
        revised = state.open is not None and state.open.event.revision
    assert [row[0] for row in seen] == ["1.3", "3.9"] and revised == 2


@pytest.mark.parametrize(
    ("over_room_k", "stuck"), [(6.6, False), (7.9, False), (8.1, True)],
)  # fmt: skip
def test_a_mat_that_nothing_switches_and_that_gives_what_it_always_gave_does_not_run_away(over_room_k, stuck):
    """The room was warmed for the night and the mat turned up, as asked; at 29 degC in the morning: URGENT "unplug", an hour
    later URGENT "plug in again" (attack from outside). 7 K is its usual lead."""
    found = state_of(
        True, air_c=29.1, room_c=29.1 - over_room_k, slope_k_h=2.5, room_slope_k_h=1.0, high_c=28.0, low_c=24.0,
        lead_k=7.0, room_high_c=20.0, room_lately_c=20.0, trend_k_h=2.0,
    )  # fmt: skip
    assert (found == "stuck") is stuck


@pytest.mark.parametrize(("slope_k_h", "back"), [(2.6, True), (1.0, False), (-1.0, False)])
def test_what_warmed_a_room_for_the_night_goes_with_the_warmth_of_the_morning(slope_k_h: float, back: bool):
    """At 25.3 degC and rising by 2.8 K/h nobody said so; an hour later it was too warm (attack from outside)."""
    state = AdviceState(counter=1, checked_ms={"warm-place": NOON_MS - 10 * HOUR_MS})
    morning = situation(26.6, 78.0, 20.0, 50.0, temperature_slope_k_h=slope_k_h, usual_lead_k=7.0)
    _, events = told(morning, state)
    assert [text.startswith("If the room was warmed") for text in texts(events)] == ([True] if back else [])
    assert all(event.urgency == "today" for event in events)


def test_what_is_not_taken_back_yet_is_said_as_long_as_it_is_so():
    """"Nothing. It is back where it should be", its mat in the drawer and its room cooled (attack from outside)."""
    hot = situation(28.6, 80.0, 28.0, 60.0, temperature_slope_k_h=0.4)
    state, events = told(hot, AdviceState(), "temperature-high")
    assert any(line.startswith("If you unplugged its heater") for line in events[-1].still_changed)
    assert state.open is not None
    state, changes = done(state, state.open, None, Begun(hot.at_ms, 28.6))
    warm = later(situation(27.3, 85.0, 26.5, 60.0, changes=tuple(changes)), 1.0)
    state, events = told(warm, state)
    assert [event.status for event in events] == ["verified"]
    heater, room = events[0].still_changed
    assert heater.startswith("Its heater is unplugged: plug it in again below 26 °C") and "before a cold night" in heater
    assert room.startswith("If its room was cooled")
    state, events = told(later(replace(warm, temperature_c=25.4, room_temperature_c=22.0), 3.0), state)
    assert events and state.open is not None
    state, more = done(state, state.open, None, Begun(warm.at_ms + 4 * HOUR_MS, 25.0))
    held = later(replace(warm, temperature_c=25.6, room_temperature_c=22.0, changes=(*changes, *more)), 8.0)
    _, events = told(held, state)
    assert [[line.split(" W")[0] for line in event.still_changed] for event in events] == [["Its heater gives 2.6"]]


@pytest.mark.parametrize(("t", "room_high_c", "back"), [(25.0, 27.9, True), (25.0, 28.1, False), (23.9, 28.1, True)])
def test_in_a_heat_wave_a_cooled_room_is_not_let_warm_for_a_cool_morning(t: float, room_high_c: float, back: bool):
    """Plugged in again and let warm at 06:30, the box was at 30 degC by 08:00 (foreign simulation)."""
    state = AdviceState(stopped_c=29.6, model=shown(7.0), checked_ms={"cool-room": NOON_MS - 6 * HOUR_MS})
    _, events = told(situation(t, 80.0, 22.0, 60.0, changes=(OUT,), room_high_c=room_high_c), state)
    assert texts(events)[0].startswith("Plug the heater in again") and (len(texts(events)) == 2) is back


@pytest.mark.parametrize(
    ("act", "hours", "named"), [("wrap-box", 10, True), ("wrap-bottle", 70, True), ("wrap-box", 73, False)]
)
def test_blankets_are_named_until_they_are_old(act: str, hours: int, named: bool):
    """Eight times blankets were asked for, and no letter ever said to take them off (attack from outside)."""
    state = AdviceState(checked_ms={act: NOON_MS - hours * HOUR_MS})
    lines = still_changed(MAT, state, situation(25.6, 80.0, 21.0, 50.0))
    assert [line.startswith("If blankets") for line in lines] == ([True] if named else [])
