"""What a program did to a disk folder, read from its recorded system calls, and the states that a power cut could have left.

The model is that of Pillai et al., "All file systems are not created equal" (OSDI 2014), and of Mohan et al., "Finding
crash-consistency bugs with bounded black-box crash testing" (OSDI 2018), at its strictest: until a file is synced, any of its
writes may be missing, in any combination and cut at sectors; until a folder is synced, any of its creations, renames and
removals may be missing. A sync makes durable what it was called for, and nothing else.
"""

from __future__ import annotations

import random
import re
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

SECTOR_BYTES = 512
_CALLS = (
    "openat,creat,write,pwrite64,writev,pwritev,ftruncate,truncate,fallocate,copy_file_range,sendfile,rename,renameat,renameat2,"
    "unlink,unlinkat,rmdir,link,linkat,symlink,mkdir,mkdirat,fsync,fdatasync,sync_file_range"
)
_LINE = re.compile(r"(?P<pid>\d+) +(?P<rest>.*)")
_CALL = re.compile(r"(?P<name>\w+)\((?P<given>.*)\) += (?P<result>\d+)(?:<(?P<path>[^>]*)>)?")
FOLDER = -1
"""Stands for a folder where else the number of a file stands."""


@dataclass(frozen=True, slots=True)
class Wrote:
    """Bytes at an offset of a file; None: the file was cut to that length."""

    file: int
    offset: int
    octets: bytes | None


@dataclass(frozen=True, slots=True)
class Named:
    """What names stand for from now on; None: nothing. All at once or not at all."""

    names: dict[str, int | None]


@dataclass(frozen=True, slots=True)
class Synced:
    """A file, or the folder of this path."""

    what: int | str


@dataclass(frozen=True, slots=True)
class Said:
    """A line on standard output."""

    line: str


Op = Wrote | Named | Synced | Said


def recorded(command: Sequence[str], trace: Path, folder: Path, cwd: Path) -> list[Op]:
    """Run a program under strace and return what it did to a folder, in order."""
    run = ["strace", "-f", "-y", "-xx", "-s", "10000000", "--seccomp-bpf", "-o", str(trace), "-e", f"trace={_CALLS}", *command]
    done = subprocess.run(run, cwd=cwd, capture_output=True, text=True, timeout=120, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr[-3000:])
    return list(_Reader(folder).ops(trace))


class _Reader:
    """Knows which name stands for which file while it reads."""

    def __init__(self, folder: Path) -> None:
        self._root = f"{folder}/"
        self._names: dict[str, int] = {}
        self._at: dict[str, int] = {}
        self._files = 0

    def ops(self, trace: Path) -> Iterator[Op]:
        begun: dict[str, str] = {}
        with trace.open(encoding="ascii") as lines:
            for line in lines:
                found = _LINE.match(line)
                assert found is not None, line[:200]
                pid, rest = found["pid"], found["rest"]
                if rest.endswith(" <unfinished ...>"):
                    begun[pid] = rest.removesuffix(" <unfinished ...>")
                    continue
                if rest.startswith("<... "):
                    rest = begun.pop(pid) + rest.partition(" resumed>")[2]
                call = _CALL.match(rest)
                if call is not None:
                    yield from self._op(call["name"], call["given"].split(", "), int(call["result"]), call["path"])

    def _op(self, name: str, given: list[str], result: int, path: str | None) -> Iterator[Op]:
        if name == "write" and given[0].startswith("1<"):
            yield Said(_text(given[1]).strip())
        elif name in ("openat", "creat"):
            yield from self._opened(_unhexed(path or "").decode(), given, result)
        elif name in ("rename", "unlink", "mkdir"):
            yield from self._named(name, [_text(each) for each in given])
        elif (place := _place(given[0])).startswith(self._root) or f"{place}/" == self._root:
            yield from self._changed(name, place, given)

    def _opened(self, path: str, given: list[str], result: int) -> Iterator[Op]:
        if not path.startswith(self._root):
            return
        self._at[f"{result}<{path}"] = 0
        if path not in self._names:
            if "O_CREAT" in given[2]:
                self._files += 1
                self._names[path] = self._files
                yield Named({path: self._files})
        elif "O_TRUNC" in given[2]:
            yield Wrote(self._names[path], 0, None)

    def _named(self, name: str, paths: list[str]) -> Iterator[Op]:
        first = paths[0]
        if not first.startswith(self._root):
            return
        if name == "mkdir":
            yield Named({first: FOLDER})
        elif first in self._names:  # not the bell, which is no file
            file = self._names.pop(first)
            if name == "rename":
                self._names[paths[1]] = file
            yield Named({first: None, paths[1]: file} if name == "rename" else {first: None})

    def _changed(self, name: str, place: str, given: list[str]) -> Iterator[Op]:
        if name in ("fsync", "fdatasync"):
            yield Synced(self._names.get(place, place))
        elif place not in self._names:
            return  # the bell, or a file that has no name any more
        elif name == "pwrite64":
            yield Wrote(self._names[place], int(given[3]), _unhexed(given[1]))
        elif name == "ftruncate":
            yield Wrote(self._names[place], int(given[1]), None)
        elif name == "write":
            key = f"{given[0].partition('<')[0]}<{place}"
            octets = _unhexed(given[1])
            yield Wrote(self._names[place], self._at[key], octets)
            self._at[key] += len(octets)
        else:
            raise NotImplementedError(f"{name} on {place}: teach the reader what it does")


