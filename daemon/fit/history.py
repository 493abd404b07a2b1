"""A chamber's last days from the store, on the ten-minute grid that the fit of its model wants."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.store.reader import HistoryReader
from rules.advice.fit import STEP_MS, History
from rules.keeper.devices import present_knobs
from rules.keeper.state import DeviceChange
from rules.physics.lid_factor import FactorBelief, prior_factor
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.quantities import FACTS, Quantity
from rules.turn.state import EngineState

DAYS = 14
SETTLING_MS = 2 * HOUR_MS
"""After work in the tank or an open lid the air needs so long until the balance holds again; common practice, no source."""
_WET_PCT = 99.0
Array = NDArray[np.float64]
Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Sources:
    """Which probes tell of a chamber, and its settings."""

    chamber: str
    settings: Chamber
    air: Sequence[str]
    room_air: Sequence[str]
    lid: Sequence[str]

    @property
    def probes(self) -> set[str]:
        """All of them."""
        return {*self.air, *self.room_air, *self.lid}


class Grid:
    """What the probes told in the last days, as means of ten minutes; read once for all chambers, a day at a time."""

    def __init__(
        self, reader: HistoryReader, state: EngineState, probes: Collection[str], now_ms: int, days: int = DAYS
    ) -> None:
        self.reader, self.state, self.now_ms = reader, state, now_ms
        end_ms = now_ms // STEP_MS * STEP_MS
        self.begin_ms = end_ms - days * DAY_MS
        self.at_ms = np.arange(self.begin_ms, end_ms, STEP_MS, dtype=np.int64)
        self._doubted = _doubted(reader, self.begin_ms)
        self._sums: dict[tuple[str, Quantity], Array] = {}
        self._counts: dict[tuple[str, Quantity], Array] = {}
        for day in range(days):
            self._add(self.begin_ms + day * DAY_MS, probes)

    def _add(self, from_ms: int, probes: Collection[str]) -> None:
        wanted = [pair for pair in self.reader.series() if pair[0] in probes]
        found = self.reader.readings(from_ms, from_ms + DAY_MS, wanted)
        for number, pair in enumerate(found.series):
            mine = found.series_index == number
            if mine.any():
                self._count(pair, found.at_ms[mine], found.value[mine])

    def _count(self, pair: tuple[str, Quantity], at_ms: NDArray[np.int64], raw: Array) -> None:
        probe, quantity = pair
        memory, facts, count = self.state.probes.get(probe), FACTS[quantity], len(self.at_ms)
        known = None if memory is None else memory.corrections.get(quantity)
        value = raw if known is None else known.gain * raw + known.offset
        step = (at_ms - self.begin_ms) // STEP_MS
        good = (value >= facts.domain_low) & (value <= facts.domain_high) & (step >= 0) & (step < count)
        good &= ~_within(at_ms, self._doubted.get(pair, ()))
        sums = np.bincount(step[good], value[good], count)
        counts = np.bincount(step[good], minlength=count)
        self._sums[pair] = self._sums.get(pair, np.zeros(count)) + sums
        self._counts[pair] = self._counts.get(pair, np.zeros(count)) + counts

    def means(self, probes: Sequence[str], quantity: Quantity) -> Array:
        """Return the median over the probes of each one's mean in every step; NaN where none was believed."""
        pairs = [(probe, quantity) for probe in probes if (probe, quantity) in self._sums]
        result = np.full(len(self.at_ms), np.nan)
        if not pairs:
            return result
        table = np.array([
            np.where(self._counts[pair] > 0, self._sums[pair] / np.maximum(self._counts[pair], 1), np.nan) for pair in pairs
        ])  # fmt: skip
        known = np.isfinite(table).any(axis=0)
        result[known] = np.nanmedian(table[:, known], axis=0)
        return result


