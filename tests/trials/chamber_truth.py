"""A chamber's truth for the trial: other and finer equations than the program's model, with parameters that it never sees.

Air, ground, side walls and lid have their own temperatures; air without heat capacity is solved at each step. Vapour moves
between wet ground, a sorbing store, the films on lid and walls, and the room. A thermostat with hysteresis looks at a mixture
of air and wall. Vapour pressures by the Magnus form of WMO-No. 8 (the program uses IAPWS-IF97). All arrays have one entry per
case. Ranges of the hidden parameters: heat transfer and evaporation from ISO 6946 and the film theory within their scatter,
air change 0.2 to 5 per hour, buffer 10 to 300 (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP_S = 60.0
GRAM_PER_M3_PA = 1.0 / (0.4615 * 299.0)
LATENT_J_G = 2440.0


def magnus_pa(t: Array) -> Array:
    """Return the saturation pressure over water, Pa (WMO-No. 8, annex 4.B)."""
    return 611.2 * np.exp(17.62 * t / (243.12 + t))


def magnus_dew_c(e: Array) -> Array:
    """Return its inverse, degC."""
    x = np.log(np.maximum(e, 1.0) / 611.2)
    return 243.12 * x / (17.62 - x)


@dataclass
class Box:
    """The hidden parameters."""

    volume_m3: Array
    side_m2: Array
    film_w_m2k: Array
    radiation_w_m2k: Array
    outer_w_m2k: Array
    ground_j_k: Array
    wall_j_k: Array
    lid_j_k: Array
    floor_w_k: Array
    heater_w: Array
    to_air: Array
    thermostat: NDArray[np.bool_]
    hysteresis_k: Array
    mat_lag_s: Array
    sees_air: Array
    thermostat_offset_k: Array
    leak_h: Array
    vent_h: Array
    fan_h: Array
    wet_m2: Array
    evaporation_m_h: Array
    store_m3: Array
    store_rate_h: Array
    self_w: Array
    granule_m2_ml: Array
    granule_dry_h: Array
    probe_offset_k: Array
    probe_offset_pct: Array
    lid_probe: NDArray[np.bool_]
    room_probe: NDArray[np.bool_]


@dataclass
class Knobs:
    """What the keeper has set."""

    setpoint_c: Array
    power: Array
    plugged: Array
    vents: Array
    fan_min_h: Array
    mist_ml_d: Array
    foam_mm: Array


@dataclass
class Room:
    """The room's mean climate and its daily swing."""

    temperature_c: Array
    humidity_pct: Array
    swing_k: Array


@dataclass
class State:
    """The chamber's hidden state."""

    hour: float
    ground_c: Array
    wall_c: Array
    lid_c: Array
    air_c: Array
    vapour_pa: Array
    store_pct: Array
    lid_film_g: Array
    wall_film_g: Array
    granules_m2: Array
    heating: NDArray[np.bool_]
    heat_w: Array

    @property
    def humidity_pct(self) -> Array:
        """Return the air's relative humidity."""
        return np.minimum(100.0 * self.vapour_pa / magnus_pa(self.air_c), 100.0)

    @property
    def margin_k(self) -> Array:
        """Return lid temperature minus dew point."""
        return self.lid_c - magnus_dew_c(self.vapour_pa)


