"""Runs recorded readings through the very engine of the daemon, slice by slice, and says what it would have told.

The engine does not care how the stream is cut, so slices of any size give the same events; they only bound the memory.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from adapters.recorded import RecordingUnreadable, merged, read_recording
from adapters.wording.counting import counted
from daemon.desk.odd_rows import Recorded, asked_about, bad_lines, first_place, in_another_unit, twice
from daemon.store.batch_rows import joined, last_taken_ms
from daemon.store.reader import HistoryReader
from rules.settings import Settings
from rules.terms.events import Batch, Event, Pause
from rules.terms.words import Spoken
from rules.turn.advance import EngineState, advance

READINGS_AT_ONCE = 100_000
"""Readings in one slice; larger ones are hardly faster and take more memory."""
READINGS_OF_EACH = 2_000
"""Readings of each series in one slice: every slice has its price for every series, whatever it holds."""
MOST_AT_ONCE = 6_000_000
"""Readings in one slice of very many series, which bounds the memory."""


class NothingToReplay(Exception):
    """There are no readings for the probes of this config; the text says what there is instead."""


@dataclass(frozen=True, slots=True)
class Stream:
    """What is replayed: slices in order, where it begins and ends, and what the keeper should know of it."""

    slices: Iterable[Batch]
    begin_ms: int
    end_ms: int
    readings: int
    notes: tuple[str, ...] = ()
    told_from_ms: int = 0
    """What happened before is replayed too, so that the engine knows it, but not told."""
    unwatched: tuple[Pause, ...] = ()
    """Nor is what the routine and the digest would say in spans in which nobody watched."""


@dataclass(frozen=True, slots=True)
class Step:
    """What one slice gave, and how far the replay is."""

    events: list[Event]
    state: EngineState
    at_ms: int


def replayed(settings: Settings, stream: Stream) -> Iterator[Step]:
    """Advance through the stream and yield what each slice gave."""
    state = advance(settings, None, Batch(), stream.begin_ms).state
    for part in stream.slices:
        closed_ms = max(state.closed_ms + part.clock_step_ms, _closes_ms(part))
        done = advance(settings, state, part, closed_ms)
        state = done.state
        yield Step(_told(done.events, stream), state, closed_ms)
    done = advance(settings, state, Batch(), max(stream.end_ms, state.closed_ms))
    yield Step(_told(done.events, stream), done.state, stream.end_ms)


def _closes_ms(part: Batch) -> int:
    """Return up to when a slice closes the stream: its last instant may go on in the next slice."""
    if part.items and isinstance(part.items[-1], Pause):
        return max(part.items[-1].begin_ms, int(part.taken_ms[-1]) if len(part.taken_ms) else 0)
    return last_taken_ms(part)


def _told(events: list[Event], stream: Stream) -> list[Event]:
    return [
        event for event in events
        if event.at_ms >= stream.told_from_ms
        and not any(gap.begin_ms < event.at_ms < gap.taken_ms for gap in stream.unwatched)
    ]  # fmt: skip


# ---------------------------------------------------------------- from files


def from_files(paths: Sequence[Path], settings: Settings, at_once: int | None = 0) -> Stream:
    """Return the readings of all files in order of time; raises RecordingUnreadable or NothingToReplay.

    `at_once`: readings in one slice; 0: as many as suit the number of series, None: all of them.
    """
    recorded = [Recorded(path, read_recording(path)) for path in paths]
    notes = [note for one in recorded for note in bad_lines(one)]
    batches = [one.recording.batch for one in recorded]
    batch = batches[0] if len(batches) == 1 else merged(batches)
    found = len(batch.value)
    batch, foreign = _known(batch, settings)
    if not len(batch.value):
        names = ", ".join(str(path) for path in paths)
        raise NothingToReplay("\n".join([f"{names}: {_nothing(found, foreign, settings)}", *(notes if not found else ())]))
    if foreign:
        place = first_place(recorded, foreign)
        notes.append(_left_out(found - len(batch.value), foreign, place, settings))
    notes += [*twice(recorded, batch), *in_another_unit(recorded, batch)]
    gaps = _long_gaps(batch)
    notes += asked_about(recorded, gaps)
    first, last = int(batch.taken_ms[0]), int(batch.taken_ms[-1])
    return Stream(_parted(batch, at_once, gaps), first, last + 1, len(batch.value), tuple(notes), unwatched=gaps)


YEAR_MS = 366 * 86_400_000


def _long_gaps(batch: Batch) -> tuple[Pause, ...]:
    """Return the spans of more than a year without a reading: mostly one time is wrong, and decades of silence would be gone
    through day by day."""
    ends = np.flatnonzero(np.diff(batch.taken_ms) > YEAR_MS) + 1
    return tuple(Pause(*batch.taken_ms[[end, end - 1]].tolist()) for end in ends.tolist())


def _parted(batch: Batch, at_once: int | None, gaps: Sequence[Pause]) -> Iterator[Batch]:
    """Yield the slices of a batch, with these pauses between them."""
    begin = 0
    for gap in gaps:
        end = int(np.searchsorted(batch.taken_ms, gap.taken_ms))
        yield from slices(_rows(batch, slice(begin, end)), at_once)
        yield Batch(items=(gap,))
        begin = end
    yield from slices(_rows(batch, slice(begin, None)), at_once)


def _rows(batch: Batch, which: slice | NDArray[np.bool_]) -> Batch:
    return Batch(batch.series, batch.series_index[which], batch.taken_ms[which], batch.at_ms[which], batch.value[which])


def _known(batch: Batch, settings: Settings) -> tuple[Batch, list[str]]:
    """Return the readings of probes that the config names, and the names of the other probes."""
    good = np.array([probe in settings.probes for probe, _ in batch.series], bool)
    foreign = list(dict.fromkeys(probe for probe, _ in batch.series if probe not in settings.probes))
    if not foreign:
        return batch, []
    return _rows(batch, good[batch.series_index]), foreign


def _left_out(count: int, foreign: Sequence[str], first: str, settings: Settings) -> str:
    return (
        f"{counted(count, 'reading')} of probes that the config does not name left out: {_some(foreign)}, the first at {first}."
        f" The config has: {_some(list(settings.probes))}. Use the same names in both where they should be told of"
    )


def _nothing(found: int, foreign: Sequence[str], settings: Settings) -> str:
    if not found:
        return "there are no readings in it; wanted are lines time,probe,quantity,value,unit"
    return (
        f"none of its readings is of a probe of this config. It has: {_some(foreign)}."
        f" The config has: {_some(list(settings.probes))}. Use the same names in both; a copy of the config will do"
    )


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def slices(batch: Batch, at_once: int | None = 0) -> Iterator[Batch]:
    """Yield the batch cut into slices of so many readings, as `from_files` says."""
    size = _size(at_once, len(batch.series), len(batch.value))
    for low in range(0, len(batch.value), size):
        yield _rows(batch, slice(low, low + size))


def _size(at_once: int | None, series: int, readings: int) -> int:
    fitting = min(max(READINGS_AT_ONCE, READINGS_OF_EACH * series), MOST_AT_ONCE)
    return readings if at_once is None else at_once or fitting


# ---------------------------------------------------------------- from the store


def from_store(reader: HistoryReader, settings: Settings, since_ms: int = 0, at_once: int | None = 0) -> Stream:
    """Return all that the store still has, from its beginning on: only so the engine knows what it knew.

    `since_ms`: what happened before is not told; `at_once` as in `from_files`. Raises NothingToReplay.
    """
    span = reader.span_ms()
    if span is None:
        raise NothingToReplay("the store holds no reading yet; let `dewlid run` watch for a while")
    first_ms, last_ms = span
    count = int(reader.connection.execute("SELECT sum(readings) FROM batch").fetchone()[0])
    begin_ms, end_ms = _began_and_closed_ms(reader)
    rolled_up = reader.connection.execute("SELECT max(begin_ms) FROM quarter_hour").fetchone()[0] is not None
    parts: Iterable[Batch] = reader.stream()
    notes = []
    if rolled_up or begin_ms is None:
        begin_ms = first_ms
        parts = _after_gap(parts, first_ms)
    if rolled_up:
        since_ms = max(since_ms, first_ms)
        notes.append("older readings were rolled up to quarters of an hour; the replay begins with the first single one")
    if at_once != 1:
        parts = joined(parts, _size(at_once, len(reader.series()), count))
    end_ms = max(end_ms or 0, last_ms + 1)
    if since_ms >= end_ms:
        raise NothingToReplay("nothing was recorded since then; give an earlier --since")
    gone = [name for name in dict.fromkeys(probe for probe, _ in reader.series()) if name not in settings.probes]
    notes += [f"readings of probes that the config does not name any more are left out: {_some(gone)}"] if gone else []
    return Stream(parts, min(begin_ms, first_ms), end_ms, count, tuple(notes), since_ms)


def _began_and_closed_ms(reader: HistoryReader) -> tuple[int | None, int | None]:
    """Return when the store's engine began (its state's origin is that instant) and up to when it has judged."""
    stored = reader.last_state()
    if stored is None:
        return None, None
    state = json.loads(stored[0])
    try:
        return int(state["origin"], 36), int(state["closed_ms"])
    except (KeyError, TypeError, ValueError):
        return None, None


def _after_gap(parts: Iterable[Batch], first_ms: int) -> Iterator[Batch]:
    """Yield the keeper's words of before the first kept reading as if they were said at it."""
    for part in parts:
        if not len(part.value) and part.items and last_taken_ms(part) < first_ms:
            words = tuple(
                item.model_copy(update={"taken_ms": first_ms}) for item in part.items if isinstance(item, Spoken)
            )
            yield replace(part, items=words, clock_step_ms=0)
        else:
            yield part


__all__ = [
    "NothingToReplay", "RecordingUnreadable", "Step", "Stream", "from_files", "from_store", "replayed", "slices",
]  # fmt: skip
