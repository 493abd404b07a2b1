"""Numbers on the command line, told in words where they are none."""

from __future__ import annotations

import argparse
from collections.abc import Callable


def number(text: str) -> float:
    """Read a number; for argparse's `type`. A comma is never guessed at: 1,500 may be one and a half or fifteen hundred."""
    try:
        return float(text)
    except ValueError:
        point = f": write it with a point, such as {text.replace(',', '.')}" if text.count(",") == 1 else ", such as 2.5"
        raise argparse.ArgumentTypeError(f'"{text}" is no number{point}') from None


def whole(low: int, high: int) -> Callable[[str], int]:
    """Return what reads a whole number within these; for argparse's `type`."""

    def read(text: str) -> int:
        if not text.isascii() or not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f'"{text}" is no whole number from {low} to {high}')
        return int(text)

    return read
