from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from keeper_course import pieces
from pydantic import TypeAdapter

from rules.care.care import CareState, ClimateMemory, Hours, NothingKnown, follow, plan, replan, standing
from rules.care.growth_text import growth_text
from rules.care.occurrences import Occurrence
from rules.climate.hours import Hourly
from rules.keeper.presence import Heard
from rules.keeper.said import settled
from rules.keeper.state import KeeperState, garden_ml
from rules.settings import Chamber, Devices, Garden, Heater, Mister, Probe, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, CareEvent, Event, SystemEvent, WordEvent
from rules.terms.words import Away, Calibrated, CareDone, GardenSize, LeavesGiven, LidSeen, Observation, Word
from rules.trade.routine import TASKS, CareTask

ZONE = ZoneInfo("Europe/Berlin")
STATE = TypeAdapter(CareState)


def at(text: str, zone: ZoneInfo = ZONE) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() * 1000)


def local(at_ms: int | None, zone: ZoneInfo = ZONE) -> str:
    assert at_ms is not None
    return datetime.fromtimestamp(at_ms / 1000, zone).strftime("%Y-%m-%d %H:%M")


def settings(zone: ZoneInfo = ZONE, care: dict[str, CareTask] | None = None, **garden: Any) -> Settings:
    return Settings(
        site=Site(name="Shelf", time_zone=str(zone)), zone=zone, rooms={}, telling=Telling(), care=care or {},
        probes={"air": Probe(place="nest")},
        chambers={
            "arena": Chamber(role="food", colony="c"),
            "nest": Chamber(
                title="Nest", colony="c", garden=Garden(**garden), devices=Devices(heater=Heater(), mister=Mister())
            ),
            "tip": Chamber(title="Tip", role="waste", colony="c"),
        },
    )  # fmt: skip


