from __future__ import annotations

import pytest
from advice_scenes import alarms, devices, settings_of, situation

from rules.advice.advisory import AdviceState, consider
from rules.settings import Chamber, Heater, Vents


def told(now, chamber, *names):
    return consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber, *names), "test")[1][0]


def test_the_worked_example_reads_as_a_keeper_would_say_it():
    # 29 degC, 60 %RH: RH* 74 % at 25.5 degC (worked by hand)
    event = told(situation(29.0, 60.0, 21.0, 40.0), Chamber(devices=devices(setpoint_c=29.0)))
    assert event.headline in {f"Turn the heater's thermostat down from 29 to {aim} °C" for aim in ("25", "25.5", "26")}
    assert "It is 29.0 °C and 60 %RH" in event.reason
    assert "Dry only because it is hot." in event.reason
    assert "would be 74 %RH at 25.5 °C" in event.reason
    assert any("Do not mist" in never for never in event.never)


def test_where_the_devices_cannot_do_it_the_structural_change_is_named():
    chamber = Chamber(devices=devices(setpoint_c=26.0, vents=Vents(count=0), fan=None, can_insulate_lid=False))
    event = told(situation(22.0, 76.0, 12.0, 50.0), chamber)
    assert "cannot repair this: it stays too cool" in event.reason and "a warmer room" in event.reason


def test_devices_that_repair_what_does_most_harm_are_not_said_to_repair_nothing():
    """Beside the heat that brought it into its band the letter said that the devices cannot repair it: the air stays humid."""
    heater = Heater(watts=5.0, thermostat=False)
    chamber = Chamber(air_ml=4500, devices=devices(heater=heater, vents=Vents(count=0), fan=None, can_insulate_lid=False))
    event = told(situation(23.2, 95.0, 19.0, 50.0), chamber)
    assert ("heater", "more") in {(action.device, action.change) for action in event.actions}
    assert not event.beyond_devices and "This is a first step: by itself it stays very humid" in event.reason


def test_summer_air_is_said_to_be_unable_to_dry():
    event = told(situation(26.0, 96.0, 24.0, 97.0), Chamber(devices=devices()))
    assert event.case == "C4" and "venting cannot dry it" in event.reason.lower()
    assert not {("vent", "open"), ("fan", "more")} & {(action.device, action.change) for action in event.actions}


@pytest.mark.parametrize(("t", "rh", "room", "room_rh"), [(22.0, 62.0, 20.0, 30.0), (26.0, 95.0, 20.0, 50.0), (29.0, 85.0,
    21.0, 50.0)])
def test_a_reason_is_a_handful_of_sentences_without_a_contradiction_to_its_actions(t, rh, room, room_rh):
    event = told(situation(t, rh, room, room_rh), Chamber(devices=devices(setpoint_c=t)))
    assert 3 <= event.reason.count(". ") + 1 <= 6
    if any((action.device, action.change) == ("heater", "more") for action in event.actions):
        assert not any("not heat" in never for never in event.never)


def test_foam_goes_with_the_barrier_and_with_keeping_the_heater_clear():
    event = told(situation(26.0, 84.0, 18.0, 40.0), Chamber(devices=devices()))
    assert any("barrier" in text for text in event.cautions) and any("off the heater" in text for text in event.cautions)
