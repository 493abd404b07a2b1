"""What would quiet an alarm that comes and goes: a deadband and delays from the chamber's own stored noise."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daemon.store.errors import HistoryError
from daemon.store.reader import HistoryReader
from rules.alarms.deadbands import propose, question_of
from rules.settings import Settings
from rules.settings.bands import Band
from rules.terms.events import DAY_MS
from rules.terms.quantities import FACTS, Quantity

DAYS = 14
_EDGES: dict[str, Literal["low", "high"]] = {"low": "low", "high": "high"}


def proposal(store: Path, settings: Settings, chamber: str | None, alarm: str, now_ms: int, days: int = DAYS) -> str:
    """Return the proposal in words for the keeper, with its expected figures; empty where none can be made.

    Reads the store beside whoever writes it; takes a second or two, so never in the engine's thread.
    """
    name, _, edge = alarm.rpartition("-")
    if chamber not in settings.chambers or name not in ("temperature", "humidity") or edge not in _EDGES:
        return ""
    setting: Band = getattr(settings.chambers[chamber], name)
    quantity: Quantity = "air_temperature" if name == "temperature" else "relative_humidity"
    question = question_of(setting, _EDGES[edge], FACTS[quantity].unit)
    if question is None:
        return ""
    try:
        with HistoryReader(store) as reader:
            at_ms, value = _best_series(reader, settings.probes_at(chamber), quantity, now_ms - days * DAY_MS)
        told = propose(at_ms, value, question).text
    except (HistoryError, ValueError) as error:
        return f"No proposal yet for a deadband and delays: {error}."
    return f"A proposal from the last {days} days; {told} Set it in [chamber.{chamber}.{name}] of the config."


def _best_series(
    reader: HistoryReader, probes: tuple[str, ...], quantity: Quantity, since_ms: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the instants and plausible values of the probe that was heard most, in order of time."""
    found = reader.readings(since_ms, series=[(probe, quantity) for probe in probes])
    facts = FACTS[quantity]
    counts = np.bincount(found.series_index, minlength=max(len(found.series), 1))
    mine = found.series_index == int(counts.argmax())
    mine &= (found.value >= facts.domain_low) & (found.value <= facts.domain_high)
    at_ms, first = np.unique(found.at_ms[mine], return_index=True)
    return at_ms, found.value[mine][first]
