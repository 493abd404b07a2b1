"""Accepts only regular expressions whose work on a short line is bounded, so that no line can stall a probe.

Python's `re` backtracks: `(a+)+b` takes 2^n steps on n letters. A pattern is therefore walked when the config is read.
Refused are repeats within repeats, back-references, look-around, and more than three variable repeats that could trade
characters with each other; with lines of at most `LONGEST_LINE` characters the rest is at most some million steps.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Sequence
from re import _constants as op  # type: ignore[attr-defined]
from re import _parser  # type: ignore[attr-defined]
from typing import Any, NamedTuple

LONGEST_LINE = 128
MOST_TRADING = 3

_OTHERS = "Ω٣\u2003€"
"""Stand for all letters, digits, blanks and other characters beyond Latin-1."""
_ALPHABET = "".join(map(chr, range(256))) + _OTHERS
_REPEATS = (op.MAX_REPEAT, op.MIN_REPEAT, *((op.POSSESSIVE_REPEAT,) if hasattr(op, "POSSESSIVE_REPEAT") else ()))
_PLAIN = (op.LITERAL, op.NOT_LITERAL, op.ANY, op.IN)
_EVERYTHING = frozenset(_ALPHABET)
_NOTHING: frozenset[str] = frozenset()


class PatternRefused(ValueError):
    """The pattern is wrong or could take unbounded work."""


class Piece(NamedTuple):
    """A part of a pattern: which characters it can eat, whether it can fail, eats at least one, eats a varying number,
    and how many free choices it keeps although its end is fixed.
    """

    eaten: frozenset[str]
    can_fail: bool = True
    must: bool = True
    varies: bool = False
    choices: int = 0


def bounded_pattern(text: str) -> re.Pattern[str]:
    """Return the compiled pattern; raises PatternRefused with what to write instead."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            pattern = re.compile(text)
            pieces = _Walk(_parser.parse(text)).pieces
    except (re.error, OverflowError, Warning, RecursionError) as error:
        raise PatternRefused(f"pattern is no regular expression: {error}") from error
    if _trading(pieces, ends=True) > MOST_TRADING:
        raise PatternRefused(
            "pattern has too many repeats that could eat the same characters, or too many choices of which several fit;"
            " put the literal text between them, such as 'T=([-.0-9]+)[^H]*H=([.0-9]+)'"
        )
    return pattern


class _Walk:
    """A parsed pattern as pieces."""

    def __init__(self, parsed: Any) -> None:
        self._folds = bool(parsed.state.flags & re.IGNORECASE) or _ignores_case(parsed)
        self.pieces = self._flatten(parsed)

    def _flatten(self, sequence: Any) -> list[Piece]:
        pieces: list[Piece] = []
        for code, argument in sequence:
            if code in _PLAIN:
                pieces.append(Piece(self._characters(code, argument)))
            elif code is op.SUBPATTERN:
                pieces += self._flatten(argument[3])
            elif code in _REPEATS:
                pieces.append(self._repeat(*argument))
            elif code is op.BRANCH:
                pieces.append(self._branch(argument[1]))
            elif code is op.AT:
                pieces.append(Piece(_NOTHING, must=False))
            else:
                raise PatternRefused("pattern uses a back-reference, look-around or condition; write it without")
        return pieces

    def _repeat(self, low: int, high: int, body: Any) -> Piece:
        inner = self._flatten(body)
        if high > 1 and any(piece.varies or piece.choices for piece in inner):
            raise PatternRefused("pattern has a repeat within a repeat, which can take for ever; write it flat")
        must = low > 0 and any(piece.must for piece in inner)
        varies = low != high or any(piece.varies for piece in inner)
        return Piece(_eaten(inner), low > 0, must, varies, max(0, _trading(inner) - 1))

    def _branch(self, choices: Any) -> Piece:
        inner = [self._flatten(choice) for choice in choices]
        everything = [piece for choice in inner for piece in choice]
        varies = len({len(choice) for choice in inner}) > 1 or any(piece.varies for piece in everything)
        must = all(any(piece.must for piece in choice) for choice in inner)
        free = max(max(0, _trading(choice) - 1) for choice in inner)
        return Piece(_eaten(everything), True, must, varies, free + (not _one_fits(inner)))

    def _characters(self, code: Any, argument: Any) -> frozenset[str]:
        if code is op.ANY:
            return _EVERYTHING
        if code is op.LITERAL:
            return self._literal(argument)
        if code is op.NOT_LITERAL:
            return _EVERYTHING - self._literal(argument) | _others_beside(argument)
        return self._class(argument)

    def _literal(self, number: int) -> frozenset[str]:
        char = chr(number)
        forms = (char, char.lower(), char.upper(), char.upper().lower()) if self._folds else (char,)
        return frozenset(_known(one) for form in forms for one in form)

    def _class(self, items: Any) -> frozenset[str]:
        eaten: set[str] = set()
        spared: set[str] = set()
        negated = False
        for code, argument in items:
            if code is op.NEGATE:
                negated = True
            elif code is op.LITERAL:
                eaten |= self._literal(argument)
                spared |= _others_beside(argument)
            elif code is op.RANGE:
                eaten |= self._range(*argument)
                spared |= _others_beside(argument[1])
            else:
                eaten |= _category(argument)
        # A negated class spares single characters beyond Latin-1 only, never all that one stand-in stands for.
        return _EVERYTHING - eaten | spared if negated else frozenset(eaten)

    def _range(self, first: int, last: int) -> set[str]:
        inside = {char for number in range(first, min(last, 255) + 1) for char in self._literal(number)}
        return inside | set(_OTHERS) if last > 255 else inside