class Past:
    def __init__(self, **mean: float) -> None:
        self.mean = mean

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        if quantity not in self.mean:
            return None
        values = np.full(last_ms // HOUR_MS, self.mean[quantity])
        return Hours(values, values, values)


class Routine:
    """A routine that is driven to an instant, with words on the way."""

    def __init__(self, settings: Settings, begin: str, climate: ClimateMemory | None = None) -> None:
        self.settings, self.climate = settings, climate or NothingKnown()
        self.state, self.keeper, self.now_ms, self.count = CareState(), KeeperState(), at(begin), 0
        self.events: list[Event] = []

    def until(self, when: str | int, words: Sequence[Word] = ()) -> list[Event]:
        to_ms = when if isinstance(when, int) else at(when)
        told: list[Event] = []
        for piece in pieces(self.settings, self.keeper, words, self.now_ms, to_ms, "o"):
            self.state, more = follow(
                self.settings, self.state, piece.heard, piece.from_ms, piece.until_ms, "o", self.climate
            )
            self.keeper = settled(piece.heard.state, [*piece.heard.events, *more], (), "o")
            told += [*piece.heard.events, *more]
        assert STATE.validate_json(STATE.dump_json(self.state)) == self.state
        self.now_ms = to_ms
        self.events += told
        return list(told)

    def plan(self, until_ms: int) -> list[Occurrence]:
        return plan(self.settings, self.state, self.keeper, until_ms)

    def say(self, kind: type[Word], when: str, **keys: Any) -> list[Event]:
        self.until(when)
        self.count += 1
        if kind is not Away and kind is not Calibrated:
            keys = {"at_ms": self.now_ms} | keys
        word = kind(taken_ms=self.now_ms, word_id=f"w{self.count}", **keys)
        return self.until(self.now_ms + 1, [word])

    def done(self, task: str, when: str, **keys: Any) -> list[Event]:
        return self.say(CareDone, when, **({"chamber": "nest", "task": task} | keys))

    def of(self, task: str) -> list[tuple[str, str, str]]:
        found = [one for one in self.events if isinstance(one, CareEvent) and one.task == task]
        return [(local(one.at_ms, self.settings.zone), one.status, one.priority) for one in found]


def refusal(events: Sequence[Event]) -> str:
    (only,) = events
    assert isinstance(only, WordEvent)
    assert not only.accepted
    return only.text


# ---------------------------------------------------------------- due, overdue, harmful


# Young garden, leaves: the same day after 36 to 48 h; common practice, no source.
def test_leaves_are_due_in_the_morning_overdue_after_36_hours_and_harmful_after_48() -> None:
    routine = Routine(settings(volume_ml=50.0), "2027-05-03 12:00")
    routine.done("leaves", "2027-05-03 18:00")
    routine.until("2027-05-10 00:00")
    assert routine.of("leaves") == [
        ("2027-05-03 18:00", "done", "digest"),
        ("2027-05-04 07:00", "due", "digest"),
        ("2027-05-05 06:00", "overdue", "today"),
        ("2027-05-05 18:00", "harmful-if-missed", "today"),
    ]


@pytest.mark.parametrize(("size_ml", "said"), [
    (50.0, "pinch of small soft pieces, two"), (3_000.0, "hat is cut in a day, two"), (None, "pinch of small pieces for a"),
])  # fmt: skip
def test_how_much_leaf_is_told_for_the_garden_that_is_there(size_ml: float | None, said: str) -> None:
    """Before: "a pinch for a founding or young colony, for a grown one what is cut in a day", whatever was known."""
    routine = Routine(settings() if size_ml is None else settings(volume_ml=size_ml), "2027-05-03 12:00")
    events = routine.until("2027-05-05 12:00")
    told = next(event.text for event in events if isinstance(event, CareEvent) and event.task == "leaves")
    assert said in told
    assert any(said in one.how for one in routine.plan(at("2027-05-07 00:00")) if one.task == "leaves")


def test_a_large_garden_is_told_of_late_leaves_in_the_morning_first() -> None:
    routine = Routine(settings(volume_ml=900.0), "2027-05-03 12:00")
    routine.done("leaves", "2027-05-03 18:00")
    routine.until("2027-05-10 00:00")
    assert routine.of("leaves")[2:] == [
        ("2027-05-05 06:00", "overdue", "morning"),
        ("2027-05-05 18:00", "harmful-if-missed", "today"),
    ]


def test_a_task_that_was_never_logged_stays_in_the_digest_until_the_keeper_logs_or_configures_it() -> None:
    quiet = Routine(settings(volume_ml=50.0), "2027-05-03 12:00")
    quiet.until("2027-06-20 00:00")
    care_events = [one for one in quiet.events if isinstance(one, CareEvent)]
    assert {one.status for one in care_events} == {"due", "overdue", "harmful-if-missed"}
    assert {one.priority for one in care_events} == {"digest"}
    meant = Routine(settings(volume_ml=50.0, care={"leaves": CareTask()}), "2027-05-03 12:00")
    meant.until("2027-05-06 00:00")
    assert "today" in {priority for _, _, priority in meant.of("leaves")}


def test_a_task_that_is_logged_seldom_goes_to_the_digest_with_a_hint_until_the_log_keeps_up_again() -> None:
    routine = Routine(settings(volume_ml=50.0), "2027-05-01 12:00")
    for day in ("02", "06", "10", "14"):
        routine.done("leaves", f"2027-05-{day} 18:00")
    routine.until("2027-05-18 17:00")
    told = routine.of("leaves")
    by_gap = [
        [priority for when, _, priority in told if f"2027-05-{day:02d} 18:01" < when < f"2027-05-{day + 4:02d}"]
        for day in (2, 6, 10, 14)
    ]
    assert by_gap == [["digest", "today", "today"], ["digest", "today", "today"], ["digest"] * 3, ["digest"] * 3]
    hints = [one for one in routine.events if isinstance(one, CareEvent) and "You log this seldom" in one.text]
    assert [local(one.at_ms) for one in hints] == ["2027-05-11 07:00", "2027-05-15 07:00"]
    routine.done("leaves", "2027-05-18 18:00")
    routine.done("leaves", "2027-05-19 18:00")
    routine.until("2027-05-21 07:00")
    assert routine.of("leaves")[-1][1:] == ("overdue", "today")


def test_doing_it_ends_the_matter_and_the_next_day_is_named() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    routine.until("2027-05-20 12:00")
    assert "waste" in {one.task for one in standing(routine.settings, routine.state)}
    told = routine.done("waste", "2027-05-20 13:00", chamber="tip")
    assert told[-1].text == "Nest: clear the waste, done Thu 20 May 2027 13:00. Next: Thu 3 Jun 2027 07:00."  # type: ignore[attr-defined]
    assert "waste" not in {one.task for one in standing(routine.settings, routine.state)}


def test_dry_air_makes_late_water_a_matter_of_the_same_day() -> None:
    for mean_pct, expected in ((60.0, "today"), (85.0, "morning")):
        routine = Routine(settings(volume_ml=50.0), "2027-05-03 12:00", Past(relative_humidity_pct=mean_pct))
        routine.done("water", "2027-05-03 18:00")
        routine.until("2027-05-05 07:00")
        assert routine.of("water")[-1] == ("2027-05-05 06:00", "overdue", expected)


def test_noted_mould_makes_late_leftovers_a_matter_of_the_same_day() -> None:
    for seen, expected in (("white-fluffy-mould", "today"), ("growing", "digest")):
        routine = Routine(settings(volume_ml=50.0), "2027-05-03 12:00")
        routine.done("uneaten-leaf", "2027-05-03 18:00")
        routine.say(Observation, "2027-05-06 12:00", chamber="nest", seen=(seen,))
        routine.until("2027-05-08 00:00")
        assert routine.of("uneaten-leaf")[-1] == ("2027-05-07 18:00", "overdue", expected)


def test_the_salt_check_is_planned_but_told_by_its_own_alarm_and_a_calibration_does_it() -> None:
    routine = Routine(settings(), "2027-01-01 12:00")
    routine.say(
        Calibrated,
        "2027-01-10 12:00",
        probe="air",
        quantity="relative_humidity",
        offset=-2.0,
        gain=1.0,
        standard_uncertainty=1.0,
    )
    routine.until("2027-08-01 00:00")
    assert routine.of("humidity-check") == [("2027-01-10 12:00", "done", "digest")]
    (planned,) = [one for one in routine.plan(at("2027-05-01 00:00")) if one.task == "humidity-check"]
    assert planned.day == "2027-04-10"


def test_who_tells_how_the_lid_looks_has_looked_at_it() -> None:
    """"Look at the lid: overdue, not logged yet", to who had told it dry on six mornings (attack from outside)."""
    routine = Routine(settings(volume_ml=500.0), "2027-01-01 12:00")
    for day in range(2, 14):
        routine.say(LidSeen, f"2027-01-{day:02} 08:00", chamber="nest", seen="dry")
    assert {status for _, status, _ in routine.of("lid")} == {"done"}


def test_only_what_is_there_is_cared_for() -> None:
    two = {"one": Chamber(), "two": Chamber(genus="Acromyrmex")}
    bare = Settings(site=Site(), zone=ZONE, rooms={}, probes={}, telling=Telling(), chambers=two)
    state, _ = follow(bare, CareState(), Heard(KeeperState()), 0, 1, "o", NothingKnown())
    tasks = {key.split("/")[1] for key in state.tasks}
    assert {"heater-check", "mister-clean", "humidity-check"}.isdisjoint(tasks)
    assert {"one/leaves", "two/leaves", "one/lid", "site/alarm-test"} <= set(state.tasks)


def test_one_colony_of_three_chambers_is_fed_once() -> None:
    state, _ = follow(settings(), CareState(), Heard(KeeperState()), 0, 1, "o", NothingKnown())
    assert [key for key in state.tasks if key.endswith("/leaves")] == ["nest/leaves"]
    assert [key for key in state.tasks if key.endswith("/lid")] == ["nest/lid"]


# ---------------------------------------------------------------- the calendar of the place


@pytest.mark.parametrize(
    ("zone", "done", "due"),
    [
        ("Europe/Berlin", "2027-03-27 20:00", "2027-03-28 07:00"),  # spring forward, 28 March 2027
        ("Europe/Berlin", "2027-10-30 20:00", "2027-10-31 07:00"),  # fall back, 31 October 2027
        ("America/New_York", "2027-03-13 20:00", "2027-03-14 07:00"),
        ("Australia/Lord_Howe", "2027-04-03 20:00", "2027-04-04 07:00"),  # half an hour
        ("Pacific/Kiritimati", "2027-12-31 23:30", "2028-01-01 07:00"),
    ],
)
def test_a_daily_task_is_due_at_the_same_local_time_when_the_clocks_change(zone: str, done: str, due: str) -> None:
    place = ZoneInfo(zone)
    begin = at(done, place)
    state, _ = follow(settings(place), CareState(), Heard(KeeperState()), begin, begin + 1, "o", NothingKnown())
    word = CareDone(taken_ms=begin + 1, word_id="w", chamber="nest", task="leaves", at_ms=begin)
    state, _ = follow(settings(place), state, Heard(KeeperState(), words=[word]), begin + 1, begin + 2, "o", NothingKnown())
    assert local(state.tasks["nest/leaves"].due_ms, place) == due


def test_a_day_of_23_hours_does_not_make_the_leaves_late_an_hour_early() -> None:
    routine = Routine(settings(volume_ml=50.0), "2027-03-27 06:00")
    routine.done("leaves", "2027-03-27 06:30")
    routine.until("2027-03-29 12:00")
    # 24 h after 06:30 is 07:30 by the new clock; 12 h later it is overdue.
    assert routine.of("leaves")[1:3] == [("2027-03-28 07:00", "due", "digest"), ("2027-03-28 19:30", "overdue", "today")]


@pytest.mark.parametrize(
    ("done", "task", "due"),
    [
        ("2028-01-30 12:00", "alarm-test", "2028-02-29"),
        ("2028-02-28 12:00", "leaves", "2028-02-29"),
        ("2028-02-29 12:00", "leaves", "2028-03-01"),
        ("2027-02-28 12:00", "leaves", "2027-03-01"),
        ("2027-12-20 12:00", "barrier-renew", "2028-01-31"),
    ],
)
def test_due_days_cross_leap_days_and_new_year(done: str, task: str, due: str) -> None:
    routine = Routine(settings(volume_ml=50.0), done)
    routine.done(task, done, chamber=None if task == "alarm-test" else "nest")
    found = [one for one in routine.plan(routine.now_ms + 60 * DAY_MS) if one.task == task]
    assert found[0].day == due
    assert local(found[0].due_ms) == f"{due} 07:00"


def test_planned_doings_keep_their_identity_when_one_is_done_late() -> None:
    routine = Routine(settings(volume_ml=500.0), "2027-05-03 12:00")
    routine.done("waste", "2027-05-03 18:00")
    before = {one.uid: one.day for one in routine.plan(at("2027-06-10 00:00")) if one.task == "waste"}
    routine.done("waste", "2027-05-12 18:00")
    after = {one.uid: one.day for one in routine.plan(at("2027-06-10 00:00")) if one.task == "waste"}
    assert before == {
        f"nest.waste.{n}": f"2027-{day}" for n, day in enumerate(("05-10", "05-17", "05-24", "05-31", "06-07"), 1)
    }
    assert after == {f"nest.waste.{n}": f"2027-{day}" for n, day in enumerate(("05-19", "05-26", "06-02", "06-07"), 2)}


def test_a_daily_task_is_one_repeating_doing() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    routine.until("2027-05-03 13:00")
    (leaves,) = [one for one in routine.plan(at("2027-09-01 00:00")) if one.task == "leaves"]
    assert (leaves.uid, leaves.day, leaves.repeats_ms) == ("nest.leaves.daily", "2027-05-04", DAY_MS)


# ---------------------------------------------------------------- growth


def test_the_latest_entry_wins_over_the_config_and_changes_the_class() -> None:
    routine = Routine(settings(volume_ml=30.0, basin_ml=600.0), "2027-05-03 12:00")
    nest = routine.settings.chambers["nest"]
    assert garden_ml(routine.keeper, "nest", nest) == 30.0
    told = routine.say(GardenSize, "2027-05-04 12:00", chamber="nest", fill=0.5)
    assert "Size class B becomes C" in told[0].text  # type: ignore[attr-defined]
    assert garden_ml(routine.keeper, "nest", nest) == 300.0
    routine.say(GardenSize, "2027-05-05 12:00", chamber="nest", garden_ml=250.0, at_ms=at("2027-05-03 13:00"))
    assert garden_ml(routine.keeper, "nest", nest) == 300.0
    assert local(routine.state.tasks["nest/waste"].due_ms) == "2027-05-10 07:00"  # weekly now, counted from the start


def test_the_cover_is_asked_off_when_the_garden_fills_a_third_and_never_again_once_done() -> None:
    routine = Routine(settings(basin_ml=600.0, covered=True), "2027-05-01 12:00")
    for week, fill in enumerate((0.16, 0.2, 0.25, 0.31)):
        routine.say(GardenSize, f"2027-05-{3 + 7 * week:02d} 12:00", chamber="nest", fill=fill)
    (planned,) = [one for one in routine.plan(at("2027-08-01 00:00")) if one.task == "cover"]
    assert "2027-05-24" <= planned.day <= "2027-06-07"
    routine.until("2027-06-10 00:00")
    assert [status for _, status, _ in routine.of("cover")] == ["due"]
    routine.done("cover", "2027-06-10 12:00")
    routine.say(GardenSize, "2027-06-14 12:00", chamber="nest", fill=0.45)
    routine.until("2027-07-14 12:00")
    assert [status for _, status, _ in routine.of("cover")] == ["due", "done"]


def test_a_size_of_the_config_asks_for_cover_and_basin_as_an_entry_would() -> None:
    """Before: nothing was asked of a basin that the config says is full, and `dewlid garden` knew no size."""
    full = Routine(settings(volume_ml=560.0, basin_ml=600.0), "2027-05-01 12:00")
    full.until("2027-05-02 12:00")
    assert [status for _, status, _ in full.of("next-basin")] == ["due"]
    covered = Routine(settings(volume_ml=240.0, basin_ml=600.0, covered=True), "2027-05-01 12:00")
    covered.until("2027-05-02 12:00")
    assert [status for _, status, _ in covered.of("cover")] == ["due"]
    assert "560 ml now" in growth_text(full.settings, full.keeper, "nest", full.now_ms, full.now_ms)


def test_the_next_basin_is_asked_for_before_the_garden_is_full_and_again_after_the_move() -> None:
    routine = Routine(settings(basin_ml=600.0), "2027-05-01 12:00")
    for week in range(9):
        size_ml = 150.0 * 2 ** (week * 7 / 40)
        day = at("2027-05-03 12:00") + week * 7 * DAY_MS
        routine.say(GardenSize, local(day), chamber="nest", garden_ml=size_ml)
    routine.until("2027-07-20 00:00")
    (asked,) = [when for when, status, _ in routine.of("next-basin") if status == "due"]
    full_ms = at("2027-05-03 12:00") + 40 * DAY_MS * np.log2(0.9 * 600 / 150.0)
    assert full_ms - 60 * DAY_MS < at(asked) < full_ms - 14 * DAY_MS
    routine.done("next-basin", "2027-07-20 12:00")
    assert routine.state.tasks["nest/next-basin"].due_ms is None
    routine.settings = settings(basin_ml=3_000.0)
    routine.state = replan(routine.settings, routine.state, routine.keeper, routine.now_ms)
    routine.say(GardenSize, "2027-07-26 12:00", chamber="nest", garden_ml=560.0)
    assert routine.state.tasks["nest/next-basin"].due_ms is not None


def test_an_edited_config_is_taken_over_without_a_word() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    routine.until("2027-05-03 13:00")
    edited = settings(care={"waste": CareTask(interval=30 * DAY_MS), "leaves": CareTask(off=True)})
    state = replan(edited, routine.state, routine.keeper, routine.now_ms)
    assert local(state.tasks["nest/waste"].due_ms) == "2027-06-02 07:00"
    assert state.tasks["nest/leaves"].next_ms is None
    assert routine.state.tasks["nest/leaves"].next_ms is not None


# ---------------------------------------------------------------- sights and leaves


def test_a_suffering_garden_names_its_leaves_and_a_calm_sight_does_not() -> None:
    routine = Routine(settings(volume_ml=50.0), "2027-05-03 12:00", Past(temperature_c=25.0))
    routine.say(LeavesGiven, "2027-05-03 13:00", chamber="arena", plant="rose", place="florist", treated=None)
    told = routine.say(Observation, "2027-05-05 12:00", chamber="nest", seen=("brown-on-top",), text="half of it")
    assert "rose (florist, treated or not is not known; 47 h ago)" in told[-1].text  # type: ignore[attr-defined]
    told = routine.say(Observation, "2027-05-05 12:30", chamber="nest", seen=("brown-from-below",))
    assert "rose" not in told[-1].text  # type: ignore[attr-defined]
    assert told[-1].priority == "digest"  # type: ignore[attr-defined]


@pytest.mark.parametrize("plant", ["oleander", "Nerium oleander", "castor bean", "sesame", "Cherry laurel", "dried yew"])
def test_a_plant_that_harms_is_called_out_as_soon_as_it_is_written_down(plant: str) -> None:
    """Before: it "stands in the leaf diary", and `care plants` called it harmful."""
    routine = Routine(settings(), "2027-05-03 12:00")
    *_, told = routine.say(LeavesGiven, "2027-05-03 13:00", chamber="arena", plant=plant)
    assert f"take {plant} out now, all of it" in told.text and told.priority == "today"  # type: ignore[attr-defined]


@pytest.mark.parametrize(("plant", "said"), [("mint", "refused as a rule"), ("figwort", "leaf diary"), ("rose", "leaf diary")])
def test_what_is_refused_as_a_rule_is_hinted_at_and_what_suits_is_not_called_out(plant: str, said: str) -> None:
    events = Routine(settings(), "2027-05-03 12:00").say(LeavesGiven, "2027-05-03 13:00", chamber="arena", plant=plant)
    texts = " ".join(event.text for event in events if hasattr(event, "text"))
    assert said in texts and "take" not in texts
    assert ("refused" in texts) == (plant == "mint")


def test_leaf_for_a_queen_who_founds_shut_in_is_written_down_and_told_against() -> None:
    routine = Routine(settings(founding=True, volume_ml=3.0), "2027-05-03 12:00")
    first = routine.say(LeavesGiven, "2027-05-03 13:00", chamber="nest", plant="bramble")[0]
    assert "takes no leaf until her first workers are there" in first.text  # type: ignore[attr-defined]


def test_leaves_in_the_diary_count_as_feeding() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    routine.say(LeavesGiven, "2027-05-03 13:00", chamber="arena", plant="bramble")
    assert local(routine.state.tasks["nest/leaves"].done_ms) == "2027-05-03 13:00"


def test_a_note_without_a_sight_is_kept_and_answered_by_nothing_more() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    (only,) = routine.say(Observation, "2027-05-03 13:00", chamber="nest", text="first alates?\nphoto 12")
    assert only.accepted  # type: ignore[attr-defined]
    assert "first alates?\nphoto 12" in only.text  # type: ignore[attr-defined]
    assert "dewlid note --words" in only.text  # type: ignore[attr-defined]


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("kind", "keys", "said"),
    [
        (CareDone, {"chamber": "nest", "task": "leavs"}, "Tasks: leaves, water"),
        (CareDone, {"chamber": "nset", "task": "leaves"}, "Chambers: arena, nest, tip"),
        (CareDone, {"chamber": "tip", "task": "lid"}, "Places that have it: nest"),
        (CareDone, {"chamber": "nest", "task": "water", "amount": -1.0}, "from zero up"),
        (CareDone, {"chamber": "nest", "task": "water", "amount": 5.0, "unit": "barrel"}, "Allowed: ml"),
        (CareDone, {"chamber": "nest", "task": "tubes", "amount": 5.0}, "takes no amount"),
        (CareDone, {"chamber": "nest", "task": "leaves", "at_ms": at("2027-05-04 14:00")}, "lies in the future"),
        (Observation, {"chamber": "nest", "seen": ("purple",)}, "Allowed: brown-on-top"),
        (Observation, {"chamber": "nest"}, "The note is empty"),
        (Observation, {"chamber": "nest", "text": "a\x1b[31mb"}, "U+001B at place 2"),
        (Observation, {"chamber": "nest", "text": "a\u202eb"}, "U+202E at place 2"),
        (Observation, {"chamber": "attic", "text": "x"}, "Chambers: arena, nest, tip"),
        (LeavesGiven, {"chamber": "nest", "plant": "rose\nBcc: x"}, "U+000A at place 5"),
        (GardenSize, {"chamber": "nest"}, "The size is missing"),
        (GardenSize, {"chamber": "nest", "fill": 0.5}, "basin_ml"),
        (GardenSize, {"chamber": "tip", "garden_ml": 5.0}, "is a waste chamber"),
    ],
)
def test_a_wrong_word_is_refused_with_its_reason_and_changes_nothing(kind: type[Word], keys: dict[str, Any], said: str) -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    routine.until("2027-05-03 13:00")
    before = STATE.dump_python(routine.state), routine.keeper
    # Which words can be taken back is settled by the turn, once all rooms have answered.
    text = refusal(routine.say(kind, "2027-05-03 13:00", **keys))
    assert said in text
    assert text.endswith("your words stand in the record.")
    assert (STATE.dump_python(routine.state), replace(routine.keeper, said=[])) == before


