"""Heat through the lid: materials, surface resistances, the convection and radiation model, and the time constant.

Two views of the same lid. The resistance model (ISO 6946, ISO 13788) takes fixed films and surroundings at air
temperature. The enclosure model balances lid and side walls with natural convection and radiation; cold plastic walls
pull the lid down much further (0.36 against 0.54), which the resistance model cannot see.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from rules.settings import Lid

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA 2018
EMISSIVITY = 0.94
"""Of plastics and glass in the thermal infrared; common practice, no source."""
FILM_M2K_W = 0.10
"""Surface resistance, upward heat flow, ISO 6946 table 7. Both sides of the lid face still air, so both have it: the
0.04 of the outside surface is for 4 m/s of wind."""
AIR_GAP_M2K_W = 0.16
"""Air layer of 15 mm or more, upward heat flow, ISO 6946 table 8."""
FOAM_W_MK = 0.035
"""Conductivity of common rigid foam, ISO 10456 range."""
SIDE_M = 0.2
"""Edge of the box that the enclosure model computes: a cube, where a fifth of what the lid sees is floor. Own estimate."""
REFERENCE_CHAMBER_C = 26.0  # own estimate
REFERENCE_ROOM_C = 20.0  # own estimate


@dataclass(frozen=True, slots=True)
class Material:
    """Conductivity, density and specific heat of a pane, ISO 10456 table 3 unless said otherwise."""

    conductivity_w_mk: float
    density_kg_m3: float
    heat_capacity_j_kgk: float


MATERIALS: dict[str, Material] = {
    "acrylic": Material(0.18, 1180.0, 1500.0),
    "polycarbonate": Material(0.20, 1200.0, 1200.0),
    "glass": Material(1.00, 2500.0, 750.0),
    "pet": Material(0.20, 1380.0, 1200.0),  # from memory
}


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """Steady state of a box: temperature factors of lid and walls, and the lid's conductance to all around, W/m2K."""

    lid_factor: float
    wall_factor: float
    inner_w_m2k: float
    """From the lid's inner face into the box: convection and radiation."""
    outer_w_m2k: float
    """From the lid's inner face through the pane to the room."""

    @property
    def lid_conductance_w_m2k(self) -> float:
        """Return how much heat per kelvin holds the lid at its temperature: what latent heat must work against."""
        return self.inner_w_m2k + self.outer_w_m2k


def pane_resistance_m2k_w(lid: Lid) -> float:
    """Return the resistance of the lid itself, m2K/W: panes, air gap and foam in series, ISO 6946 clause 6.7.1."""
    pane = lid.thickness_mm / 1000.0 / MATERIALS[lid.material].conductivity_w_mk
    gap = pane + AIR_GAP_M2K_W if lid.build == "double" else 0.0
    return pane + gap + lid.insulation_mm / 1000.0 / FOAM_W_MK


def temperature_factor_by_resistance(lid: Lid) -> float:
    """Temperature factor of the lid's inner surface by surface resistances.

    Parameters
    ----------
    lid : material, thickness 0.2 to 30 mm, build, foam 0 to 100 mm

    Returns
    -------
    f, 0 to 1: T_lid = T_room + f (T_chamber - T_room)

    Raises
    ------
    nothing: the settings are bounded

    Notes
    -----
    f = 1 - Rsi / (Rsi + R + Rse) with Rsi = Rse = 0.10 m2K/W (still air on both sides).

    References
    ----------
    ISO 13788:2012, 3.1.2 and 4.3; ISO 6946:2017, table 7; ISO 10456:2007, table 3.

    Examples
    --------
    >>> round(temperature_factor_by_resistance(Lid(thickness_mm=4.0)), 3)
    0.55
    """
    return 1.0 - FILM_M2K_W / (2.0 * FILM_M2K_W + pane_resistance_m2k_w(lid))


def _radiation_w_m2k(one_c: float, other_c: float) -> float:
    return 4.0 * EMISSIVITY * STEFAN_BOLTZMANN * (0.5 * (one_c + other_c) + 273.15) ** 3


def _through_to_room(resistance: float, inner_c: float, room_c: float, still_air: float, share: float) -> float:
    """Return the conductance from an inner face through its pane to the room, W/m2K.

    `still_air` is the coefficient a of h = a (dT / L)^(1/4): 1.41 upward (Lloyd and Moran 1974), 1.42 at a wall
    (McAdams 1954); `share` is L, m.
    """
    outer_c = 0.5 * (inner_c + room_c)
    conductance = 0.0
    for _ in range(30):
        gap_k = max(abs(outer_c - room_c), 0.01)
        film: float = still_air * (gap_k / share) ** 0.25 + _radiation_w_m2k(outer_c, room_c)
        conductance = 1.0 / (resistance + 1.0 / film)
        outer_c = room_c + conductance * (inner_c - room_c) / film
    return conductance


