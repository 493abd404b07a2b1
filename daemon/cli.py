"""The command line: one parser, one file per command in `daemon/commands`, one exit status per kind of trouble."""

from __future__ import annotations

import argparse
import importlib
import importlib.metadata
import os
import re
import shutil
import sys
import textwrap
import traceback
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, NoReturn

from daemon.commands import COMMANDS, GROUPS
from daemon.exit_status import ExitStatus

_EPILOG = """\
CONFIG is the path of your config file. Without it: $DEWLID_CONFIG, else /etc/dewlid/dewlid.toml,
else ~/.config/dewlid/dewlid.toml. `dewlid COMMAND --help` tells more about a command.
"""


_OF_A_VALUE = re.compile("argument [^:]+: (?!expected |not allowed |ignored )")
"""What argparse says of a value that was understood as one and is refused, as every other wrong value is."""


class Parser(argparse.ArgumentParser):
    """Ends with the sysexits status for a wrong command line, and names what was probably meant."""

    commands: Mapping[str, Parser] = MappingProxyType({})
    _mixing = False

    def add_subparsers(self, **how: Any) -> Any:
        """Remember them: manual page and completion go through the parsers of all commands."""
        actions = super().add_subparsers(**how)
        self.commands = actions.choices
        return actions

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Let the config's path also stand first where it is an option, and options stand between the arguments."""
        if self._mixing or not self.get_default("config_may_lead"):
            return super().parse_known_args(args, namespace)
        if args and str(args[0]).endswith(".toml"):
            args = ["--config", *args]
        if self.commands or "--" in (args or ()):  # argparse mixes neither with subcommands nor with words after `--`
            return super().parse_known_args(args, namespace)
        self._mixing = True  # it reads twice, by this very method: the options, then the rest
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._mixing = False

    def error(self, message: str) -> NoReturn:
        if message.endswith("required: COMMAND"):
            self.print_help(sys.stderr)  # whoever types the bare name wants to know what there is
            self.exit(ExitStatus.USAGE)
        self.print_usage(sys.stderr)
        status = ExitStatus.DATA if not self.commands and _OF_A_VALUE.match(message) else ExitStatus.USAGE
        self.exit(status, f"{self.prog}: {message}{_near_miss(message)}\n`{self.prog} --help` explains it.\n")


class _Dewlid(Parser):
    """The program itself: its help lists the commands under what they are for, each with its line beside it."""

    def format_help(self) -> str:
        rows = [self.format_usage(), self.description or "", "\ncommands:"]
        width = shutil.get_terminal_size().columns - 2  # as argparse counts it
        for title, lines in GROUPS.items():
            rows.append(f"\n  {title}:")
            for name, line in lines.items():
                rows.append(textwrap.fill(line, width, initial_indent=f"    {name:14}  ", subsequent_indent=" " * 20))
        rows += ["\noptions:", "  -h, --help  show this list and end", "  --version   show the version and end", f"\n{_EPILOG}"]
        return "\n".join(rows)


def _near_miss(message: str) -> str:
    match = re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message)
    if match is None:
        return ""
    import difflib  # only where a word is not known

    near = difflib.get_close_matches(match[1], re.findall(r"[\w-]+", match[2]), n=1)
    return f"; did you mean {near[0]}?" if near else ""


def parser(word: str | None = None) -> Parser:
    """Return the parser with every command: each with its line, but only the one that is called, or all, with its arguments."""
    result = _Dewlid(
        prog="dewlid",
        description="Watches the climate of leafcutter-ant fungus chambers and advises their keeper.\n"
        "It never drives a device.",
        epilog=_EPILOG,
    )
    version = importlib.metadata.version("dewlid")
    result.add_argument("--version", action="version", version=f"dewlid {version}")
    subparsers = result.add_subparsers(metavar="COMMAND", required=True, parser_class=Parser)
    for name in COMMANDS:
        child = subparsers.add_parser(name)
        if word in (None, name):
            importlib.import_module(f"daemon.commands.{name.replace('-', '_')}").add(child)
    result.set_defaults(parser=parser)
    return result


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    args = parser(next((word for word in words if word in COMMANDS), "")).parse_args(words)
    try:
        return int(args.run(args))
    except BrokenPipeError:
        # The reader of our output (`| head`) has gone: nothing more to say, and nothing to flush at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ExitStatus.OK
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        return _told(error)


def _told(error: Exception) -> int:
    """Say what went wrong in words where the trouble is known, as a traceback where it is a bug of ours."""
    from daemon.trouble import status_of, text_of  # only now: it needs every part that has an error of its own

    status = status_of(error)
    if status is ExitStatus.INTERNAL:
        traceback.print_exc()
    else:
        text = text_of(error)
        print(f"dewlid: {text}" if "\n" not in text else text, file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
