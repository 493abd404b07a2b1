"""The size classes of a fungus garden, and from which humidity on each of them dries.

A small garden has much surface for its water and few ants to fetch more: bare spheres at 26 degC and 60 %RH lose a tenth of
their water in 0.9 h (5 ml), 2.7 h (50 ml), 8 h (1 l), 13 h (5 l): own estimate, factor 2. That orders the edges; the edges
themselves and the classes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

SizeClass = str
CLASSES = "ABCDE"
YOUNG = ("A", "B")
"""Gardens without a reserve."""
DRIES_AT_C = 26.0
"""Dryness is told as the humidity that would dry as fast at this temperature: the middle of the tropical band."""


@dataclass(frozen=True, slots=True)
class Dryness:
    """From which humidity on, %RH, a garden is told to be too dry, is harmed, and is drunk empty.

    `drunk_pct` counts at `DRIES_AT_C`: warmer air drinks as fast at a higher humidity.
    """

    low_pct: float
    harmful_pct: float
    drunk_pct: float


DRYNESS: dict[SizeClass, Dryness] = {
    "A": Dryness(80.0, 60.0, 70.0),
    "B": Dryness(75.0, 60.0, 60.0),
    "C": Dryness(70.0, 60.0, 50.0),
    "D": Dryness(60.0, 50.0, 40.0),
    "E": Dryness(60.0, 50.0, 40.0),
}


def size_class(garden_ml: float | None) -> SizeClass:
    """Return the garden's size class: A < 20 ml (founding), B < 200 (young), C < 2000, D < 10 000, E above.

    Unknown size counts as B: the careful middle.
    """
    if garden_ml is None:
        return "B"
    for letter, limit in (("A", 20.0), ("B", 200.0), ("C", 2_000.0), ("D", 10_000.0)):
        if garden_ml < limit:
            return letter
    return "E"


def founds_shut(genus: str, founding: bool, garden_ml: float | None) -> bool:
    """Return whether a queen founds shut in with her fungus, so that nobody opens her box: Atta, until there are 20 ml.

    She takes no food from outside (Mota Filho et al. 2021, IJAIR 9:352); an Acromyrmex queen does.
    """
    return founding and genus == "Atta" and (garden_ml is None or size_class(garden_ml) == "A")


def dryness_of(garden_ml: float | None) -> Dryness:
    """Return from which humidity on a garden of this size is too dry."""
    return DRYNESS[size_class(garden_ml)]


def volume_words(ml: float) -> str:
    """Return a volume with two digits, in ml below a litre."""
    return f"{float(f'{ml:.2g}'):g} ml" if ml < 1000 else f"{float(f'{ml / 1000:.2g}'):g} l"
