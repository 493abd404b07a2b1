"""`dewlid export`: the stored readings in an open form."""

from __future__ import annotations

import argparse
from pathlib import Path

from daemon.config.settings import settings_of
from daemon.desk.export import quarter_hours, readings
from daemon.desk.options import config_argument, load_config, since_ms
from daemon.report.writing import NotWritten
from daemon.store.reader import FAR_MS, HistoryReader


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Write the stored readings in the order in which they were taken, to stdout or a file; the daemon may run"
        " meanwhile. `dewlid replay` reads all three forms. Readings older than [site] keep_readings exist only as quarters of"
        " an hour: see --quarter-hours."
    )
    config_argument(parser)
    parser.add_argument("--form", choices=("csv", "json-lines", "senml"), default="csv", help="absent: csv")
    parser.add_argument("--since", metavar="WHEN", help="the first instant: 7d, or 2026-05-31T22:30; absent: all")
    parser.add_argument("--until", metavar="WHEN", help="the first instant that is left out; absent: all")
    parser.add_argument("--quarter-hours", action="store_true", help="write the rolled-up older readings, as CSV")
    parser.add_argument("--out", metavar="FILE", help="where to; it must not exist yet. Absent: stdout")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Export; raises NotWritten."""
    configuration = load_config(args)
    zone = settings_of(configuration).zone
    begin_ms = since_ms(args.since, zone) if args.since else 0
    end_ms = since_ms(args.until, zone) if args.until else FAR_MS
    count = 0
    with HistoryReader(configuration.store) as reader:
        lines = quarter_hours(reader, begin_ms, end_ms) if args.quarter_hours else readings(reader, args.form, begin_ms, end_ms)
        if args.out is None:
            for line in lines:
                print(line)
            return 0
        try:
            with Path(args.out).open("x", encoding="utf-8") as file:
                for line in lines:
                    count += 1
                    file.write(f"{line}\n")
        except OSError as error:
            raise NotWritten(f"--out {args.out}: {error.strerror}; name a new file in a folder of your own") from error
    print(f"{args.out}: {count} lines")
    return 0
