"""Chambers that once failed, kept so that they are lived again: a line each, with what is wanted of them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

FILE = Path(__file__).parent / "kept_chambers.csv"


@dataclass(frozen=True)
class KeptChamber:
    """A chamber by its seed, and the least share of the judged time in band, the most in avoidable harm, that it may have."""

    world: str
    trouble: str
    seed: int
    days: int
    least_in_band: float
    most_harm: float
    why: str


def kept_chambers() -> list[KeptChamber]:
    """Return all of them."""
    with FILE.open(encoding="utf-8") as file:
        return [
            KeptChamber(
                row["world"], row["trouble"], int(row["seed"]), int(row["days"]), float(row["least_in_band"]),
                float(row["most_harm"]), row["why"],
            )
            for row in csv.DictReader(file)
        ]
