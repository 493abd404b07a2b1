"""Twenty kinds of trouble that befall a chamber at a random time, what cures each, and a calm week for comparison."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from yard_air import Array, saturation_g_m3
from yard_box import Box
from yard_chambers import MINUTES, Kept
from yard_devices import Controls, Fault
from yard_probes import Probe
from yard_rooms import Course, sun_patch

Act = str
"""What a keeper does, as device:change, such as "heater:check"."""


@dataclass(frozen=True)
class Kind:
    """One kind of trouble."""

    name: str
    cures: frozenset[Act] = frozenset()
    cured_after_min: int = 0
    """How long the repair takes once the keeper has looked: a new mat must come by post."""


def _kinds(*rows: tuple[str, str, int]) -> tuple[Kind, ...]:
    return tuple(Kind(name, frozenset(cures.split()), delay) for name, cures, delay in rows)


CALM = Kind("calm")
KINDS = _kinds(
    ("mat-unplugged", "heater:check", 0),
    ("mat-broken", "heater:check", 18 * 60),
    ("thermostat-stuck-on", "heater:stop heater:check", 24 * 60),
    ("thermostat-sensor-fallen", "heater:check heater:stop probe:move", 0),
    ("set-point-turned-up", "", 0),
    ("set-point-turned-down", "", 0),
    ("mat-too-weak", "", 0),
    ("power-cut", "", 0),
    ("heat-wave", "", 0),
    ("cold-snap", "", 0),
    ("lid-ajar", "lid:check", 0),
    ("lid-slowly-opening", "lid:check", 0),
    ("vents-left-open", "vent:close lid:check", 0),
    ("water-out", "", 0),
    ("flooded", "", 0),
    ("humidity-probe-steps", "probe:check", 0),
    ("probe-wetted", "probe:check", 0),
    ("probes-swapped", "probe:check", 0),
    ("probe-silent", "probe:check", 0),
    ("sun-on-the-box", "", 0),
)  # fmt: skip
LID_KINDS = ("lid-ajar", "lid-slowly-opening")


class Trouble:
    """One kind of trouble in one chamber: when it begins and how bad it is."""

    def __init__(self, kind: Kind, kept: Kept, seed: int) -> None:
        rng = np.random.default_rng([seed, [k.name for k in (CALM, *KINDS)].index(kind.name), 2])
        self.kind = kind
        self.onset = int(rng.integers(26 * 60, 60 * 60))
        self.size = float(rng.uniform(0.0, 1.0))
        self.sign = 1.0 if rng.random() < 0.5 else -1.0
        self.sun = sun_patch(rng, MINUTES, self.onset)
        self.kept = kept

    def course(self, calm: Course) -> Course:
        """Return the room with this trouble in it."""
        at = np.arange(len(calm.room_c))
        change = _ROOM.get(self.kind.name)
        return calm if change is None else change(self, calm, at)

    def fault(self, minute: int, healed: Array) -> Fault:
        """Return what is broken at the box now."""
        fault, ill = Fault.none(len(healed)), np.where(healed, 0.0, 1.0) * float(minute >= self.onset)
        name = self.kind.name
        if name in ("mat-unplugged", "mat-broken"):
            fault.dead = ill
        elif name == "thermostat-stuck-on":
            fault.stuck_on = ill
        elif name == "thermostat-sensor-fallen":
            fault.sensor_cold_k = ill * (3.0 + 5.0 * self.size)
        elif name == "mat-too-weak":
            fault.strength = 1.0 - float(minute >= self.onset) * (0.45 + 0.25 * self.size)
        return fault

    def gap_m2(self, minute: int) -> float:
        """Return how far the lid stands open when nobody has shut it."""
        wide = (0.1 + 0.4 * self.size) * 0.02 * self.kept.lid_area_m2**0.5
        if self.kind.name == "lid-ajar":
            return wide * float(minute >= self.onset)
        if self.kind.name == "lid-slowly-opening":
            return wide * float(np.clip((minute - self.onset) / (36 * 60.0), 0.0, 1.0))
        return 0.0

    def strike(self, box: object, k: Controls, probes: Mapping[str, Probe]) -> None:
        """Do once what happens at the onset."""
        name = self.kind.name
        if name == "set-point-turned-up":
            k.setpoint_c += 3.0 + 2.5 * self.size
            k.power *= 1.5
        elif name == "set-point-turned-down":
            k.setpoint_c -= 3.0 + 2.5 * self.size
            k.power *= 0.6
        elif name == "vents-left-open":
            k.vents[:] = self.kept.vents + 2.0
        elif name == "water-out":
            _scale_water(box, 0.0, 0.1)
        elif name == "flooded":
            _scale_water(box, 4.0, 2.5)
        for probe in probes.values():
            _strike_probe(name, self, probe, began=True)

    def probes_put_right(self, probes: Mapping[str, Probe]) -> None:
        """Put right what the keeper finds at the probes."""
        for probe in probes.values():
            _strike_probe(self.kind.name, self, probe, began=False)

    def swapped(self, minute: int, healed: bool) -> bool:
        """Return whether room and chamber probe hang in each other's place."""
        return self.kind.name == "probes-swapped" and minute >= self.onset and not healed


