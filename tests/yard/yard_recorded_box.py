"""A box that no equation of heat made: its responses are read from recordings of other enclosures and driven by other inputs.

* How the lid follows the air on one side at once and the room on the other late: from five months of a wall's inner interface
  between a heated room and the weather (TRH-database, see SOURCES.md), by non-negative least squares over one-pole filters.
* How an enclosure gives its heat away: the same wall's late part, which is no single exponential.
* How vapour leaves: from an hour in which hot-water steam was let into a room and fell off again (Suthaharan et al. 2010).

Only the pace is stretched to a box's and the height to its heater and openings; the shapes stay as recorded.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.optimize import nnls
from yard_air import AIR_J_M3K, Array, density_g_m3, humidity_pct, saturation_g_m3
from yard_box import Weather
from yard_devices import STEP_S, Controls, Fault, Heating, Mat, Openings, air_flow_m3_h

DATA = Path(__file__).parent.parent / "data"
WALL_POLES_H = (0.0, 1.0, 3.0, 12.0, 48.0)
STEAM_POLES_S = (30.0, 60.0, 120.0, 240.0, 480.0, 960.0)


@dataclass(frozen=True)
class Response:
    """Parts of a response and how slow each is."""

    weight: tuple[float, ...]
    pole: tuple[float, ...]


def _column(name: str, column: str) -> Array:
    with (DATA / name).open(encoding="utf-8") as file:
        return np.array([float(row[column]) for row in csv.DictReader(file)])


def lagged(series: Array, pole: float, step: float = 1.0) -> Array:
    """Return a series through one pole; a pole of none leaves it."""
    if pole == 0.0:
        return series
    out, keep = np.empty_like(series), float(np.exp(-step / pole))
    out[0] = series[0]
    for i in range(1, len(series)):
        out[i] = keep * out[i - 1] + (1.0 - keep) * series[i]
    return out


@lru_cache
def wall_responses() -> tuple[Response, Response, float]:
    """Return how the recorded interface follows the room and the weather, and how well that explains it (residual, K)."""
    room, outside, seen = (_column("half_heated_house.csv", name) for name in ("room_c", "outside_c", "interface_c"))
    table = np.column_stack([lagged(x, pole) for x in (room, outside) for pole in WALL_POLES_H])[200:]
    weights, residual = nnls(table, seen[200:])
    count = len(WALL_POLES_H)
    parts = [tuple(float(w) for w in weights[:count]), tuple(float(w) for w in weights[count:])]
    return (*(Response(part, WALL_POLES_H) for part in parts), float(residual / len(table) ** 0.5))


@lru_cache
def steam_response() -> tuple[Response, float]:
    """Return how the vapour fell after the steam, in shares of its height, and how well that explains it (residual share)."""
    with (DATA / "suthaharan_steam.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if "15:18:20Z" <= row["time"][11:] <= "15:48:00Z"]
    both = ("air_temperature", "relative_humidity")
    t, rh = (np.array([float(row["value"]) for row in rows if row["quantity"] == q]) for q in both)
    vapour = density_g_m3(t, rh)
    above = (vapour - vapour[-20:].mean()) / (vapour[0] - vapour[-20:].mean())
    seconds = 5.0 * np.arange(len(above))
    weights, residual = nnls(np.column_stack([np.exp(-seconds / pole) for pole in STEAM_POLES_S]), above)
    total = weights.sum()
    return Response(tuple(float(w / total) for w in weights), STEAM_POLES_S), float(residual / len(above) ** 0.5)


@dataclass(frozen=True)
class RecordedParts:
    """What is not read from the recordings: size, heater, openings, water and pace."""

    litres: float
    lid_m2: float
    heating: Heating
    openings: Openings
    ua_w_k: float
    """What the box loses per kelvin at rest."""
    hours: float
    """Mean of its thermal response: the recorded shape is stretched to it."""
    lid_factor: float
    """Temperature factor of the bare lid (0 the room's, 1 the chamber's temperature)."""
    lid_pace: float
    """By how much faster the lid is than the recorded wall."""
    source_m3_h: float
    """How strongly ground and garden give water, as air that they would saturate in an hour."""
    ground_pct: float
    buffer: float
    """How many volumes of air the surfaces stand for."""
    lid_m3_h: float
    """How strongly the lid takes water."""
    drip_g_m2: float
    granules_g: float


class RecordedBox:
    """The state of such a box under so many keepers; the same interface as `Box`."""

    def __init__(self, parts: RecordedParts, columns: int, start_c: float, start_pct: float) -> None:
        self.parts = parts
        self.mat = Mat(parts.heating, columns, start_c)
        inside, weather, _ = wall_responses()
        self._heat = _stretched(weather, parts.hours * 3600.0)
        self._in, self._out = inside, weather
        steam, _ = steam_response()
        self._steam = [(w, p) for w, p in zip(steam.weight, steam.pole, strict=True) if w > 0.01]
        mean_s = sum(w * p for w, p in self._steam)
        self._steam = [(w, p / mean_s) for w, p in self._steam]  # of mean one: multiplied with the time to change the air
        self.lift = [np.full(columns, start_c - 20.0) * w for w, _ in self._heat]
        self.late_in = [np.full(columns, start_c) for _ in WALL_POLES_H]
        self.late_out = [np.full(columns, 20.0) for _ in WALL_POLES_H]
        self.air_c, self.lid_c = np.full(columns, start_c), np.full(columns, start_c - 2.0)
        start_g = density_g_m3(self.air_c, start_pct)
        self.excess = [(start_g - 8.0) * w for w, _ in self._steam]
        self.vapour_g_m3 = start_g
        self.lid_g, self.granules_g = np.zeros(columns), np.full(columns, parts.granules_g)
        self.ground_pct = np.full(columns, parts.ground_pct)
        self.granules_room_g = max(20.0, 2.0 * parts.granules_g)

    @property
    def humidity_pct(self) -> Array:
        """Relative humidity of the air."""
        return np.minimum(humidity_pct(self.air_c, self.vapour_g_m3), 100.0)

    @property
    def film_g_m2(self) -> Array:
        """Water on the lid."""
        return self.lid_g / self.parts.lid_m2

    def wipe(self, column: int | slice = slice(None)) -> None:
        """Wipe the lid dry."""
        self.lid_g[column] = 0.0

    def add_water(self, ml: float, column: int | slice = slice(None)) -> None:
        """Wet the granules."""
        self.granules_g[column] = self.granules_g[column] + ml

    def take_water(self, share: float, column: int | slice = slice(None)) -> None:
        """Take out that share of what is wet."""
        self.granules_g[column] = self.granules_g[column] * (1.0 - share)
        self.ground_pct[column] = self.ground_pct[column] * (1.0 - share / 5.0)

    def step(self, k: Controls, out: Weather, fault: Fault) -> None:
        """Move on by one step."""
        p = self.parts
        heat_w = self.mat.step(k, self.air_c, self.air_c + 1.0, out.day, fault, out.mains)
        flow_m3_h = air_flow_m3_h(p.openings, k, self.air_c - out.room_c, out.draught)
        rest_k = (heat_w + 2.0 * out.sun_w_m2 * p.lid_m2 * 0.3) / (p.ua_w_k + AIR_J_M3K * flow_m3_h / 3600.0)
        share = p.ua_w_k / (p.ua_w_k + AIR_J_M3K * flow_m3_h / 3600.0)
        for i, (weight, pole_s) in enumerate(self._heat):
            gone = 1.0 - np.exp(-STEP_S / np.maximum(pole_s * share, 30.0))
            self.lift[i] = self.lift[i] + (weight * rest_k - self.lift[i]) * gone
        self.air_c = out.room_c + sum(self.lift)
        self._lid(k, np.broadcast_to(out.room_c, self.air_c.shape))
        self._vapour(k, out, flow_m3_h)

    def _lid(self, k: Controls, room_c: Array) -> None:
        """Let the lid follow air and room as the recorded interface did, with this lid's own factor."""
        factor = 1.0 - (1.0 - self.parts.lid_factor) / (1.0 + 0.12 * k.foam_mm)
        total = []
        for late, now, response in ((self.late_in, self.air_c, self._in), (self.late_out, room_c, self._out)):
            for i, pole_h in enumerate(response.pole):
                pole_s = max(pole_h * 3600.0 / self.parts.lid_pace, 120.0)
                late[i] = late[i] + (now - late[i]) * (1.0 - np.exp(-STEP_S / pole_s))
            total.append(sum(w * x for w, x in zip(response.weight, late, strict=True)) / sum(response.weight))
        self.lid_c = factor * total[0] + (1.0 - factor) * total[1]

    def _vapour(self, k: Controls, out: Weather, flow_m3_h: Array) -> None:
        p, litre_m3 = self.parts, self.parts.litres / 1000.0
        hour = STEP_S / 3600.0
        wet = np.minimum(1.0, 2.0 * self.granules_g / self.granules_room_g)
        over = saturation_g_m3(self.air_c) * self.ground_pct / 100.0
        ground_m3_h, granules_m3_h = p.source_m3_h * 0.6, p.source_m3_h * 0.4 * wet
        lid_m3_h = np.where((self.vapour_g_m3 > saturation_g_m3(self.lid_c)) | (self.lid_g > 0.0), p.lid_m3_h, 0.0)
        now = min(abs(out.hour - 8.0), abs(out.hour - 20.0)) < 0.5 / 60.0
        sprayed_g = k.mist_ml_d / 2.0 * out.mains if now else 0.0 * k.mist_ml_d
        self.granules_g = self.granules_g + 0.85 * sprayed_g
        pull = flow_m3_h + ground_m3_h + granules_m3_h + lid_m3_h
        rest = (
            flow_m3_h * out.room_g_m3 + ground_m3_h * over + granules_m3_h * 0.99 * saturation_g_m3(self.air_c)
            + lid_m3_h * saturation_g_m3(self.lid_c)
        ) / pull  # fmt: skip
        change_h = litre_m3 * p.buffer / pull
        above = rest - out.room_g_m3
        for i, (weight, pole) in enumerate(self._steam):
            gone = 1.0 - np.exp(-hour / (pole * change_h))
            self.excess[i] = self.excess[i] + (weight * above - self.excess[i]) * gone
        self.excess[0] = self.excess[0] + 0.15 * sprayed_g / (litre_m3 * p.buffer)
        vapour = np.maximum(out.room_g_m3 + sum(self.excess), 0.3)
        self.vapour_g_m3 = np.minimum(vapour, saturation_g_m3(self.air_c))
        onto_lid = hour * lid_m3_h * (self.vapour_g_m3 - saturation_g_m3(self.lid_c))
        self.lid_g = np.clip(self.lid_g + onto_lid, 0.0, p.drip_g_m2 * p.lid_m2)
        self.granules_g = np.maximum(
            self.granules_g - hour * granules_m3_h * (0.99 * saturation_g_m3(self.air_c) - self.vapour_g_m3), 0.0
        )


def _stretched(response: Response, mean_s: float) -> list[tuple[float, float]]:
    """Return the slow parts of a response as weights of sum one and poles in seconds of this mean."""
    parts = [(w, p) for w, p in zip(response.weight, response.pole, strict=True) if w > 0.0 and p > 0.0]
    total = sum(w for w, _ in parts)
    mean = sum(w * p for w, p in parts) / total
    return [(w / total, p / mean * mean_s) for w, p in parts]
