"""What the demo prints: the letters as the keeper would read them, what the keeper does, and what came of it."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from adapters.outlets.outlet import Owed
from adapters.wording.figures import Style
from adapters.wording.letter import Letter, compose
from daemon.demo.keeper import Deed, Keeper
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AnyEvent, LetterEvent, event_of

_WIDTH = 78
_SHORT = ("DO THIS FIRST", "WHAT IS HAPPENING", "WHY")


class Screen:
    """An outlet like any other: what it is handed was recorded first. Letters are also kept as files."""

    in_order = True
    retry_s = (1.0,)
    session = 0
    refresh_s = None
    longest_s = float("inf")
    heartbeat = ""

    def __init__(
        self, settings: Settings, keeper: Keeper, letters: Path, stream: TextIO, clear: Callable[[], None] = lambda: None
    ) -> None:
        """`clear` takes away what stands unfinished on the same terminal, before each line."""
        self._settings, self._keeper, self._letters, self._stream = settings, keeper, letters, stream
        self._clear = clear
        self._style = Style(settings.site.temperature_unit, settings.zone)
        self._day = ""
        self._full_shown = False
        self._told: set[str] = set()
        self._lettered: set[str] = set()
        self.events: list[AnyEvent] = []
        self.letters = 0

    def send(self, owed: Owed) -> None:
        """Take one message: advice reaches the keeper, letters the screen."""
        event = event_of(json.loads(owed.payload))
        self.events.append(event)
        if isinstance(event, LetterEvent):
            self._letter(event)
        elif isinstance(event, AdviceEvent):
            self._advice(event)

    def close(self) -> None:
        """Nothing is held open."""

    def unseen(self, what: str, at_ms: int) -> None:
        """Tell what happens and dewlid cannot know."""
        self._line(at_ms, "*", f"Meanwhile, unseen: {what}.")

    def deed(self, deed: Deed, at_ms: int) -> None:
        """Tell what the keeper does."""
        seen = "" if deed.advisory in self._lettered else ", who sees it on `dewlid watch`,"
        self._line(at_ms, ">", f"The keeper{seen} {deed.text}.")

    def said(self, advisory: str, at_ms: int) -> None:
        """Tell what the keeper types."""
        self._line(at_ms, ">", f"The keeper types: dewlid done {advisory}")

    def _advice(self, event: AdviceEvent) -> None:
        self._keeper.hear(event, event.at_ms)
        if event.status == "verified":
            self._line(event.at_ms, "=", f"Looked again: {event.headline}. {event.reason}")

    def _letter(self, event: LetterEvent) -> None:
        letter = compose(event, self._settings)
        self.letters += 1
        self._lettered |= {each.name for each in event.about if isinstance(each, AdviceEvent)}
        name = f"{self.letters:02d}-{letter.subject.lower()}"
        safe = "".join(char if char.isalnum() or char == "-" else "-" for char in name)[:60].strip("-")
        (self._letters / f"{safe}.txt").write_text(f"Subject: {letter.subject}\n\n{letter.text}\n", encoding="utf-8")
        whom = "Letter" if event.to == "keeper" else f"Letter to the {event.to} address (here nobody's)"
        self._line(letter.at_ms, "@", f"{whom}: {letter.subject}")
        fresh = {each.name for each in event.about if isinstance(each, AdviceEvent) and each.actions} - self._told
        if fresh and event.sort == "situation":
            self._told |= fresh
            self._body(letter)

    def _body(self, letter: Letter) -> None:
        """The first letter whole, of later ones what to do, what is happening and why."""
        parts = letter.text.strip().split("\n\n")
        if self._full_shown:
            parts = [part for part in parts if part.startswith(_SHORT)]
        self._full_shown = True
        for part in parts:
            self._stream.write(textwrap.indent(part, "       | ") + "\n       |\n")
        self._stream.flush()

    def _line(self, at_ms: int, mark: str, said: str) -> None:
        self._clear()
        moment = self._style.local(at_ms)
        day = f"{moment:%A %d %B}"
        if day != self._day:
            self._stream.write(f"\n--- {day} ---\n")
            self._day = day
        text = textwrap.fill(said, _WIDTH, initial_indent=f"{moment:%H:%M} {mark} ", subsequent_indent=" " * 8)
        self._stream.write(f"{text}\n")
        self._stream.flush()
