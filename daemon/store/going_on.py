"""The rules' state after all that is recorded: the last snapshot, advanced over what was recorded after it."""

from __future__ import annotations

from typing import NamedTuple

from daemon.store.batch_rows import joined, last_taken_ms
from daemon.store.history import History
from daemon.store.reader import HistoryReader
from rules.settings import Settings
from rules.terms.events import Batch, Event
from rules.turn.advance import EngineState, advance


class WentOn(NamedTuple):
    """A state, up to when it has judged, and the events since the snapshot: most of them stand in the record already."""

    state: EngineState | None
    newest_ms: int | None
    events: list[Event]


def went_on(settings: Settings, state: EngineState | None, store: History | HistoryReader, after_seq: int) -> WentOn:
    """Advance a state over the slices after `after_seq`, and up to the instant to which the daemon had judged when it recorded
    the last one: what silence alone told by then is known again."""
    newest_ms, events = None if state is None else state.closed_ms, list[Event]()
    for batch in joined(store.stream_after(after_seq)):
        newest_ms = last_taken_ms(batch) or (newest_ms or 0) + batch.clock_step_ms
        advanced = advance(settings, state, batch, newest_ms)
        state, events = advanced.state, events + advanced.events
    judged_ms = store.newest_ms
    if state is not None and judged_ms is not None and judged_ms > (newest_ms or 0):
        advanced = advance(settings, state, Batch(), judged_ms)
        state, newest_ms, events = advanced.state, judged_ms, events + advanced.events
    return WentOn(state, newest_ms, events)
