"""How a batch of the stream becomes rows of the store, and the same batch again."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any, cast

import numpy as np
import structlog
from numpy.typing import NDArray
from pydantic import TypeAdapter, ValidationError

from rules.terms.events import Batch, Item, MediumFault, Pause, ProbeFault
from rules.terms.quantities import Quantity
from rules.terms.words import WORD

_PROBE_FAULT: TypeAdapter[ProbeFault] = TypeAdapter(ProbeFault)
_MEDIUM_FAULT: TypeAdapter[MediumFault] = TypeAdapter(MediumFault)
_PAUSE: TypeAdapter[Pause] = TypeAdapter(Pause)
_log = structlog.get_logger()
_ROWS_AT_ONCE = 10_000
_READINGS_AT_ONCE = 50_000


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


def reading_rows(
    batch: Batch, codes: Sequence[int], first_seq: int = 1
) -> Iterator[tuple[int, int, int, int, float | None]]:
    """Return `(seq, taken_ms, at_ms, series, value)` in stream order; `codes` are the store's ids of the batch's
    series.
    """
    series = np.asarray(codes, np.int64)[batch.series_index] if len(codes) else batch.series_index
    values: list[float | None] = batch.value.tolist()
    for bad in np.flatnonzero(np.isnan(batch.value)).tolist():
        values[bad] = None
    seq = range(first_seq, first_seq + len(values))
    return zip(seq, batch.taken_ms.tolist(), batch.at_ms.tolist(), series.tolist(), values, strict=True)


def batches(connection: sqlite3.Connection, after_seq: int) -> Iterator[tuple[int, Batch]]:
    """Yield the batches after `after_seq` with their numbers, each as it was taken: order, instants, items,
    clock step.

    Only the order of the names in `series` is our own: the order in which they first appear.
    """
    series = series_names(connection)
    rows = connection.execute(
        "SELECT seq, readings, last_reading, items, clock_step_ms FROM batch WHERE seq > ? ORDER BY seq",
        (after_seq,),
    )
    for group in _groups(rows):
        yield from _unfold(connection, group, series)


def series_names(connection: sqlite3.Connection) -> dict[int, tuple[str, Quantity]]:
    """Return probe and quantity of each series id."""
    rows = connection.execute("SELECT id, probe, quantity FROM series")
    return {code: (probe, cast(Quantity, quantity)) for code, probe, quantity in rows}


BatchRow = tuple[int, int, int, int, int]


def _groups(rows: Iterable[BatchRow]) -> Iterator[list[BatchRow]]:
    group: list[BatchRow] = []
    held = 0
    for row in rows:
        group.append(row)
        held += row[1]
        if held >= _READINGS_AT_ONCE or len(group) >= _READINGS_AT_ONCE:
            yield group
            group, held = [], 0
    if group:
        yield group


def _unfold(
    connection: sqlite3.Connection, group: list[BatchRow], series: dict[int, tuple[str, Quantity]]
) -> Iterator[tuple[int, Batch]]:
    first, last = group[0], group[-1]
    begin = first[2] - first[1]
    # A row whose series was lost to a damaged disk is left out.
    where = "WHERE seq > ? AND seq <= ? AND series IN (SELECT id FROM series) ORDER BY seq"
    columns = Columns(connection, where, (begin, last[2]))
    items = _items(connection, first[0], last[0])
    for seq, readings, last_reading, _, clock_step_ms in group:
        low, high = np.searchsorted(columns.seq, [last_reading - readings, last_reading], side="right")
        codes, index = _first_appearance(columns.series[low:high])
        yield (
            seq,
            Batch(
                series=tuple(series[code] for code in codes),
                series_index=index,
                taken_ms=columns.taken_ms[low:high],
                at_ms=columns.at_ms[low:high],
                value=columns.value[low:high],
                items=items.get(seq, ()),
                clock_step_ms=clock_step_ms,
            ),
        )


class Columns:
    """Rows of the table `reading` as arrays."""

    def __init__(self, connection: sqlite3.Connection, where: str, values: Sequence[int]) -> None:
        # `where` is one of our own constants, its values are bound.
        select = f"SELECT seq, taken_ms, at_ms, series, value FROM reading {where}"  # noqa: S608
        cursor = connection.execute(select, values)
        parts = [_columns(rows) for rows in iter(lambda: cursor.fetchmany(_ROWS_AT_ONCE), [])] or [_columns([])]
        whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
        self.seq, self.taken_ms, self.at_ms, self.series = whole[:4]
        self.value = whole[4]


def _columns(rows: list[tuple[int, int, int, int, float | None]]) -> list[NDArray[Any]]:
    columns = list(zip(*rows, strict=True)) or [(), (), (), (), ()]
    integers: list[NDArray[Any]] = [np.array(column, np.int64) for column in columns[:4]]
    return [*integers, np.array(columns[4], np.float64)]  # None becomes NaN


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