def history_of(grid: Grid, sources: Sources) -> History:
    """Return a chamber's history; what was not believed, or is not known, is NaN."""
    temperature, room = grid.means(sources.air, "air_temperature"), grid.means(sources.room_air, "air_temperature")
    humidity, lid = grid.means(sources.air, "relative_humidity"), grid.means(sources.lid, "surface_temperature")
    factor = _factor(grid.state, sources).mean
    knobs = _knobs(grid.state.keeper.devices.get(sources.chamber, ()), sources.settings, grid.at_ms)
    disturbed = _within(grid.at_ms, _disturbances(grid.reader, sources.chamber, grid.begin_ms, grid.now_ms))
    return History(
        grid.at_ms, temperature, humidity, room, grid.means(sources.room_air, "relative_humidity"),
        np.where(np.isfinite(lid), lid, room + factor * (temperature - room)), knobs["vents"], knobs["fan"] / 60.0,
        _power_share(sources.settings, knobs), knobs["mister"] / 24.0, disturbed | (humidity > _WET_PCT),
    )  # fmt: skip


def _factor(state: EngineState, sources: Sources) -> FactorBelief:
    memory = state.places.get(sources.chamber)
    return prior_factor(sources.settings.lid) if memory is None or memory.belief is None else memory.belief


def _within(at_ms: NDArray[np.int64], spans: Iterable[Span]) -> NDArray[np.bool_]:
    inside = np.zeros(len(at_ms), bool)
    for begin_ms, end_ms in spans:
        inside |= (at_ms >= begin_ms) & (at_ms < end_ms)
    return inside


def _instant(event: dict[str, Any], key: str = "time") -> int:
    return round(datetime.fromisoformat(event[key]).timestamp() * 1000)


def _doubted(reader: HistoryReader, begin_ms: int) -> dict[tuple[str, str], list[Span]]:
    """Return when each series was not believed by the engine itself, or its probe was out of service."""
    spans: dict[tuple[str, str], list[Span]] = {}
    since: dict[tuple[str, str], int] = {}
    for event in reader.events(begin_ms, kinds=["quality"]):
        key = (str(event["probe"]), str(event["quantity"]))
        if event["flag"] in ("suspect", "fail"):
            since.setdefault(key, _instant(event))
        elif key in since:
            spans.setdefault(key, []).append((since.pop(key), _instant(event)))
    for key, start_ms in since.items():
        spans.setdefault(key, []).append((start_ms, start_ms + DAYS * DAY_MS))
    for word in reader.words("out-of-service"):
        for quantity in FACTS:
            spans.setdefault((word["probe"], quantity), []).append((word["taken_ms"], word["taken_ms"] + word["for_ms"]))
    return spans


def _disturbances(reader: HistoryReader, chamber: str, begin_ms: int, now_ms: int) -> list[Span]:
    """Return when the box was worked in or open, with the time that it needs to settle."""
    spans = [
        (word["taken_ms"], word["taken_ms"] + word["for_ms"] + SETTLING_MS)
        for word in reader.words("visit") if word["chamber"] == chamber
    ]  # fmt: skip
    opened_ms: int | None = None
    for event in reader.events(begin_ms, kinds=["alarm"], chamber=chamber):
        if event["alarm"] != "lid-open":
            continue
        if event["condition"] in ("active", "held"):
            opened_ms = _instant(event) if opened_ms is None else opened_ms
        elif opened_ms is not None:
            spans.append((opened_ms - SETTLING_MS, _instant(event) + SETTLING_MS))
            opened_ms = None
    return spans if opened_ms is None else [*spans, (opened_ms - SETTLING_MS, now_ms)]


def _knobs(changes: Sequence[DeviceChange], settings: Chamber, at_ms: NDArray[np.int64]) -> dict[str, Array]:
    """Return the devices' settings at every step: the config's, then what the keeper said to have changed."""
    start = {"vents": 0.0, "fan": 0.0, "mister": 0.0, "watts": 0.0, "heater_plugged": 1.0} | present_knobs(settings, ())
    columns = {name: np.full(len(at_ms), value) for name, value in start.items()}
    for change in changes:
        value = start.get(change.knob, 0.0) if change.value is None else change.value
        columns.setdefault(change.knob, np.zeros(len(at_ms)))[at_ms >= change.at_ms] = value
    return columns


def _power_share(settings: Chamber, knobs: dict[str, Array]) -> Array:
    """Return the heater's power as a share of the rated one; not known behind a thermostat, nothing without a heater."""
    heater = settings.devices.heater
    if heater is None:
        return np.zeros_like(knobs["watts"])
    if heater.thermostat:
        return np.where(knobs["heater_plugged"] > 0.0, np.nan, 0.0)
    return np.where(knobs["heater_plugged"] > 0.0, knobs["watts"] / heater.watts, 0.0)
