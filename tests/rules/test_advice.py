from __future__ import annotations

import pytest
from advice_scenes import alarms, devices, later, situation, watch_of
from pydantic import TypeAdapter

from rules.advice import AdviceState, consider, hear
from rules.events import AdviceEvent, Priority
from rules.settings import Chamber
from rules.situation import Situation
from rules.words import AdviceDone

STATE = TypeAdapter(AdviceState)


def advise(now: Situation, chamber: Chamber, state: AdviceState | None = None, *names: str, priority: Priority = "today"):
    return consider(watch_of(chamber), "north", state or AdviceState(), now, alarms(now, chamber, *names,
        priority=priority), "test")


def given(now: Situation, chamber: Chamber, *names: str) -> AdviceEvent:
    _, events = advise(now, chamber, None, *names)
    assert [event.status for event in events] == ["given"]
    return events[0]


def acts(event: AdviceEvent) -> list[str]:
    return [f"{action.device} {action.change}" for action in event.actions]


# Cell, T, RH, room T, room RH, what must come, what must never come; husbandry decision table, common practice, no source.
CELLS = [
    (1, 22.0, 62.0, 20.0, 30.0, "fan less", ("fan more", "vent open", "heater more")),
    (2, 22.0, 62.0, 8.0, 60.0, "probe check", ("fan more", "vent open", "water more")),
    (3, 22.0, 75.0, 17.0, 50.0, "heater more", ("fan more", "vent open")),
    (4, 22.0, 80.0, 15.0, 50.0, "lid insulate", ("fan more", "vent open", "mister more")),
    (5, 22.0, 92.0, 21.0, 60.0, "heater more", ("fan more", "vent open", "mister more")),
    (6, 22.0, 92.0, 16.0, 50.0, "lid insulate", ("fan more", "vent open", "mister more")),
    (7, 26.0, 62.0, 21.0, 30.0, "water more", ("fan more", "vent open", "heater more")),
    (8, 26.0, 67.0, 12.0, 40.0, "lid insulate", ("fan more", "vent open", "mister more")),
    (10, 26.0, 84.0, 18.0, 40.0, "lid insulate", ("heater more", "mister more")),
    (11, 26.0, 95.0, 25.5, 60.0, "mister less", ("heater more", "mister more")),
    (12, 26.0, 95.0, 20.0, 50.0, "lid insulate", ("heater more", "mister more")),
    (13, 29.0, 60.0, 21.0, 40.0, "heater less", ("mister more", "lid insulate", "vent close")),
    (14, 29.0, 66.0, 15.0, 40.0, "probe move", ("mister more", "lid insulate", "heater more")),
    (15, 29.0, 75.0, 22.0, 50.0, "heater less", ("mister more", "lid insulate", "heater more")),
    (16, 29.0, 85.0, 21.0, 50.0, "heater less", ("mister more", "lid insulate", "heater more")),
    (17, 29.0, 92.0, 28.6, 60.0, "mister less", ("mister more", "lid insulate", "heater more", "fan more")),
    (18, 29.0, 95.0, 20.0, 50.0, "heater less", ("mister more", "lid insulate", "heater more")),
]


@pytest.mark.parametrize(("cell", "t", "rh", "room", "room_rh", "must", "never"), CELLS)
def test_each_cell_of_the_decision_table_gives_its_advice_and_none_of_its_nevers(cell, t, rh, room, room_rh, must, never):
    chamber = Chamber(devices=devices(setpoint_c=t))
    state, events = advise(situation(t, rh, room, room_rh), chamber)
    assert state.open is not None and state.open.cell == cell
    assert must in acts(events[0])
    assert not set(never) & set(acts(events[0]))
    assert len(events[0].actions) <= 2 and events[0].reason and events[0].headline


def test_a_good_chamber_is_left_in_peace():
    chamber = Chamber(devices=devices())
    state, events = advise(situation(25.5, 80.0, 23.0, 50.0), chamber)
    assert events == [] and state.open is None


def test_the_same_advice_is_told_once_and_small_drifts_are_no_news():
    chamber = Chamber(devices=devices(setpoint_c=29.0))
    now = situation(29.0, 60.0, 21.0, 40.0)
    state, _ = advise(now, chamber)
    for step in range(1, 30):
        drift = 0.1 if step % 2 else -0.1
        state, events = advise(later(now, step / 6, temperature_c=29.0 + drift), chamber, state)
        assert events == []


def test_the_state_goes_to_json_and_back_unchanged():
    chamber = Chamber(devices=devices(setpoint_c=29.0))
    state, events = advise(situation(29.0, 60.0, 21.0, 40.0), chamber)
    state, _ = hear(watch_of(chamber), "north", state, done(events[0], 2.0), situation(29.0, 60.0), "test")
    assert STATE.validate_json(STATE.dump_json(state)) == state


def done(event: AdviceEvent, amount: float | None = None) -> AdviceDone:
    return AdviceDone(taken_ms=1, word_id="w1", advisory=event.advisory, amount=amount)
