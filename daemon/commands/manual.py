"""`dewlid manual`: the manual page."""

from __future__ import annotations

import argparse
import importlib.metadata

from daemon.screen.manual import manual


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Print the manual page in its source form. To read it: dewlid manual | man -l -. `make install` puts it"
        " where `man dewlid` finds it."
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    print(manual(args.parser(), importlib.metadata.version("dewlid")), end="")
    return 0