def _unhexed(text: str) -> bytes:
    return bytes.fromhex(text.strip('"').replace("\\x", ""))


def _text(text: str) -> str:
    return _unhexed(text).decode()


def _place(descriptor: str) -> str:
    inside = descriptor.partition("<")[2].partition(">")[0]
    return _unhexed(inside).decode() if inside.startswith("\\x") else inside


# ---------------------------------------------------------------- what a power cut leaves


@dataclass
class Disk:
    """What is durable so far, and what may or may not be."""

    names: dict[str, int] = field(default_factory=dict)
    files: dict[int, bytearray] = field(default_factory=dict)
    pending: list[Wrote | Named] = field(default_factory=list)

    def do(self, op: Op) -> None:
        """Go on by one call."""
        if isinstance(op, Synced):
            self.pending = [each for each in self.pending if not (_covers(op.what, each) and self._apply(each))]
        elif not isinstance(op, Said):
            self.pending.append(op)

    def cut(self, chance: random.Random, style: str) -> Disk:
        """Return a state that a power cut at this instant may leave: nothing of what waits, all, a beginning, any, or torn."""
        left = Disk(dict(self.names), {file: bytearray(octets) for file, octets in self.files.items()})
        share = chance.choice((0.1, 0.5, 0.9))
        first = chance.randint(0, len(self.pending))
        kept: dict[str, Callable[[int], bool]] = {
            "nothing": lambda number: False,
            "all": lambda number: True,
            "beginning": lambda number: number < first,
            "any": lambda number: chance.random() < share,
            "torn": lambda number: chance.random() < share,
        }
        for number, op in enumerate(self.pending):
            if kept[style](number):
                for part in _sectors(op, chance) if style == "torn" else (op,):
                    left._apply(part)
        return left

    def _apply(self, op: Wrote | Named) -> bool:
        if isinstance(op, Named):
            for name, file in op.names.items():
                if file is None:
                    self.names.pop(name, None)
                else:
                    self.names[name] = file
            return True
        content = self.files.setdefault(op.file, bytearray())
        if op.octets is None:
            del content[op.offset :]
            content.extend(bytes(op.offset - len(content)))
            return True
        content.extend(bytes(max(0, op.offset - len(content))))
        content[op.offset : op.offset + len(op.octets)] = op.octets
        return True

    def lay(self, was: Path, folder: Path) -> None:
        """Write this state into an empty folder; `was` is the folder in which it came to be."""
        for name in sorted(self.names):
            target = folder / Path(name).relative_to(was)
            if not target.parent.is_dir():
                continue  # its folder was lost
            if self.names[name] == FOLDER:
                target.mkdir()
            else:
                target.write_bytes(self.files.get(self.names[name], b""))


def _covers(synced: int | str, op: Wrote | Named) -> bool:
    if isinstance(op, Named):
        return any(str(Path(name).parent) == synced for name in op.names)
    return op.file == synced


def _sectors(op: Wrote | Named, chance: random.Random) -> Iterator[Wrote | Named]:
    if isinstance(op, Named) or op.octets is None or len(op.octets) <= SECTOR_BYTES:
        yield op
        return
    for begin in range(0, len(op.octets), SECTOR_BYTES):
        if chance.random() < 0.7:
            yield Wrote(op.file, op.offset + begin, op.octets[begin : begin + SECTOR_BYTES])
