"""Reads many plain CSV rows `time,probe,quantity,value,unit` at once: whole columns of bytes, no row in Python.

A row takes the fast way if it has exactly four commas, no quotation mark, no zero byte, a time `YYYY-MM-DDTHH:MM:SS` with or
without three decimals and with `Z` or an offset, and a plain decimal number of at most 15 digits. Every other row is only
pointed out, so that the slow way can read or refuse it; the fast way never guesses. Bytes are handled eight at a time as
64-bit words (first byte lowest).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

PAD = 32
"""Zero bytes that must stand before and after the rows, so that whole words can be read at the ends."""

_FIRST_YEAR, _LAST_YEAR = 1970, 2199
_MONTH_STARTS = (
    np.arange(f"{_FIRST_YEAR}-01", f"{_LAST_YEAR + 1}-02", dtype="datetime64[M]").astype("datetime64[D]").astype(np.int64)
)
_KEEP = np.array([(1 << 8 * count) - 1 for count in range(9)], np.uint64)
_TENS = 10.0 ** np.arange(17)
_LONGEST_NUMBER = 16


def _word(text: str) -> np.uint64:
    return np.uint64(int.from_bytes(text.encode("latin-1"), "little"))


@dataclass(frozen=True, slots=True)
class Columns:
    """What the rows of one block say. Only where `good` the other columns hold; `key` numbers the distinct series texts."""

    begin: Indices
    end: Indices
    good: Mask
    at_ms: Indices
    value: NDArray[np.float64]
    key: NDArray[np.int64]
    keys: tuple[bytes, ...]


class _Block:
    """A block of bytes, read as unaligned words."""

    def __init__(self, block: bytes) -> None:
        self.bytes = np.frombuffer(block, np.uint8)
        self._aligned = np.frombuffer(block, "<u8", len(block) // 8)

    def words(self, at: Indices, count: int = 1) -> list[Words]:
        """Return the eight bytes from each position, the eight after them, and so on; beyond the end the last ones."""
        index, last = at >> 3, len(self._aligned) - 1
        shift = ((at & 7) << 3).astype(np.uint64)
        back = np.uint64(64) - shift
        aligned = [self._aligned[np.minimum(index + step, last)] for step in range(count + 1)]
        return [(low >> shift) | (high << back) for low, high in pairwise(aligned)]


def read_columns(block: bytes) -> Columns:
    """Return the columns of the rows in `block`, padded by `PAD` zero bytes at both ends; every row ends with LF."""
    view = _Block(block)
    inner = view.bytes[PAD : len(view.bytes) - PAD]
    separators = np.flatnonzero((inner == 44) | (inner == 10)) + PAD
    ends_at = np.flatnonzero(view.bytes[separators] == 10)
    end = separators[ends_at]
    begin = np.concatenate(([PAD], end[:-1] + 1)) if len(end) else end
    good = np.diff(ends_at, prepend=-1) == 5
    # Rows without four commas are given some commas anyway; what comes out for them is masked away.
    commas = [separators[np.maximum(ends_at - back, 0)] for back in (4, 3, 2, 1)]
    stop = end - (view.bytes[end - 1] == 13)
    at_ms, timely = _times(view, begin, commas[0])
    value, numeric = _numbers(view, commas[2] + 1, commas[3])
    good &= timely & numeric & (commas[3] < stop)
    if b'"' in block or block.find(0, PAD, len(block) - PAD - 8) >= 0:
        good &= ~_odd(inner, begin, end)
    key, keys = _series(view, commas, stop, good)
    return Columns(begin, end, good, at_ms, value, key, keys)


def _odd(inner: NDArray[np.uint8], begin: Indices, end: Indices) -> Mask:
    """Return which rows hold a quotation mark, or a zero byte, which could not be told from what pads a word."""
    marks = np.flatnonzero((inner == 34) | (inner == 0)) + PAD
    odd = np.zeros(len(begin), np.bool_)
    rows = np.searchsorted(end, marks)
    odd[rows[rows < len(end)]] = True
    return odd


# ---------------------------------------------------------------- time


def _pairs(words: Words) -> Words:
    """Return words whose byte k is the two-digit number made of the digits at k and k + 1."""
    digits = words & np.uint64(0x0F0F0F0F0F0F0F0F)
    return digits * np.uint64(10) + (digits >> np.uint64(8))


def _byte(words: Words, index: int) -> Indices:
    return ((words >> np.uint64(8 * index)) & np.uint64(0xFF)).astype(np.int64)


def _like(words: Words, form: str) -> Mask:
    """Return where the words begin with the form: `0` stands for any digit, everything else for itself."""
    form = form.ljust(8, "?")
    digit = _word("".join("\xff" if char == "0" else "\0" for char in form))
    same = _word("".join("\0" if char in "0?" else "\xff" for char in form))
    fixed = _word("".join("\0" if char in "0?" else char for char in form))
    high, six = np.uint64(0xF0F0F0F0F0F0F0F0), np.uint64(0x0606060606060606)
    threes = digit & np.uint64(0x3030303030303030)
    is_digit = ((words & digit & high) == threes) & (((words & digit) + (six & digit)) & high == threes)
    alike: Mask = is_digit & ((words & same) == fixed)
    return alike


def _times(view: _Block, begin: Indices, stop: Indices) -> tuple[Indices, Mask]:
    date, clock, tail = view.words(begin, 3)
    rest = (clock >> np.uint64(32)) | (tail << np.uint64(32))
    good = (stop - begin >= 20) & _like(date, "0000-00-") & _like(clock, "00T00:00") & _like(rest, "0:00:00")
    years, days, seconds = _pairs(date), _pairs(clock), _pairs(rest)
    year = _byte(years, 0) * 100 + _byte(years, 2)
    month, day = _byte(years, 5), _byte(days, 0)
    hour, minute, second = _byte(days, 3), _byte(days, 6), _byte(seconds, 5)
    good &= (year >= _FIRST_YEAR) & (year <= _LAST_YEAR) & (month >= 1) & (month <= 12)
    index = np.where(good, (year - _FIRST_YEAR) * 12 + month - 1, 0)
    first = _MONTH_STARTS[index]
    good &= (day >= 1) & (day <= _MONTH_STARTS[index + 1] - first) & (hour < 24) & (minute < 60) & (second < 60)
    at_ms = (((first + day - 1) * 24 + hour) * 60 + minute) * 60_000 + second * 1000
    plain = (stop - begin == 20) & (_byte(rest, 7) == 90)
    others = np.flatnonzero(good & ~plain)
    if len(others):
        shift_ms, known = _fractions_and_offsets(view, begin[others] + 19, stop[others])
        at_ms[others] += shift_ms
        good[others] = known & (at_ms[others] >= 0)
    return at_ms, good


def _fractions_and_offsets(view: _Block, begin: Indices, stop: Indices) -> tuple[Indices, Mask]:
    """Return what `.123` and `Z`, `+01:00` or `-01:00` after the seconds add, and where the text is one of these."""
    (tail,) = view.words(begin)
    fraction = _like(tail, ".000")
    pairs = _pairs(tail)
    fraction_ms = np.where(fraction, _byte(pairs, 1) * 10 + (_byte(tail, 3) & 15), 0)
    zone_at = begin + 4 * fraction
    (zone,) = view.words(zone_at)
    hours, minutes = _byte(_pairs(zone), 1), _byte(_pairs(zone), 4)
    sign = np.where(_byte(zone, 0) == 43, -1, 1)  # east of Greenwich (+) is later on the clock
    utc = (_byte(zone, 0) == 90) & (stop - zone_at == 1)
    offset = (_like(zone, "+00:00") | _like(zone, "-00:00")) & (stop - zone_at == 6) & (hours < 24) & (minutes < 60)
    return fraction_ms + np.where(offset, sign * (hours * 60 + minutes) * 60_000, 0), utc | offset


# ---------------------------------------------------------------- number


def _numbers(view: _Block, begin: Indices, stop: Indices) -> tuple[NDArray[np.float64], Mask]:
    negative = view.bytes[begin] == 45
    length, begin = stop - begin, begin + negative
    mantissa, decimals, good = _short_numbers(view.words(stop - 8)[0], stop - begin)
    others = np.flatnonzero((stop - begin > 8) & (length <= _LONGEST_NUMBER))
    if len(others):
        mantissa[others], decimals[others], good[others] = _long_numbers(view, begin[others], stop[others])
    # Both are exact, so the quotient is the nearest double: the same as float(text).
    value = mantissa / _TENS[decimals]
    return np.where(negative, -value, value), good


def _short_numbers(text: Words, length: Indices) -> tuple[Indices, Indices, Mask]:
    """Return the digits as one number, how many stand after the point, and where the last `length` characters are a number.

    The last character is in the highest byte; what stands before the number is made zeros. Then the digits before the point
    move up by one byte, over the point, and the eight digits are summed by pairs.
    """
    before = _KEEP[np.clip(8 - length, 0, 8)]
    text = (text & ~before) | (_word("00000000") & before)
    unlike = text ^ _word("........")
    points = (unlike - _word("\1" * 8)) & ~unlike & _word("\x80" * 8)
    point = points & (~points + np.uint64(1))  # the lowest one; a second point is no digit and is found below
    left = (point >> np.uint64(7)) - np.uint64(1)
    right = ~((left << np.uint64(8)) | np.uint64(0xFF))
    pointed = point != 0
    digits = np.where(pointed, (text & right) | ((text & left) << np.uint64(8)) | np.uint64(48), text)
    decimals = np.where(pointed, np.bitwise_count(right) >> 3, 0).astype(np.int64)
    good = (length <= 8) & (length - pointed >= 1) & _like(digits, "00000000")
    pairs = _pairs(digits) & np.uint64(0x00FF00FF00FF00FF)
    fours = (pairs * np.uint64(100) + (pairs >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    return ((fours * np.uint64(10_000) + (fours >> np.uint64(32))) & np.uint64(0xFFFFFFFF)).astype(np.int64), decimals, good


def _long_numbers(view: _Block, begin: Indices, stop: Indices) -> tuple[Indices, Indices, Mask]:
    """Return the same as `_short_numbers` for more than eight characters, one character after the other from the last."""
    length = stop - begin
    mantissa, decimals, dots = np.zeros((3, len(begin)), np.int64)
    scale = np.ones(len(begin), np.int64)
    good = np.ones(len(begin), np.bool_)
    for back in range(int(length.max())):
        char = view.bytes[stop - back - 1].astype(np.int64)
        inside = back < length
        dot = inside & (char == 46)
        digit = inside & (char >= 48) & (char <= 57)
        good &= ~inside | dot | digit
        decimals = np.where(dot, back, decimals)
        dots += dot
        mantissa += np.where(digit, char - 48, 0) * scale
        scale = np.where(digit, scale * 10, scale)
    return mantissa, decimals, good & (dots <= 1) & (length - dots <= 15)


# ---------------------------------------------------------------- series


def _series(view: _Block, commas: list[Indices], stop: Indices, good: Mask) -> tuple[Indices, tuple[bytes, ...]]:
    """Number the distinct texts `probe,quantity` + `unit`; each by a hash of its words, which are then compared in full."""
    parts = _masked_words(view, commas[0] + 1, commas[2], good) + _masked_words(view, commas[3] + 1, stop, good)
    mixed = np.zeros(len(stop), np.uint64)
    for words in parts:
        mixed = (mixed ^ words) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    rows = np.flatnonzero(good)
    if not len(rows):
        return np.zeros(len(stop), np.int64), ()
    hashes, first = _distinct(mixed[rows])
    key = np.searchsorted(hashes, mixed)
    key = np.where(good, np.minimum(key, len(hashes) - 1), 0)
    example = rows[first]
    for words in parts:
        good &= words == words[example][key]
    texts = tuple(
        view.bytes[commas[0][row] + 1 : commas[2][row]].tobytes() + b"," + view.bytes[commas[3][row] + 1 : stop[row]].tobytes()
        for row in example
    )
    return key, texts


def _distinct(hashes: Words) -> tuple[Words, Indices]:
    """Return the sorted distinct hashes and the first row of each, without sorting all where there are few."""
    found: list[tuple[int, int]] = []
    left = np.arange(len(hashes))
    while len(left) and len(found) < 64:
        one = hashes[left[0]]
        found.append((int(one), int(left[0])))
        left = left[hashes[left] != one]
    if len(left):
        distinct, first = np.unique(hashes, return_index=True)
        return distinct, first
    found.sort()
    return np.array([one for one, _ in found], np.uint64), np.array([row for _, row in found], np.int64)


def _masked_words(view: _Block, begin: Indices, stop: Indices, good: Mask) -> list[Words]:
    length = np.where(good, stop - begin, 0)
    good &= length <= 128
    count = -(-min(int(length.max(initial=0)), 128) // 8)
    return [words & _KEEP[np.clip(length - 8 * place, 0, 8)] for place, words in enumerate(view.words(begin, count))]
