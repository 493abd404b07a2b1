"""Numbers, units and times as the keeper reads them: degC or degF, local time with its zone, spans in
whole words.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Literal

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_TEMPERATURE = re.compile(rf"((?:{_NUMBER})(?: (?:to|and|or) (?:{_NUMBER}))*) ?(?:degC|°C)(?![A-Za-z])")
_DIFFERENCE = re.compile(rf"({_NUMBER}(?: to {_NUMBER})?) ?K(?=(?:/h)?(?![A-Za-z0-9/]))")
_A_NIGHT_MS = 12 * 3_600_000
_HIDDEN = ("Cc", "Cf", "Zl", "Zp", "Cs", "Co", "Cn")


@dataclass(frozen=True, slots=True)
class Style:
    """How this keeper reads: unit of temperature and local time."""

    unit: Literal["degC", "degF"]
    zone: tzinfo

    @property
    def sign(self) -> str:
        """The unit's sign."""
        return "°C" if self.unit == "degC" else "°F"

    def quantity(self, value: float | None, unit: str | None) -> str:
        """Return a value with its unit, rounded to what a probe can know; `unknown` for None."""
        if value is None:
            return "unknown"
        if unit in ("degC", "Cel", "°C"):
            return f"{self._degrees(value):.1f} {self.sign}"
        if unit in ("K", "K/h"):
            return f"{self._span(value):.1f} {self.sign}{unit[1:]}"
        if unit in ("%RH", "%"):
            return f"{value:.0f} % humidity" if unit == "%RH" else f"{value:.0f} %"
        return f"{value:.3g} {unit}" if unit else f"{value:.3g}"

    def margin(self, value_k: float | None) -> str:
        """Return a difference that may be below zero, so that it is taken for no temperature: `-1.2 K`, `-2.2 F`."""
        return "unknown" if value_k is None else f"{self._span(value_k):+.1f} {'K' if self.unit == 'degC' else 'F'}"

    def text(self, text: str) -> str:
        """Return a sentence of the rules with its temperatures in the keeper's unit; differences are told
        in degrees, not K.
        """
        text = _TEMPERATURE.sub(lambda match: f"{self._each(match[1], self._degrees)} {self.sign}", text)
        text = text.replace("%RH", "% humidity")
        return _DIFFERENCE.sub(lambda match: f"{self._each(match[1], self._span)} {self.sign}", text)

    def _each(self, numbers: str, turn: object) -> str:
        if self.unit == "degC":
            return numbers
        return re.sub(_NUMBER, lambda match: _as_written(match[0], turn), numbers)

    def _degrees(self, value: float) -> float:
        return value if self.unit == "degC" else value * 1.8 + 32.0

    def _span(self, value: float) -> float:
        return value if self.unit == "degC" else value * 1.8

    def local(self, at_ms: int) -> datetime:
        """Return an instant as local time."""
        return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self.zone)

    def clock(self, at_ms: int, seen_from: int | None = None) -> str:
        """Return an instant as `02:10 WET`, with the day where it is not the day of `seen_from` or the night before."""
        moment = self.local(at_ms)
        short = f"{moment:%H:%M} {moment.tzname()}"
        if seen_from is not None and (self.local(seen_from).date() == moment.date() or 0 <= seen_from - at_ms < _A_NIGHT_MS):
            return short
        return f"{short}, {DAYS[moment.weekday()]} {moment.day} {MONTHS[moment.month - 1]}"


def _as_written(number: str, turn: object) -> str:
    decimals = len(number.partition(".")[2])
    value = float(number.replace("−", "-"))
    sign = "+" if number.startswith("+") else ""
    return f"{turn(value):{sign}.{max(decimals, 1) if decimals else 0}f}"  # type: ignore[operator]


def span(seconds: float) -> str:
    """Return a duration in words, no finer than it is worth: `20 minutes`, `1 hour 35 minutes`, `3 days`."""
    minutes = max(1, round(seconds / 60))
    if minutes < 60:
        return _plural(minutes, "minute")
    hours, rest = divmod(5 * round(minutes / 5), 60)
    if hours < 10 and rest:
        return f"{_plural(hours, 'hour')} {rest} minutes"
    hours = round(minutes / 60)
    return _plural(hours, "hour") if hours < 48 else _plural(round(hours / 24), "day")


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def clean(text: str, most: int = 400) -> str:
    """Return text without control, format and direction characters, on one line, cut to `most` characters.

    For every text that may come from a probe, a topic or a config, before it stands in a letter, a line or a
    header.
    """
    composed = unicodedata.normalize("NFC", text)
    shown = "".join(" " if char in "\n\r\t" else char for char in composed)
    shown = "".join(char for char in shown if unicodedata.category(char) not in _HIDDEN)
    shown = " ".join(shown.split())
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def ascii_only(text: str, otherwise: str) -> str:
    """Return text in plain ASCII for a subject: accents dropped, other signs left out; `otherwise` when
    nothing is left.
    """
    folded = unicodedata.normalize("NFKD", text.replace("°", " deg ").replace("ß", "ss").replace("ø", "o").replace("Ø", "O"))
    kept = "".join(char for char in folded if " " <= char <= "~")
    kept = " ".join(kept.split())
    return kept if any(char.isalnum() for char in kept) else otherwise
