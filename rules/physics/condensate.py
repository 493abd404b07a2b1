"""Water on the lid: how fast it condenses or dries, how much hangs there, and how near it is to dripping.

Flux. Heat and mass cross the same boundary layer, so by the Chilton-Colburn analogy the mass transfer coefficient is
beta = h / (rho c_p) Le^(-2/3), and with vapour as an ideal gas m = beta (e - p_s(T_lid)) / (R_v T):

    m = h (e - p_s(T_lid)) Le^(-2/3) / (rho c_p R_v T) = 6.78e-9 h (e - p_s(T_lid))    kg/(m2 s), h in W/m2K, e in Pa

at 25 degC, with rho c_p = 1.17 * 1010 J/(m3 K), T = 298 K, Le = alpha/D = 2.20e-5 / 2.55e-5 = 0.863 (Massman 1998 for
D). Vanthoor et al. 2011 (Biosystems Engineering 110, 363) print 6.4e-9, 6 % less. The driving force is a difference of
partial pressures; vapour densities at two temperatures would err by 25 % and even in sign near the threshold.

Latent heat. L m warms the lid by L m / H, where H is the conductance that holds the lid at its temperature (inside film
and radiation plus the way to the room, about 16 W/m2K). So the flux is the root of m = b (e - p_s(T_dry + L m / H)):
60 to 70 % of what the dry lid would collect.

Load at which drops fall. Drops on a ceiling grow until the largest one is unstable (Young-Laplace: 68 to 160 ul for
contact angles of 90 to 60 degrees); with the size distribution of dropwise condensation (Le Fevre and Rose 1966) that
is 500 to 620 g/m2, and 220 to 450 g/m2 when the largest drop falls at 0.5 to 0.8 of the critical size, as on a real
lid. So 400 g/m2, band 240 to 600. Computed, not measured on a lid. On a tilted lid drops slide earlier, see
`drip_load_g_m2`. Uncertainty of the flux: 30 % (scatter of h).
"""

from __future__ import annotations

from math import radians, sin, sqrt

import numpy as np

from rules.physics.saturation import (
    TEMPERATURE,
    Array,
    Value,
    as_numbers,
    log_slope,
    saturation_pressure_of_one,
    saturation_pressures_or_nan,
)

LEVEL_DRIP_LOAD_G_M2 = 400.0
"""Where drops fall from a level lid, see above. Own estimate."""
FILM_W_M2K = 3.0
"""Convective coefficient under the lid: 2.04 dT^(1/3), 2 to 4 W/m2K for 1 to 6 K (Globe and Dropkin 1959)."""
LID_CONDUCTANCE_W_M2K = 16.0
"""Film and radiation inside plus the way to the room; `rules.physics.lid_heat.heat_balance` computes it for a lid.
Own estimate."""
MASS_PER_HEAT = 6.78e-9
"""kg/(m2 s Pa) of flux per W/(m2 K) of film, see above. Massman 1998."""
TILTED_LOAD_SHARE = 60.0 / 400.0
"""Share of the level lid's load that a lid of 30 degrees holds; 60 g/m2 from memory."""
SEEN_G_M2 = {"mist": 5.0, "droplets": 50.0}
"""What hangs on a lid at least where the eye sees this: a film of 5 um; drops of 0.3 mm over half of it. Own estimate."""
SETTLED_G_M2 = 10.0
"""A film that the eye sees: less is a haze, as misting leaves it, that dries by the evening; own estimate."""
_STEPS = 4  # bookkeeping


def latent_heat_j_g(temperature_c: Value) -> Value:
    """Return the heat of vaporisation of water, J/g: 2500.9 - 2.37 t, within 1 J/g of IAPWS-95 over 0 to 40 degC."""
    return 2500.9 - 2.37 * temperature_c


LATENT_HEAT_J_G = latent_heat_j_g(24.0)
"""At the temperature of a lid; its change of 0.1 % per kelvin is lost in the uncertainty of the flux. 24 degC: own estimate."""


