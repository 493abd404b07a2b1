"""One thing that was looked at, as `dewlid check` tells it."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from adapters.wording.figures import Style
from daemon.logs import escaped
from daemon.screen.terminal import Line, Span, Tone, drawn, terminal
from rules.terms.quantities import FACTS, Quantity

Grade = Literal["ok", "warning", "fault"]
_TONES: dict[Grade, Tone] = {"ok": "well", "warning": "look", "fault": "act"}
_INDENT = 9


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: how it is, what that means and what to do."""

    grade: Grade
    what: str
    found: str
    means: str = ""
    remedy: str = ""

    def told(self) -> str:
        """Return the lines that the keeper reads."""
        return "\n".join("".join(span.text for span in line) for line in self.lines())

    def lines(self, width: int | None = None) -> list[Line]:
        """Return the same for a terminal, broken between words where a width is given."""
        parts = [("", f"{self.what}: {self.found}"), ("means: ", self.means), ("do: ", self.remedy)]
        rows = [row for word, text in parts if text for row in _broken(f"{word}{escaped(text)}", width)]
        first: Line = [Span(f"{self.grade:{_INDENT}}", _TONES[self.grade]), Span(rows[0])]
        return [first, *([Span(" " * _INDENT + row)] for row in rows[1:])]


def _broken(text: str, width: int | None) -> list[str]:
    if width is None:
        return [text]
    return textwrap.wrap(text, max(width - _INDENT, 20), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def by_urgency(findings: Iterable[Finding]) -> list[Finding]:
    """Return what must be repaired first, then what is doubtful, then what is well."""
    return sorted(findings, key=lambda one: ("fault", "warning", "ok").index(one.grade))


def reading_told(quantity: Quantity, value: float, style: Style) -> str:
    """Return a value with its name, such as `relative humidity 64 %`."""
    return f"{FACTS[quantity].label} {style.quantity(value, FACTS[quantity].unit).removesuffix(' humidity')}"


def print_findings(findings: Iterable[Finding]) -> None:
    """Print what was looked at, what must be repaired first; on a terminal with colour and broken between words."""
    screen = terminal(sys.stdout, os.environ)
    for finding in by_urgency(findings):
        if screen.live:
            print("\n".join(drawn(line, screen) for line in finding.lines(screen.width)))
        else:
            print(finding.told())