def _strike_probe(name: str, trouble: Trouble, probe: Probe, *, began: bool) -> None:
    if probe.name != "air":
        return
    if name == "humidity-probe-steps":
        probe.step_pct = trouble.sign * (7.0 + 6.0 * trouble.size) if began else 0.0
    elif name == "probe-wetted":
        probe.wet = began
    elif name == "probe-silent":
        probe.silent = began


def _scale_water(box: object, granules: float, ground: float) -> None:
    if isinstance(box, Box):
        box.granules_g = box.granules_g * granules
        box.ground_g, box.deep_g = box.ground_g * ground, box.deep_g * ground
    else:
        box.granules_g = box.granules_g * granules  # type: ignore[attr-defined]
        box.ground_pct = np.clip(box.ground_pct * (0.55 if ground < 1 else 1.15), 20, 99)  # type: ignore[attr-defined]


# ---------------------------------------------------------------- the room


def _held(calm: Course, at: Array, trouble: Trouble, height_k: float, hours: float) -> Array:
    """Return a change of the room that comes within hours, stays and goes."""
    begin, end = trouble.onset, trouble.onset + hours * 60.0
    return height_k * (1.0 / (1.0 + np.exp(-(at - begin - 240.0) / 90.0)) - 1.0 / (1.0 + np.exp(-(at - end) / 120.0)))


def _heat_wave(trouble: Trouble, calm: Course, at: Array) -> Course:
    wanted = 29.0 + 4.5 * trouble.size - float(calm.room_c[trouble.onset :].mean())
    daily = 2.0 * np.cos((at / 60.0 - 16.5) / 24.0 * 2 * np.pi)
    part = _held(calm, at, trouble, 1.0, 40.0 + 30.0 * trouble.size)
    room = calm.room_c + part * (max(wanted, 3.0) + daily)
    return replace(calm, room_c=room, room_g_m3=calm.room_g_m3 + part * 3.0 * trouble.size)


def _cold_snap(trouble: Trouble, calm: Course, at: Array) -> Course:
    room = np.maximum(calm.room_c - _held(calm, at, trouble, 5.0 + 5.0 * trouble.size, 36.0 + 36.0 * trouble.size), 5.0)
    return replace(calm, room_c=room, room_g_m3=np.minimum(calm.room_g_m3, 0.85 * saturation_g_m3(room)))


def _weak_mat(trouble: Trouble, calm: Course, at: Array) -> Course:
    return replace(calm, room_c=calm.room_c - _held(calm, at, trouble, 2.0 + 2.0 * trouble.size, 96.0))


def _power_cut(trouble: Trouble, calm: Course, at: Array) -> Course:
    hours = 3.0 + 9.0 * trouble.size
    off = (at >= trouble.onset) & (at < trouble.onset + hours * 60.0)
    cooler = 0.5 * np.maximum(calm.room_c - 14.0, 0.0) * _held(calm, at, trouble, 1.0, hours)
    return replace(calm, room_c=calm.room_c - cooler, mains=np.where(off, 0.0, 1.0))


def _sunny(trouble: Trouble, calm: Course, at: Array) -> Course:
    return replace(calm, sun_w_m2=calm.sun_w_m2 + trouble.sun)


_ROOM: dict[str, Callable[[Trouble, Course, Array], Course]] = {
    "heat-wave": _heat_wave, "cold-snap": _cold_snap, "mat-too-weak": _weak_mat, "power-cut": _power_cut,
    "sun-on-the-box": _sunny,
}  # fmt: skip
