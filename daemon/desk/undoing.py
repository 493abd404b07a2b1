"""Which words are taken back together: those of one command, whose ids begin alike."""

from __future__ import annotations

import re
from collections.abc import Sequence

_OF_ONE_COMMAND = re.compile(r"((?:mail-)?[0-9a-f]{16})_\d+")


def name_of(word_id: str) -> str:
    """Return what the keeper calls a word: its id, or what the ids of the words of one command have in common."""
    match = _OF_ONE_COMMAND.fullmatch(word_id)
    return match[1] if match else word_id


def of_one_command(word_ids: Sequence[str], named: str | None) -> list[str]:
    """Return the ids of the words that are named, or of the last command, the latest first; nothing: there are none."""
    wanted = named or (name_of(word_ids[-1]) if word_ids else None)
    return [word_id for word_id in reversed(word_ids) if wanted in (word_id, name_of(word_id))]
