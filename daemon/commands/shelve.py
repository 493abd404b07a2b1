"""`dewlid shelve` and `dewlid unshelve`: one alarm quiet for a bounded time."""

from __future__ import annotations

import argparse

from daemon.desk.options import config_option, duration_ms, target_arguments


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register both commands."""
    shelve = subparsers.add_parser(
        "shelve", help="quiet one alarm for a time",
        description="Quiet one alarm for a time, a week at most. A harmful level still comes through, and when the time is"
        " over it is told again if it still stands.",
    )  # fmt: skip
    config_option(shelve)
    target_arguments(shelve)
    shelve.add_argument(
        "--for", dest="for_ms", type=duration_ms, default=4 * 3_600_000, metavar="TIME", help="such as 2d (default 4h)"
    )
    shelve.set_defaults(run=run_shelve)
    unshelve = subparsers.add_parser(
        "unshelve", help="let a shelved alarm be told again", description="End the quiet of a shelved alarm before its time."
    )
    config_option(unshelve)
    target_arguments(unshelve)
    unshelve.set_defaults(run=run_unshelve)


def run_shelve(args: argparse.Namespace) -> int:
    """Shelve what is named."""
    return _speak(args, {"word": "shelve", "for_ms": args.for_ms})


def run_unshelve(args: argparse.Namespace) -> int:
    """Unshelve what is named."""
    return _speak(args, {"word": "unshelve"})


def _speak(args: argparse.Namespace, word: dict[str, object]) -> int:
    from daemon.desk.alarm_targets import chosen, is_standing
    from daemon.desk.keeper_desk import KeeperDesk

    desk = KeeperDesk(args)
    shelving = word["word"] == "shelve"
    words = chosen(
        desk, args, lambda r: is_standing(r) and r.shelf_until_ms is None if shelving else r.shelf_until_ms is not None
    )
    for each in words:
        each.pop("occurrence", None)
    if not words:
        print("Nothing to shelve: no such alarm stands." if shelving else "Nothing is shelved.")
        return 0
    print(desk.speak(*({**word, **each} for each in words)))
    return 0
