"""`dewlid calendar`: the care plan as a file for the keeper's own calendar."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.calendar_file import refresh
from daemon.desk.care_desk import CareDesk
from daemon.desk.options import config_option


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Write the care plan of the next days as an iCalendar file (RFC 5545). Written again, it is updated in"
        " place: a task that moved keeps its identity, so your calendar moves it too."
    )
    config_option(parser)
    parser.add_argument("file", metavar="FILE", type=Path, help="the file, such as /var/www/care.ics")
    parser.add_argument("--days", type=_days, default=90, metavar="N", help="how many days ahead, 1 to 400 (default 90)")
    parser.set_defaults(run=run)


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 400:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of days from 1 to 400')
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Bring the file up to date."""
    desk = CareDesk(args)
    entries, changed = refresh(args.file, desk.settings, desk.state.care, desk.state.keeper, desk.now_ms, args.days)
    print(f"{args.file}: {entries} entries, {'written' if changed else 'nothing changed'}")
    return 0
