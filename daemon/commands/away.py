"""`dewlid away FROM TO`: the keeper is away, a stand-in looks after the shelf."""

from __future__ import annotations

import argparse
import re

from daemon.desk.care_desk import CareDesk
from daemon.desk.options import UsageError, config_option
from rules.terms.local_time import time_words


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Hand the shelf over: a day before you leave the stand-in gets a checklist in plain words, and meanwhile"
        " the alarms. A date alone means the whole day. `dewlid away --back`: you are back, or do not go at all."
        " Without dates: the absences that are known."
    )
    config_option(parser)
    parser.add_argument("begin", metavar="FROM", nargs="?", help="first day or moment, such as 2026-12-27 or 2026-12-27T09:00")
    parser.add_argument("end", metavar="TO", nargs="?", help="last day or moment")
    parser.add_argument("--back", action="store_true", help="end every absence now")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan, end or list absences."""
    desk = CareDesk(args)
    if args.back:
        print(desk.speak({"word": "away", "from_ms": desk.now_ms, "to_ms": desk.now_ms}))
        return 0
    if args.begin is None:
        print(*_known(desk), sep="\n")
        return 0
    if args.end is None:
        raise UsageError("Say from when to when, such as `dewlid away 2026-12-27 2027-01-05`, or `dewlid away --back`.")
    begin_ms = desk.moment(args.begin)
    end_ms = desk.moment(f"{args.end}T23:59" if re.fullmatch(r"\d{4}-\d{2}-\d{2}", args.end) else args.end)
    print(desk.speak({"word": "away", "from_ms": begin_ms, "to_ms": end_ms}))
    if not any(getattr(outlet, "stand_in", None) for outlet in desk.configuration.outlet.values()):
        print("No outlet of your config has a stand_in address: until it has, these letters come to your own.")
    return 0


def _known(desk: CareDesk) -> list[str]:
    """Return a line for each absence that is planned or goes on."""
    zone = desk.settings.zone
    stages = {"planned": "", "prepared": "; your stand-in has the checklist", "begun": ": now, and alarms go to the stand-in"}
    lines = [
        f"Away from {time_words(one.begins, zone)} to {time_words(one.ends, zone)}{stages[one.stage]}."
        for one in desk.state.keeper.absences
    ]
    return [*filter(None, [desk.silence]), *(lines or ["No absence is planned."])]
