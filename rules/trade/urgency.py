"""How urgent a consequence is with so much time left: the grid of priorities.

Method: ISA TR18.2.2 and EEMUA 191 (priority from consequence and time to respond), from memory. The grid's bands are stretched
from minutes to hours because a keeper is away: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rules.terms.events import HOUR_MS, SECOND_MS, Priority
from rules.trade.bearable import Consequence

HOUR_S = HOUR_MS // SECOND_MS
PRIORITIES: tuple[Priority, ...] = ("digest", "morning", "today", "wake")
BANDS_H = (1.0, 4.0, 24.0)
GRID: dict[Consequence, tuple[Priority, Priority, Priority, Priority]] = {
    # less than 1 h, 1 to 4 h, 4 to 24 h, more
    "minor": ("today", "morning", "morning", "digest"),
    "serious": ("wake", "today", "today", "morning"),
    "severe": ("wake", "wake", "wake", "today"),
}

_ROWS = {name: row for row, name in enumerate(GRID)}


def rank(priority: Priority) -> int:
    """Return 0 for the least urgent priority, 3 for the most."""
    return PRIORITIES.index(priority)


ACUTE_H = BANDS_H[1]
"""What is borne for less than this wakes for itself; judgement of our own."""


def urgency(consequence: Consequence, left_s: float, *, acute: bool = True, going_away: bool = False) -> Priority:
    """Return the priority of this consequence in so much time.

    `acute`: whether the value of now would do it soon; a mild one that has merely lasted too long wakes nobody, unless severe.

    `going_away`: it is outside and on its way beyond what harms; that is told by day while there is time, however much is left.
    """
    soon_h, later_h, last_h = BANDS_H
    band = (left_s >= soon_h * HOUR_S) + (left_s >= later_h * HOUR_S) + (left_s > last_h * HOUR_S)
    found = GRID[consequence][max(band, consequence == "serious" and not acute)]
    return "today" if going_away and rank(found) < rank("today") else found


_RANKS = np.array([[[rank(urgency(name, left_h * HOUR_S, acute=acute)) for left_h in (0.0, *BANDS_H[:2], BANDS_H[2] + 1.0)]
                    for acute in (False, True)] for name in GRID])  # fmt: skip


def ranks(
    consequence: Sequence[Consequence], left_s: NDArray[np.float64], acute: Sequence[bool], going_away: Sequence[bool]
) -> NDArray[np.int64]:
    """Return the ranks of what `urgency` says of each of many."""
    soon_h, later_h, last_h = BANDS_H
    band = 1 * (left_s >= soon_h * HOUR_S) + (left_s >= later_h * HOUR_S) + (left_s > last_h * HOUR_S)
    found = _RANKS[[_ROWS[name] for name in consequence], np.array(acute, np.intp), band]
    return np.where(going_away, np.maximum(found, rank("today")), found)
