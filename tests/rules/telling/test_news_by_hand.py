"""What becomes of advice, of an answer and of an alarm in what is owed to the keeper, each rule at its border, by hand."""

from __future__ import annotations

from typing import Any

import pytest
from telling_scenes import NOON, WATCH, alarm, at

from rules.climate.course import Presents
from rules.telling.advice_news import take_advice, take_word
from rules.telling.alarm_news import take_alarm
from rules.telling.ledger import Ledger
from rules.telling.letters import _run_down
from rules.telling.news import importance, is_as_bad, leads
from rules.telling.state import Heard, Owed, TellingState, Thread
from rules.terms.advised import Action
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, WordEvent

NIGHT = at("10 23:30")


def ledger(*heard: Heard) -> Ledger:
    state = TellingState(heard={f"{one.latest.chamber}/{one.latest.alarm}": one for one in heard}, round_date="2026-03-10")
    return Ledger(WATCH, state, Presents())


def asks(name: str = "a.1", text: str = "Turn the heat down", **more: Any) -> AdviceEvent:
    body: dict[str, Any] = {
        "at_ms": NOON, "chamber": "a", "status": "given", "device": "heater", "change": "less", "amount": 1.0, "unit": "K",
        "reason": "it", "urgency": "today", "actions": (Action("heater", "less", 1.0, "K", text),),
    } | more
    return AdviceEvent(id=f"{name}.{body['status']}", advisory=name, **body)


def owed(now: Ledger, key: str = "advice/a") -> tuple[str, str, str, int] | None:
    one = now.state.owed.get(key)
    return None if one is None else (one.sort, one.priority, one.when, one.at_ms)


# ---------------------------------------------------------------- advice


@pytest.mark.parametrize(("urgency", "when_ms"), [("today", NOON - HOUR_MS), ("morning", NOON - HOUR_MS), ("wake", NOON)])
def test_another_wording_takes_the_place_of_what_waits_unless_it_is_more_urgent(urgency: Any, when_ms: int) -> None:
    now = ledger()
    take_advice(now, asks(at_ms=NOON - HOUR_MS))
    newer = asks("a.1", "Air it", status="updated", urgency=urgency)
    take_advice(now, newer)
    assert owed(now) == ("situation", "wake" if urgency == "wake" else "today", "now", when_ms)
    assert now.state.owed["advice/a"].about == [newer]
    assert now.state.advice["a"] is newer


def test_what_is_again_what_the_last_letter_said_is_owed_no_more() -> None:
    now = ledger()
    now.state.advice_sent["a"] = asks()
    take_advice(now, asks("a.2", device="fan", change="more"))
    assert owed(now) is not None
    take_advice(now, asks(status="updated"))
    assert owed(now) is None
    take_advice(now, asks(status="updated", urgency="wake"))  # more urgent than that letter
    assert owed(now) == ("situation", "wake", "now", NOON)


def test_a_step_that_was_added_behind_a_look_is_owed_and_another_amount_of_it_is_not() -> None:
    """"Check the lid" was told at 19:24, "check the lid, and wet the granules with 4 ml" at 21:10 of a box at 38 %RH; the water
    was in no letter before the digest of the next morning (foreign simulation)."""
    look, water = Action("lid", "check", None, None, "Check the lid"), Action("water", "more", 4.0, "ml", "Wet the granules")
    now = ledger()
    now.state.advice_sent["a"] = asks(actions=(look,), device="lid", change="check")
    added = asks(status="updated", actions=(look, water), device="lid", change="check")
    take_advice(now, added)
    assert owed(now) == ("situation", "today", "now", NOON)
    now.state.advice_sent["a"] = added
    for steps in ((look, Action("water", "more", 6.0, "ml", "Wet the granules")), (look,)):
        take_advice(now, asks(status="updated", actions=steps, device="lid", change="check"))
        assert owed(now) is None


@pytest.mark.parametrize(("news_h", "told_h", "urgency", "reminded"), [
    (3.0, 2.0, "wake", True), (3.0, 1.9, "wake", False), (3.0, 2.0, "today", False),
    (24.0, 23.9, "wake", False), (24.0, 24.0, "wake", True), (23.9, 2.0, "wake", True), (None, None, "wake", False),
])  # fmt: skip
def test_what_is_urgent_and_not_done_is_told_again_after_two_hours_of_silence_and_a_day_after_the_news_after_a_day(
    news_h: float | None, told_h: float | None, urgency: Any, reminded: bool
) -> None:
    now = ledger(Heard(alarm(), told=True))
    news_ms, told_ms = (None if hours is None else NOON - round(hours * HOUR_MS) for hours in (news_h, told_h))
    now.state.threads["situation.a"] = Thread(open=True, news_ms=news_ms, told_ms=told_ms)
    now.state.advice_sent["a"] = asks(urgency=urgency)
    take_advice(now, asks(status="reminded", urgency=urgency))
    assert owed(now) == (("reminder", urgency, "now", NOON) if reminded else None)


