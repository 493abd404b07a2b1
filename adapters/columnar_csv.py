"""Reads a block of plain CSV rows `time,probe,quantity,value,unit` at once, by numpy's own reader in C.

A block is plain when all its rows have five short cells without quotation marks, a time `YYYY-MM-DDTHH:MM:SS` with or without
three decimals and with `Z` or an offset, and a finite number. Any other block is left to the slow way, which reads or refuses
each row; the fast way never guesses.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from io import BytesIO

import numpy as np
from numpy.typing import NDArray

from adapters.recorded_row import LAST_YEAR

_CELLS = {"time": 30, "probe": 40, "quantity": 24, "value": 8, "unit": 8}  # bytes; a cell that fills its place may be cut
_OFFSETS = {"time": 0, "probe": 32, "quantity": 72, "unit": 96, "value": 104}
_SERIES = slice(32 // 8, 104 // 8)  # probe, quantity and unit, as words of eight bytes
_ROW = np.dtype({
    "names": list(_CELLS),
    "formats": ["f8" if name == "value" else f"S{size}" for name, size in _CELLS.items()],
    "offsets": [_OFFSETS[name] for name in _CELLS],
    "itemsize": 112,
})
_MIX = np.cumprod(np.full(9, 0x9E3779B97F4A7C15, np.uint64))  # odd, and no two alike: powers of Fibonacci hashing's multiplier
_TAIL = re.compile(rb"(?:\.([0-9]{3}))?(?:Z|([+-])([01][0-9]|2[0-3]):([0-5][0-9]))")
_FORM = np.frombuffer(b"0000-00-00T00:00:00", np.uint8)
_ABOVE = np.where(ord("0") == _FORM, 9, 0).astype(np.uint8)  # a digit may lie so far above the form's letter
_SECONDS = len(_FORM)
_LATE_S = int(np.datetime64(f"{LAST_YEAR + 1}-01-01", "s").astype(np.int64))


@dataclass(frozen=True, slots=True)
class Columns:
    """What the rows of one block say; `key` numbers the series texts `probe,quantity,unit`, blanks around them taken off."""

    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    key: NDArray[np.intp]
    keys: tuple[tuple[str, str, str], ...]


def read_columns(block: bytes) -> Columns | None:
    """Return the columns of all rows of a block, every one ending with LF; None where not all are plain."""
    if b'"' in block or b"\0" in block:
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # an empty block
            rows = np.loadtxt(BytesIO(block), _ROW, delimiter=",", comments=None, encoding="ascii", ndmin=1)
        times, row_of = _runs(rows["time"])
        at_ms = _instants(times)
    except (ValueError, UserWarning):
        return None
    value = np.ascontiguousarray(rows["value"])
    if at_ms is None or len(rows) != block.count(b"\n") or not np.isfinite(value).all():
        return None
    words = rows.view(np.uint64).reshape(len(rows), -1)[:, _SERIES]
    mixed = words @ _MIX
    _, first, key = np.unique(mixed, return_index=True, return_inverse=True)
    if not (words == words[first][key]).all() or any(_filled(rows[first], name) for name in ("probe", "quantity", "unit")):
        return None
    keys = [tuple(one[name].decode().strip() for name in ("probe", "quantity", "unit")) for one in rows[first]]
    return Columns(at_ms[row_of], value, key, tuple((probe, quantity, unit) for probe, quantity, unit in keys))


def _runs(texts: NDArray[np.bytes_]) -> tuple[NDArray[np.bytes_], NDArray[np.intp]]:
    """Return each text that is not that of the row before it, and by row which of these it has."""
    begins = np.concatenate(([True], texts[1:] != texts[:-1]))
    return texts[begins], np.cumsum(begins) - 1


def _filled(rows: NDArray[np.void], name: str) -> bool:
    """Return whether a cell fills its place, and so may have been cut."""
    return any(len(cell) >= _CELLS[name] for cell in rows[name])


def _instants(texts: NDArray[np.bytes_]) -> NDArray[np.int64] | None:
    """Return the instants, ms since 1970 UTC; None where one is not of the plain form. Raises ValueError for a 30 February."""
    letters = np.ascontiguousarray(texts).view(np.uint8).reshape(len(texts), -1)
    clock = letters[:, :_SECONDS]
    if not (clock - _FORM <= _ABOVE).all():
        return None
    seconds = np.ascontiguousarray(clock).view(f"S{_SECONDS}").ravel().astype("datetime64[s]").astype(np.int64)
    tails = np.ascontiguousarray(letters[:, _SECONDS:]).view(f"S{letters.shape[1] - _SECONDS}").ravel()
    same = bool((tails == tails[0]).all())
    distinct, which = (tails[:1], np.zeros(len(tails), np.intp)) if same else np.unique(tails, return_inverse=True)
    shifts = [_shift_ms(tail) for tail in distinct.tolist()]
    if None in shifts or bool(((seconds < 86_400) | (seconds >= _LATE_S)).any()):
        return None  # a year that the slow way refuses, or a day that an offset may move out of one it takes
    return 1000 * seconds + np.array(shifts, np.int64)[which]


def _shift_ms(tail: bytes) -> int | None:
    """Return what `.123`, `Z`, `+01:00` after the seconds add; east of Greenwich (+) is later on the clock."""
    match = _TAIL.fullmatch(tail)
    if match is None:
        return None
    fraction, sign, hours, minutes = match.groups()
    offset = (int(hours) * 60 + int(minutes)) * 60_000 if sign else 0
    return int(fraction or 0) + (-offset if sign == b"+" else offset)
