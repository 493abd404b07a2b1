"""A simulated shelf for the demo: two chambers and a room through some scripted days. Deterministic by its seed.

The scenario is invented: a study with a north window, a shelf with a grown garden (`big-nest`) and a young one
(`small-nest`). Day by day, then from the start again: (1) an evening of too much mist, after which the lid is wet until it is
wiped next morning; (2) a night on which the window is open and the heater of `big-nest` fails; (3) a day of sun on which the
thermostat of `small-nest` sticks and its vents stand open; (4) a day on which the probe in `small-nest` freezes at one value;
(5) a quiet day.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from adapters.simulated_chamber import Box, Chamber, Influence, saturation_density_g_m3
from rules.terms.events import DAY_MS, SECOND_MS, Batch
from rules.terms.quantities import Quantity

STEP_S = 20
CYCLE_DAYS = 5
ROOM = "study"
BIG = "big-nest"
SMALL = "small-nest"

PROBES: dict[str, tuple[str, tuple[Quantity, ...]]] = {
    "big-air": (BIG, ("air_temperature", "relative_humidity")),
    "big-lid": (BIG, ("surface_temperature",)),
    "small-air": (SMALL, ("air_temperature", "relative_humidity")),
    "room-air": (ROOM, ("air_temperature", "relative_humidity")),
}
"""Probe of the simulated shelf: where it is and what it measures."""

BOXES = {
    BIG: Box(),
    SMALL: Box(
        air_m3=0.0025, lid_m2=0.018, loss_w_k=0.32, capacity_j_k=1000.0, heater_w=3.3, setpoint_c=25.3,
        temperature_factor=0.60, air_changes_h=1.2, substrate_m3_h=0.0085, substrate_g=35.0, metabolism_w=0.05,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Incident:
    """Something that happens from one hour to another, counted from the beginning of the cycle."""

    what: str
    where: str
    begin_h: float
    end_h: float


SCRIPT: tuple[Incident, ...] = (
    Incident("mist", BIG, 18.5, 18.6),
    Incident("lid wiped", BIG, 34.5, 34.6),
    Incident("vents open", BIG, 34.5, 37.0),
    Incident("open window", ROOM, 45.0, 54.5),
    Incident("heater fails", BIG, 46.5, 55.5),
    Incident("sun", ROOM, 57.5, 65.0),
    Incident("thermostat sticks", SMALL, 57.8, 64.5),
    Incident("vents open", SMALL, 58.0, 66.0),
    Incident("probe freezes", "small-air", 74.0, 92.0),
)
_MIST_ML = 25.0
_OPEN_AIR_CHANGES_H = {BIG: 4.0, SMALL: 14.0}
_COOL_ROOM_C = 19.0
_WATERING_H = 9.0
"""Hour at which the dry edge of the substrate is given back what it lost."""


class Shelf:
    """The whole shelf, moved on in steps of `STEP_S`. Time is virtual and begins at midnight of a quiet day."""

    def __init__(self, seed: int = 1, script: tuple[Incident, ...] = SCRIPT) -> None:
        self._random = np.random.default_rng(seed)
        self._script = script
        self.elapsed_s = 0
        self.chambers = {name: Chamber(box) for name, box in BOXES.items()}
        self.room_c, self.room_pct = 20.5, 46.0
        self._drift = 0.0
        self._frozen: dict[tuple[str, Quantity], float] = {}
        self._begun: set[tuple[str, str]] = set()
        self._ended: set[tuple[str, str]] = set()

    def begin(self, what: str, where: str) -> None:
        """Let something happen from now on, until it is ended."""
        self._ended.discard((what, where))
        self._begun.add((what, where))

    def end(self, what: str, where: str) -> None:
        """Let something be over, whether it was begun or stands in the script."""
        self._begun.discard((what, where))
        self._ended.add((what, where))

    def is_going(self, what: str, where: str) -> bool:
        """Return whether something is happening now."""
        return (what, where) in self._going((self.elapsed_s / 3600.0) % (24.0 * CYCLE_DAYS))

    def _going(self, hour: float) -> set[tuple[str, str]]:
        scripted = {(one.what, one.where) for one in self._script if one.begin_h <= hour < one.end_h}
        self._ended &= scripted
        return (scripted | self._begun) - self._ended

    def step(self) -> None:
        """Move on by `STEP_S`."""
        hour = (self.elapsed_s / 3600.0) % (24.0 * CYCLE_DAYS)
        going = self._going(hour)
        self._step_room(hour % 24.0, going)
        room_g_m3 = self.room_pct / 100.0 * saturation_density_g_m3(self.room_c)
        for name, chamber in self.chambers.items():
            chamber.step(self._influence(name, hour, room_g_m3, going), STEP_S)
        self.elapsed_s += STEP_S

    def _step_room(self, hour: float, going: set[tuple[str, str]]) -> None:
        step_h = STEP_S / 3600.0
        self._drift += -self._drift * step_h / 6.0 + 0.2 * math.sqrt(step_h) * float(self._random.normal())
        target_c = 20.8 + 1.3 * math.sin((hour - 9.5) / 24.0 * 2.0 * math.pi) + self._drift
        target_pct = 46.0 - 3.0 * math.sin((hour - 9.5) / 24.0 * 2.0 * math.pi)
        pace_h = 2.5
        if ("open window", ROOM) in going:
            target_c, target_pct, pace_h = 14.5, 60.0, 1.6
        if ("sun", ROOM) in going:
            target_c, target_pct, pace_h = 25.5, 36.0, 1.2
        share = -math.expm1(-STEP_S / 3600.0 / pace_h)
        self.room_c += (target_c - self.room_c) * share
        self.room_pct += (target_pct - self.room_pct) * share

    def _influence(self, name: str, hour: float, room_g_m3: float, going: set[tuple[str, str]]) -> Influence:
        influence = Influence(self.room_c, room_g_m3)
        if ("heater fails", name) in going:
            influence.heater = "failed"
        if ("thermostat sticks", name) in going:
            influence.heater = "stuck"
        if ("in a cool room", name) in going:
            influence.room_c = min(influence.room_c, _COOL_ROOM_C)
        if ("heater unplugged", name) in going:
            influence.heater = "failed"
        if ("one vent open", name) in going:
            influence.air_changes_h = (BOXES[name].air_changes_h + _OPEN_AIR_CHANGES_H[name]) / 2
        if ("vents open", name) in going:
            influence.air_changes_h = _OPEN_AIR_CHANGES_H[name]
        if ("mist", name) in going:
            influence.mist_ml = _MIST_ML * STEP_S / 360.0
        chamber = self.chambers[name]
        if ("lid wiped", name) in going:
            chamber.condensate_g = chamber.free_water_g = 0.0
        if _WATERING_H <= hour % 24.0 < _WATERING_H + 0.1:
            chamber.substrate_g = chamber.box.substrate_g
        return influence

    def measure(self, probe: str, quantity: Quantity) -> float:
        """Return what a probe shows now: with its noise and resolution, or frozen."""
        hour = (self.elapsed_s / 3600.0) % (24.0 * CYCLE_DAYS)
        frozen = ("probe freezes", probe) in self._going(hour)
        if not frozen or (probe, quantity) not in self._frozen:
            self._frozen[probe, quantity] = self._shown(PROBES[probe][0], quantity)
        return self._frozen[probe, quantity]

    def _shown(self, place: str, quantity: Quantity) -> float:
        noise = float(self._random.normal())
        chamber = self.chambers.get(place)
        if quantity == "relative_humidity":
            true = self.room_pct if chamber is None else chamber.relative_humidity_pct
            return round(min(100.0, true + 0.25 * noise), 1)
        if quantity == "surface_temperature" and chamber is not None:
            return round(chamber.lid_c + 0.03 * noise, 2)
        return round((self.room_c if chamber is None else chamber.temperature_c) + 0.03 * noise, 2)


def series() -> tuple[tuple[str, Quantity], ...]:
    """Return the series of the shelf in the order in which each round of readings comes."""
    return tuple((probe, quantity) for probe, (_, quantities) in PROBES.items() for quantity in quantities)


def rounds(days: float, seed: int = 1, interval_s: int = 60, script: tuple[Incident, ...] = SCRIPT) -> Iterator[list[float]]:
    """Yield one round of readings every `interval_s` of virtual time, in the order of `series`."""
    shelf, wanted = Shelf(seed, script), series()
    steps = max(1, interval_s // STEP_S)
    for _ in range(int(days * 86_400 / (steps * STEP_S))):
        for _ in range(steps):
            shelf.step()
        yield [shelf.measure(probe, quantity) for probe, quantity in wanted]


def simulate(
    start_ms: int, days: float, seed: int = 1, interval_s: int = 60, script: tuple[Incident, ...] = SCRIPT
) -> Batch:
    """Return some days of readings of the whole shelf as one batch. The script counts its hours from `start_ms`."""
    wanted = series()
    values = np.array(list(rounds(days, seed, interval_s, script)), np.float64).reshape(-1, len(wanted))
    step_ms = max(1, interval_s // STEP_S) * STEP_S * SECOND_MS
    at_ms = np.repeat(start_ms + step_ms * np.arange(1, len(values) + 1, dtype=np.int64), len(wanted))
    index = np.tile(np.arange(len(wanted), dtype=np.int32), len(values))
    return Batch(wanted, index, at_ms, at_ms, values.reshape(-1))


def cycle_start(at_ms: int) -> int:
    """Return the UTC midnight at or before an instant, a natural start for `simulate`."""
    return at_ms - at_ms % DAY_MS
