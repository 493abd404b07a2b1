"""Which tasks exist where, and when each is due, overdue and harmful if missed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from rules.care.growth import COVER_SHARE, fit, milestones
from rules.care.nest import colonies, main_chamber
from rules.care.state import TaskState
from rules.keeper.state import KeeperState, colony_ml, garden_entries, garden_ml
from rules.settings import Chamber, Settings
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.local_time import instant_ms, local_day
from rules.trade.garden_sizes import YOUNG, founds_shut, size_class
from rules.trade.routine import CLAUSTRAL_OFF, TASKS, TaskFacts, interval_ms, settings_of

SITE = "site"


@dataclass(frozen=True, slots=True)
class Subject:
    """One task at one place; `members`: the chambers whose words count for it; `colonies`: how many there are."""

    task: str
    place: str
    members: tuple[str, ...]
    colonies: int

    @property
    def key(self) -> str:
        """The name of its state."""
        return f"{self.place}/{self.task}"

    @property
    def chamber(self) -> str | None:
        """The chamber that an event of it belongs to; None: the whole site."""
        return None if self.place == SITE else self.place

    @property
    def facts(self) -> TaskFacts:
        """Its line of the routine."""
        return TASKS[self.task]


def subjects(settings: Settings) -> dict[str, Subject]:
    """Return every task at every place, by the name of its state: by colony in config order, then the site's."""
    nests = colonies(settings.chambers)
    found: list[Subject] = []
    for members in nests.values():
        main = main_chamber(settings.chambers, members)
        for task, facts in TASKS.items():
            if facts.scope == "colony":
                found.append(Subject(task, main, members, len(nests)))
            elif facts.scope == "chamber":
                places = [name for name in members if _belongs(settings, name, facts)]
                found += [Subject(task, name, (name,), len(nests)) for name in places]
    if nests:
        found += [Subject(task, SITE, (), len(nests)) for task, facts in TASKS.items() if facts.scope == "site"]
    return {subject.key: subject for subject in found}


def _belongs(settings: Settings, name: str, facts: TaskFacts) -> bool:
    chamber = settings.chambers[name]
    if facts.needs == "heater":
        return chamber.devices.heater is not None
    if facts.needs == "mister":
        return chamber.devices.mister is not None
    if facts.needs == "granules":
        return chamber.role == "fungus" and chamber.devices.wet_granules
    if facts.needs == "probe":
        return bool(settings.probes_at(name))
    return chamber.role == "fungus"


def size_at(settings: Settings, keeper: KeeperState, subject: Subject) -> str:
    """Return the size class that scales a task: of the chamber's garden, or of the colony's gardens together."""
    if subject.facts.scope == "chamber":
        return size_class(garden_ml(keeper, subject.place, settings.chambers[subject.place]))
    members = subject.members or tuple(settings.chambers)
    return size_class(colony_ml(keeper, settings.chambers, members))


def how_told(settings: Settings, keeper: KeeperState, subject: Subject) -> str:
    """Return how a task is done: for a garden of this age, or of both where its size is not known."""
    facts, members = subject.facts, subject.members or tuple(settings.chambers)
    if facts.how_by_age is None or colony_ml(keeper, settings.chambers, members) is None:
        return facts.how
    return facts.how_by_age[size_at(settings, keeper, subject) not in YOUNG]


def every_ms(settings: Settings, keeper: KeeperState, subject: Subject, from_ms: int) -> int | None:
    """Return the interval of a task that starts to count at an instant; None: it does not come due by interval."""
    if subject.task in CLAUSTRAL_OFF and any(founds(settings, keeper, name) for name in subject.members):
        return None
    month = local_day(from_ms, settings.zone).month
    size, here = size_at(settings, keeper, subject), settings.site.hemisphere
    return interval_ms(settings.care, subject.task, size, month, subject.colonies, here)


def founds(settings: Settings, keeper: KeeperState, name: str) -> bool:
    """Return whether an Atta queen founds in a chamber, shut in with her fungus."""
    chamber = settings.chambers[name]
    return founds_shut(chamber.genus, chamber.garden.founding, garden_ml(keeper, name, chamber))


