"""The default care routine as one table by garden size class, and the keeper's own changes to it.

Every figure has its source in the row's `source`; where that is `PRACTICE`, it is common practice, no source.
Named there: `Nogueira 2022` = Nogueira et al. 2022, J. Vis. Exp. 186 (Atta in the laboratory: leaves daily,
waste weekly);
`EPA 1991` = US EPA, Indoor Air Facts No. 8 (room humidifiers: fresh water and cleaning);
`Greenspan 1977` = J. Res. NBS 81A:89 (saturated salts; value from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from rules.terms.events import DAY_MS, HOUR_MS, Priority
from rules.terms.local_time import Hemisphere, northern_month
from rules.terms.setting_forms import ClockTime, DurationMs, Section
from rules.trade.garden_sizes import CLASSES

PRACTICE = "common practice, no source"
Scope = Literal["colony", "chamber", "site"]
Need = Literal["heater", "mister", "probe", "granules"]
Evidence = Literal["dry", "wet-lid", "mould", "damp-waste"]


@dataclass(frozen=True, slots=True)
class Late:
    """From `after_h` hours past the full interval: the priority for a young (A, B) or a grown garden."""

    after_h: float
    young: Priority
    grown: Priority

    def priority(self, size: str) -> Priority:
        """Return how soon a keeper with a garden of this class must be told."""
        return self.young if size in "AB" else self.grown


@dataclass(frozen=True, slots=True)
class Season:
    """In these months the interval is multiplied by `factor`. Months are those of the temperate north."""

    months: tuple[int, ...]
    factor: float


HEATING = Season((10, 11, 12, 1, 2, 3), 0.7)
"""Heated rooms dry the air: water buffers run out sooner; common practice, no source."""
SUMMER = Season((6, 7, 8), 0.75)
"""Warm rooms: leftovers rot sooner, barriers soften and gather dust; common practice, no source."""


@dataclass(frozen=True, slots=True)
class TaskFacts:
    """One line of the routine. `every_d`: days between two doings by class A to E, None: not for that.

    `raised_by` is what makes a late task a matter of the same day. `told_by_alarm`: an alarm of its own
    tells it, so the routine only plans it. `grows`: due by the garden's growth, not by an interval.
    `stand_in`: a stand-in can do it. `how_by_age`: how it is done for a young and for a grown garden, where that differs.
    """

    title: str
    scope: Scope
    every_d: tuple[float | None, ...]
    overdue: Late
    harmful: Late | None
    how: str
    source: str = PRACTICE
    raised_by: Evidence | None = None
    season: Season | None = None
    needs: Need | None = None
    units: tuple[str, ...] = ()
    stand_in: bool = False
    told_by_alarm: bool = False
    grows: bool = False
    how_by_age: tuple[str, str] | None = None


def _all(days: float) -> tuple[float | None, ...]:
    return (days,) * 5


_ESCALATE = Late(30 * 24, "morning", "morning")
_NEVER: tuple[float | None, ...] = (None,) * 5

TASKS: dict[str, TaskFacts] = {
    "leaves": TaskFacts(
        "offer leaves or flowers",
        "colony",
        (1, 1, 1, 0.5, 1 / 3),
        Late(12, "today", "morning"),
        Late(24, "today", "today"),
        "a pinch of small pieces for a founding or young colony, for a grown one what is cut in a day;"
        " two or three plants at once, free of pesticide",
        "daily: Nogueira 2022; the rest " + PRACTICE,
        units=("g", "pieces"),
        stand_in=True,
        how_by_age=(
            "a pinch of small soft pieces, two or three plants at once, free of pesticide",
            "what is cut in a day, two or three plants at once, free of pesticide",
        ),
    ),
    "water": TaskFacts(
        "check the drinking water",
        "colony",
        _all(1),
        Late(12, "morning", "morning"),
        Late(36, "today", "today"),
        "fresh water on fibre or pebbles, so that nobody drowns",
        raised_by="dry",
        units=("ml",),
        stand_in=True,
    ),
    "sugar-water": TaskFacts(
        "offer a little sugar water",
        "colony",
        (None, None, 7, 7, 7),  # in a small garden it sours and drowns workers
        Late(7 * 24, "digest", "digest"),
        None,
        "optional and tiny: workers drink sap from cut leaves, larvae live on the fungus",
        units=("ml", "drops"),
    ),
    "uneaten-leaf": TaskFacts(
        "take out uneaten leaf",
        "colony",
        (2, 2, 3, 3, 1),
        Late(2 * 24, "digest", "digest"),
        None,
        "what lies untouched for a day goes out",
        raised_by="mould",
        season=SUMMER,
        stand_in=True,
    ),
    "waste": TaskFacts(
        "clear the waste",
        "colony",
        (14, 14, 7, 3, 2),
        Late(3 * 24, "digest", "digest"),
        Late(7 * 24, "morning", "morning"),
        "gloves and mask; freeze it for three days before it is thrown away",
        "weekly: Nogueira 2022; the rest " + PRACTICE,
        raised_by="damp-waste",
        season=SUMMER,
        stand_in=True,
    ),
    "rewet": TaskFacts(
        "re-wet the clay granules or substrate edge",
        "chamber",
        (3, 5, 7, 7, 7),
        Late(24, "morning", "morning"),
        Late(4 * 24, "morning", "morning"),
        "5 to 20 ml along the wall, away from the garden, never on it; let the trend of the humidity decide, not the calendar",
        needs="granules",
        raised_by="dry",
        season=HEATING,
        units=("ml",),
        stand_in=True,
    ),
    "lid": TaskFacts(
        "look at the lid",
        "chamber",
        (1, 1, 3, 7, 7),
        Late(2 * 24, "digest", "digest"),
        None,
        "from outside; wipe it where it drips, but never open the box of a small garden for that",
        raised_by="wet-lid",
        stand_in=True,
    ),
    "barrier-check": TaskFacts(
        "check the escape barrier",
        "colony",
        (7, 7, 7, 3, 3),
        Late(24, "today", "today"),
        Late(7 * 24, "today", "today"),
        "dust, touch and damp defeat it",
        stand_in=True,
    ),
    "barrier-renew": TaskFacts(
        "renew the escape barrier",
        "colony",
        (42, 42, 31, 24, 21),
        Late(7 * 24, "today", "today"),
        Late(21 * 24, "today", "today"),
        "air the room for PTFE and never heat it",
        season=SUMMER,
    ),
    "tubes": TaskFacts(
        "look over tubes, vents, clamps and seals",
        "colony",
        (7, 7, 7, 3, 1),
        Late(2 * 24, "today", "today"),
        Late(7 * 24, "today", "today"),
        "soldiers chew soft plastic; a stuffed vent is dry air flowing in",
        stand_in=True,
    ),
    "arena": TaskFacts(
        "clean the food chamber",
        "colony",
        (None, 14, 7, 7, 3),
        Late(7 * 24, "digest", "digest"),
        None,
        "crumbs and dry stems out; no sprays, no scent",
    ),
    "mister-clean": TaskFacts(
        "clean the mister, refill it with fresh low-mineral water",
        "chamber",
        _all(3),
        Late(3 * 24, "digest", "digest"),
        Late(7 * 24, "morning", "morning"),
        "slime or smell: at once",
        "EPA 1991 says daily for room units; 2 to 3 days: " + PRACTICE,
        needs="mister",
        units=("ml",),
    ),
    "humidity-check": TaskFacts(
        "check the humidity probe over salt",
        "chamber",
        _all(90),
        Late(30 * 24, "digest", "digest"),
        None,
        "saturated sodium chloride stands at 75.3 %RH at 25 degC",
        "value: Greenspan 1977; interval: " + PRACTICE,
        needs="probe",
        told_by_alarm=True,
    ),
    "temperature-check": TaskFacts(
        "check the temperature probe",
        "chamber",
        _all(270),
        Late(30 * 24, "digest", "digest"),
        None,
        "beside a second probe; in melting ice only within a sealed bag, since water ruins a humidity probe",
        needs="probe",
    ),
    "heater-check": TaskFacts(
        "check heat mat, cable and thermostat",
        "chamber",
        _all(30),
        Late(7 * 24, "digest", "digest"),
        _ESCALATE,
        "unplug first; look for folds, heat marks, a fallen thermostat probe",
        needs="heater",
    ),
    "safety-test": TaskFacts(
        "press the test button of the residual-current device and of the smoke alarm",
        "site",
        _all(30),
        Late(7 * 24, "digest", "digest"),
        _ESCALATE,
        "both must answer",
    ),
    "alarm-test": TaskFacts(
        "send a test mail and try the backup power",
        "site",
        _all(30),
        Late(7 * 24, "digest", "digest"),
        _ESCALATE,
        "an alarm that was never tried is a hope",
    ),
    "garden-look": TaskFacts(
        "look for queen and brood, enter the garden's size, take a photo",
        "colony",
        (None, 7, 7, 14, 30),
        Late(7 * 24, "digest", "digest"),
        None,
        "no digging; `dewlid garden`, the box's name and `--fill` with its filled share keep growth and limits true",
    ),
    "cover": TaskFacts(
        "take off the small cover",
        "chamber",
        _NEVER,
        Late(7 * 24, "morning", "morning"),
        None,
        "when the fungus fills about a third of the basin",
        grows=True,
    ),
    "next-basin": TaskFacts(
        "have the next basin ready",
        "chamber",
        _NEVER,
        Late(7 * 24, "morning", "morning"),
        Late(21 * 24, "morning", "morning"),
        "late, the garden grows into tubes and blocks the vents",
        grows=True,
    ),
}


class CareTask(Section):
    """What the keeper changes about one task of the routine; the rest stays as in the table."""

    off: bool = False
    """True: this task is not part of your routine."""
    interval: DurationMs | None = Field(default=None, ge=HOUR_MS, le=1100 * DAY_MS)
    """Time between two doings, for every garden size; absent: by the garden's size class."""
    by_class: dict[Literal["A", "B", "C", "D", "E"], DurationMs] = Field(default_factory=dict)
    """The same by class: A < 20 ml, B < 200 ml, C < 2 l, D < 10 l, E above. Wins over `interval`."""
    at: ClockTime = time(7, 0)
    """Local time at which it comes due; before the daily digest, which lists it. Not from 00:00 to 04:00."""
    season_months: list[Annotated[int, Field(ge=1, le=12)]] | None = None
    """Months with another interval; absent: the task's own, which are those of the temperate north."""
    season_factor: float | None = Field(default=None, ge=0.2, le=5)
    """What the interval is multiplied by in those months; absent: the task's own; 1: no change."""

    @model_validator(mode="after")
    def _sensible(self) -> CareTask:
        if self.at.hour < 4:
            raise ValueError('at lies between 00:00 and 04:00, where a change of clocks could double it: use "04:00" or later')
        short = [letter for letter, every_ms in self.by_class.items() if every_ms < HOUR_MS]
        if short:
            raise ValueError(f'by_class.{short[0]} is shorter than "1h", the shortest interval of a task')
        return self


