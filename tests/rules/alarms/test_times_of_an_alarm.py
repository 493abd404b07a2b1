"""Each time in the life of an alarm, just at its border and just beyond it, and what of its account of harm is news."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from alarm_course import ORIGIN, WATCH, alarms, change, run, story

from rules.alarms.alarms import configured, follow
from rules.keeper.state import KeeperState
from rules.settings import Chamber
from rules.terms.condition_changes import Harm
from rules.terms.events import HOUR_MS
from rules.terms.words import Acknowledge, OutOfService, Shelve

HOT = Harm("heat", 0.4, 7200.0, 6000.0, "serious", acute=False, going_away=True)
DAY_MIN = 24 * 60


def step(minute: float, worse: str | None, to: str = "worse", **more: Any) -> object:
    return change(minute, to, worse=worse, **{"harm": HOT, "value": 33.0} | more)


# ---------------------------------------------------------------- steps of harm


@pytest.mark.parametrize(
    ("minute", "raised_c", "told"),
    [(16, 32.0, False), (16.01, 32.0, True), (16, 31.9, True), (2, 35.0, False), (2, 30.0, True)],
)
def test_a_mark_that_the_raise_has_told_of_within_a_quarter_of_an_hour_is_no_news(
    minute: float, raised_c: float, told: bool
) -> None:
    raised = change(1, "harmful", value=raised_c, limit=30.0, harm=HOT)
    _, events = run(raised, step(minute, "mark", mark=32.0))
    assert [(one.change, one.mark, one.value) for one in alarms(events)][1:] == ([("worsened", 32.0, 33.0)] if told else [])


def test_a_mark_of_cold_is_passed_from_above_and_one_of_water_is_no_margin() -> None:
    cold = {"alarm": "temperature-low", "harm": replace(HOT, kind="cold")}
    for raised_c, told in ((15.0, False), (15.1, True)):
        _, events = run(
            change(1, "harmful", value=raised_c, limit=20.0, **cold), step(5, "mark", mark=15.0, **cold | {"value": 14.0})
        )
        assert len(alarms(events, alarm="temperature-low")) == 1 + told
    wet = {"alarm": "lid-dew", "harm": replace(HOT, kind="water")}
    _, events = run(change(1, "active", value=2.0, **wet), step(5, "mark", mark=0.5, **wet))
    assert [one.change for one in alarms(events, alarm="lid-dew")] == ["raised", "worsened"]


@pytest.mark.parametrize(
    ("worse", "left_s", "changes"),
    [
        ("time", 3500.0, ["raised", "worsened"]), ("priority", 1800.0, ["raised", "worsened"]),  # it comes to wake
        ("priority", 7200.0, ["raised"]),  # as urgent as it was told
        (None, 1800.0, ["raised", "updated"]), (None, 7200.0, ["raised"]),
    ],
)  # fmt: skip
def test_a_step_is_news_where_less_time_is_left_or_it_is_more_urgent(
    worse: str | None, left_s: float, changes: list[str]
) -> None:
    harm = replace(HOT, left_s=left_s, acute=True)
    to = "judged" if worse is None else "worse"
    before = replace(HOT, acute=True)
    _, events = run(change(1, "active", value=29.0, harm=before), step(40, worse, to, harm=harm, value=29.0))
    assert [one.change for one in alarms(events)] == changes
    if len(changes) > 1:
        assert alarms(events)[-1].seconds_left == left_s and alarms(events)[-1].harm_used == 0.4


def test_what_is_no_news_changes_no_figure_and_a_step_of_what_does_not_stand_is_nothing() -> None:
    state, events = run(change(1, "active", value=29.0, harm=HOT), step(5, None, "judged", value=29.5))
    assert state.records["left/temperature-high"].value == 29.0 and len(events) == 1
    state, events = run(step(5, "mark", mark=32.0), change(7, "active", chamber="right"), step(8, "time", alarm="humidity-low"))
    assert [one.change for one in events] == ["raised"] and "left/humidity-low" not in state.records


def test_a_change_that_knows_no_figure_leaves_what_was_seen_last() -> None:
    figures = {"value": 29.0, "limit": 28.0, "unit": "degC", "because": "29 is too warm"}
    _, events = run(change(1, "active", raised_from=27.5, **figures), change(9, "held"), change(12, "resumed"))
    assert {(one.value, one.limit, one.unit, one.raised_from, one.reason) for one in alarms(events)} == {
        (29.0, 28.0, "degC", 27.5, "29 is too warm"),
    }
    _, events = run(change(1, "active", raised_from=27.5, **figures), change(9, "harmful", limit=30.0, value=30.5))
    assert [(one.value, one.limit, one.raised_from) for one in alarms(events)][1:] == [(30.5, 30.0, None)]


@pytest.mark.parametrize(("back", "alarm", "left_s"), [
    (("recovering", "relapsed"), "temperature-high", None),  # its account looks at it within minutes
    (("recovering", "relapsed"), "lid-open", 600.0), (("held", "resumed"), "temperature-high", 600.0),
    (("harmful", "eased"), "temperature-high", 600.0),
])  # fmt: skip
def test_a_relapse_waits_for_its_account_and_any_other_return_tells_its_own_time(
    back: tuple[str, str], alarm: str, left_s: float | None
) -> None:
    turns = (change(5 + 5 * place, to, alarm=alarm, seconds_left=600.0) for place, to in enumerate(back))
    state, _ = run(change(1, "active", alarm=alarm, seconds_left=900.0), *turns)
    assert state.records[f"left/{alarm}"].seconds_left == left_s


# ---------------------------------------------------------------- chattering, held, stale


@pytest.mark.parametrize(("third_min", "chatters"), [(361, True), (361.1, False)])
def test_three_raises_within_six_hours_are_chattering(third_min: float, chatters: bool) -> None:
    waves = [(1, 20), (200, 220), (third_min, third_min + 5)]
    turns = [change(minute, to) for up, down in waves for minute, to in ((up, "active"), (down, "normal"))]
    _, events = run(*turns, until=500)
    assert ("chattering" in [one.change for one in alarms(events)]) is chatters


@pytest.mark.parametrize(("again_min", "still"), [(360, True), (361, False)])
def test_who_chatters_is_calm_after_six_hours_without_a_raise(again_min: float, still: bool) -> None:
    turns = [change(minute, to) for up in (1, 60, 120) for minute, to in ((up, "active"), (up + 20, "normal"))]
    state, _ = run(*turns, change(120 + again_min - 0.01 * still, "active"), until=600)
    assert state.records["left/temperature-high"].chattering is still


def test_an_alarm_that_is_not_seen_is_unknown_after_a_day_and_one_that_stands_is_stale_after_a_day() -> None:
    _, events = run(change(1, "active"), change(5, "held"), until=2 * DAY_MIN)
    unknown = next(one for one in alarms(events) if one.change == "unknown")
    assert unknown.at_ms == (5 + DAY_MIN) * 60_000 and "24 h" in unknown.reason
    _, events = run(change(1, "active"), until=2 * DAY_MIN)
    stale = next(one for one in alarms(events) if one.change == "stale")
    assert stale.at_ms == (1 + DAY_MIN) * 60_000
    _, events = run(change(1, "active"), change(5, "held"), change(4 + DAY_MIN, "resumed"), until=2 * DAY_MIN)
    assert "unknown" not in [one.change for one in alarms(events)]


# ---------------------------------------------------------------- one room, one line


@pytest.mark.parametrize(("minute", "hidden"), [(61, True), (61.01, False)])
def test_boxes_of_a_room_are_moved_by_it_where_they_follow_within_the_hour(minute: float, hidden: bool) -> None:
    _, events = run(change(1, "active"), change(minute, "active", chamber="right"), until=90)
    assert (alarms(events, "right")[0].suppression == "by-design") is hidden


@pytest.mark.parametrize("first", ["left", "right"])
def test_of_two_boxes_at_one_instant_one_is_told_and_always_the_same(first: str) -> None:
    second = {"left": "right", "right": "left"}[first]
    _, events = run(change(1, "active", chamber=first), change(1, "active", chamber=second))
    assert alarms(events, "left")[-1].suppression == "none" and alarms(events, "right")[-1].suppression == "by-design"


def test_a_lid_that_is_open_in_one_box_says_nothing_of_the_next_and_a_room_has_no_alarm_of_another() -> None:
    _, events = run(change(1, "active", alarm="lid-open"), change(2, "active", alarm="lid-open", chamber="right"))
    assert [one.suppression for one in events] == ["none", "none"]


@pytest.mark.parametrize(("interval", "until_min"), [("10s", 22.0), ("40s", 22.0), ("1min", 23.0), ("5min", 35.0)])
def test_probes_may_be_silent_for_three_readings_after_their_line_is_back_but_two_minutes_at_least(
    interval: str, until_min: float
) -> None:
    probes = {name: probe.model_copy(update={"interval": type(probe)(place="left", interval=interval).interval})
        for name, probe in WATCH.probes.items()}  # fmt: skip
    watch = WATCH.model_copy(update={"probes": probes})
    _, events = run(
        change(1, "active", alarm="medium-down", chamber=None, medium="broker"),
        change(3, "active", alarm="probe-stale", probe="wet-end", chamber="right", medium="broker"),
        change(20, "normal", alarm="medium-down", chamber=None, medium="broker"), settings=watch,
    )
    told = [one for one in alarms(events, "right", "probe-stale") if one.change == "unsuppressed"]
    assert [one.at_ms / 60_000 for one in told] == [until_min]


# ---------------------------------------------------------------- words and the config


def test_an_alarm_that_was_only_ever_shelved_is_closed_with_its_chamber_and_one_of_which_nothing_was_told_is_not() -> None:
    shelf = Shelve(taken_ms=0, word_id="s", chamber="left", alarm="lid-open", for_ms=HOUR_MS)
    state, _ = run(shelf, until=5)
    smaller = WATCH.model_copy(update={"chambers": {"far": Chamber()}, "probes": {}})
    _, events = configured(smaller, state, KeeperState(), HOUR_MS, ORIGIN)
    assert [(one.alarm, one.change) for one in events] == [("lid-open", "closed")]
    state, _ = run(change(1, "unknown"), until=5)
    told = len(alarms(run(change(1, "unknown"), until=5)[1]))
    _, events = configured(smaller, state, KeeperState(), HOUR_MS, ORIGIN)
    assert len(events) == told


def test_a_closed_alarm_forgets_that_it_chattered_and_what_hid_it() -> None:
    turns = [change(minute, to) for up in (1, 60, 120) for minute, to in ((up, "active"), (up + 20, "normal"))]
    state, _ = run(*turns, until=300)
    smaller = WATCH.model_copy(update={"chambers": {"far": Chamber()}, "probes": {}})
    state, _ = configured(smaller, state, KeeperState(), 5 * HOUR_MS, ORIGIN)
    record = state.records["left/temperature-high"]
    assert (record.closed, record.chattering, record.cause, record.out_of_service) == (True, False, "", False)
    again, _ = configured(WATCH, state, KeeperState(), 5 * HOUR_MS, ORIGIN)
    _, events = follow(WATCH, again, KeeperState(), [change(500, "active")], 5 * HOUR_MS, 9 * HOUR_MS, ORIGIN)
    assert story(events) == [("raised", "active", "outside", "unack", "none")]


def test_the_words_of_one_alarm_leave_those_of_another_alone() -> None:
    seen = Acknowledge(taken_ms=120_000, word_id="a", chamber="left", alarm="temperature-high")
    out = OutOfService(taken_ms=180_000, word_id="x", probe="dry-end", for_ms=HOUR_MS, reason="salt")
    state, _ = run(
        change(1, "active"), change(1, "active", chamber="far"), seen, out,
        change(4, "active", alarm="probe-stale", probe="wet-end", chamber="right"),
    )
    records = state.records
    assert [records[key].acknowledged for key in ("left/temperature-high", "far/temperature-high")] == [True, False]
    assert records["right/probe-stale/wet-end"].suppression == "none"
    assert records["left/temperature-high"].seen_by == "a"
