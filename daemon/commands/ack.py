"""`dewlid ack`: seen; reminders stop."""

from __future__ import annotations

import argparse

from daemon.desk.alarm_targets import chosen, is_standing
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, target_arguments


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Acknowledge an alarm, all of a chamber, or all: you have seen them, and need no reminder. What was"
        " latched and is over is let go. An alarm that becomes worse is told again."
    )
    config_option(parser)
    target_arguments(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Acknowledge."""
    desk = KeeperDesk(args)
    words = chosen(desk, args, lambda record: is_standing(record) and not record.acknowledged)
    if not words:
        print("Nothing to acknowledge: no alarm stands that is not acknowledged.")
        return 0
    print(desk.speak(*({"word": "acknowledge", **word} for word in words)))
    return 0
