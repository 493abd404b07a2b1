"""How long a fungus garden bears a bad value before it is badly hurt: by kind of harm, value and size, in one reviewed table.

It orders what is urgent; it is no dose-response curve: none is published for these fungi. Between its rows the logarithm of
the hours is linear in the value; beyond them the outermost row holds. Just beyond the edge of a band harm begins from nothing:
the edge is no more certain than the probe that reads it, +-0.5 K and +-3 %RH of what keepers buy (from memory).

Sources: no growth at 37 degC and less at 30 than at 24 degC: Cazin, Wiemer and Howard 1989. Stagnation below 20 degC; long
stays below 10 degC can kill the tropical fungus: Mueller et al. 2011, seen at second hand. All hours are own estimates, after
the trade's delays (common practice, no source) and, for dryness, a bare sphere's loss of water (own estimate, factor 2).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import Literal

from rules.trade.garden_sizes import CLASSES, SizeClass

HarmKind = Literal["heat", "cold", "dryness", "water"]
Consequence = Literal["minor", "serious", "severe"]
HEAL_H = 24.0
"""Time in which a garden inside its band gets over 63 % of what it bore; judgement of our own."""
MOST_USED = 1.5
"""What is used up beyond all heals as if it were no more than this. Own estimate."""

Hours = tuple[float, float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearable:
    """One kind of harm. `worse`: the sign of the direction in which the value gets worse."""

    worse: Literal[-1, 1]
    unit: str
    hours: tuple[tuple[float, Hours], ...]
    """Value and hours for size class A to E, from the least harmful to the worst."""
    serious: tuple[float | None, float | None, float | None, float | None, float | None]
    severe: tuple[float | None, float | None, float | None, float | None, float | None]
    """By size class, the value from which on the loss is serious, and severe; None: never."""
    wakes: bool
    """Whether it may wake somebody when it is soon used up."""
    marks: tuple[tuple[float, str], ...]
    """Values that are told again whatever the account says, and the size classes that they count for."""
    anchor: float
    """The value that a harmful edge of the config stands for: a keeper's own edge shifts the rows by its distance from it."""
    onset: float
    """How far beyond the edge of its band a value counts in full: at the edge nothing is used up, half as far lies within what
    a probe may be wrong."""
    rearm: float
    """How far the value must come back from a mark before crossing it again is news."""
    noise_h: float
    """Change per hour that is no trend: what a probe's resolution and a thermostat leave in the slope of half an hour."""
    damping_h: float
    """Hours in which a trend dies down."""

    def bearable_h(self, value: float, size: SizeClass) -> float:
        """Return the hours that a garden of this size class bears a value; beyond the rows the outermost one holds.

        `value`: heat and cold in degC, dryness in %RH at 26 degC, water as a share of the load that drips.
        """
        at, logs = self.logs(size)
        place = bisect_left(at, self.worse * value)
        if not 0 < place < len(at):
            return math.exp(logs[min(place, len(at) - 1)])
        share = (self.worse * value - at[place - 1]) / (at[place] - at[place - 1])
        return math.exp(logs[place - 1] + share * (logs[place] - logs[place - 1]))

    def is_unsure(self, value: float, edge: float) -> bool:
        """Return whether a value beyond an edge lies so near it that a probe's own uncertainty may have put it there."""
        return self.worse * (value - edge) <= self.onset / 2.0

    def logs(self, size: SizeClass) -> tuple[list[float], list[float]]:
        """Return the values of the rows, rising as they get worse, and the logarithm of their hours."""
        column = CLASSES.index(size)
        return [self.worse * value for value, _ in self.hours], [math.log(hours[column]) for _, hours in self.hours]

    def consequence(self, value: float, size: SizeClass) -> Consequence:
        """Return what is lost in the end at this value."""
        row = CLASSES.index(size)
        severe, serious = self.severe[row], self.serious[row]
        if severe is not None and self.worse * (value - severe) >= 0:
            return "severe"
        return "serious" if serious is not None and self.worse * (value - serious) >= 0 else "minor"

    def marks_for(self, size: SizeClass) -> tuple[float, ...]:
        """Return the marks that count for a garden of this size, from the least harmful to the worst."""
        return tuple(mark for mark, classes in self.marks if size in classes)


