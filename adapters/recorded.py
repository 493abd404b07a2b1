"""Recorded readings from a file: CSV `time,probe,quantity,value,unit`, JSON Lines with the same keys, or SenML.

The whole file becomes one batch, ordered by time. A line that cannot be read is counted and named, never fatal: a year of
readings with one torn line is still a year.
"""

from __future__ import annotations

import csv
import os
import re
import stat
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from adapters import senml
from adapters.columnar_csv import Columns, read_columns
from adapters.errors import ProbeError
from adapters.foreign_file import what_else
from adapters.payload import excerpt, json_of, number_in, number_of
from rules.terms.events import Batch
from rules.terms.quantities import QUANTITIES, Quantity, in_our_unit, units_of

Form = Literal["csv", "json-lines", "senml"]
COLUMNS = ("time", "probe", "quantity", "value", "unit")
MOST_BAD_NAMED = 20

_BLOCK = 1 << 19
"""Bytes read at once: the columns of so many rows stay in the processor's cache."""
_LONGEST_LINE = 1 << 16
_LARGEST_PACK = 1 << 28
_HEADER = ",".join(COLUMNS)


class RecordingUnreadable(Exception):
    """The file cannot be opened or is in none of the three forms."""


class BadRow(ValueError):
    """One line cannot be read; the text says why."""


@dataclass(frozen=True, slots=True)
class BadLine:
    """Where a line was refused and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class Recording:
    """What a file holds: its readings as one batch, how many lines were bad, and the first of these by number."""

    batch: Batch
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
    lines: int = 0
    bad_count: int = 0
    bad: list[BadLine] = field(default_factory=list)

    def code_of(self, probe: str, quantity: str) -> int:
        """Return the number of a series; raises BadRow where it is not known."""
        if quantity not in QUANTITIES:
            raise BadRow(f"unknown quantity {excerpt(quantity, 30)}; allowed: {', '.join(QUANTITIES)}")
        if self.probes is not None and probe not in self.probes:
            raise BadRow(f"unknown probe {excerpt(probe, 64)}")
        if not probe:
            raise BadRow("the probe has no name")
        return self.series.setdefault((probe, quantity), len(self.series))

    def refuse(self, line: int, reason: str, count: int = 1) -> None:
        """Count bad lines and keep the first few."""
        self.bad_count += count
        if len(self.bad) < MOST_BAD_NAMED:
            self.bad.append(BadLine(line, reason))

    def add(self, codes: Any, times: Any, values: Any) -> None:
        """Keep some readings."""
        self.codes.append(np.asarray(codes, np.int32))
        self.times.append(np.asarray(times, np.int64))
        self.values.append(np.asarray(values, np.float64))

    def recording(self) -> Recording:
        """Return everything, ordered by time; readings of one instant stay in the file's order."""
        codes = np.concatenate([np.empty(0, np.int32), *self.codes])
        times = np.concatenate([np.empty(0, np.int64), *self.times])
        values = np.concatenate([np.empty(0, np.float64), *self.values])
        if len(times) and bool((times[1:] < times[:-1]).any()):
            order = np.argsort(times, kind="stable")
            codes, times, values = codes[order], times[order], values[order]
        batch = Batch(tuple(self.series), codes, times, times, values)
        bad = tuple(sorted(self.bad, key=lambda one: one.line))
        return Recording(batch, self.lines, self.bad_count, bad)


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
                _read_csv(_blocks(iter(lambda: file.read(_BLOCK), b"")), gathered, path)
            elif form == "json-lines":
                _read_lines(file, gathered, _json_row)
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


# ---------------------------------------------------------------- CSV


