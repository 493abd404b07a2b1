"""`dewlid shelve`: one alarm quiet for a bounded time."""

from __future__ import annotations

import argparse

from daemon.desk.alarm_targets import chosen, is_standing
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, duration_ms, target_arguments


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Quiet one alarm for a time, a week at most. A harmful level still comes through, and when the time is"
        " over it is told again if it still stands."
    )
    config_option(parser)
    target_arguments(parser)
    parser.add_argument(
        "--for", dest="for_ms", type=duration_ms, default=4 * 3_600_000, metavar="TIME", help="such as 2d (default 4h)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Shelve what is named."""
    desk = KeeperDesk(args)
    words = chosen(desk, args, lambda record: is_standing(record) and record.shelf_until_ms is None)
    for each in words:
        each.pop("occurrence", None)
    if not words:
        print("Nothing to shelve: no such alarm stands.")
        return 0
    print(desk.speak(*({"word": "shelve", "for_ms": args.for_ms, **each} for each in words)))
    return 0
