"""From a chamber's record and the keeper's changes to the ten-minute columns that the fit takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.advice.devices import config_knobs
from rules.advice.fit import STEP_MS, History
from rules.advice.model import Array
from rules.advice.state import KnobChange
from rules.settings import Chamber
from rules.terms.events import HOUR_MS, MINUTE_MS

Instants = NDArray[np.int64]
SETTLING_MS = 30 * MINUTE_MS
"""After a visit or a change of something that the balance has no term for, the record is left out so long."""


@dataclass(frozen=True, slots=True)
class Series:
    """One figure of the record: instants and believed values."""

    at_ms: Instants
    value: Array

    @staticmethod
    def empty() -> Series:
        """Return a series of nothing: no such probe."""
        return Series(np.empty(0, np.int64), np.empty(0))


def averaged(series: Series, grid_ms: Instants) -> Array:
    """Return the mean of the values within each ten minutes from `grid_ms` on; NaN where there is none."""
    place = (series.at_ms - grid_ms[0]) // STEP_MS
    good = (place >= 0) & (place < len(grid_ms)) & np.isfinite(series.value)
    count = np.bincount(place[good], minlength=len(grid_ms))
    total = np.bincount(place[good], weights=series.value[good], minlength=len(grid_ms))
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def held(changes: Sequence[KnobChange], knob: str, before: float, grid_ms: Instants) -> Array:
    """Return a knob's setting on the grid: `before` until the first change, then what was told."""
    mine = sorted((change.at_ms, change.value) for change in changes if change.knob == knob)
    place = np.searchsorted(np.array([at_ms for at_ms, _ in mine], np.int64), grid_ms, side="right")
    return np.asarray(np.array([before, *[value for _, value in mine]])[place])


def history_of_record(
    chamber: Chamber, changes: Sequence[KnobChange], visits_ms: Sequence[tuple[int, int]], figures: dict[str, Series],
    from_ms: int, until_ms: int,
) -> History:
    """Return the history between two instants.

    `figures`: `temperature_c`, `humidity_pct`, `room_c`, `room_pct`, `lid_c`, of believed readings; a missing one is not known.
    Power is known only for a heater without a thermostat. Misting is taken as spread over the day, as it was told.
    """
    grid = np.arange(-(-from_ms // STEP_MS) * STEP_MS, until_ms - STEP_MS + 1, STEP_MS, dtype=np.int64)
    none = Series.empty()
    columns = {
        name: averaged(figures.get(name, none), grid) if len(grid) else np.empty(0)
        for name in ("temperature_c", "humidity_pct", "room_c", "room_pct", "lid_c")
    }
    first = config_knobs(chamber)

    def setting(knob: str) -> Array:
        return held(changes, knob, first.get(knob, 0.0), grid)

    return History(
        at_ms=grid, vents=setting("vents"), fan_share=setting("fan") / 60.0, power_share=_power(chamber, changes, grid),
        mist_ml_h=setting("mister") / 24.0, disturbed=_disturbed(changes, visits_ms, columns["humidity_pct"], grid), **columns,
    )


def _power(chamber: Chamber, changes: Sequence[KnobChange], grid: Instants) -> Array:
    heater = chamber.devices.heater
    if heater is None:
        return np.zeros(len(grid))
    if heater.thermostat:
        return np.full(len(grid), np.nan)
    plugged = held(changes, "heater_plugged", 1.0, grid)
    return held(changes, "watts", heater.watts, grid) / heater.watts * plugged


def _disturbed(
    changes: Sequence[KnobChange], visits_ms: Sequence[tuple[int, int]], humidity_pct: Array, grid: Instants
) -> NDArray[np.bool_]:
    """Return where the balance does not hold: a visit, water or foam just changed, or a humidity probe at its top."""
    out = np.isfinite(humidity_pct) & (humidity_pct > 99.0)
    for begin, end in visits_ms:
        out |= (grid + STEP_MS > begin) & (grid < end + SETTLING_MS)
    for change in changes:
        if change.knob in ("water", "foam"):
            out |= (grid + STEP_MS > change.at_ms) & (grid < change.at_ms + 2 * HOUR_MS)
    return np.asarray(out)
