"""`dewlid done ADVICE-ID`: the advice was carried out, so its effect can be compared with what was predicted."""

from __future__ import annotations

import argparse

from daemon.desk.doubt import yes_option
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.numbers import number
from daemon.desk.options import config_option
from daemon.store.spool import WordError
from rules.advice.done import asked_text, told_as


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Say that you did what was advised, perhaps by another amount. Its effect is then compared with what was"
        " predicted, you are told whether it works, and the next advice knows your device better."
    )
    config_option(parser)
    meant = "as the letter names it, such as nest-3; or the chamber, the room, or all"
    parser.add_argument("advice", metavar="ADVICE-ID", help=meant)
    parser.add_argument("--amount", type=number, metavar="X", help="how much it really was, in the unit of the advice")
    parser.add_argument("--left-out", action="store_true", help="the heater does not switch off and stays unplugged")
    yes_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Say so."""
    desk = KeeperDesk(args)
    told = [_advisory(desk, name) for name in _meant(desk, args.advice)]
    if args.amount is not None and len(told) > 1:
        raise WordError("--amount is that of one advice: say it of each by itself.")
    said = {"word": "advice-done", "amount": args.amount} | ({"left_out": True} if args.left_out else {})
    print(desk.speak(*(said | {"advisory": advisory} for advisory in told)))
    return 0


def _meant(desk: KeeperDesk, given: str) -> list[str]:
    """Return what is named: of `all` or a room each chamber that has an open advice which is not done."""
    if given != "all" and given not in desk.settings.rooms:
        return [given]
    inside = [name for name, chamber in desk.settings.chambers.items() if given in ("all", chamber.room)]
    advisers = ((name, desk.state.advice.get(name)) for name in inside)
    found = [name for name, adviser in advisers if adviser is not None and adviser.open and adviser.open.done_ms is None]
    if not found:
        raise WordError("No advice is open there.")
    return found


def _advisory(desk: KeeperDesk, given: str) -> str:
    """Return what `done` is said of; of a chamber its open advice, if the last letter told it as it is now."""
    if given not in desk.settings.chambers:
        return given
    adviser = desk.state.advice.get(given)
    if adviser is None or adviser.open is None:
        raise WordError(f"No advice is open for {given}.")
    sent = desk.state.telling.advice_sent.get(given)
    read = told_as(adviser, sent.name) if sent is not None else None
    if read is None or read.advisory != adviser.open.advisory or read.name == adviser.open.name:
        return adviser.open.name
    both = "".join(f"\n  {told.name}: {asked_text(told)}" for told in (read, adviser.open))
    raise WordError(f"The advice has changed since your letter. Say which one you did, as in dewlid done {read.name}:{both}")
