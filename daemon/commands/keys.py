"""`dewlid keys [PATH]`: what may stand in the config, with unit, default and range."""

from __future__ import annotations

import argparse

from daemon.config.file import did_you_mean
from daemon.config.key_reference import as_markdown, as_text, words
from daemon.store.spool import WordError


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Explain the keys of the config: meaning, default and what is allowed. PATH names a table or key, with or"
        " without your own ids: chamber.lid, telling.quiet_begin, probe. Without PATH: all of them."
    )
    parser.epilog = "Examples:  dewlid keys chamber.temperature     dewlid keys outlet     dewlid keys probe.interval"
    parser.add_argument("path", nargs="?", default="", metavar="PATH", help="table or key, such as chamber.lid")
    parser.add_argument("--markdown", action="store_true", help="print the whole reference as Markdown")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print them."""
    if args.markdown:
        print(as_markdown(), end="")
        return 0
    text = as_text(args.path)
    if not text:
        near = did_you_mean(args.path, words())
        raise WordError(f'There is no table or key "{args.path}"{near}. Tables: {", ".join(words())}.')
    print(text)
    return 0
