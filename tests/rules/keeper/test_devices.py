"""Settings as told: the config's, until the keeper says otherwise, until the config is edited."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rules.keeper.devices import CHANGES_KEPT, changed, configured, lid_now, present_knobs, told_knobs
from rules.keeper.state import DeviceChange, KeeperState
from rules.settings import Chamber, Settings, Site, Telling


def settings_of(setpoint_c: float) -> Settings:
    chamber = Chamber(devices={"heater": {"watts": 8.0, "thermostat": True, "setpoint_c": setpoint_c}})
    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={}, chambers={"north": chamber}, probes={}, telling=Telling()
    )  # fmt: skip


def test_an_edit_of_the_config_wins_over_what_was_told_before_and_only_for_what_was_edited() -> None:
    state = configured(settings_of(29.0), KeeperState(), 1)
    state = changed(state, "north", [DeviceChange(2, "setpoint", 26.0), DeviceChange(2, "vents", 1.0)])
    assert configured(settings_of(29.0), state, 3).devices == state.devices
    edited = configured(settings_of(24.0), state, 4)
    assert told_knobs(edited.devices["north"]) == {"vents": 1.0}
    assert present_knobs(settings_of(24.0).chambers["north"], edited.devices["north"])["setpoint"] == 24.0


def test_a_setting_that_still_holds_is_never_forgotten_for_the_many_that_came_after_it() -> None:
    state = changed(KeeperState(), "north", [DeviceChange(0, "foam", 12.0)])
    for number in range(2 * CHANGES_KEPT):
        state = changed(state, "north", [DeviceChange(number, "mister", float(number))])
    assert len(state.devices["north"]) <= CHANGES_KEPT + 2
    assert told_knobs(state.devices["north"]) == {"foam": 12.0, "mister": 2 * CHANGES_KEPT - 1.0}
    assert lid_now(state, "north", Chamber()).insulation_mm == 12.0
