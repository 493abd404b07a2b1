"""A word is taken once, however many others come between, for as long as it may come again. Seen through `advance`."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rules.settings import Chamber, Settings, Site, Telling
from rules.terms.events import DAY_MS, MINUTE_MS, Batch, WordEvent
from rules.terms.words import LeavesGiven
from rules.turn.advance import IDS_KEPT_FOR_MS, EngineState, advance, dump_state, load_state

START_MS = 1_809_000_000_000
SHELF = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={}, telling=Telling(), chambers={"nest": Chamber()}, probes={},
)  # fmt: skip


def leaves(at_ms: int, word_id: str) -> LeavesGiven:
    return LeavesGiven(taken_ms=at_ms, word_id=word_id, chamber="nest", at_ms=at_ms, plant="rose")


def said(state: EngineState | None, at_ms: int, *ids: str) -> tuple[EngineState, list[str]]:
    """Return the state through JSON after words at one instant, and the ids of those that were answered."""
    done = advance(SHELF, state, Batch.of(items=[leaves(at_ms, name) for name in ids]), at_ms + 1)
    answered = [event.id.rsplit(".", 1)[1] for event in done.events if isinstance(event, WordEvent)]
    return load_state(dump_state(done.state)), answered


def test_a_word_that_comes_again_after_two_thousand_others_is_not_taken_again() -> None:
    state, answered = said(None, START_MS, "first")
    assert answered == ["first"]
    others = [f"w{number}" for number in range(2_000)]
    state, answered = said(state, START_MS + MINUTE_MS, *others)
    assert answered == others
    _, answered = said(state, START_MS + 2 * MINUTE_MS, "first", "last", "w0")
    assert answered == ["last"]


def test_a_word_whose_file_cannot_be_removed_is_never_taken_again() -> None:
    """It comes in all the time; then the daemon is off for longer than ids are kept, and it comes in first."""
    state, _ = said(None, START_MS, "stuck", "seen-once")
    now = START_MS
    for _ in range(5):
        now += IDS_KEPT_FOR_MS // 2
        state, answered = said(state, now, "stuck", f"other-{now}")
        assert answered == [f"other-{now}"]
    assert "seen-once" not in state.words_taken_ms
    _, answered = said(state, now + 2 * IDS_KEPT_FOR_MS, "new", "stuck")
    assert answered == ["new"]


def test_what_is_remembered_is_bounded_by_time() -> None:
    state = None
    for day in range(120):
        state, _ = said(state, START_MS + day * DAY_MS, f"day-{day}")
    assert state is not None and len(state.words_taken_ms) == IDS_KEPT_FOR_MS // DAY_MS + 1


def test_a_step_of_the_clock_makes_no_word_new() -> None:
    state, _ = said(None, START_MS, "first")
    stepped = advance(SHELF, state, Batch(clock_step_ms=400 * DAY_MS), START_MS + 400 * DAY_MS + 5).state
    state, answered = said(stepped, START_MS + 400 * DAY_MS + MINUTE_MS, "second")
    _, again = said(state, START_MS + 400 * DAY_MS + 2 * MINUTE_MS, "first")
    assert (answered, again) == (["second"], [])
