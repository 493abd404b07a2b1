"""What is wrong with a word, or a figure of a command line, said to whoever spoke it: what was found, what is allowed."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

_ABOUT = {
    "for_ms": "the time", "at_ms": "when", "from_ms": "the begin", "to_ms": "the end", "garden_ml": "the size in ml",
    "fill": "the share of the basin", "lid_temperature_c": "the lid's temperature in °C",
    "standard_uncertainty_k": "the uncertainty in K", "standard_uncertainty": "the uncertainty", "seen": "what was seen",
    "text": "the text", "reason": "the reason", "by": "who says it", "word_id": "the word's id",
}  # fmt: skip
_LIMITS = {"greater_than": ("gt", "more than"), "greater_than_equal": ("ge", "at least"), "less_than": ("lt", "less than"),
           "less_than_equal": ("le", "at most")}  # fmt: skip
_WANTED = {
    "string_pattern_mismatch": "allowed are lower-case letters, digits and hyphens, such as tank-1",
    "finite_number": "wanted is a finite number", "literal_error": "allowed is {expected}",
    "string_too_long": "at most {max_length} characters are allowed", "string_too_short": "it must not be empty",
    "too_long": "at most {max_length} are allowed",
}  # fmt: skip
_KINDS = {"float": "a number", "int": "a whole number", "string": "text", "bool": "true or false", "tuple": "a list",
          "dict": "an object"}  # fmt: skip


def told(error: ValidationError, *, by_key: bool) -> str:
    """Return the first fault as one sentence without its full stop; `by_key`: for a program that wrote the word as JSON."""
    first = error.errors(include_url=False)[0]
    name = next((str(part) for part in reversed(first["loc"]) if isinstance(part, str)), "word")
    kind, context, value = first["type"], first.get("ctx", {}), first["input"]
    about = name if by_key else _ABOUT.get(name, name)
    if kind == "value_error":
        return str(context["error"])
    if kind == "missing":
        return f"{about} is missing"
    if kind == "extra_forbidden":
        return f"{name} is no part of this word"
    if kind.startswith("union_tag"):
        return f"no such word; allowed: {context.get('expected_tags', 'an object with the key word')}"
    return f"{about}: found {_shown(name, value)}; {_wanted(name, kind, context)}"


def _wanted(name: str, kind: str, context: dict[str, Any]) -> str:
    if name in ("at_ms", "from_ms", "to_ms"):
        return "wanted is a time between 1970 and 2199"
    if kind in _LIMITS:
        key, words = _LIMITS[kind]
        return f"allowed is {words} {_shown(name, context[key])}"
    if kind in _WANTED:
        return _WANTED[kind].format(**context)
    return f"wanted is {_KINDS.get(kind.split('_')[0], 'another value')}"


def _shown(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if name == "for_ms" and isinstance(value, int):
        for unit, unit_ms in (("d", DAY_MS), ("h", HOUR_MS), ("min", MINUTE_MS)):
            if value and value % unit_ms == 0:
                return f"{value // unit_ms}{unit}"
        return f"{value / 1000:g}s"
    shown = f"{value:.12g}" if isinstance(value, float) else repr(value)
    return f"{shown[:40]}... ({len(shown)} characters)" if len(shown) > 60 else shown
