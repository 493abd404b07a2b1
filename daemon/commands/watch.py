"""`dewlid watch CONFIG`: the chambers in the terminal, live, until Ctrl-C; it only reads the record."""

from __future__ import annotations

import argparse

from daemon.config.settings import settings_of
from daemon.desk.live_table import Glance
from daemon.desk.options import config_argument, duration_ms, load_config
from daemon.screen.terminal import show


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Show each chamber with its trend, what stands and what to do, live, until Ctrl-C. It only reads the"
        " record, so the daemon need not know of it. NO_COLOR turns colour off; where output is no terminal it is printed"
        " once."
    )
    config_argument(parser)
    parser.add_argument("--every", type=duration_ms, default=5_000, metavar="SPAN", help="how often to look again (5s)")
    parser.add_argument("--once", action="store_true", help="print once and end")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the chambers until told to end."""
    configuration = load_config(args)
    glance = Glance(configuration.store, settings_of(configuration))
    return show(glance.lines, every_s=max(args.every, 1_000) / 1000, once=args.once)
