"""The leaf diary: which leaves can be behind a garden that suffers now.

Ants cannot taste some fungicides: they accept the leaf, then reject that plant from about 10 h after it was built in,
for 9 weeks (Herz, Hoelldobler & Roces 2008, Behav. Ecol. 19:575) to 18 weeks (Saverschek et al. 2010, Anim. Behav.
79:689). From a poisoned leaf to a visible decline 1 to 3 days pass: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.words import LeavesGiven

SUSPECT_FROM_MS = 10 * HOUR_MS  # rejected from 10 h on: Herz et al. 2008, Behav. Ecol. 19:575
SUSPECT_TO_MS = 72 * HOUR_MS  # decline within 1 to 3 days: own estimate
KEPT_MS = 130 * DAY_MS
"""18 weeks of refusal and a few days. Saverschek et al. 2010, Anim. Behav. 79:689, from memory."""
KEPT_LINES = 150  # bookkeeping


@dataclass
class LeafEntry:
    """One line of the diary; `treated` None: not known."""

    chamber: str
    at_ms: int
    plant: str
    place: str
    treated: bool | None
    word_id: str = ""


def written(diary: Sequence[LeafEntry], word: LeavesGiven) -> list[LeafEntry]:
    """Return the diary with one line more, in order of time; lines that can explain nothing any more are let go."""
    line = LeafEntry(word.chamber, word.at_ms, word.plant, word.place, word.treated, word.word_id)
    newest_ms = max([line.at_ms, *(entry.at_ms for entry in diary)])
    kept = [entry for entry in diary if entry.at_ms > newest_ms - KEPT_MS]
    return sorted([*kept, line], key=lambda entry: entry.at_ms)[-KEPT_LINES:]


def suspects(diary: Sequence[LeafEntry], chambers: Sequence[str], at_ms: int) -> list[LeafEntry]:
    """Return the leaves given to these chambers 10 to 72 h before: treated first, then unknown; newest first."""
    inside = [
        entry
        for entry in diary
        if entry.chamber in chambers and SUSPECT_FROM_MS <= at_ms - entry.at_ms <= SUSPECT_TO_MS
    ]
    return sorted(inside, key=lambda entry: (_doubt(entry), -entry.at_ms))


def _doubt(entry: LeafEntry) -> int:
    return 0 if entry.treated else 1 if entry.treated is None else 2


def told(entry: LeafEntry, at_ms: int) -> str:
    """Return one line of the diary in words, with its age."""
    treatment = {True: "treated", False: "not treated", None: "treated or not is not known"}[entry.treated]
    where = f"{entry.place}, " if entry.place else ""
    return f"{entry.plant} ({where}{treatment}; {round((at_ms - entry.at_ms) / HOUR_MS)} h ago)"


def suspicion(diary: Sequence[LeafEntry], chambers: Sequence[str], at_ms: int) -> str:
    """Return what the diary says about a garden that suffers now; one sentence or two."""
    named = suspects(diary, chambers, at_ms)
    if not named:
        return "The leaf diary has no leaves of the last 10 to 72 hours: it can neither blame nor clear them."
    lines = "; ".join(told(entry, at_ms) for entry in named[:6])
    more = f"; and {len(named) - 6} more" if len(named) > 6 else ""
    return f"Leaves of the last 10 to 72 hours: {lines}{more}. {_verdict(named)}"


def _verdict(named: Sequence[LeafEntry]) -> str:
    if any(entry.treated for entry in named):
        return "Stop the treated source and take out what is left of it."
    if all(entry.treated is False for entry in named):
        return "None was treated as far as you know; drift from neighbours cannot be seen."
    return "If in doubt, leave that source out and watch for two days."


def one_sided(diary: Sequence[LeafEntry], chambers: Sequence[str], at_ms: int) -> str | None:
    """Return the only plant of the last week, None where two or more were offered or too little is written.

    Two or three plants at once: common practice, no source.
    """
    week = [entry for entry in diary if entry.chamber in chambers and 0 <= at_ms - entry.at_ms <= 7 * DAY_MS]
    plants = {entry.plant.casefold() for entry in week}
    return week[-1].plant if len(week) >= 4 and len(plants) == 1 else None
