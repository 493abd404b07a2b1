"""Temperatures in advice texts in the keeper's unit; the rules themselves think in degC and K only."""

from __future__ import annotations

import re
from typing import Literal

_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_PAIR = re.compile(rf"({_NUMBER}) to ({_NUMBER}) °C")
_ONE = re.compile(rf"({_NUMBER}) °C")
_STEP = re.compile(rf"({_NUMBER}) K\b")


def in_keepers_unit(text: str, unit: Literal["degC", "degF"]) -> str:
    """Return the text with every `°C` and `K` turned to `°F`, if that is the keeper's unit: 26 °C is 78.8 °F, 1 K is 1.8 °F."""
    if unit == "degC":
        return text
    text = _PAIR.sub(lambda found: f"{_fahrenheit(found[1])} to {_fahrenheit(found[2])} °F", text)
    text = _ONE.sub(lambda found: f"{_fahrenheit(found[1])} °F", text)
    return _STEP.sub(lambda found: f"{_sign(found[1])}{abs(float(found[1])) * 1.8:.1f} °F", text)


def _fahrenheit(number: str) -> str:
    return f"{float(number) * 1.8 + 32.0:.1f}"


def _sign(number: str) -> str:
    return number[0] if number[0] in "+-" else ""
