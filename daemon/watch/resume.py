"""The stream across restarts and pauses: where it goes on, when nobody watched, and how slices are joined for the disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np
import structlog
from pydantic import ValidationError

from daemon.store.errors import HistoryError
from daemon.store.going_on import went_on
from daemon.store.history import History
from daemon.store.reader import HistoryReader
from daemon.watch.inbox import Taken
from rules.settings import Settings
from rules.terms.events import MINUTE_MS, Batch, Event, Pause
from rules.turn.advance import EngineState, load_state

_log = structlog.get_logger(__name__)
PAUSE_MS = 3 * MINUTE_MS
"""The engine turns at least once a minute; when it did not for so long, the process or the machine stood still."""
TOLD_PAUSE_MS = 30 * MINUTE_MS
"""A pause longer than this is told to the keeper: so long a lethal heat may have gone unseen."""


@dataclass(frozen=True, slots=True)
class Resumed:
    """Where a restart goes on: the state, the stream's newest instant, and events that were not recorded yet."""

    state: EngineState | None
    newest_ms: int | None
    events: list[Event]
    memory_lost: bool = False
    """There is a record, but the state after it cannot be read: what stands will be raised again."""


def resume_unwritten(settings: Settings, path: Path) -> Resumed:
    """Take up what can still be read of a store that cannot be written: a disk that turned read-only, a full one."""
    try:
        with HistoryReader(path) as reader:
            return replace(resume(settings, reader), events=[])  # they stand in the record with their readings
    except HistoryError as error:
        _log.warning("nothing is remembered: the store cannot be read either", reason=str(error))
        return Resumed(None, None, [])


def resume(settings: Settings, history: History | HistoryReader) -> Resumed:
    """Take up the last recorded state and go through what was recorded after it.

    A state that cannot be read (damaged, or of another version) is not worked out anew from months of readings, which would
    take long and tell old news: the rules begin afresh.
    """
    stored = history.last_state()
    try:
        state = None if stored is None else load_state(stored[0])
    except ValidationError as error:
        _log.critical("the recorded state cannot be read", reason=str(error).splitlines()[0])
        state = None
    if stored is None or state is None:
        return Resumed(None, history.newest_ms, [], memory_lost=history.seq > 0)
    return Resumed(*went_on(settings, state, history, stored[1]))


def joined(batches: Sequence[Batch]) -> list[Batch]:
    """Return the same stream in fewer slices: cut anew only where the clock was set."""
    groups: list[list[Batch]] = []
    for batch in batches:
        if not groups or batch.clock_step_ms:
            groups.append([])
        groups[-1].append(batch)
    return [group[0] if len(group) == 1 else _one(group) for group in groups]


def _one(group: Sequence[Batch]) -> Batch:
    series = list(dict.fromkeys(pair for batch in group for pair in batch.series))
    codes = {pair: code for code, pair in enumerate(series)}
    recoded = [np.array([codes[pair] for pair in batch.series], np.int32)[batch.series_index] for batch in group]
    return Batch(
        series=tuple(series),
        series_index=np.concatenate(recoded),
        taken_ms=np.concatenate([batch.taken_ms for batch in group]),
        at_ms=np.concatenate([batch.at_ms for batch in group]),
        value=np.concatenate([batch.value for batch in group]),
        items=tuple(item for batch in group for item in batch.items),
        clock_step_ms=group[0].clock_step_ms,
    )


def pause_before(taken: Taken, last_ms: int | None, longest_ms: int = PAUSE_MS) -> Pause | None:
    """Return the pause between the last turn and what was taken now, if nobody watched meanwhile.

    It ends with the first thing that entered after it: that one must be judged as seen.
    """
    if last_ms is None or taken.now_ms - last_ms <= longest_ms:
        return None
    stamps = [entry.taken_ms for entry in (*taken.readings, *taken.items)]
    end_ms = min((stamp for stamp in stamps if stamp - last_ms > longest_ms), default=taken.now_ms)
    return Pause(end_ms, last_ms)


MEMORY_LOST = (
    "What dewlid remembered of alarms, probes and your words could not be read. The record of readings is there; alarms that"
    " still stand are raised again after their delay. Take probes out of service or shelve alarms anew if you had."
)


def pause_text(pause: Pause, zone: tzinfo) -> str:
    """Return what the keeper should know of a pause."""
    begin, end = (datetime.fromtimestamp(at_ms / 1000, zone) for at_ms in (pause.begin_ms, pause.taken_ms))
    return (
        f"Nobody watched from {begin:%d %B %H:%M} to {end:%d %B %H:%M}: dewlid or its machine was off or asleep."
        " What happened meanwhile is not in the record; look at the garden yourself."
    )
