"""`dewlid unshelve`: the quiet of a shelved alarm ends before its time."""

from __future__ import annotations

import argparse

from daemon.desk.alarm_targets import chosen
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, target_arguments


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = "End the quiet of a shelved alarm before its time."
    config_option(parser)
    target_arguments(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Unshelve what is named."""
    desk = KeeperDesk(args)
    words = chosen(desk, args, lambda record: record.shelf_until_ms is not None)
    for each in words:
        each.pop("occurrence", None)
    if not words:
        print("Nothing is shelved.")
        return 0
    print(desk.speak(*({"word": "unshelve", **each} for each in words)))
    return 0
