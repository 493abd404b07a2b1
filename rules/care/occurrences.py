"""One planned doing of a task."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Occurrence:
    """A doing ahead, or one that stands. `uid` is stable; `day` is its local day (ISO 8601).

    `repeats_ms`: it stands for a doing every so often (a day or less); None: for this one alone.
    """

    uid: str
    task: str
    chamber: str | None
    where: str
    title: str
    how: str
    due_ms: int
    day: str
    repeats_ms: int | None
    stand_in: bool
    status: str
