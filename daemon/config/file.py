"""Reads the config file without trusting it: a regular file of bounded size, UTF-8, TOML; every fault has
its line."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.config.syntax import syntax_fault
from daemon.config.toml_lines import KeyPath, line_map

LARGEST_BYTES = 256 * 1024
_OTHER_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}
_REMEDIES: Mapping[type[OSError], str] = {
    FileNotFoundError: "`dewlid init` writes a first one",
    PermissionError: "put sudo before it, or join the group of dewlid (sudo usermod -aG dewlid $USER; log in again)",
}
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True)
class ConfigFault:
    """One thing to repair in the config: where it stands and what is wrong, in words for the keeper."""

    line: int | None
    path: KeyPath
    text: str

    def told(self, file: str) -> str:
        """Return the line that the keeper reads: `file:line: key.path: text`."""
        place = file if self.line is None else f"{file}:{self.line}"
        return f"{place}: {dotted(self.path)}: {self.text}" if self.path else f"{place}: {self.text}"


class ConfigurationError(Exception):
    """The config cannot be used. Its text names every fault that was found, one per line."""

    def __init__(self, file: str, faults: list[ConfigFault]) -> None:
        self.file = file
        self.faults = tuple(sorted(faults, key=lambda fault: (fault.line or 0, dotted(fault.path))))
        super().__init__("\n".join(fault.told(file) for fault in self.faults))


@dataclass(frozen=True, slots=True)
class ConfigText:
    """A config that is TOML, not yet validated: its tables and the line of each key."""

    file: str
    tables: Mapping[str, Any]
    lines: Mapping[KeyPath, int]

    def line(self, path: KeyPath) -> int:
        """Return the line of the longest part of the path that stands in the file."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)


def dotted(path: KeyPath) -> str:
    """Return a key path as it is written in TOML; strange keys are quoted and escaped."""
    parts: list[str] = []
    for part in path:
        name = str(part)
        parts.append(name if _BARE_KEY.fullmatch(name) else f'"{shown(name, 40)}"')
    return ".".join(parts)


def shown(text: str, longest: int = 60) -> str:
    """Return text from the file fit for a terminal: escaped, shortened, without user and password of an
    address."""
    text = re.sub(r"//[^/@\s]*@", "//(hidden)@", text)
    safe = "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in text[: longest + 1])
    return safe if len(text) <= longest else safe[:longest] + "..."


def did_you_mean(found: object, allowed: list[str]) -> str:
    """Return `; did you mean ...` when something allowed is spelt nearly so, else nothing."""
    import difflib  # only where a word is not known

    near = difflib.get_close_matches(str(found), allowed, n=1, cutoff=0.6)
    return f'; did you mean "{near[0]}"' if near else ""


def read_config(path: str | os.PathLike[str]) -> ConfigText:
    """Return the tables of a config file; raises ConfigurationError."""
    file = os.fspath(path)
    return parse_config(_bytes_of(Path(path)), file)


def parse_config(octets: bytes, file: str) -> ConfigText:
    """Return the tables of the bytes of a config; `file` is only told in errors."""
    text = _text_of(octets, file)
    try:
        return ConfigText(file, tomllib.loads(text), line_map(text))
    except tomllib.TOMLDecodeError as error:
        line, message = syntax_fault(text, error)
        raise ConfigurationError(file, [ConfigFault(line, (), message)]) from error
    except RecursionError as error:
        raise _refused(file, "brackets are nested too deeply; the config needs three levels at most") from error
    except ValueError as error:  # a number with thousands of digits
        raise _refused(file, "a number in it is far too long; write the figure that you mean") from error


def _refused(file: str, text: str, line: int | None = None) -> ConfigurationError:
    return ConfigurationError(file, [ConfigFault(line, (), text)])


def _bytes_of(path: Path) -> bytes:
    file = os.fspath(path)
    try:
        # O_NONBLOCK: opening a FIFO must not wait for a writer.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError as error:
        remedy = _REMEDIES.get(type(error), "check its owner and mode")
        raise _refused(file, f"cannot be read: {error.strerror}; {remedy}") from error
    except ValueError as error:
        raise _refused(file, "is no file name: it holds a NUL character") from error
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode):
        os.close(descriptor)
        raise _refused(file, "is not a regular file; give the path of the TOML file itself")
    with os.fdopen(descriptor, "rb") as stream:
        if status.st_mode & stat.S_IWOTH:
            raise _refused(file, f"anyone on this machine may change it; take that right away: chmod o-w {file}")
        try:
            octets = stream.read(LARGEST_BYTES + 1)
        except OSError as error:
            raise _refused(file, f"cannot be read: {error.strerror}; check the disk") from error
    if len(octets) > LARGEST_BYTES:
        raise _refused(file, f"is larger than {LARGEST_BYTES // 1024} KiB, so it is no config of dewlid")
    return octets


def _text_of(octets: bytes, file: str) -> str:
    if encoding := _OTHER_MARKS.get(octets[:2]):
        raise _refused(file, f"is written in {encoding}; allowed is UTF-8: save it as UTF-8 in your editor")
    octets = octets.removeprefix(b"\xef\xbb\xbf")
    try:
        return octets.decode("utf-8")
    except UnicodeDecodeError as error:
        line = octets.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{octets[error.start]:02x}"
        raise _refused(file, f"{found} is not UTF-8; save the file as UTF-8 in your editor", line) from error
