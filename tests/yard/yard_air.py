"""Water in air and at surfaces, as the yard's worlds know it.

Nothing here is shared with the program: the saturation pressure is the closed form from the Clausius-Clapeyron equation with a
latent heat linear in temperature (Rankine-Kirchhoff), where the program uses IAPWS-IF97 and other tests the Magnus form.
Temperatures in degC, vapour as density in g/m3, conductances for vapour in m/s.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TRIPLE_K, TRIPLE_PA = 273.16, 611.655  # Guildner, Johnson & Jones 1976, J. Res. NBS 80A:505 (from memory)
GAS_VAPOUR = 461.52  # J/(kg K), of water vapour: 8.31446 / 0.0180153, CODATA 2018
VAPOUR_CP, LIQUID_CP = 1884.4, 4220.2  # J/(kg K), Romps 2021 fits to the steam tables near 0..40 degC (from memory)
LATENT_AT_TRIPLE = 2.5009e6  # J/kg, steam tables (from memory)
LATENT_J_G = 2441.0  # at 26 degC, steam tables, held constant so that the balances close
AIR_J_M3K = 1186.0  # volumetric heat capacity of air at 25 degC and 1 atm, steam and air tables (from memory)
AIR_CONDUCTIVITY = 0.0259  # W/(m K) at 25 degC (Holman, Heat Transfer, table A-5, from memory)
VAPOUR_DIFFUSIVITY = 2.49e-5  # m2/s at 25 degC (Montgomery 1947, J. Meteorol. 4:193, from memory)
AIR_DIFFUSIVITY = AIR_CONDUCTIVITY / AIR_J_M3K
_EXPONENT = (LIQUID_CP - VAPOUR_CP) / GAS_VAPOUR


def saturation_pa(temperature_c: Array | float) -> Array:
    """Return the saturation pressure over water."""
    kelvin = np.asarray(temperature_c) + 273.15
    latent_zero = LATENT_AT_TRIPLE + (LIQUID_CP - VAPOUR_CP) * TRIPLE_K
    return TRIPLE_PA * (TRIPLE_K / kelvin) ** _EXPONENT * np.exp(latent_zero / GAS_VAPOUR * (1 / TRIPLE_K - 1 / kelvin))


def saturation_g_m3(temperature_c: Array | float) -> Array:
    """Return the vapour density at saturation."""
    return saturation_pa(temperature_c) * 1000.0 / (GAS_VAPOUR * (np.asarray(temperature_c) + 273.15))


def density_g_m3(temperature_c: Array | float, humidity_pct: Array | float) -> Array:
    """Return the vapour density of air."""
    return np.asarray(humidity_pct) / 100.0 * saturation_g_m3(temperature_c)


def humidity_pct(temperature_c: Array | float, vapour_g_m3: Array | float) -> Array:
    """Return the relative humidity; beyond 100 the air is fog."""
    return 100.0 * np.asarray(vapour_g_m3) / saturation_g_m3(temperature_c)


def dew_point_c(vapour_g_m3: Array | float) -> Array:
    """Return the temperature at which this vapour density saturates, by Newton's method on its logarithm."""
    wanted = np.log(np.maximum(np.asarray(vapour_g_m3, float), 0.05))
    t = 20.0 + (wanted - np.log(17.3)) / 0.058
    for _ in range(10):
        t = t - (np.log(saturation_g_m3(t)) - wanted) / 0.0575
    return t


def vapour_film_m_s(heat_film_w_m2k: Array | float) -> Array:
    """Return the conductance for vapour of the still layer that carries this much heat: the layer's thickness is read from the
    heat, and vapour's own layer is thinner or thicker by the cube root of the ratio of diffusivities (Holman, section 5-8)."""
    layer_m = AIR_CONDUCTIVITY / np.asarray(heat_film_w_m2k)
    return VAPOUR_DIFFUSIVITY / (layer_m * (VAPOUR_DIFFUSIVITY / AIR_DIFFUSIVITY) ** (1 / 3))


def plate_film(lift_k: Array, length_m: float, *, unstable: Array | bool) -> Array:
    """Return natural convection at a level plate, W/m2K: Holman, Heat Transfer, table 7-2 (from memory)."""
    quarter = (np.abs(lift_k) / length_m) ** 0.25
    return np.maximum(np.where(unstable, 1.32, 0.59) * quarter, 0.6)


def wall_film(lift_k: Array, height_m: float) -> Array:
    """Return natural convection at an upright plate, W/m2K: Holman, table 7-2 (from memory), at least conduction."""
    return np.maximum(1.42 * (np.abs(lift_k) / height_m) ** 0.25, 0.6)


def radiant_film(temperature_c: Array, emissivity: float) -> Array:
    """Return the linear coefficient of radiation between surfaces near this temperature, W/m2K (Stefan-Boltzmann)."""
    return 4.0 * emissivity * 5.6704e-8 * (np.asarray(temperature_c) + 273.15) ** 3
