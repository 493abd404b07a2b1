"""What is done is asked for again by no face, whatever else holds of the chamber meanwhile."""

from __future__ import annotations

from dataclasses import replace

import pytest
from north_course import SHELF, Course, after, word

from daemon.report.verdict import Verdict, verdicts
from rules.terms.events import Batch
from rules.terms.words import AdviceDone
from rules.turn.advance import advance
from rules.turn.present import present

NOON_MS = 1_769_688_000_000


def shown(course: Course) -> Verdict:
    (verdict,) = verdicts(SHELF, course.state, present(SHELF, course.state), course.now_ms, late=False)
    return verdict


@pytest.fixture
def hot() -> Course:
    return Course(after(29.2, 29.2, 29.2, 29.2))


def test_what_is_not_done_is_asked_for(hot: Course) -> None:
    asked = shown(hot)
    assert asked.steps[0].startswith("Turn the heater's thermostat down")
    assert asked.advisory is not None and asked.within


def test_a_chamber_that_cannot_be_seen_is_to_be_looked_at_and_not_changed_again(hot: Course) -> None:
    opened = hot.state.advice["north"].open
    assert opened is not None
    hot.say(word(AdviceDone, advisory=opened.name))
    assert (shown(hot).state, shown(hot).steps) == ("done", ())
    seen = hot.state.places["north"].present
    assert seen is not None
    hot.state.places["north"].present = replace(seen, temperature_c=None)  # not believed, and no alarm of it yet
    blind = shown(hot)
    assert blind.state == "not-seen"
    assert not any("thermostat down" in step or "vent" in step for step in blind.steps)
    assert "look" in blind.steps[0]
    assert (blind.advisory, blind.within) == (None, "")


def test_a_chamber_of_which_nothing_was_read_yet_is_not_said_to_be_invisible() -> None:
    """For a minute after its first start a newcomer read that the nest cannot be seen, and looked for a broken probe."""
    begun = advance(SHELF, None, Batch.of(), NOON_MS)
    (first,) = verdicts(SHELF, begun.state, present(SHELF, begun.state), NOON_MS, late=False)
    assert (first.state, first.headline, first.steps) == (
        "not-seen", f"{first.title} is not seen yet: no reading is recorded so far.", (),
    )
