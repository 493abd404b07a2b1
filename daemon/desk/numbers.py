"""Numbers on the command line, told in words where they are none."""

from __future__ import annotations

import argparse


def number(text: str) -> float:
    """Read a number; for argparse's `type`. A comma is never guessed at: 1,500 may be one and a half or fifteen hundred."""
    try:
        return float(text)
    except ValueError:
        point = f": write it with a point, such as {text.replace(',', '.')}" if text.count(",") == 1 else ", such as 2.5"
        raise argparse.ArgumentTypeError(f'"{text}" is no number{point}') from None
