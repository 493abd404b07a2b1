"""The size classes of a fungus garden."""

from __future__ import annotations

SizeClass = str


def size_class(garden_ml: float | None) -> SizeClass:
    """Return the garden's size class: A < 20 ml (founding), B < 200 (young), C < 2000, D < 10 000, E above.

    Unknown size counts as B: the careful middle. Classes: common practice, no source.
    """
    if garden_ml is None:
        return "B"
    for letter, limit in (("A", 20.0), ("B", 200.0), ("C", 2_000.0), ("D", 10_000.0)):
        if garden_ml < limit:
            return letter
    return "E"


def volume_words(ml: float) -> str:
    """Return a volume with two digits, in ml below a litre."""
    return f"{float(f'{ml:.2g}'):g} ml" if ml < 1000 else f"{float(f'{ml / 1000:.2g}'):g} l"
