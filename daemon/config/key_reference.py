"""Every key of the config with its meaning, unit, default and range, read from the models: it cannot drift from them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import time
from typing import Annotated, Any, get_args, get_origin

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from daemon.config.configuration import Configuration, duration_text
from daemon.config.key_lines import lines_of_keys
from rules.terms.setting_forms import Section

_PLACEHOLDER = {"registers": "QUANTITY", "care": "TASK"}
_INTRODUCTION = """\
# Every key of the config

Written by `dewlid keys --markdown` from the program itself; do not edit. In a terminal: `dewlid keys chamber.lid`.
For editors that complete and check as you type: `dewlid check --schema` prints a JSON Schema.

The config is one TOML file. `[chamber.ID]` begins the table of one chamber; `ID` is a short name of your own (small letters,
digits, hyphens). A key with a default may be left out. Durations are written `"90s"`, `"10min"`, `"2h"`, `"1d"`, times of day
`"22:30"`. Temperatures are degC, differences K, humidity %RH (percent, not a fraction). Unknown keys are refused, with the
nearest that exists.
"""


@dataclass(frozen=True, slots=True)
class Key:
    """One key: how it is called, what it means, what it is when left out, and what may stand there."""

    name: str
    meaning: str
    default: str
    allowed: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the config with its own keys; tables within it follow as tables of their own."""

    path: tuple[str, ...]
    listed: bool
    kind: str
    meaning: str
    keys: tuple[Key, ...]

    @property
    def heading(self) -> str:
        """The table as it is written in TOML."""
        name = ".".join(self.path)
        return (f"[[{name}]]" if self.listed else f"[{name}]") + (f", kind = {self.kind}" if self.kind else "")

    @property
    def bare(self) -> tuple[str, ...]:
        """The path without the placeholders of ids."""
        return tuple(part for part in self.path if not part.isupper())

    def begins_with(self, wanted: tuple[str, ...]) -> bool:
        """Return whether a path without ids, such as `chamber.lid`, leads here or above."""
        return self.bare[: len(wanted)] == wanted

    def lies_under(self, wanted: tuple[str, ...]) -> bool:
        """Return whether a path with ids of the keeper's own, such as `chamber.tank-1.lid`, leads here or above."""
        if len(wanted) > len(self.path):
            return False
        return all(given == own or own.isupper() for given, own in zip(wanted, self.path, strict=False))


def tables() -> list[Table]:
    """Return all tables in the order of the models."""
    return list(_below((), Configuration))


def _below(path: tuple[str, ...], model: type[Section]) -> Iterator[Table]:
    lines = lines_of_keys(model)
    for name, field in model.model_fields.items():
        yield from _of_field(path, name, field, lines.get(name, ""))


def _of_field(path: tuple[str, ...], name: str, field: FieldInfo, line: str) -> Iterator[Table]:
    """Yield the tables that a key holds: itself one, one per id, a list of them, or one for each kind."""
    placeholder = _PLACEHOLDER.get(name, "ID")
    for listed, by_id, model in _models_in(field.annotation):
        place = (*path, name, placeholder) if by_id else (*path, name)
        yield from _of_model(place, model, listed=listed, above=line)


def _models_in(annotation: Any, listed: bool = False, by_id: bool = False) -> Iterator[tuple[bool, bool, type[Section]]]:
    if isinstance(annotation, type) and issubclass(annotation, Section):
        yield listed, by_id, annotation
        return
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        arguments = arguments[:1]
    elif origin in (dict, Mapping):
        arguments, by_id = arguments[1:], True
    for argument in arguments:
        yield from _models_in(argument, listed or origin is list, by_id)


def _of_model(path: tuple[str, ...], model: type[Section], *, listed: bool, above: str) -> Iterator[Table]:
    shape, lines = model.model_json_schema()["properties"], lines_of_keys(model)
    keys = [
        Key(name, _one_line(lines.get(name, "")), _default(field, shape[name]), _allowed(field, shape[name]))
        for name, field in model.model_fields.items()
        if not list(_models_in(field.annotation))
    ]
    kinds = get_args(model.model_fields["kind"].annotation) if "kind" in model.model_fields else ()
    meaning = _one_line(model.__doc__ or above)
    yield Table(path, listed, f'"{kinds[0]}"' if kinds else "", meaning, tuple(keys))
    yield from _below(path, model)


def _one_line(text: str) -> str:
    return " ".join(text.split())


# ---------------------------------------------------------------- defaults and ranges


def _is_duration(shape: Mapping[str, Any]) -> bool:
    return shape.get("unit") == "duration"


def _default(field: FieldInfo, shape: Mapping[str, Any]) -> str:
    if field.is_required():
        return "required"
    if "default_words" in shape:
        return str(shape["default_words"])
    value = field.get_default(call_default_factory=True)
    if value is None or value == {} or value is PydanticUndefined:
        return "absent"
    return _written(value, duration=_is_duration(shape) or _is_duration(shape.get("items", {})))


def _written(value: Any, *, duration: bool) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_written(one, duration=duration) for one in value)}]"
    if duration:
        return f'"{duration_text(value)}"'
    if isinstance(value, time):
        return f'"{value:%H:%M}"'
    return json.dumps(value, ensure_ascii=False)


