"""`dewlid done ADVICE-ID`: the advice was carried out, so its effect can be compared with what was predicted."""

from __future__ import annotations

import argparse

from daemon.desk.doubt import yes_option
from daemon.desk.keeper_desk import KeeperDesk
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
    parser.add_argument("advice", metavar="ADVICE-ID", help="as the letter names it, such as nest-3; or the chamber")
    parser.add_argument("--amount", type=float, metavar="X", help="how much it really was, in the unit of the advice")
    yes_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Say so."""
    desk = KeeperDesk(args)
    advisory = _advisory(desk, args.advice)
    print(desk.speak({"word": "advice-done", "advisory": advisory, "amount": args.amount}))
    return 0


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
