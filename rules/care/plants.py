"""What to feed in a month: the plants that can be picked then, the winter stock, how much, and what never."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rules.terms.local_time import MONTHS, Hemisphere, northern_month
from rules.trade.garden_sizes import YOUNG, size_class, volume_words
from rules.trade.plants import POISONOUS, REFUSED, SUITS, WINTER_STOCK, Plant, Unfit, leaf_words

ALWAYS = (
    "Two or three plants at once, from places that are never sprayed; wash them and shake them dry. Write down what and where"
    " (`dewlid leaves`): a poisoned leaf shows after one to three days. Take leaves only where you may.",
)


@dataclass(frozen=True, slots=True)
class Fed:
    """A garden that is fed; `shut`: an Atta queen founds there, who takes nothing."""

    title: str
    garden_ml: float | None
    shut: bool = False


def plants_told(month: int, hemisphere: Hemisphere, gardens: Sequence[Fed]) -> list[str]:
    """Return the lines about this month's plants for these gardens."""
    here = northern_month(month, hemisphere)
    young = any(size_class(one.garden_ml) in YOUNG for one in gardens)
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


def _amount(one: Fed) -> str:
    if one.shut:
        return f"- {one.title}: nothing; the queen founds shut in until her first workers are there"
    if one.garden_ml is None:
        return f"- {one.title}: its garden's size is not known; enter it with `dewlid garden`"
    return f"- {one.title}, garden of {volume_words(one.garden_ml)}: {leaf_words(one.garden_ml)}"
