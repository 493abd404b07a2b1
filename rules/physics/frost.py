"""Ice: its vapour pressure and the frost point, for completeness; relative humidity stays over liquid water."""

from __future__ import annotations

import numpy as np

from rules.physics.saturation import ICE_TEMPERATURE, TRIPLE_POINT_C, Array, ValidRange, Value, ice_log_slope, ice_pressure
from rules.physics.vapour import saturation_vapour_pressure_pa, vapour_pressure_pa

_FROST_PRESSURE = ValidRange("vapour_pressure_pa", "Pa", ice_pressure(ICE_TEMPERATURE.low), ice_pressure(TRIPLE_POINT_C))


def ice_vapour_pressure_pa(temperature_c: Value) -> Value:
    """Saturation vapour pressure over ice (sublimation pressure), pure phase.

    Parameters
    ----------
    temperature_c : T, degC, valid -60 to 0.01

    Returns
    -------
    p_i, Pa; shape: scalar in, float out; arrays keep their shape, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    Equation 6; stated uncertainty 0.1 % near the triple point to 1 % at 130 K. Deviations from the print: none.
    Inverse: `frost_point_of_pressure_c`, Newton steps on the same equation.

    References
    ----------
    IAPWS R14-08(2011), Revised Release on the Pressure along the Melting and Sublimation Curves, equation 6.

    Examples
    --------
    >>> round(ice_vapour_pressure_pa(-20.0), 2)
    103.24
    """
    return ice_pressure(ICE_TEMPERATURE.accept(temperature_c))


def frost_point_of_pressure_c(vapour_pressure_pa: Value) -> Value:
    """Frost point of a vapour pressure: the temperature at which it saturates over ice.

    Parameters
    ----------
    vapour_pressure_pa : e, Pa, valid 1.08 to 611.657 (saturation over ice at -60 to 0.01 degC)

    Returns
    -------
    T_f, degC; shape: scalar in, float out; arrays keep their shape, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range: above the triple point there is no frost point; NaN gives NaN

    Notes
    -----
    Five Newton steps on ln p_i(T) = ln e from the Magnus form of WMO-No. 8; residual below 1e-10 K.
    Inverse: `ice_vapour_pressure_pa`, same source and coefficients.

    References
    ----------
    IAPWS R14-08(2011), equation 6.

    Examples
    --------
    >>> round(frost_point_of_pressure_c(103.239), 3)
    -20.0
    """
    pressure = _FROST_PRESSURE.accept(vapour_pressure_pa)
    if isinstance(pressure, float):
        return float(_frost_points(np.array([pressure]))[0])
    return _frost_points(pressure)


def _frost_points(pressure_pa: Array) -> Array:
    logarithm = np.log(pressure_pa)
    magnus = logarithm - np.log(611.2)
    frost: Array = 272.62 * magnus / (22.46 - magnus)
    for _ in range(5):
        frost = frost - (np.log(ice_pressure(frost)) - logarithm) / ice_log_slope(frost)
    return frost


def frost_point_c(temperature_c: Value, relative_humidity_pct: Value) -> Value:
    """Frost point over ice of air with RH over water; only exists where the vapour pressure is below 611.657 Pa.

    Parameters and errors as `dew_point_c` and `frost_point_of_pressure_c`; inverse of
    `relative_humidity_pct_from_frost_point`.

    Examples
    --------
    >>> round(frost_point_c(-10.0, 80.0), 3)
    -11.409
    """
    return frost_point_of_pressure_c(vapour_pressure_pa(temperature_c, relative_humidity_pct))


def relative_humidity_pct_from_frost_point(temperature_c: Value, frost_point_c: Value) -> Value:
    """Return RH, %RH over liquid water, of air with this frost point, degC, -60 to 0.01."""
    return 100.0 * ice_vapour_pressure_pa(frost_point_c) / saturation_vapour_pressure_pa(temperature_c)
