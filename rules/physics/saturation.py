"""Saturation of water vapour and its exact inverse, for one value and for arrays, from one set of coefficients.

IAPWS-IF97 region 4 is one implicit equation between beta = (p / 1 MPa)^(1/4) and v = T + n9/(T - n10), quadratic
in each. So pressure and temperature are closed forms of each other, with square roots only: no exp, no log, no
iteration. Two deviations from the printed form, both algebraically exact:

* The inverse takes the root as (-F + sqrt(F^2 - 4EG)) / 2E. The printed 2G / (-F - sqrt(F^2 - 4EG)) loses digits
  where G passes through zero (near -20 degC): 2e-9 K there against 5e-13 K here, measured over -25 to 80 degC.
* Each quadratic is divided by its leading coefficient and v is counted from n10, which saves multiplications; the
  constants below are computed from the published ones. The scalar and the array form do the same operations in the
  same order.

The dew point never forms a pressure: beta_dew = beta_s(T) (RH/100)^(1/4), two square roots. In all it is 3 divisions, 5 roots
and 40 additions and products, each rounded alike on every machine, in the scalar and in the array form. Where numpy has AVX-512
that is six times np.exp + np.log; no other way keeps the accuracy in half of it (DEVELOPERS.md, "Speed").

References: IAPWS R7-97(2012), section 8, equations 30, 31 and table 34; IAPWS R14-08(2011), equation 6 for ice.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Value = TypeVar("Value", float, Array)

ZERO_CELSIUS_K = 273.15  # by definition
TRIPLE_POINT_C = 0.01  # ITS-90, by definition

_N1, _N2, _N3 = 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2  # IAPWS R7-97(2012) table 34
_N4, _N5, _N6 = 0.12020824702470e5, -0.32325550322333e7, 0.14915108613530e2  # IAPWS R7-97(2012) table 34
# IAPWS R7-97(2012) table 34.
_N7, _N8, _N9, _N10 = -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3


def _monic_from_n10(linear: float, constant: float) -> tuple[float, float]:
    return linear + 2.0 * _N10, _N10 * _N10 + linear * _N10 + constant


_Y = ZERO_CELSIUS_K - _N10
_A1, _A0 = _monic_from_n10(_N1, _N2)
_B1, _B0 = _monic_from_n10(_N4 / _N3, _N5 / _N3)
_C1, _C0 = _monic_from_n10(_N7 / _N6, _N8 / _N6)
_FORWARD = 4.0 * _N6 / _N3**2
# z below is beta / _BETA for p in MPa at 100 %; w = z RH^(1/4) with RH in percent, so _W carries 0.01^(1/4).
_BETA = -2.0 * _N6 / _N3
_W: float = _BETA * 0.01**0.25
_E1, _E0 = _N3 / _W, _N6 / _W**2
_F1, _F0 = _N4 / (_N1 * _W), _N7 / (_N1 * _W**2)
_G1, _G0 = _N5 / (_N2 * _W), _N8 / (_N2 * _W**2)
_INVERSE = 4.0 * _N2 / _N1**2
_D = _N1 / 4.0
_HALF_N10 = _N10 / 2.0
_OUT = _N10 - ZERO_CELSIUS_K
_PA_PER_BETA4 = 1e6 * _BETA**4
_ROOT4_100: float = 100.0**0.25  # by definition

BLOCK = 16_384
"""Samples per block of the array form: its five scratch buffers stay in the processor's cache. Measured."""


class OutOfRange(ValueError):
    """A value outside the range in which the formula holds; says which, what it was and what is allowed."""

    def __init__(self, quantity: str, value: float, allowed: str) -> None:
        super().__init__(f"{quantity} = {value:g} is out of range: {allowed} is allowed")
        self.quantity = quantity
        self.value = value
        self.allowed = allowed


