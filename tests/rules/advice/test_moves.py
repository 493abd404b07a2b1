"""What a keeper may be asked to set, device by device, worked by hand; steps, doses and bounds are common practice, no source,
unless it is said otherwise beside them."""

from __future__ import annotations

import re

import pytest
from advice_scenes import alarms, devices, situation

from rules.advice.cause import reason_of
from rules.advice.devices import moves_for
from rules.keeper.devices import present_knobs
from rules.settings import Chamber, Fan, Heater, Mister, Vents
from rules.trade.practice import Step

GOOD, DRY, HUMID = situation(25.5, 80.0, 21.0, 50.0), situation(26.0, 62.0, 21.0, 30.0), situation(26.0, 95.0, 24.0, 85.0)
COOL, HOT = situation(22.0, 92.0, 21.0, 60.0), situation(29.0, 75.0, 22.0, 50.0)


def box(air_ml: float = 8000.0, **changed) -> Chamber:
    return Chamber(air_ml=air_ml, devices=devices(**changed))


def mat(watts: float) -> Chamber:
    return box(heater=Heater(watts=watts, thermostat=False))


def sprayer(ml: float, press: float | None, most: float = 6.0) -> Chamber:
    return box(mister=Mister(ml_per_day=ml, ml_per_press=press, max_ml_per_day=most))


