"""What is answered to a note is read against what stands, wherever the stream is cut."""

from __future__ import annotations

import pytest
from north_course import Course, after, word

from rules.terms.events import CareEvent
from rules.terms.words import Observation


@pytest.mark.parametrize("seen", ["calm", "growing", "mist", "springtails"])
def test_a_note_is_no_comfort_while_the_garden_dries(seen: str) -> None:
    course = Course(after(25.5, 25.5))
    course.live(30, 25.5, 58.0)
    course.say(word(Observation, chamber="north", at_ms=course.now_ms, seen=(seen,)))
    (told,) = (event for event in course.events if isinstance(event, CareEvent) and event.task == "observation")
    assert "no cause for worry" not in told.text
    assert "see to what is wrong here now (too dry and lid is open or ajar); `dewlid why north` shows what to do" in told.text
    course.live(180, 25.5)  # the lid is shut again, the air is humid again
    course.say(word(Observation, "later", chamber="north", at_ms=course.now_ms, seen=(seen,)))
    assert "no cause for worry" in [one for one in course.events if isinstance(one, CareEvent)][-1].text
