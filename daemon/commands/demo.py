"""`dewlid demo`: some days of a simulated shelf within a minute, to see what dewlid does without any hardware."""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from pathlib import Path

from daemon.demo.closing import closing, opening
from daemon.demo.stage import show
from daemon.desk.options import quiet_logs
from daemon.exit_status import ExitStatus
from rules.terms.events import DAY_MS


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Let five days of a simulated shelf with two fungus chambers pass in a minute: too much mist, a heater"
        " that fails on a cold night, an over-heated dry day, a frozen probe. The engine, the store, the outbox and, where"
        " mosquitto is installed, the MQTT broker are real."
    )
    parser.add_argument("--days", type=_days, default=5.0, metavar="N", help="how many days; absent: 5")
    parser.add_argument("--out", metavar="DIR", help="folder for store, config and letters; absent: a new one in /tmp")
    parser.set_defaults(run=run)


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = -1.0
    if not 0 < days <= 30:
        raise argparse.ArgumentTypeError(f'"{text}" is no number of days from 1 to 30')
    return days


def run(args: argparse.Namespace) -> int:
    """Show it, or say why the folder cannot be used."""
    quiet_logs()
    folder = _folder(args.out)
    if folder is None:
        return ExitStatus.CANNOT_CREATE
    print(opening(args.days))
    begin_s = time.monotonic()
    last_midnight_ms = round(time.time() * 1000) // DAY_MS * DAY_MS
    shown = show(folder, last_midnight_ms - math.ceil(args.days) * DAY_MS, args.days, sys.stdout)
    print(closing(shown, time.monotonic() - begin_s))
    return 0


def _folder(name: str | None) -> Path | None:
    if name is None:
        return Path(tempfile.mkdtemp(prefix="dewlid-demo-"))
    folder = Path(name).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            print(f"dewlid: --out {folder}: the folder is not empty; name a new one", file=sys.stderr)
            return None
    except OSError as error:
        print(f"dewlid: --out {folder}: {error.strerror}; name a folder that you may write", file=sys.stderr)
        return None
    return folder