def test_a_fill_above_one_is_refused_even_if_it_got_past_the_spool() -> None:
    routine = Routine(settings(basin_ml=600.0), "2027-05-03 12:00")
    word = GardenSize.model_construct(
        taken_ms=at("2027-05-03 12:00"), word_id="w", word="garden", by="keeper", chamber="nest", at_ms=at("2027-05-03 12:00"),
        garden_ml=None, fill=1.7,
    )  # fmt: skip
    assert "A fill of 1.7 cannot be" in refusal(routine.until("2027-05-03 12:01", [word]))


def test_clocks_that_differ_by_a_minute_are_no_future() -> None:
    routine = Routine(settings(), "2027-05-03 12:00")
    told = routine.done("leaves", "2027-05-03 13:00", at_ms=at("2027-05-03 13:00") + MINUTE_MS)
    assert told[0].accepted  # type: ignore[attr-defined]


# ---------------------------------------------------------------- away


def test_an_absence_over_new_year_sends_the_checklist_the_day_before_and_routes_to_the_stand_in() -> None:
    routine = Routine(settings(volume_ml=500.0), "2027-12-01 12:00")
    for task in ("waste", "tubes", "barrier-check"):
        routine.done(task, "2027-12-22 18:00")
    routine.say(Away, "2027-12-23 12:00", from_ms=at("2027-12-27 09:00"), to_ms=at("2028-01-05 20:00"))
    routine.until("2028-01-06 00:00")
    sent = {one.task: one for one in routine.events if isinstance(one, CareEvent) and one.task.startswith("away")}
    assert {task: local(one.at_ms) for task, one in sent.items()} == {
        "away-before": "2027-12-26 09:00", "away": "2027-12-26 09:00", "away-after": "2028-01-05 20:00",
    }  # fmt: skip
    for line in (
        "from Mon 27 Dec 2027 09:00 to Wed 5 Jan 2028 20:00",
        "- Wed 29 Dec 2027: Nest: clear the waste.",
        "- Wed 5 Jan 2028: Nest: clear the waste.",
        "Every day:\n- Nest: ",
        "Never spray, touch or move the fungus",
    ):
        assert line in sent["away"].text
    assert "barrier-renew" not in sent["away"].text
    assert "send a test mail" in sent["away-before"].text
    assert (sent["away"].priority, sent["away"].chamber) == ("today", None)


