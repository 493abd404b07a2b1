"""`dewlid restore BACKUP`: put a verified copy in the place of the store."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from daemon.desk.options import config_option, load_config
from daemon.exit_status import ExitStatus
from daemon.store.backup import fault_of
from daemon.store.opening import restore_backup


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Put a verified copy in the place of the store, with the daemon stopped. The present store is kept beside"
        " it under another name; nothing is deleted. Without a copy: list those beside the store, each verified."
    )
    config_option(parser)
    parser.add_argument("backup", metavar="BACKUP", nargs="?", help="the copy that `dewlid backup` or the daemon made")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Restore or list."""
    store = load_config(args).store
    if args.backup is None:
        return _list(store)
    if not Path(args.backup).is_file():
        print(f"dewlid: {args.backup}: there is no such file; `dewlid restore` lists the copies", file=sys.stderr)
        return ExitStatus.NO_INPUT
    former = restore_backup(Path(args.backup).absolute(), store, now_ms=round(time.time() * 1000))
    print(f"{store} is {args.backup} now, verified.")
    if former is not None:
        print(f"The store that was there is kept as {former}.")
    return ExitStatus.OK


def _list(store: Path) -> int:
    found = sorted((store.parent / "backups").glob(f"{store.stem}.*.backup.sqlite3"), reverse=True)
    if not found:
        print(f"There is no copy in {store.parent / 'backups'} yet; the daemon makes one every night, `dewlid backup` at once.")
    for each in found:
        fault = fault_of(each)
        print(f"{each}  {each.stat().st_size / 1e6:.1f} MB  {'not whole: ' + fault if fault else 'whole'}")
    return 0
