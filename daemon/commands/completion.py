"""`dewlid completion bash`: completion of commands and options with the Tab key."""

from __future__ import annotations

import argparse

from daemon.screen.manual import bash_completion


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Print the completion of commands and options for your shell. For this session: source <(dewlid completion"
        " bash). For good: write it to ~/.local/share/bash-completion/completions/dewlid. `make install` does it for all users."
        " In zsh, run `autoload bashcompinit && bashcompinit` before."
    )
    parser.add_argument("shell", choices=("bash",), help="which shell")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    print(bash_completion(args.parser()), end="")
    return 0