def condensation_flux_g_m2h(
    vapour_pressure_pa: Value,
    lid_temperature_c: Value,
    lid_conductance_w_m2k: float | None = LID_CONDUCTANCE_W_M2K,
    film_w_m2k: float = FILM_W_M2K,
) -> Value:
    """Condensation on the lid, with the latent heat that warms it; negative where a wet lid dries.

    Parameters
    ----------
    vapour_pressure_pa : e, Pa, of the chamber's air
    lid_temperature_c : T_lid, degC, valid -40 to 80; the dry lid's, as estimated from room and chamber
    lid_conductance_w_m2k : H, W/m2K; None for a measured lid, which is warmed already
    film_w_m2k : h, W/m2K

    Returns
    -------
    m, g/(m2 h) of lid; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    nothing; NaN in or a lid out of range gives NaN out

    Notes
    -----
    m = 3.6e6 * 6.78e-9 h (e - p_s(T_lid + L m / H)), Newton steps from the dry lid, residual below 1e-6 g/(m2 h).
    Uncertainty 30 % (scatter of h); see the head of the module. A dry lid cannot dry: `load_after_g_m2` sees to it.

    References
    ----------
    Chilton and Colburn 1934, Ind. Eng. Chem. 26, 1183; Massman 1998, Atmospheric Environment 32, 1111;
    Vanthoor et al. 2011, Biosystems Engineering 110, 363, appendix, equation 43.

    Examples
    --------
    >>> round(condensation_flux_g_m2h(3027.5, 22.9, None), 1)
    17.1
    """
    gain = 3.6e6 * MASS_PER_HEAT * film_w_m2k
    warming = 0.0 if lid_conductance_w_m2k is None else LATENT_HEAT_J_G / 3600.0 / lid_conductance_w_m2k
    flux = gain * (vapour_pressure_pa - _saturation(lid_temperature_c))
    if warming == 0.0:
        return flux
    flux = flux * 0.65
    for _ in range(_STEPS):
        lid_c = lid_temperature_c + warming * flux
        saturated = _saturation(lid_c)
        gap = flux - gain * (vapour_pressure_pa - saturated)
        flux = flux - gap / (1.0 + gain * warming * saturated * log_slope(lid_c))
    return flux


def _saturation(temperature_c: Value) -> Value:
    if isinstance(temperature_c, float):
        good = TEMPERATURE.low <= temperature_c <= TEMPERATURE.high
        return saturation_pressure_of_one(temperature_c) if good else float("nan")
    return saturation_pressures_or_nan(as_numbers("temperature_c", temperature_c))


# ---------------------------------------------------------------- load


def load_series_g_m2(load_g_m2: float, flux_g_m2h: Array, elapsed_s: Array, drip_load_g_m2: float) -> Array:
    """Return `load_after_g_m2` sample by sample; `elapsed_s[i]` is how long `flux_g_m2h[i]` held, up to sample i."""
    loads: list[float] = []
    for gained in np.where((elapsed_s > 0.0) & ~np.isnan(flux_g_m2h), flux_g_m2h * (elapsed_s / 3600.0), 0.0).tolist():
        if gained:
            load_g_m2 += gained
            load_g_m2 = 0.0 if load_g_m2 < 0.0 else drip_load_g_m2 if load_g_m2 > drip_load_g_m2 else load_g_m2
        loads.append(load_g_m2)
    return np.array(loads, np.float64)


def drip_load_g_m2(tilt_deg: float) -> float:
    """Load at which drops fall or run off.

    Parameters
    ----------
    tilt_deg : tilt of the lid, degrees, valid 0 to 60

    Returns
    -------
    load, g/m2

    Raises
    ------
    nothing: the setting is bounded

    Notes
    -----
    A drop slides when its weight along the plane, rho V g sin(tilt), exceeds the holding force of its rim, which goes
    with its radius (Furmidge 1962, from memory): r ~ 1/sqrt(sin tilt), and the load of a size distribution goes with
    its largest radius. Anchored at 15 % of the level load (60 of 400 g/m2, from memory) at 30 degrees.

    References
    ----------
    Furmidge 1962, J. Colloid Science 17, 309; Le Fevre and Rose 1966, 3rd Int. Heat Transfer Conf. 2, 362.

    Examples
    --------
    >>> drip_load_g_m2(0.0), round(drip_load_g_m2(30.0))
    (400.0, 60)
    """
    level = LEVEL_DRIP_LOAD_G_M2
    steepness = sin(radians(tilt_deg)) / sin(radians(30.0))
    if steepness <= TILTED_LOAD_SHARE**2:
        return level
    return level * TILTED_LOAD_SHARE / sqrt(steepness)