def test_advice_of_which_no_alarm_stands_is_reminded_of_unless_it_waits_for_a_digest() -> None:
    for urgency, reminded in (("today", ("reminder", "today", "now", NOON)), ("morning", None)):
        now = ledger()
        now.state.advice_sent["a"] = asks(urgency=urgency)
        take_advice(now, asks(status="reminded", urgency=urgency))
        assert owed(now) == reminded


@pytest.mark.parametrize(("tried_h", "when"), [(11.9, "next"), (12.0, "now")])
def test_what_was_done_within_twelve_hours_and_is_advised_again_waits_for_the_next_letter(tried_h: float, when: str) -> None:
    now = ledger()
    done_ms = NOON - round(tried_h * HOUR_MS)
    now.state.advice_sent["a"] = asks()
    take_advice(now, asks(status="verified", at_ms=done_ms))
    assert now.state.tried_ms == {"a/Turn the heat down": done_ms}
    assert (now.state.advice, now.state.advice_sent, now.state.verified["a"].status) == ({}, {}, "verified")
    take_advice(now, asks("a.0", "Other", status="verified", chamber="b"))  # what is older is forgotten then
    take_advice(now, asks("a.2"))
    assert owed(now) == ("situation", "today", when, NOON)


@pytest.mark.parametrize(("clock", "again"), [("10 21:29", "10 22:29"), ("10 21:30", None), ("10 21:50", None)])
def test_what_is_tried_again_in_the_evening_does_not_wait_for_the_morning(clock: str, again: str | None) -> None:
    """A box fell to 19.7 degC in the night: "warm the room" once more came up at 21:50 and was told at eight (foreign
    simulation)."""
    now = ledger()
    now.state.tried_ms["a/Turn the heat down"] = NOON
    take_advice(now, asks(at_ms=at(clock)))
    one = now.state.owed["advice/a"]
    assert (one.when, one.again_ms) == (("now", None) if again is None else ("next", at(again)))


@pytest.mark.parametrize(("clock", "since_look_min", "when"), [
    ("10 23:30", 59, "now"), ("10 23:30", 60, "awake"), ("10 23:30", None, "awake"),
])  # fmt: skip
def test_what_is_advised_within_an_hour_of_a_look_is_told_at_once(clock: str, since_look_min: int | None, when: str) -> None:
    now, at_ms = ledger(), at(clock)
    if since_look_min is not None:
        now.state.looked_ms["a"] = at_ms - since_look_min * MINUTE_MS
    take_advice(now, asks(at_ms=at_ms))
    assert owed(now) == ("situation", "today", when, at_ms)


@pytest.mark.parametrize(("since_done_h", "change", "urgency", "when"), [
    (5.9, "more", "digest", "now"), (6.0, "more", "digest", "digest"), (None, "more", "digest", "digest"),
    (5.9, "check", "digest", "digest"), (5.9, "hold", "digest", "digest"),
    (5.9, "more", "morning", "now"),
])  # fmt: skip
def test_the_next_step_is_told_while_the_keeper_is_at_it(
    since_done_h: float | None, change: str, urgency: Any, when: str
) -> None:
    """A mat was turned up, at 20.4 degC it was seen to be too little at 12:10 and at 22.7 degC at 18:40; the next turns were
    told at 16:00 and the next morning, since the cold was mild by then (foreign simulation)."""
    now = ledger(Heard(alarm("temperature-low", priority="digest"), told=True))
    done_ms = None if since_done_h is None else NOON - round(since_done_h * HOUR_MS)
    now.state.threads["situation.a"] = Thread(open=True, done_ms=done_ms)
    take_advice(now, asks(urgency=urgency, actions=(Action("heater", change, None, None, "Turn it up"),)))
    assert owed(now) == ("situation", urgency, when, NOON)


