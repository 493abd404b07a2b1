"""What the care routine remembers between two calls."""

from __future__ import annotations

from dataclasses import dataclass, field

from rules.care.leaf_diary import LeafEntry

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
class Doing:
    """What a task was like before a word logged it; it is so again once that is taken back."""

    word_id: str
    key: str
    base_ms: int
    done_ms: int | None
    amount: float | None
    unit: str | None
    missed: int


@dataclass
class Note:
    """What was seen, without its text (the record keeps that)."""

    chamber: str
    at_ms: int
    seen: tuple[str, ...]
    word_id: str = ""


@dataclass
class AwayTrouble:
    """One alarm while the keeper is away."""

    chamber: str | None
    alarm: str
    first_ms: int
    last_ms: int
    times: int = 0
    worst: float | None = None
    unit: str | None = None
    harmful: bool = False
    open: bool = True


@dataclass
class AwayDone:
    """What somebody said to have done or seen while the keeper is away."""

    chamber: str | None
    at_ms: int
    by: str
    text: str


@dataclass
class AwayDiary:
    """What has happened since the keeper left, for one letter when he is back."""

    since_ms: int
    troubles: dict[str, AwayTrouble] = field(default_factory=dict)
    done: list[AwayDone] = field(default_factory=list)


@dataclass
class CareState:
    """The routine's memory: tasks by `place/task`, the leaf diary, sights.

    `next_ms` is the next instant at which something is told if no word comes; None: none.
    """

    since_ms: int | None = None
    next_ms: int | None = None
    tasks: dict[str, TaskState] = field(default_factory=dict)
    leaves: list[LeafEntry] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    doings: list[Doing] = field(default_factory=list)
    """Of the last words that can be taken back, the oldest first."""
    away: AwayDiary | None = None
    words: int = 0
