"""The care routine: what is due, what the keeper did and saw, how the garden grows, who looks after it meanwhile.

Pure, and cut invariant: time split anywhere into several calls gives the same events and the same state.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import replace

from rules.care.answers import take
from rules.care.occurrences import Occurrence as Occurrence
from rules.care.schedule import Subject, due_after, every_ms, subjects
from rules.care.stand_in import before_leaving, checklist, welcome_back
from rules.care.state import STATUS, AwayPeriod, CareState, TaskState
from rules.care.state import garden_ml as garden_ml
from rules.care.state import is_away as is_away
from rules.care.turn import Course
from rules.climate.hours import ClimateMemory as ClimateMemory
from rules.climate.hours import Hours as Hours
from rules.climate.hours import NothingKnown as NothingKnown
from rules.settings import Settings
from rules.terms.events import DAY_MS, CareEvent, SystemEvent, WordEvent
from rules.terms.local_time import local_day
from rules.terms.words import Away, Calibrated, CareDone, GardenSize, LeavesGiven, Observation, Word
from rules.trade.routine import TASKS

_ABOUT_CARE = (CareDone, Observation, LeavesGiven, GardenSize, Away, Calibrated)
_MOST_PLANNED = 60
"""A calendar holds at most so many doings of one task ahead."""


def follow(
    settings: Settings,
    state: CareState,
    words: Sequence[Word],
    from_ms: int,
    until_ms: int,
    origin: str,
    climate: ClimateMemory,
) -> tuple[CareState, list[CareEvent | WordEvent | SystemEvent]]:
    """Return the routine's state at `until_ms` and what is told in [from_ms, until_ms), in order of time.

    `words` are ordered by `taken_ms` within that span; those that are not about care are passed over. What falls due at
    the very millisecond of a word is told after it. The first call begins the routine at `from_ms`.
    """
    about = [word for word in words if isinstance(word, _ABOUT_CARE)]
    quiet = state.next_ms is None or state.next_ms >= until_ms
    if quiet and not about and state.since_ms is not None:
        return state, []
    course = Course(settings, state, origin, climate)
    if course.state.since_ms is None:
        course.state.since_ms = from_ms
        course.replan(from_ms)
    for word in about:
        _until(course, word.taken_ms)
        take(course, word)
    _until(course, until_ms)
    course.state.next_ms = _next_ms(course.state)
    return course.state, list(course.events)


def replan(settings: Settings, state: CareState, at_ms: int) -> CareState:
    """Return the state brought into line with a changed config: new, dropped and otherwise scaled tasks. Tells nothing."""
    if state.since_ms is None:
        return state
    course = Course(settings, state, "", NothingKnown())
    course.replan(at_ms)
    course.state.next_ms = _next_ms(course.state)
    return course.state


def _next_ms(state: CareState) -> int | None:
    instants = [task.next_ms for task in state.tasks.values() if task.next_ms is not None]
    instants += [_away_next(period) for period in state.away]
    return min(instants, default=None)


def _away_next(period: AwayPeriod) -> int:
    return (period.checklist_ms, max(period.from_ms, period.checklist_ms), period.to_ms)[period.told]


def _until(course: Course, limit_ms: int) -> None:
    """Tell what falls due before the limit, in order of time; equals in the order of the config and the routine."""
    order = {key: place for place, key in enumerate(course.subjects)}
    due = [
        (task.next_ms, order[key], key)
        for key, task in course.state.tasks.items()
        if key in order and task.next_ms is not None and task.next_ms < limit_ms
    ]
    heapq.heapify(due)
    while due or _away_due(course, limit_ms):
        period = _away_due(course, due[0][0] if due else limit_ms)
        if period is not None:
            _away_step(course, period)
            continue
        _, place, key = heapq.heappop(due)
        course.step(key)
        next_ms = course.state.tasks[key].next_ms
        if next_ms is not None and next_ms < limit_ms:
            heapq.heappush(due, (next_ms, place, key))


def _away_due(course: Course, limit_ms: int) -> AwayPeriod | None:
    waiting = [period for period in course.state.away if _away_next(period) < limit_ms]
    return min(waiting, key=_away_next) if waiting else None


def _away_step(course: Course, period: AwayPeriod) -> None:
    """Send the checklist before the absence, say when it begins, and at its end what is open."""
    at_ms = _away_next(period)
    others = [one for one in course.state.away if one is not period]
    if period.told < 2:
        course.state.away = sorted([*others, replace(period, told=period.told + 1)], key=lambda one: one.from_ms)
    if period.told == 0:
        ahead = plan(course.settings, course.state, period.to_ms)
        course.tell(at_ms, None, "away-before", before_leaving(course.settings, ahead, period), "today")
        course.tell(at_ms, None, "away", checklist(course.settings, ahead, period), "today")
    elif period.told == 1:
        course.away(at_ms, begins=True)
    else:
        course.state.away = others
        course.away(at_ms, begins=False)
        course.tell(at_ms, None, "away-after", welcome_back(course.settings, standing(course.settings, course.state)), "digest")


# ---------------------------------------------------------------- what is ahead and what stands


def plan(settings: Settings, state: CareState, until_ms: int) -> list[Occurrence]:
    """Return the planned doings up to an instant, in order of time; a daily task is one doing that repeats.

    The k-th doing of a task keeps its identity when it moves: a doing logged early or late moves the ones after it.
    """
    found: list[Occurrence] = []
    for key, subject in subjects(settings).items():
        task = state.tasks.get(key)
        if task is not None and task.due_ms is not None:
            found += _ahead(settings, state, subject, task, until_ms)
    return sorted(found, key=lambda one: (one.due_ms, one.uid))


def _ahead(settings: Settings, state: CareState, subject: Subject, task: TaskState, until_ms: int) -> list[Occurrence]:
    rows: list[Occurrence] = []
    due_ms, number = task.due_ms or 0, task.doings
    interval = every_ms(settings, state, subject, task.base_ms)
    if interval is not None and interval <= DAY_MS:
        return [] if due_ms >= until_ms else [_occurrence(settings, subject, task, due_ms, None, interval)]
    while due_ms < until_ms and len(rows) < _MOST_PLANNED:
        rows.append(_occurrence(settings, subject, task, due_ms, number, None))
        interval = every_ms(settings, state, subject, due_ms)
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
