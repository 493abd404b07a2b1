"""Wet air and the probes that hang in it by twos: a kept box, one that is misted, a foggy meadow, a greenhouse.

Balances of water by August's and Magnus' form (WMO No. 8 gives its figures; the rules use others), of ground, glass and drops.
A probe errs by a part of its stated accuracy, lags, and tells in its steps. All figures: own estimates.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, pi

import numpy as np
from healthy_air import DAY_MS, START_MS, Air, Logger
from numpy.typing import NDArray
from strange_air import wander

Draw = np.random.Generator
Floats = NDArray[np.float64]


def full_pa(air_c: float) -> float:
    return 611.2 * exp(17.62 * air_c / (243.12 + air_c))


def _box(draw: Draw, days: float, every_s: int, mists_a_day: float) -> Air:
    """Wet ground gives water until the air holds 84 %RH of what it could; the keeper mists by day, or opens the lid."""
    count = round(days * 86_400 / every_s)
    hour = np.arange(count) * every_s / 3600
    mat = 0.15 * np.sin(hour * 2 * pi / 0.4)
    aim_c = 25.8 + 0.35 * np.sin((hour - 9) / 24 * 2 * pi) + mat + wander(draw, count, every_s, 2.0, 0.15)
    ground_pct = 84.0 + wander(draw, count, every_s, 4.0, 1.2)
    by_day = (hour % 24 > 8) & (hour % 24 < 21)
    misted = by_day & (draw.random(count) < mists_a_day * every_s / 46_800)
    opened = by_day & (draw.random(count) < 0.4 * every_s / 46_800)
    drops_pa, vapour, cold_k, temperature, humidity = 0.0, 0.84 * full_pa(25.8), 0.0, [], []
    for aim, ground, mist, lid in zip(aim_c.tolist(), ground_pct.tolist(), misted.tolist(), opened.tolist(), strict=True):
        drops_pa += 700.0 * mist
        cold_k = cold_k * exp(-every_s / 900) + 0.5 * mist + 0.4 * lid
        air_c = aim - cold_k
        gives = min(drops_pa, (1.0 - exp(-every_s / 240)) * max(full_pa(air_c) - vapour, 0.0))
        drops_pa, vapour = drops_pa - gives, vapour + gives
        vapour += (1.0 - exp(-every_s / 2700)) * (ground / 100 * full_pa(air_c) - vapour) - 250.0 * lid
        vapour = min(vapour, full_pa(air_c))
        temperature.append(air_c)
        humidity.append(100.0 * vapour / full_pa(air_c))
    return _air(hour, temperature, humidity)


def kept_box(draw: Draw, days: float, every_s: int) -> Air:
    return _box(draw, days, every_s, 0.0)


def misted_box(draw: Draw, days: float, every_s: int) -> Air:
    return _box(draw, days, every_s, 4.0)


def foggy_meadow(draw: Draw, days: float, every_s: int) -> Air:
    """Each clear night cools it below its dew point: fog within minutes, drops that the morning dries, showers."""
    count = round(days * 86_400 / every_s)
    hour = np.arange(count) * every_s / 3600
    clear = np.clip(1.0 + wander(draw, count, every_s, 24.0, 0.5), 0.1, 2.0)
    air_c = 14.0 + 5.0 * clear * np.sin((hour - 9) / 24 * 2 * pi) + wander(draw, count, every_s, 60.0, 3.0)
    air_c += wander(draw, count, every_s, 0.5, 0.3)
    dew_c = air_c.mean() - 2.5 + wander(draw, count, every_s, 36.0, 2.0)
    raining = draw.random(count) < 0.5 * every_s / 86_400
    rain, drops_pa, humidity = 0.0, 0.0, []
    for air, dew, falls in zip(air_c.tolist(), dew_c.tolist(), raining.tolist(), strict=True):
        rain = 1.0 if falls else rain * exp(-every_s / 2400)
        vapour = full_pa(dew) + rain * 0.9 * max(full_pa(air) - full_pa(dew), 0.0)
        if vapour > full_pa(air):
            drops_pa = min(drops_pa + (vapour - full_pa(air)) * every_s / 3600, 150.0)
        gives = min(drops_pa, 0.8 * max(full_pa(air) - vapour, 0.0))
        drops_pa -= gives * every_s / 3600
        humidity.append(100.0 * min((vapour + gives) / full_pa(air), 1.005))
    return _air(hour, air_c.tolist(), humidity)


def greenhouse(draw: Draw, days: float, every_s: int) -> Air:
    """Sun between clouds, wet beds, cold glass on which it drips by night."""
    count = round(days * 86_400 / every_s)
    hour = np.arange(count) * every_s / 3600
    sun = np.clip(np.sin((hour - 6) / 12 * pi) * (hour % 24 > 6) * (hour % 24 < 18), 0.0, None)
    sun *= np.clip(0.7 + wander(draw, count, every_s, 1.0, 0.3), 0.1, 1.2)
    out_c = 8.0 + 3.0 * np.sin((hour - 9) / 24 * 2 * pi) + wander(draw, count, every_s, 40.0, 1.5)
    box, vapour, temperature, humidity = 9.0, 1100.0, [], []
    for shine, cold in zip(sun.tolist(), out_c.tolist(), strict=True):
        box += every_s / 2700 * (cold + 20.0 * shine - box)
        aired = (0.4 + 2.0 * shine) * (vapour - 0.8 * full_pa(cold))
        vapour += every_s / 3600 * (1.2 * (full_pa(box + shine) - vapour) - aired)
        vapour = min(vapour, full_pa(box))
        temperature.append(box)
        humidity.append(100.0 * vapour / full_pa(box))
    return _air(hour, temperature, humidity)


def _air(hour: Floats, temperature_c: list[float], humidity_pct: list[float]) -> Air:
    return Air(START_MS + np.rint(hour * 3_600_000).astype(np.int64), np.array(temperature_c), np.array(humidity_pct))


WET: dict[str, Callable[[Draw, float, int], Air]] = {one.__name__: one for one in (misted_box, foggy_meadow, greenhouse)}


def probe_in(course: Air, draw: Draw, logger: Logger) -> Air:
    """Return what one sound probe says there: its own errors, its own spot, its own moment of each interval."""
    count, every_s = len(course.at_ms), float(course.at_ms[1] - course.at_ms[0]) / 1000
    spot = [wander(draw, count, round(every_s), 0.5, size) for size in (0.04, 0.25)]
    felt = [
        probe_lag(values, every_s, lag_s) + draw.uniform(-off, off) + here + draw.normal(0.0, fine, count)
        for values, lag_s, off, here, fine in zip(
            (course.temperature_c, course.humidity_pct), (120.0, 30.0), (0.25, 1.6), spot, (0.015, 0.06), strict=True
        )
    ]
    shift_ms = round(draw.uniform(0.0, min(logger.interval_s, 60)) * 1000)
    told = logger.hear(Air(course.at_ms, *felt))
    return Air(told.at_ms + shift_ms, told.temperature_c, told.humidity_pct)


def probe_lag(values: Floats, every_s: float, lag_s: float) -> Floats:
    keep, value, course = exp(-every_s / lag_s), float(values[0]), []
    for aim in values.tolist():
        value = keep * value + (1 - keep) * aim
        course.append(value)
    return np.array(course)


def stuck(told: Air, quantity: str, after_days: float) -> Air:
    """Return what it says when one of its quantities stands from then on."""
    at = int(np.searchsorted(told.at_ms, START_MS + after_days * DAY_MS))
    temperature_c, humidity_pct = told.temperature_c.copy(), told.humidity_pct.copy()
    one = temperature_c if quantity == "temperature" else humidity_pct
    one[at:] = one[at]
    return Air(told.at_ms, temperature_c, humidity_pct)