def test_the_first_advice_to_an_alarm_that_does_not_last_the_night_goes_with_it() -> None:
    short: dict[str, Any] = {"value": 29.0, "seconds_left": 3600.0, "at_ms": NIGHT, "since_ms": NIGHT - HOUR_MS}
    for more, when in (
        ({}, "now"), ({"seconds_left": 9 * 3600.0}, "awake"), ({"priority": "morning"}, "awake"), ({"chamber": "b"}, "awake"),
        ({"suppression": "shelved"}, "awake"),
    ):  # fmt: skip
        now = ledger(Heard(alarm(**short | more)))
        take_advice(now, asks(at_ms=NIGHT))
        assert owed(now) == ("situation", "today", when, NIGHT)
    for thread, when in ((Thread(open=True), "awake"), (Thread(open=False), "now"), (None, "now")):
        now = ledger(Heard(alarm(**short)))
        now.state.advice_sent["a"] = asks("a.0")
        if thread is not None:
            now.state.threads["situation.a"] = thread
        take_advice(now, asks(at_ms=NIGHT))
        assert owed(now) == ("situation", "today", when, NIGHT)
    now = ledger(Heard(alarm(**short)))
    take_advice(now, asks(at_ms=NIGHT, urgency="morning"))
    assert owed(now) == ("situation", "morning", "digest", NIGHT)


def test_what_is_over_is_told_where_it_was_told_and_nothing_stands() -> None:
    for heard, opened, when in (((), True, "now"), ((), False, "digest"), ((Heard(alarm(), told=True),), True, "digest")):
        now = ledger(*heard)
        now.state.advice_sent["a"] = asks()
        now.state.threads["situation.a"] = Thread(open=opened)
        take_advice(now, asks(status="resolved"))
        assert owed(now) == ("all-clear", "today", when, NOON)
    now = ledger()
    take_advice(now, asks(status="resolved"))
    assert (owed(now), now.state.lines) == (None, [])
    take_advice(now, asks())
    take_advice(now, asks(status="withdrawn"))
    assert (owed(now), [line.id for line in now.state.lines]) == (None, ["a.1.withdrawn"])


@pytest.mark.parametrize(("status", "said_done", "tried"), [
    ("withdrawn", "a.1", True), ("withdrawn", "a.0", False), ("resolved", "a.1", False),
])  # fmt: skip
def test_what_was_done_and_is_withdrawn_counts_as_tried(status: Any, said_done: str, tried: bool) -> None:
    now = ledger()
    now.state.advice_sent["a"], now.state.said_done["a"] = asks(), said_done
    take_advice(now, asks(status=status))
    assert bool(now.state.tried_ms) is tried


# ---------------------------------------------------------------- answers


def said(word: str, **more: Any) -> WordEvent:
    return WordEvent(id="w", word=word, text="", **{"at_ms": NOON, "chamber": "a", "accepted": True} | more)


def test_who_says_that_it_is_done_has_answered_and_who_takes_it_back_has_not() -> None:
    now = ledger()
    thread = now.state.threads["situation.a"] = Thread(open=True, called_ms=1)
    take_advice(now, asks())
    now.state.owed["remind/a"] = Owed("a", "reminder", "today", "now", NOON, [])
    for refused in ({"accepted": False}, {"asks_still": True}):
        take_word(now, said("advice-done", advisory="a.1", **refused))
        assert (thread.answered_ms, now.state.said_done) == (None, {})
    take_word(now, said("advice-done", advisory="a.1"))
    assert (thread.answered_ms, thread.done_ms, thread.called_ms) == (NOON, NOON, None)
    assert (now.state.said_done, now.state.owed) == ({"a": "a.1"}, {})
    take_word(now, said("advice-done", advisory="a.0"))  # an older one takes nothing back
    assert now.state.said_done == {"a": "a.1"}
    take_word(now, said("undo", takes_back="advice-done"))
    assert (thread.answered_ms, thread.done_ms, now.state.said_done) == (None, None, {})


def test_what_is_done_of_an_older_advisory_leaves_the_newer_one_to_be_answered() -> None:
    now = ledger()
    thread = now.state.threads["situation.a"] = Thread(open=True, called_ms=1)
    take_advice(now, asks("a.2"))
    take_word(now, said("advice-done", advisory="a.1"))
    assert (thread.answered_ms, thread.called_ms, now.state.said_done) == (None, 1, {"a": "a.1"})
    assert owed(now) is not None


def test_a_look_at_the_lid_and_a_rehearsal_are_taken_where_they_are_accepted() -> None:
    for accepted in (True, False):
        now = ledger()
        take_word(now, said("lid-seen", accepted=accepted))
        take_word(now, said("rehearse", accepted=accepted))
        assert (now.state.looked_ms, now.state.rehearsal is not None) == ({"a": NOON} if accepted else {}, accepted)