def test_alarms_go_to_the_stand_in_from_the_first_to_the_last_moment() -> None:
    routine = Routine(settings(), "2027-12-01 12:00")
    leave, back = at("2027-12-27 09:00"), at("2028-01-05 20:00")
    routine.say(Away, "2027-12-23 12:00", from_ms=leave, to_ms=back)
    away = []
    for instant in (leave - 1, leave, back - 1, back):
        routine.until(instant + 1)
        away.append(routine.keeper.away)
    assert away == [False, True, True, False]
    switched = [(one.at_ms, one.what) for one in routine.events if isinstance(one, SystemEvent)]
    assert switched == [(leave, "away-begun"), (back, "away-ended")]


def test_leaving_at_once_sends_the_checklist_at_once_and_coming_back_early_ends_it() -> None:
    routine = Routine(settings(), "2027-12-01 12:00")
    now = at("2027-12-23 12:00")
    told = routine.say(Away, "2027-12-23 12:00", from_ms=now, to_ms=now + 3 * DAY_MS)
    assert [getattr(one, "task", None) or one.what for one in told[1:]] == ["away-begun", "away-before", "away"]  # type: ignore[attr-defined]
    ended = routine.say(Away, "2027-12-24 12:00", from_ms=at("2027-12-24 12:00"), to_ms=at("2027-12-24 12:00"))
    assert [getattr(one, "what", None) or getattr(one, "task", None) or one.kind for one in ended] == [
        "word", "away-ended", "away-after",
    ]  # fmt: skip
    assert not routine.keeper.away
    assert routine.until("2028-01-10 00:00") and not routine.keeper.absences


