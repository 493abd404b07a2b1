"""`dewlid manual`: the manual page."""

from __future__ import annotations

import argparse


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = subparsers.add_parser(
        "manual", help="print the manual page",
        description="Print the manual page in its source form. To read it: dewlid manual | man -l -. `make install` puts it"
        " where `man dewlid` finds it.",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    import importlib.metadata

    from daemon.screen.manual import manual

    print(manual(args.parser, importlib.metadata.version("dewlid")), end="")
    return 0