def _known(care: dict[str, CareTask]) -> dict[str, CareTask]:
    for name in care:
        if name not in TASKS:
            raise ValueError(f"[care.{name}] is not a task of the routine; allowed: {', '.join(TASKS)}")
    return care


CarePlan = Annotated[dict[str, CareTask], AfterValidator(_known)]
_DEFAULT = CareTask()


def settings_of(care: dict[str, CareTask], task: str) -> CareTask:
    """Return the keeper's settings for a task, or the defaults."""
    return care.get(task, _DEFAULT)


def colonies_factor(colonies: int) -> float:
    """Return the factor on the intervals of the site's tasks: more colonies on one alarm path, tried oftener.

    1 to 4 colonies: 1; 5 to 9: 0.75; from 10: 0.5; common practice, no source.
    """
    return 1.0 if colonies < 5 else 0.75 if colonies < 10 else 0.5


def interval_ms(
    care: dict[str, CareTask], task: str, size: str, month: int, colonies: int, hemisphere: Hemisphere = "north"
) -> int | None:
    """Return the time between two doings; None: off, not for this size, or due by growth alone."""
    facts, settings = TASKS[task], settings_of(care, task)
    if settings.off or facts.grows:
        return None
    days = facts.every_d[CLASSES.index(size)]
    default = None if days is None else round(days * DAY_MS)
    every_ms = settings.by_class.get(size, settings.interval or default)  # type: ignore[call-overload]
    if every_ms is None:
        return None
    factor = colonies_factor(colonies) if facts.scope == "site" else 1.0
    return _rounded(round(every_ms * factor * season_factor(facts, settings, month, hemisphere)))


CLAUSTRAL_OFF = frozenset({"leaves", "water", "sugar-water", "uneaten-leaf", "waste", "arena", "garden-look", "rewet"})
"""What is not done while an Atta queen founds: she takes no food from outside until the first workers come, in the 8th to 9th
week (Atta sexdens: Mota Filho et al. 2021, IJAIR 9:352). Acromyrmex queens forage meanwhile: common practice, no source."""


def season_factor(facts: TaskFacts, settings: CareTask, month: int, hemisphere: Hemisphere = "north") -> float:
    """Return the factor on the interval in this month (1 to 12); months that the keeper wrote are those of the calendar."""
    season = facts.season or Season((), 1.0)
    if settings.season_months is None:
        month, months = northern_month(month, hemisphere), list(season.months)
    else:
        months = settings.season_months
    factor = season.factor if settings.season_factor is None else settings.season_factor
    return factor if month in months else 1.0


def _rounded(every_ms: int) -> int:
    """From one day on a routine counts in whole days, so that it comes due at its time of day."""
    return max(1, round(every_ms / DAY_MS)) * DAY_MS if every_ms >= DAY_MS * 0.9 else max(HOUR_MS, every_ms)
