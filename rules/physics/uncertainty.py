"""Standard uncertainty of what is derived from a probe, first order (JCGM 100:2008, 5.1.2), and what it says of the lid.

Every function takes numbers or arrays and returns alike; `u_` are standard uncertainties (one sigma). Temperature and
humidity of one probe are taken as independent of each other. Nothing here raises on a bad reading: where an input is
NaN or outside the range of `rules.physics.vapour`, the uncertainty is NaN, as the value itself is.
"""

from __future__ import annotations

from math import erfc, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.physics.moist_air import STANDARD_PRESSURE_PA, absolute_humidity_g_m3_or_nan
from rules.physics.saturation import (
    ZERO_CELSIUS_K,
    Array,
    Value,
    as_numbers,
    dew_point_of_one_or_nan,
    dew_points_or_nan,
    log_slope,
    square_root,
)
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan, share_or_nan

Number = float | Array

HUMID_PCT = 90.0
"""Above this, humidity probes lose accuracy and creep: common practice, no source."""


def standard_uncertainty_from_limits(limits: Value) -> Value:
    """Return the standard uncertainty of a stated accuracy +-a: a rectangular distribution, a/sqrt(3) (JCGM 100, 4.3.7)."""
    return limits / sqrt(3.0)


def humidity_standard_uncertainty_pct(relative_humidity_pct: Value, limits_pct: float) -> Value:
    """Return the standard uncertainty of a humidity reading; doubled by and by from 90 to 95 %RH, where probes creep.

    The doubling is common practice, no source.
    """
    base = standard_uncertainty_from_limits(limits_pct)
    if isinstance(relative_humidity_pct, float):
        return base * (1.0 + min(1.0, max(0.0, (relative_humidity_pct - HUMID_PCT) / 5.0)))
    return base * (1.0 + np.clip((relative_humidity_pct - HUMID_PCT) / 5.0, 0.0, 1.0))


def _root_of_squares(*terms: Any) -> Any:
    total = terms[0] * terms[0]
    for term in terms[1:]:
        total = total + term * term
    return square_root(total)


def dew_point_or_nan(temperature_c: Value, relative_humidity_pct: Value) -> Value:
    """Return the dew point, degC, shaped as the inputs; NaN in or out of range gives NaN out."""
    t, rh = temperature_c, relative_humidity_pct
    if isinstance(t, float) and isinstance(rh, float):
        return dew_point_of_one_or_nan(t, rh)
    return dew_points_or_nan(as_numbers("temperature_c", t), as_numbers("relative_humidity_pct", rh))


def dew_point_sensitivities(temperature_c: Value, relative_humidity_pct: Value) -> tuple[Value, Value]:
    """How the dew point follows temperature and humidity.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH, valid above 0 to 104 (100 to 104 counts as 100)

    Returns
    -------
    c_T = dT_d/dT, K/K, and c_U = dT_d/dRH, K/%RH; shape as the inputs

    Raises
    ------
    nothing; NaN in or out of range gives NaN out

    Notes
    -----
    With k = d ln p_s / dT: c_T = k(T)/k(T_d), c_U = 1/(RH k(T_d)). About 0.97 and 0.2 K/%RH at 24 degC, 80 %RH.

    References
    ----------
    JCGM 100:2008, 5.1.3; k from IAPWS R7-97(2012), section 8.

    Examples
    --------
    >>> c_t, c_u = dew_point_sensitivities(24.0, 80.0)
    >>> round(c_t, 3), round(c_u, 3)
    (0.972, 0.202)
    """
    dew_c = dew_point_or_nan(temperature_c, relative_humidity_pct)
    slope = log_slope(dew_c)
    rh = relative_humidity_pct
    share: Value = min(rh, 100.0) if isinstance(rh, float) else np.minimum(rh, 100.0)
    return log_slope(temperature_c) / slope, 1.0 / (share * slope)


