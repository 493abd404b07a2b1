"""The best known other ways to a dew point, timed beside ours and np.exp + np.log: why it takes more than three times as long.

All work in blocks that stay in the cache, look for values out of range as ours does, and hold over the whole promised range.
Their worst errors are against the closed form of IAPWS-IF97 that we take; that itself is within 0.7 mK of IAPWS-95
(tests/reference/test_worst_errors.py), so what is told here comes on top. DEVELOPERS.md, "Speed", says what follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from dew_point import dispatched
from measure import Row, beside, main, medians_s, stated
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from rules.physics.saturation import (
    DEW_POINT,
    TEMPERATURE,
    log_slope,
    saturation_pressures_or_nan,
    saturation_temperatures,
)
from rules.physics.vapour import dew_point_c_or_nan

COUNT = 1_000_000
ROUNDS = 9
BLOCK = 8_192
TABLE = 4_096
Array = NDArray[Any]
Way = Callable[[Array, Array], Array]
_MIDDLE_C = (TEMPERATURE.low + TEMPERATURE.high) / 2
_HALF_K = (TEMPERATURE.high - TEMPERATURE.low) / 2


def log_pressure(temperature_c: Array) -> Array:
    """Return ln(p_s / Pa)."""
    return np.log(saturation_pressures_or_nan(np.asarray(temperature_c, np.float64)))


def dew_point_of_log(log_pa: Array) -> Array:
    """Return the dew point, degC, of ln(e / Pa)."""
    return saturation_temperatures(np.exp(log_pa))


LOW, HIGH = log_pressure(np.array([DEW_POINT.low, DEW_POINT.high])).tolist()
_MIDDLE, _HALF = (LOW + HIGH) / 2, (HIGH - LOW) / 2


def blocks(temperature_c: Array, humidity_pct: Array) -> Iterable[tuple[slice, Array, Array]]:
    """Yield each block with its inputs, looked through for what is out of range."""
    for start in range(0, len(temperature_c), BLOCK):
        part = slice(start, start + BLOCK)
        t, rh = temperature_c[part], humidity_pct[part]
        assert t.min() >= TEMPERATURE.low and t.max() <= TEMPERATURE.high and rh.min() > 0.0 and rh.max() <= 100.0
        yield part, t, rh


def chebyshev(number: type[np.floating[Any]], degree: int) -> Way:
    """Return the dew point by two near-best polynomials: ln p_s of the temperature, and the temperature of ln e."""
    there = _coefficients(lambda x: (log_pressure(_MIDDLE_C + _HALF_K * x) - _MIDDLE - np.log(100.0)) / _HALF, degree, number)
    back = _coefficients(lambda x: dew_point_of_log(_MIDDLE + _HALF * x), degree, number)

    def way(temperature_c: Array, humidity_pct: Array) -> Array:
        out, buffers = np.empty(len(temperature_c)), np.empty((3, BLOCK), number)
        for part, t, rh in blocks(temperature_c, humidity_pct):
            x, a, b = buffers[:, : len(t)]
            np.subtract(t, _MIDDLE_C, x, casting="same_kind")
            np.multiply(x, number(1.0 / _HALF_K), x)
            _horner(x, there, a)
            b[:] = rh
            np.log(b, b)
            np.multiply(b, number(1.0 / _HALF), b)
            np.add(a, b, a)
            _horner(a, back, x)
            out[part] = x
        return out

    return way


def _coefficients(function: Callable[[Array], Array], degree: int, number: type[np.floating[Any]]) -> list[Any]:
    return [number(each) for each in Chebyshev.interpolate(function, degree).convert(kind=Polynomial).coef]


def _horner(x: Array, coefficients: list[Any], out: Array) -> None:
    np.multiply(x, coefficients[-1], out)
    np.add(out, coefficients[-2], out)
    for coefficient in coefficients[-3::-1]:
        np.multiply(out, x, out)
        np.add(out, coefficient, out)


def newton(temperature_c: Array, humidity_pct: Array) -> Array:
    """Return the dew point by a seed in float32, degree 4, and one step of Newton on ln p_s in float64."""
    seed, out = chebyshev(np.float32, 4)(temperature_c, humidity_pct), np.empty(len(temperature_c))
    for part, t, rh in blocks(temperature_c, humidity_pct):
        over = np.log(saturation_pressures_or_nan(seed[part]) / (saturation_pressures_or_nan(t) * rh) * 100.0)
        out[part] = seed[part] - over / log_slope(seed[part])
    return out


def table(temperature_c: Array, humidity_pct: Array) -> Array:
    """Return the dew point from two tables, linear in between."""
    at_c, at_log = np.linspace(TEMPERATURE.low, TEMPERATURE.high, TABLE), np.linspace(LOW, HIGH, TABLE)
    of_c, of_log = log_pressure(at_c) - np.log(100.0), dew_point_of_log(at_log)
    out = np.empty(len(temperature_c))
    for part, t, rh in blocks(temperature_c, humidity_pct):
        out[part] = np.interp(np.interp(t, at_c, of_c) + np.log(rh), at_log, of_log)
    return out


WAYS: dict[str, Way] = {
    "ours, closed form": dew_point_c_or_nan,
    "polynomials of degree 10, float64": chebyshev(np.float64, 10),
    "polynomials of degree 8, float64": chebyshev(np.float64, 8),
    "polynomials of degree 8, float32": chebyshev(np.float32, 8),
    "polynomials of degree 7, float32": chebyshev(np.float32, 7),
    "polynomials of degree 6, float32": chebyshev(np.float32, 6),
    "seed in float32, one Newton step": newton,
    "two tables of 4,096, linear": table,
}


def rows() -> list[Row]:
    """Return each way's time against the limit pass, and its worst error."""
    points = np.random.default_rng(1)
    temperature_c, humidity_pct = points.uniform(15.0, 35.0, COUNT), points.uniform(40.0, 99.0, COUNT)
    wide_c, wide_pct = points.uniform(-20.0, 80.0, COUNT), points.uniform(15.0, 100.0, COUNT)
    out = np.empty(COUNT)

    def limit() -> None:
        np.log(humidity_pct, out=out)
        np.exp(out, out=out)

    asked: dict[str, Callable[[], object]] = {
        name: lambda way=way: way(temperature_c, humidity_pct) for name, way in WAYS.items()  # type: ignore[misc]
    }
    times = medians_s({"limit": limit} | asked, ROUNDS)
    exact = dew_point_c_or_nan(wide_c, wide_pct)
    part = f"other ways to a dew point, 1e6 points, numpy {'with' if dispatched() else 'without'} AVX-512"
    found = []
    for name, way in WAYS.items():
        found.append(beside(part, name, 1e3 * times[name], "ms", "np.exp + np.log", 1e3 * times["limit"]))
        found.append(stated(part, "  worst error against the closed form", 1e3 * _worst_k(way(wide_c, wide_pct), exact), "mK"))
    return found


def _worst_k(found: Array, exact: Array) -> float:
    return float(np.nanmax(np.abs(found - exact)))


if __name__ == "__main__":
    main(rows)
