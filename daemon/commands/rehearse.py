"""`dewlid rehearse`: does a letter that wakes you really arrive?"""

from __future__ import annotations

import argparse
import sys
from datetime import datetime, tzinfo
from functools import partial

from adapters.outlets import MailOutlet
from daemon.clock import SystemClock
from daemon.config.configuration import Configuration
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import Lacking, config_option, duration_ms
from daemon.desk.rehearsal import Follower
from daemon.exit_status import ExitStatus
from rules.telling.telling import REHEARSED


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Have the running daemon send what it sends in an emergency, marked as a rehearsal, by every outlet: the urgent"
        " letter, the reminder, the letter to the second address and the one to the stand-in, a minute apart. It is told"
        " when each server has taken each one over; whether your telephone sounds, only you can hear."
    )
    config_option(parser)
    parser.add_argument(
        "--wait", type=duration_ms, default=8 * 60_000, metavar="TIME", help="how long to follow them (default 8min)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Rehearse."""
    desk = KeeperDesk(args)
    if desk.silence:
        print(f"dewlid: A rehearsal is sent by the daemon. {desk.silence}", file=sys.stderr)
        return ExitStatus.TRY_AGAIN
    if not desk.configuration.outlet:
        raise Lacking("Your config has no outlet: nothing could arrive.")
    follower = Follower(desk.configuration, desk.settings, desk.now_ms - 1000, len(REHEARSED), SystemClock().wall_ms)
    print(desk.speak({"word": "rehearse"}), *_who_is_missing(desk.configuration), sep="\n", flush=True)
    arrived = follower.follow(args.wait / 1000, partial(_tell, desk.settings.zone))
    waiting = [way.told() for way in follower.ways if way.outcome == "waits"]
    missing = len(REHEARSED) - len({way.event_id for way in follower.ways})
    for line in [*waiting, *([f"{missing} of {len(REHEARSED)} letters were not written yet"] if missing else [])]:
        print(line)
    if arrived:
        print("Every letter was taken over. Look whether each arrived, and whether the urgent ones would have woken you.")
        return 0
    print("Not every letter went out: dewlid check says why.")
    return ExitStatus.TRY_AGAIN


def _who_is_missing(configuration: Configuration) -> list[str]:
    """Return who of those that the letters are for has no address of their own."""
    mails = [outlet for outlet in configuration.outlet.values() if isinstance(outlet, MailOutlet)]
    if not mails:
        return ["No mail outlet is written: these letters reach nobody who does not look at the other outlets."]
    lacking = {"second": "second address", "stand_in": "stand-in"}
    return [
        f"No {who} is written (`{key}` of the mail outlet): that letter comes to you as well."
        for key, who in lacking.items() if not any(getattr(mail, key) for mail in mails)
    ]  # fmt: skip


def _tell(zone: tzinfo, line: str) -> None:
    print(f"{datetime.now(zone):%H:%M:%S}  {line}", flush=True)
