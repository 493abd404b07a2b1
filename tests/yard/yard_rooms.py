"""What surrounds a box, minute by minute: rooms from recordings and from generators, sun, draughts, people, a cabinet."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from yard_air import Array, density_g_m3, saturation_g_m3
from yard_box import Weather

DATA = Path(__file__).parent.parent / "data"
SEASONS = ("winter", "mild", "summer")


@dataclass
class Course:
    """A room over so many minutes, beginning at midnight. All arrays have one entry a minute."""

    name: str
    room_c: Array
    room_g_m3: Array
    sun_w_m2: Array
    draught: Array
    mains: Array

    def at(self, minute: int) -> Weather:
        """Return what surrounds the box in this minute."""
        return Weather(
            float(self.room_c[minute]), float(self.room_g_m3[minute]), float(self.sun_w_m2[minute]),
            float(self.draught[minute]), float(self.mains[minute]), minute / 1440.0, minute / 60.0 % 24.0,
        )  # fmt: skip


@lru_cache
def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def course(rng: np.random.Generator, season: str, minutes: int) -> Course:
    """Return a room of this season: half of them recorded, half made."""
    kinds = {"winter": (_office, _house, _flat), "mild": (_office, _flat, _flat), "summer": (_office, _flat, _flat)}[season]
    name, room_c, room_g = kinds[rng.integers(3)](rng, season, minutes)
    room_g = np.clip(room_g, 0.8, 0.92 * saturation_g_m3(room_c))
    full = lambda value: np.full(minutes, value)  # noqa: E731
    return Course(name, room_c, room_g, full(0.0), full(1.0), full(1.0))


def wandering(rng: np.random.Generator, minutes: int, hours: float, spread: float) -> Array:
    """Return a course that forgets itself within these hours (Ornstein-Uhlenbeck), in steps of ten minutes."""
    count = minutes // 10 + 2
    keep = np.exp(-1.0 / 6.0 / hours)
    kicks = rng.normal(0.0, spread * np.sqrt(1 - keep**2), count)
    out = np.empty(count)
    out[0] = rng.normal(0.0, spread)
    for i in range(1, count):
        out[i] = keep * out[i - 1] + kicks[i]
    return np.interp(np.arange(minutes), 10.0 * np.arange(count), out)


def _outdoor_vapour(rng: np.random.Generator, season: str, minutes: int) -> Array:
    """Return the vapour of the air outside: fronts change it within hours, weather within days."""
    mean = {"winter": 4.5, "mild": 7.0, "summer": 10.5}[season]
    front = np.cumsum(rng.random(minutes) < 1.0 / 2400.0) % 2 * rng.uniform(0.5, 2.5)
    return mean + rng.normal(0.0, 0.15 * mean) + wandering(rng, minutes, 60.0, 0.15 * mean) + front


def _office(rng: np.random.Generator, season: str, minutes: int) -> tuple[str, Array, Array]:
    """A recorded office (Numenta anomaly benchmark); its vapour is made."""
    months = {"winter": ("12", "01", "02"), "mild": ("02", "03"), "summer": ("07", "08")}[season]
    rows = _rows("office_year.csv")
    midnights = [i for i, row in enumerate(rows[: -minutes // 60 - 2]) if row["time"][11:13] == "00"]
    fitting = [i for i in midnights if rows[i]["time"][5:7] in months]
    first = fitting[rng.integers(len(fitting))]
    hours = np.array([float(row["room_c"]) for row in rows[first : first + minutes // 60 + 2]])
    room = np.interp(np.arange(minutes), 60.0 * np.arange(len(hours)), hours) + wandering(rng, minutes, 0.7, 0.08)
    return f"office from {rows[first]['time'][:10]}", room, _outdoor_vapour(rng, season, minutes) + 1.2


def _house(rng: np.random.Generator, season: str, minutes: int) -> tuple[str, Array, Array]:
    """A recorded half-heated house (TRH-database), lifted to where somebody keeps ants; vapour as recorded."""
    rows = _rows("half_heated_house.csv")
    first = int(rng.integers(0, len(rows) - minutes // 60 - 2)) // 24 * 24
    part = rows[first : first + minutes // 60 + 2]
    hours = np.array([float(row["room_c"]) for row in part])
    pct = np.array([float(row["room_pct"]) for row in part])
    vapour = density_g_m3(hours, pct)
    lift = max(0.0, rng.uniform(16.0, 20.0) - float(hours.mean()))
    at = np.arange(minutes)
    room, room_g = (np.interp(at, 60.0 * np.arange(len(hours)), x) for x in (hours + lift, vapour))
    return f"house from {part[0]['time'][:10]}", room + wandering(rng, minutes, 0.7, 0.08), room_g


def _flat(rng: np.random.Generator, season: str, minutes: int) -> tuple[str, Array, Array]:
    """A made flat: heated by day or following the weather, with evenings, slow weather and cooking."""
    hour = np.arange(minutes) / 60.0
    day = hour % 24.0
    if season == "winter":
        heated = 1.0 / (1.0 + np.exp(-(day - 6.5) * 2.0)) - 1.0 / (1.0 + np.exp(-(day - 22.5) * 1.2))
        room = rng.uniform(15.5, 19.0) + rng.uniform(1.5, 4.0) * heated
    else:
        mean = rng.uniform(19.5, 22.5) if season == "mild" else rng.uniform(23.0, 26.0)
        room = mean + rng.uniform(0.8, 2.2) * np.cos((day - 16.5) / 24.0 * 2 * np.pi)
    room = room + wandering(rng, minutes, 40.0, 0.7) + wandering(rng, minutes, 1.0, 0.12)
    cooking = np.zeros(minutes)
    for start in np.flatnonzero(rng.random(minutes) < 1.5 / 1440.0):
        cooking += np.where(hour * 60 >= start, np.exp(-(hour * 60 - start) / 60.0), 0.0) * rng.uniform(0.5, 2.5)
    return f"{season} flat", room, _outdoor_vapour(rng, season, minutes) + rng.uniform(0.5, 2.0) + cooking


# ---------------------------------------------------------------- the world with much going on around it


def lively(course: Course, rng: np.random.Generator) -> Course:
    """Return the course with people, opened windows, and sun that wanders over the box."""
    minutes = len(course.room_c)
    at = np.arange(minutes)
    hour = at / 60.0 % 24.0
    home = ((hour > 17.0) & (hour < 23.0)) | ((hour > 6.5) & (hour < 8.0))
    presence = _smoothed(home * rng.uniform(0.6, 1.2), 40.0)
    room, vapour = course.room_c + presence, course.room_g_m3 + 1.2 * presence
    draught = 1.0 + 0.3 * np.abs(wandering(rng, minutes, 0.5, 1.0)) + 0.4 * home
    outside_k = rng.uniform(4.0, 12.0) if course.room_c.mean() < 22.0 else rng.uniform(0.0, 3.0)
    for start in np.flatnonzero(rng.random(minutes) < 2.0 / 1440.0):
        opened = np.where((at >= start) & (at < start + rng.integers(5, 25)), 1.0, 0.0)
        mixed = _smoothed(opened, 25.0)
        room, vapour = room - 0.7 * outside_k * mixed, vapour * (1.0 - 0.3 * mixed)
        draught = draught + 2.0 * opened
    sun = _sun(rng, hour, minutes) if rng.random() < 0.5 else course.sun_w_m2
    vapour = np.clip(vapour, 0.8, 0.92 * saturation_g_m3(room))
    return Course(course.name + ", lively", room, vapour, course.sun_w_m2 + sun, draught, course.mains)


def _sun(rng: np.random.Generator, hour: Array, minutes: int, high_w_m2: float | None = None) -> Array:
    """Return the sun through a window onto the box: an hour or three a day, behind passing clouds."""
    middle, width = rng.uniform(9.0, 17.0), rng.uniform(0.5, 1.5)
    high = high_w_m2 if high_w_m2 is not None else rng.uniform(20.0, 90.0)
    clouds = np.clip(0.7 + wandering(rng, minutes, 0.4, 0.4) + wandering(rng, minutes, 30.0, 0.4), 0.0, 1.0)
    return high * clouds * np.clip(1.2 - np.abs(hour - middle) / width, 0.0, 1.0)


def sun_patch(rng: np.random.Generator, minutes: int, onset: int) -> Array:
    """Return strong sun on the box from one day on."""
    at = np.arange(minutes)
    return np.where(at >= onset, _sun(rng, at / 60.0 % 24.0, minutes, rng.uniform(150.0, 350.0)), 0.0)


def _smoothed(series: Array, minutes: float) -> Array:
    out, keep = np.empty(len(series)), np.exp(-1.0 / minutes)
    last = 0.0
    for i, value in enumerate(series):
        last = keep * last + (1.0 - keep) * value
        out[i] = last
    return out


class Cabinet:
    """A cabinet between box and room: warmed by the box, slowly aired."""

    def __init__(self, columns: int, ua_w_k: float, heat_j_k: float, air_m3_h: float, room_c: float, room_g_m3: float) -> None:
        self.ua_w_k, self.heat_j_k, self.share = ua_w_k, heat_j_k, min(1.0, air_m3_h / 60.0)
        self.c = np.full(columns, room_c + 1.0)
        self.g_m3 = np.full(columns, room_g_m3)

    def step(self, out: Weather, box_loss_w: Array) -> Weather:
        """Return what surrounds the box now, after one minute."""
        gain_w = box_loss_w - self.ua_w_k * (self.c - out.room_c)
        self.c = self.c + 60.0 * gain_w / self.heat_j_k
        self.g_m3 = self.g_m3 + (out.room_g_m3 - self.g_m3) * self.share
        return Weather(self.c, self.g_m3, out.sun_w_m2, 1.0 + 0.3 * (out.draught - 1.0), out.mains, out.day, out.hour)
