"""Figures of alarm quality over a list of alarm events."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from rules.alarms.load import WINDOW_MS, alarm_figures, delays_of, flood_share, occurrences
from rules.settings import Chamber, Settings, Site, Telling
from rules.settings.bands import HumidityBand
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AlarmEvent

TEN = 10 * MINUTE_MS


def ten_minutes(chamber: str, alarm: str) -> tuple[int, int] | None:
    return None if alarm == "blind" else (TEN, TEN)


def event(at_ms: int, change: str, occurrence: int, alarm: str = "humidity-low", **more: Any) -> AlarmEvent:
    over = change in ("returned", "closed", "unknown")
    values: dict[str, Any] = {"condition": "normal" if over else "active", "suppression": "none", "priority": "today"} | more
    return AlarmEvent(
        id=f"{alarm}.{occurrence}.{at_ms}", at_ms=at_ms, chamber="left", alarm=alarm, change=change, level=None, value=None,
        acknowledged=False, occurrence=occurrence, limit=None, unit=None, **values,
    )


def raises(at_ms: list[int], for_ms: int = HOUR_MS, alarm: str = "humidity-low", **more: Any) -> list[AlarmEvent]:
    pairs = [
        (event(at, "raised", number, alarm, **more), event(at + for_ms, "returned", number, alarm))
        for number, at in enumerate(at_ms, 1)
    ]
    return [one for pair in pairs for one in pair]


def figure(figures: object, name: str) -> tuple[float, bool]:
    return next((one.value, one.met) for one in figures.figures if one.name == name)


def test_a_quiet_month_meets_every_target() -> None:
    figures = alarm_figures(raises([DAY_MS * day for day in (3, 12, 25)]), 0, 30 * DAY_MS, ten_minutes)
    assert figures.raises == 3
    assert figure(figures, "alarms per day") == (pytest.approx(0.1), True)
    assert all(one.met for one in figures.figures)


def test_without_a_single_alarm_every_figure_is_nought_and_met() -> None:
    figures = alarm_figures([], 0, DAY_MS, ten_minutes)
    assert {one.value for one in figures.figures} == {0.0}
    assert all(one.met for one in figures.figures)
    assert figures.median_to_acknowledge_s is None


def test_hidden_alarms_are_no_load_until_they_are_annunciated() -> None:
    hidden = event(HOUR_MS, "raised", 1, suppression="by-design")
    assert alarm_figures([hidden, event(2 * HOUR_MS, "returned", 1)], 0, DAY_MS, ten_minutes).raises == 0
    shown = alarm_figures([hidden, event(3 * HOUR_MS, "unsuppressed", 1)], 0, DAY_MS, ten_minutes)
    assert (shown.raises, shown.standing) == (1, ("left/humidity-low",))


def test_the_worst_offender_comes_first_with_its_share() -> None:
    often = raises([n * 7 * HOUR_MS for n in range(1, 9)])
    rare = raises([2 * DAY_MS, 2 * DAY_MS + 9 * HOUR_MS], alarm="temperature-high")
    figures = alarm_figures(sorted([*often, *rare], key=lambda one: one.at_ms), 0, 30 * DAY_MS, ten_minutes)
    assert [(one.key, one.raises, one.share) for one in figures.offenders] == [
        ("left/humidity-low", 8, 0.8), ("left/temperature-high", 2, 0.2),
    ]
    assert figure(figures, "share of the most frequent alarm") == (0.8, False)


def test_three_raises_within_six_hours_chatter_and_four_in_a_day_do_not() -> None:
    near = alarm_figures(raises([HOUR_MS, 4 * HOUR_MS, 7 * HOUR_MS], TEN * 3), 0, DAY_MS, ten_minutes)
    far = alarm_figures(raises([HOUR_MS, 5 * HOUR_MS, 9 * HOUR_MS, 13 * HOUR_MS], TEN * 3), 0, DAY_MS, ten_minutes)
    assert [near.offenders[0].chattering, far.offenders[0].chattering] == [True, False]


def test_the_relative_chatter_index_is_the_shortest_run_over_the_runs() -> None:
    every_hour = [n * HOUR_MS for n in range(1, 8)]
    index = alarm_figures(raises(every_hour, TEN), 0, DAY_MS, ten_minutes).offenders[0].chatter_index
    assert index == pytest.approx(20 / 60)  # 20 min of delays over runs of an hour
    too_few = alarm_figures(raises(every_hour[:5], TEN), 0, DAY_MS, ten_minutes).offenders[0]
    no_delays = alarm_figures(raises(every_hour, TEN, alarm="blind"), 0, DAY_MS, ten_minutes).offenders[0]
    assert (too_few.chatter_index, no_delays.chatter_index) == (None, None)


def test_what_comes_and_goes_at_once_is_fleeting_unless_the_keeper_did_something() -> None:
    brief = alarm_figures(raises([HOUR_MS], 2 * TEN - 1), 0, DAY_MS, ten_minutes)
    longer = alarm_figures(raises([HOUR_MS], 2 * TEN), 0, DAY_MS, ten_minutes)
    seen = [event(HOUR_MS, "raised", 1), event(HOUR_MS + 1000, "acknowledged", 1), event(HOUR_MS + TEN, "returned", 1)]
    answered = alarm_figures(seen, 0, DAY_MS, ten_minutes)
    assert [brief.fleeting, longer.fleeting, answered.fleeting] == [("left/humidity-low",), (), ()]
    assert answered.median_to_acknowledge_s == 1.0


def test_an_alarm_of_more_than_a_day_is_stale_whether_it_ended_or_not() -> None:
    ended = alarm_figures(raises([HOUR_MS], 25 * HOUR_MS), 0, 3 * DAY_MS, ten_minutes)
    still = alarm_figures([event(HOUR_MS, "raised", 1)], 0, 2 * DAY_MS, ten_minutes)
    day = alarm_figures(raises([HOUR_MS], DAY_MS), 0, 3 * DAY_MS, ten_minutes)
    assert [len(one.stale) for one in (ended, still, day)] == [1, 1, 0]
    assert [len(one.standing) for one in (ended, still, day)] == [0, 1, 0]


def test_the_load_of_ten_minutes_and_of_a_day() -> None:
    burst = [HOUR_MS + n * MINUTE_MS for n in range(4)] + [2 * DAY_MS]
    figures = alarm_figures(raises(burst, 30_000), 0, 10 * DAY_MS, ten_minutes)
    assert (figures.days, figures.raises, figure(figures, "alarms per day")) == (10.0, 5, (0.5, True))
    assert figure(figures, "most alarms in ten minutes") == (4.0, False)
    assert figure(figures, "most alarms in one day") == (4.0, True)
    assert figure(figures, "share of ten-minute periods with more than 2") == (pytest.approx(1 / 1440), True)
    assert figure(figures, "share of time in flood") == (pytest.approx(1 / 1440), True)


@pytest.mark.parametrize(
    ("counts", "windows"), [([3], 0), ([4], 1), ([4, 2, 2, 1], 3), ([3, 4, 3], 2), ([4, 0, 3], 1), ([4, 1, 4], 2)]
)
def test_a_flood_begins_with_more_than_three_and_ends_below_two(counts: list[int], windows: int) -> None:
    at = [window * WINDOW_MS + n for window, count in enumerate(counts) for n in range(count)]
    assert flood_share(at, 0, 100 * WINDOW_MS) == pytest.approx(windows / 100)


def test_the_split_of_priorities_counts_what_was_shown() -> None:
    often = raises([2 * HOUR_MS, 9 * HOUR_MS, 20 * HOUR_MS], alarm="lid-dew", priority="morning")
    events = [*raises([HOUR_MS], priority="wake"), *often]
    split = alarm_figures(sorted(events, key=lambda one: one.at_ms), 0, 2 * DAY_MS, ten_minutes).split
    assert split == {"digest": 0.0, "morning": 0.75, "today": 0.0, "wake": 0.25}


def test_only_the_period_counts_but_what_began_before_it_may_still_stand() -> None:
    events = [*raises([HOUR_MS]), event(2 * HOUR_MS, "raised", 1, "lid-dew"), *raises([30 * HOUR_MS], alarm="blind")]
    figures = alarm_figures(events, DAY_MS, 2 * DAY_MS, ten_minutes)
    assert [one.key for one in figures.offenders] == ["left/blind"]
    assert figures.standing == ("left/lid-dew",)


def test_occurrences_carry_the_first_acknowledgement_and_end_once() -> None:
    (one,) = occurrences([
        event(1, "raised", 1), event(2, "acknowledged", 1), event(3, "acknowledged", 1), event(4, "returned", 1),
        event(5, "latched", 1, condition="normal"),
    ])
    assert (one.raised_ms, one.shown_ms, one.acknowledged_ms, one.ended_ms) == (1, 1, 2, 4)


def test_the_delays_of_band_alarms_come_from_the_config() -> None:
    chamber = Chamber(humidity=HumidityBand(on_delay=TEN, off_delay=3 * TEN))
    settings = Settings(site=Site(), zone=ZoneInfo("UTC"), rooms={}, chambers={"left": chamber}, probes={}, telling=Telling())
    look_up = delays_of(settings)
    assert look_up("left", "humidity-low") == (TEN, 3 * TEN)
    assert look_up("left", "temperature-high") == (TEN, 15 * MINUTE_MS)
    assert look_up("left", "lid-dew") == (5 * MINUTE_MS, 15 * MINUTE_MS)
    assert (look_up("left", "blind"), look_up("gone", "humidity-low")) == (None, None)


def test_the_figures_are_those_of_a_period_that_begins_anywhere() -> None:
    """By hand: five alarms in two days, three within one period of ten minutes of 288, two within another, which is no load;
    answered after 4 and 10 minutes."""
    begin_ms = 20_000 * DAY_MS + 7 * HOUR_MS + 123
    at_ms = [begin_ms + HOUR_MS + minute * MINUTE_MS for minute in (1, 3, 8, 61, 65)]
    told = [event(at, "raised", number) for number, at in enumerate(at_ms, 1)]
    answers = [event(at_ms[0] + 4 * MINUTE_MS, "acknowledged", 1), event(at_ms[3] + 10 * MINUTE_MS, "acknowledged", 4)]
    over = [event(at + 40 * MINUTE_MS, "returned", number) for number, at in enumerate(at_ms, 1)]
    events = sorted([*told, *answers, *over], key=lambda one: one.at_ms)
    figures = alarm_figures(events, begin_ms, begin_ms + 2 * DAY_MS, ten_minutes)
    assert (figures.days, figures.raises, figures.median_to_acknowledge_s) == (2.0, 5, 7 * 60.0)
    assert figure(figures, "alarms per day") == (2.5, False)
    assert figure(figures, "most alarms in ten minutes") == (3.0, False)
    assert figure(figures, "share of ten-minute periods with more than 2") == (pytest.approx(1 / 288), True)
