"""`dewlid backup`: a verified copy of the store, made while the daemon runs."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from daemon.desk.numbers import whole
from daemon.desk.options import config_argument, load_config
from daemon.exit_status import ExitStatus
from daemon.report.writing import NotWritten
from daemon.store.backup import back_up, fault_of
from daemon.store.errors import HistoryError
from daemon.store.reader import HistoryReader


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Make a copy of the store while it is in use, and verify it. The daemon makes one every night by itself;"
        " a copy on another disk is what saves you when this one fails."
    )
    config_argument(parser)
    parser.add_argument("--to", metavar="FOLDER", help="where to; absent: the folder `backups` beside the store")
    parser.add_argument("--keep", type=whole(1, 1000), default=5, metavar="N", help="how many copies stay there; absent: 5")
    parser.add_argument("--verify", metavar="FILE", help="make none; say whether this copy is whole")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Copy or verify; 74 when the copy is not whole; raises NotWritten."""
    if args.verify is not None:
        if not Path(args.verify).is_file():
            print(f"dewlid: {args.verify}: there is no such file", file=sys.stderr)
            return ExitStatus.NO_INPUT
        if fault := fault_of(Path(args.verify)):
            print(f"dewlid: {args.verify}: not whole: {fault}", file=sys.stderr)
            return ExitStatus.INPUT_OUTPUT
        print(f"{args.verify}: whole")
        return ExitStatus.OK
    store = load_config(args).store
    HistoryReader(store).close()  # tells in words when there is no store yet
    folder = Path(args.to).absolute() if args.to else store.parent / "backups"
    _look_at(folder)
    try:
        made = back_up(store, folder, now_ms=round(time.time() * 1000), keep=args.keep)
    except HistoryError as error:
        if folder.is_dir():
            raise
        raise NotWritten(f"--to {folder}: this folder cannot be made; name one that you may write") from error
    print(f"{made}: {made.stat().st_size / 1e6:.1f} MB, verified")
    print(f"To go back to it, with the daemon stopped: dewlid restore {made}")
    return ExitStatus.OK


def _look_at(folder: Path) -> None:
    """Raise NotWritten where no file can be made in a folder; one that is not there yet will be made."""
    try:
        if folder.exists():
            tempfile.TemporaryFile(dir=folder).close()
    except OSError as error:
        raise NotWritten(f"{folder}: {error.strerror}; name one that you may write by --to, or use sudo") from error
