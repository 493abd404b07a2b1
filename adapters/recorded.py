"""Recorded readings from a file: CSV `time,probe,quantity,value,unit`, JSON Lines with the same keys, or SenML.

The whole file becomes one batch, ordered by time. A line that cannot be read is counted and named, never fatal: a year of
readings with one torn line is still a year.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import IO, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from adapters import senml
from adapters.columnar_csv import Columns, read_columns
from adapters.errors import ProbeError
from adapters.foreign_file import what_else
from adapters.payload import excerpt, json_of
from adapters.recorded_row import (
    COLUMNS,
    HEADER,
    LONGEST_LINE,
    OR_LEAVE_OUT,
    BadRow,
    Row,
    converted,
    csv_row,
    json_row,
    quantity_of,
)
from rules.terms.events import Batch
from rules.terms.quantities import Quantity, units_of

Form = Literal["csv", "json-lines", "senml"]
MOST_BAD_NAMED = 20

_BLOCK = 1 << 19
"""Bytes read at once: the columns of so many rows stay in the processor's cache."""
_LARGEST_PACK = 1 << 28


class RecordingUnreadable(Exception):
    """The file cannot be opened or is in none of the three forms."""


@dataclass(frozen=True, slots=True)
class BadLine:
    """Where a line was refused and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class Recording:
    """What a file holds: its readings as one batch, how many lines were bad, and the first of these by number.

    `line`: of each reading of the batch, int32, in which line it stands, counted from 1.
    """

    batch: Batch
    line: NDArray[np.int32]
    lines: int
    bad_count: int
    bad: tuple[BadLine, ...]


@dataclass
class _Gathered:
    """Readings as they are found, and what was refused."""

    probes: frozenset[str] | None
    series: dict[tuple[str, Quantity], int] = field(default_factory=dict)
    codes: list[NDArray[np.int32]] = field(default_factory=list)
    times: list[NDArray[np.int64]] = field(default_factory=list)
    values: list[NDArray[np.float64]] = field(default_factory=list)
    at_lines: list[NDArray[np.int32]] = field(default_factory=list)
    lines: int = 0
    bad_count: int = 0
    bad: list[BadLine] = field(default_factory=list)

    def code_of(self, probe: str, quantity: str) -> int:
        """Return the number of a series; raises BadRow where it is not known."""
        known = quantity_of(quantity)
        if self.probes is not None and probe not in self.probes:
            raise BadRow(f"unknown probe {excerpt(probe, 64)}")
        if not probe:
            raise BadRow("the probe has no name; write the one that the config gives it")
        return self.series.setdefault((probe, known), len(self.series))

    def refuse(self, line: int, reason: str, count: int = 1) -> None:
        """Count bad lines and keep the first few."""
        self.bad_count += count
        if len(self.bad) < MOST_BAD_NAMED:
            self.bad.append(BadLine(line, reason))

    def add(self, codes: Any, times: Any, values: Any, lines: Any) -> None:
        """Keep some readings with their lines."""
        self.codes.append(np.asarray(codes, np.int32))
        self.times.append(np.asarray(times, np.int64))
        self.values.append(np.asarray(values, np.float64))
        self.at_lines.append(np.asarray(lines, np.int32))

    def recording(self) -> Recording:
        """Return everything, ordered by time; readings of one instant stay in the file's order."""
        codes = np.concatenate([np.empty(0, np.int32), *self.codes])
        times = np.concatenate([np.empty(0, np.int64), *self.times])
        values = np.concatenate([np.empty(0, np.float64), *self.values])
        at_lines = np.concatenate([np.empty(0, np.int32), *self.at_lines])
        if len(times) and bool((times[1:] < times[:-1]).any()):
            order = np.argsort(times, kind="stable")
            codes, times, values, at_lines = codes[order], times[order], values[order], at_lines[order]
        batch = Batch(tuple(self.series), codes, times, times, values)
        bad = tuple(sorted(self.bad, key=lambda one: one.line))
        return Recording(batch, at_lines, self.lines, self.bad_count, bad)


