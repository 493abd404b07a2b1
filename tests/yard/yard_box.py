"""A box of many nodes: air, lid, walls, ground, deep ground, garden and mat, with films of water and the latent heat of each.

One world, many keepers: every state has a column for each. Steps of a minute; the air, which is light, is solved implicitly, so
that heat and water are conserved to rounding (`heat_error_j` and `water_error_g` say how well).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from yard_air import (
    AIR_J_M3K,
    LATENT_J_G,
    Array,
    density_g_m3,
    humidity_pct,
    plate_film,
    radiant_film,
    saturation_g_m3,
    vapour_film_m_s,
    wall_film,
)
from yard_devices import STEP_S, Controls, Fault, Heating, Mat, Openings, air_flow_m3_h


@dataclass(frozen=True)
class Parts:
    """What a box is built of. Conductances and resistances per square metre, heat in J, water in g."""

    litres: float
    height_m: float
    lid_r: float
    """Of the pane(s) alone, m2K/W."""
    lid_j_m2k: float
    wall_r: float
    wall_j_m2k: float
    floor_w_m2k: float
    ground_j_m2k: float
    deep_j_m2k: float
    ground_deep_w_m2k: float
    emissivity: float
    heating: Heating
    openings: Openings
    drip_g_m2: float
    ground_g_m2: float
    """Water at the start in the part of the ground that breathes with the air."""
    ground_half_g_m2: float
    """Water at which the ground stands in balance with half-saturated air (Oswin 1946, J. Chem. Ind. 65:419)."""
    oswin: float
    deep_hours: float
    """How slowly surface and deep ground share their water."""
    garden_ml: float
    garden_s_m: float
    """What holds the garden's water back, s/m."""
    granules_g: float
    foam_w_mk: float = 0.036
    sun_share: float = 0.0
    """Share of the sun's power on the lid's area that ends in the box."""

    @property
    def lid_m2(self) -> float:
        """Area of the lid, which is that of the ground."""
        return self.litres / 1000.0 / self.height_m

    @property
    def wall_m2(self) -> float:
        """Area of the four walls of a square box."""
        return 4.0 * self.lid_m2**0.5 * self.height_m


@dataclass(frozen=True)
class Weather:
    """What surrounds the box during one step."""

    room_c: Array | float
    room_g_m3: Array | float
    sun_w_m2: float = 0.0
    draught: float = 1.0
    mains: float = 1.0
    day: float = 0.0
    hour: float = 0.0


