"""`dewlid care`: what of the care routine is due, and what was done."""

from __future__ import annotations

import argparse
from typing import get_args

from adapters.wording.figures import Style
from daemon.desk.care_desk import CareDesk
from daemon.desk.care_plans import boxes, coldest_room_c
from daemon.desk.doubt import yes_option
from daemon.desk.numbers import number, whole
from daemon.desk.options import config_option
from rules.care.care import plan, standing
from rules.care.plans import Plan, plan_told
from rules.care.plants import Fed, plants_told
from rules.care.schedule import founds
from rules.keeper.state import garden_ml
from rules.terms.events import DAY_MS
from rules.terms.local_time import day_words, local_day


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
    done.add_argument("--amount", type=number, metavar="NUMBER", help="how much, where it matters")
    done.add_argument("--unit", metavar="UNIT", help="unit of the amount, such as ml")
    yes_option(done)
    done.set_defaults(run=run_done)
    _plants(actions.add_parser(
        "plants", help="what to feed this month, how much, and what never",
        description="What to feed in a month: plants that suit, winter stock, how much, what is refused and what harms.",
    ))  # fmt: skip
    _prepare(actions.add_parser(
        "prepare", help="a plan to print: power cut, moving house, quarantine, holiday",
        description="A checklist to print, with the times at which each box is cold, from what is known of it.",
    ))  # fmt: skip


def _plants(parser: argparse.ArgumentParser) -> None:
    _config_again(parser)
    parser.add_argument("--month", type=whole(1, 12), metavar="1-12", help="another month than this one")
    parser.set_defaults(run=run_plants)


def _prepare(parser: argparse.ArgumentParser) -> None:
    _config_again(parser)
    parser.add_argument("plan", choices=get_args(Plan), help="for what")
    parser.add_argument("--room", type=_room_c, metavar="DEGC",
                        help="how cold the room, or the car, gets, degC; absent: coldest_c of the coldest room")  # fmt: skip
    parser.add_argument("--for-days", type=_days, default=14, metavar="N", help="length of the holiday, 1 to 400 (default 14)")
    parser.set_defaults(run=run_prepare)


def _room_c(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -30.0 <= value <= 40.0:
        raise argparse.ArgumentTypeError(f'"{text}" is not a temperature from -30 to 40 degC')
    return value


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


def run_plants(args: argparse.Namespace) -> int:
    """Print what suits in a month."""
    desk = CareDesk(args)
    month = args.month or local_day(desk.now_ms, desk.settings.zone).month
    gardens = [
        Fed(one.title or name, garden_ml(desk.state.keeper, name, one), founds(desk.settings, desk.state.keeper, name))
        for name, one in desk.settings.chambers.items() if one.role == "fungus"
    ]  # fmt: skip
    print("\n".join(plants_told(month, desk.settings.site.hemisphere, gardens)))
    return 0


def run_prepare(args: argparse.Namespace) -> int:
    """Print a plan."""
    desk = CareDesk(args)
    room_c = coldest_room_c(desk) if args.room is None else args.room
    style = Style(desk.settings.site.temperature_unit, desk.settings.zone)
    print(style.text(plan_told(args.plan, boxes(desk, room_c), room_c, args.for_days)))
    return 0
