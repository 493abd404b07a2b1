"""How a batch of the stream becomes rows of the store, and the same batch again."""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, pairwise
from typing import Any, TypeVar, cast

import numpy as np
import structlog
from numpy.typing import NDArray
from pydantic import TypeAdapter, ValidationError

from daemon.store.errors import damaged
from daemon.store.packing import Columns, unpacked
from rules.terms.events import Batch, Item, MediumFault, Pause, ProbeFault
from rules.terms.quantities import Quantity
from rules.terms.words import WORD

_PROBE_FAULT: TypeAdapter[ProbeFault] = TypeAdapter(ProbeFault)
_MEDIUM_FAULT: TypeAdapter[MediumFault] = TypeAdapter(MediumFault)
_PAUSE: TypeAdapter[Pause] = TypeAdapter(Pause)
_log = structlog.get_logger()
_READINGS_AT_ONCE = 50_000
_NEXT_TAKEN = "SELECT taken_ms FROM batch WHERE seq >= ? AND seq < ? ORDER BY seq LIMIT 1"


def item_row(item: Item) -> tuple[int, str, str]:
    """Return `(taken_ms, sort, body)` of an item."""
    if isinstance(item, ProbeFault):
        return item.taken_ms, "probe-fault", _PROBE_FAULT.dump_json(item).decode()
    if isinstance(item, MediumFault):
        return item.taken_ms, "medium-fault", _MEDIUM_FAULT.dump_json(item).decode()
    if isinstance(item, Pause):
        return item.taken_ms, "pause", _PAUSE.dump_json(item).decode()
    return item.taken_ms, "word", item.model_dump_json()


def item_of(sort: str, body: str) -> Item | None:
    """Return the item that `item_row` wrote down; None, and a line in the log, when it cannot be read (a
    damaged disk).

    One lost word must not keep the watch from going on.
    """
    try:
        if sort == "probe-fault":
            return _PROBE_FAULT.validate_json(body)
        if sort == "medium-fault":
            return _MEDIUM_FAULT.validate_json(body)
        if sort == "pause":
            return _PAUSE.validate_json(body)
        return WORD.validate_json(body)
    except ValidationError:
        _log.error("stored item cannot be read and is left out", sort=sort, body=body[:120])
        return None


def lenient_text(raw: bytes) -> str:
    """Return stored text; a byte that a failing disk changed must not keep the rest from being read."""
    return raw.decode("utf-8", errors="replace")


def last_taken_ms(batch: Batch) -> int:
    """Return the instant of the newest thing in the batch; 0 when it is empty."""
    readings = int(batch.taken_ms[-1]) if len(batch.taken_ms) else 0
    return max([readings, *(item.taken_ms for item in batch.items)])


def batches(connection: sqlite3.Connection, after_seq: int) -> Iterator[tuple[int, Batch]]:
    """Yield the batches after `after_seq` with their numbers, each as it was taken: order, instants, items,
    clock step. One in which only time passed is no part of the stream.

    Only the order of the names in `series` is our own: the order in which they first appear.
    """
    series = series_names(connection)
    rows = connection.execute(
        """SELECT seq, readings, last_reading, packed, items, clock_step_ms FROM batch
           WHERE seq > ? AND (readings > 0 OR items > 0 OR clock_step_ms <> 0) ORDER BY seq""",
        (after_seq,),
    )
    for group in _groups(rows):
        items = _items(connection, group[0][0], group[-1][0])
        for (seq, *_, clock_step_ms), columns in zip(group, _columns(connection, [row[:4] for row in group]), strict=True):
            known = columns.where(np.isin(columns.series, list(series)))  # the series of some was lost to a damaged disk
            codes, index = _first_appearance(known.series)
            names = tuple(series[code] for code in codes)
            yield seq, Batch(names, index, known.taken_ms, known.at_ms, known.value, items.get(seq, ()), clock_step_ms)


