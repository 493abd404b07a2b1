"""Figures of alarm quality over a list of alarm events."""

from __future__ import annotations

from dataclasses import replace
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


def spread(count: int, from_ms: int, until_ms: int) -> list[int]:
    return [from_ms + (until_ms - from_ms) * number // count for number in range(count)]


def burst(*counts: int) -> list[int]:
    """Instants of alarms: so many in each ten minutes, one after the other."""
    return [window * WINDOW_MS + number * MINUTE_MS for window, count in enumerate(counts) for number in range(count)]


def stood(hours: float, *alarms: str) -> list[AlarmEvent]:
    return [one for alarm in alarms for one in raises([0], round(hours * HOUR_MS), alarm)]


def kinds(*counts: int) -> list[AlarmEvent]:
    """So many raises of each kind of alarm, seven hours apart."""
    named = zip(("humidity-low", "temperature-high", "lid-dew", "blind"), counts, strict=False)
    return [one for alarm, count in named for one in raises([number * 7 * HOUR_MS for number in range(count)], alarm=alarm)]


TARGETS = [  # the figure, the days of the period, what is just good enough, and what is not
    ("alarms per day", 10, raises(spread(10, 0, 10 * DAY_MS)), raises(spread(11, 0, 10 * DAY_MS))),
    ("most alarms in one day", 30, raises(spread(6, 0, DAY_MS)), raises(spread(7, 0, DAY_MS))),
    ("most alarms in ten minutes", 30, raises(burst(2)), raises(burst(3))),
    ("share of ten-minute periods with more than 2", 1, raises(burst(3)), raises(burst(3, 3))),
    ("share of ten-minute periods with more than 2", 1, raises(burst(3, 2, 2)), raises(burst(3, 2, 3))),
    ("share of time in flood", 2, raises(burst(4)), raises(burst(4, 2))),
    ("share of the most frequent alarm", 30, kinds(2, 1, 1, 1), kinds(3, 1, 1, 1)),
    ("share of the most frequent alarm", 30, kinds(3, 1), kinds(4, 1)),  # of four it says nothing
    ("chattering or fleeting alarms", 30, raises([0], 2 * TEN), raises([0], 2 * TEN - 1)),
    ("chattering or fleeting alarms", 30, raises([0, 3 * HOUR_MS, 6 * HOUR_MS + 1]), raises([0, 3 * HOUR_MS, 6 * HOUR_MS])),
    ("alarms that stood for more than a day", 30, stood(25, "lid-dew"), stood(25, "lid-dew", "blind")),
    ("alarms that stood for more than a day", 30, stood(24, "lid-dew", "blind"), stood(24.1, "lid-dew", "blind")),
    ("alarms standing now", 1, stood(24, "lid-dew", "blind"), stood(24, "lid-dew", "blind", "temperature-high")),
]


@pytest.mark.parametrize(("name", "days", "good", "bad"), TARGETS, ids=[f"{row[0]}-{n}" for n, row in enumerate(TARGETS)])
def test_each_target_is_met_up_to_its_figure_and_not_beyond(
    name: str, days: int, good: list[AlarmEvent], bad: list[AlarmEvent]
) -> None:
    for events, met in ((good, True), (bad, False)):
        figures = alarm_figures(sorted(events, key=lambda one: one.at_ms), 0, days * DAY_MS, ten_minutes)
        assert figure(figures, name)[1] is met


def test_an_alarm_counts_in_the_period_that_it_is_told_in_from_its_first_instant_to_before_its_last() -> None:
    def counted(at_ms: int) -> int:
        return alarm_figures([event(at_ms, "raised", 1)], DAY_MS, 2 * DAY_MS, ten_minutes).raises

    assert [counted(at) for at in (DAY_MS - 1, DAY_MS, 2 * DAY_MS - 1, 2 * DAY_MS)] == [0, 1, 1, 0]
    for for_ms, stands in ((DAY_MS - 1, ()), (DAY_MS, ("left/humidity-low",))):  # at the last instant it still stands
        assert alarm_figures(raises([DAY_MS], for_ms), DAY_MS, 2 * DAY_MS, ten_minutes).standing == stands
    long_ago, just_over = raises([HOUR_MS], 25 * HOUR_MS), raises([HOUR_MS], 29 * HOUR_MS)
    assert [alarm_figures(one, 30 * HOUR_MS, 3 * DAY_MS, ten_minutes).stale for one in (long_ago, just_over)] == [
        (), ("left/humidity-low",),
    ]


def test_an_alarm_that_was_hidden_at_first_counts_as_urgent_as_it_was_told() -> None:
    hidden = event(HOUR_MS, "raised", 1, suppression="by-design", priority="morning")
    shown = event(2 * HOUR_MS, "unsuppressed", 1, priority="wake")
    seen = event(3 * HOUR_MS, "acknowledged", 1, priority="today")
    figures = alarm_figures([hidden, shown, seen], 0, DAY_MS, ten_minutes)
    assert figures.split == {"digest": 0.0, "morning": 0.0, "today": 0.0, "wake": 1.0}
    assert figures.median_to_acknowledge_s == 3600.0  # from when it was told


@pytest.mark.parametrize("over", ["returned", "closed", "unknown"])
def test_what_cannot_be_seen_any_more_has_ended_too(over: str) -> None:
    condition = "unknown" if over == "unknown" else "normal"
    events = [event(HOUR_MS, "raised", 1), event(HOUR_MS + TEN, over, 1, condition=condition)]
    figures = alarm_figures(events, 0, DAY_MS, ten_minutes)
    assert figures.standing == () and figures.fleeting == ("left/humidity-low",)
    held = [event(HOUR_MS, "raised", 1), event(HOUR_MS + TEN, "held", 1, condition="held")]
    assert alarm_figures(held, 0, DAY_MS, ten_minutes).standing == ("left/humidity-low",)


@pytest.mark.parametrize(("word", "fleeting"), [("acknowledged", False), ("shelved", False), ("escalated", True)])
def test_what_the_keeper_saw_to_is_not_fleeting_and_the_off_delay_alone_says_how_brief_is_brief(
    word: str, fleeting: bool
) -> None:
    events = [event(HOUR_MS, "raised", 1), event(HOUR_MS + 1, word, 1), event(HOUR_MS + 2 * TEN - 1, "returned", 1)]
    assert bool(alarm_figures(events, 0, DAY_MS, lambda chamber, alarm: (MINUTE_MS, TEN)).fleeting) is fleeting
    assert not alarm_figures(events, 0, DAY_MS, lambda chamber, alarm: (TEN, MINUTE_MS)).fleeting


def test_an_alarm_that_comes_again_as_soon_as_it_can_has_the_chatter_index_one() -> None:
    """Delays of 10 and 10 minutes: runs of 20 minutes and less count in full, one of 40 by half, one of 80 by a quarter."""
    at_ms = [0]
    for run_min in (20, 20, 5, 40, 80):
        at_ms.append(at_ms[-1] + run_min * MINUTE_MS)
    figures = alarm_figures(raises(at_ms, MINUTE_MS), 0, DAY_MS, ten_minutes)
    assert figures.offenders[0].chatter_index == pytest.approx((1.0 + 1.0 + 1.0 + 0.5 + 0.25) / 5)


def test_the_site_has_alarms_of_its_own_and_a_question_is_none() -> None:
    def of_site(chamber: str, alarm: str) -> tuple[int, int] | None:
        return (TEN, TEN) if chamber == "site" else None

    broker = [replace(one, chamber=None, medium="broker") for one in raises([HOUR_MS], TEN, "medium-down")]
    asked = raises([2 * HOUR_MS], TEN, "lid-unsure")
    figures = alarm_figures([*broker, *asked], 0, DAY_MS, of_site)
    assert figures.fleeting == ("site/medium-down/broker",) and figures.raises == 1