def _blocks(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Cut a stream into blocks of whole lines; a line that grows without end is cut too and refused by its reader."""
    rest = b""
    for piece in pieces:
        data = rest + piece
        cut = data.rfind(b"\n") + 1
        if not cut and len(data) > _LONGEST_LINE:
            data, cut = data + b"\n", len(data) + 1
        if cut:
            yield data[:cut]
        rest = data[cut:]
    if rest:
        yield rest + b"\n"


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
            _read_lines(block.splitlines(), gathered, partial(_csv_row, order=order))


def _names(head: bytes) -> list[str]:
    return [name.strip().strip('"').lower() for name in head.decode("utf-8", "replace").strip().split(",")]


def _order(names: Sequence[str], head: bytes, path: str | os.PathLike[str]) -> tuple[int, ...]:
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise RecordingUnreadable(f"{path}:1: the header lacks {', '.join(missing)}; wanted: {_HEADER}; found: {excerpt(head)}")
    return tuple(names.index(name) for name in COLUMNS)


def _read_block(block: bytes, gathered: _Gathered) -> None:
    columns = read_columns(block)
    if columns is None:
        _read_lines(block.removesuffix(b"\n").split(b"\n"), gathered, _csv_row)
        return
    first_line = gathered.lines + 1
    gathered.lines += len(columns.value)
    good = np.ones(len(columns.value), np.bool_)
    numbers = range(len(columns.keys))
    codes = np.array([_series_code(number, columns, good, gathered, first_line) for number in numbers], np.int32)
    gathered.add(codes[columns.key][good], columns.at_ms[good], columns.value[good])


def _series_code(number: int, columns: Columns, good: NDArray[np.bool_], gathered: _Gathered, first_line: int) -> int:
    """Return the code of a series, its values brought to our unit; where it is refused its rows are no longer good."""
    probe, quantity, unit = columns.keys[number]
    rows = columns.key == number
    try:
        code = gathered.code_of(probe, quantity)
        known = cast(Quantity, quantity)
        if unit != units_of(known)[0]:
            columns.value[rows] = in_our_unit(known, cast(float, columns.value[rows]), unit)
        return code
    except ValueError as error:
        good &= ~rows
        gathered.refuse(first_line + int(np.argmax(rows)), str(error), int(np.count_nonzero(rows)))
        return 0


Row = tuple[int, str, Quantity, float]
"""Instant, probe, quantity, and value in our unit."""


def row_of(line: bytes) -> Row:
    """Return the reading in one line, CSV in the usual order or a JSON object; raises BadRow or a ProbeError."""
    return _json_row(line) if line.lstrip()[:1] == b"{" else _csv_row(line)


def _csv_row(line: bytes, order: tuple[int, ...] | None = None) -> Row:
    if len(line) > _LONGEST_LINE:
        raise BadRow(f"longer than {_LONGEST_LINE} bytes")
    try:
        cells = next(csv.reader([line.decode("utf-8")], strict=True), [])
    except (UnicodeDecodeError, csv.Error) as error:
        raise BadRow(f"not CSV in UTF-8: {excerpt(line)}; save the file as text in UTF-8") from error
    wanted = max(order) + 1 if order else 5
    if len(cells) < wanted or (order is None and len(cells) != 5):
        raise BadRow(f"{len(cells)} columns; wanted: {_HEADER}; found: {excerpt(line)}{_columns_remedy(line, len(cells))}")
    time_text, probe, quantity, value, unit = (cells[index].strip() for index in order or range(5))
    return _row(time_text, probe, quantity, number_in(value), unit)


def _columns_remedy(line: bytes, columns: int) -> str:
    """Return what to do about a line of so many columns, where its cause is a common one."""
    if b"\0" in line:
        return "; zero bytes were written instead, as by a power cut"
    if line.count(b";") >= 3:
        return "; put commas for its semicolons, and points for decimal commas"
    if line.count(b"\t") >= 3:
        return "; put commas for its TABs"
    if columns == 6:
        return "; write a decimal comma as a point (21.5), or leave the sixth column out"
    return "; give each value its unit, such as Cel or %RH" if columns == 4 else ""


def _row(time_text: Any, probe: Any, quantity: Any, value: float, unit: Any) -> Row:
    if not isinstance(probe, str) or not isinstance(quantity, str) or not isinstance(unit, str):
        raise BadRow("probe, quantity and unit must be text")
    if quantity not in QUANTITIES:
        raise BadRow(f"unknown quantity {excerpt(quantity, 30)}; allowed: {', '.join(QUANTITIES)}")
    try:
        converted = in_our_unit(quantity, value, unit)
    except ValueError as error:
        raise BadRow(str(error)) from error
    return instant_ms(time_text), probe, quantity, converted


_TIME_REMEDIES = (
    (re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2}"), "; write the year first, then the month"),
    (re.compile(r"\d{5}([.,]\d*)?$"), "; it looks like a spreadsheet's number for a day: give its cells the form of a time"),
    (re.compile(r"(\d{10}([.,]\d*)?|\d{13})$"), "; it looks like seconds or milliseconds since 1970: write them as a time"),
)


LAST_YEAR = 2199
"""What is written of later years is a slip, or stands for "never"; a day beyond 9999 no calendar has. Judgement."""


def instant_ms(text: Any) -> int:
    """Return an RFC 3339 time in milliseconds; raises BadRow."""
    try:
        moment = datetime.fromisoformat(text)
    except (TypeError, ValueError) as error:
        remedy = next((told for form, told in _TIME_REMEDIES if form.match(str(text))), "")
        raise BadRow(f"{excerpt(str(text), 40)} is no RFC 3339 time, such as 2026-03-01T06:30:00Z{remedy}") from error
    if moment.tzinfo is None:
        raise BadRow(f"the time {excerpt(str(text), 40)} says no offset from UTC; add Z or +01:00")
    if moment.year < 1970:
        raise BadRow(f"the time {excerpt(str(text), 40)} lies before 1970")
    if moment.year > LAST_YEAR:
        raise BadRow(f"the time {excerpt(str(text), 40)} lies after {LAST_YEAR}")
    return round(moment.timestamp() * 1000)


# ---------------------------------------------------------------- JSON Lines and SenML


def _read_lines(lines: Iterable[bytes], gathered: _Gathered, read: Any) -> None:
    rows: list[tuple[int, int, float]] = []
    for line in lines:
        gathered.lines += 1
        if not line.strip():
            continue
        try:
            at_ms, probe, quantity, value = read(line)
            rows.append((gathered.code_of(probe, quantity), at_ms, value))
        except (BadRow, ProbeError) as error:
            gathered.refuse(gathered.lines, str(error))
    if rows:
        gathered.add(*zip(*rows, strict=True))


def _json_row(line: bytes) -> Row:
    entry = json_of(line)
    if not isinstance(entry, dict):
        raise BadRow(f"not a JSON object: {excerpt(line)}")
    return reading_of(entry)


def reading_of(entry: Mapping[str, Any]) -> Row:
    """Return the reading that a JSON object holds; raises BadRow or a named ProbeError."""
    missing = [name for name in COLUMNS if name not in entry]
    if missing:
        raise BadRow(f"lacks {', '.join(missing)}; wanted: {_HEADER}")
    return _row(entry["time"], entry["probe"], entry["quantity"], number_of(entry["value"]), entry["unit"])


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
                gathered.add([gathered.code_of(probe, quantity)], [at_ms], [value])
            except (BadRow, ProbeError) as error:
                gathered.refuse(number, f"record {record.name}: {error}")


def _senml_row(record: senml.Record) -> Row:
    cut = max(record.name.rfind("/"), record.name.rfind(":"))
    probe, quantity = record.name[:cut], record.name[cut + 1 :]
    if record.value is None or record.at_ms is None or cut < 1:
        raise BadRow("needs a name PROBE/QUANTITY, a number and a time")
    if quantity not in QUANTITIES:
        raise BadRow(f"unknown quantity {excerpt(quantity, 30)}; allowed: {', '.join(QUANTITIES)}")
    try:
        return record.at_ms, probe, quantity, in_our_unit(quantity, record.value, record.unit or units_of(quantity)[0])
    except ValueError as error:
        raise BadRow(str(error)) from error