@lru_cache(maxsize=64)
def heat_balance(lid: Lid, chamber_c: float = REFERENCE_CHAMBER_C, room_c: float = REFERENCE_ROOM_C) -> HeatBalance:
    """Steady heat balance of lid and side walls of a cubic box of 0.2 m, dry.

    Parameters
    ----------
    lid : material, thickness, build, foam, walls
    chamber_c : T_in, degC, air and floor of the box, valid 0 to 50
    room_c : T_r, degC, valid 0 to 50, not equal to T_in

    Returns
    -------
    temperature factors of lid and walls, conductances of the lid's inner face

    Raises
    ------
    ValueError : if chamber and room are within 0.2 K, where a factor means nothing

    Notes
    -----
    Inside on the lid h = 2.04 dT^(1/3) (Globe and Dropkin 1959, plate to core) and radiation to floor (view factor
    0.2) and walls (0.8); inside on the walls h = 1.42 (dT/0.2)^(1/4) and radiation to floor and lid (0.2 each);
    outside natural convection and radiation to the room. Warm walls stand at chamber temperature. Damped iteration,
    residual below 1e-6 K. Correlations scatter by 30 %; not validated on a real box. f = 0.36 (cold) and 0.52 (warm)
    for 3 mm acrylic.

    References
    ----------
    Lloyd and Moran 1974, J. Heat Transfer 96, 443; Globe and Dropkin 1959, J. Heat Transfer 81, 24; McAdams 1954,
    Heat Transmission, chapter 7. Coefficients from memory, confirmed by the `ht` library.

    Examples
    --------
    >>> round(heat_balance(Lid()).lid_factor, 2)
    0.36
    """
    if abs(chamber_c - room_c) < 0.2:
        raise ValueError(f"chamber {chamber_c:g} degC and room {room_c:g} degC must differ by 0.2 K or more")
    pane = lid.thickness_mm / 1000.0 / MATERIALS[lid.material].conductivity_w_mk
    lid_c = wall_c = 0.5 * (chamber_c + room_c)
    if lid.walls == "warm":
        wall_c = chamber_c
    inner = outer = 0.0
    for _ in range(80):
        radiation = _radiation_w_m2k(lid_c, chamber_c)
        convection: float = 2.04 * max(abs(chamber_c - lid_c), 0.01) ** (1.0 / 3.0)
        inner = convection + radiation
        outer = _through_to_room(pane_resistance_m2k_w(lid), lid_c, room_c, 1.41, SIDE_M / 4.0)
        seen_c = 0.2 * chamber_c + 0.8 * wall_c
        new_lid_c = (convection * chamber_c + radiation * seen_c + outer * room_c) / (inner + outer)
        if lid.walls == "cold":
            wall_c = 0.5 * (wall_c + _wall_c(pane, chamber_c, room_c, lid_c, wall_c, radiation))
        lid_c = 0.5 * (lid_c + new_lid_c)
    span_k = chamber_c - room_c
    return HeatBalance((lid_c - room_c) / span_k, (wall_c - room_c) / span_k, inner, outer)


def _wall_c(pane: float, chamber_c: float, room_c: float, lid_c: float, wall_c: float, radiation: float) -> float:
    convection: float = 1.42 * (max(abs(chamber_c - wall_c), 0.01) / SIDE_M) ** 0.25
    outer = _through_to_room(pane, wall_c, room_c, 1.42, SIDE_M)
    seen = radiation * (0.2 * chamber_c + 0.2 * lid_c)
    return (convection * chamber_c + seen + outer * room_c) / (convection + 0.4 * radiation + outer)


def lid_time_constant_s(lid: Lid) -> float:
    """Time constant of the lid's inner pane, s: its heat capacity over the conductance of both sides.

    Notes
    -----
    tau = rho c d / (h_inner + h_outer) from the enclosure model at 26 / 20 degC; 3 mm acrylic about 320 s. The
    temperature within a thin pane is uniform (Biot number h d / lambda below 0.2 up to 4 mm of plastic).
    """
    material = MATERIALS[lid.material]
    capacity = material.density_kg_m3 * material.heat_capacity_j_kgk * lid.thickness_mm / 1000.0
    return capacity / heat_balance(lid).lid_conductance_w_m2k
