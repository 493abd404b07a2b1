"""Changes single values of the config's text; comments, order and everything else stay as the keeper wrote them."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.config.toml_lines import KeyPath, line_map
from daemon.store.backup import stamp

Values = Mapping[tuple[str, ...], Any]


class EditRefused(Exception):
    """The text cannot be changed so; it says why and what to write by hand."""


def edited(text: str, values: Values) -> str:
    """Return the text with these keys set; raises EditRefused when it would change anything else."""
    for path, value in values.items():
        wanted = _with(tomllib.loads(text), path, value)
        tries = (_replaced(text, path, value), _beside(text, path, value), _in_new_table(text, path, value))
        text = next((found for found in tries if found is not None and _holds(found, wanted)), "")
        if not text:
            raise EditRefused(
                f"{'.'.join(path)} cannot be set in this file without changing more; write it by hand:"
                f" [{'.'.join(path[:-1])}] {path[-1]} = {written(value)}"
            )
    return text


def written(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)


def read_value(text: str) -> Any:
    """Return the value of what the keeper typed after `=`: TOML, or a bare word such as 10min as text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def write_with_backup(path: Path, text: str, now_ms: int) -> Path:
    """Put the text in the file's place, all or nothing; returns where the former one is kept. Raises OSError."""
    kept = path.with_name(f"{path.name}.{stamp(now_ms)}")
    kept.write_bytes(path.read_bytes())
    kept.chmod(path.stat().st_mode & 0o777)
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.write_text(text, encoding="utf-8")
    unfinished.chmod(path.stat().st_mode & 0o777)
    descriptor = os.open(unfinished, os.O_RDONLY)
    os.fsync(descriptor)
    os.close(descriptor)
    unfinished.replace(path)
    return kept


def _with(tables: dict[str, Any], path: tuple[str, ...], value: Any) -> dict[str, Any]:
    """Return the tables with one value set."""
    head, *rest = path
    if not rest:
        return tables | {head: value}
    below = tables.get(head, {})
    if not isinstance(below, dict):
        raise EditRefused(f"{head} is no table, so nothing can be set in it")
    return tables | {head: _with(below, tuple(rest), value)}


def _holds(text: str, wanted: dict[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False


_VALUE = r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[^\s,#}\]]+)"""


def _replaced(text: str, path: tuple[str, ...], value: Any) -> str | None:
    """Replace a value where its key stands already, on a line of its own or within braces."""
    number = line_map(text).get(path)
    if number is None:
        return None
    lines = text.splitlines(keepends=True)
    pattern = re.compile(rf"(\b{re.escape(path[-1])}\s*=\s*){_VALUE}")
    for match in pattern.finditer(lines[number - 1]):
        line = lines[number - 1][: match.end(1)] + written(value) + lines[number - 1][match.end() :]
        found = "".join([*lines[: number - 1], line, *lines[number:]])
        if _holds(found, _with(tomllib.loads(text), path, value)):
            return found
    return None


def _beside(text: str, path: tuple[str, ...], value: Any) -> str | None:
    """Put a new key below its table's head, or within the braces of an inline table."""
    table: KeyPath = path[:-1]
    number = line_map(text).get(table)
    if number is None:
        return None
    lines = text.splitlines(keepends=True)
    line = lines[number - 1]
    if line.lstrip().startswith("["):
        end = "" if line.endswith("\n") else "\n"
        return "".join([*lines[:number], f"{end}{path[-1]} = {written(value)}\n", *lines[number:]])
    opening = re.search(rf"\b{re.escape(str(table[-1]))}\s*=\s*\{{", line)
    if opening is not None:
        rest = line[opening.end() :]
        comma = "" if rest.lstrip().startswith("}") else ","
        changed = f"{line[: opening.end()]} {path[-1]} = {written(value)}{comma}{rest}"
        return "".join([*lines[: number - 1], changed, *lines[number:]])
    return "".join([*lines[:number], f"{_dotted_from(line, table)}.{path[-1]} = {written(value)}\n", *lines[number:]])


def _dotted_from(line: str, table: KeyPath) -> str:
    """Return how a line with a dotted key names the table, such as `humidity` in `humidity.high = 90`."""
    name = re.escape(str(table[-1]))
    found = re.match(rf"(\s*(?:[\w-]+\s*\.\s*)*{name})\s*\.", line)
    return found[1] if found else str(table[-1])


def _in_new_table(text: str, path: tuple[str, ...], value: Any) -> str | None:
    end = "" if text.endswith("\n") else "\n"
    return f"{text}{end}\n[{'.'.join(path[:-1])}]\n{path[-1]} = {written(value)}\n"
