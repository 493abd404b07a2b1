"""Water vapour in air: pressure, dew point, deficit, relative humidity, and each one's inverse.

Scalar in gives float out, arrays broadcast. NaN in gives NaN out. Out of range raises OutOfRange; the `_or_nan`
forms give NaN instead and are the fast ones for a history. Relative humidity is over liquid water at every
temperature (WMO-No. 8, annex 4.A). From 100 to 104 %RH a probe overshoots: that counts as 100 %.
"""

from __future__ import annotations

from typing import NoReturn

import numpy as np

from rules.physics.saturation import (
    DEW_POINT,
    RELATIVE_HUMIDITY,
    TEMPERATURE,
    Array,
    OutOfRange,
    ValidRange,
    Value,
    as_numbers,
    dew_point_of_one,
    dew_points_or_nan,
    log_slope,
    saturation_pressure_of_one,
    saturation_pressures_or_nan,
)

VAPOUR_PRESSURE = ValidRange(
    "vapour_pressure_pa", "Pa", saturation_pressure_of_one(DEW_POINT.low), saturation_pressure_of_one(DEW_POINT.high)
)


def saturation_vapour_pressure_pa(temperature_c: Value) -> Value:
    """Saturation vapour pressure over liquid water, pure phase, supercooled below 0.01 degC.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80

    Returns
    -------
    p_s, Pa; shape: scalar in, float out; arrays keep their shape, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    Equation 30. Within 0.007 % of IAPWS-95 over 0 to 80 degC and 0.004 % of its metastable extension down to
    -20 degC; within 0.06 % of Murphy and Koop 2005 to -35 degC and 0.24 % at -40 degC (measured).
    Deviations from the print: rescaled quadratics, see `rules.physics.saturation`.
    Inverse: `saturation_temperature_c`, same source and coefficients.

    References
    ----------
    IAPWS R7-97(2012), Revised Release on the Industrial Formulation 1997, section 8, equation 30.

    Examples
    --------
    >>> round(saturation_vapour_pressure_pa(26.0))
    3364
    """
    temperature_c = TEMPERATURE.accept(temperature_c)
    if isinstance(temperature_c, float):
        return saturation_pressure_of_one(temperature_c)
    return saturation_pressures_or_nan(temperature_c)


def log_slope_per_k(temperature_c: Value) -> Value:
    """Relative slope of the saturation curve, d ln p_s / dT, over liquid water.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80

    Returns
    -------
    k, 1/K; shape: scalar in, float out; arrays keep their shape, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    The implicit equation behind equations 30 and 31, differentiated. Within 0.1 % of IAPWS-95 over 0 to 60 degC.

    References
    ----------
    IAPWS R7-97(2012), section 8, equation 29.

    Examples
    --------
    >>> round(log_slope_per_k(26.0), 4)
    0.0592
    """
    return log_slope(TEMPERATURE.accept(temperature_c))


def vapour_pressure_pa(temperature_c: Value, relative_humidity_pct: Value) -> Value:
    """Partial pressure of water vapour, e = RH/100 p_s(T).

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)

    Returns
    -------
    e, Pa; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    Definition of relative humidity; the enhancement factor stands on both sides and cancels.
    Inverse: `relative_humidity_pct_from_vapour_pressure`, same source and coefficients.

    References
    ----------
    WMO-No. 8, Guide to Instruments and Methods of Observation, part I, annex 4.A, (15).

    Examples
    --------
    >>> round(vapour_pressure_pa(26.0, 80.0))
    2691
    """
    return share_of(relative_humidity_pct) * saturation_vapour_pressure_pa(temperature_c)


def share_of(relative_humidity_pct: Value) -> Value:
    """Return RH as a share of saturation, at most 1, checked."""
    relative_humidity_pct = RELATIVE_HUMIDITY.accept(relative_humidity_pct)
    if isinstance(relative_humidity_pct, float):
        return 1.0 if relative_humidity_pct > 100.0 else relative_humidity_pct / 100.0
    return np.minimum(relative_humidity_pct, 100.0) / 100.0


