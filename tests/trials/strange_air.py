"""Healthy probes where hardly anybody hangs one: over silica gel, in a desert, in a steam room, in a dead gallery of a mine,
under plastic that is wet with dew, in a refrigerator.

Balances of vapour and of films of water, with Buck's equation (1981): nothing that `rules` knows. All figures: own estimates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import exp, pi, sin

import numpy as np
from healthy_air import START_MS, Air

Draw = np.random.Generator
Floats = np.ndarray


def saturated_g_m3(air_c: float) -> float:
    """Vapour in saturated air: Buck 1981, J. Appl. Meteorol. 20, eq. 8."""
    return 611.21 * exp(17.502 * air_c / (240.97 + air_c)) / 461.5 / (air_c + 273.15) * 1000


def wander(draw: Draw, count: int, every_s: int, hours: float, size: float) -> Floats:
    """Noise with a memory of so many hours."""
    keep, value, course = exp(-every_s / 3600 / hours), draw.normal(0.0, size), []
    for kick in draw.normal(0.0, size * (1 - keep**2) ** 0.5, count).tolist():
        value = keep * value + kick
        course.append(value)
    return np.array(course)


def hours_of(days: float, every_s: int) -> Floats:
    return np.arange(round(days * 86_400 / every_s)) * every_s / 3600


def air(hours: Floats, temperature_c: Floats, humidity_pct: Floats) -> Air:
    return Air(START_MS + np.rint(hours * 3_600_000).astype(np.int64), temperature_c, humidity_pct)


def silica_box(draw: Draw, days: float, every_s: int) -> Air:
    """Gel holds it at 0.3 to 6 %RH, of the room's temperature; now and then somebody opens it."""
    hour = hours_of(days, every_s)
    temperature = 21.0 + sin(draw.uniform(0, 6)) * np.sin(hour / 24 * 2 * pi) + wander(draw, len(hour), every_s, 20.0, 0.4)
    gel_pct, keep, value, humidity = draw.choice((0.3, 1.0, 3.0, 6.0)), exp(-every_s / 3600 / draw.choice((0.3, 2.0))), 40.0, []
    for opened in (draw.random(len(hour)) < 0.3 * every_s / 86_400).tolist():
        value = 30.0 if opened else gel_pct + (value - gel_pct) * keep
        humidity.append(value)
    return air(hour, temperature, np.array(humidity) + wander(draw, len(hour), every_s, 10.0, 0.05 * gel_pct))


def desert(draw: Draw, days: float, every_s: int) -> Air:
    """10 degC before dawn, 40 at noon, a dew point far below frost."""
    hour = hours_of(days, every_s)
    temperature = 25.0 + 11.0 * np.sin((hour - 9) / 24 * 2 * pi) + wander(draw, len(hour), every_s, 60.0, 3.0)
    dew = np.minimum(-14.0 + wander(draw, len(hour), every_s, 40.0, 4.0), temperature - 1.0)
    vapour = [saturated_g_m3(d) * (d + 273.15) / (t + 273.15) for d, t in zip(dew, temperature, strict=True)]
    return air(hour, temperature, 100.0 * np.array(vapour) / [saturated_g_m3(t) for t in temperature])


STRANGE: dict[str, Callable[[Draw, float, int], Air]] = {one.__name__: one for one in (silica_box, desert)}


def settled(course: Air, lag_s: float, offset_k: float, offset_pct: float, every_s: int) -> Air:
    """Return what the probe's own element has: it lags, and it errs as cheap ones do."""

    def lagged(values: Floats) -> Iterator[float]:
        keep, value = exp(-every_s / lag_s), float(values[0])
        for aim in values.tolist():
            value = keep * value + (1 - keep) * aim
            yield value

    temperature, humidity = (np.fromiter(lagged(one), float) for one in (course.temperature_c, course.humidity_pct))
    return Air(course.at_ms, temperature + offset_k, humidity + offset_pct)
