"""What several commands take alike: the config, durations, moments; and how they hand the keeper's word over."""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
import time
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

from daemon.config.configuration import Configuration, load
from daemon.logs import set_up
from daemon.store.spool import Spool, WordError

_UNIT_MS = {"s": 1_000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}


class UsageError(Exception):
    """A command is called wrongly: something is missing, or two things are said that exclude each other."""


class Lacking(Exception):
    """The config lacks what a command needs; the text says what to write."""


class _OneConfig(argparse.Action):
    """Take the config's path; a second one beside it is refused, as nobody could say which of them was meant."""

    def __call__(self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, *_: Any) -> None:
        before = getattr(namespace, self.dest, None)
        if before not in (None, values):
            parser.error(f'two configs are given, "{before}" and "{values}"; allowed is one: leave one of them out')
        setattr(namespace, self.dest, values)


def config_argument(parser: argparse.ArgumentParser) -> None:
    """Let the config be the only argument, as in `dewlid run CONFIG`, or be given by `--config` as everywhere."""
    path = "path of the config file"
    parser.add_argument("config", nargs="?", action=_OneConfig, metavar="CONFIG", default=argparse.SUPPRESS, help=path)
    parser.add_argument("--config", action=_OneConfig, metavar="CONFIG", help="the same, as other commands take it")


def config_option(parser: argparse.ArgumentParser) -> None:
    """Let the config be given by `--config`, for commands whose arguments are something else."""
    parser.add_argument("--config", action=_OneConfig, metavar="CONFIG", help="path of the config file")
    parser.set_defaults(config_may_lead=True)


def config_and_files(parser: argparse.ArgumentParser, files: str) -> None:
    """Let the config be the first of several arguments; with `--config` all are files (`take_config_from_files`)."""
    parser.add_argument("first", nargs="?", metavar="CONFIG", help="path of the config file; with --config a FILE")
    parser.add_argument("files", nargs="*", metavar="FILE", help=files)
    parser.add_argument("--config", metavar="CONFIG", help="the same, as other commands take it")


def take_config_from_files(args: argparse.Namespace) -> None:
    """Take the first of the arguments as the config, or as a file where `--config` is given."""
    if args.config is None:
        args.config = args.first
    elif args.first is not None:
        args.files.insert(0, args.first)


def target_arguments(parser: argparse.ArgumentParser) -> None:
    """Let the keeper name one alarm, those of a chamber, or all; `daemon.desk.alarm_targets` reads it."""
    parser.add_argument(
        "target", nargs="+", metavar="ALARM", help="CHAMBER/ALARM such as nest/temperature-high, CHAMBERs, a ROOM or all"
    )
    parser.add_argument("--probe", metavar="PROBE", help="which probe or line, for an alarm about one")


def config_path(args: argparse.Namespace) -> Path:
    """Return the config's path: as given, else $DEWLID_CONFIG, else the system's, else the user's own."""
    if given := args.config or os.environ.get("DEWLID_CONFIG"):
        return Path(given)
    system = Path("/etc/dewlid/dewlid.toml")
    home = os.environ.get("XDG_CONFIG_HOME", "")
    own = (Path(home) if home.startswith("/") else Path.home() / ".config") / "dewlid" / "dewlid.toml"
    return own if own.exists() and not os.access(system, os.F_OK) else system


def load_config(args: argparse.Namespace) -> Configuration:
    """Return the validated config that the command line names; from then on only errors are logged, on stderr."""
    quiet_logs()
    return load(config_path(args))


def quiet_logs() -> None:
    """Keep what the parts log off the terminal, but for errors: a command answers on stdout."""
    set_up(level="error")


def program_name() -> str:
    """Return what the keeper types to run this program: its path where the bare name would not be found."""
    typed = sys.argv[0]
    return typed if typed.endswith("/dewlid") and shutil.which("dewlid") is None else "dewlid"


def duration_ms(text: str) -> int:
    """Read a duration such as `20min`; for argparse's `type`."""
    match = re.fullmatch(r"(\d{1,6}(?:\.\d{1,3})?)\s?(s|min|h|d)", text)
    if match is None:
        raise argparse.ArgumentTypeError(f'"{text}" is no duration; write a number with its unit: 90s, 20min, 2h or 1d')
    return round(float(match[1]) * _UNIT_MS[match[2]])


def moment_ms(text: str, zone: tzinfo) -> int:
    """Return the instant of an ISO 8601 date and time; without an offset it is local time. Raises ValueError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f'"{text}" is no date and time; write it like 2026-05-31T22:30') from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return round(moment.astimezone(UTC).timestamp() * 1000)


def since_ms(text: str, zone: tzinfo) -> int:
    """Return the instant that `7d` (so long ago) or a date and time means; raises WordError."""
    try:
        return round(time.time() * 1000) - duration_ms(text)
    except argparse.ArgumentTypeError:
        pass
    try:
        return moment_ms(text, zone)
    except ValueError as error:
        raise WordError(f'--since: "{text}" is neither a span such as 7d nor a time such as 2026-05-31T22:30') from error


def say(configuration: Configuration, word: dict[str, Any], word_id: str | None = None) -> str:
    """Hand a keeper's word to the daemon and return the word's id; raises WordError or SpoolError."""
    by = os.environ.get("SUDO_USER") or os.environ.get("USER") or "keeper"
    return Spool(configuration.spool_folder).leave(word, by=by, word_id=word_id)
