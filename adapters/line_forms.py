"""Recognises in what form a probe sends: from lines or payloads to the config keys that read them. Pure; the keeper decides.

A proposal counts only if the very reader that will read the probe later understands the lines with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from adapters import senml
from adapters.bounded_pattern import PatternRefused, bounded_pattern
from adapters.errors import ProbeError
from adapters.extraction import Extract, by_columns, by_pattern, by_pointers, by_senml, with_points
from adapters.payload import json_of
from rules.terms.quantities import FACTS, Quantity, in_our_unit

_TEMPERATURE = {
    "t", "ta", "tc", "tf", "tair", "temp", "tmp", "temperature", "temperatur", "celsius", "degc", "fahrenheit", "degf",
}  # fmt: skip
_HUMIDITY = {"h", "rh", "hr", "hum", "humi", "humid", "humidity", "feuchte", "humedad", "moisture"}
_OTHER = {
    "dew", "dewpoint", "td", "pressure", "hpa", "battery", "batt", "bat", "voltage", "rssi", "lux", "co2", "setpoint", "wind",
}  # fmt: skip
_SURFACE = {"lid", "surface", "glass", "mat", "substrate", "soil"}
_NUMBER = re.compile(r"[-+]?\d{1,5}(?:\.\d{1,6})?")
_COMMA_NUMBER = re.compile(r"\d+(?:,\d+)+")
_GROUP = "[-+0-9.]{1,9}"
_UNIT_AFTER = re.compile(r"\s?(°?[CFK]\b|deg[CF]|Cel|%\s?RH|%)")
_LABEL = re.compile(r"[A-Za-z_]*[^A-Za-z0-9]*$")
_ENOUGH = 0.8
_MOST_FIELDS = 200


@dataclass(frozen=True, slots=True)
class Form:
    """How to read it: the config keys, what that gives for the last line, and whether names or units told it."""

    keys: dict[str, Any]
    values: dict[Quantity, float]
    told: bool = True
    """False: only the size of the numbers told which is which; the keeper must compare."""
    surface: bool = field(default=False)
    """A name speaks of a lid or another surface."""


@dataclass(frozen=True, slots=True)
class _Field:
    """One number within a text: where it is, what it is called, what unit stands beside it."""

    place: Any
    name: str
    unit: str
    value: float


def words_of(name: str) -> set[str]:
    """Return the words of a name such as `roomTemp_1` or `attic/box/rh`, in small letters."""
    parted = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    return {word.lower() for word in re.findall(r"[A-Za-z]+|CO2|co2", parted)}


def quantity_named(name: str, unit: str = "") -> Quantity | None:
    """Return what a name or a unit beside a number says that it is; None: nothing, or something else."""
    words = words_of(name)
    if words & _OTHER:
        return None
    if unit in ("%RH", "% RH", "%") and not words & _TEMPERATURE:
        return "relative_humidity"
    temperature = bool(words & _TEMPERATURE) or unit in ("C", "°C", "F", "°F", "K", "degC", "degF", "Cel")
    if words & _HUMIDITY and not temperature:
        return "relative_humidity"
    if temperature:
        return "surface_temperature" if words & _SURFACE else "air_temperature"
    return None


def unit_of(quantity: Quantity, name: str, unit: str, value: float) -> str | None:
    """Return the unit that must be stated in the config; None: it is ours already."""
    if quantity == "relative_humidity":
        return "/" if 0.0 < value <= 1.0 and unit == "" else None
    said = words_of(name) | {unit.strip("°").lower()}
    if said & {"f", "tf", "degf", "fahrenheit"} or (unit == "" and FACTS["air_temperature"].domain_high < value < 115):
        return "degF"
    return "K" if ("k" in said and value > 200) or 270 < value < 330 else None


def plausible(quantity: Quantity, value: float) -> bool:
    """Return whether a shelf may have this value."""
    facts = FACTS[quantity]
    return facts.domain_low <= value <= facts.domain_high


def form_of_lines(lines: Sequence[str]) -> Form | None:
    """Return the form of the lines of a serial probe, whose numbers may have a decimal comma."""
    if not has_decimal_commas(lines):
        return form_of(lines)
    form = form_of([with_points(line) for line in lines])
    return form and Form(form.keys | {"decimal_comma": True}, form.values, form.told, form.surface)


def has_decimal_commas(texts: Sequence[str]) -> bool:
    """Whether these are numbers such as 25,3: none has a point, and something else stands between them."""
    texts = [text for text in texts if text.strip()]
    return bool(texts) and all(_has_decimal_commas(text) for text in texts)


def _has_decimal_commas(text: str) -> bool:
    numbers = _COMMA_NUMBER.findall(text)
    if not numbers or text.lstrip()[:1] in ("{", "[") or re.search(r"\d\.\d", text):
        return False
    alone = len(numbers) == 1 and not _COMMA_NUMBER.sub("", text).strip()
    return not alone and all(number.count(",") == 1 for number in numbers)


def form_of(texts: Sequence[str]) -> Form | None:
    """Return the form that most of these texts have; None: nothing that looks like a climate."""
    texts = [text for text in texts if text.strip()]
    if has_decimal_commas(texts):
        return None  # 25,3 would be read as 25
    for propose in (_senml, _json, _labelled, _columns):
        for sample in texts[-3:]:
            if sample.lstrip()[:1] in ("{", "[") and propose in (_labelled, _columns):
                continue
            for form in propose(sample):
                if form.values and _understood(form, texts):
                    return form
    return None


def _understood(form: Form, texts: Sequence[str]) -> bool:
    extract = extract_of(form.keys)
    good = 0
    for text in texts:
        try:
            found = extract(text, 0)
        except ProbeError:
            continue
        good += all(plausible(one.quantity, one.value) for one in found)
    return good >= max(1.0, _ENOUGH * len(texts))


def extract_of(keys: dict[str, Any]) -> Extract:
    """Return the reader that a probe with these keys will have."""
    units = keys.get("units", {})
    if "pattern" in keys:
        return by_pattern(bounded_pattern(keys["pattern"]), units)
    if "columns" in keys:
        return by_columns(keys.get("delimiter"), keys["columns"], units)
    if "json_pointers" in keys:
        return by_pointers(keys["json_pointers"], units)
    return by_senml(keys["senml_names"], units)


def _form(key: str, fields: dict[Quantity, _Field], **more: Any) -> Form:
    units = {quantity: unit for quantity, one in fields.items() if (unit := unit_of(quantity, one.name, one.unit, one.value))}
    values = {quantity: in_our_unit(quantity, one.value, _own(quantity, units)) for quantity, one in fields.items()}
    keys: dict[str, Any] = {key: {quantity: one.place for quantity, one in fields.items()}, **more.pop("extra", {})}
    return Form(keys | ({"units": units} if units else {}), values, **more)


def _own(quantity: Quantity, units: dict[Quantity, str]) -> str:
    return units.get(quantity, FACTS[quantity].unit)


def _first_of_each(fields: Sequence[_Field]) -> dict[Quantity, _Field]:
    found: dict[Quantity, _Field] = {}
    for one in fields:
        quantity = quantity_named(one.name, one.unit)
        if quantity is not None:
            found.setdefault(quantity, one)
    if "air_temperature" in found:
        found.pop("surface_temperature", None)  # of another place: a probe of its own
    return found


# ---------------------------------------------------------------- JSON and SenML


def _parsed(text: str) -> Any:
    try:
        return json_of(text)
    except ProbeError:
        return None


def _json(text: str) -> Iterator[Form]:
    document = _parsed(text)
    if isinstance(document, dict) and not document.get("advisory_only"):
        fields = list(_numbers_in(document, ""))[:_MOST_FIELDS]
        if found := _first_of_each(fields):
            yield _form("json_pointers", found, surface="surface_temperature" in found)


def _numbers_in(node: Any, pointer: str) -> Iterator[_Field]:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in pairs:
        place = f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}"
        if isinstance(value, dict | list):
            yield from _numbers_in(value, place)
        elif (number := _as_number(value)) is not None:
            yield _Field(place, place.replace("/", " "), "", number)


def _as_number(value: Any) -> float | None:
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        return float(value)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _senml(text: str) -> Iterator[Form]:
    document = _parsed(text)
    if not isinstance(document, list):
        return
    try:
        records = senml.resolve(document, 0)
    except ProbeError:
        return
    fields = [_Field(one.name, one.name, one.unit or "", one.value) for one in records if one.value is not None]
    if found := _first_of_each(fields):
        names: dict[Quantity, str] = {quantity: one.place for quantity, one in found.items()}
        values = {q: in_our_unit(q, one.value, one.unit or FACTS[q].unit) for q, one in found.items()}
        yield Form({"senml_names": names}, values, surface="surface_temperature" in found)


# ---------------------------------------------------------------- lines of text


def _labelled(text: str) -> Iterator[Form]:
    """`T=25.3 RH=81`, `temp: 25.3 °C, hum: 81 %`: what stands before or after a number tells what it is."""
    fields, end = [], 0
    for match in _NUMBER.finditer(text):
        label, after = text[end : match.start()], _UNIT_AFTER.match(text, match.end())
        fields.append(_Field(match.span(), label, after[1] if after else "", float(match[0])))
        end = match.end()
    if found := _first_of_each(fields):
        pattern = _pattern(text, sorted((one.place, quantity) for quantity, one in found.items()))
        if pattern is not None:
            form = _form("pattern", found, surface="surface_temperature" in found)
            yield Form(form.keys | {"pattern": pattern}, form.values, surface=form.surface)


def _pattern(text: str, places: list[tuple[tuple[int, int], Quantity]]) -> str | None:
    """Return a regular expression with the text between the numbers, where that has no digits, as it stands."""
    pattern, end, blank = "", 0, r"[ \t]" if "\t" in text else " "
    for (start, stop), quantity in places:
        between = text[end:start]
        label = _LABEL.search(between)[0].lstrip(" ,;|\t") or between[-1:]  # type: ignore[index]  # it always fits
        gap = "" if not pattern else f"[^{re.escape(label.strip()[:1])}]{{0,60}}" if label.strip() else ""
        literal = re.escape(label.rstrip(" \t")).replace("\\ ", " ").replace("\\\t", "\\t")
        pattern += f"{gap}{literal}{blank}{{0,4}}(?P<{quantity}>{_GROUP})"
        end = stop
    try:
        return pattern if bounded_pattern(pattern).search(text) else None
    except PatternRefused:
        return None


def _columns(text: str) -> Iterator[Form]:
    """`25.3;81;ok`: numbers in columns, told apart by their size alone."""
    for delimiter in (";",) if ";" in text else (",", "\t", None):  # "25,3;81": a comma within a number
        cells = text.split(delimiter)
        numbers = [
            (index, float(cell)) for index, cell in enumerate(cells, 1) if _NUMBER.fullmatch(cell.strip()) and index <= 64
        ]
        if numbers and (len(cells) > 1 or delimiter is None):
            yield from _by_size(numbers, delimiter)


def _by_size(numbers: list[tuple[int, float]], delimiter: str | None) -> Iterator[Form]:
    extra = {} if delimiter is None else {"delimiter": delimiter}
    for first, warm in numbers:
        if not plausible("air_temperature", warm):
            continue
        for second, damp in numbers:
            if second != first and plausible("relative_humidity", damp):
                fields: dict[Quantity, _Field] = {
                    "air_temperature": _Field(first, "", "", warm), "relative_humidity": _Field(second, "", "", damp),
                }  # fmt: skip
                yield _form("columns", fields, told=False, extra=extra)
    if len(numbers) == 1 and plausible("air_temperature", numbers[0][1]):
        yield _form("columns", {"air_temperature": _Field(numbers[0][0], "", "", numbers[0][1])}, told=False, extra=extra)


