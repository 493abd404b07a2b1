"""What a keeper has at a box and can change, and the heater's own mind: mat, thermostat, vents, fan, lid gap."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from yard_air import Array

STEP_S = 60.0


@dataclass(frozen=True)
class Heating:
    """A mat, cable or lamp and the thermostat that switches it (or none)."""

    watts: float
    mount: str = "side"
    thermostat: bool = True
    hysteresis_k: float = 0.3
    """Half of the cycle's width at the thermostat's own sensor."""
    sensor_lag_s: float = 300.0
    sees_air: float = 0.8
    """How much of what its sensor feels is air; the rest is the heated wall."""
    bias_k: float = 0.0
    """How far the dial lies: its sensor reads so much too high, so the box stays so much cooler."""
    drift_k_d: float = 0.0
    mat_lag_s: float = 500.0
    near_air: float = 0.0
    """Share of the heat that goes straight into the air."""


@dataclass
class Controls:
    """The settings of one world, a column for each keeper who runs it in his own way. All arrays have the same length."""

    setpoint_c: Array
    power: Array
    plugged: Array
    vents: Array
    fan_min_h: Array
    mist_ml_d: Array
    foam_mm: Array
    gap_m2: Array = field(default_factory=lambda: np.zeros(1))
    """Open area between lid and box."""
    room_shift_k: Array = field(default_factory=lambda: np.zeros(1))
    """What the keeper made of the room: warmed, shaded, the box carried elsewhere."""
    room_shift_g_m3: Array = field(default_factory=lambda: np.zeros(1))
    covered: Array = field(default_factory=lambda: np.zeros(1))

    def widened(self, columns: int) -> Controls:
        """Return the same settings for so many keepers."""
        return Controls(**{f.name: np.broadcast_to(getattr(self, f.name), columns).astype(float).copy() for f in fields(self)})


class Mat:
    """The heater with its lag and its thermostat, which cycles, overshoots, drifts and can fail."""

    def __init__(self, heating: Heating, columns: int, start_c: float) -> None:
        self.heating = heating
        self.sensor_c = np.full(columns, start_c)
        self.on = np.zeros(columns)
        self.heat_w = np.zeros(columns)
        self.drawn_w = np.zeros(columns)

    def step(self, k: Controls, air_c: Array, wall_c: Array, day: float, fault: Fault, mains: float) -> Array:
        """Return the heat that leaves the mat now, W."""
        h = self.heating
        felt = h.sees_air * air_c + (1.0 - h.sees_air) * wall_c + h.bias_k + h.drift_k_d * day - fault.sensor_cold_k
        self.sensor_c = self.sensor_c + (felt - self.sensor_c) * min(1.0, STEP_S / h.sensor_lag_s)
        if h.thermostat:
            low, high = k.setpoint_c - h.hysteresis_k, k.setpoint_c + h.hysteresis_k
            self.on = np.where(self.sensor_c < low, 1.0, np.where(self.sensor_c > high, 0.0, self.on))
        else:
            self.on = np.ones_like(self.on)
        self.on = np.where(fault.stuck_on > 0, 1.0, self.on)
        able = k.plugged * mains * (1.0 - fault.dead) * fault.strength
        self.drawn_w = h.watts * k.power * able * self.on
        self.heat_w = self.heat_w + (self.drawn_w - self.heat_w) * (1.0 - np.exp(-STEP_S / h.mat_lag_s))
        return self.heat_w


@dataclass
class Fault:
    """What is broken at the box now, column by column: one keeper may have repaired what another has not."""

    dead: Array
    stuck_on: Array
    sensor_cold_k: Array
    """How much too cold the thermostat's sensor feels: it has fallen out of its place."""
    strength: float = 1.0

    @staticmethod
    def none(columns: int) -> Fault:
        """Return a sound box."""
        return Fault(np.zeros(columns), np.zeros(columns), np.zeros(columns))


@dataclass(frozen=True)
class Openings:
    """Air that comes in, m3/h: through seams, one vent, and the fan when it runs."""

    leak_m3_h: float
    vent_m3_h: float
    fan_m3_h: float


def air_flow_m3_h(openings: Openings, k: Controls, lift_k: Array, draught: float) -> Array:
    """Return the exchange with the room. Seams and vents are driven by the box's own warmth and by draughts; through a gap
    under the lid air changes places as through a hole in a ceiling (Epstein 1988, J. Heat Transfer 110:885, from memory)."""
    lift = np.maximum(np.abs(lift_k), 0.3)
    still = (openings.leak_m3_h + openings.vent_m3_h * k.vents) * np.sqrt(lift / 5.0) * draught
    hole_m = np.sqrt(4.0 * np.maximum(k.gap_m2, 0.0) / np.pi)
    through_gap = 0.055 * hole_m**2.5 * np.sqrt(9.81 * lift / 298.0) + 0.01 * draught * k.gap_m2
    return still + openings.fan_m3_h * k.fan_min_h / 60.0 + 3600.0 * through_gap
