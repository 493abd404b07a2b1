"""One thing that was looked at, as `dewlid check` tells it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from daemon.logs import escaped

Grade = Literal["ok", "warning", "fault"]


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
        lines = [f"{self.grade:<8} {self.what}: {escaped(self.found)}"]
        lines += [f"         {word}: {escaped(text)}" for word, text in (("means", self.means), ("do", self.remedy)) if text]
        return "\n".join(lines)
