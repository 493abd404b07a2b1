"""Turns what pydantic found wrong into what a keeper can repair: key path, what was found, what is allowed,
a near miss."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from daemon.config.file import ConfigFault, ConfigText, did_you_mean, dotted, shown
from daemon.config.key_lines import SchemaWithLines
from daemon.config.toml_lines import KeyPath

_SECRET = re.compile(r"(passw|passphrase|secret|token|credential|api_?key|^pin$|^pass$|_key)")
_NAME_PATTERN = "^[a-z0-9][a-z0-9-]*$"
_KINDS = {
    "string": 'text in quotes', "number": "a number", "integer": "a whole number", "boolean": "true or false",
    "array": "a list in [ ]", "object": "a table",
}
_PATTERNS = (
    ("^(/[^\\x00]*|credential:", 'an absolute path, or "credential:NAME"'),
    ("^/", "an absolute path"),
)
Schema = Mapping[str, Any]


def faults_of(model: type[BaseModel], errors: list[ErrorDetails], config: ConfigText) -> list[ConfigFault]:
    """Return the faults behind pydantic's errors, each at the line of its key. Values of secrets never
    appear."""
    schema = model.model_json_schema(by_alias=True, schema_generator=SchemaWithLines)
    return [_fault(schema, error, config) for error in errors]


def is_secret(path: KeyPath) -> bool:
    """Say whether the value of this key may be a secret that was written here by mistake."""
    return any(isinstance(part, str) and _SECRET.search(part.lower()) for part in path)


def _fault(schema: Schema, error: ErrorDetails, config: ConfigText) -> ConfigFault:
    path = _key_path(error, config)
    sort = error["type"]
    if sort == "missing":
        node = node_at(schema, path, config.tables)
        wanted = _add_one(node, path) or f"it must be {allowed(node)}"
        return ConfigFault(config.line(path), path, f"is missing; {wanted}{_purpose(node)}")
    if sort == "extra_forbidden":
        return ConfigFault(config.line(path), path, _unknown_key(schema, path, config))
    if sort in ("union_tag_not_found", "union_tag_invalid"):
        return _wrong_kind(error, path, config, node_at(schema, path, config.tables).get("tags", []))
    if error["loc"][-1:] == ("[key]",):
        return ConfigFault(config.line(path), path, _wrong_id(schema, path, config))
    if sort in ("value_error", "assertion_error"):
        return _told_by_model(error, path, config)
    node = node_at(schema, path, config.tables)
    return ConfigFault(config.line(path), path, _found_and_allowed(node, error["input"], path))


def _key_path(error: ErrorDetails, config: ConfigText) -> KeyPath:
    """Keep the parts of pydantic's location that are keys of the file: tags of unions and names of
    validators are not."""
    path: KeyPath = ()
    for part in error["loc"]:
        if (*path, part) in config.lines:
            path += (part,)
    return (*path, error["loc"][-1]) if error["type"] == "missing" else path


def _unknown_key(schema: Schema, path: KeyPath, config: ConfigText) -> str:
    known = sorted(_properties(node_at(schema, path[:-1], config.tables)))
    if is_secret(path[-1:]):
        file_keys = [key for key in known if key.endswith("_file")] or ["a key that ends with _file"]
        return (
            "a secret is never written into the config; put it alone into a file that only dewlid can read"
            f" (mode 0600) and name that file with {' or '.join(file_keys)}"
        )
    return f"this key is unknown{did_you_mean(path[-1], known)}; allowed here: {', '.join(known) or 'nothing'}"


def _wrong_id(schema: Schema, path: KeyPath, config: ConfigText) -> str:
    names = node_at(schema, path[:-1], config.tables).get("propertyNames", {})
    names = _resolved(schema, names, None)
    names = names if _choices(names) else {"pattern": _NAME_PATTERN, "type": "string"}
    hint = did_you_mean(path[-1], [str(choice) for choice in _choices(names)])
    return f"this key is not allowed here; allowed {allowed(names)}{hint}"


def _add_one(node: Schema, path: KeyPath) -> str:
    """What to do about a table of tables that has no member yet."""
    return f"add at least one table [{dotted(path)}.ID]" if _members(node) is not None else ""


def _wrong_kind(error: ErrorDetails, path: KeyPath, config: ConfigText, tags: list[str]) -> ConfigFault:
    context = error.get("ctx", {})
    path = (*path, str(context.get("discriminator", "kind")).strip("'"))
    if error["type"] == "union_tag_not_found":
        return ConfigFault(config.line(path), path, f"is missing{_one_of(tags)}")
    tag = str(context.get("tag", ""))
    text = f'found "{shown(tag)}"{_one_of(tags)}{did_you_mean(tag, tags)}'
    return ConfigFault(config.line(path), path, text)


def _one_of(tags: list[str]) -> str:
    return "; allowed " + ", ".join(f'"{tag}"' for tag in tags) if tags else ""


def _told_by_model(error: ErrorDetails, path: KeyPath, config: ConfigText) -> ConfigFault:
    """A rule between several keys: put it at the first key that its text names, else at the table."""
    text = str(error.get("ctx", {}).get("error") or error["msg"])
    value = error["input"]
    if isinstance(value, Mapping):
        named = (word for word in re.findall(r"\w+", text) if (*path, word) in config.lines)
        path = (*path, *([first] if (first := next(named, None)) else []))
        return ConfigFault(config.line(path), path, text)
    found = "" if is_secret(path) else f"found {_found(value)}; "
    return ConfigFault(config.line(path), path, found + text)


def _found_and_allowed(node: Schema, value: object, path: KeyPath) -> str:
    if is_secret(path):
        return f"is not allowed; allowed {allowed(node)}"
    if value == {} and (wanted := _add_one(node, path)):
        return f"is empty; {wanted}"
    choices = [str(choice) for choice in _choices(node)]
    hint = did_you_mean(value, choices) if isinstance(value, str) and choices else ""
    if isinstance(value, str) and _kind(node) in ("number", "integer") and re.fullmatch(r"[-+]?\d+([.,]\d+)?", value):
        hint = "; write it without quotes" + (" and with a decimal point" if "," in value else "")
    return f"found {_found(value)}; allowed {allowed(node)}{hint or _in_celsius(node, value)}"


def _in_celsius(node: Schema, value: object) -> str:
    """Return the remedy for a temperature that was written in degF."""
    low, high = node.get("minimum"), node.get("maximum")
    if node.get("unit") != "degC" or not isinstance(value, int | float) or low is None or high is None:
        return ""
    celsius = (value - 32.0) / 1.8
    return f"; if that is degF, write {celsius:.1f}: the config is in degC" if value > high and low <= celsius <= high else ""


def _found(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{shown(value)}"'
    if isinstance(value, Mapping):
        return f"a table of {len(value)}"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    return shown(str(value))


# ---------------------------------------------------------------- what the schema says about a key


def node_at(schema: Schema, path: KeyPath, data: Any) -> Schema:
    """Return the part of the JSON Schema that describes the value at a key path of this config."""
    node = _resolved(schema, schema, data)
    for part in path:
        data = _inner(data, part)
        inner = node.get("items", {}) if isinstance(part, int) else _properties(node).get(part)
        if inner is None:
            inner = _members(node)
        node = _resolved(schema, inner if isinstance(inner, Mapping) else {}, data)
    return node


def _inner(data: Any, part: str | int) -> Any:
    try:
        return data[part]
    except (KeyError, IndexError, TypeError):
        return None


def _properties(node: Schema) -> Mapping[str, Any]:
    return node.get("properties", {})  # type: ignore[no-any-return]


def _members(node: Schema) -> Mapping[str, Any] | None:
    """What describes each member of a table whose keys are ids."""
    by_pattern = list(node.get("patternProperties", {}).values())
    found = by_pattern[0] if by_pattern else node.get("additionalProperties")
    return found if isinstance(found, Mapping) else None


def _resolved(root: Schema, node: Schema, data: Any) -> Schema:
    while True:
        if reference := node.get("$ref"):
            beside = {key: value for key, value in node.items() if key != "$ref"}
            node = {**root["$defs"][reference.rsplit("/", 1)[-1]], **beside}
        elif "oneOf" in node and "discriminator" in node:
            tag = _inner(data, node["discriminator"]["propertyName"])
            chosen = node["discriminator"]["mapping"].get(tag if isinstance(tag, str) else "")
            if chosen is None:
                return {"type": "object", "tags": list(node["discriminator"]["mapping"])}
            node = {"$ref": chosen}
        elif options := [option for option in node.get("anyOf", []) if option.get("type") != "null"]:
            node = {**{key: value for key, value in node.items() if key != "anyOf"}, **options[0]}
        else:
            return node


def _kind(node: Schema) -> str:
    return str(node.get("type", ""))


def _choices(node: Schema) -> list[Any]:
    return [node["const"]] if "const" in node else list(node.get("enum", []))


def allowed(node: Schema) -> str:
    """Return what a value may be, in words: choices, range with unit, or form."""
    if choices := _choices(node):
        return ", ".join(f'"{choice}"' for choice in choices)
    unit = node.get("unit")
    if unit == "duration":
        return 'a duration such as "90s", "10min", "2h" or "1d"'
    if node.get("format") == "time":
        return 'a time of day such as "22:30"'
    if node.get("pattern") == _NAME_PATTERN:
        return "an id of lower-case letters, digits and hyphens, such as tank-1"
    return _KINDS.get(_kind(node), "another value") + _range(node) + (f" {unit}" if unit else "") + _form(node)


def _range(node: Schema) -> str:
    low = node.get("minimum", node.get("exclusiveMinimum"))
    high = node.get("maximum", node.get("exclusiveMaximum"))
    above = "above" if "exclusiveMinimum" in node else "from"
    below = "below" if "exclusiveMaximum" in node else "to"
    return (f" {above} {low:g}" if low is not None else "") + (f" {below} {high:g}" if high is not None else "")


def _form(node: Schema) -> str:
    limits = {"minLength": "at least {} characters", "maxLength": "at most {} characters",
              "minItems": "at least {} of them", "maxItems": "at most {} of them",
              "minProperties": "at least {} of them", "maxProperties": "at most {} of them"}
    forms = [words.format(node[key]) for key, words in limits.items() if key in node]
    if pattern := str(node.get("pattern", "")):
        known = next((words for beginning, words in _PATTERNS if pattern.startswith(beginning)), "")
        return f": {known}" if known else f" of the form {pattern}"
    return " (" + ", ".join(forms) + ")" if forms else ""


def _purpose(node: Schema) -> str:
    description = str(node.get("description", "")).split("\n")[0].rstrip(".")
    return f" ({description})" if description else ""
