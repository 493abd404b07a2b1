"""Says on which line of a TOML text a key stands, which tomllib forgets and error texts need."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def line_map(text: str) -> dict[KeyPath, int]:
    """Return the 1-based line of every key path of a valid TOML text; array members by their index."""
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.scan()
    return scanner.lines


class _Scanner:
    """Walks a text whose syntax tomllib has accepted, so it only has to find where things begin and end."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._members: dict[KeyPath, int] = {}

    def line(self, position: int) -> int:
        return bisect_right(self._starts, position)

    def scan(self) -> None:
        table: KeyPath = ()
        self._skip(newlines=True)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(newlines=True)

    def _header(self) -> KeyPath:
        line = self.line(self.at)
        double = self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        parts = self._key()
        self.at += 2 if double else 1
        path = self._resolved(parts[:-1])
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)
        path += (parts[-1],)
        self.lines.setdefault(path, line)
        if double:
            self._members[path] = self._members.get(path, -1) + 1
        if path in self._members:
            path += (self._members[path],)
            self.lines.setdefault(path, line)
        return path

    def _resolved(self, parts: list[str]) -> KeyPath:
        path: KeyPath = ()
        for part in parts:
            path += (part,)
            if path in self._members:
                path += (self._members[path],)
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self.line(self.at)
        path = table
        for part in self._key():
            path += (part,)
            self.lines.setdefault(path, line)
        self.at += 1  # the equals sign
        self._skip(newlines=False)
        self._value(path)

    def _key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(newlines=False)
            start = self.at
            if self.text[start] in "\"'":
                self._quoted()
                parts.append(str(tomllib.loads("k=" + self.text[start : self.at])["k"]))
            else:
                bare = _BARE_KEY.match(self.text, start)
                if bare is None:
                    raise ValueError("a key was expected")
                parts.append(bare.group())
                self.at = bare.end()
            self._skip(newlines=False)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def _value(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.line(self.at))
        mark = self.text[self.at]
        if mark in "\"'":
            self._quoted()
        elif mark == "[":
            self._array(path)
        elif mark == "{":
            self._inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}\n#":
                self.at += 1

    def _array(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        while self._next_member() != "]":
            self._value((*path, index))
            index += 1
        self.at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self.at += 1
        while self._next_member() != "}":
            self._pair(path)
        self.at += 1

    def _next_member(self) -> str:
        self._skip(newlines=True)
        if self.text[self.at] == ",":
            self.at += 1
            self._skip(newlines=True)
        return self.text[self.at]

    def _quoted(self) -> None:
        mark = self.text[self.at]
        escapes = mark == '"'
        closing = mark * 3 if self.text.startswith(mark * 3, self.at) else mark
        self.at += len(closing)
        while not self.text.startswith(closing, self.at):
            self.text[self.at]  # IndexError when the text ends inside the string
            self.at += 2 if escapes and self.text[self.at] == "\\" else 1
        self.at += len(closing)
        extra = 0  # a multi-line string may end with one or two quotes of its own before the closing three
        while len(closing) == 3 and extra < 2 and self.text.startswith(mark, self.at):
            self.at += 1
            extra += 1

    def _skip(self, *, newlines: bool) -> None:
        text, end = self.text, len(self.text)
        while self.at < end:
            character = text[self.at]
            if character in " \t" or (newlines and character == "\n"):
                self.at += 1
            elif character == "#":
                stop = text.find("\n", self.at)
                self.at = end if stop < 0 else stop
            else:
                return
