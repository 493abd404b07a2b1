"""One recorded reading from its text: a CSV row `time,probe,quantity,value,unit` or a JSON object with the same keys.

What cannot be read is refused with what was found, what is allowed and what to do.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from adapters.errors import ProbeImplausible
from adapters.payload import excerpt, json_of, number_in, number_of
from rules.terms.quantities import QUANTITIES, Quantity, in_our_unit

COLUMNS = ("time", "probe", "quantity", "value", "unit")
HEADER = ",".join(COLUMNS)
LONGEST_LINE = 1 << 16
OR_LEAVE_OUT = "; correct it, or leave the row out"

Row = tuple[int, str, Quantity, float]
"""Instant, probe, quantity, and value in our unit."""


class BadRow(ValueError):
    """One line cannot be read; the text says why."""


def row_of(line: bytes) -> Row:
    """Return the reading in one line, CSV in the usual order or a JSON object; raises BadRow or a ProbeError."""
    return json_row(line) if line.lstrip()[:1] == b"{" else csv_row(line)


def csv_row(line: bytes, order: tuple[int, ...] | None = None) -> Row:
    """Return the reading in a CSV row; `order`: in which of its columns time, probe, quantity, value and unit stand, None: in
    the first five, and there are no others. Raises BadRow."""
    if len(line) > LONGEST_LINE:
        begin = excerpt(line[:40])
        raise BadRow(f"longer than {LONGEST_LINE} bytes, which no row of readings is; it begins {begin}; leave it out")
    if b"\0" in line:
        raise BadRow(f"zero bytes were written instead, as by a power cut: {excerpt(line)}; leave the row out")
    if b"\r" in line.rstrip(b"\r"):
        raise BadRow(f"a line end that is CR alone: {excerpt(line)}; save the file with line feeds")
    try:
        cells = next(csv.reader([line.decode("utf-8")], strict=True), [])
    except UnicodeDecodeError as error:
        raise BadRow(f"not CSV in UTF-8: {excerpt(line)}; save the file as text in UTF-8") from error
    except csv.Error as error:
        raise BadRow(f"a quotation mark is not closed, or stands in a cell: {excerpt(line)}; leave such marks out") from error
    if set(COLUMNS) <= {cell.strip().lower() for cell in cells}:
        raise BadRow(f"the header once more: {excerpt(line)}; leave it out, and join only files of one order of columns")
    wanted = max(order) + 1 if order else 5
    if len(cells) < wanted or (order is None and len(cells) != 5):
        count = f"{len(cells)} column{'s' * (len(cells) != 1)}"
        raise BadRow(f"{count}; wanted: {HEADER}; found: {excerpt(line)}; {_columns_remedy(line, len(cells))}")
    time_text, probe, quantity, value, unit = (cells[index].strip() for index in order or range(5))
    return _row(time_text, probe, quantity, _value(value), unit)


def _columns_remedy(line: bytes, columns: int) -> str:
    """Return what to do about a line of so many columns, by its most common cause."""
    if line.count(b";") >= 3:
        return "put commas for its semicolons, and points for decimal commas"
    if line.count(b"\t") >= 3:
        return "put commas for its TABs"
    if columns == 6:
        return "write a decimal comma as a point (21.5), or leave the sixth column out"
    return "give each value its unit, such as Cel or %RH" if columns == 4 else "leave out what is no reading, or was torn"


def _value(text: str) -> float:
    if not text:
        raise BadRow("no value stands there; leave out the row of a reading that failed")
    try:
        return number_in(text)
    except ProbeImplausible as error:
        raise BadRow(f"{error}; write it like 21.5, or leave out the row of a reading that failed") from error


def _row(time_text: Any, probe: Any, quantity: Any, value: float, unit: Any) -> Row:
    if not isinstance(probe, str) or not isinstance(quantity, str) or not isinstance(unit, str):
        raise BadRow(f"probe, quantity and unit must be text{OR_LEAVE_OUT}")
    known = quantity_of(quantity)
    return instant_ms(time_text), probe, known, converted(known, value, unit)


def quantity_of(text: str) -> Quantity:
    """Return the quantity of this name; raises BadRow."""
    if text not in QUANTITIES:
        raise BadRow(f"unknown quantity {excerpt(text, 30)}; allowed: {', '.join(QUANTITIES)}{OR_LEAVE_OUT}")
    return text


def converted(quantity: Quantity, value: float, unit: str) -> float:
    """Return a value in our unit; raises BadRow."""
    try:
        return in_our_unit(quantity, value, unit)
    except ValueError as error:
        raise BadRow(f"{error}; write the unit in which it was measured") from error


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
        remedy = next((told for form, told in _TIME_REMEDIES if form.match(str(text))), OR_LEAVE_OUT)
        raise BadRow(f"{excerpt(str(text), 40)} is no RFC 3339 time, such as 2026-03-01T06:30:00Z{remedy}") from error
    if moment.tzinfo is None:
        raise BadRow(f"the time {excerpt(str(text), 40)} says no offset from UTC; add Z or +01:00")
    if moment.year < 1970:
        raise BadRow(f"the time {excerpt(str(text), 40)} lies before 1970{OR_LEAVE_OUT}")
    if moment.year > LAST_YEAR:
        raise BadRow(f"the time {excerpt(str(text), 40)} lies after {LAST_YEAR}{OR_LEAVE_OUT}")
    return round(moment.timestamp() * 1000)


def json_row(line: bytes) -> Row:
    """Return the reading in one line of JSON; raises BadRow or a named ProbeError."""
    entry = json_of(line)
    if not isinstance(entry, dict):
        raise BadRow(f"not a JSON object: {excerpt(line)}{OR_LEAVE_OUT}")
    return reading_of(entry)


def reading_of(entry: Mapping[str, Any]) -> Row:
    """Return the reading that a JSON object holds; raises BadRow or a named ProbeError."""
    missing = [name for name in COLUMNS if name not in entry]
    if missing:
        raise BadRow(f"lacks {', '.join(missing)}; wanted: {HEADER}{OR_LEAVE_OUT}")
    return _row(entry["time"], entry["probe"], entry["quantity"], number_of(entry["value"]), entry["unit"])