# ---------------------------------------------------------------- alarms


@pytest.mark.parametrize(("told_h", "priority", "level", "when"), [
    (5.9, "today", "outside", "digest"), (6.0, "today", "outside", "now"), (0.9, "wake", "outside", "digest"),
    (1.0, "wake", "outside", "now"), (0.9, "today", "harmful", "now"), (None, "today", "outside", "now"),
])  # fmt: skip
def test_what_comes_and_goes_is_told_once_in_six_hours_and_in_one_where_it_wakes(
    told_h: float | None, priority: Any, level: Any, when: str
) -> None:
    told_ms = None if told_h is None else NOON - round(told_h * HOUR_MS)
    now = ledger(Heard(alarm(at_ms=NOON - 1), chattering=True, told_ms=told_ms, raised_ms=NOON - 1))
    take_alarm(now, alarm(priority=priority, level=level))
    assert owed(now, "a/temperature-high") == ("situation", priority, when, NOON)
    calm = ledger(Heard(alarm(at_ms=NOON - 1), chattering=True, told_ms=told_ms, raised_ms=NOON - 6 * HOUR_MS))
    take_alarm(calm, alarm(priority=priority, level=level))  # it has not come up for six hours
    assert owed(calm, "a/temperature-high") == ("situation", priority, "now", NOON)


@pytest.mark.parametrize(("minutes", "more", "said_already"), [
    (14, {}, True), (15, {}, False), (14, {"change": "worsened"}, False), (14, {"priority": "wake"}, False),
])  # fmt: skip
def test_the_cause_of_heat_is_said_within_a_quarter_of_an_hour_of_the_letter_about_it(
    minutes: int, more: dict[str, Any], said_already: bool
) -> None:
    now = ledger(Heard(alarm(), told=True))
    now.state.threads["situation.a"] = Thread(open=True, told_ms=NOON - minutes * MINUTE_MS)
    now.state.advice["a"] = now.state.advice_sent["a"] = asks()
    take_alarm(now, alarm("heater-runaway", **more))
    assert (owed(now, "a/heater-runaway") is None) is said_already
    assert now.state.heard["a/heater-runaway"].told is said_already


def test_an_end_is_told_alone_or_with_the_next_letter_and_never_of_what_was_not_told() -> None:
    for others, when in (((), "now"), ((Heard(alarm("humidity-low"), told=True),), "digest")):
        now = ledger(Heard(alarm(), told=True, told_priority="today"), *others)
        take_alarm(now, alarm(change="returned", condition="normal", level=None))
        assert owed(now, "a/temperature-high#over") == ("all-clear", "today", when, NOON)
        assert not now.state.heard["a/temperature-high"].told
    now = ledger(Heard(alarm(), told=True, told_priority="today"), Heard(alarm("humidity-low"), told=True))
    take_alarm(now, alarm(change="unknown", condition="unknown", level=None))  # that nobody sees it is no end
    assert owed(now, "a/temperature-high#over") == ("situation", "today", "now", NOON)
    now = ledger(Heard(alarm(), told=True, told_priority="morning"))
    take_alarm(now, alarm(change="returned", condition="normal", level=None))
    assert owed(now, "a/temperature-high#over") == ("all-clear", "morning", "digest", NOON)
    now = ledger()
    take_alarm(now, alarm())
    take_alarm(now, alarm(change="returned", condition="normal", level=None))
    assert (now.state.owed, [line.change for line in now.state.lines]) == ({}, ["returned"])


def test_one_call_ends_where_nothing_wakes_any_more() -> None:
    for priority, called in (("wake", 5), ("today", None)):
        now = ledger()
        thread = now.state.threads["situation.a"] = Thread(open=True, called_ms=5, second=True)
        take_alarm(now, alarm(priority=priority))
        assert (thread.called_ms, thread.second) == (called, called is not None)


@pytest.mark.parametrize(("apart_min", "place"), [(180, "study"), (181, "a")])
def test_boxes_that_the_room_moves_within_three_hours_are_told_as_one(apart_min: int, place: str) -> None:
    now = ledger()
    take_alarm(now, alarm("temperature-low", "b", since_ms=NOON - apart_min * MINUTE_MS))
    take_alarm(now, alarm("temperature-low", since_ms=NOON))
    assert now.state.heard["a/temperature-low"].place == place


