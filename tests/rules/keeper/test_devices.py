"""Settings as told: the config's, until the keeper says otherwise, until the config is edited."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rules.keeper.devices import CHANGES_KEPT, changed, configured, dried_ms, lid_now, present_knobs, told_knobs
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


def test_what_can_dry_a_chamber_is_known_from_what_cannot() -> None:
    """A lid that came ajar seven hours after foam was laid was not looked for a day long (foreign simulation)."""
    box = settings_of(26.0).chambers["north"]
    rows = (
        ("foam", 30.0, False), ("vents", 2.0, True), ("vents", 0.0, False), ("fan", 5.0, True), ("mister", 3.0, False),
        ("water", 1.5, False), ("water", 0.4, True), ("setpoint", 25.0, False), ("heater_plugged", 0.0, False),
        ("vents", None, False),
    )  # fmt: skip
    for knob, value, dries in rows:
        assert (dried_ms(box, [DeviceChange(7, knob, value)]) == 7) is dries, (knob, value)
    opened = [DeviceChange(7, "vents", 2.0), DeviceChange(9, "vents", 1.0), DeviceChange(10, "foam", 20.0)]
    assert dried_ms(box, opened) == 7  # shut a little since
    assert dried_ms(box, [*opened, DeviceChange(12, "mister", 4.0), DeviceChange(15, "mister", 2.0)]) == 15
    assert dried_ms(box, [DeviceChange(7, "mister", 4.0), DeviceChange(9, "mister", None)]) == 9  # as the config says again
    assert dried_ms(box, []) is None