def dew_point_uncertainty_k(
    temperature_c: Value, relative_humidity_pct: Value, u_temperature_k: Number, u_relative_humidity_pct: Number
) -> Value:
    """Standard uncertainty of the dew point of one probe.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80
    relative_humidity_pct : RH, %RH, valid above 0 to 104 (100 to 104 counts as 100)
    u_temperature_k : u(T), K, valid from 0
    u_relative_humidity_pct : u(RH), %RH, valid from 0

    Returns
    -------
    u(T_d), K; shape as the inputs

    Raises
    ------
    nothing; NaN in or out of range gives NaN out

    Notes
    -----
    u^2 = (c_T u_T)^2 + (c_U u_RH)^2. Within 5 % of Monte Carlo (JCGM 101) for u(RH) up to 5 %RH above 40 %RH, as
    long as RH lies 1.5 u(RH) or more below saturation. Nearer, readings above 100 %RH count as 100, which no first order sees:
    at 100 %RH it overstates the spread by 1.2 to 1.6 times, and the mean lies up to 0.4 K below the dew point told.

    References
    ----------
    JCGM 100:2008, equation 10.

    Examples
    --------
    >>> round(dew_point_uncertainty_k(24.0, 80.0, 0.3 / 3**0.5, 2.0 / 3**0.5), 2)
    0.29
    """
    c_t, c_u = dew_point_sensitivities(temperature_c, relative_humidity_pct)
    result: Value = _root_of_squares(c_t * u_temperature_k, c_u * u_relative_humidity_pct)
    return result


def dew_margin_uncertainty_k(
    temperature_c: Value,
    relative_humidity_pct: Value,
    u_temperature_k: Number,
    u_relative_humidity_pct: Number,
    room_temperature_c: Value,
    u_room_temperature_k: Number,
    factor: float,
    u_factor: float,
) -> Value:
    """Standard uncertainty of the dew margin (lid temperature minus dew point) of an estimated lid.

    Parameters
    ----------
    temperature_c : T, degC, valid -40 to 80, of the chamber
    relative_humidity_pct : RH, %RH, valid above 0 to 104
    u_temperature_k, u_relative_humidity_pct : of that probe
    room_temperature_c, u_room_temperature_k : T_r, degC, and u(T_r), K
    factor, u_factor : f, temperature factor of the lid, 0 to 1, and its standard uncertainty

    Returns
    -------
    u(M), K; shape as the inputs

    Raises
    ------
    nothing; NaN in or out of range gives NaN out

    Notes
    -----
    M = T_r + f (T - T_r) - T_d(T, RH), so u^2 = ((T - T_r) u_f)^2 + (c_U u_RH)^2 + ((f - c_T) u_T)^2 +
    ((1 - f) u_Tr)^2: the chamber thermometer stands on both sides and partly cancels. A lid that lags answers to a
    lasting error in the same way.

    References
    ----------
    JCGM 100:2008, equation 10.

    Examples
    --------
    >>> round(dew_margin_uncertainty_k(26.0, 80.0, 0.173, 1.155, 20.0, 0.173, 0.42, 0.064), 2)
    0.47
    """
    c_t, c_u = dew_point_sensitivities(temperature_c, relative_humidity_pct)
    result: Value = _root_of_squares(
        (temperature_c - room_temperature_c) * u_factor,
        c_u * u_relative_humidity_pct,
        (factor - c_t) * u_temperature_k,
        (1.0 - factor) * u_room_temperature_k,
    )
    return result


def dew_margin_uncertainty_of_measured_lid_k(
    temperature_c: Value,
    relative_humidity_pct: Value,
    u_temperature_k: Number,
    u_relative_humidity_pct: Number,
    u_lid_k: Number,
) -> Value:
    """Return the standard uncertainty, K, of the dew margin under a lid with its own probe: u(T_lid) joined to u(T_d).

    Examples
    --------
    >>> round(dew_margin_uncertainty_of_measured_lid_k(26.0, 80.0, 0.173, 1.155, 0.173), 2)
    0.34
    """
    u_dew_k: Value = dew_point_uncertainty_k(
        temperature_c, relative_humidity_pct, u_temperature_k, u_relative_humidity_pct
    )
    result: Value = _root_of_squares(u_dew_k, u_lid_k)
    return result


