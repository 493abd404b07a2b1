"""A year of a colony, from founding to the second basin: what its keeper is told, and when."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from keeper_course import pieces

from rules.care.care import CareState, Hours, follow, plan, replan, standing
from rules.climate.hours import Hourly
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Devices, Garden, Heater, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, CareEvent, Event
from rules.terms.words import Away, CareDone, GardenSize, LeavesGiven, Observation, Word
from rules.trade.garden_sizes import size_class

ZONE = ZoneInfo("Europe/Berlin")
FOUNDED = datetime(2027, 9, 15, 20, 0, tzinfo=ZONE)
FIRST_ML, DOUBLING_D, BASIN_ML = 6.0, 50.0, 600.0
LEAVE, BACK = datetime(2027, 12, 27, 9, 0, tzinfo=ZONE), datetime(2028, 1, 5, 20, 0, tzinfo=ZONE)
DRY = (datetime(2028, 1, 20, tzinfo=ZONE), datetime(2028, 1, 23, tzinfo=ZONE))


def ms(moment: datetime) -> int:
    return int(moment.timestamp() * 1000)


def true_ml(moment: datetime) -> float:
    return FIRST_ML * 2 ** ((moment - FOUNDED).total_seconds() / 86_400 / DOUBLING_D)


def truly(size_ml: float) -> datetime:
    return FOUNDED + timedelta(days=DOUBLING_D * math.log2(size_ml / FIRST_ML))


class Winter:
    """83 %RH, but for three days of dry heating air in January."""

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        ends_ms = at_ms // HOUR_MS * HOUR_MS - np.arange(last_ms // HOUR_MS)[::-1] * HOUR_MS
        dry = (ends_ms > ms(DRY[0])) & (ends_ms <= ms(DRY[1]))
        levels = {
            "relative_humidity_pct": np.where(dry, 58.0, 83.0),
            "temperature_c": np.where(dry, 25.0, 25.4),
            "vapour_pressure_deficit_pa": np.where(dry, 1330.0, 550.0),
            "dew_margin_k": np.where(dry, 3.0, 0.8),
        }
        return Hours(levels[quantity], levels[quantity] - 1.0, levels[quantity] + 1.0)


def home(basin_ml: float, covered: bool) -> Settings:
    garden = Garden(volume_ml=FIRST_ML, basin_ml=basin_ml, covered=covered)
    chambers = {
        "food": Chamber(role="food", colony="atta"),
        "nest": Chamber(title="Nest", colony="atta", garden=garden, devices=Devices(heater=Heater())),
        "tip": Chamber(title="Tip", role="waste", colony="atta"),
    }
    return Settings(site=Site(time_zone="Europe/Berlin"), zone=ZONE, rooms={}, probes={}, telling=Telling(), chambers=chambers)


@dataclass
class Year:
    """A keeper who looks every evening at what stands and does it; the stand-in does what the checklist says."""

    settings: Settings = field(default_factory=lambda: home(BASIN_ML, covered=True))
    state: CareState = field(default_factory=CareState)
    keeper: KeeperState = field(default_factory=KeeperState)
    told: list[Event] = field(default_factory=list)
    now: datetime = FOUNDED
    words: int = 0
    moved: datetime | None = None

    def until(self, moment: datetime, *words: Word) -> None:
        for piece in pieces(self.settings, self.keeper, words, ms(self.now), ms(moment), "y"):
            self.keeper = piece.heard.state
            self.state, events = follow(self.settings, self.state, piece.heard, piece.from_ms, piece.until_ms, "y", Winter())
            self.told += [*piece.heard.events, *events]
        self.now = moment

    def keys(self) -> dict[str, object]:
        self.words += 1
        return {"taken_ms": ms(self.now), "word_id": f"w{self.words}"}

    def say(self, word: Word) -> None:
        self.until(self.now + timedelta(seconds=1), word)

    def evening(self, day: int, spread: np.random.Generator) -> None:
        self.until(FOUNDED + timedelta(days=day))
        away = LEAVE <= self.now < BACK
        leaf = ("bramble", "oak", "privet")[day % 3]
        self.say(LeavesGiven(**self.keys(), chamber="food", at_ms=ms(self.now), plant=leaf, place="park", treated=False))
        for one in standing(self.settings, self.state):
            if (away and not one.stand_in) or one.task == "leaves" or one.task == "garden-look":
                continue
            if one.task == "next-basin":
                self.move()
            self.say(CareDone(**self.keys(), chamber=one.chamber, task=one.task, at_ms=ms(self.now)))
        if day % 7 == 0 and not away:
            size_ml = true_ml(self.now) * math.exp(spread.normal(0.0, 0.15))
            self.say(GardenSize(**self.keys(), chamber="nest", at_ms=ms(self.now), garden_ml=size_ml))

    def move(self) -> None:
        self.moved = self.moved or self.now
        self.settings = home(3_000.0, covered=False)
        self.state = replan(self.settings, self.state, self.keeper, ms(self.now))


@pytest.fixture(scope="module")
def year() -> Year:
    life, spread = Year(), np.random.default_rng(7)
    for day in range(366):
        life.evening(day, spread)
        if day == 98:  # 22 December
            life.say(Away(**life.keys(), from_ms=ms(LEAVE), to_ms=ms(BACK)))
        if day == 130:  # 23 January, the evening after the dry days
            life.say(Observation(**life.keys(), chamber="nest", at_ms=ms(life.now), seen=("dry-edge",)))
        if day == 200:
            life.say(Observation(**life.keys(), chamber="nest", at_ms=ms(life.now), seen=("brown-from-below", "droplets")))
    return life


def told_of(year: Year, task: str) -> list[CareEvent]:
    return [one for one in year.told if isinstance(one, CareEvent) and one.task == task]


def test_a_keeper_who_does_what_is_asked_is_hardly_ever_mailed(year: Year) -> None:
    urgent = [one for one in year.told if isinstance(one, CareEvent) and one.priority != "digest"]
    assert Counter(one.task for one in urgent) == {"away": 1, "away-before": 1, "away-after": 1, "observation": 1} | {
        task: 1 for task in ("cover", "next-basin") if any(one.task == task for one in urgent)
    }
    assert not [one for one in year.told if isinstance(one, CareEvent) and one.status == "harmful-if-missed"]


def test_every_word_of_the_year_was_taken(year: Year) -> None:
    words = [one for one in year.told if one.kind == "word"]
    assert len(words) == year.words > 1_000
    assert all(one.accepted for one in words)  # type: ignore[attr-defined]


def test_the_cover_is_asked_off_about_when_a_third_is_filled(year: Year) -> None:
    (asked,) = [one.at_ms for one in told_of(year, "cover") if one.status == "due"]
    assert abs(asked - ms(truly(BASIN_ML / 3))) < 21 * DAY_MS


def test_the_next_basin_is_asked_for_weeks_before_the_first_is_full(year: Year) -> None:
    asked = next(one.at_ms for one in told_of(year, "next-basin") if one.status == "due")
    lead_d = (ms(truly(0.9 * BASIN_ML)) - asked) / DAY_MS
    assert 14 < lead_d < 60
    assert year.moved is not None


def test_the_colony_passes_from_founding_to_growing_and_its_routine_with_it(year: Year) -> None:
    notes = [one.text for one in year.told if one.kind == "word" and "Size class" in one.text]  # type: ignore[attr-defined]
    assert "A becomes B" in notes[0]
    assert "B becomes C" in notes[-1]
    assert size_class(year.keeper.gardens["nest"][-1].garden_ml) == "C"
    waste = [one.at_ms for one in told_of(year, "waste") if one.status == "done"]
    first, last = (waste[1] - waste[0]) / DAY_MS, (waste[-1] - waste[-2]) / DAY_MS
    assert first > 13 > 8 > last


def test_the_fitted_doubling_is_the_true_one_within_its_uncertainty(year: Year) -> None:
    late = [one.text for one in told_of(year, "garden")][-1]
    low, high = (int(number) for number in late.split(" days (")[1].split(")")[0].split(" to "))
    assert low <= DOUBLING_D * 1.05
    assert high >= DOUBLING_D * 0.95
    assert high - low < 20


def test_the_dry_edge_is_explained_by_the_dry_days_and_clean_leaves_are_named(year: Year) -> None:
    (first, second) = told_of(year, "observation")
    # 20 h after the dry air went, 28 of the last 48 hours were dry; by then nothing is left to change.
    assert "RH was below 75 % for 28 h of the last 48 h (lowest 57 %)" in first.text
    assert "First: leave the climate as it is" in first.text
    assert "None was treated as far as you know" in first.text
    assert "no cause for worry" in second.text
    assert second.priority == "digest"


def test_the_checklist_covers_new_year_and_the_stand_in_kept_the_routine(year: Year) -> None:
    (checklist,) = told_of(year, "away")
    assert "from Mon 27 Dec 2027 09:00 to Wed 5 Jan 2028 20:00" in checklist.text
    assert "Jan 2028: Nest:" in checklist.text
    kept = [one for one in told_of(year, "leaves") if one.status == "done" and ms(LEAVE) <= one.at_ms < ms(BACK)]
    assert len(kept) == 9


def test_the_weekly_look_fell_on_the_leap_day_and_every_due_time_is_the_local_morning(year: Year) -> None:
    dues = [one.due_ms for one in year.told if isinstance(one, CareEvent) and one.status == "due" and one.due_ms is not None]
    local = [datetime.fromtimestamp(due / 1000, ZONE) for due in dues]
    assert {(moment.hour, moment.minute) for moment in local} == {(7, 0)}
    assert {(2, 29), (3, 26), (10, 31), (1, 1)} <= {(moment.month, moment.day) for moment in local}


def test_the_state_of_a_year_stays_small(year: Year) -> None:
    assert len(year.keeper.gardens["nest"]) == 52
    assert len(year.state.leaves) <= 150
    assert len(plan(year.settings, year.state, year.keeper, ms(year.now) + 90 * DAY_MS)) < 200
