"""The manual page and the shell completion, both written from the command line's own parser: neither can drift from it."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator

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
0 all is well; 64 wrong command line; 65 a word that was not understood; 69 a probe or outlet does not work;
70 a fault in dewlid itself; 73 or 74 the record cannot be written; 75 try again later; 78 a wrong config.
.SH SAFETY
dewlid only advises. It is no safety device: every heater needs its own thermostat and an independent cut-out, and mains
beside water a residual-current device. Local codes and licensed practice come first.
"""


def commands_of(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.ArgumentParser, str]]:
    """Yield each command with its parser and its one line of help, those within commands after their own."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            lines = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, child in action.choices.items():
                yield name, child, lines.get(name, "")
                for inner, grandchild, line in commands_of(child):
                    yield f"{name} {inner}", grandchild, line


def manual(parser: argparse.ArgumentParser, version: str) -> str:
    """Return the manual page of section 8, in the man macros."""
    parts = [
        f'.TH DEWLID 8 "" "dewlid {version}" "dewlid"',
        ".SH NAME\ndewlid \\- watch the climate of leafcutter-ant fungus chambers and advise their keeper",
        ".SH SYNOPSIS\n.B dewlid\n.I COMMAND\n[\\fIoptions\\fR]",
        f".SH DESCRIPTION\n{_roff(parser.description or '')}",
        f".PP\n{_roff(' '.join((parser.epilog or '').split()))}",
        ".SH COMMANDS",
        *(_command(name, child) for name, child, _ in commands_of(parser)),
        _SECTIONS,
    ]
    return "\n".join(parts)


def _command(name: str, parser: argparse.ArgumentParser) -> str:
    usage = " ".join(parser.format_usage().split()).removeprefix("usage: ")
    parts = [f".SS {_roff(name)}", f".B {_roff(usage)}", f".PP\n{_roff(parser.description or '')}"]
    for action in parser._actions:
        if isinstance(action, argparse._HelpAction | argparse._SubParsersAction) or action.help == argparse.SUPPRESS:
            continue
        said = action.help or ""
        parts.append(f".TP\n.B {_roff(_called(action))}\n{_roff(said.replace('%%', '%'))}")
    return "\n".join(parts)


def _called(action: argparse.Action) -> str:
    value = "" if action.nargs == 0 else f" {action.metavar or ' | '.join(map(str, action.choices or [action.dest.upper()]))}"
    return f"{', '.join(action.option_strings)}{value}" if action.option_strings else str(action.metavar or action.dest)


def _roff(text: str) -> str:
    """Escape text for roff: backslash, hyphens that are typed, and a dot or quote that begins a line."""
    text = text.replace("\\", "\\e").replace("-", "\\-").replace("\n", " ")
    return re.sub(r"^(?=[.'])", r"\\&", text)


def bash_completion(parser: argparse.ArgumentParser) -> str:
    """Return a script for bash that completes commands, options and fixed values, and files elsewhere."""
    rows, values = [], []
    top = [name for name, _, _ in commands_of(parser) if " " not in name]
    for name, child, _ in commands_of(parser):
        inner = [other.split(" ")[1] for other, _, _ in commands_of(parser) if other.startswith(f"{name} ")]
        options = [option for action in child._actions for option in action.option_strings if option.startswith("--")]
        bare = [action for action in child._actions if not action.option_strings and not inner]
        fixed = [str(one) for action in bare for one in action.choices or ()]
        rows.append(f'    "{name}") words="{" ".join([*inner, *fixed, *options])}" ;;')
        values += [
            f'    "{name} {option}") words="{" ".join(map(str, action.choices))}"; options= ;;'
            for action in child._actions
            for option in action.option_strings
            if action.choices
        ]
    return _BASH.format(top=" ".join(top), rows="\n".join(rows), values="\n".join(values))


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
