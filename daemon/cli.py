"""The command line: one parser, one file per command in `daemon/commands`, one exit status per kind of trouble."""

from __future__ import annotations

import argparse
import difflib
import importlib
import importlib.metadata
import os
import re
import sys
import traceback
from collections.abc import Sequence
from typing import Any, NoReturn

from daemon.commands import COMMANDS, GROUPS
from daemon.exit_status import ExitStatus

_EPILOG = """\
CONFIG is the path of your config file. Without it: $DEWLID_CONFIG, else /etc/dewlid/dewlid.toml,
else ~/.config/dewlid/dewlid.toml. `dewlid COMMAND --help` tells more about a command.
"""


class Parser(argparse.ArgumentParser):
    """Ends with the sysexits status for a wrong command line, and names what was probably meant."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Let the config's path also stand first where it is an option: `dewlid alarms dewlid.toml`."""
        if args and str(args[0]).endswith(".toml") and self.get_default("config_may_lead"):
            args = ["--config", *args]
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        if message.endswith("required: COMMAND"):
            self.print_help(sys.stderr)  # whoever types the bare name wants to know what there is
            self.exit(ExitStatus.USAGE)
        self.print_usage(sys.stderr)
        self.exit(ExitStatus.USAGE, f"{self.prog}: {message}{_near_miss(message)}\n`{self.prog} --help` explains it.\n")


class _ByUse(argparse.RawDescriptionHelpFormatter):
    """Lists the commands under what they are for, each with its line beside it."""

    def _format_action(self, action: argparse.Action) -> str:
        if not isinstance(action, argparse._SubParsersAction):
            return super()._format_action(action)
        begins = {next(iter(words)): title for title, words in GROUPS.items()}
        parts = []
        for choice in action._choices_actions:
            title = begins.get(choice.dest)
            parts += [f"\n  {title}:\n"] if title else []
            first, *rest = self._split_lines(choice.help or "", max(self._width - 20, 20))
            parts += [f"    {choice.dest:14}  {first}\n", *(f"{'':20}{line}\n" for line in rest)]
        return "".join(parts)


def _near_miss(message: str) -> str:
    match = re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message)
    if match is None:
        return ""
    near = difflib.get_close_matches(match[1], re.findall(r"[\w-]+", match[2]), n=1)
    return f"; did you mean {near[0]}?" if near else ""


def parser(word: str | None = None) -> argparse.ArgumentParser:
    """Return the parser with every command: each with its line, but only the one that is called, or all, with its arguments."""
    result = Parser(
        prog="dewlid",
        description="Watches the climate of leafcutter-ant fungus chambers and advises their keeper.\n"
        "It never drives a device.",
        epilog=_EPILOG,
        formatter_class=_ByUse,
    )
    version = importlib.metadata.version("dewlid")
    result.add_argument("--version", action="version", version=f"dewlid {version}")
    subparsers = result.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name, line in COMMANDS.items():
        child = subparsers.add_parser(name, help=line)
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
    from daemon.trouble import status_of  # only now: it needs every part that has an error of its own

    status = status_of(error)
    if status is ExitStatus.INTERNAL:
        traceback.print_exc()
    else:
        print(f"dewlid: {error}" if "\n" not in str(error) else str(error), file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