@pytest.mark.parametrize(
    ("from_day", "to_day", "said"),
    [
        ("2027-12-27", "2027-12-20", "before it begins"),
        ("2027-11-01", "2027-11-20", "in the past"),
        ("2028-01-01", "2028-09-01", "120 days"),
    ],
)
def test_an_impossible_absence_is_refused(from_day: str, to_day: str, said: str) -> None:
    routine = Routine(settings(), "2027-12-01 12:00")
    told = routine.say(Away, "2027-12-23 12:00", from_ms=at(f"{from_day} 09:00"), to_ms=at(f"{to_day} 09:00"))
    assert said in told[0].text  # type: ignore[attr-defined]
    assert not told[0].accepted  # type: ignore[attr-defined]


# ---------------------------------------------------------------- form


def test_every_event_has_an_id_of_its_own_and_goes_to_json() -> None:
    routine = Routine(settings(volume_ml=50.0, basin_ml=600.0), "2027-05-03 12:00")
    routine.say(GardenSize, "2027-05-04 12:00", chamber="nest", fill=0.1)
    routine.say(Observation, "2027-05-04 12:10", chamber="nest", seen=("dry-edge", "mist"))
    routine.until("2027-09-01 00:00")
    ids = [one.id for one in routine.events]
    assert len(ids) == len(set(ids)) > 40
    for one in routine.events:
        assert one.id.startswith("o.word." if one.kind == "word" else f"o.{one.chamber or 'site'}.care.")
    assert all(one.as_json()["kind"] in ("care", "word") for one in routine.events)
    assert [one.at_ms for one in routine.events] == sorted(one.at_ms for one in routine.events)


def test_every_task_has_a_title_and_says_how() -> None:
    assert all(facts.title and facts.how and not facts.how.endswith(".") for facts in TASKS.values())
