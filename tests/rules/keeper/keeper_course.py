"""Drives the keeper's room along a stream as the turn does, so that another room's tests may give it words over any span."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rules.keeper.presence import Heard, borders, follow
from rules.keeper.state import KeeperState
from rules.settings import Settings
from rules.terms.words import Spoken


@dataclass
class Piece:
    """A stretch in which nothing of the keeper's facts changes, with what is left for the others to hear."""

    heard: Heard
    stimuli: list[Any]
    from_ms: int
    until_ms: int


def pieces(
    settings: Settings, keeper: KeeperState, stimuli: Sequence[Any], from_ms: int, until_ms: int, origin: str
) -> Iterator[Piece]:
    words = [one for one in stimuli if isinstance(one, Spoken)]
    begin = from_ms
    while True:
        cuts = {*borders(keeper, words), *(word.taken_ms for word in words), *(word.taken_ms + 1 for word in words)}
        heard = follow(settings, keeper, [word for word in words if word.taken_ms == begin], begin, origin)
        keeper = heard.state
        end = min((cut for cut in {*cuts, *borders(keeper, ())} if begin < cut < until_ms), default=until_ms)
        others = [
            one for one in stimuli
            if not isinstance(one, Spoken) and (begin <= one.at_ms < end or end == until_ms == one.at_ms)
        ]  # fmt: skip
        yield Piece(heard, [*heard.words, *others], begin, end)
        if end == until_ms:
            return
        begin = end