@dataclass(frozen=True, slots=True)
class ValidRange:
    """Where a quantity may lie; `above_low` excludes the lower end itself."""

    quantity: str
    unit: str
    low: float
    high: float
    above_low: bool = False

    @property
    def allowed(self) -> str:
        """Return the range in words."""
        start = "above " if self.above_low else ""
        return f"{start}{self.low:g} to {self.high:g} {self.unit}"

    def accept(self, value: Value) -> Value:
        """Return it as float or float64 array; OutOfRange outside, TypeError for what is no number; NaN passes."""
        if isinstance(value, float):
            number = float(value)
            if number != number or (self.low <= number <= self.high and not (self.above_low and number == self.low)):
                return number
            raise OutOfRange(self.quantity, number, self.allowed)
        array = as_numbers(self.quantity, value)
        bad = self.outside(array)
        if bad.any():
            raise OutOfRange(self.quantity, float(array[bad].flat[0]), self.allowed)
        return array if isinstance(value, np.ndarray) or array.ndim else float(array)

    def outside(self, array: Array) -> NDArray[np.bool_]:
        """Return where the array leaves the range; NaN does not."""
        below = array <= self.low if self.above_low else array < self.low
        return np.asarray(below | (array > self.high))

    def inside(self, array: Array) -> NDArray[np.bool_]:
        """Return where the array is a number within the range; NaN is not."""
        above = array > self.low if self.above_low else array >= self.low
        return np.asarray(above & (array <= self.high))


TEMPERATURE = ValidRange("temperature_c", "degC", -40.0, 80.0)  # own estimate
DEW_POINT = ValidRange("dew_point_c", "degC", -40.0, 80.0)  # own estimate
RELATIVE_HUMIDITY = ValidRange("relative_humidity_pct", "%RH", 0.0, 104.0, above_low=True)  # own estimate
PRESSURE = ValidRange("pressure_pa", "Pa", 50_000.0, 110_000.0)  # own estimate


def as_numbers(quantity: str, value: Any) -> Array:
    """Return numbers as float64; TypeError naming the quantity for text, truth values and None."""
    array = np.asarray(value)
    if array.dtype.kind not in "fiu":
        raise TypeError(f"{quantity} = {value!r} is not a number: give a float or an array of floats")
    return array.astype(np.float64, copy=False)


# ---------------------------------------------------------------- one value


def scaled_root(temperature_c: float) -> float:
    """Return z = (p_s / 1 MPa)^(1/4) / _BETA, equation 30."""
    y = temperature_c + _Y
    x = _N9 / y + y
    b = (x + _B1) * x + _B0
    c = (x + _C1) * x + _C0
    return c / (sqrt(b * b - ((x + _A1) * x + _A0) * c * _FORWARD) + b)


_DRIEST_W = scaled_root(DEW_POINT.low) * sqrt(sqrt(100.0))
"""Below this w the dew point leaves its range, and far below it the roots are no longer real."""


def temperature_of(w: float) -> float:
    """Return the saturation temperature, degC, where w = z RH^(1/4), equation 31 by its stable root."""
    e = (w + _E1) * w + _E0
    f = (w + _F1) * w + _F0
    h = (sqrt(f * f - ((w + _G1) * w + _G0) * e * _INVERSE) - f) / e * _D - _HALF_N10
    return h - sqrt(h * h - _N9) + _OUT


def saturation_pressure_of_one(temperature_c: float) -> float:
    """Return the saturation pressure, Pa, of one temperature that is known to be in range."""
    z = scaled_root(temperature_c)
    z2 = z * z  # a power is rounded otherwise than numpy's product
    return z2 * z2 * _PA_PER_BETA4


def dew_point_of_one(temperature_c: float, relative_humidity_pct: float) -> float:
    """Return the dew point, degC, of values known to be in range; NaN where it falls below its own range.

    More than 100 %RH counts as 100; NaN stays NaN.
    """
    share = 100.0 if relative_humidity_pct > 100.0 else relative_humidity_pct
    w = scaled_root(temperature_c) * sqrt(sqrt(share))
    return temperature_of(w) if not w < _DRIEST_W else nan


