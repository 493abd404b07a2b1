"""How the devices and the lid are set now: as the config says, unless the keeper has since said to have changed it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from rules.keeper.state import DeviceChange, KeeperState
from rules.settings import Chamber, Lid, Settings

CHANGES_KEPT = 500  # bookkeeping
FOAM_BUILD_MM = 10.0  # own estimate: what "insulated" means where no thickness is written


def present_knobs(chamber: Chamber, changes: Iterable[DeviceChange]) -> dict[str, float]:
    """Return the devices' settings now: the config's, unless the keeper has since said to have changed one."""
    devices, knobs = chamber.devices, {"vents": float(chamber.devices.vents.open), "foam": foam_of(chamber), "water": 1.0}
    if devices.heater is not None:
        knobs["watts"] = devices.heater.watts
        if devices.heater.setpoint_c is not None:
            knobs["setpoint"] = devices.heater.setpoint_c
    if devices.fan is not None:
        knobs["fan"] = devices.fan.minutes_per_hour
    if devices.mister is not None:
        knobs["mister"] = devices.mister.ml_per_day
    return knobs | told_knobs(changes)


def foam_of(chamber: Chamber) -> float:
    """Return the lid's insulation as mm of foam; a second pane counts as 5 mm (air gap 0.16 m2K/W)."""
    lid = chamber.lid
    if lid.build == "insulated":
        return max(lid.insulation_mm, FOAM_BUILD_MM)
    return lid.insulation_mm + (5.0 if lid.build == "double" else 0.0)


def told_knobs(changes: Iterable[DeviceChange]) -> dict[str, float]:
    """Return the settings that the keeper told and that hold still, by knob."""
    latest = {change.knob: change.value for change in changes}
    return {knob: value for knob, value in latest.items() if value is not None}


DRIES = {"vents": 1.0, "fan": 1.0, "mister": -1.0, "water": -1.0}
"""The knobs whose change dries a chamber, and which way; what less heat takes from its air goes with its temperature."""


def dried_ms(chamber: Chamber, changes: Iterable[DeviceChange]) -> int | None:
    """Return when the keeper last changed what dries the chamber: foam, heat, and vents that were shut are none of it."""
    return _turned_ms(chamber, changes, 1.0)


def damped_ms(chamber: Chamber, changes: Iterable[DeviceChange]) -> int | None:
    """Return when the keeper last made the chamber damper: by water, mist, or vents that were shut."""
    return _turned_ms(chamber, changes, -1.0)


def _turned_ms(chamber: Chamber, changes: Iterable[DeviceChange], way: float) -> int | None:
    own, last_ms = present_knobs(chamber, ()), None
    knobs = dict(own)
    for change in sorted(changes, key=lambda one: one.at_ms):
        before, dries = knobs.get(change.knob, 0.0), DRIES.get(change.knob, 0.0)
        value = own.get(change.knob, 0.0) if change.value is None else change.value
        last_ms = change.at_ms if way * dries * (value - before) > 0.0 else last_ms
        knobs[change.knob] = value
    return last_ms


def foam_since_ms(changes: Iterable[DeviceChange]) -> int | None:
    """Return when the keeper last said to have laid foam on the lid, or taken it off; None: never."""
    return max((change.at_ms for change in changes if change.knob == "foam"), default=None)


def heater_since_ms(changes: Iterable[DeviceChange]) -> int | None:
    """Return when the keeper last said to have changed the heater; None: never."""
    return max((change.at_ms for change in changes if change.knob in ("setpoint", "watts", "heater_plugged")), default=None)


def turns_of_power(chamber: Chamber, changes: Iterable[DeviceChange], since_ms: int) -> list[float]:
    """Return by how many watts a heater was turned up or down each time since then, in order of time."""
    own, turns = present_knobs(chamber, ()).get("watts", 0.0), list[float]()
    watts = own
    for change in (one for one in changes if one.knob == "watts"):
        value = own if change.value is None else change.value
        turns += [value - watts] if value != watts and change.at_ms > since_ms else []
        watts = value
    return turns


def lid_now(state: KeeperState, name: str, chamber: Chamber) -> Lid:
    """Return the lid after what the keeper said to have done: its temperature must be estimated with the foam it has now."""
    foam_mm = told_knobs(state.devices.get(name, ())).get("foam")
    if foam_mm is None:
        return chamber.lid
    return chamber.lid.model_copy(update={"build": "insulated", "insulation_mm": foam_mm, "temperature_factor": None})


def changed(state: KeeperState, name: str, changes: Sequence[DeviceChange]) -> KeeperState:
    """Return the state after changes of a chamber's settings; of too many, the oldest go that hold no more."""
    every = sorted([*state.devices.get(name, ()), *changes], key=lambda change: change.at_ms)
    latest = {change.knob: place for place, change in enumerate(every)}
    first = len(every) - CHANGES_KEPT
    kept = [change for place, change in enumerate(every) if place >= first or latest[change.knob] == place]
    return replace(state, devices=state.devices | {name: kept}) if changes else state


def without(state: KeeperState, word_id: str) -> KeeperState:
    """Return the state without the changes of settings that one word told: what was told before them holds again."""
    kept = {name: [one for one in changes if one.word_id != word_id] for name, changes in state.devices.items()}
    return replace(state, devices=kept)


def configured(settings: Settings, state: KeeperState, at_ms: int) -> KeeperState:
    """Return the state under an edited config: what is edited there overrides what was told before, what is gone is over."""
    now = {name: present_knobs(chamber, ()) for name, chamber in settings.chambers.items()}
    for name, before in state.configured.items():
        told = told_knobs(state.devices.get(name, ()))
        edited = [knob for knob in told if name in now and now[name].get(knob) != before.get(knob)]
        state = changed(state, name, [DeviceChange(at_ms, knob, None) for knob in edited])
    return replace(
        state, configured=now, devices={name: changes for name, changes in state.devices.items() if name in now},
        visits={name: entry for name, entry in state.visits.items() if name in now},
        out_of_service={probe: entry for probe, entry in state.out_of_service.items() if probe in settings.probes},
    )
