"""`dewlid run CONFIG`: watch, in the foreground, until SIGTERM or SIGINT; SIGHUP reads the config again."""

from __future__ import annotations

import argparse
import gc

from daemon.desk.options import config_argument, config_path
from daemon.watch.daemon import serve


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Watch the chambers, in the foreground: read the probes, judge, record, and tell the keeper."
        " SIGTERM ends it cleanly, SIGHUP reads the config again."
    )
    config_argument(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the daemon until it is told to end."""
    gc.collect()  # classes that were made twice, 2 MiB: what is loaded next takes their place
    gc.disable()  # until it watches: hardly anything is thrown away while it starts
    return serve(config_path(args))