def read_recording(path: str | os.PathLike[str], probes: Collection[str] | None = None) -> Recording:
    """Return the readings of a file; with `probes` only these are known, others are bad lines.

    Raises RecordingUnreadable. The form is told by the first character: `[` SenML, `{` JSON Lines, anything else CSV.
    """
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            raise RecordingUnreadable(f"{path}: is a folder, pipe or device; name the file with the readings itself")
        with Path(path).open("rb") as file:
            form = _form(file.read(4096), path)
            file.seek(0)
            gathered = _Gathered(None if probes is None else frozenset(probes))
            if form == "csv":
                _read_csv(_blocks(file), gathered, path)
            elif form == "json-lines":
                for block in _blocks(file):
                    _read_lines(block, gathered, json_row)
            else:
                _read_senml(file.read(_LARGEST_PACK), gathered)
    except OSError as error:
        raise RecordingUnreadable(f"{path}: {error.strerror}; name a file that is there and that you may read") from error
    except ValueError as error:
        raise RecordingUnreadable(f"{path!r} is no file name: it holds a NUL character") from error
    return gathered.recording()


def _form(head: bytes, path: str | os.PathLike[str]) -> Form:
    foreign = what_else(head)
    if foreign is not None:
        raise RecordingUnreadable(f"{path}: {foreign}")
    first = head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    return "senml" if first == b"[" else "json-lines" if first == b"{" else "csv"


def merged(batches: Sequence[Batch]) -> Batch:
    """Return the readings of several batches as one, ordered by time; of one instant, those of the earlier batch first."""
    series: dict[tuple[str, Quantity], int] = {}
    numbers = [[series.setdefault(one, len(series)) for one in batch.series] for batch in batches]
    renamed = [np.array(codes, np.int32)[batch.series_index] for codes, batch in zip(numbers, batches, strict=True)]
    taken_ms = np.concatenate([np.empty(0, np.int64), *(batch.taken_ms for batch in batches)])
    order = np.argsort(taken_ms, kind="stable")
    return Batch(
        series=tuple(series),
        series_index=np.concatenate([np.empty(0, np.int32), *renamed])[order],
        taken_ms=taken_ms[order],
        at_ms=np.concatenate([np.empty(0, np.int64), *(batch.at_ms for batch in batches)])[order],
        value=np.concatenate([np.empty(0, np.float64), *(batch.value for batch in batches)])[order],
    )


def _blocks(file: IO[bytes]) -> Iterator[bytes]:
    """Yield the file in blocks of whole lines; of a line that grows without end only so much is kept that it is refused."""
    rest = b""
    while piece := file.read(_BLOCK):
        data = rest + piece
        cut = data.rfind(b"\n") + 1
        if cut:
            yield data[:cut]
        rest = data[cut:][: LONGEST_LINE + 1]
    if rest:
        yield rest + b"\n"


# ---------------------------------------------------------------- CSV


def _read_csv(blocks: Iterable[bytes], gathered: _Gathered, path: str | os.PathLike[str]) -> None:
    order: tuple[int, ...] | None = None
    for number, block in enumerate(blocks):
        if number == 0:
            head, _, tail = block.removeprefix(b"\xef\xbb\xbf").partition(b"\n")
            names = _names(head)
            if any(name in COLUMNS for name in names):
                order, block = _order(names, head, path), tail
                gathered.lines += 1
                if names == list(COLUMNS):
                    order = None
        if order is None:
            _read_block(block, gathered)
        else:
            _read_lines(block, gathered, partial(csv_row, order=order))


def _names(head: bytes) -> list[str]:
    return [name.strip().strip('"').lower() for name in head.decode("utf-8", "replace").strip().split(",")]