@pytest.mark.parametrize("other", ["0", "z"])
def test_what_stands_elsewhere_holds_back_no_end_and_hurries_no_advice(other: str) -> None:
    loud: dict[str, Any] = {"level": "harmful", "priority": "wake"}
    elsewhere = [Heard(alarm(name, other, **loud), told=True) for name in ("heater-failed", "lid-open")]
    now = ledger(Heard(alarm(), told=True, told_priority="today"), *elsewhere)
    take_alarm(now, alarm(change="returned", condition="normal", level=None))
    assert owed(now, "a/temperature-high#over") == ("all-clear", "today", "now", NOON)
    now = ledger(*elsewhere)
    take_alarm(now, alarm("lid-dew"))
    assert owed(now, "a/lid-dew") == ("situation", "today", "now", NOON)
    short: dict[str, Any] = {"value": 29.0, "seconds_left": 3600.0, "at_ms": NIGHT, "since_ms": NIGHT - HOUR_MS}
    now = ledger(Heard(alarm(chamber=other, **short)))
    take_advice(now, asks(at_ms=NIGHT))
    assert owed(now) == ("situation", "today", "awake", NIGHT)


def test_what_gets_wet_in_a_box_whose_heat_has_failed_or_that_cold_kills_goes_with_its_next_letter() -> None:
    for beside, when in (
        (Heard(alarm("heater-failed"), told=True), "digest"), (Heard(alarm("heater-failed")), "now"),
        (Heard(alarm("heater-failed", condition="held"), told=True), "now"),
        (Heard(alarm("temperature-low", level="harmful", priority="wake"), told=True), "digest"),
        (Heard(alarm("temperature-low", level="harmful"), told=True), "now"),
    ):  # fmt: skip
        now = ledger(beside)
        take_alarm(now, alarm("lid-dew"))
        assert owed(now, "a/lid-dew") == ("situation", "today", when, NOON)
        take_alarm(now, alarm("humidity-low"))  # which may wake by itself
        assert owed(now, "a/humidity-low") == ("situation", "today", "now", NOON)


def test_a_time_that_was_left_runs_down_for_a_quarter_of_an_hour() -> None:
    for left_s, minutes, rest_s in (
        (3600.0, 10, 3000.0), (3600.0, 15, 2700.0), (3600.0, 15.1, None), (600.0, 10, None), (0.0, 0, None),
    ):  # fmt: skip
        told = _run_down(alarm(seconds_left=left_s), NOON + round(minutes * MINUTE_MS))
        assert (told.seconds_left, told.judged_ms) == (rest_s, NOON + round(minutes * MINUTE_MS))
    judged = alarm(seconds_left=3600.0, judged_ms=NOON - 5 * MINUTE_MS)
    assert _run_down(judged, NOON).seconds_left == 3300.0


# ---------------------------------------------------------------- what comes before what


@pytest.mark.parametrize(("told", "news", "as_bad"), [
    ({}, {}, True), ({}, {"name": "heater-failed"}, False), ({}, {"level": "harmful"}, False),
    ({"level": "harmful"}, {"level": "harmful"}, True), ({}, {"worse": "mark"}, False), ({}, {"worse": "priority"}, True),
    ({"seconds_left": 60.0}, {"worse": "time", "seconds_left": 60.0}, True),
    ({"seconds_left": 61.0}, {"worse": "time", "seconds_left": 60.0}, False), ({}, {"worse": "time"}, True),
])  # fmt: skip
def test_what_was_told_says_as_much_of_the_same_harm(told: dict[str, Any], news: dict[str, Any], as_bad: bool) -> None:
    assert is_as_bad(alarm(**told), alarm(**news)) is as_bad


def test_the_most_urgent_stands_first_then_what_harms_then_the_table_then_advice_and_what_is_over() -> None:
    order = [
        alarm("humidity-low", priority="wake"), alarm("lid-dew", level="harmful"), alarm("temperature-high"),
        alarm("temperature-low"), alarm("lid-dew"), alarm("temperature-high", priority="morning"),
        alarm("temperature-high", change="returned", condition="normal", level=None, priority="wake"),
        asks(urgency="wake"), asks(), asks(status="resolved", urgency="wake"),
    ]  # fmt: skip
    mixed = [*order[1::2], *order[::2]]
    assert sorted(mixed, key=importance) == order
    assert leads(order[1], order[2]) and not leads(order[1], order[0]) and not leads(order[2], order[2])
    assert leads(order[1], order[1]) and not leads(order[8], order[9])