def saturation_pressure_of_one_or_nan(temperature_c: float) -> float:
    """Return `saturation_pressure_of_one`, NaN where the temperature is NaN or out of range."""
    return saturation_pressure_of_one(temperature_c) if TEMPERATURE.low <= temperature_c <= TEMPERATURE.high else nan


def dew_point_of_one_or_nan(temperature_c: float, relative_humidity_pct: float) -> float:
    """Return `dew_point_of_one`, NaN where an input is NaN or out of range."""
    dry, wet = RELATIVE_HUMIDITY.low, RELATIVE_HUMIDITY.high
    usable = TEMPERATURE.low <= temperature_c <= TEMPERATURE.high and dry < relative_humidity_pct <= wet
    return dew_point_of_one(temperature_c, relative_humidity_pct) if usable else nan


# ---------------------------------------------------------------- arrays, in blocks and in place


class Scratch:
    """Four buffers for one block, so that a pass over a year of data allocates nothing per operation."""

    __slots__ = ("a", "b", "c", "x")

    def __init__(self, size: int) -> None:
        self.x, self.a, self.b, self.c = np.empty((4, size))

    def cut(self, size: int) -> tuple[Array, Array, Array, Array]:
        """Return the buffers, shortened for the last block."""
        return self.x[:size], self.a[:size], self.b[:size], self.c[:size]


def _quadratic(x: Array, linear: float, constant: float, out: Array) -> None:
    np.add(x, linear, out)
    np.multiply(out, x, out)
    np.add(out, constant, out)


def scaled_root_block(t: Array, x: Array, a: Array, b: Array, c: Array) -> None:
    """Leave z of `scaled_root` in `x`; the other three are overwritten."""
    np.add(t, _Y, a)
    np.divide(_N9, a, x)
    np.add(x, a, x)
    _quadratic(x, _B1, _B0, b)
    _quadratic(x, _C1, _C0, c)
    _quadratic(x, _A1, _A0, a)
    np.multiply(a, c, a)
    np.multiply(a, _FORWARD, a)
    np.multiply(b, b, x)
    np.subtract(x, a, x)
    np.sqrt(x, x)
    np.add(x, b, x)
    np.divide(c, x, x)


def temperature_block(x: Array, a: Array, b: Array, c: Array, out: Array) -> None:
    """Write `temperature_of` of w in `x` to `out`; all four buffers are overwritten."""
    _quadratic(x, _E1, _E0, c)
    _quadratic(x, _F1, _F0, b)
    _quadratic(x, _G1, _G0, a)
    np.multiply(a, c, a)
    np.multiply(a, _INVERSE, a)
    np.multiply(b, b, x)
    np.subtract(x, a, x)
    np.sqrt(x, x)
    np.subtract(x, b, x)
    np.divide(x, c, x)
    np.multiply(x, _D, x)
    np.subtract(x, _HALF_N10, x)
    np.multiply(x, x, a)
    np.subtract(a, _N9, a)
    np.sqrt(a, a)
    np.subtract(x, a, out)
    np.add(out, _OUT, out)


def dew_points_or_nan(temperature_c: Array, relative_humidity_pct: Array) -> Array:
    """Return dew points, degC; NaN where an input is NaN or out of range or the dew point falls below its range."""
    if temperature_c.shape == relative_humidity_pct.shape == (1,):  # a live reading: in a tenth of the time
        return np.array([dew_point_of_one_or_nan(temperature_c.item(), relative_humidity_pct.item())])
    t_all, rh_all = np.broadcast_arrays(temperature_c, relative_humidity_pct)
    out = np.empty(t_all.shape)
    t_flat, rh_flat, out_flat = np.ravel(t_all), np.ravel(rh_all), out.reshape(-1)
    scratch = Scratch(min(BLOCK, out.size))
    for start in range(0, out.size, BLOCK):
        stop = min(start + BLOCK, out.size)
        t, rh, bad = _usable(t_flat[start:stop], rh_flat[start:stop])
        x, a, b, c = scratch.cut(stop - start)
        scaled_root_block(t, x, a, b, c)
        np.sqrt(rh, a)
        np.sqrt(a, a)
        np.multiply(x, a, x)
        if x.min() < _DRIEST_W:
            x[x < _DRIEST_W] = np.nan
        part = out_flat[start:stop]
        temperature_block(x, a, b, c, part)
        if bad is not None:
            part[bad] = np.nan
    return out