def random_box(rng: np.random.Generator, count: int) -> Box:
    """Return hidden parameters of `count` chambers of 1.5 to 60 litres."""
    def spread(median: Array | float, sigma: float) -> Array:
        return np.asarray(median * np.exp(sigma * np.clip(rng.standard_normal(count), -2, 2)))

    volume = np.exp(rng.uniform(np.log(1.5e-3), np.log(60e-3), count))
    side = volume ** (2.0 / 3.0)
    conductance = 3.0 * 5.0 * side
    return Box(
        volume_m3=volume, side_m2=side, film_w_m2k=spread(2.6, 0.15), radiation_w_m2k=np.full(count, 5.3),
        outer_w_m2k=spread(7.5, 0.15), ground_j_k=spread(2.4e3 * (volume / 8e-3) ** 0.85, 0.35),
        wall_j_k=4.0 * side * 3e-3 * 1180.0 * 1470.0 * 0.5, lid_j_k=side * 3e-3 * 1180.0 * 1470.0,
        floor_w_k=spread(1.0, 0.4) * side, heater_w=spread(conductance * 16.0, 0.3), to_air=rng.uniform(0.2, 0.75, count),
        thermostat=rng.random(count) > 0.1, hysteresis_k=rng.uniform(0.05, 0.25, count),
        mat_lag_s=rng.uniform(400.0, 1200.0, count), sees_air=rng.uniform(0.6, 1.0, count),
        thermostat_offset_k=rng.normal(0.0, 0.5, count), leak_h=np.exp(rng.uniform(np.log(0.2), np.log(2.0), count)),
        vent_h=spread(0.9, 0.5), fan_h=spread(30.0, 0.6), wet_m2=spread(0.25 * side, 0.7), evaporation_m_h=spread(8.0, 0.3),
        store_m3=spread(volume * 50.0, 0.7), store_rate_h=spread(1.5, 0.5), self_w=0.15 * (volume / 8e-3) * rng.uniform(0,
            1, count),
        granule_m2_ml=spread(0.0006, 0.4), granule_dry_h=spread(120.0, 0.4), probe_offset_k=rng.uniform(-0.2, 0.2, count),
        probe_offset_pct=rng.uniform(-1.5, 1.5, count), lid_probe=rng.random(count) < 0.2, room_probe=rng.random(count) < 0.9,
    )


def taken(item: Box | Knobs | Room | State, rows: NDArray[np.int64]) -> Box | Knobs | Room | State:
    """Return the same for these cases only."""
    body = {k: (v[rows].copy() if isinstance(v, np.ndarray) else v) for k, v in vars(item).items()}
    return type(item)(**body)


def room_now(room: Room, hour: float) -> tuple[Array, Array]:
    """Return room temperature and vapour pressure; the daily swing leaves the vapour as it is."""
    t = room.temperature_c + room.swing_k * np.sin((hour - 9.0) / 24.0 * 2.0 * np.pi)
    e = room.humidity_pct / 100.0 * magnus_pa(room.temperature_c)
    return t, np.minimum(e, 0.97 * magnus_pa(t))


def started(box: Box, room: Room) -> State:
    """Return the state of a box that stands in its room."""
    t, e = room_now(room, 0.0)
    zero = np.zeros_like(t)
    return State(
        0.0, t + 2.0, t + 1.0, t + 1.0, t + 2.0, e * 1.3, np.full_like(t, 70.0), zero.copy(), zero.copy(), zero.copy(),
        np.zeros(len(t), bool), zero.copy(),
    )


def air_change(box: Box, knobs: Knobs, lift_k: Array) -> Array:
    """Return the air change, 1/h: leaks and vents driven by the warm box's buoyancy, and the fan."""
    draught = np.sqrt(np.clip(np.abs(lift_k), 0.5, 12.0) / 5.0)
    return (box.leak_h + box.vent_h * knobs.vents) * draught + box.fan_h * knobs.fan_min_h / 60.0


def _outer(box: Box, foam_mm: Array | float) -> Array:
    return np.asarray(1.0 / (1.0 / box.outer_w_m2k + 3e-3 / 0.19 + np.asarray(foam_mm) / 35.0))


def _heat(box: Box, knobs: Knobs, s: State, room_c: Array, change: Array) -> tuple[Array, Array]:
    sensor = box.sees_air * s.air_c + (1.0 - box.sees_air) * s.wall_c + box.thermostat_offset_k
    on = np.where(s.heating, sensor < knobs.setpoint_c + box.hysteresis_k, sensor < knobs.setpoint_c - box.hysteresis_k)
    s.heating = np.where(box.thermostat, on, True)
    s.heat_w = s.heat_w + (box.heater_w * knobs.power * knobs.plugged * s.heating - s.heat_w) * STEP_S / box.mat_lag_s
    return s.heat_w, 0.335 * box.volume_m3 * change


