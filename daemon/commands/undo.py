"""`dewlid undo`: take back what was said by mistake."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option, say
from daemon.desk.undoing import name_of, of_one_command
from daemon.store.spool import Spool, WordError
from rules.keeper.state import Said


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Take back your last command, or the one that is named, with what followed from it: what was booked and"
        " learned, a garden's size, an absence, a correction, that you have seen an alarm. Then say it again, rightly. A"
        " letter that was sent stays sent."
    )
    config_option(parser)
    parser.add_argument("word", metavar="ID", nargs="?", help="which one, as --list names it; absent: the last")
    parser.add_argument("--list", action="store_true", help="show what can be taken back, the latest first")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take it back, or list what can be."""
    desk = KeeperDesk(args)
    unheard, gone = _waiting(desk)
    said = [said for said in desk.state.keeper.said if said.word_id not in gone]
    if args.list:
        print(_listed(desk, said, len(unheard)))
        return 0
    if back := of_one_command(unheard, args.word):
        for word_id in back:
            say(desk.configuration, {"word": "take-back", "said": word_id})
        print("Taken back: the daemon has not heard it yet, and will let it do nothing.")
        return 0
    back = of_one_command([one.word_id for one in said], args.word)
    if not back and args.word is None:
        raise WordError("There is nothing to take back.")
    print(desk.speak(*({"word": "take-back", "said": word_id} for word_id in back or [args.word])))
    return 0


def _waiting(desk: KeeperDesk) -> tuple[list[str], set[str]]:
    """Return the ids of the words that the daemon has not heard yet, and of those that one of them takes back."""
    words = Spool(desk.configuration.spool_folder).not_taken()
    gone = {str(word.get("said")) for word in words if word.get("word") == "take-back"}
    ids = [str(word.get("word_id")) for word in words if word.get("word") != "take-back"]
    return [word_id for word_id in ids if word_id not in gone], gone


def _listed(desk: KeeperDesk, words: Sequence[Said], unheard: int) -> str:
    rows: dict[str, list[str]] = {}
    for said in reversed(words):
        name = name_of(said.word_id)
        rows.setdefault(name, [f"{desk.local(said.taken_ms)}  {name}  ({said.by})"]).append(f"    {desk.in_words(said.text)}")
    lines = [line for row in rows.values() for line in row] or ["There is nothing to take back."]
    head = [f"Not heard yet by the daemon: {unheard}; `dewlid undo` begins with those."] if unheard else []
    return "\n".join([*head, *lines])
