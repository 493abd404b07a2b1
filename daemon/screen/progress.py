"""A bar on the terminal for what takes longer than a blink; nothing where nobody looks."""

from __future__ import annotations

import sys
import time
from typing import TextIO

_WIDTH = 30
_EVERY_S = 0.1


class Progress:
    """A bar on stderr, drawn only on a terminal; `share` runs from 0 to 1."""

    def __init__(self, what: str, stream: TextIO | None = None) -> None:
        self._what = what
        self._stream = stream or sys.stderr
        self._shown = self._stream.isatty()
        self._drawn_s = -1.0
        self._wide = 0

    def at(self, share: float, note: str = "") -> None:
        """Draw the bar, at most ten times a second."""
        now_s = time.monotonic()
        if not self._shown or now_s - self._drawn_s < _EVERY_S:
            return
        self._drawn_s = now_s
        full = round(_WIDTH * min(max(share, 0.0), 1.0))
        line = f"{self._what} [{'#' * full}{'.' * (_WIDTH - full)}] {100 * share:3.0f} % {note}"
        self._stream.write(f"\r{line.ljust(self._wide)}")
        self._stream.flush()
        self._wide = len(line)

    def done(self) -> None:
        """Take the bar away."""
        if self._wide:
            self._stream.write(f"\r{' ' * self._wide}\r")
            self._stream.flush()
            self._wide = 0
