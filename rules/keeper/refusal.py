"""What every word of the keeper must keep to, and how it is refused."""

from __future__ import annotations

from rules.settings import Settings
from rules.terms.events import MINUTE_MS, WordEvent
from rules.terms.local_time import time_words
from rules.terms.words import Word

KEPT = " Nothing was changed by it; your words stand in the record."
"""How a refusal ends."""
_AHEAD_MS = 2 * MINUTE_MS
"""Two clocks may differ by so much; beyond it a time lies in the future."""


class Refused(ValueError):
    """A word cannot be taken; the message says where, what was found, what is allowed."""


def answer(origin: str, word: Word, accepted: bool, text: str, chamber: str | None = None) -> WordEvent:
    """Return the one answer to a word."""
    ident = f"{origin}.word.{word.word_id}"
    return WordEvent(id=ident, at_ms=word.taken_ms, chamber=chamber, word=word.word, accepted=accepted, text=text)


def known_chamber(settings: Settings, name: str) -> None:
    """Refuse the name of a chamber that the config does not have."""
    if name not in settings.chambers:
        raise Refused(f"There is no chamber {name!r}. Chambers: {', '.join(settings.chambers)}.")


def not_ahead(settings: Settings, word: Word, at_ms: int) -> None:
    """Refuse a time that is yet to come."""
    if at_ms > word.taken_ms + _AHEAD_MS:
        found, now = (time_words(instant, settings.zone) for instant in (at_ms, word.taken_ms))
        raise Refused(f"The time {found} lies in the future; it is {now} now. Allowed: now or earlier.")
