"""From foreign bytes to a JSON value or a number, with every known trap of JSON refused by a named error.

Python's parser takes NaN and Infinity, lets the last of two equal keys win, turns 1e999 into infinity, and raises
RecursionError on a hundred thousand brackets. None of that may reach the rules, and none may cost more than its size.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

from adapters.errors import ProbeGarbled, ProbeImplausible

LARGEST_PAYLOAD = 4096
DEEPEST = 16
LARGEST_INTEGER = 2**53
"""Integers beyond this are not exact in every reader (RFC 8259 section 6, RFC 7493 section 2.2)."""

_LONGEST_NUMBER = 32
_NUMBER = re.compile(r"[+-]?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,3})?", re.ASCII)


class TooLarge(ProbeGarbled):
    """More bytes than a reading can need."""

    reason = "too-large"


class NotText(ProbeGarbled):
    """Not UTF-8."""

    reason = "not-utf-8"


class NotJson(ProbeGarbled):
    """Not one JSON value (RFC 8259)."""

    reason = "not-json"


class DuplicateKey(ProbeGarbled):
    """The same key twice in one object: which one is meant cannot be known."""

    reason = "duplicate-key"


class TooDeep(ProbeGarbled):
    """Nested more deeply than `DEEPEST`."""

    reason = "too-deep"


class HugeInteger(ProbeImplausible):
    """An integer beyond +-2**53."""

    reason = "huge-integer"


class NotFinite(ProbeImplausible):
    """NaN, Infinity, or a number that overflows to it."""

    reason = "not-finite"


class NotANumber(ProbeImplausible):
    """Text, true, null or a structure where a number was agreed."""

    reason = "not-a-number"


def excerpt(data: bytes | str, longest: int = 60) -> str:
    """Return a short printable quotation of foreign text, safe in a log line and a mail."""
    text = data.decode("utf-8", "replace") if isinstance(data, bytes) else data
    shown = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text[:longest])
    return f"'{shown}'" + (f" and {len(text) - longest} more" if len(text) > longest else "")


def text_of(data: bytes, largest: int = LARGEST_PAYLOAD) -> str:
    """Return bytes as text; raises TooLarge or NotText."""
    if len(data) > largest:
        raise TooLarge(f"{len(data)} bytes; at most {largest} are taken")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise NotText(f"byte {data[error.start]:#04x} at {error.start} is not UTF-8 text: {excerpt(data)}") from error


def json_of(data: bytes | str, largest: int = LARGEST_PAYLOAD) -> Any:
    """Return the one JSON value in `data`; raises a named ProbeError."""
    text = data if isinstance(data, str) else text_of(data, largest)
    if len(text) > largest:
        raise TooLarge(f"{len(text)} characters; at most {largest} are taken")
    _refuse_depth(text)
    try:
        return _DECODER.decode(text)
    except (TooDeep, DuplicateKey, HugeInteger, NotFinite):
        raise
    except RecursionError as error:
        raise TooDeep(f"nested too deeply: {excerpt(text)}") from error
    except ValueError as error:
        raise NotJson(f"not JSON ({error}): {excerpt(text)}") from error


def number_of(value: Any) -> float:
    """Return a JSON number as a finite float; raises NotANumber, NotFinite or HugeInteger. A string is not a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise NotANumber(f"{excerpt(str(value))} is not a number")
    if isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        raise HugeInteger("an integer beyond 2^53")
    return _finite(float(value), str(value))


_COMMA = re.compile(r"[-+]?\d+,\d+")


def number_in(text: str) -> float:
    """Return the decimal number that `text` is, blanks around it allowed; raises NotANumber or NotFinite."""
    bare = text.strip(" \t\r\n")
    if len(bare) > _LONGEST_NUMBER or _NUMBER.fullmatch(bare) is None:
        remedy = "; write its decimal comma as a point; of a serial-text probe set decimal_comma = true"
        comma = remedy if _COMMA.fullmatch(bare) else ""
        raise NotANumber(f"{excerpt(text)} is not a decimal number{comma}")
    return _finite(float(bare), bare)


def _finite(value: float, shown: str) -> float:
    if not math.isfinite(value):
        raise NotFinite(f"{excerpt(shown)} is not a finite number")
    return value


def _refuse_depth(text: str) -> None:
    # Brackets inside strings are counted too: a reading has no use for sixteen of them either way.
    depth = deepest = 0
    for bracket in re.finditer(r"[\[\]{}]", text):
        depth += 1 if bracket[0] in "[{" else -1
        deepest = max(deepest, depth)
    if deepest > DEEPEST:
        raise TooDeep(f"nested {deepest} deep; at most {DEEPEST} levels are taken")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    taken = dict(pairs)
    if len(taken) != len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
        raise DuplicateKey(f"the key {excerpt(twice)} stands twice in one object")
    return taken


def _constant(name: str) -> NoReturn:
    raise NotFinite(f"{name} is not a number that JSON knows")


def _integer(digits: str) -> int:
    if len(digits) > 17 or abs(int(digits)) > LARGEST_INTEGER:
        raise HugeInteger(f"the integer {excerpt(digits, 20)} is beyond 2^53")
    return int(digits)


def _float(digits: str) -> float:
    return _finite(float(digits), digits)


_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_constant=_constant, parse_int=_integer, parse_float=_float
)