def due_after(settings: Settings, task: str, from_ms: int, interval: int) -> int:
    """Return when a task is due: whole days at its local time of day, shorter intervals by the hour."""
    if interval < DAY_MS:
        return from_ms + interval
    day = local_day(from_ms, settings.zone) + timedelta(days=interval // DAY_MS)
    return instant_ms(day, settings_of(settings.care, task).at, settings.zone)


def scheduled(settings: Settings, keeper: KeeperState, subject: Subject, task: TaskState, at_ms: int) -> TaskState:
    """Return the task with its instants as they follow from its base, its garden and the config; none before `at_ms`."""
    due_ms, full_ms = _due(settings, keeper, subject, task, at_ms)
    if due_ms is None:
        return replace(task, due_ms=None, overdue_ms=None, harmful_ms=None, next_ms=None, stage=0)
    facts = subject.facts
    late_ms = max(due_ms, full_ms)
    overdue_ms = late_ms + round(facts.overdue.after_h * HOUR_MS)
    harmful_ms = None if facts.harmful is None else late_ms + round(facts.harmful.after_h * HOUR_MS)
    passed = sum(instant is not None and instant <= at_ms for instant in (due_ms, overdue_ms, harmful_ms))
    task = replace(task, due_ms=due_ms, overdue_ms=overdue_ms, harmful_ms=harmful_ms, stage=min(task.stage, passed))
    return replace(task, next_ms=_next(subject, task, at_ms))


def _next(subject: Subject, task: TaskState, at_ms: int) -> int | None:
    """Return when the next stage is told, not before `at_ms`."""
    if subject.facts.told_by_alarm:
        return None
    ahead = [instant for instant in (task.due_ms, task.overdue_ms, task.harmful_ms)[task.stage :] if instant is not None]
    return max(min(ahead), at_ms) if ahead else None


def stepped(subject: Subject, task: TaskState) -> TaskState:
    """Return the task after the stage that is told at its `next_ms`."""
    now_ms = task.next_ms or 0
    instants = (task.due_ms, task.overdue_ms, task.harmful_ms)
    stage = sum(instant is not None and instant <= now_ms for instant in instants)
    task = replace(task, stage=stage, events=task.events + 1)
    return replace(task, next_ms=_next(subject, task, now_ms))


def _due(
    settings: Settings, keeper: KeeperState, subject: Subject, task: TaskState, at_ms: int
) -> tuple[int | None, int]:
    """Return when a task is due, and when its full interval has passed to the hour."""
    if subject.facts.grows:
        due_ms = _due_by_growth(settings, keeper, subject, task, at_ms)
        return due_ms, due_ms or 0
    interval = every_ms(settings, keeper, subject, task.base_ms)
    if interval is None:
        return None, 0
    return due_after(settings, subject.task, task.base_ms, interval), task.base_ms + interval


def _due_by_growth(settings: Settings, keeper: KeeperState, subject: Subject, task: TaskState, at_ms: int) -> int | None:
    """Return when growth asks for a task: by the fit, at its local time of day; once asked for, the day stays."""
    chamber = settings.chambers[subject.place]
    routine = settings_of(settings.care, subject.task)
    wanted_ms = None if routine.off else _wanted(keeper, subject, chamber, task, at_ms)
    if wanted_ms is None:
        return None
    if task.stage and task.due_ms is not None and wanted_ms <= at_ms:
        return task.due_ms
    return instant_ms(local_day(wanted_ms, settings.zone), routine.at, settings.zone)


def _wanted(keeper: KeeperState, subject: Subject, chamber: Chamber, task: TaskState, at_ms: int) -> int | None:
    entries, basin_ml = garden_entries(keeper, subject.place, chamber, task.base_ms), chamber.garden.basin_ml
    growth = fit(entries, chamber.genus, basin_ml)
    if growth is None or basin_ml is None:
        return None
    marks = milestones(growth, basin_ml, chamber.garden.covered, at_ms)
    share = entries[-1].garden_ml / basin_ml
    if subject.task == "cover":
        if task.done_ms is not None or marks.cover_off is None:
            return None
        return at_ms if share >= COVER_SHARE else marks.cover_off.likely_ms
    return marks.basin_ready_ms if task.done_ms is None or share < 0.5 else None
