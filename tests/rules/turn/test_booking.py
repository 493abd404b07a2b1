"""What was done of an advice, by how much, and put right when the amount was a slip. Seen through `advance`."""

from __future__ import annotations

from dataclasses import replace

import pytest
from north_course import Course, after, word

from rules.advice.done import why_no_amount
from rules.keeper.devices import told_knobs
from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent
from rules.terms.words import AdviceDone, LidSeen, TakeBack


@pytest.fixture
def hot() -> Course:
    """Too warm for hours: turn the heater down by 4 K and open two vents."""
    course = Course(after(29.2, 29.2, 29.2, 29.2))
    opened = course.state.advice["north"].open
    assert opened is not None
    assert [(action.device, action.amount) for action in opened.event.actions] == [("heater", 4.0), ("vent", 2.0)]
    return course


def name_of(course: Course) -> str:
    opened = course.state.advice["north"].open
    assert opened is not None
    return opened.name


def done(course: Course, word_id: str, amount: float | None = None) -> tuple[bool, str]:
    (told,) = course.say(word(AdviceDone, word_id, advisory=name_of(course), amount=amount))
    return told.accepted, told.text


def test_the_amount_stands_behind_the_action_that_it_is_of(hot: Course) -> None:
    accepted, text = done(hot, "a", 2.0)
    assert accepted
    assert "from 28 to 24 °C (really 2 K); Open 2 vents" in text
    assert told_knobs(hot.state.keeper.devices["north"]) == {"setpoint": 26.0, "vents": 2.0}


def test_of_several_actions_the_one_with_amount_zero_was_not_done(hot: Course) -> None:
    accepted, text = done(hot, "a", 0.0)
    assert accepted
    assert "Booked: Open 2 vents" in text and "Not done: Turn the heater's thermostat down" in text
    assert told_knobs(hot.state.keeper.devices["north"]) == {"vents": 2.0}
    opened = hot.state.advice["north"].open
    assert opened is not None and opened.done_ms is not None and opened.look_again_ms - opened.done_ms < 2 * HOUR_MS
    assert "heater" not in hot.state.advice["north"].judge_from_ms


def test_the_amount_may_be_of_the_second_action() -> None:
    course = Course(after(25.5, 25.5))
    for humidity_pct in (80.0, 76.0, 72.0, 68.0, 64.0):
        course.live(30, 25.5, humidity_pct)
    done(course, "water")
    course.live(13 * 60, 25.5, 64.0)  # watered in vain: the lid comes first, water second
    opened = course.state.advice["north"].open
    assert opened is not None
    assert [action.amount is None for action in opened.event.actions] == [True, False]
    _, text = done(course, "a", 5.0)
    assert "in place; " in text and "away from the garden (really 5 ml)." in text


def test_an_amount_of_what_has_none_is_refused() -> None:
    course = Course(after(25.5, 25.5))
    course.live(120, 22.5)
    before = course.state.advice
    assert [action.amount for action in before["north"].open.event.actions] == [None, None]
    accepted, text = done(course, "a", 5.0)
    assert not accepted and "no_amount: north-1 asks for no amount (Check the heat" in text
    assert course.state.advice == before


def test_nothing_of_the_only_action_is_no_doing(hot: Course) -> None:
    opened = hot.state.advice["north"].open
    assert opened is not None
    alone = replace(opened, event=replace(opened.event, actions=opened.event.actions[:1]))
    assert (why_no_amount(alone, 0.0) or "").startswith(f"not_done: an amount of 0 means that {opened.name} was not done")
    assert why_no_amount(alone, 0.5) is None and why_no_amount(opened, 0.0) is None


# ---------------------------------------------------------------- a slip


def test_another_amount_before_the_effect_is_judged_corrects_the_first(hot: Course) -> None:
    right, slip, name = Course(after(29.2, 29.2, 29.2, 29.2)), hot, name_of(hot)
    done(right, "b", 2.0)
    done(slip, "a", 20.0)
    for course in (right, slip):
        course.live(60, 29.0)
    accepted, text = done(slip, "b", 2.0)
    assert accepted and "(really 2 K)" in text
    one, other = (course.state.advice["north"].open for course in (right, slip))
    assert one == other
    assert told_knobs(slip.state.keeper.devices["north"]) == {"setpoint": 26.0, "vents": 2.0}
    assert [said.word_id for said in slip.state.keeper.said] == ["b"]
    for course in (right, slip):
        course.live(90, 28.6)
    verdicts = [
        [(one.headline, one.reason) for one in course.events if isinstance(one, AdviceEvent) and one.status == "verified"]
        for course in (right, slip)
    ]
    assert verdicts[0] == verdicts[1] != []
    assert right.state.advice["north"].gains == slip.state.advice["north"].gains
    (told,) = slip.say(word(AdviceDone, "c", advisory=name, amount=3.0))
    assert told.accepted and "done_before" in told.text and "corrected until its effect is judged" in told.text