def step(box: Box, knobs: Knobs, room: Room, s: State) -> None:
    """Move the state on by `STEP_S`."""
    room_c, room_pa = room_now(room, s.hour % 24.0)
    change = air_change(box, knobs, s.air_c - room_c)
    watts, vent_w_k = _heat(box, knobs, s, room_c, change)
    a, f, r = box.side_m2, box.film_w_m2k, box.radiation_w_m2k
    g_ground, g_wall, g_lid = 1.3 * f * a, 4.0 * f * a, f * a
    s.air_c = (g_ground * s.ground_c + g_wall * s.wall_c + g_lid * s.lid_c + vent_w_k * room_c + box.to_air * watts) / (
        g_ground + g_wall + g_lid + vent_w_k
    )
    evaporated, on_lid, on_wall = _water(box, knobs, s, room_pa, change)
    dt, latent = STEP_S, LATENT_J_G / 3600.0
    rad_lg, rad_lw, rad_gw = 0.2 * r * a, 0.8 * r * a, 0.8 * r * a
    ground = g_ground * (s.air_c - s.ground_c) + rad_lg * (s.lid_c - s.ground_c) + rad_gw * (s.wall_c - s.ground_c)
    ground += box.floor_w_k * (room_c - s.ground_c) + box.self_w - latent * evaporated
    wall = g_wall * (s.air_c - s.wall_c) + rad_lw * (s.lid_c - s.wall_c) + rad_gw * (s.ground_c - s.wall_c)
    wall += (1.0 - box.to_air) * watts - 4.0 * a * _outer(box, 0.0) * (s.wall_c - room_c) + latent * on_wall
    lid = g_lid * (s.air_c - s.lid_c) + rad_lg * (s.ground_c - s.lid_c) + rad_lw * (s.wall_c - s.lid_c)
    lid += -a * _outer(box, knobs.foam_mm) * (s.lid_c - room_c) + latent * on_lid
    s.ground_c = s.ground_c + dt * ground / box.ground_j_k
    s.wall_c = s.wall_c + dt * wall / box.wall_j_k
    s.lid_c = s.lid_c + dt * lid / box.lid_j_k
    s.hour += dt / 3600.0


def _water(box: Box, knobs: Knobs, s: State, room_pa: Array, change: Array) -> tuple[Array, Array, Array]:
    """Move the vapour and the films on; return grams per hour evaporated from the ground and taken up by lid and walls."""
    dt_h = STEP_S / 3600.0
    ground_pa, lid_pa, wall_pa = magnus_pa(s.ground_c), magnus_pa(s.lid_c), magnus_pa(s.wall_c)
    g_vent = change * box.volume_m3
    g_wet = box.evaporation_m_h * (box.wet_m2 + s.granules_m2)
    g_store = box.store_rate_h * box.store_m3 * 0.2
    film_m_h = 3.7 * box.film_w_m2k
    g_lid = np.where((s.vapour_pa > lid_pa) | (s.lid_film_g > 0.0), film_m_h * box.side_m2, 0.0)
    g_wall = np.where((s.vapour_pa > wall_pa) | (s.wall_film_g > 0.0), 0.6 * film_m_h * 4.0 * box.side_m2, 0.0)
    store_pa = s.store_pct / 100.0 * ground_pa
    hold = box.volume_m3 / dt_h
    total = hold + g_vent + g_wet + g_store + g_lid + g_wall
    vapour = hold * s.vapour_pa + g_vent * room_pa + g_wet * ground_pa + g_store * store_pa + g_lid * lid_pa + g_wall * wall_pa
    s.vapour_pa = vapour / total
    gram = GRAM_PER_M3_PA
    on_lid, on_wall = gram * g_lid * (s.vapour_pa - lid_pa), gram * g_wall * (s.vapour_pa - wall_pa)
    s.lid_film_g = np.clip(s.lid_film_g + on_lid * dt_h, 0.0, 400.0 * box.side_m2)
    s.wall_film_g = np.clip(s.wall_film_g + (on_wall + knobs.mist_ml_d / 24.0) * dt_h, 0.0, 300.0 * box.side_m2)
    s.store_pct = s.store_pct + dt_h * 100.0 * g_store * (s.vapour_pa - store_pa) / ground_pa / box.store_m3
    s.granules_m2 = s.granules_m2 * (1.0 - dt_h / box.granule_dry_h)
    return gram * g_wet * (ground_pa - s.vapour_pa), on_lid, on_wall
