"""The manual page and the shell completion, both written from the command line's own parser: neither can drift from it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Protocol, Self

from daemon.exit_status import MEANINGS

_SECTIONS = """\
.SH FILES
.TP
.I /etc/dewlid/dewlid.toml
The config. \\fBdewlid keys\\fR explains every key; \\fBdewlid check\\fR looks at it and at all that it names.
.TP
.I /etc/dewlid/secrets/
Passwords, one file each, for root alone; systemd hands them to the service as credentials.
.TP
.I /var/lib/dewlid/dewlid.sqlite3
The record: readings, what followed from them, and the messages that are still owed. Its backups stand beside it.
.TP
.I ~/.config/dewlid/dewlid.toml, ~/.local/state/dewlid/
The same for a user who runs it without installing.
.SH ENVIRONMENT
.TP
.B DEWLID_CONFIG
Path of the config, where none is given on the command line.
.SH SIGNALS
SIGTERM ends
.B dewlid run
cleanly, SIGHUP reads the config again; a faulty one is told, and the old one goes on.
.SH EXIT STATUS
{statuses}
.SH SAFETY
dewlid only advises. It is no safety device: every heater needs its own thermostat and an independent cut-out, and mains
beside water a residual-current device. Local codes and licensed practice come first.
"""


class Command(Protocol):
    """A parser that knows the parsers of its commands, by name."""

    prog: str
    description: str | None
    epilog: str | None

    @property
    def commands(self) -> Mapping[str, Self]: ...

    def format_help(self) -> str: ...


def commands_of(parser: Command) -> Iterator[tuple[str, Command]]:
    """Yield each command with its parser, those within commands after their own."""
    for name, child in parser.commands.items():
        yield name, child
        yield from ((f"{name} {inner}", grandchild) for inner, grandchild in commands_of(child))


def manual(parser: Command, version: str) -> str:
    """Return the manual page of section 8, in the man macros."""
    parts = [
        f'.TH DEWLID 8 "" "dewlid {version}" "dewlid"',
        ".SH NAME\ndewlid \\- watch the climate of leafcutter-ant fungus chambers and advise their keeper",
        ".SH SYNOPSIS\n.B dewlid\n.I COMMAND\n[\\fIoptions\\fR]",
        f".SH DESCRIPTION\n{_roff(parser.description or '')}",
        f".PP\n{_roff(' '.join((parser.epilog or '').split()))}",
        ".SH COMMANDS",
        *(_command(name, child) for name, child in commands_of(parser)),
        _SECTIONS.format(statuses="\n".join(f".TP\n.B {int(one)}\n{_roff(told)}." for one, told in MEANINGS.items())),
    ]
    return "\n".join(parts)


def _command(name: str, parser: Command) -> str:
    return "\n".join([f".SS {_roff(name)}", ".nf", *map(_roff, parser.format_help().splitlines()), ".fi"])


def _roff(text: str) -> str:
    """Escape text for roff: backslash, hyphens that are typed, and a dot or quote that begins a line."""
    text = text.replace("\\", "\\e").replace("-", "\\-").replace("\n", " ")
    return re.sub(r"^(?=[.'])", r"\\&", text)


def bash_completion(parser: Command) -> str:
    """Return a script for bash that completes commands, options and fixed values, and files elsewhere."""
    rows, values = [], []
    for name, child in commands_of(parser):
        told = child.format_help()
        options = re.findall(r"^  (?:-\w, )?(--[\w-]+)(?: \{([^}]*)\})?", told, re.MULTILINE)
        fixed = [word for choices in re.findall(r"^  \{([^}]*)\}", told, re.MULTILINE) for word in choices.split(",")]
        words = " ".join([*child.commands, *fixed, *(option for option, _ in options)])
        rows.append(f'    "{name}") words="{words}" ;;')
        values += [
            f'    "{name} {option}") words="{choices.replace(",", " ")}"; options= ;;' for option, choices in options if choices
        ]
    return _BASH.format(top=" ".join(parser.commands), rows="\n".join(rows), values="\n".join(values))


_BASH = """\
# bash completion of dewlid; written by `dewlid completion bash`.
_dewlid() {{
  local current="${{COMP_WORDS[COMP_CWORD]}}" before="${{COMP_WORDS[COMP_CWORD-1]}}" command="" words="{top}" options=1 word
  COMPREPLY=()
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    case "$word" in -*) continue ;; esac
    case " $words " in *" $word "*) ;; *) continue ;; esac
    command="${{command:+$command }}$word"
    case "$command" in
{rows}
    esac
  done
  case "$command $before" in
{values}
  esac
  COMPREPLY=($(compgen -W "$words" -- "$current"))
  if [ -n "$command" ] && [ -n "$options" ] && [[ "$current" != -* ]]; then
    COMPREPLY+=($(compgen -f -- "$current"))
  fi
}}
complete -o filenames -F _dewlid dewlid
"""
