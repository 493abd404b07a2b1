"""`dewlid care`: what of the care routine is due, and what was done."""

from __future__ import annotations

import argparse

from daemon.desk.care_desk import CareDesk
from daemon.desk.doubt import yes_option
from daemon.desk.options import config_option
from rules.care.care import plan, standing
from rules.terms.events import DAY_MS
from rules.terms.local_time import day_words


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = "Without more: what is due now and in the next days. `dewlid care done TASK` logs a task that you did."
    actions = parser.add_subparsers(title="actions", metavar="ACTION", help="without one: list")
    listing = actions.add_parser(
        "list", help="what is due now and in the next days (the default)", description="What is due now and in the next days."
    )
    config_option(parser)
    _config_again(listing)
    for each in (parser, listing):
        each.add_argument("--days", type=_days, default=7, metavar="N", help="how many days ahead, 1 to 400 (default 7)")
        each.set_defaults(run=run_list)
    done = actions.add_parser("done", help="log a task that you did", description="Log a task that you did.")
    _config_again(done)
    done.add_argument("task", metavar="TASK", help="the task, as `dewlid care` names it, such as waste")
    done.add_argument("--chamber", metavar="CHAMBER", help="where; absent: everywhere that has this task")
    done.add_argument("--at", metavar="TIME", help='when: "18:30" today, or 2026-05-31T18:30; absent: now')
    done.add_argument("--amount", type=float, metavar="NUMBER", help="how much, where it matters")
    done.add_argument("--unit", metavar="UNIT", help="unit of the amount, such as ml")
    yes_option(done)
    done.set_defaults(run=run_done)


def _config_again(parser: argparse.ArgumentParser) -> None:
    """The option may stand before or after the action; where it is absent it must not undo the other."""
    parser.add_argument("--config", metavar="CONFIG", default=argparse.SUPPRESS, help="path of the config file")


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 400:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of days from 1 to 400')
    return int(text)


def run_list(args: argparse.Namespace) -> int:
    """Print what stands and what comes."""
    desk = CareDesk(args)
    now = standing(desk.settings, desk.state.care)
    ahead = plan(desk.settings, desk.state.care, desk.state.keeper, desk.now_ms + args.days * DAY_MS)
    print("Due now:" if now else "Nothing is due now.")
    for one in now:
        since = day_words(one.due_ms, desk.settings.zone)
        print(f"  {one.task:18} {one.where}: {one.title} ({one.status.replace('-', ' ')} since {since})")
    print(f"The next {args.days} days:")
    for one in ahead:
        if one.due_ms > desk.now_ms:
            when = "every day" if one.repeats_ms else day_words(one.due_ms, desk.settings.zone)
            print(f"  {one.task:18} {when:15} {one.where}: {one.title}")
    return 0


def run_done(args: argparse.Namespace) -> int:
    """Log a doing."""
    desk = CareDesk(args)
    word = {
        "word": "care-done", "chamber": args.chamber, "task": args.task, "at_ms": desk.moment(args.at),
        "amount": args.amount, "unit": args.unit,
    }  # fmt: skip
    print(desk.speak(word))
    return 0
