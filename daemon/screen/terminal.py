"""Draws lines on a terminal again and again: whatever its size, with or without colour and UTF-8; puts all back at the end."""

from __future__ import annotations

import os
import select
import shutil
import signal
import sys
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import FrameType
from typing import Literal, TextIO

Tone = Literal["", "strong", "quiet", "well", "look", "act", "unseen"]
_SGR: dict[Tone, str] = {"": "", "strong": "1", "quiet": "2", "well": "32", "look": "33", "act": "1;31", "unseen": "35"}
_ASCII = str.maketrans(
    {"°": None, "–": "-", "—": "-", "−": "-", "…": ".", "“": '"', "”": '"', "’": "'", "±": "+", "·": "-", "é": "e", "ß": "ss"}
)


@dataclass(frozen=True, slots=True)
class Span:
    """Some words in one tone; a line is a sequence of them."""

    text: str
    tone: Tone = ""


Line = Sequence[Span]


@dataclass(frozen=True, slots=True)
class Terminal:
    """What the terminal can do."""

    width: int
    height: int
    colour: bool
    unicode: bool
    live: bool
    """Whether it can be drawn over."""


def terminal(out: TextIO, environment: Mapping[str, str]) -> Terminal:
    """Return what the terminal behind `out` can do now; NO_COLOR (no-color.org) and TERM=dumb are heeded."""
    live = out.isatty() and environment.get("TERM", "dumb") not in ("", "dumb")
    size = shutil.get_terminal_size((100, 24))
    encoding = (out.encoding or "ascii").lower().replace("-", "")
    return Terminal(
        width=max(size.columns, 16),
        height=max(size.lines, 4),
        colour=live and not environment.get("NO_COLOR"),
        unicode=encoding.startswith("utf"),
        live=live,
    )


def width_of(text: str) -> int:
    """Return how many columns a text takes: wide signs take two, combining ones none."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def clipped(text: str, width: int) -> str:
    """Return as much of a text as fits into so many columns; what is cut ends with a full stop in the middle."""
    if width_of(text) <= width:
        return text
    kept, used = "", 0
    for char in text:
        used += width_of(char)
        if used > width - 1:
            break
        kept += char
    return kept + "…" if width > 0 else ""


def padded(text: str, width: int, *, right: bool = False) -> str:
    """Return a text cut or filled to exactly so many columns."""
    text = clipped(text, width)
    blank = " " * (width - width_of(text))
    return blank + text if right else text + blank


def drawn(line: Line, terminal: Terminal) -> str:
    """Return a line as it is written, never wider than the terminal."""
    left, parts = terminal.width, []
    for span in line:
        text = span.text if terminal.unicode else plain(span.text)
        text = clipped(text, left) if terminal.unicode else text[:left]
        left -= width_of(text)
        code = _SGR[span.tone]
        parts.append(f"\x1b[{code}m{text}\x1b[0m" if terminal.colour and code and text else text)
    return "".join(parts).rstrip() if not terminal.colour else "".join(parts)


def plain(text: str) -> str:
    """Return a text in ASCII: known signs replaced, accents dropped, the rest as question marks."""
    folded = unicodedata.normalize("NFKD", text.translate(_ASCII))
    return "".join(char for char in folded if not unicodedata.combining(char)).encode("ascii", "replace").decode()


# ---------------------------------------------------------------- the loop


def show(lines: Callable[[Terminal], list[Line]], *, every_s: float, once: bool, out: TextIO | None = None) -> int:
    """Draw what `lines` gives for the terminal, again at each interval and resize, until Ctrl-C or the terminal is gone."""
    out = out or sys.stdout
    if once or not terminal(out, os.environ).live:
        now = terminal(out, os.environ)
        out.write("\n".join(drawn(line, now) for line in lines(now)) + "\n")
        out.flush()
        return 0
    before = {number: signal.signal(number, _end) for number in (signal.SIGTERM, signal.SIGHUP)}
    before[signal.SIGWINCH] = signal.signal(signal.SIGWINCH, _resized)
    resized, told = os.pipe()
    os.set_blocking(told, False)
    woken = signal.set_wakeup_fd(told, warn_on_full_buffer=False)
    out.write("\x1b[?1049h\x1b[?25l")  # the other screen, no cursor
    try:
        _draw_on(lines, every_s, out, resized)
    except KeyboardInterrupt:
        pass
    finally:
        with suppress(OSError):
            out.write("\x1b[0m\x1b[?25h\x1b[?1049l")
            out.flush()
        signal.set_wakeup_fd(woken)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(resized)
        os.close(told)
    return 0


def _draw_on(lines: Callable[[Terminal], list[Line]], every_s: float, out: TextIO, resized: int) -> None:
    while True:
        now = terminal(out, os.environ)
        rows = [drawn(line, now) for line in lines(now)]
        if len(rows) > now.height:
            rows = [*rows[: now.height - 1], drawn([Span(f"{len(rows) - now.height + 1} more lines", "quiet")], now)]
        # Each row is emptied before it is written: after a full row some terminals would empty its last column.
        try:
            out.write("\x1b[H" + "\r\n".join(f"\x1b[2K{row}" for row in rows) + "\x1b[J")
            out.flush()
        except OSError:
            return  # the terminal is gone
        if select.select([resized], [], [], every_s)[0]:
            os.read(resized, 4096)


def _resized(_number: int, _frame: FrameType | None) -> None:
    """Only there so that the signal is noticed: it ends the waiting and breaks off nothing."""


def _end(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
