"""`dewlid ack`: seen; reminders stop."""

from __future__ import annotations

import argparse

from daemon.desk.options import config_option, target_arguments


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = subparsers.add_parser(
        "ack", help="acknowledge an alarm: you have seen it, reminders stop",
        description="Acknowledge an alarm, all of a chamber, or all: you have seen them, and need no reminder. What was"
        " latched and is over is let go. An alarm that becomes worse is told again.",
    )  # fmt: skip
    config_option(parser)
    target_arguments(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Acknowledge."""
    from daemon.desk.alarm_targets import chosen, is_standing
    from daemon.desk.keeper_desk import KeeperDesk

    desk = KeeperDesk(args)
    words = chosen(desk, args, lambda record: is_standing(record) and not record.acknowledged)
    if not words:
        print("Nothing to acknowledge: no alarm stands that is not acknowledged.")
        return 0
    print(desk.speak(*({"word": "acknowledge", **word} for word in words)))
    return 0
