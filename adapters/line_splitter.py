"""Where a stream of bytes from a serial line falls into lines of text."""

from __future__ import annotations


class LineSplitter:
    """Cuts a stream of bytes at CR and LF with bounded memory; what stands before the first end of line is torn."""

    def __init__(self, longest: int) -> None:
        self._longest = longest
        self._pending = bytearray()
        self._torn = True
        self.too_long = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Return the complete lines, without blank ones; overlong ones are counted in `too_long`."""
        *ended, rest = data.replace(b"\r", b"\n").split(b"\n")
        lines = [line for piece in ended if (line := self._close(piece))]
        self._grow(rest)
        return lines

    def _close(self, piece: bytes) -> bytes:
        self._grow(piece)
        line, torn = bytes(self._pending), self._torn
        self._pending.clear()
        self._torn = False
        return b"" if torn else line.strip(b" \t\0")

    def _grow(self, piece: bytes) -> None:
        if not self._torn and len(self._pending) + len(piece) > self._longest:
            self.too_long += 1
            self._torn = True
        if self._torn:
            self._pending.clear()
        else:
            self._pending += piece
