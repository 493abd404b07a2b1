"""What a letter may be given besides its words: figures as lines, and a picture of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from rules.terms.events import LetterEvent

CONTENT_ID = "chart"
WIDTH_PX = 400
"""How wide a letter shows the picture: a phone scales it down so little that its words can still be read."""


@dataclass(frozen=True, slots=True)
class Illustration:
    """Figures in sentences, and their picture as PNG; None: there is no picture, the sentences stand alone."""

    lines: tuple[str, ...]
    png: bytes | None = None

    def element(self, domain: str) -> str:
        """Return the picture's place in the HTML of a letter, with the sentences for those who cannot see it."""
        if self.png is None:
            return ""
        from html import escape  # only here: a table of all its characters' names comes with it

        words, style = escape(" ".join(self.lines), quote=True), "max-width:100%;height:auto"
        return f'<p><img src="cid:{CONTENT_ID}@{domain}" alt="{words}" width="{WIDTH_PX}" style="{style}"></p>'


class Illustrator(Protocol):
    """Makes illustrations, in the thread of the outlet that asks, so that nobody else waits for it."""

    @property
    def longest_s(self) -> float:
        """How long `illustrate` may take."""

    def illustrate(self, event: LetterEvent) -> Illustration | None:
        """Return what belongs to a letter event; None for a letter that needs none, or when it cannot be made."""

    def break_off(self) -> None:
        """Give up what is being made; from another thread."""
