"""When an adviser looks by itself."""

from __future__ import annotations

from dataclasses import replace

from rules.advice.looks import looks_at, news_since_ms
from rules.advice.state import AdviceState, OpenAdvice
from rules.settings import Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

TELLING = Telling(today_remind=[30 * HOUR_MS])
TOLD_MS = 1_767_225_600_000 + 5 * MINUTE_MS
WAITS = OpenAdvice("north-1", "cell", 7, None, False, "today", TOLD_MS, TOLD_MS, TOLD_MS + HOUR_MS)


def looks(state: AdviceState, from_ms: int, until_ms: int, *, blind: bool = False) -> list[int]:
    """Return the minutes after the telling, by the clock, at which the adviser looks."""
    minutes = range(from_ms // MINUTE_MS, until_ms // MINUTE_MS)
    return [
        minute + 5 for minute in minutes if looks_at(TELLING, state, {}, TOLD_MS + minute * MINUTE_MS, blind=blind)
    ]


def test_advice_that_waits_is_looked_at_ever_more_seldom() -> None:
    state = AdviceState(open=WAITS)
    assert looks(state, 0, HOUR_MS) == [10, 20, 30, 40, 50, 60]
    assert looks(state, 2 * HOUR_MS, 3 * HOUR_MS) == [150, 180]
    assert looks(state, 12 * HOUR_MS, 14 * HOUR_MS) == [13 * 60, 14 * 60]
    reminded = AdviceState(open=replace(WAITS, reminders=1))
    assert looks(reminded, DAY_MS, 2 * DAY_MS) == [30 * 60, 36 * 60, 42 * 60, 48 * 60]


def test_a_reminder_that_is_due_is_looked_at_within_the_hour() -> None:
    assert looks(AdviceState(open=WAITS), DAY_MS, 34 * HOUR_MS) == [30 * 60, 31 * 60, 32 * 60, 33 * 60, 34 * 60]


def test_an_emergency_what_is_done_and_what_is_not_told_yet_are_looked_at_every_ten_minutes() -> None:
    wakes = replace(WAITS, branch="heater-failed", urgency="wake")
    for state in (AdviceState(), AdviceState(open=wakes), AdviceState(open=replace(WAITS, done_ms=TOLD_MS + DAY_MS))):
        assert len(looks(state, 3 * DAY_MS, 3 * DAY_MS + HOUR_MS)) == 6
        assert len(looks(state, 3 * DAY_MS, 3 * DAY_MS + HOUR_MS, blind=True)) == 2


def worth_without_news(state: AdviceState, from_ms: int, until_ms: int) -> list[int]:
    """Return the minutes after the telling, by the clock, at which the adviser looks though nothing was heard for hours."""
    minutes = range(from_ms // MINUTE_MS, until_ms // MINUTE_MS)
    instants = [TOLD_MS + minute * MINUTE_MS for minute in minutes]
    looked = [at_ms for at_ms in instants if looks_at(TELLING, state, {}, at_ms, blind=False)]
    return [(at_ms - TOLD_MS) // MINUTE_MS + 5 for at_ms in looked if news_since_ms(TELLING, state, {}, at_ms) is None]


def test_advice_that_waits_is_looked_at_between_two_readings_when_a_time_of_its_own_has_come() -> None:
    state = AdviceState(open=WAITS)
    assert worth_without_news(state, 0, 3 * HOUR_MS) == [40, 60, 120, 180]  # half an hour after it was told it may change
    emergency = replace(WAITS, branch="heat", urgency="wake")
    again = Telling(wake_remind=[15 * MINUTE_MS])
    minutes = [10, 20, 30, 40, 50]
    looked = [
        minute for minute in minutes
        if news_since_ms(again, AdviceState(open=emergency), {}, TOLD_MS + (minute - 5) * MINUTE_MS) is None
    ]
    assert looked == [20, 30, 40, 50]  # a reminder is due from 15 minutes on, until it is told
    reminded = AdviceState(open=replace(emergency, reminders=1))
    assert news_since_ms(again, reminded, {}, TOLD_MS + 25 * MINUTE_MS) is not None
    assert news_since_ms(again, reminded, {}, TOLD_MS + 35 * MINUTE_MS) is None


def test_what_is_not_told_yet_and_what_is_done_is_looked_at_whatever_was_heard() -> None:
    for state in (AdviceState(), AdviceState(open=replace(WAITS, done_ms=TOLD_MS))):
        looked = worth_without_news(state, 3 * DAY_MS, 3 * DAY_MS + HOUR_MS)
        assert looked == [3 * 1440 + minute for minute in range(10, 61, 10)]


def test_news_counts_since_the_look_before() -> None:
    state, hour_ms = AdviceState(open=WAITS), TOLD_MS - 5 * MINUTE_MS + 2 * HOUR_MS
    since_ms = {minute: news_since_ms(TELLING, state, {}, hour_ms + minute * MINUTE_MS) for minute in (0, 10, 20, 30, 40, 50)}
    back_min = {10: 0, 20: 10, 30: 0, 40: 30, 50: 40}  # at half hours there may have been none since the last half hour
    assert since_ms == {0: None, **{minute: hour_ms + before * MINUTE_MS for minute, before in back_min.items()}}