class Box:
    """The state of one box under so many keepers."""

    def __init__(self, parts: Parts, columns: int, start_c: float, start_pct: float) -> None:
        p = self.parts = parts
        self.mat = Mat(p.heating, columns, start_c)
        full = lambda value: np.full(columns, float(value))  # noqa: E731
        self.air_c, self.lid_c, self.wall_c = full(start_c), full(start_c - 1.0), full(start_c - 1.0)
        self.ground_c, self.deep_c, self.garden_c = full(start_c), full(start_c - 0.5), full(start_c)
        self.vapour_g_m3 = density_g_m3(self.air_c, full(start_pct))
        self.lid_g, self.wall_g = full(0.0), full(0.0)
        self.ground_g, self.deep_g = full(p.ground_g_m2 * p.lid_m2), full(3.0 * p.ground_g_m2 * p.lid_m2)
        self.granules_g, self.granules_room_g = full(p.granules_g), max(20.0, 2.0 * p.granules_g)
        self.garden_lost_g = full(0.0)
        self.loss_w = full(0.0)
        self.heat_error_j, self.water_error_g = full(0.0), full(0.0)

    # ------------------------------------------------------------ what can be read

    @property
    def humidity_pct(self) -> Array:
        """Relative humidity of the air."""
        return np.minimum(humidity_pct(self.air_c, self.vapour_g_m3), 100.0)

    @property
    def film_g_m2(self) -> Array:
        """Water on the lid."""
        return self.lid_g / self.parts.lid_m2

    @property
    def volume_m3(self) -> float:
        """Volume of its air."""
        return self.parts.litres / 1000.0

    # ------------------------------------------------------------ what a hand can do

    def wipe(self, column: int | slice = slice(None)) -> None:
        """Wipe the lid dry."""
        self.lid_g[column] = 0.0

    def add_water(self, ml: float, column: int | slice = slice(None)) -> None:
        """Wet the granules."""
        self.granules_g[column] = self.granules_g[column] + ml

    def take_water(self, share: float, column: int | slice = slice(None)) -> None:
        """Take out that share of what is wet."""
        self.granules_g[column] = self.granules_g[column] * (1.0 - share)
        self.ground_g[column] = self.ground_g[column] * (1.0 - share / 2.0)

    def clear(self, share: float, column: int | slice = slice(None)) -> None:
        """Clear out that share of what is wet, down to the bottom."""
        for store in (self.granules_g, self.ground_g, self.deep_g):
            store[column] = store[column] * (1.0 - share)

    # ------------------------------------------------------------ one minute

    def step(self, k: Controls, out: Weather, fault: Fault) -> None:
        """Move on by one step."""
        before_j, before_g = self._stored_j(), self._stored_g()
        heat_w = self.mat.step(k, self.air_c, self.wall_c, out.day, fault, out.mains)
        flow_m3_s = air_flow_m3_h(self.parts.openings, k, self.air_c - out.room_c, out.draught) / 3600.0
        flow_m3_s = np.minimum(flow_m3_s, 2.0 * self.volume_m3)
        stir = 1.0 + 0.5 * np.minimum(k.fan_min_h / 60.0 * 4.0, 2.0)
        sprayed_g = self._sprayed_g(k, out)
        films = self._films(stir)
        gone_g = self._water(k, out, films, flow_m3_s, sprayed_g)
        sun_w = out.sun_w_m2 * self.parts.sun_share * self.parts.lid_m2
        lost_j = self._heat(k, out, films, flow_m3_s, heat_w, sun_w)
        self.water_error_g += self._stored_g() - before_g - sprayed_g + gone_g
        latent_j = LATENT_J_G * (self._vapour_change_g)
        self.heat_error_j += self._stored_j() - before_j + latent_j - (heat_w + sun_w) * STEP_S + lost_j

    def _stored_j(self) -> Array:
        p, a = self.parts, self.parts.lid_m2
        return (
            AIR_J_M3K * self.volume_m3 * self.air_c + p.lid_j_m2k * a * self.lid_c + p.wall_j_m2k * p.wall_m2 * self.wall_c
            + p.ground_j_m2k * a * self.ground_c + p.deep_j_m2k * a * self.deep_c + self._garden_j_k * self.garden_c
        )  # fmt: skip

    def _stored_g(self) -> Array:
        held = self.vapour_g_m3 * self.volume_m3 + self.lid_g + self.wall_g + self.ground_g + self.deep_g
        return held + self.granules_g - self.garden_lost_g

    @property
    def _garden_j_k(self) -> float:
        return 3.4 * self.parts.garden_ml  # three quarters of it water

    @property
    def _garden_m2(self) -> float:
        return 6.0 * (self.parts.garden_ml * 1e-6) ** (2.0 / 3.0)  # a lumpy ball; own estimate

    def _sprayed_g(self, k: Controls, out: Weather) -> Array:
        """Return what is sprayed in this minute: by hand, at eight and at eight."""
        now = min(abs(out.hour - 8.0), abs(out.hour - 20.0)) < 0.5 / 60.0
        return k.mist_ml_d / 2.0 * out.mains if now else np.zeros_like(k.mist_ml_d)

    def _flown_g(self, sprayed_g: Array) -> Array:
        """Return what evaporates as it flies: no more than brings the air to its wet bulb; the rest reaches the walls."""
        per_k = saturation_g_m3(self.air_c + 0.5) - saturation_g_m3(self.air_c - 0.5)
        room_g_m3 = np.maximum(saturation_g_m3(self.air_c) - self.vapour_g_m3, 0.0) / (1.0 + per_k * LATENT_J_G / AIR_J_M3K)
        return np.minimum(0.15 * sprayed_g, room_g_m3 * self.volume_m3)

    def _films(self, stir: Array) -> dict[str, Array]:
        """Return what each surface gives the air per kelvin, W/m2K."""
        p = self.parts
        side = p.lid_m2**0.5 / 4.0
        garden = np.full_like(self.air_c, 4.0)  # a small rough body in still air; own estimate
        return {
            "lid": stir * plate_film(self.air_c - self.lid_c, side, unstable=self.air_c > self.lid_c),
            "wall": stir * wall_film(self.air_c - self.wall_c, p.height_m),
            "ground": stir * plate_film(self.ground_c - self.air_c, side, unstable=self.ground_c > self.air_c),
            "garden": stir * garden,
        }

    def _water(self, k: Controls, out: Weather, films: dict[str, Array], flow_m3_s: Array, sprayed_g: Array) -> Array:
        """Move the water; return what left with the air. The vapour is solved implicitly, the stores follow it."""
        p, a, volume = self.parts, self.parts.lid_m2, self.volume_m3
        flown_g = self._flown_g(sprayed_g)
        self.wall_g, self.ground_g = self.wall_g + 0.60 * sprayed_g - flown_g, self.ground_g + 0.40 * sprayed_g
        vapour = self.vapour_g_m3 + flown_g / volume
        moisture = np.maximum(self.ground_g / a, 0.01) / p.ground_half_g_m2
        active = moisture ** (1.0 / p.oswin)
        garden_open = 1.0 - 0.7 * k.covered
        surfaces = (  # conductance m3/s, the vapour that stands over it, what is there to give
            (vapour_film_m_s(films["lid"]) * a, saturation_g_m3(self.lid_c), self.lid_g),
            (vapour_film_m_s(films["wall"]) * p.wall_m2, saturation_g_m3(self.wall_c), self.wall_g),
            (vapour_film_m_s(films["ground"]) * a * 0.7, saturation_g_m3(self.ground_c) * active / (1 + active), self.ground_g),
            (
                vapour_film_m_s(films["ground"]) * a * 0.3 * np.minimum(1.0, self.granules_g / self.granules_room_g * 2.0),
                0.99 * saturation_g_m3(self.ground_c), self.granules_g,
            ),
            (
                garden_open * self._garden_m2 / (1.0 / vapour_film_m_s(films["garden"]) + p.garden_s_m),
                0.99 * saturation_g_m3(self.garden_c), None,
            ),
        )  # fmt: skip
        gives = []
        for conductance, over, there in surfaces:
            most = conductance if there is None else np.minimum(
                conductance, np.where(over > vapour, there / (STEP_S * np.maximum(over - vapour, 1e-6)), np.inf)
            )
            gives.append((most, over))
        top = volume * vapour + STEP_S * (sum(g * over for g, over in gives) + flow_m3_s * out.room_g_m3)
        new = top / (volume + STEP_S * (sum(g for g, _ in gives) + flow_m3_s))
        rates = [STEP_S * g * (over - new) for g, over in gives]
        vented_g = STEP_S * flow_m3_s * (new - out.room_g_m3)
        fog = np.maximum(new - saturation_g_m3(self.air_c), 0.0) * volume
        new = new - fog / volume
        self._vapour_change_g = sum(rates) - fog + flown_g
        lid, wall, ground, granules, garden = rates
        self._evaporated = {"lid": lid, "wall": wall - fog, "ground": ground + granules, "garden": garden}
        self._mist_j = flown_g * LATENT_J_G
        self.lid_g, self.wall_g = self.lid_g - lid, self.wall_g - wall + fog
        self.ground_g, self.granules_g = self.ground_g - ground, self.granules_g - granules
        self.garden_lost_g = self.garden_lost_g + garden
        self.vapour_g_m3 = new
        self._run_off()
        return vented_g

    def _run_off(self) -> None:
        """Let fall what the lid cannot hold, let the walls run, and let surface and deep ground share."""
        p, a = self.parts, self.parts.lid_m2
        drops = np.maximum(self.lid_g - p.drip_g_m2 * a, 0.0)
        runs = np.maximum(self.wall_g - 80.0 * p.wall_m2, 0.0)
        self.lid_g, self.wall_g = self.lid_g - drops, self.wall_g - runs
        short = np.minimum(self.lid_g, 0.0) + np.minimum(self.wall_g, 0.0) + np.minimum(self.granules_g, 0.0)
        self.lid_g, self.wall_g = np.maximum(self.lid_g, 0.0), np.maximum(self.wall_g, 0.0)
        self.granules_g = np.maximum(self.granules_g, 0.0)
        shared = (self.deep_g / 3.0 - self.ground_g) * STEP_S / 3600.0 / p.deep_hours
        self.ground_g = self.ground_g + drops + runs + short + shared
        self.deep_g = self.deep_g - shared

    def _heat(
        self, k: Controls, out: Weather, films: dict[str, Array], flow_m3_s: Array, heat_w: Array, sun_w: float
    ) -> Array:
        """Move the heat; return what left the box, J."""
        p, a, w, f = self.parts, self.parts.lid_m2, self.parts.wall_m2, self._garden_m2
        g_lid, g_wall, g_ground, g_garden = films["lid"] * a, films["wall"] * w, films["ground"] * a, films["garden"] * f
        vent = AIR_J_M3K * flow_m3_s
        near = p.heating.near_air * heat_w
        c_air = AIR_J_M3K * self.volume_m3
        gains = g_lid * self.lid_c + g_wall * self.wall_c + g_ground * self.ground_c + g_garden * self.garden_c
        top = c_air * self.air_c + STEP_S * (gains + vent * out.room_c + near) - self._mist_j
        air = top / (c_air + STEP_S * (g_lid + g_wall + g_ground + g_garden + vent))
        h_r = radiant_film(self.air_c, p.emissivity)
        star = (a * self.lid_c + w * self.wall_c + a * self.ground_c + f * self.garden_c) / (2 * a + w + f)
        outer = plate_film(0.5 * (self.lid_c - out.room_c), a**0.5 / 4.0, unstable=True) * out.draught**0.5 + radiant_film(
            out.room_c, 0.9
        )
        side = wall_film(0.5 * (self.wall_c - out.room_c), p.height_m) * out.draught**0.5 + radiant_film(out.room_c, 0.9)
        u_lid = 1.0 / (p.lid_r + k.foam_mm / 1000.0 / p.foam_w_mk + 1.0 / outer)
        u_wall = 1.0 / (p.wall_r + 1.0 / side)
        lost_w = (
            u_lid * a * (self.lid_c - out.room_c) + u_wall * w * (self.wall_c - out.room_c)
            + p.floor_w_m2k * a * (self.deep_c - out.room_c)
        )  # fmt: skip
        rest = heat_w - near
        into = {"side": (1.0, 0.0), "back": (1.0, 0.0), "below": (0.0, 1.0), "above": (0.0, 0.0)}[p.heating.mount]
        latent = {name: LATENT_J_G * grams / STEP_S for name, grams in self._evaporated.items()}
        down = p.ground_deep_w_m2k * a * (self.ground_c - self.deep_c)
        touch = 6.0 * 0.5 * f * (self.ground_c - self.garden_c)
        net = {
            "lid": g_lid * (air - self.lid_c) + h_r * a * (star - self.lid_c) - u_lid * a * (self.lid_c - out.room_c)
            - latent["lid"],
            "wall": g_wall * (air - self.wall_c) + h_r * w * (star - self.wall_c) - u_wall * w * (self.wall_c - out.room_c)
            - latent["wall"] + into[0] * rest + 0.3 * sun_w,
            "ground": g_ground * (air - self.ground_c) + h_r * a * (star - self.ground_c) - latent["ground"] - down - touch
            + (1.0 - sum(into)) * rest + 0.5 * sun_w,
            "deep": down - p.floor_w_m2k * a * (self.deep_c - out.room_c) + into[1] * rest,
            "garden": g_garden * (air - self.garden_c) + h_r * f * (star - self.garden_c) - latent["garden"] + touch
            + 0.2 * sun_w,
        }  # fmt: skip
        vented_j = STEP_S * vent * (air - out.room_c)
        self.air_c = air
        self.lid_c = self.lid_c + STEP_S * net["lid"] / (p.lid_j_m2k * a)
        self.wall_c = self.wall_c + STEP_S * net["wall"] / (p.wall_j_m2k * w)
        self.ground_c = self.ground_c + STEP_S * net["ground"] / (p.ground_j_m2k * a)
        self.deep_c = self.deep_c + STEP_S * net["deep"] / (p.deep_j_m2k * a)
        self.garden_c = self.garden_c + STEP_S * net["garden"] / self._garden_j_k
        self.loss_w = lost_w + vented_j / STEP_S
        return lost_w * STEP_S + vented_j
