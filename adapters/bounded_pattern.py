"""Accepts only regular expressions whose work on a short line is bounded, so that no line can stall a probe.

Python's `re` backtracks: `(a+)+b` takes 2^n steps on n letters. A pattern is therefore walked when the config is read.
Refused are repeats within repeats, back-references, look-around, and more than three variable repeats in a row
that could share characters; with lines of at most `LONGEST_LINE` characters the rest is at most some million steps.
"""

from __future__ import annotations

import re
import warnings
from re import _constants as op  # type: ignore[attr-defined]
from re import _parser  # type: ignore[attr-defined]
from typing import Any

LONGEST_LINE = 128
MOST_SHARING = 3

_ALPHABET = "".join(map(chr, range(256))) + "Ω"
_REPEATS = (op.MAX_REPEAT, op.MIN_REPEAT, *((op.POSSESSIVE_REPEAT,) if hasattr(op, "POSSESSIVE_REPEAT") else ()))
_PLAIN = (op.LITERAL, op.NOT_LITERAL, op.ANY, op.IN)
_EVERYTHING = frozenset(_ALPHABET)
Piece = tuple[frozenset[str], bool, bool]
"""Characters that it can eat, whether it must eat one, whether it can eat a varying number."""


class PatternRefused(ValueError):
    """The pattern is wrong or could take unbounded work."""


def bounded_pattern(text: str) -> re.Pattern[str]:
    """Return the compiled pattern; raises PatternRefused with what to write instead."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            pattern = re.compile(text)
            pieces = _flatten(_parser.parse(text))
    except (re.error, OverflowError, Warning, RecursionError) as error:
        raise PatternRefused(f"pattern is no regular expression: {error}") from error
    if _sharing(pieces) > MOST_SHARING:
        raise PatternRefused(
            "pattern has too many repeats in a row that could eat the same characters;"
            " put the literal text between them, such as 'T=([-.0-9]+)[^H]*H=([.0-9]+)'"
        )
    return pattern


def _flatten(sequence: Any) -> list[Piece]:
    pieces: list[Piece] = []
    for code, argument in sequence:
        if code in _PLAIN:
            pieces.append((_characters(code, argument), True, False))
        elif code is op.SUBPATTERN:
            pieces += _flatten(argument[3])
        elif code in _REPEATS:
            pieces.append(_repeat(*argument))
        elif code is op.BRANCH:
            pieces.append(_branch(argument[1]))
        elif code is not op.AT:
            raise PatternRefused("pattern uses a back-reference, look-around or condition; write it without")
    return pieces


def _repeat(low: int, high: int, body: Any) -> Piece:
    inner = _flatten(body)
    if high > 1 and any(varies for _, _, varies in inner):
        raise PatternRefused("pattern has a repeat within a repeat, which can take for ever; write it flat")
    eaten = frozenset().union(*(characters for characters, _, _ in inner)) if inner else frozenset()
    return eaten, low > 0 and any(must for _, must, _ in inner), low != high or any(varies for _, _, varies in inner)


def _branch(choices: Any) -> Piece:
    inner = [_flatten(choice) for choice in choices]
    everything = [piece for choice in inner for piece in choice]
    eaten = frozenset().union(*(characters for characters, _, _ in everything)) if everything else frozenset()
    varies = len({len(choice) for choice in inner}) > 1 or any(piece[2] for piece in everything)
    return eaten, all(any(must for _, must, _ in choice) for choice in inner), varies


def _characters(code: Any, argument: Any) -> frozenset[str]:
    if code is op.ANY:
        return _EVERYTHING
    if code is op.LITERAL:
        return frozenset(chr(argument))
    if code is op.NOT_LITERAL:
        return _EVERYTHING - {chr(argument)}
    return _class(argument)


def _class(items: Any) -> frozenset[str]:
    eaten: set[str] = set()
    negated = False
    for code, argument in items:
        if code is op.NEGATE:
            negated = True
        elif code is op.LITERAL:
            eaten.add(chr(argument))
        elif code is op.RANGE:
            eaten.update(char for char in _ALPHABET if argument[0] <= ord(char) <= argument[1])
        else:
            eaten |= _category(argument)
    return _EVERYTHING - eaten if negated else frozenset(eaten)


def _category(name: Any) -> frozenset[str]:
    shorthand = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}
    label = str(name).removeprefix("CATEGORY_").removeprefix("UNI_")
    negative = label.startswith("NOT_")
    eaten = frozenset(re.findall(shorthand[label.removeprefix("NOT_")], _ALPHABET))
    return _EVERYTHING - eaten if negative else eaten


def _sharing(pieces: list[Piece]) -> int:
    """Return how many variable repeats can at once be traded against each other.

    A repeat is open until a character that must come is one that it cannot eat: from there its end is fixed.
    """
    most = 0
    still_open: list[frozenset[str]] = []
    for eaten, must, varies in pieces:
        if must:
            still_open = [repeat for repeat in still_open if repeat & eaten]
        if varies:
            still_open.append(eaten)
        most = max(most, len(still_open))
    return most