def dew_point_c(temperature_c: Value, relative_humidity_pct: Value) -> Value:
    """Dew point over liquid water (below 0 degC too), enhancement factor left out.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)

    Returns
    -------
    T_d, degC; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range, or the dew point falls below -40 degC; NaN in gives NaN out

    Notes
    -----
    Equations 30 and 31 joined without forming a pressure. Within 0.001 K of IAPWS-95 over 0 to 60 degC and 20 to
    100 %RH; within 0.012 K of real moist air at sea level, with its enhancement factor, up to 40 degC and 0.025 K at
    60 degC and 20 %RH (measured).
    At 100 %RH it returns T to 1e-11 K. Inverse: `relative_humidity_pct_from_dew_point`.

    References
    ----------
    IAPWS R7-97(2012), section 8, equations 30 and 31.

    Examples
    --------
    >>> round(dew_point_c(26.0, 80.0), 2)
    22.28
    """
    if type(temperature_c) is float and type(relative_humidity_pct) is float and _usual(temperature_c, relative_humidity_pct):
        dew_c = dew_point_of_one(temperature_c, relative_humidity_pct)  # the way of every live reading
        if dew_c == dew_c:
            return dew_c
    t, rh = TEMPERATURE.accept(temperature_c), RELATIVE_HUMIDITY.accept(relative_humidity_pct)
    if isinstance(t, float) and isinstance(rh, float):
        dew_c = dew_point_of_one(t, rh)
        return _too_dry(t, rh) if dew_c != dew_c and t == t and rh == rh else dew_c
    t, rh = np.broadcast_arrays(t, rh)
    dew = dew_points_or_nan(t, rh)
    lost = np.isnan(dew) & ~np.isnan(t) & ~np.isnan(rh)
    if lost.any():
        _too_dry(float(t[lost].flat[0]), float(rh[lost].flat[0]))
    return dew


def _usual(temperature_c: float, relative_humidity_pct: float) -> bool:
    return -40.0 <= temperature_c <= 80.0 and 0.0 < relative_humidity_pct <= 104.0


def _too_dry(temperature_c: float, relative_humidity_pct: float) -> NoReturn:
    lowest_pct = 100.0 * VAPOUR_PRESSURE.low / saturation_pressure_of_one(temperature_c)
    raise OutOfRange(
        "relative_humidity_pct", relative_humidity_pct,
        f"at {temperature_c:g} degC {lowest_pct:.3g} to {RELATIVE_HUMIDITY.high:g} %RH (dew point {DEW_POINT.allowed})",
    )


def vapour_pressure_deficit_pa(temperature_c: Value, relative_humidity_pct: Value) -> Value:
    """Vapour pressure deficit, p_s(T) - e: the drying power of the air.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH over liquid water, valid above 0 to 104 (100 to 104 counts as 100)

    Returns
    -------
    VPD, Pa; shape: scalar in, float out; arrays broadcast, dtype float64

    Raises
    ------
    OutOfRange : if any value leaves its valid range; NaN in gives NaN out

    Notes
    -----
    p_s (1 - RH/100); within 0.007 % of p_s. Inverse: `relative_humidity_pct_from_deficit`.

    References
    ----------
    Allen, Pereira, Raes and Smith 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, chapter 3.

    Examples
    --------
    >>> round(vapour_pressure_deficit_pa(26.0, 80.0))
    673
    """
    return (1.0 - share_of(relative_humidity_pct)) * saturation_vapour_pressure_pa(temperature_c)


# ---------------------------------------------------------------- inverses


def relative_humidity_pct_from_dew_point(temperature_c: Value, dew_point_c: Value) -> Value:
    """Return RH, %RH, of air with this dew point, degC, -40 to 80; inverse of `dew_point_c`, same source."""
    dew = DEW_POINT.accept(dew_point_c)
    return 100.0 * saturation_vapour_pressure_pa(dew) / saturation_vapour_pressure_pa(temperature_c)


# ---------------------------------------------------------------- never raising, for histories


def dew_point_c_or_nan(temperature_c: float | Array, relative_humidity_pct: float | Array) -> Array:
    """Return `dew_point_c` as an array, NaN wherever it would raise; about 14 ms for 1e6 values."""
    return dew_points_or_nan(
        as_numbers("temperature_c", temperature_c), as_numbers("relative_humidity_pct", relative_humidity_pct)
    )


def saturation_vapour_pressure_pa_or_nan(temperature_c: float | Array) -> Array:
    """Return `saturation_vapour_pressure_pa` as an array, NaN wherever it would raise."""
    return saturation_pressures_or_nan(as_numbers("temperature_c", temperature_c))


def share_or_nan(relative_humidity_pct: float | Array) -> Array:
    """Return RH as a share of saturation, at most 1, NaN wherever it is out of range."""
    rh = as_numbers("relative_humidity_pct", relative_humidity_pct)
    return np.where(RELATIVE_HUMIDITY.inside(rh), np.minimum(rh, 100.0) / 100.0, np.nan)


def vapour_pressure_pa_or_nan(temperature_c: float | Array, relative_humidity_pct: float | Array) -> Array:
    """Return `vapour_pressure_pa` as an array, NaN wherever it would raise."""
    return share_or_nan(relative_humidity_pct) * saturation_vapour_pressure_pa_or_nan(temperature_c)


def vapour_pressure_deficit_pa_or_nan(temperature_c: float | Array, relative_humidity_pct: float | Array) -> Array:
    """Return `vapour_pressure_deficit_pa` as an array, NaN wherever it would raise."""
    return (1.0 - share_or_nan(relative_humidity_pct)) * saturation_vapour_pressure_pa_or_nan(temperature_c)
