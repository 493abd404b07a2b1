"""`dewlid leaves CHAMBER PLANT`: a line of the leaf diary."""

from __future__ import annotations

import argparse

from daemon.desk.care_desk import CareDesk
from daemon.desk.options import config_option
from daemon.store.spool import WordError
from rules.care.leaf_diary import told
from rules.care.nest import colonies, colony_of
from rules.terms.events import DAY_MS


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Write down which leaves you gave: if the garden suffers later, the diary names them. It counts as feeding."
        " Without a plant: the diary of the last two weeks."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", help="any chamber of the colony")
    parser.add_argument("plant", metavar="PLANT", nargs="?", help="the plant, such as bramble")
    parser.add_argument("--place", default="", metavar="PLACE", help="where it was picked or bought")
    treated = parser.add_mutually_exclusive_group()
    treated.add_argument("--treated", action="store_const", const=True, default=None, help="it was sprayed, or may have been")
    treated.add_argument("--untreated", dest="treated", action="store_const", const=False, help="it was surely not sprayed")
    parser.add_argument("--at", metavar="TIME", help='when: "18:30" today, or 2026-05-31T18:30; absent: now')
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write a line, or print the diary."""
    desk = CareDesk(args)
    if args.plant is not None:
        word = {
            "word": "leaves", "chamber": args.chamber, "at_ms": desk.moment(args.at), "plant": args.plant,
            "place": args.place, "treated": args.treated,
        }  # fmt: skip
        print(desk.speak(word))
        return 0
    if args.chamber not in desk.settings.chambers:
        raise WordError(f"There is no chamber {args.chamber!r}. Chambers: {', '.join(desk.settings.chambers)}.")
    members = colonies(desk.settings.chambers)[colony_of(desk.settings.chambers, args.chamber)]
    lines = [line for line in desk.state.care.leaves if line.chamber in members and line.at_ms > desk.now_ms - 14 * DAY_MS]
    print("\n".join(told(line, desk.now_ms) for line in lines) or "No leaves were written down in the last two weeks.")
    return 0
