"""A thermostat that swings past one edge of its band and has room at the other is turned, once, and by what it takes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from advice_scenes import NOON_MS, alarms, devices, later, settings_of, situation

from rules.advice.advisory import consider
from rules.advice.done import begun_at, done
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS, AdviceEvent

BOX = Chamber(devices=devices(setpoint_c=25.5))
"""Its band is 24 to 28 degC."""


def swings(trough_c: float, peak_c: float, **more: Any) -> Situation:
    mean_c = (trough_c + peak_c) / 2.0
    return situation(
        mean_c, 74.0, 20.0, 50.0, usual_c=mean_c, usual_trough_c=trough_c, usual_peak_c=peak_c, usual_range_k=peak_c - trough_c,
        **more,
    )  # fmt: skip


def told(now: Situation, state: AdviceState | None = None, chamber: Chamber = BOX) -> tuple[AdviceState, list[AdviceEvent]]:
    stands = {key: replace(row, priority="morning") for key, row in alarms(now, chamber, "temperature-swings").items()}
    return consider(settings_of(chamber), "north", state or AdviceState(), now, stands, "test")


@pytest.mark.parametrize(
    ("trough_c", "peak_c", "text"),
    [
        (23.2, 25.8, "up from 25.5 to 27 °C"),  # .8 K out, half a kelvin to spare
        (25.4, 29.5, "down from 25.5 to 24 °C"),  # 1.5 K out; no further than to the middle: 1.45 K
        (25.8, 28.0, "down from 25.5 to 25 °C"),  # at the very edge by a probe that lags
        (23.5, 27.9, None),  # as wide as its band: a quarter of a kelvin is no turn
        (24.1, 27.9, None), (25.9, 27.9, None),
    ],
)
def test_it_is_turned_by_what_brings_its_swing_into_the_band(trough_c: float, peak_c: float, text: str | None):
    """A box at 23.3 to 26 degC for six days, a third of them below its band, and one at 25.4 to 29.5: their means were right,
    and nobody was told to turn the dial (foreign simulations)."""
    state, events = told(swings(trough_c, peak_c))
    texts = [action.text for event in events for action in event.actions]
    assert len(texts) == (text is not None) and all(str(text) in one for one in texts), texts
    if text:
        assert state.open is not None and (state.open.branch, events[0].urgency) == ("centre", "morning")


@pytest.mark.parametrize(("dial_c", "turned_c"), [(25.5, 27.0), (None, None)])
def test_it_is_told_once_and_then_has_a_day_to_show_what_it_does(dial_c: float | None, turned_c: float | None):
    """A dial without figures was asked for again three hours after it had been turned (foreign simulation)."""
    now, box = swings(23.2, 25.8), Chamber(devices=devices(setpoint_c=dial_c))
    state, _ = told(now, None, box)
    assert state.open is not None
    state, changes = done(state, state.open, None, begun_at(now.at_ms + HOUR_MS, 24.5, now))
    assert [(one.knob, one.value) for one in changes] == [("setpoint", turned_c)]
    for hours, asks in ((3.0, False), (13.0, False), (23.0, False), (26.0, True)):
        state, events = told(later(now, hours, changes=tuple(changes)), state, box)
        assert any(event.actions for event in events) is asks, hours


def test_a_dial_without_figures_is_turned_by_as_much():
    box = Chamber(devices=devices(setpoint_c=None))
    _, events = told(swings(23.2, 25.8), None, box)
    (action,) = events[0].actions
    assert (action.device, action.change, action.amount, action.unit) == ("heater", "more", 1.5, "K")
    assert "up by 1.5 K: it goes from 23.2 to 25.8 °C" in action.text


@pytest.mark.parametrize("more", [
    {"usual_trough_c": None}, {"usual_peak_c": None},
    {"changes": (DeviceChange(NOON_MS - DAY_MS // 2, "setpoint", 25.5),)},
])  # fmt: skip
def test_nothing_is_turned_of_which_no_whole_day_is_known_or_that_does_not_heat(more: dict[str, Any]):
    assert told(swings(23.2, 25.8))[1] and not told(replace(swings(23.2, 25.8), **more))[1]
