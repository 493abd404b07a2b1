"""`dewlid sign`: the message that says a word by MQTT."""

from __future__ import annotations

import argparse
import json
import secrets

from adapters.keeper_words import ALLOWED_WORDS, key_of, signed
from daemon.clock import SystemClock
from daemon.desk.options import config_option, load_config
from daemon.store.spool import WordError


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Write the signed message that says a word by MQTT, for a button or a page of your own:"
        """ dewlid sign '{"word": "visit", "chamber": "nest"}' | mosquitto_pub -t TOPIC -s. It holds for two minutes."""
    )
    config_option(parser)
    parser.add_argument("word", nargs="?", metavar="JSON", help="the word as a JSON object")
    parser.add_argument("--new-key", action="store_true", help="print a fresh random key for key_file, and end")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the message."""
    if args.new_key:
        print(secrets.token_hex(32))
        return 0
    commands = load_config(args).commands
    if commands is None:
        raise WordError("The config has no table [commands]: words by MQTT are off.")
    try:
        word = json.loads(args.word or "")
    except ValueError as error:
        example = '{"word": "visit", "chamber": "nest"}'
        raise WordError(f"found {args.word or 'nothing'}; write a JSON object, such as '{example}'") from error
    if not isinstance(word, dict) or word.get("word") not in ALLOWED_WORDS:
        raise WordError(f'The key "word" must be one of {", ".join(sorted(ALLOWED_WORDS))}.')
    print(signed(key_of(commands), commands.topic, word, secrets.token_urlsafe(16), SystemClock().wall_ms()))
    return 0
