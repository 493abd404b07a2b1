"""One simulated fungus chamber: heat, vapour, lid and condensate, a thermostat, a mister, vents. Pure and deterministic.

A lumped balance with parameters of a box of some litres; it is made to show and to try things, not to predict a real box.

    C dT/dt  = P heater + metabolism - UA (T - T_room) - L evaporation
    kV dv/dt = n V (v_room - v) + G (a v_s(T) - v) + G_wet (v_s(T) - v) + lid flux
    lid flux = -A beta (v - v_s(T_lid)),   T_lid = T_room + f (T - T_room)

The saturation pressure is the Magnus form of the WMO Guide No. 8 (2018), annex 4.B, on purpose another one than the rules use:
a simulation that shared their formula could not show their errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

_LATENT_J_G = 2440.0
_WATER_GAS_CONSTANT = 461.5  # J/(kg K)
_BETA_M_H = 9.9
"""Mass transfer to the lid for 3 W/(m2 K) of convection, Chilton-Colburn with Le 0.863."""


def saturation_density_g_m3(temperature_c: float) -> float:
    """Vapour density at saturation over water, g/m3."""
    pressure_pa = 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))
    return 1000.0 * pressure_pa / (_WATER_GAS_CONSTANT * (temperature_c + 273.15))


@dataclass(frozen=True, slots=True)
class Box:
    """What a chamber is made of."""

    air_m3: float = 0.008
    lid_m2: float = 0.04
    loss_w_k: float = 0.75
    capacity_j_k: float = 3000.0
    heater_w: float = 9.0
    setpoint_c: float = 25.6
    temperature_factor: float = 0.60
    buffer: float = 12.0
    air_changes_h: float = 1.5
    substrate_m3_h: float = 0.033
    substrate_g: float = 120.0
    metabolism_w: float = 0.25


@dataclass(slots=True)
class Influence:
    """What acts on a chamber during one step, beyond its own thermostat."""

    room_c: float
    room_g_m3: float
    heater: str = "thermostat"
    """`thermostat`, `failed` or `stuck` (on for ever)."""
    air_changes_h: float | None = None
    mist_ml: float = 0.0


@dataclass(slots=True)
class Chamber:
    """The state of one chamber, moved on by `step`."""

    box: Box
    temperature_c: float = 25.5
    vapour_g_m3: float = 19.0
    condensate_g: float = 0.0
    free_water_g: float = 0.0
    substrate_g: float = 0.0
    lid_c: float = 23.0
    heating: bool = False
    dripped_g: float = field(default=0.0)

    def __post_init__(self) -> None:
        self.substrate_g = self.substrate_g or self.box.substrate_g

    @property
    def relative_humidity_pct(self) -> float:
        """Relative humidity of the air, %RH."""
        return 100.0 * self.vapour_g_m3 / saturation_density_g_m3(self.temperature_c)

    def step(self, influence: Influence, step_s: float) -> None:
        """Move on by `step_s` (at most about 60 s)."""
        box, hours = self.box, step_s / 3600.0
        self.lid_c = influence.room_c + box.temperature_factor * (self.temperature_c - influence.room_c)
        saturated = saturation_density_g_m3(self.temperature_c)
        at_lid = saturation_density_g_m3(self.lid_c)
        self.free_water_g += influence.mist_ml

        vent = box.air_m3 * (box.air_changes_h if influence.air_changes_h is None else influence.air_changes_h)
        # A substrate gives less as it dries, and most of it from its surface.
        wetness = min(1.0, self.substrate_g / box.substrate_g)
        activity = 0.55 + 0.42 * wetness**0.5
        wet = 0.3 if self.free_water_g > 0.0 else 0.0
        lid = _BETA_M_H * box.lid_m2
        open_lid = lid if self.vapour_g_m3 > at_lid or self.condensate_g > 0.0 else 0.0
        # Implicit in the vapour density, so that any step is stable.
        storage = box.buffer * box.air_m3 / hours
        gains = vent * influence.room_g_m3 + box.substrate_m3_h * activity * saturated + wet * saturated + open_lid * at_lid
        losses = vent + box.substrate_m3_h + wet + open_lid
        self.vapour_g_m3 = (storage * self.vapour_g_m3 + gains) / (storage + losses)

        evaporated = box.substrate_m3_h * (activity * saturated - self.vapour_g_m3) * hours
        from_free = min(self.free_water_g, max(0.0, wet * (saturated - self.vapour_g_m3) * hours))
        self.free_water_g -= from_free
        self.substrate_g = max(0.0, self.substrate_g - evaporated)
        self._lid(open_lid * (self.vapour_g_m3 - at_lid) * hours)
        self._heat(influence, evaporated + from_free, step_s)

    def _lid(self, gained_g: float) -> None:
        self.condensate_g = max(0.0, self.condensate_g + gained_g)
        most = 400.0 * self.box.lid_m2
        if self.condensate_g > most:
            self.dripped_g += self.condensate_g - most
            self.substrate_g += self.condensate_g - most
            self.condensate_g = most

    def _heat(self, influence: Influence, evaporated_g: float, step_s: float) -> None:
        box = self.box
        if influence.heater == "thermostat":
            if self.temperature_c < box.setpoint_c - 0.25:
                self.heating = True
            elif self.temperature_c > box.setpoint_c + 0.25:
                self.heating = False
        else:
            self.heating = influence.heater == "stuck"
        power_w = box.heater_w * self.heating + box.metabolism_w - _LATENT_J_G * evaporated_g / step_s
        target_c = influence.room_c + power_w / box.loss_w_k
        self.temperature_c += (target_c - self.temperature_c) * -math.expm1(-step_s * box.loss_w_k / box.capacity_j_k)
