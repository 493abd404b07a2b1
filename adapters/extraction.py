"""What a line or payload says: from text to the value of each agreed quantity, in our unit. Pure.

A probe says how its text is to be read by exactly one of `pattern`, `columns`, `json_pointers` or `senml_names`; the
keys of each are the quantities, so nothing that is not a quantity can be read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Annotated, NamedTuple

from pydantic import AfterValidator, Field

from adapters import json_pointer, senml
from adapters.bounded_pattern import Pattern
from adapters.errors import ProbeGarbled, ProbeImplausible
from adapters.json_pointer import PointerNotFound
from adapters.payload import excerpt, json_of, number_in, number_of
from rules.terms.quantities import QUANTITIES, Quantity, in_our_unit, units_of


class NothingThere(ProbeGarbled):
    """The text is well formed but lacks the agreed place."""

    reason = "nothing-there"


class WrongUnit(ProbeImplausible):
    """The text states a unit that is not one of the quantity."""

    reason = "wrong-unit"


class Extracted(NamedTuple):
    """One value in our unit; `at_ms` where the text itself tells when it was measured."""

    quantity: Quantity
    value: float
    at_ms: int | None = None


Extract = Callable[[str, int | None], list[Extracted]]
"""Text and the present instant (for relative times) in, values out; raises ProbeError."""


def _pointer(text: str) -> str:
    json_pointer.parse(text)
    return text


def _refuse_unknown(keys: Mapping[Quantity, object]) -> Mapping[Quantity, object]:
    if not keys:
        raise ValueError(f"names no quantity; allowed: {', '.join(QUANTITIES)}")
    return keys


Pointer = Annotated[str, Field(max_length=200), AfterValidator(_pointer)]
SenMLName = Annotated[str, Field(min_length=1, max_length=256, pattern=r"^[A-Za-z0-9][A-Za-z0-9\-:./_]*$")]
Units = dict[Quantity, str]
Pointers = Annotated[dict[Quantity, Pointer], AfterValidator(_refuse_unknown)]
SenMLNames = Annotated[dict[Quantity, SenMLName], AfterValidator(_refuse_unknown)]
Columns = Annotated[dict[Quantity, Annotated[int, Field(ge=1, le=64)]], AfterValidator(_refuse_unknown)]


def check_units(units: Units, read: frozenset[Quantity]) -> None:
    """Refuse at config time a unit that is not one of its quantity's, or that belongs to a quantity not read."""
    for quantity, unit in units.items():
        if quantity not in read:
            raise ValueError(f"units names {quantity}, which this probe does not read; it reads: {', '.join(sorted(read))}")
        if unit not in units_of(quantity):
            raise ValueError(f"unit {unit!r} is not one of {quantity}; allowed: {', '.join(units_of(quantity))}")


def unit_for(quantity: Quantity, units: Units) -> str:
    """Return the agreed unit, or ours where none is agreed."""
    return units.get(quantity, units_of(quantity)[0])


def plain_number(quantity: Quantity, units: Units) -> Extract:
    """The whole text is one number."""
    unit = unit_for(quantity, units)

    def extract(text: str, _now_ms: int | None) -> list[Extracted]:
        return [Extracted(quantity, in_our_unit(quantity, number_in(text), unit))]

    return extract


_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")


def with_points(text: str) -> str:
    """Return a line with a point for each comma between two digits."""
    return _DECIMAL_COMMA.sub(".", text)


def by_decimal_comma(extract: Extract) -> Extract:
    """Read lines whose numbers have a decimal comma, such as 25,3, by a way that wants a point."""
    return lambda text, now_ms: extract(with_points(text), now_ms)


def by_pattern(pattern: Pattern, units: Units) -> Extract:
    """Named groups, each named like its quantity; the first place in the line where the pattern fits counts."""

    def extract(text: str, _now_ms: int | None) -> list[Extracted]:
        match = pattern.search(text)
        if match is None:
            raise NothingThere(f"the pattern does not fit {excerpt(text)}")
        groups = match.groupdict()
        found: dict[Quantity, str] = {q: said for q in QUANTITIES if (said := groups.get(q)) is not None}
        return _converted(found, units)

    return extract


def by_columns(delimiter: str | None, columns: Mapping[Quantity, int], units: Units) -> Extract:
    """Columns counted from 1; a delimiter of None means any run of blanks."""

    def extract(text: str, _now_ms: int | None) -> list[Extracted]:
        cells = text.split(delimiter)
        short = [column for column in columns.values() if column > len(cells)]
        if short:
            raise NothingThere(f"there is no column {short[0]}, only {len(cells)}, in {excerpt(text)}")
        return _converted({quantity: cells[column - 1] for quantity, column in columns.items()}, units)

    return extract


def by_pointers(pointers: Mapping[Quantity, str], units: Units) -> Extract:
    """JSON, each quantity at its pointer. A number in quotes is taken as a number, since many probes send it so."""
    places = {quantity: json_pointer.parse(pointer) for quantity, pointer in pointers.items()}

    def extract(text: str, _now_ms: int | None) -> list[Extracted]:
        document = json_of(text)
        try:
            found = {quantity: json_pointer.resolve(document, tokens) for quantity, tokens in places.items()}
        except PointerNotFound as error:
            raise NothingThere(f"{error} in {excerpt(text)}") from error
        return [
            Extracted(quantity, in_our_unit(quantity, _number(value), unit_for(quantity, units)))
            for quantity, value in found.items()
        ]

    return extract


def by_senml(names: Mapping[Quantity, str], units: Units) -> Extract:
    """A SenML pack; each quantity has its resolved name. The pack's own unit wins over the agreed one."""
    quantity_of = {name: quantity for quantity, name in names.items()}

    def extract(text: str, now_ms: int | None) -> list[Extracted]:
        records = senml.resolve(json_of(text), now_ms)
        found = []
        for record in records:
            quantity = quantity_of.get(record.name)
            if quantity is None or record.value is None:
                continue
            unit = record.unit or unit_for(quantity, units)
            found.append(Extracted(quantity, _in_stated_unit(quantity, record.value, unit), record.at_ms))
        if not found:
            there = ", ".join(sorted({record.name for record in records})[:4])
            raise NothingThere(f"no record named {' or '.join(quantity_of)}; the pack has {excerpt(there)}")
        return found

    return extract


def _in_stated_unit(quantity: Quantity, value: float, unit: str) -> float:
    try:
        return in_our_unit(quantity, value, unit)
    except ValueError as error:
        raise WrongUnit(f"unit {excerpt(unit, 12)} is not one of {quantity}") from error


def _number(value: object) -> float:
    return number_in(value) if isinstance(value, str) else number_of(value)


def _converted(found: Mapping[Quantity, str], units: Units) -> list[Extracted]:
    return [
        Extracted(quantity, in_our_unit(quantity, number_in(text), unit_for(quantity, units)))
        for quantity, text in found.items()
    ]
