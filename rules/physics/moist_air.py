"""Mass and heat of moist air: mixing ratio, absolute humidity, density, enthalpy and wet bulb, with their inverses.

Ideal gases with Buck's enhancement factor; scalar in gives float out, arrays broadcast, NaN passes, OutOfRange outside.
Pressure is that of the site (`Settings.pressure_pa`), 101 325 Pa by default.
"""

from __future__ import annotations

from rules.physics.saturation import PRESSURE, TEMPERATURE, ZERO_CELSIUS_K, Array, ValidRange, Value, as_numbers, log_slope
from rules.physics.vapour import (
    relative_humidity_pct_from_vapour_pressure,
    saturation_vapour_pressure_pa,
    vapour_pressure_pa,
    vapour_pressure_pa_or_nan,
)

STANDARD_PRESSURE_PA = 101_325.0
MASS_RATIO = 0.621957
"""Molar mass of water over that of dry air, 18.01528 / 28.96546 (IAPWS; CIPM-2007)."""
R_VAPOUR = 461.523
"""Specific gas constant of water vapour, J/(kg K)."""
R_DRY_AIR = 287.047
"""Specific gas constant of dry air, J/(kg K)."""

MIXING_RATIO = ValidRange("mixing_ratio_g_kg", "g/kg", 0.0, 700.0, above_low=True)
ABSOLUTE_HUMIDITY = ValidRange("absolute_humidity_g_m3", "g/m3", 0.0, 300.0, above_low=True)
_ROUNDS = 8


def enhancement_factor(temperature_c: Value, pressure_pa: float = STANDARD_PRESSURE_PA) -> Value:
    """Enhancement factor of moist air over liquid water: how much more vapour than the pure phase saturates air.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    pressure_pa : P, Pa, valid 50000 to 110000

    Returns
    -------
    f, dimensionless; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    f = 1 + 1e-4 (7.2 + p (0.0320 + 5.9e-6 t^2)), p in hPa. Within 3e-4 of the virial value over 0 to 60 degC at
    sea level (measured). Coefficients from memory, confirmed by that comparison.

    References
    ----------
    Buck 1996, hygrometer manual, appendix 1, after Buck 1981, J. Appl. Meteor. 20, 1527-1532.

    Examples
    --------
    >>> round(enhancement_factor(20.0), 4)
    1.0042
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    hpa = PRESSURE.accept(pressure_pa) / 100.0
    return _enhancement(temperature_c, hpa)


def _enhancement(temperature_c: Value, hpa: float) -> Value:
    return 1.0 + 1e-4 * (7.2 + hpa * (0.0320 + 5.9e-6 * temperature_c * temperature_c))


def mixing_ratio_g_kg(
    temperature_c: Value, relative_humidity_pct: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Mixing ratio: grams of vapour per kilogram of dry air.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)
    pressure_pa : P, Pa, valid 50000 to 110000

    Returns
    -------
    w, g/kg dry air; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    w = 1000 eps f e / (P - f e), eps = 0.621957. Within 0.02 % of the virial equation of state over 0 to 40 degC.
    Inverse: `vapour_pressure_pa_from_mixing_ratio`, same coefficients.

    References
    ----------
    ASHRAE Handbook Fundamentals 2017, chapter 1, equation 20, with the enhancement factor.

    Examples
    --------
    >>> round(mixing_ratio_g_kg(26.0, 80.0), 2)
    17.04
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    return _mixing_ratio(temperature_c, vapour_pressure_pa(temperature_c, relative_humidity_pct), pressure_pa)


def _mixing_ratio(temperature_c: Value, vapour_pa: Value, pressure_pa: float) -> Value:
    effective = enhancement_factor(temperature_c, pressure_pa) * vapour_pa
    return 1000.0 * MASS_RATIO * effective / (pressure_pa - effective)


def vapour_pressure_pa_from_mixing_ratio(
    temperature_c: Value, mixing_ratio_g_kg: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Return the vapour pressure, Pa, of air with this mixing ratio, g/kg; inverse of `mixing_ratio_g_kg`."""
    w = MIXING_RATIO.accept(mixing_ratio_g_kg) / 1000.0
    return w * pressure_pa / ((MASS_RATIO + w) * enhancement_factor(temperature_c, pressure_pa))


