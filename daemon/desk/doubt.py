"""A figure that is far from the usual is asked about before it is handed over: a slip of the keyboard would count for ever."""

from __future__ import annotations

import argparse

from daemon.store.spool import WordError
from rules.advice.done import told_as
from rules.keeper.presence import size_ml
from rules.keeper.state import garden_ml
from rules.settings import Settings
from rules.terms.quantities import Quantity
from rules.terms.words import AdviceDone, Calibrated, CareDone, GardenSize, Word
from rules.trade.garden_sizes import volume_words
from rules.turn.state import EngineState

FAR = 5.0
"""So many times the usual, or a part of it so small, is doubted: a garden doubles in two months at most. Own estimate."""


_MEANT: dict[Quantity, float] = {"air_temperature": 25.0, "relative_humidity": 80.0, "surface_temperature": 25.0}
"""Where a correction is looked at: in the middle of what a garden wants."""


def yes_option(parser: argparse.ArgumentParser) -> None:
    """Let the keeper say that an unusual figure is right."""
    parser.add_argument("--yes", action="store_true", help="the figure is right, however unusual")


def ask(settings: Settings, state: EngineState, word: Word) -> None:
    """Raise WordError for a figure that is far from the usual, with both of them."""
    found = _beside_the_usual(settings, state, word)
    if found is None:
        return
    what, told, usual, unit = found
    if usual > 0.0 and not usual / FAR < told < usual * FAR:
        said, known = (volume_words(one) if unit == "ml" else f"{one:g} {unit}".strip() for one in (told, usual))
        raise WordError(f"{said} is far from {what}, {known}: sure? If it is right, add --yes. Nothing was taken down.")


def _beside_the_usual(settings: Settings, state: EngineState, word: Word) -> tuple[str, float, float, str] | None:
    """Return what a figure is compared with, the figure, the usual one and their unit; None where nothing is known."""
    if isinstance(word, GardenSize) and word.chamber in settings.chambers:
        chamber = settings.chambers[word.chamber]
        before, basin_ml = garden_ml(state.keeper, word.chamber, chamber), chamber.garden.basin_ml
        now_ml = size_ml(word, basin_ml)
        if before is not None:
            return "the size that is known", now_ml, before, "ml"
        return None if basin_ml is None or now_ml < basin_ml * FAR else ("what its basin holds", now_ml, basin_ml, "ml")
    if isinstance(word, AdviceDone) and word.amount is not None:
        for adviser in state.advice.values():
            told = told_as(adviser, word.advisory)
            if told is not None and told.moves:
                return "what was advised", word.amount, told.moves[0].amount, told.moves[0].unit
    if isinstance(word, CareDone) and word.amount is not None:
        for key, task in state.care.tasks.items():
            place, name = key.split("/")
            if name == word.task and task.amount and word.chamber in (None, place) and word.unit in (None, task.unit):
                return "what it was last time", word.amount, task.amount, task.unit or ""
    if isinstance(word, Calibrated) and word.probe in settings.probes:
        probe, at = settings.probes[word.probe], _MEANT[word.quantity]
        usual = probe.accuracy_humidity_pct if word.quantity == "relative_humidity" else probe.accuracy_temperature_k
        moved = abs((word.gain - 1) * at + word.offset)
        unit = "%RH" if word.quantity == "relative_humidity" else "K"
        return None if moved < usual * FAR else ("what the probe may be off by", moved, usual, unit)
    return None
