"""A rehearsal: the letters of an emergency, a minute apart, marked, whatever the hour, and nothing else is touched by it."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from adapters.wording.letter import LONGEST_SUBJECT, compose
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.telling.telling import REHEARSED
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch, Event, LetterEvent, WordEvent
from rules.terms.words import Rehearse
from rules.turn.advance import EngineState, advance, dump_state, load_state

NIGHT_MS = 1_774_573_200_000  # 2026-03-27T01:00Z
SHELF = Settings(
    site=Site(name="Ant shelf"), zone=ZoneInfo("UTC"), rooms={}, telling=Telling(), chambers={"nest": Chamber()},
    probes={"air": Probe(place="nest")},
)  # fmt: skip


def rehearsed(cuts: list[int]) -> tuple[EngineState, list[Event]]:
    """Advance through the night with one word, cut at these minutes after it."""
    state, events = advance(SHELF, None, Batch(), NIGHT_MS).state, []
    word = Rehearse(taken_ms=NIGHT_MS + 5, word_id="r")
    edges = sorted({NIGHT_MS + 6, *(NIGHT_MS + 5 + cut * 20_000 for cut in cuts), NIGHT_MS + HOUR_MS})
    for number, edge in enumerate(edges):
        done = advance(SHELF, state, Batch.of(items=[] if number else [word]), edge)
        state, events = load_state(dump_state(done.state)), events + done.events
    return state, events


def letters(events: list[Event]) -> list[LetterEvent]:
    return [one for one in events if isinstance(one, LetterEvent) and one.sort == "rehearsal"]


def test_four_marked_letters_go_out_a_minute_apart_in_the_night() -> None:
    state, events = rehearsed([])
    told = letters(events)
    assert [one.to for one in told] == [to for to, _ in REHEARSED] == ["keeper", "keeper", "second", "stand-in"]
    assert [one.at_ms - told[0].at_ms for one in told] == [0, MINUTE_MS, 2 * MINUTE_MS, 3 * MINUTE_MS]
    assert all(one.urgent for one in told)
    assert state.telling.rehearsal is None
    assert [event.accepted for event in events if isinstance(event, WordEvent)] == [True]


@pytest.mark.parametrize("cuts", [[1], [3, 6, 9], [0, 2, 4, 5, 8, 10], list(range(12))])
def test_they_are_the_same_wherever_the_stream_is_cut(cuts: list[int]) -> None:
    whole, events = rehearsed([])
    cut, same = rehearsed(cuts)
    assert dump_state(cut) == dump_state(whole)
    assert [one.as_json() for one in same] == [one.as_json() for one in events]


def test_each_says_first_that_nothing_is_wrong_and_which_one_it_is() -> None:
    _, events = rehearsed([])
    for number, letter in enumerate(letters(events), 1):
        made = compose(letter, SHELF)
        assert made.subject == f"URGENT: rehearsal {number} of 4, nothing is wrong"
        assert len(made.subject) <= LONGEST_SUBJECT
        assert made.text.startswith("This is a rehearsal. Nothing is wrong with the ants")
        assert f"Letter {number} of 4: " in made.text
