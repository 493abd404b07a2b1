"""`dewlid visit CHAMBER`: work in the tank is announced."""

from __future__ import annotations

import argparse

from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, duration_ms


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Announce work in a chamber: steps of lid and humidity are quiet meanwhile, heat never is. It ends by"
        " itself, after 4 hours at the latest."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", help="the chamber")
    parser.add_argument(
        "--for", dest="for_ms", type=duration_ms, default=20 * 60_000, metavar="TIME", help="how long (default 20min)"
    )
    parser.add_argument("--over", action="store_true", help="the work is done: watch all again now")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Announce it, or end it."""
    desk = KeeperDesk(args)
    for_ms = 0 if args.over else args.for_ms
    print(desk.speak({"word": "visit", "chamber": desk.chamber(args.chamber), "for_ms": for_ms}))
    return 0
