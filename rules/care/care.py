"""The care routine: what is due, what the keeper did and saw, how the garden grows, who looks after it meanwhile.

Pure, and cut invariant: time split anywhere into several calls gives the same events and the same state.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from rules.care.absence import noted, welcome_back
from rules.care.answers import take
from rules.care.occurrences import Occurrence as Occurrence
from rules.care.schedule import Subject, due_after, every_ms, how_told, subjects
from rules.care.stand_in import before_leaving, checklist
from rules.care.state import STATUS, AwayDiary, CareState, TaskState
from rules.care.turn import Course
from rules.climate.course import Presents
from rules.climate.hours import ClimateMemory as ClimateMemory
from rules.climate.hours import Hours as Hours
from rules.climate.hours import NothingKnown as NothingKnown
from rules.keeper.presence import Heard, Turn
from rules.keeper.refusal import answer_id
from rules.keeper.state import KeeperState
from rules.settings import Settings
from rules.terms.events import DAY_MS, CareEvent, Event, WordEvent
from rules.terms.local_time import local_day
from rules.terms.words import Calibrated, CareDone, GardenSize, LeavesGiven, LidSeen, Observation, TakeBack, Word
from rules.trade.routine import TASKS

_ABOUT_CARE = (CareDone, Observation, LeavesGiven, LidSeen, GardenSize, Calibrated, TakeBack)
_MOST_PLANNED = 60
"""A calendar holds at most so many doings of one task ahead. Bookkeeping."""


def follow(
    settings: Settings,
    state: CareState,
    heard: Heard,
    from_ms: int,
    until_ms: int,
    origin: str,
    climate: ClimateMemory,
    presents: Presents | None = None,
    standing: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
) -> tuple[CareState, list[CareEvent | WordEvent]]:
    """Return the routine's state at `until_ms` and what is told in [from_ms, until_ms), in order of time.

    What was heard was heard at `from_ms`; words that are not about care are passed over. What falls due at the very
    millisecond of a word is told after it. The first call begins the routine at `from_ms`. `standing`: what stands in each
    chamber at `from_ms`, in words.
    """
    about = [word for word in heard.words if isinstance(word, _ABOUT_CARE)]
    if not about and not heard.turns and nothing_due(state, until_ms):
        return state, []
    course = Course(settings, state, heard.state, origin, climate, presents, standing)
    if course.state.since_ms is None:
        course.state.since_ms = from_ms
        course.replan(from_ms)
    for word in about:
        _until(course, word.taken_ms)
        take(course, word)
    for turn in heard.turns:
        _absence(course, turn, from_ms)
    _until(course, until_ms)
    course.state.next_ms = _next_ms(course.state)
    return course.state, list(course.events)


def nothing_due(state: CareState, until_ms: int) -> bool:
    """Return whether without words nothing of the routine is told before this instant."""
    return state.since_ms is not None and (state.next_ms is None or state.next_ms >= until_ms)


def happened(state: CareState, events: Sequence[Event], words: Sequence[Word], origin: str) -> CareState:
    """Return the state after all that was told at a stretch: kept while the keeper is away."""
    if state.away is None or not events:
        return state
    by = {answer_id(origin, word.word_id): word.by for word in words}
    return replace(state, away=noted(state.away, events, by))


def replan(settings: Settings, state: CareState, keeper: KeeperState, at_ms: int) -> CareState:
    """Return the state brought into line with a changed config: new, dropped and otherwise scaled tasks. Tells nothing."""
    if state.since_ms is None:
        return state
    course = Course(settings, state, keeper, "", NothingKnown())
    course.replan(at_ms)
    course.state.next_ms = _next_ms(course.state)
    return course.state


def _next_ms(state: CareState) -> int | None:
    return min((task.next_ms for task in state.tasks.values() if task.next_ms is not None), default=None)


def _until(course: Course, limit_ms: int) -> None:
    """Tell what falls due before the limit, in order of time; equals in the order of the config and the routine."""
    order = {key: place for place, key in enumerate(course.subjects)}
    due = [
        (task.next_ms, order[key], key)
        for key, task in course.state.tasks.items()
        if key in order and task.next_ms is not None and task.next_ms < limit_ms
    ]
    heapq.heapify(due)
    while due:
        _, place, key = heapq.heappop(due)
        course.step(key)
        next_ms = course.state.tasks[key].next_ms
        if next_ms is not None and next_ms < limit_ms:
            heapq.heappush(due, (next_ms, place, key))


def _absence(course: Course, turn: Turn, at_ms: int) -> None:
    """Send the checklist before an absence, begin its diary, and tell at its end what stands there and what is due."""
    what, absence = turn
    if what == "prepared":
        ahead = plan(course.settings, course.state, course.keeper, absence.ends)
        course.tell(at_ms, None, "away-before", before_leaving(course.settings, ahead, absence), "today")
        course.tell(at_ms, None, "away", checklist(course.settings, ahead, absence), "today")
    elif what == "begun":
        course.state.away = AwayDiary(at_ms)
    elif what == "ended":
        due = standing(course.settings, course.state)
        course.tell(at_ms, None, "away-after", welcome_back(course.settings, course.state.away, due, at_ms), "today")
        course.state.away = None


# ---------------------------------------------------------------- what is ahead and what stands


def plan(settings: Settings, state: CareState, keeper: KeeperState, until_ms: int) -> list[Occurrence]:
    """Return the planned doings up to an instant, in order of time; a daily task is one doing that repeats.

    The k-th doing of a task keeps its identity when it moves: a doing logged early or late moves the ones after it.
    """
    found: list[Occurrence] = []
    for key, subject in subjects(settings).items():
        task = state.tasks.get(key)
        if task is not None and task.due_ms is not None:
            how = how_told(settings, keeper, subject)
            found += [replace(one, how=how) for one in _ahead(settings, keeper, subject, task, until_ms)]
    return sorted(found, key=lambda one: (one.due_ms, one.uid))


def _ahead(settings: Settings, keeper: KeeperState, subject: Subject, task: TaskState, until_ms: int) -> list[Occurrence]:
    rows: list[Occurrence] = []
    due_ms, number = task.due_ms or 0, task.doings
    interval = every_ms(settings, keeper, subject, task.base_ms)
    if interval is not None and interval <= DAY_MS:
        return [] if due_ms >= until_ms else [_occurrence(settings, subject, task, due_ms, None, interval)]
    while due_ms < until_ms and len(rows) < _MOST_PLANNED:
        rows.append(_occurrence(settings, subject, task, due_ms, number, None))
        interval = every_ms(settings, keeper, subject, due_ms)
        if interval is None:
            break
        due_ms, number = due_after(settings, subject.task, due_ms, interval), number + 1
    return rows


def _occurrence(
    settings: Settings, subject: Subject, task: TaskState, due_ms: int, number: int | None, repeats_ms: int | None
) -> Occurrence:
    facts, chamber = TASKS[subject.task], settings.chambers.get(subject.place)
    where = (chamber.title or subject.place) if chamber else settings.site.name
    ending = "daily" if number is None else str(number)
    return Occurrence(
        uid=f"{subject.place}.{subject.task}.{ending}", task=subject.task, chamber=subject.chamber, where=where,
        title=facts.title, how=facts.how, due_ms=due_ms, day=local_day(due_ms, settings.zone).isoformat(),
        repeats_ms=repeats_ms, stand_in=facts.stand_in,
        status=STATUS[task.stage] if number in (None, task.doings) else STATUS[0],
    )  # fmt: skip


def standing(settings: Settings, state: CareState) -> list[Occurrence]:
    """Return what is due, overdue or harmful if missed now, the worst first; for the digest."""
    found = []
    for key, subject in subjects(settings).items():
        task = state.tasks.get(key)
        if task is not None and task.stage and task.due_ms is not None:
            found.append((task.stage, _occurrence(settings, subject, task, task.due_ms, task.doings, None)))
    return [one for _, one in sorted(found, key=lambda pair: (-pair[0], pair[1].due_ms, pair[1].uid))]