# Step, chamber, situation, knobs that were told, the settings that may be asked for, their unit, what the last one reads like.
TWELVE = box(vents=Vents(count=12, open=5))
MOVES = [
    ("open-vents", TWELVE, GOOD, {}, [6, 7, 8, 9], "openings", "Open 4 vents (9 of 12 then open)"),  # four at once at most
    ("open-vents", box(vents=Vents(count=2, open=1)), GOOD, {}, [2], "openings", "Open 1 vent (2 of 2 then open)"),
    ("open-vents", box(vents=Vents(count=0)), GOOD, {}, [], "", ""),
    ("close-vents", TWELVE, GOOD, {}, [4, 3, 2, 1], "openings", "Close 4 vents (1 of 12 then open)"),
    ("close-vents", TWELVE, GOOD, {"vents": 1}, [0], "openings",
        "Close 1 vent (0 of 12 then open); leave a pinhole: the box must breathe"),
    ("fan-more", box(fan=Fan(minutes_per_hour=2)), HUMID, {}, [2.5, 3, 4, 7, 12], "min/h",
        "Run the fan 12 min per hour instead of 2"),
    ("fan-more", box(fan=Fan(minutes_per_hour=58)), HUMID, {}, [58.5, 59, 60], "min/h",
        "Run the fan 60 min per hour instead of 58"),  # an hour has no more
    ("fan-less", box(fan=Fan(minutes_per_hour=8)), GOOD, {}, [6, 4, 2, 0], "min/h", "Switch the fan off"),
    # One press more, two, four, ... as far as the keeper allows; whole presses upwards, so that what is asked for is enough.
    ("mist-more", sprayer(1.0, 0.5), DRY, {}, [1.5, 2, 3, 5], "ml/d",
        "Mist the walls, never the garden, with 10 presses a day (5 ml) instead of 2 presses a day (1 ml)"),
    ("mist-more", sprayer(0.25, 0.3), DRY, {}, [0.9, 1.5, 2.4, 4.5], "ml/d",
        "Mist the walls, never the garden, with 15 presses a day (4.5 ml) instead of 0.25 ml a day"),
    ("mist-more", sprayer(5.0, None), DRY, {}, [5.5, 6], "ml/d",
        "Mist the walls, never the garden, with 6 ml a day instead of 5 ml a day"),
    # Three quarters, half, a quarter, none; less than a dose a day is a dose every 2, 3, 4 or 7 days.
    ("mist-less", sprayer(5.0, None), DRY, {}, [3.5, 2.5, 1, 0], "ml/d", "Stop misting"),
    ("mist-less", sprayer(1.0, 0.5, 0.5), DRY, {}, [0.5, 0.25, 0], "ml/d", "Stop misting"),  # too much is lowered as well
    ("mist-less", sprayer(0.25, 0.3), DRY, {}, [0.15, 0.075, 0], "ml/d", "Stop misting"),
    ("mist-less", sprayer(0.25, None), DRY, {}, [0.167, 0.125, 0.071, 0], "ml/d", "Stop misting"),
    ("mist-less", box(mister=None), DRY, {}, [], "", ""),
    ("insulate-lid", box(), GOOD, {}, [10, 20, 30], "mm", "Lay 30 mm of foam on the lid, vents left free"),
    ("insulate-lid", box(), GOOD, {"foam": 10.0}, [20, 30], "mm",
        "Make the foam on the lid 30 mm instead of 10 mm, vents left free"),
    ("wet-less", box(), GOOD, {}, [0.7], "%", "Take out about a third of the wet granules, or let that share dry"),
    ("wet-less", box(), GOOD, {"water": 0.41}, [0.287], "%", "Take out about a third of the wet granules, or let that .*"),
    ("wet-less", box(), GOOD, {"water": 0.4}, [], "", ""),  # the last of the water stays
    # Without thermostat: tenths of its watts, in steps that a dimmer has, down to none.
    ("heat-down", mat(15.0), HOT, {}, [14, 12, 10, 9, 8, 6], "W", "Heater: turn it down from 15 to 6 W .*a smaller mat.*"),
    ("heat-down", mat(7.0), HOT, {}, [6.5, 5.5, 5, 4, 3.5, 3], "W", "Heater: turn it down from 7 to 3 W .*"),
    ("heat-down", mat(1.5), HOT, {}, [1.4, 1.2, 1, 0.9, 0.8, 0.6], "W", "Heater: turn it down from 1.5 to 0.6 W .*"),
    ("heat-down", mat(15.0), HOT, {"watts": 9.0}, [8, 6, 4, 3, 2, 0], "W", "Heater: switch it off .*"),
    # With one: half degrees; one that holds the box below its band is turned up to the aim at one go, 25.5 degC.
    ("heat-up", box(setpoint_c=23.0), COOL, {}, [23.5, 24, 24.5, 25, 25.5], "K",
        "Turn the heater's thermostat up from 23 to 25.5 °C"),
    ("heat-down", box(setpoint_c=27.8), situation(27.8, 95.0, 18.0, 40.0), {}, [25.5], "K",
        "Turn the heater's thermostat down from 27.8 to 25.5 °C"),  # for a wet lid to the aim in one step, and no further
    ("heat-down", box(setpoint_c=None), HOT, {}, [25.5] * 8, "K",
        "Turn the heater's thermostat down by 4 K, or to 25.5 °C if its dial shows figures"),
]  # fmt: skip


@pytest.mark.parametrize(("act", "chamber", "now", "told", "settings", "unit", "last"), MOVES)
def test_what_may_be_asked_of_a_device_is_what_a_hand_can_set(act, chamber, now, told, settings, unit, last):
    knobs = {**present_knobs(chamber, ()), **told}
    moves = moves_for(Step(act), chamber, reason_of(chamber, now, alarms(now, chamber), knobs), knobs)
    assert [move.value for move in moves] == pytest.approx(settings, abs=5e-4)
    assert all(move.unit == unit for move in moves)
    efforts = [move.effort for move in moves]
    assert efforts == sorted(efforts) and len(set(efforts)) == len(efforts)  # who is asked for more has more to do
    if moves:
        assert last in moves[-1].text or re.fullmatch(last, moves[-1].text)
        knob = {"W": "watts", "K": "setpoint"}.get(unit, moves[0].knob)
        before = knobs.get(knob)
        for move in moves if before is not None else ():
            assert move.delta == pytest.approx(move.value - before, abs=0.01)
            assert move.amount == pytest.approx(30.0 if unit == "%" else abs(move.delta), abs=0.01)