def readings_of(connection: sqlite3.Connection, first_seq: int, last_seq: int) -> Iterator[Columns]:
    """Yield the readings of these batches, the first and the last among them, in stream order, some ten thousands at a time."""
    rows = connection.execute(
        "SELECT seq, readings, last_reading, packed FROM batch WHERE seq BETWEEN ? AND ? AND readings > 0 ORDER BY seq",
        (first_seq, last_seq),
    )
    for group in _groups(rows):
        yield Columns.one(_columns(connection, group))


def span_ms(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Return when the first and the last single reading was taken; None: there is none."""
    first = connection.execute("SELECT seq FROM batch WHERE readings > 0 ORDER BY seq LIMIT 1").fetchone()
    last = connection.execute("SELECT seq FROM batch WHERE readings > 0 ORDER BY seq DESC LIMIT 1").fetchone()
    ends = [part for row in (first, last) if row for part in readings_of(connection, row[0], row[0])]
    found = Columns.one(ends).taken_ms
    return (int(found[0]), int(found[-1])) if len(found) else None


def series_names(connection: sqlite3.Connection) -> dict[int, tuple[str, Quantity]]:
    """Return probe and quantity of each series id."""
    rows = connection.execute("SELECT id, probe, quantity FROM series")
    return {code: (probe, cast(Quantity, quantity)) for code, probe, quantity in rows}


def seq_reaching(connection: sqlite3.Connection, at_ms: int) -> int:
    """Return the number of the first batch that was taken at an instant or later; one beyond the newest where there is none."""
    runs = _runs(connection)
    return next((seq for run in runs if (seq := _reached(connection, run, at_ms)) < run.stop), runs[-1].stop)


def seq_passing(connection: sqlite3.Connection, at_ms: int) -> int:
    """Return the number of the batch after the last one that was taken before an instant: it may hold something older too."""
    after = max((seq for run in _runs(connection) if (seq := _reached(connection, run, at_ms)) > run.start), default=0)
    return int(connection.execute("SELECT coalesce(min(seq), ?1) FROM batch WHERE seq >= ?1", (after,)).fetchone()[0])


def _runs(connection: sqlite3.Connection) -> list[range]:
    """Return the numbers between two steps of the clock, in which instants only grow: a few looks find one, in any record."""
    first, newest = connection.execute("SELECT (SELECT min(seq) FROM batch), (SELECT max(seq) FROM batch)").fetchone()
    stepped = connection.execute("SELECT seq FROM batch WHERE clock_step_ms <> 0 ORDER BY seq").fetchall()
    return [range(*pair) for pair in pairwise([first or 1, *(row[0] for row in stepped), (newest or 0) + 1])]


def _reached(connection: sqlite3.Connection, run: range, at_ms: int) -> int:
    """Return the first batch of a run that was taken at an instant or later; the end of the run where none was."""

    def taken_ms(seq: int) -> int:  # of the next batch, where retention has left a gap
        row = connection.execute(_NEXT_TAKEN, (seq, run.stop)).fetchone()
        return int(row[0]) if row else at_ms

    seq = run.start + bisect_left(run, at_ms, key=taken_ms)
    row = connection.execute("SELECT min(seq) FROM batch WHERE seq >= ? AND seq < ?", (seq, run.stop)).fetchone()
    return run.stop if row[0] is None else int(row[0])


_Row = tuple[int, int, int, bytes | None]
"""Number, count of readings, number of the last one, and the packed readings; None: they stand in rows, as they did once."""
_Grouped = TypeVar("_Grouped", bound=tuple[Any, ...])


def _groups(rows: Iterable[_Grouped]) -> Iterator[list[_Grouped]]:
    group: list[_Grouped] = []
    held = newest = 0
    for row in rows:
        if row[0] <= newest:
            raise damaged(f"the slices of the record stand out of order: {row[0]} after {newest}")  # a page in another's place
        newest = row[0]
        group.append(row)
        held += row[1]
        if held >= _READINGS_AT_ONCE or len(group) >= _READINGS_AT_ONCE:
            yield group
            group, held = [], 0
    if group:
        yield group


def _columns(connection: sqlite3.Connection, group: Sequence[_Row]) -> list[Columns]:
    """Return the readings of each batch."""
    old = [(last - readings, last) for _, readings, last, body in group if readings and body is None]
    seq, single = _in_rows(connection, old[0][0], old[-1][1]) if old else (np.empty(0, np.int64), Columns.one([]))
    return [
        single.where(slice(*np.searchsorted(seq, [last - readings, last], side="right"))) if body is None else unpacked(body)
        for _, readings, last, body in group
    ]


def _in_rows(connection: sqlite3.Connection, after_seq: int, last_seq: int) -> tuple[NDArray[np.int64], Columns]:
    rows = connection.execute(
        "SELECT seq, taken_ms, at_ms, series, value FROM reading WHERE seq > ? AND seq <= ? ORDER BY seq", (after_seq, last_seq)
    ).fetchall()
    seq, *columns = list(zip(*rows, strict=True)) or [()] * 5
    return np.array(seq, np.int64), Columns.of(*columns)  # None becomes NaN


def _first_appearance(codes: NDArray[np.int64]) -> tuple[list[int], NDArray[np.int32]]:
    found, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(found), np.int32)
    rank[order] = np.arange(len(found), dtype=np.int32)
    return found[order].tolist(), rank[inverse]


def _items(connection: sqlite3.Connection, first_seq: int, last_seq: int) -> dict[int, tuple[Item, ...]]:
    rows = connection.execute(
        "SELECT batch, sort, body FROM item WHERE batch BETWEEN ? AND ? ORDER BY batch, seq",
        (first_seq, last_seq),
    )
    return {
        seq: tuple(item for _, sort, body in each if (item := item_of(sort, body)) is not None)
        for seq, each in groupby(rows, key=lambda row: row[0])
    }


def joined(parts: Iterable[Batch], readings: int = 100_000) -> Iterator[Batch]:
    """Yield the same stream in fewer, larger batches: a cut may stand anywhere, so it may also be left out.

    A clock step and two batches that meet in the same millisecond keep their cut.
    """
    held: list[Batch] = []
    size = newest_ms = 0
    for part in parts:
        if held and (size >= readings or part.clock_step_ms or not _strictly_after(part, newest_ms)):
            yield _join(held)
            held, size, newest_ms = [], 0, 0
        held.append(part)
        size += len(part.value) + len(part.items)
        newest_ms = max(newest_ms, last_taken_ms(part))
    if held:
        yield _join(held)


def _strictly_after(part: Batch, newest_ms: int) -> bool:
    first = [int(part.taken_ms[0])] if len(part.taken_ms) else []
    first += [item.taken_ms for item in part.items]
    return not first or min(first) > newest_ms


def _join(parts: Sequence[Batch]) -> Batch:
    if len(parts) == 1:
        return parts[0]
    names: dict[tuple[str, Quantity], int] = {}
    index = []
    for part in parts:
        codes = np.array([names.setdefault(name, len(names)) for name in part.series], np.int32)
        index.append(codes[part.series_index] if len(codes) else part.series_index)
    return Batch(
        series=tuple(names),
        series_index=np.concatenate(index),
        taken_ms=np.concatenate([part.taken_ms for part in parts]),
        at_ms=np.concatenate([part.at_ms for part in parts]),
        value=np.concatenate([part.value for part in parts]),
        items=tuple(item for part in parts for item in part.items),
        clock_step_ms=parts[0].clock_step_ms,
    )


def json_text(body: Any) -> str:
    """Return compact JSON text; a float that is no number becomes null, which is how the unknown is
    written.
    """
    try:
        return json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except ValueError:
        return json.dumps(_without_nan(body), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _without_nan(body: Any) -> Any:
    if isinstance(body, dict):
        return {key: _without_nan(value) for key, value in body.items()}
    if isinstance(body, list | tuple):
        return [_without_nan(value) for value in body]
    if isinstance(body, float) and not (-1.8e308 < body < 1.8e308):
        return None
    return body
