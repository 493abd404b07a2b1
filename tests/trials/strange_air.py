"""Healthy probes where hardly anybody hangs one: over silica gel, in a desert, in a steam room, under plastic that is wet
with dew, in a dead gallery of a mine.

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


def steam_room(draw: Draw, days: float, every_s: int) -> Air:
    """Heated from 24 to 43 degC in full fog for some hours a day, then aired."""
    hour, air_c, wall_c, vapour, film = hours_of(days, every_s), 24.0, 24.0, 12.0, 0.0
    begin, end, hot = draw.uniform(7, 16), draw.uniform(18, 23), draw.uniform(40, 43)
    temperature, humidity = [], []
    for clock in (hour % 24).tolist():
        on = begin < clock < end
        air_c += min(every_s / 600, 1.0) * ((hot if on else 24.0) - air_c)
        wall_c += min(every_s / 1800, 1.0) * (air_c - wall_c)
        vapour, film = exchanged(vapour, film, wall_c, 15.0 * every_s / 3600)
        vapour += every_s / 3600 * (400.0 if on else 0.0) + min(every_s / 3600 * (0.5 if on else 3.0), 0.9) * (8.7 - vapour)
        vapour = min(vapour, 1.005 * saturated_g_m3(air_c))
        temperature.append(air_c)
        humidity.append(100.0 * vapour / saturated_g_m3(air_c))
    return air(hour, np.array(temperature) + wander(draw, len(hour), every_s, 0.3, 0.15), np.array(humidity))


def exchanged(vapour: float, film: float, wall_c: float, share: float) -> tuple[float, float]:
    """Return vapour and film of water (g/m3 of air) after air and walls have come together by this share."""
    gives = min(min(share, 0.9) * (saturated_g_m3(wall_c) - vapour), film)
    return vapour + gives, film - gives


def dewy_tunnel(draw: Draw, days: float, every_s: int) -> Air:
    """Plastic over wet beds: by night it drips; the sun warms it by 5 K an hour, and it is wet until the dew is gone."""
    hour = hours_of(days, every_s)
    outside = draw.uniform(4, 12) + 4.0 * np.sin((hour - 9) / 24 * 2 * pi) + wander(draw, len(hour), every_s, 40.0, 2.0)
    sunny, dew_g_m3 = draw.uniform(10, 20), draw.choice((20.0, 45.0))
    air_c, vapour, film, temperature, humidity = 8.0, 8.0, 20.0, [], []
    for clock, cold_c in zip((hour % 24).tolist(), outside.tolist(), strict=True):
        sun = max(sin((clock - 6.5) / 11 * pi), 0.0) if 6.5 < clock < 17.5 else 0.0
        air_c += min(every_s / 2400, 1.0) * (cold_c + sunny * sun - air_c)
        leaf_c = air_c + 1.5 * sun
        vapour, film = exchanged(vapour, min(film, dew_g_m3), leaf_c, 15.0 * every_s / 3600)
        if not sun:
            film += 1.0 * every_s / 3600  # what the beds give and the cold plastic does not take
        vapour += min(every_s / 3600 * (0.2 + 1.8 * sun), 0.9) * (0.75 * saturated_g_m3(cold_c) - vapour)
        vapour = min(vapour, 1.004 * saturated_g_m3(air_c))
        temperature.append(air_c)
        humidity.append(100.0 * vapour / saturated_g_m3(air_c))
    return air(hour, np.array(temperature), np.array(humidity))


def dead_gallery(draw: Draw, days: float, every_s: int) -> Air:
    """The end of a mine or cave: its temperature stays for months, its air is nearly full of water, and breathes a little."""
    hour = hours_of(days, every_s)
    temperature = draw.uniform(6, 20) + 0.1 * np.sin(hour / draw.uniform(200, 900))
    humidity = draw.uniform(88, 99.5) + wander(draw, len(hour), every_s, draw.uniform(5, 50), 0.5)
    return air(hour, temperature, humidity)


STRANGE: dict[str, Callable[[Draw, float, int], Air]] = {
    one.__name__: one for one in (silica_box, desert, steam_room, dewy_tunnel, dead_gallery)
}


def settled(course: Air, lag_s: float, offset_k: float, offset_pct: float, every_s: int) -> Air:
    """Return what the probe's own element has: it lags, and it errs as cheap ones do."""

    def lagged(values: Floats) -> Iterator[float]:
        keep, value = exp(-every_s / lag_s), float(values[0])
        for aim in values.tolist():
            value = keep * value + (1 - keep) * aim
            yield value

    temperature, humidity = (np.fromiter(lagged(one), float) for one in (course.temperature_c, course.humidity_pct))
    return Air(course.at_ms, temperature + offset_k, humidity + offset_pct)
