"""`dewlid garden CHAMBER`: how large the garden is, how it grows, and the space it will want."""

from __future__ import annotations

import argparse

from daemon.desk.care_desk import CareDesk
from daemon.desk.doubt import yes_option
from daemon.desk.numbers import number
from daemon.desk.options import config_option
from daemon.store.spool import WordError
from rules.care.growth_text import growth_text, space_text


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Enter the garden's size: it scales urgency, dryness limits and care. Without a size: how it grows,"
        " when the cover goes, when the basin is full, and the space to plan for."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", help="the fungus chamber")
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--fill", type=number, metavar="SHARE", help="share of the basin that the garden fills, such as 0.25")
    size.add_argument("--ml", type=number, metavar="ML", help="volume of the garden in millilitres")
    parser.add_argument("--at", metavar="TIME", help='when: "18:30" today, or 2026-05-31T18:30; absent: now')
    yes_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Enter a size, or print growth and space plan."""
    desk = CareDesk(args)
    if args.fill is not None or args.ml is not None:
        word = {
            "word": "garden",
            "chamber": args.chamber,
            "at_ms": desk.moment(args.at),
            "fill": args.fill,
            "garden_ml": args.ml,
        }
        print(desk.speak(word))
        return 0
    if args.chamber not in desk.settings.chambers:
        raise WordError(f"There is no chamber {args.chamber!r}. Chambers: {', '.join(desk.settings.chambers)}.")
    asked = desk.settings, desk.state.keeper, args.chamber, desk.state.care.since_ms or desk.now_ms, desk.now_ms
    print(f"{args.chamber}: {growth_text(*asked)}")
    print("Space to plan for, if room is given:")
    for line in space_text(*asked):
        print(f"  {line}")
    return 0
