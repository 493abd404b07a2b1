"""The corpus of one target as one readable file: a bytes literal on each line."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterable
from pathlib import Path

FOLDER = Path(__file__).parent / "corpus"
LONGEST = 6_000
"""Longer inputs are not kept: a reader must be able to see what one is about."""


def read(target: str) -> list[bytes]:
    """Return the inputs that are kept for a target."""
    path = FOLDER / f"{target}.txt"
    lines = path.read_text(encoding="ascii").splitlines() if path.exists() else []
    return [ast.literal_eval(line) for line in lines]


def write(target: str, inputs: Iterable[bytes]) -> int:
    """Keep these inputs, the shortest first; returns how many they are."""
    kept = sorted({data for data in inputs if len(data) <= LONGEST}, key=lambda data: (len(data), data))
    (FOLDER / f"{target}.txt").write_text("".join(f"{data!r}\n" for data in kept), encoding="ascii")
    return len(kept)


def unpack(inputs: Iterable[bytes], folder: Path) -> None:
    """Write each input to a file of its own, as the fuzzer wants them."""
    folder.mkdir(parents=True, exist_ok=True)
    for data in inputs:
        (folder / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