def relative_humidity_pct_from_mixing_ratio(
    temperature_c: Value, mixing_ratio_g_kg: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Return RH, %RH, of air with this mixing ratio, g/kg; above 100 means supersaturated."""
    vapour_pa = vapour_pressure_pa_from_mixing_ratio(temperature_c, mixing_ratio_g_kg, pressure_pa)
    return relative_humidity_pct_from_vapour_pressure(temperature_c, vapour_pa)


def absolute_humidity_g_m3(
    temperature_c: Value, relative_humidity_pct: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Absolute humidity: grams of vapour per cubic metre of moist air.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)
    pressure_pa : P, Pa, valid 50000 to 110000 (only through the enhancement factor)

    Returns
    -------
    d_v, g/m3; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    d_v = 1000 f e / (461.523 T). Within 0.08 % of the virial equation of state over 0 to 40 degC.
    Inverse: `vapour_pressure_pa_from_absolute_humidity`, same coefficients.

    References
    ----------
    WMO-No. 8, part I, annex 4.A, (8), with the enhancement factor.

    Examples
    --------
    >>> round(absolute_humidity_g_m3(26.0, 80.0), 2)
    19.58
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    effective = enhancement_factor(temperature_c, pressure_pa) * vapour_pressure_pa(temperature_c, relative_humidity_pct)
    return 1000.0 * effective / (R_VAPOUR * (temperature_c + ZERO_CELSIUS_K))


def absolute_humidity_g_m3_or_nan(
    temperature_c: float | Array, relative_humidity_pct: float | Array, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Array:
    """Return `absolute_humidity_g_m3` as an array, NaN wherever it would raise."""
    t = as_numbers("temperature_c", temperature_c)
    hpa = PRESSURE.accept(pressure_pa) / 100.0
    effective = _enhancement(t, hpa) * vapour_pressure_pa_or_nan(t, relative_humidity_pct)
    return 1000.0 * effective / (R_VAPOUR * (t + ZERO_CELSIUS_K))


def vapour_pressure_pa_from_absolute_humidity(
    temperature_c: Value, absolute_humidity_g_m3: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Return the vapour pressure, Pa, of air with this absolute humidity, g/m3; inverse of `absolute_humidity_g_m3`."""
    temperature_c = TEMPERATURE.accept(temperature_c)
    density = ABSOLUTE_HUMIDITY.accept(absolute_humidity_g_m3) / 1000.0
    return density * R_VAPOUR * (temperature_c + ZERO_CELSIUS_K) / enhancement_factor(temperature_c, pressure_pa)


def relative_humidity_pct_from_absolute_humidity(
    temperature_c: Value, absolute_humidity_g_m3: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Return RH, %RH, of air with this absolute humidity, g/m3; above 100 means supersaturated."""
    vapour_pa = vapour_pressure_pa_from_absolute_humidity(temperature_c, absolute_humidity_g_m3, pressure_pa)
    return relative_humidity_pct_from_vapour_pressure(temperature_c, vapour_pa)


def density_kg_m3(
    temperature_c: Value, relative_humidity_pct: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Density of moist air.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)
    pressure_pa : P, Pa, valid 50000 to 110000

    Returns
    -------
    rho, kg/m3; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    (P - f e) / (287.047 T) + f e / (461.523 T). Within 0.1 % of the virial equation of state over 0 to 40 degC.

    References
    ----------
    Ideal-gas mixture; constants from Picard et al. 2008, CIPM-2007, Metrologia 45, 149-155.

    Examples
    --------
    >>> round(density_kg_m3(26.0, 80.0), 3)
    1.168
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    effective = enhancement_factor(temperature_c, pressure_pa) * vapour_pressure_pa(temperature_c, relative_humidity_pct)
    kelvin = temperature_c + ZERO_CELSIUS_K
    return (pressure_pa - effective) / (R_DRY_AIR * kelvin) + effective / (R_VAPOUR * kelvin)


def enthalpy_kj_kg(
    temperature_c: Value, relative_humidity_pct: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Specific enthalpy of moist air per kilogram of dry air; zero for dry air and liquid water at 0 degC.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)
    pressure_pa : P, Pa, valid 50000 to 110000

    Returns
    -------
    h, kJ/kg dry air; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    h = 1.006 t + w (2501 + 1.86 t). Within 0.15 kJ/kg of the virial equation of state over 0 to 40 degC.
    Inverse: `temperature_c_from_enthalpy` at known mixing ratio.

    References
    ----------
    ASHRAE Handbook Fundamentals 2017, chapter 1, equation 30.

    Examples
    --------
    >>> round(enthalpy_kj_kg(26.0, 80.0), 1)
    69.6
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    return _enthalpy(temperature_c, mixing_ratio_g_kg(temperature_c, relative_humidity_pct, pressure_pa))


def _enthalpy(temperature_c: Value, mixing_g_kg: Value) -> Value:
    return 1.006 * temperature_c + mixing_g_kg / 1000.0 * (2501.0 + 1.86 * temperature_c)


def temperature_c_from_enthalpy(enthalpy_kj_kg: Value, mixing_ratio_g_kg: Value) -> Value:
    """Return the temperature, degC, of air with this enthalpy, kJ/kg dry air, and mixing ratio, g/kg."""
    w = mixing_ratio_g_kg / 1000.0
    return (enthalpy_kj_kg - 2501.0 * w) / (1.006 + 1.86 * w)


def wet_bulb_c(
    temperature_c: Value, relative_humidity_pct: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Thermodynamic wet-bulb temperature over liquid water (adiabatic saturation).

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)
    pressure_pa : P, Pa, valid 50000 to 110000

    Returns
    -------
    T_w, degC; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    h(T, w) + (w_s(T_w) - w) 4.186 T_w = h(T_w, w_s(T_w)), solved by Newton steps from T; residual below 1e-9 K.
    Within 0.01 K of the virial equation of state over 15 to 40 degC. Over supercooled water below 0 degC, never ice.
    Inverse: `relative_humidity_pct_from_wet_bulb`, same balance.

    References
    ----------
    ASHRAE Handbook Fundamentals 2017, chapter 1, equation 33.

    Examples
    --------
    >>> round(wet_bulb_c(26.0, 80.0), 1)
    23.3
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    w = mixing_ratio_g_kg(temperature_c, relative_humidity_pct, pressure_pa) / 1000.0
    wet = temperature_c + 0.0 * w
    for _ in range(_ROUNDS):
        saturated = _saturated_share(wet, pressure_pa)
        gap = _wet_bulb_gap(temperature_c, w, wet, saturated)
        slope = (2501.0 + 1.86 * wet - 4.186 * wet) * saturated * log_slope(wet) + 1.006
        wet = wet - gap / slope
    return wet


def _saturated_share(wet_c: Value, pressure_pa: float) -> Value:
    return _mixing_ratio(wet_c, saturation_vapour_pressure_pa(wet_c), pressure_pa) / 1000.0


def _wet_bulb_gap(temperature_c: Value, w: Value, wet_c: Value, saturated: Value) -> Value:
    """Return by how much the enthalpy of saturated air at the wet bulb exceeds the balance, kJ/kg."""
    given = 1.006 * temperature_c + w * (2501.0 + 1.86 * temperature_c)
    reached = 1.006 * wet_c + saturated * (2501.0 + 1.86 * wet_c)
    return reached - given - (saturated - w) * 4.186 * wet_c


def relative_humidity_pct_from_wet_bulb(
    temperature_c: Value, wet_bulb_c: Value, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Value:
    """Return RH, %RH, of air with this thermodynamic wet bulb; above 100 where it exceeds the air temperature.

    OutOfRange names the mixing ratio where the wet bulb is colder than dry air could make it.
    """
    temperature_c, wet_bulb_c = TEMPERATURE.accept(temperature_c), TEMPERATURE.accept(wet_bulb_c)
    saturated = _saturated_share(wet_bulb_c, pressure_pa)
    w = (saturated * (2501.0 - 2.326 * wet_bulb_c) - 1.006 * (temperature_c - wet_bulb_c)) / (
        2501.0 + 1.86 * temperature_c - 4.186 * wet_bulb_c
    )
    return relative_humidity_pct_from_mixing_ratio(temperature_c, 1000.0 * w, pressure_pa)