def _order(names: Sequence[str], head: bytes, path: str | os.PathLike[str]) -> tuple[int, ...]:
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise RecordingUnreadable(f"{path}:1: the header lacks {', '.join(missing)}; wanted: {HEADER}; found: {excerpt(head)}")
    return tuple(names.index(name) for name in COLUMNS)


def _read_block(block: bytes, gathered: _Gathered) -> None:
    columns = read_columns(block)
    if columns is None:
        _read_lines(block, gathered, csv_row)
        return
    first_line = gathered.lines + 1
    gathered.lines += len(columns.value)
    good = np.ones(len(columns.value), np.bool_)
    numbers = range(len(columns.keys))
    codes = np.array([_series_code(number, columns, good, gathered, first_line) for number in numbers], np.int32)
    at_lines = np.arange(first_line, first_line + len(good), dtype=np.int32)
    gathered.add(codes[columns.key][good], columns.at_ms[good], columns.value[good], at_lines[good])


def _series_code(number: int, columns: Columns, good: NDArray[np.bool_], gathered: _Gathered, first_line: int) -> int:
    """Return the code of a series, its values brought to our unit; where it is refused its rows are no longer good."""
    probe, quantity, unit = columns.keys[number]
    rows = columns.key == number
    try:
        code = gathered.code_of(probe, quantity)
        known = cast(Quantity, quantity)
        if unit != units_of(known)[0]:
            columns.value[rows] = converted(known, cast(float, columns.value[rows]), unit)
        return code
    except BadRow as error:
        good &= ~rows
        gathered.refuse(first_line + int(np.argmax(rows)), str(error), int(np.count_nonzero(rows)))
        return 0


# ---------------------------------------------------------------- JSON Lines and SenML


def _read_lines(block: bytes, gathered: _Gathered, read: Callable[[bytes], Row]) -> None:
    rows: list[tuple[int, int, float, int]] = []
    for line in block.split(b"\n")[:-1]:
        gathered.lines += 1
        if not line.strip():
            continue
        try:
            at_ms, probe, quantity, value = read(line)
            rows.append((gathered.code_of(probe, quantity), at_ms, value, gathered.lines))
        except BadRow as error:
            gathered.refuse(gathered.lines, str(error))
        except ProbeError as error:
            gathered.refuse(gathered.lines, f"{error}{OR_LEAVE_OUT}")
    if rows:
        gathered.add(*zip(*rows, strict=True))


def _read_senml(data: bytes, gathered: _Gathered) -> None:
    """Read one pack, or one pack a line. A record is named `PROBE/QUANTITY` or `PROBE:QUANTITY` when resolved."""
    first, _, _ = data.partition(b"\n")
    one_a_line = first.strip().endswith(b"]") and data.strip() != first.strip()
    packs = data.splitlines() if one_a_line else [data]
    for number, pack in enumerate(packs, start=1):
        gathered.lines += 1
        if not pack.strip():
            continue
        try:
            records = senml.resolve(json_of(pack, _LARGEST_PACK), most=len(pack))
        except ProbeError as error:
            gathered.refuse(number, str(error))
            continue
        if not records:
            gathered.refuse(number, "no record has a name and a value (n, v of SenML); write other JSON objects one a line")
        for record in records:
            try:
                at_ms, probe, quantity, value = _senml_row(record)
                gathered.add([gathered.code_of(probe, quantity)], [at_ms], [value], [number])
            except (BadRow, ProbeError) as error:
                gathered.refuse(number, f"record {record.name}: {error}")


def _senml_row(record: senml.Record) -> Row:
    cut = max(record.name.rfind("/"), record.name.rfind(":"))
    probe, quantity = record.name[:cut], record.name[cut + 1 :]
    if record.value is None or record.at_ms is None or cut < 1:
        raise BadRow(f"needs a name PROBE/QUANTITY, a number and a time{OR_LEAVE_OUT}")
    known = quantity_of(quantity)
    return record.at_ms, probe, known, converted(known, record.value, record.unit or units_of(known)[0])