def saturation_pressures_or_nan(temperature_c: Array) -> Array:
    """Return saturation pressures, Pa, NaN where the temperature is NaN or out of range."""
    if temperature_c.shape == (1,):
        return np.array([saturation_pressure_of_one_or_nan(temperature_c.item())])
    out = np.empty(temperature_c.shape)
    t_flat, out_flat = np.ravel(temperature_c), out.reshape(-1)
    scratch = Scratch(min(BLOCK, out.size))
    for start in range(0, out.size, BLOCK):
        stop = min(start + BLOCK, out.size)
        t, bad = _usable_temperature(t_flat[start:stop])
        x, a, b, c = scratch.cut(stop - start)
        scaled_root_block(t, x, a, b, c)
        np.multiply(x, x, a)
        np.multiply(a, a, a)
        part = out_flat[start:stop]
        np.multiply(a, _PA_PER_BETA4, part)
        if bad is not None:
            part[bad] = np.nan
    return out


def saturation_temperatures(pressure_pa: Array) -> Array:
    """Return the temperatures, degC, whose saturation pressures these are; all in range or NaN."""
    flat = np.ravel(np.sqrt(np.sqrt(pressure_pa / _PA_PER_BETA4)) * _ROOT4_100)
    a, b, c = np.empty((3, flat.size))
    out = np.empty(flat.size)
    temperature_block(flat.copy(), a, b, c, out)
    return out.reshape(pressure_pa.shape)


Bad = NDArray[np.bool_] | None


def _usable_temperature(t: Array) -> tuple[Array, Bad]:
    """Return a block that the formula can take and where it stands for something else."""
    if t.min() >= TEMPERATURE.low and t.max() <= TEMPERATURE.high:
        return t, None
    good = TEMPERATURE.inside(t)
    return np.where(good, t, 20.0), ~good


def _usable(t: Array, rh: Array) -> tuple[Array, Array, Bad]:
    t, bad_t = _usable_temperature(t)
    if rh.min() > RELATIVE_HUMIDITY.low and rh.max() <= 100.0:
        return t, rh, bad_t
    good = RELATIVE_HUMIDITY.inside(rh)
    rh = np.minimum(np.where(good, rh, 50.0), 100.0)
    return t, rh, ~good if bad_t is None else bad_t | ~good


# ---------------------------------------------------------------- slope and ice


def square_root(value: Value) -> Value:
    """Return the root by `math` or numpy, whichever fits."""
    return sqrt(value) if isinstance(value, float) else np.sqrt(value)


def log_slope(temperature_c: Value) -> Value:
    """Return d ln p_s / dT, 1/K, by differentiating the implicit equation of IF97 region 4 (exact)."""
    kelvin = temperature_c + ZERO_CELSIUS_K
    v = kelvin + _N9 / (kelvin - _N10)
    a, b, c = v * v + _N1 * v + _N2, _N3 * v * v + _N4 * v + _N5, _N6 * v * v + _N7 * v + _N8
    beta = 2.0 * c / (-b + square_root(b * b - 4.0 * a * c))
    by_v = beta * beta * (2.0 * v + _N1) + beta * (2.0 * _N3 * v + _N4) + 2.0 * _N6 * v + _N7
    by_beta, above = 2.0 * a * beta + b, kelvin - _N10
    return -4.0 / beta * by_v / by_beta * (1.0 - _N9 / (above * above))
