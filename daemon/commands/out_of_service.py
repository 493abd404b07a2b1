"""`dewlid out-of-service`: a probe is taken out of use, or put back."""

from __future__ import annotations

import argparse

from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, duration_ms


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Take a probe out of use, such as while it stands in salt: nothing it says is believed, and nothing is"
        " told of its silence. It comes back by itself, after 14 days at the latest; `back` puts it back now."
    )
    config_option(parser)
    parser.add_argument("probe", metavar="PROBE", help="the probe's id")
    parser.add_argument("back", nargs="?", choices=("back",), help="put it back now")
    parser.add_argument(
        "--for", dest="for_ms", type=duration_ms, default=86_400_000, metavar="TIME", help="how long, such as 2d (default 1d)"
    )
    parser.add_argument("--reason", default="", metavar="TEXT", help="why, for the record")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take it out or put it back."""
    desk = KeeperDesk(args)
    for_ms = 0 if args.back else args.for_ms
    word = {"word": "out-of-service", "probe": desk.probe(args.probe), "for_ms": for_ms, "reason": args.reason}
    print(desk.speak(word))
    return 0