def _ignores_case(parsed: Any) -> bool:
    for code, argument in parsed:
        bodies: Iterable[Any] = ()
        if code is op.SUBPATTERN:
            if argument[1] & re.IGNORECASE:
                return True
            bodies = (argument[3],)
        elif code in _REPEATS:
            bodies = (argument[2],)
        elif code is op.BRANCH:
            bodies = argument[1]
        if any(_ignores_case(body) for body in bodies):
            return True
    return False


def _known(char: str) -> str:
    """Return the character, or the stand-in of its kind beyond Latin-1."""
    if ord(char) < 256:
        return char
    return next(other for other, kind in zip(_OTHERS, (r"[^\W\d]", r"\d", r"\s", r"\W"), strict=True) if re.match(kind, char))


def _others_beside(number: int) -> frozenset[str]:
    return frozenset(_OTHERS) if number > 255 else _NOTHING


def _category(name: Any) -> frozenset[str]:
    shorthand = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}
    label = str(name).removeprefix("CATEGORY_").removeprefix("UNI_")
    negative = label.startswith("NOT_")
    eaten = frozenset(re.findall(shorthand[label.removeprefix("NOT_")], _ALPHABET))
    return _EVERYTHING - eaten if negative else eaten


def _eaten(pieces: Iterable[Piece]) -> frozenset[str]:
    return _NOTHING.union(*(piece.eaten for piece in pieces))


def _one_fits(choices: Sequence[Sequence[Piece]]) -> bool:
    """Return whether the next character always tells which of the choices it can only be."""
    first = [choice[0].eaten if choice and choice[0].must else _EVERYTHING for choice in choices]
    return sum(map(len, first)) == len(_NOTHING.union(*first))


def _trading(pieces: Iterable[Piece], *, ends: bool = False) -> int:
    """Return how many free choices stand at most where a piece fails, so that all their combinations would be tried.

    A repeat is open until what must come next is nothing that it can eat: from there its end is fixed by where the next
    began. But what was closed together may have shared one stretch in many ways, and those choices stay.
    `ends`: nothing follows, so nothing can fail after the last piece.
    """
    most = kept = 0
    still_open: list[frozenset[str]] = []
    for piece in pieces:
        if piece.can_fail:
            most = max(most, kept + _sharing(still_open))
        if piece.must:
            stays = len(still_open)
            while stays and not still_open[stays - 1] & piece.eaten:
                stays -= 1
            kept += max(0, _sharing(still_open[stays:]) - 1)
            del still_open[stays:]
        kept += piece.choices
        if piece.varies:
            still_open.append(piece.eaten)
        most = max(most, kept + bool(still_open))
    return most if ends else max(most, kept + _sharing(still_open))


def _sharing(repeats: Sequence[frozenset[str]]) -> int:
    """Return how many of adjacent repeats are free: the first, and each that could eat what one before it eats."""
    return sum(not index or bool(eaten & _NOTHING.union(*repeats[:index])) for index, eaten in enumerate(repeats))