def test_a_correction_that_was_wrong_is_taken_back_with_the_doing(hot: Course) -> None:
    before = hot.state.advice["north"].open
    done(hot, "a", 20.0)
    done(hot, "b", 2.0)
    assert hot.undo("b").accepted
    assert hot.state.advice["north"].open == before
    assert told_knobs(hot.state.keeper.devices["north"]) == {}
    assert not hot.undo("a").accepted


def test_done_said_twice_without_another_amount_changes_nothing(hot: Course) -> None:
    done(hot, "a", 2.0)
    before = hot.state.advice
    accepted, text = done(hot, "b")
    assert accepted and "done_before" in text
    assert hot.state.advice == before


def test_what_an_older_letter_asked_for_is_booked_beside_the_newer_advice_which_stands() -> None:
    """Dry first, then the heat failed: `done` of the water took the heat along, and an honest `done` of that was "before"."""
    course = Course(after(25.5, 25.5))
    for humidity_pct in (80.0, 76.0, 72.0, 68.0):
        course.live(30, 25.5, humidity_pct)
    first = name_of(course)
    course.live(90, 22.5, 68.0)
    second = name_of(course)
    assert (first, second) == ("north-1", "north-1.2")
    (told,) = course.say(word(AdviceDone, "a", advisory=first))
    assert told.accepted and f"{second} is still asked: Check the heat" in told.text
    opened = course.state.advice["north"].open
    assert opened is not None and (opened.name, opened.done_ms) == (second, None)
    booked = told_knobs(course.state.keeper.devices["north"])
    assert booked and course.state.advice["north"].heater_seen_ms is None
    (again,) = course.say(word(AdviceDone, "b", advisory=first))
    assert "told as done before" in again.text and told.asks_still and again.asks_still
    (told,) = course.say(word(AdviceDone, "c", advisory=second))
    assert "Booked: Check the heat" in told.text and course.state.advice["north"].heater_seen_ms is not None
    assert not told.asks_still
    course.say(word(TakeBack, "d", said="a"))
    opened = course.state.advice["north"].open
    assert opened is not None and opened.done_ms is not None and told_knobs(course.state.keeper.devices["north"]) != booked
    assert [wording.done_ms for wording in opened.earlier] == [None]


# ---------------------------------------------------------------- a lid that was wiped


def dripping() -> Course:
    """A lid that the keeper has seen drops on, and the letter that asks to wipe it."""
    course = Course(after(25.5, 25.5))
    for humidity_pct in (86.0, 90.0, 93.0, 95.0):
        course.live(60, 25.5, humidity_pct)
    course.say(word(LidSeen, "eye", chamber="north", at_ms=course.now_ms, seen="droplets"))
    course.live(6 * 60, 25.5, 90.0)
    opened = course.state.advice["north"].open
    assert opened is not None and "wipe-lid" in opened.acts
    return course


def test_a_lid_that_was_wiped_on_advice_is_dry_until_it_wets_again() -> None:
    """Who had wiped it was told for two days to dry a lid on which nothing hung (found in a foreign simulation)."""
    course, waits = dripping(), dripping()
    done(course, "a")
    for one in (course, waits):
        one.live(60, 25.5, 78.0)
    assert "lid-dew" in [event.alarm for event in waits.events if isinstance(event, AlarmEvent) and event.change == "raised"]
    assert course.state.places["north"].condensate_g_m2 == 0.0 < waits.state.places["north"].condensate_g_m2
    seen = [one.state.alarms.records["north/lid-dew"].condition for one in (course, waits)]
    assert seen == ["normal", "active"]


def test_a_wipe_that_was_a_slip_leaves_the_lid_as_wet_as_it_was() -> None:
    course = dripping()
    before = course.state.places["north"]
    done(course, "a")
    assert course.state.places["north"].condensate_g_m2 < 0.001 < 60.0 < before.condensate_g_m2
    course.undo("a")
    lid = course.state.places["north"]
    assert lid.condensate_g_m2 == pytest.approx(before.condensate_g_m2, abs=0.01)
    assert (lid.lid_dried_ms, lid.lessons) == (before.lid_dried_ms, before.lessons)