@pytest.mark.parametrize(("air_ml", "ml"), [(200.0, 1), (8_000.0, 9), (10_000.0, 10), (80_000.0, 40)])
def test_water_goes_by_the_floor_that_it_wets_and_a_thirsty_box_may_be_given_four_times_as_much(air_ml, ml):
    """10 ml for 10 l, and by the area of similar boxes: eight times the air has four times the floor (geometry)."""
    chamber = box(air_ml)
    knobs = present_knobs(chamber, ())
    for now, given in ((GOOD, [ml]), (DRY, [ml, 2 * ml, 4 * ml])):
        moves = moves_for(Step("water"), chamber, reason_of(chamber, now, alarms(now, chamber), knobs), knobs)
        assert [move.amount for move in moves] == given
        assert all(f"with {move.amount:g} ml, away from the garden" in move.text for move in moves)
        assert [move.value for move in moves] == sorted(move.value for move in moves) and moves[0].value > 1.0


@pytest.mark.parametrize(("ml", "press", "says"), [
    (0.25, None, "0.5 ml every 2 days"), (0.5, None, "0.5 ml a day"), (0.25, 0.5, "1 press every 2 days (0.5 ml)"),
    (0.1, 0.7, "1 press every 7 days (0.7 ml)"), (0.5, 0.5, "1 press a day (0.5 ml)"),
    (1.05, 0.35, "3 presses a day (1.05 ml)"),
    (0.4, 0.3, "0.4 ml a day"),  # no whole presses
])
def test_what_is_misted_now_is_said_as_it_is_given(ml, press, says):
    chamber = sprayer(ml, press)
    knobs = present_knobs(chamber, ())
    move = moves_for(Step("mist-more"), chamber, reason_of(chamber, DRY, alarms(DRY, chamber), knobs), knobs)[0]
    assert move.text.endswith(f" instead of {says}")


# 0.75 W/K at 8 l and by the surface of similar boxes (own estimate): 8 l 1.33 K a watt, 216 l nine times the surface, 0.15 K.
@pytest.mark.parametrize(("air_ml", "watts", "lift_k_w"), [(1e3, 1.5, 5.33), (8e3, 7.0, 1.33), (216e3, 63.0, 0.148)])
@pytest.mark.parametrize("limit_k", [0.5, 1.0])
def test_a_limit_in_kelvins_is_no_limit_in_watts(air_ml: float, watts: float, lift_k_w: float, limit_k: float):
    """A mat of 63 W could not be turned by less than 6 W, and by more than 1 W it might not be turned in a cold box."""
    chamber = box(air_ml, heater=Heater(watts=2.0 * watts, thermostat=False))
    cold = situation(22.0, 92.0, 16.0, 50.0)  # 3.5 K to the aim of 25.5 degC
    knobs = {**present_knobs(chamber, ()), "watts": watts, "foam": 20.0}
    cause = reason_of(chamber, cold, alarms(cold, chamber), knobs, heater_sound=True)
    moves = moves_for(Step("heat-up", at_most=limit_k), chamber, cause, knobs)
    assert moves
    for move in moves:
        assert move.lifts_k == pytest.approx(move.delta * lift_k_w, rel=0.01)
        assert move.lifts_k <= 3.5 + 1e-6
    assert moves[-1].lifts_k >= 1.0  # and it gets somewhere


def test_down_a_limit_in_kelvins_holds_for_watts_as_well():
    chamber = box(216_000.0, heater=Heater(watts=63.0, thermostat=False))
    warm = situation(27.0, 85.0, 20.0, 50.0)
    knobs = present_knobs(chamber, ())
    moves = moves_for(Step("heat-down", at_most=1.0), chamber, reason_of(chamber, warm, alarms(warm, chamber), knobs), knobs)
    assert [move.delta for move in moves] == [-6.0]  # 0.9 K; a tenth more would be 1.9 K