def _each(value: float | None) -> tuple[float | None, float | None, float | None, float | None, float | None]:
    return value, value, value, value, value


BEARABLE: dict[HarmKind, Bearable] = {
    "heat": Bearable(
        worse=1, unit="degC",
        hours=(
            (28.0, (16, 16, 24, 24, 24)),
            (30.0, (6, 6, 10, 10, 10)),  # growth clearly reduced: Cazin 1989
            (31.0, (3, 3, 6, 6, 6)),
            (32.0, (1, 1, 2, 2, 2)),
            (33.0, (0.5, 0.5, 1, 1, 1)),
            (37.0, (0.2, 0.2, 0.4, 0.4, 0.4)),  # no growth: Cazin 1989
        ),
        serious=_each(28.0), severe=_each(30.0), wakes=True,
        marks=((32.0, CLASSES), (35.0, CLASSES), (37.0, CLASSES)),  # 37: Cazin 1989; 32 and 35: judgement
        anchor=30.0, onset=1.0, rearm=1.5, noise_h=0.3, damping_h=4.0,
    ),
    "cold": Bearable(
        worse=-1, unit="degC",
        hours=(
            (24.0, (96, 96, 120, 120, 120)),
            (22.0, (60, 60, 72, 72, 72)),
            (20.0, (36, 36, 66, 66, 66)),  # stagnation: Mueller 2011
            (18.0, (20, 20, 60, 60, 60)),
            (15.0, (12, 12, 23, 23, 23)),
            (12.0, (4, 4, 8, 8, 8)),
            (10.0, (2, 2, 6, 6, 6)),  # long stays can kill: Mueller 2011
            (5.0, (1, 1, 3, 3, 3)),
        ),
        serious=_each(20.0), severe=_each(15.0), wakes=True,
        marks=((15.0, CLASSES), (12.0, CLASSES), (10.0, CLASSES)),  # 10: Mueller 2011; 15 and 12: judgement
        anchor=20.0, onset=1.0, rearm=1.5, noise_h=0.3, damping_h=4.0,
    ),
    # The humidity that would dry as fast at 26 degC: what dries is the vapour pressure deficit.
    "dryness": Bearable(
        worse=-1, unit="%RH",
        hours=(
            (80.0, (12, 24, 36, 36, 36)),
            (72.5, (3, 8, 16, 24, 24)),
            (65.0, (1.25, 3, 8, 12, 12)),
            (55.0, (1, 1.5, 4, 8, 8)),
            (45.0, (0.5, 1, 2, 6, 6)),
            (30.0, (0.25, 0.5, 1, 3, 3)),
        ),
        serious=(80.0, 80.0, 70.0, 50.0, 50.0), severe=(60.0, 50.0, 35.0, None, None), wakes=True,
        marks=((50.0, "AB"), (40.0, CLASSES), (30.0, CLASSES)),  # estimates of our own
        anchor=60.0, onset=6.0, rearm=5.0, noise_h=3.0, damping_h=3.0,
    ),
    # Share of the load at which drops fall, on a lid below the dew point; less than the first row is harmless distillation.
    "water": Bearable(
        worse=1, unit="share",
        hours=((0.2, (24, 24, 24, 24, 24)), (0.5, (4, 4, 4, 4, 4)), (1.0, (2, 2, 2, 2, 2)), (2.0, (1, 1, 1, 1, 1))),
        serious=_each(0.5), severe=_each(None), wakes=False,
        marks=((0.5, CLASSES),),
        anchor=0.5, onset=0.1, rearm=0.2, noise_h=0.02, damping_h=6.0,
    ),
}  # fmt: skip