def _allowed(field: FieldInfo, shape: Mapping[str, Any]) -> str:
    form = next((one for one in shape.get("anyOf", [shape]) if one.get("type") != "null"), shape)
    if field.annotation is time:
        return '"00:00" to "23:59"'
    if _is_duration(shape):
        return _span(*_bounds_of_duration(field), "duration")
    if "additionalProperties" in form or "patternProperties" in form or form.get("propertyNames"):
        return _inline_table(form)
    if form.get("type") == "array":
        return f"list of {_simple(form.get('items', {}), '')}"
    return _simple(form, str(shape.get("unit", "")))


def _inline_table(form: Mapping[str, Any]) -> str:
    keys = form.get("propertyNames", {}).get("enum", [])
    value: Any = form.get("additionalProperties") or next(iter(form.get("patternProperties", {}).values()), {})
    said = _simple(value, "") if isinstance(value, dict) else "value"
    return f"table of {said} by {' / '.join(keys)}" if keys else f"table of {said}"


def _simple(form: Mapping[str, Any], unit: str) -> str:
    if _is_duration(form):
        return "duration"
    if "const" in form or "enum" in form:
        return ", ".join(json.dumps(one, ensure_ascii=False) for one in form.get("enum", [form.get("const")]))
    kind = form.get("type")
    if kind == "boolean":
        return "true or false"
    if kind in ("number", "integer"):
        low, high = form.get("minimum"), form.get("maximum")
        low = f"above {form['exclusiveMinimum']:g}" if "exclusiveMinimum" in form else low
        high = f"below {form['exclusiveMaximum']:g}" if "exclusiveMaximum" in form else high
        return _span(_figure(low), _figure(high), "whole number" if kind == "integer" else "number", unit)
    return f"text, at most {form['maxLength']} characters" if "maxLength" in form else "text"


def _figure(bound: Any) -> str:
    return "" if bound is None else bound if isinstance(bound, str) else f"{bound:,}".replace(",", " ").removesuffix(".0")


def _bounds_of_duration(field: FieldInfo) -> tuple[str, str]:
    bounds = {"ge": 0, "le": None}
    for rule in field.metadata:
        for side in bounds:
            bounds[side] = getattr(rule, side, None) or bounds[side]
    return tuple(f'"{duration_text(one)}"' if one else "" for one in bounds.values())  # type: ignore[return-value]


def _span(low: str, high: str, what: str, unit: str = "") -> str:
    tail = f" {unit}" if unit else ""
    if low and high:
        return f"{low} to {high}{tail}"
    if low or high:
        return f"{what}, {low if low.startswith('above') else f'at least {low}' if low else f'at most {high}'}{tail}"
    return f"{what}{tail}"


# ---------------------------------------------------------------- how it is told


def as_markdown() -> str:
    """Return the whole reference, as it stands in sample_config/KEYS.md."""
    parts = [_INTRODUCTION]
    for table in tables():
        parts.append(f"## `{table.heading}`\n\n{table.meaning}\n")
        if table.keys:
            rows = [f"| `{key.name}` | {_cell(key.meaning)} | `{key.default}` | {_cell(key.allowed)} |" for key in table.keys]
            parts.append("\n".join(["| key | meaning | default | allowed |", "|---|---|---|---|", *rows]) + "\n")
    return "\n".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;")


def as_text(wanted: str) -> str:
    """Return the tables under a path, or one key, for a terminal; empty if there is none. An empty path: all."""
    path = tuple(part for part in wanted.strip(".[]").split(".") if part)
    return "\n\n".join(_as_lines(table) for table in _found(path))


def _found(path: tuple[str, ...]) -> list[Table]:
    """Ids may be left out or written; what can be read as a table or a key wins over what can only be an id."""
    every = tables()
    ways: tuple[Callable[[Table, tuple[str, ...]], bool], ...] = (Table.begins_with, Table.lies_under)
    for leads_to in ways:
        if found := [table for table in every if leads_to(table, path)]:
            return found
        keys = [_only(table, path[-1]) for table in every if leads_to(table, path[:-1])]
        if found := [table for table in keys if table.keys]:
            return found
    return []


def _only(table: Table, key: str) -> Table:
    keys = tuple(one for one in table.keys if one.name == key)
    return Table(table.path, table.listed, table.kind, table.meaning, keys)


def _as_lines(table: Table) -> str:
    lines = [table.heading, f"  {table.meaning}"]
    for key in table.keys:
        without = key.default in ("absent", "required")
        lines += [f"  {key.name} ({key.default})" if without else f"  {key.name} = {key.default}"]
        lines += [f"      {key.meaning}", f"      allowed: {key.allowed}"]
    return "\n".join(lines)


def words() -> list[str]:
    """Return all table paths, for near misses."""
    return sorted({".".join(table.bare) for table in tables()})


def undocumented() -> list[str]:
    """Return the keys and tables that do not say what they mean; a test keeps this empty."""
    found = [".".join(table.path) for table in tables() if not table.meaning]
    return found + [f"{'.'.join(table.path)}.{key.name}" for table in tables() for key in table.keys if not key.meaning]


