"""The outlet that writes for a human at a terminal, or for the journal when it runs as a service."""

from __future__ import annotations

import json
import math
import os
import sys
from typing import Literal, TextIO

from pydantic import Field

from adapters.errors import OutletUnreachable
from adapters.outlets.outlet import Owed
from adapters.wording.letter import compose
from adapters.wording.line import broken, line_of
from rules.settings import Settings
from rules.terms.events import LetterEvent, event_of
from rules.terms.setting_forms import Section

Told = Literal["alarm", "question", "advice", "letter", "quality", "care", "word", "system"]


class ConsoleOutlet(Section):
    """Lines on standard output, one per event; letters as they would be mailed."""

    kind: Literal["console"]
    """Which kind of outlet this is."""
    tell: list[Told] = Field(default=["alarm", "question", "advice", "system", "word"], min_length=1)
    """Which events are written."""
    stream: Literal["stdout", "stderr"] = "stdout"
    """Where they are written."""


class ConsolePrinter:
    """Writes what is owed."""

    in_order = True
    retry_s = (1.0, 5.0, 30.0)
    session = 0
    refresh_s = None
    longest_s = math.inf  # its reader may be stopped, which no restart repairs
    heartbeat = ""

    def __init__(self, outlet: ConsoleOutlet, settings: Settings, stream: TextIO | None = None) -> None:
        self._outlet, self._settings, self._stream = outlet, settings, stream

    def send(self, owed: Owed) -> None:
        """Write one message; raises OutletUnreachable when nobody reads it."""
        event = event_of(json.loads(owed.payload))
        stream = self._stream or (sys.stdout if self._outlet.stream == "stdout" else sys.stderr)
        if isinstance(event, LetterEvent):
            letter = compose(event, self._settings)
            text = f"\n=== {letter.subject} ===\n\n{letter.text}"
        else:
            text = broken(line_of(event, self._settings), _columns(stream))
        try:
            stream.write(f"{text}\n")
            stream.flush()
        except (OSError, ValueError) as error:
            raise OutletUnreachable(f"{self._outlet.stream}: nobody reads it ({error})") from error

    def close(self) -> None:
        """Nothing is held open."""


def _columns(stream: TextIO) -> int | None:
    """Return how wide the terminal behind a stream is; None: it is none, and a line stays a line."""
    try:
        return os.get_terminal_size(stream.fileno()).columns or None
    except (OSError, ValueError):
        return None
