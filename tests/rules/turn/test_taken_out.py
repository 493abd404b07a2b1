"""A keeper who has taken a probe out of use, or looked at it in vain, is not sent to look for its fault. Through `advance`."""

from __future__ import annotations

from north_course import Course, after, word

from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent, Batch
from rules.terms.words import AdviceDone, OutOfService


def asked(course: Course) -> list[str]:
    opened = course.state.advice["north"].open
    return [] if opened is None else [action.text for action in opened.event.actions]


def texts(course: Course) -> list[str]:
    return [action.text for one in course.events if isinstance(one, AdviceEvent) for action in one.actions]


def test_of_the_only_probe_he_is_asked_to_put_it_back() -> None:
    course = Course(after(25.5, 25.5))
    course.say(word(OutOfService, "a", probe="air", for_ms=6 * HOUR_MS, reason="salt"))
    course.live(120, 25.5)
    assert asked(course) == ["Put the probe air back when you are done with it, or hang another one there"]
    assert not any("Check the probe" in text for text in texts(course))
    blind = [one for one in course.events if isinstance(one, AlarmEvent) and one.alarm == "blind"]
    assert blind and "out of service: air" in blind[0].reason
    course.say(word(OutOfService, "b", probe="air", for_ms=0))
    course.live(30, 25.5)
    assert asked(course) == []


def test_a_probe_that_is_only_silent_is_still_looked_for() -> None:
    course = Course(after(25.5, 25.5))
    course.now_ms += 2 * HOUR_MS
    course.live(1, 25.5)
    assert any(text.startswith("Check the probe") for text in texts(course))
    assert not any("Put the probe" in text for text in texts(course))


def test_a_probe_that_was_looked_at_in_vain_is_to_be_replaced_and_asked_about_once_a_day() -> None:
    """It was to be checked again within an hour or two, fifteen times in three days (found in a foreign simulation)."""
    course, said = Course(after(25.5, 25.5)), []
    course.live(1, 25.5)
    for _ in range(3 * 48):
        course.now_ms += HOUR_MS // 2
        course.take(Batch())
        opened = course.state.advice["north"].open
        if opened is not None and opened.done_ms is None:
            said.append([action.text for action in opened.event.actions])
            course.say(word(AdviceDone, f"done-{len(said)}", advisory=opened.name))
    assert said[0][0].startswith("Check the probe") and all(row[0].startswith("Hang another probe") for row in said[1:])
    assert 2 <= len(said) <= 4
