"""`dewlid report CONFIG --out FILE.html`: what the record shows of a period, as one page for screen, phone and paper."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from daemon.clock import SystemClock
from daemon.config.settings import settings_of
from daemon.desk.options import config_argument, duration_ms, load_config
from daemon.report.page import page
from daemon.report.record import read_record
from daemon.report.writing import write_whole
from daemon.store.spool import WordError


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Write one HTML page: whether each garden is well and what to do, temperature and humidity against their"
        " bands, the lid against the dew point, the time against the one before it, what advice and alarms brought, care and"
        " probes. It needs no network and no script, fits a phone, and prints on A4."
    )
    config_argument(parser)
    parser.add_argument(
        "--since", type=duration_ms, default=7 * 86_400_000, metavar="SPAN", help="how far back, such as 36h or 90d; absent: 7d"
    )
    parser.add_argument("--chamber", action="append", default=[], metavar="ID", help="only this chamber; may be given again")
    parser.add_argument("--out", required=True, metavar="FILE.html", help="the file to write; - for standard output")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the page and say where."""
    configuration = load_config(args)
    settings = settings_of(configuration)
    for name in args.chamber:
        if name not in settings.chambers:
            raise WordError(f"There is no chamber {name!r}. Chambers: {', '.join(settings.chambers)}.")
    if args.since <= 0:
        raise WordError("--since 0: a period has some length; write it like 36h or 7d.")
    chambers = list(dict.fromkeys(args.chamber))
    text = page(read_record(configuration.store, settings, SystemClock().wall_ms(), args.since, chambers))
    if args.out == "-":
        sys.stdout.write(text)
        return 0
    path = write_whole(Path(args.out), text)
    print(f"Written: {path} ({len(text.encode()) // 1024} KiB). Open it in a browser.")
    return 0
