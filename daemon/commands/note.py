"""`dewlid note CHAMBER`: what the keeper saw, and what it means."""

from __future__ import annotations

import argparse
import difflib

from daemon.desk.care_desk import CareDesk
from daemon.desk.options import config_option
from daemon.store.spool import WordError
from rules.trade.symptoms import SYMPTOMS

_GROUPS = {
    "fungus": "how the fungus looks, such as growing or dry-edge",
    "lid": "how the lid looks, such as dry, mist or droplets",
    "ants": "what the ants do, such as calm or gathered-at-vents",
    "waste": "how the waste is, such as waste-damp",
}
# The lid's model learns from these too; drops that fall are droplets to it.
_LID = {"dry": "dry", "mist": "mist", "droplets": "droplets", "dripping": "droplets"}


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Note what you saw. Words of the vocabulary (`dewlid note --words` lists them) are read against the"
        " climate of the last days at once."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", nargs="?", help="the chamber")
    parser.add_argument("text", metavar="TEXT", nargs="?", default="", help="in your own words, at most 2000 characters")
    for group, what in _GROUPS.items():
        parser.add_argument(f"--{group}", action="append", default=[], metavar="WORD", help=what)
    parser.add_argument("--words", action="store_true", help="list the words, and end")
    parser.add_argument("--at", metavar="TIME", help='when: "18:30" today, or 2026-05-31T18:30; absent: now')
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Note it; sights of the lid are evidence for the lid's model too."""
    if args.words:
        return _list_words()
    if args.chamber is None:
        raise WordError("Say which chamber, such as `dewlid note nest --fungus dry-edge`.")
    desk = CareDesk(args)
    at_ms = desk.moment(args.at)
    seen = tuple(dict.fromkeys(word for group in _GROUPS for word in getattr(args, group)))
    words: list[dict[str, object]] = [
        {"word": "observation", "chamber": args.chamber, "at_ms": at_ms, "seen": seen, "text": args.text}
    ]
    words += [
        {"word": "lid-seen", "chamber": args.chamber, "at_ms": at_ms, "seen": _LID[lid]}
        for lid in dict.fromkeys(args.lid)
        if lid in _LID
    ]  # fmt: skip
    print(desk.speak(*words))
    for word in [] if seen else difflib.get_close_matches(args.text.lower(), SYMPTOMS, n=1):
        print(f"Did you mean a word of the vocabulary? dewlid note {args.chamber} --{SYMPTOMS[word].group} {word}")
    return 0


def _list_words() -> int:
    for group in _GROUPS:
        print(f"--{group}")
        for word, symptom in SYMPTOMS.items():
            if symptom.group == group:
                print(f"  {word:22} {symptom.label}")
    return 0
