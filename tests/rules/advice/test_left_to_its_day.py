"""A mat that nothing switches, in a room with noons and nights: what a turn gives in the morning is too much at noon."""

from __future__ import annotations

import pytest
from advice_scenes import NOON_MS, alarms, devices, later, settings_of, situation

from rules.advice.advisory import AdviceState, consider
from rules.climate.room_ahead import RoomAhead
from rules.climate.situation import Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Heater, Vents
from rules.terms.events import HOUR_MS, AdviceEvent

# 1.7 l, 2 W lift it by 6.3 K: 24.2 degC at night and 28.3 at noon, in a room of 18 to 22 degC (recorded box)
BOX = Chamber(air_ml=1700, devices=devices(heater=Heater(watts=2.0, thermostat=False), vents=Vents(count=0), fan=None))
FALLS = RoomAhead((0.0, *(-3.5 for _ in range(23)), 0.0), (0.5,) * 25)
RISES = RoomAhead((0.0, *(3.5 for _ in range(23)), 0.0), (0.5,) * 25)


BARE = Chamber(air_ml=1700, devices=BOX.devices.model_copy(update={"can_insulate_lid": False}))
WRAPPED = AdviceState(checked_ms={"wrap-box": NOON_MS - 2 * HOUR_MS, "check-heater": NOON_MS - 2 * HOUR_MS})


def told(now: Situation, box: Chamber = BOX, state: AdviceState | None = None) -> list[AdviceEvent]:
    return consider(settings_of(box), "north", state or AdviceState(), now, alarms(now, box), "test")[1]


def asked(events: list[AdviceEvent]) -> set[str]:
    return {f"{action.device}:{action.change}" for event in events for action in event.actions}


def turned(*watts: float, apart_h: float = 16.0) -> tuple[DeviceChange, ...]:
    first = NOON_MS - round(len(watts) * apart_h * HOUR_MS)
    return tuple(DeviceChange(first + round(i * apart_h * HOUR_MS), "watts", each) for i, each in enumerate(watts))


@pytest.mark.parametrize("changes", [(), turned(1.5), turned(1.5, 2.0, apart_h=40.0), turned(1.5, 2.0)])
def test_a_mat_that_was_turned_down_at_noon_and_up_in_the_morning_is_not_turned_for_the_next_noon(changes):
    """Each noon it was turned down and each morning up, for a week: 30 letters, .61 of the time in its band and .88 of it where
    nothing was done (attack from outside)."""
    noon = situation(28.6, 80.0, 22.0, 45.0, changes=changes, room_ahead=FALLS)
    to_and_fro = changes == turned(1.5, 2.0)
    assert ("heater:less" in asked(told(noon))) is not to_and_fro
    near_harm = later(noon, 0.0, temperature_c=29.4)
    assert "heater:less" in asked(told(near_harm))
    stays = later(noon, 0.0, room_ahead=RoomAhead((0.0,) * 25, (0.5,) * 25))  # no night brings it back
    assert "heater:less" in asked(told(stays))


def test_nor_for_the_next_morning_and_its_room_is_not_warmed_instead():
    morning = situation(23.4, 80.0, 18.0, 45.0, 0.9, changes=turned(2.2, 1.6), room_ahead=RISES)
    assert asked(told(morning, BARE, WRAPPED)).isdisjoint({"heater:more", "room:more"})
    near_harm = later(morning, 0.0, temperature_c=21.0)
    assert not asked(told(near_harm, BARE, WRAPPED)).isdisjoint({"heater:more", "room:more"})


def test_before_a_day_of_its_room_is_known_it_is_turned_down_once_by_what_it_is_too_warm():
    """Two hours after it was first watched it was turned from 2 to 1 W at 28.3 degC, and was at 22 next morning (attack from
    outside)."""
    first = situation(28.3, 80.0, 22.0, 45.0)
    down = [action for event in told(first) for action in event.actions if action.device == "heater"]
    assert [action.amount for action in down] and all((action.amount or 0.0) <= 0.5 for action in down)
    for t in (28.3, 27.8):  # its alarm stands until it is well inside
        now = later(first, 0.0, temperature_c=t, changes=turned(1.5, apart_h=2.0))
        said = consider(settings_of(BOX), "north", AdviceState(), now, alarms(now, BOX, "temperature-high"), "test")[1]
        assert "heater:less" not in asked(said)


def test_where_a_turn_of_its_power_will_do_the_room_is_not_warmed_on_top_of_it():
    """"Turn it up from 1.5 to 2 W, warm the room" brought it from 23 to 28.5 degC within three hours (attack from outside)."""
    morning = situation(23.2, 80.0, 18.0, 45.0, 0.9, changes=turned(1.6), room_ahead=RISES)
    found = asked(told(morning, BARE, WRAPPED))
    assert "heater:more" in found and "room:more" not in found
