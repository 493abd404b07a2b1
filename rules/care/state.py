"""What the care routine remembers between two calls."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.care.growth import GardenEntry
from rules.care.leaf_diary import LeafEntry
from rules.settings import Chamber

STATUS = ("waiting", "due", "overdue", "harmful-if-missed")
"""The stages of a task, in order."""


@dataclass
class TaskState:
    """One task at one place. `stage` indexes STATUS: what was told last; `next_ms`: when the next stage is told.

    `base_ms` is what the interval counts from: the last doing, or the start of the routine. `doings` counts the doings
    and makes a planned occurrence's identity; `events` counts the events and makes theirs. `missed`: how many doings in
    a row came only after the last stage.
    """

    base_ms: int
    done_ms: int | None = None
    due_ms: int | None = None
    overdue_ms: int | None = None
    harmful_ms: int | None = None
    next_ms: int | None = None
    stage: int = 0
    doings: int = 0
    events: int = 0
    missed: int = 0
    amount: float | None = None
    unit: str | None = None


@dataclass
class Note:
    """What was seen, without its text (the record keeps that)."""

    chamber: str
    at_ms: int
    seen: tuple[str, ...]


@dataclass
class AwayPeriod:
    """When the stand-in looks after the shelf; `told`: 0 nothing yet, 1 the checklist, 2 that it has begun."""

    from_ms: int
    to_ms: int
    checklist_ms: int
    told: int = 0


@dataclass
class CareState:
    """The routine's memory: tasks by `place/task`, garden sizes by chamber, the leaf diary, sights, absences.

    `next_ms` is the next instant at which something is told if no word comes; None: none.
    """

    since_ms: int | None = None
    next_ms: int | None = None
    tasks: dict[str, TaskState] = field(default_factory=dict)
    gardens: dict[str, list[GardenEntry]] = field(default_factory=dict)
    leaves: list[LeafEntry] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    away: list[AwayPeriod] = field(default_factory=list)
    words: int = 0


def garden_ml(state: CareState, chamber_id: str, settings: Chamber) -> float | None:
    """Return the size of a chamber's garden, ml: the latest entry, else the config's; None: not known."""
    entries = state.gardens.get(chamber_id)
    return entries[-1].garden_ml if entries else settings.garden.volume_ml


def colony_ml(state: CareState, chambers: Mapping[str, Chamber], members: tuple[str, ...]) -> float | None:
    """Return the size of a colony's gardens together, ml; None: none of them is known."""
    sizes = [garden_ml(state, name, chambers[name]) for name in members if chambers[name].role == "fungus"]
    known = [size for size in sizes if size is not None]
    return sum(known) if known else None


def is_away(state: CareState, at_ms: int) -> bool:
    """Whether the stand-in is to be told rather than the keeper."""
    return any(period.from_ms <= at_ms < period.to_ms for period in state.away)
