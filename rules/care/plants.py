"""What to feed in a month: the plants that can be picked then, the winter stock, how much, and what never."""

from __future__ import annotations

from collections.abc import Iterable

from rules.terms.local_time import MONTHS, Hemisphere, northern_month
from rules.trade.garden_sizes import YOUNG, size_class, volume_words
from rules.trade.plants import POISONOUS, REFUSED, SUITS, WINTER_STOCK, Plant, Unfit, leaf_words

ALWAYS = (
    "Two or three plants at once, from places that are never sprayed; wash them and shake them dry. Write down what and where"
    " (`dewlid leaves`): a poisoned leaf shows after one to three days. Take leaves only where you may.",
    "A founding Atta queen takes nothing until her first workers are there.",
)


def plants_told(month: int, hemisphere: Hemisphere, gardens_ml: Iterable[tuple[str, float | None]]) -> list[str]:
    """Return the lines about this month's plants for these gardens (their titles and sizes)."""
    here, gardens = northern_month(month, hemisphere), list(gardens_ml)
    young = any(size_class(ml) in YOUNG for _, ml in gardens)
    now = sorted((plant for plant in SUITS if here in plant.months), key=lambda plant: young and not plant.soft)
    stock = [plant for plant in WINTER_STOCK if here in plant.months]
    half = "northern" if hemisphere == "north" else "southern"
    lines = [f"What suits in {MONTHS[month - 1]}, {half} temperate lands:", *map(_plant, now)]
    lines += ["Stock and bridge for the winter:", *map(_plant, stock)] if stock else []
    lines += ["How much a day, to a factor of two; what lies untouched for a day goes out:", *map(_amount, gardens)]
    lines += ["Refused:", *map(_unfit, REFUSED), "Harmful, never:", *map(_unfit, POISONOUS)]
    return [*lines, "Always:", *(f"- {line}" for line in ALWAYS)]


def _plant(plant: Plant) -> str:
    hard = "" if plant.soft else "; too hard for a young colony"
    note = f"; {plant.note}" if plant.note else ""
    return f"- {plant.name} ({plant.botanical}): {plant.parts}{hard}{note} [{plant.source}]"


def _unfit(row: Unfit) -> str:
    return f"- {row.name}: {row.why} [{row.source}]"


def _amount(garden: tuple[str, float | None]) -> str:
    title, ml = garden
    if ml is None:
        return f"- {title}: its garden's size is not known; enter it with `dewlid garden`"
    return f"- {title}, garden of {volume_words(ml)}: {leaf_words(ml)}"
