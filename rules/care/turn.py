"""One call of the routine on its way: the state being built, what is told, and who may ask the climate's past."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from types import MappingProxyType

from rules.care.nest import colonies, colony_of, vent_instead
from rules.care.observations import Questions
from rules.care.schedule import Subject, founds, how_told, scheduled, size_at, stepped, subjects
from rules.care.state import STATUS, CareState, TaskState
from rules.climate.course import Presents
from rules.climate.hours import ClimateMemory
from rules.keeper.refusal import answer
from rules.keeper.state import KeeperState, garden_ml
from rules.settings import Settings
from rules.terms.events import DAY_MS, MINUTE_MS, CareEvent, Priority, WordEvent
from rules.terms.local_time import time_words
from rules.terms.words import Observation, Word
from rules.trade.routine import Evidence

_NOTED_MS = 4 * DAY_MS
"""For how long a sight of mould or damp waste makes a late task a matter of the same day; common practice, no source."""
_OF_NOW_MS = 15 * MINUTE_MS
"""A sight or reading that is older is not of now; own estimate."""
SELDOM = 2
"""After so many doings in a row that came only when the task was long overdue, it is the log that is late, not the care:
the task is told in the digest alone."""
_SIGHTS: dict[Evidence, tuple[str, ...]] = {
    "mould": ("white-fluffy-mould", "powder"),
    "damp-waste": ("waste-damp", "waste-at-garden", "white-fluffy-mould"),
}


class Course:
    """Works on a copy: the state that was handed in stays as it was."""

    def __init__(
        self, settings: Settings, state: CareState, keeper: KeeperState, origin: str, climate: ClimateMemory,
        presents: Presents | None = None, standing: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    ) -> None:
        self.settings = settings
        self.keeper = keeper
        self.origin = origin
        self.climate = climate
        self.presents = presents
        self.standing = standing
        self.events: list[CareEvent | WordEvent] = []
        self.state = replace(
            state, tasks=dict(state.tasks), leaves=list(state.leaves), notes=list(state.notes), doings=list(state.doings)
        )

    @cached_property
    def subjects(self) -> dict[str, Subject]:
        """Every task at every place."""
        return subjects(self.settings)

    def title(self, place: str) -> str:
        """Return how the keeper calls a chamber, room for any text."""
        chamber = self.settings.chambers.get(place)
        return (chamber.title or place) if chamber else "the whole shelf"

    def members(self, chamber: str) -> tuple[str, ...]:
        """Return the chambers of this chamber's colony."""
        return colonies(self.settings.chambers)[colony_of(self.settings.chambers, chamber)]

    def questions(self, chamber: str, at_ms: int) -> Questions:
        """Return what may be asked of a chamber's past."""
        place = self.settings.chambers[chamber]
        return Questions(self.climate, chamber, place, garden_ml(self.keeper, chamber, place), at_ms)

    def questions_of(self, word: Observation) -> Questions:
        """Return what may be asked about a sight: of the past, and of the present where the sight is of now."""
        name, chambers = word.chamber, self.settings.chambers
        now = self.presents.figures(name, word.taken_ms) if self.presents is not None else None
        fresh = now is not None and word.taken_ms - min(word.at_ms, now.at_ms) <= _OF_NOW_MS
        vents = chambers[vent_instead(chambers, name) or name].devices.vents
        shut = founds(self.settings, self.keeper, name)
        return replace(
            self.questions(name, word.at_ms), now=now if fresh else None, vents=vents.count > 0, shut=shut,
            standing=self.standing.get(name, ()),
        )  # fmt: skip

    def replan(self, at_ms: int) -> None:
        """Bring every task into line with the garden sizes and the config of now."""
        tasks = self.state.tasks
        self.state.tasks = {
            key: scheduled(self.settings, self.keeper, subject, tasks.get(key, TaskState(at_ms)), at_ms)
            for key, subject in self.subjects.items()
        }

    def word(self, word: Word, chamber: str | None, accepted: bool, text: str) -> None:
        """Say what became of a word."""
        self.events.append(answer(self.origin, word, accepted, text, chamber))

    def tell(self, at_ms: int, chamber: str | None, task: str, text: str, priority: Priority) -> None:
        """Tell something that is no stage of a task."""
        self.state.words += 1
        name = f"{self.origin}.{chamber or 'site'}.care.{task}.told-{self.state.words}"
        self.events.append(
            CareEvent(
                id=name, at_ms=at_ms, chamber=chamber, task=task, status="told", due_ms=None, text=text, priority=priority
            )
        )  # fmt: skip

    def done(self, subject: Subject, at_ms: int, text: str) -> None:
        """Tell that a task was done; its state already knows."""
        task = replace(self.state.tasks[subject.key], events=self.state.tasks[subject.key].events + 1)
        self.state.tasks[subject.key] = task
        self._append(subject, task, "done", at_ms, text, "digest")

    def step(self, key: str) -> None:
        """Tell the stage that a task reaches now."""
        subject, before = self.subjects[key], self.state.tasks[key]
        at_ms = before.next_ms or 0
        task = stepped(subject, before)
        self.state.tasks[key] = task
        status = STATUS[task.stage]
        if task.stage > before.stage:
            self._append(subject, task, status, at_ms, self._text(subject, task, status), self._priority(subject, task, at_ms))

    def _append(self, subject: Subject, task: TaskState, status: str, at_ms: int, text: str, priority: Priority) -> None:
        self.events.append(
            CareEvent(
                id=f"{self.origin}.{subject.place}.care.{subject.task}.{task.events}", at_ms=at_ms, chamber=subject.chamber,
                task=subject.task, status=status, due_ms=task.due_ms, text=text, priority=priority,  # type: ignore[arg-type]
            )
        )  # fmt: skip

    def _text(self, subject: Subject, task: TaskState, status: str) -> str:
        facts = subject.facts
        since = f"due since {time_words(task.due_ms, self.settings.zone)}" if task.due_ms is not None else "due"
        last = "not logged yet" if task.done_ms is None else f"last done {time_words(task.done_ms, self.settings.zone)}"
        if facts.grows:
            last = "by the garden's growth"
        when = "due today" if status == "due" else {"overdue": f"overdue, {since}"}.get(status, f"harmful if missed, {since}")
        seldom = f" You log this seldom: give [care.{subject.task}] an interval of your own, or off = true."
        hint = seldom if task.missed >= SELDOM and task.stage == 1 else ""
        how = how_told(self.settings, self.keeper, subject)
        return f"{self.title(subject.place)}: {facts.title} ({when}; {last}). {how[0].upper()}{how[1:]}.{hint}"

    def _priority(self, subject: Subject, task: TaskState, at_ms: int) -> Priority:
        """Return how soon a stage is told.

        A task that was never logged, and that the config does not name, stays in the digest: a keeper who does not keep
        a log here is not nagged.
        """
        if task.stage == 1 and not subject.facts.grows:
            return "digest"
        logged = task.done_ms is not None or subject.task in self.settings.care or subject.facts.grows
        late = subject.facts.harmful if task.stage == 3 else subject.facts.overdue
        if late is None or not logged:
            return "digest"
        if self._raised(subject, at_ms):
            return "today"
        if task.missed >= SELDOM:
            return "digest"
        return late.priority(size_at(self.settings, self.keeper, subject))

    def _raised(self, subject: Subject, at_ms: int) -> bool:
        """Whether what is known of the chamber makes the late task a matter of the same day."""
        evidence = subject.facts.raised_by
        if evidence is None or subject.chamber is None:
            return False
        if evidence in _SIGHTS:
            return any(
                note.chamber in subject.members and 0 <= at_ms - note.at_ms <= _NOTED_MS
                and not set(_SIGHTS[evidence]).isdisjoint(note.seen)
                for note in self.state.notes
            )  # fmt: skip
        proof = self.questions(subject.chamber, at_ms).ask("dry" if evidence == "dry" else "wet-lid")
        return bool(proof.holds) and not proof.over