def vapour_pressure_uncertainty_pa(
    temperature_c: Value, relative_humidity_pct: Value, u_temperature_k: Number, u_relative_humidity_pct: Number
) -> Value:
    """Return the standard uncertainty, Pa, of the vapour pressure: e (k u_T) joined to p_s u_RH / 100."""
    saturation: Any = _plain(saturation_vapour_pressure_pa_or_nan(temperature_c))
    vapour = saturation * _plain(share_or_nan(relative_humidity_pct))
    result: Value = _root_of_squares(
        vapour * log_slope(temperature_c) * u_temperature_k, saturation * u_relative_humidity_pct / 100.0
    )
    return result


def vapour_pressure_deficit_uncertainty_pa(
    temperature_c: Value, relative_humidity_pct: Value, u_temperature_k: Number, u_relative_humidity_pct: Number
) -> Value:
    """Return the standard uncertainty, Pa, of the vapour pressure deficit: VPD (k u_T) joined to p_s u_RH / 100."""
    saturation: Any = _plain(saturation_vapour_pressure_pa_or_nan(temperature_c))
    deficit = saturation * (1.0 - _plain(share_or_nan(relative_humidity_pct)))
    result: Value = _root_of_squares(
        deficit * log_slope(temperature_c) * u_temperature_k, saturation * u_relative_humidity_pct / 100.0
    )
    return result


def absolute_humidity_uncertainty_g_m3(
    temperature_c: Value,
    relative_humidity_pct: Value,
    u_temperature_k: Number,
    u_relative_humidity_pct: Number,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> Value:
    """Return the standard uncertainty, g/m3, of the absolute humidity d: d ((k - 1/T) u_T) joined to d u_RH / RH."""
    density: Any = _plain(absolute_humidity_g_m3_or_nan(temperature_c, relative_humidity_pct, pressure_pa))
    share = _plain(share_or_nan(relative_humidity_pct))
    slope = log_slope(temperature_c) - 1.0 / (temperature_c + ZERO_CELSIUS_K)
    result: Value = _root_of_squares(
        density * slope * u_temperature_k, density * u_relative_humidity_pct / (100.0 * share)
    )
    return result


def _plain(values: NDArray[np.float64]) -> Any:
    return values if values.ndim else float(values)


def probability_below(value: Value, u: Number, limit: float = 0.0) -> Value:
    """Probability that the true value lies below the limit, for a normal error.

    Parameters
    ----------
    value : estimate, any unit
    u : standard uncertainty, same unit, valid from 0 (0: certain)
    limit : same unit

    Returns
    -------
    probability, 0 to 1; shape as the inputs

    Raises
    ------
    nothing; NaN in gives NaN out

    Notes
    -----
    Phi((limit - value)/u) by erfc, so that numbers and arrays agree exactly; u = 0 gives 0, 0.5 or 1.

    References
    ----------
    JCGM 106:2012, 7.2 (conformance probability).

    Examples
    --------
    >>> round(probability_below(-0.47, 0.47), 3)
    0.841
    """
    if isinstance(value, float) and isinstance(u, float):
        return _probability_of_one(limit - value, u)
    gaps, widths = np.broadcast_arrays(limit - np.asarray(value), np.asarray(u))
    pairs = map(_probability_of_one, gaps.ravel().tolist(), widths.ravel().tolist())
    result: Any = np.fromiter(pairs, np.float64, gaps.size).reshape(gaps.shape)
    return result  # type: ignore[no-any-return]


def _probability_of_one(gap: float, u: float) -> float:
    if gap != gap or u != u:
        return gap + u
    if u > 0.0:
        return 0.5 * erfc(-gap / (u * sqrt(2.0)))
    return 0.5 if gap == 0.0 else float(gap > 0.0)


def probability_wet(margin_k: Value, u_margin_k: Number) -> Value:
    """Return the probability that the lid is below the dew point, from the dew margin and its standard uncertainty, K."""
    return probability_below(margin_k, u_margin_k)
