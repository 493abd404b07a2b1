"""A probe that slowly leaves its twins: how it differs from them, by days, held against how it did in its first two weeks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.climate.consensus import seen
from rules.climate.memory import Twin
from rules.climate.view import View
from rules.climate.windows import thousandths
from rules.terms.events import DAY_MS
from rules.terms.quantities import Quantity

DRIFTED: dict[Quantity, float] = {"air_temperature": 1.0, "relative_humidity": 4.0}
"""Further no sound probe goes from its twin in years; two spots of one box differ by less. 0.5 %RH a month is found within nine
months (drift of capacitive probes in humid air: common practice, no source). Own estimate."""
DAYS = 14  # own estimate
SAMPLES = 12  # own estimate


def shifts(view: View, quantity: Quantity) -> dict[str, NDArray[np.float64]]:
    """Return, by probe and instant, how much further from the mean of the others it is than it was at first; NaN: not known.

    Of three probes the one that drifted has the greatest shift; of two both have the same, the other way round.
    """
    names = view.settings.probes_at(view.place)
    out = view.keeper.out_of_service
    values = {
        name: seen(view.settings, (name,), quantity, view.probes, out, list(view.heard), view.at_ms).value for name in names
    }
    corrected_ms = max((made.at_ms for name in names if (made := view.probes[name].corrections.get(quantity))), default=0)
    return {name: _shift(view, f"{quantity}/{name}", _from_others(values, name), corrected_ms) for name in names}


def _from_others(values: dict[str, NDArray[np.float64]], name: str) -> NDArray[np.float64]:
    others = np.stack([value for other, value in values.items() if other != name])
    known = np.count_nonzero(~np.isnan(others), axis=0)
    return values[name] - np.where(known > 0, np.nansum(others, axis=0) / np.maximum(known, 1), np.nan)


def _shift(view: View, key: str, apart: NDArray[np.float64], corrected_ms: int) -> NDArray[np.float64]:
    twin = view.memory.twins.setdefault(key, Twin())
    if twin.corrected_ms != corrected_ms:  # a salt check moves the probe: it begins anew
        twin = view.memory.twins[key] = Twin(corrected_ms=corrected_ms)
    day = view.at_ms // DAY_MS
    result = np.full(len(day), np.nan)
    begins = np.concatenate(([0], np.flatnonzero(np.diff(day)) + 1))
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), len(day)], strict=True):
        if twin.day != int(day[begin]):
            _close(twin)
            twin.day, twin.count, twin.total_m = int(day[begin]), 0, 0
        known = apart[begin:end][~np.isnan(apart[begin:end])]
        twin.count, twin.total_m = twin.count + len(known), twin.total_m + int(thousandths(known).sum())
        if len(twin.lately_m) == DAYS:
            result[begin:end] = (sum(twin.lately_m) - sum(twin.first_m)) / DAYS / 1000
    return result


def _close(twin: Twin) -> None:
    if twin.count < SAMPLES:
        return
    mean_m = twin.total_m // twin.count
    if len(twin.first_m) < DAYS:
        twin.first_m = [*twin.first_m, mean_m]
    else:
        twin.lately_m = [*twin.lately_m, mean_m][-DAYS:]
