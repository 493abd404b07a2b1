"""What every word of the keeper must keep to, and how it is refused."""

from __future__ import annotations

from rules.settings import Settings
from rules.terms.events import DAY_MS, MINUTE_MS, WordEvent
from rules.terms.local_time import time_words
from rules.terms.quantities import FACTS, Quantity
from rules.terms.words import AdviceDone, Calibrated, CareDone, Word

KEPT = " Nothing was changed by it; your words stand in the record."
"""How a refusal ends."""
AHEAD_MS = 2 * MINUTE_MS
"""Two clocks may differ by so much; beyond it a time lies in the future."""
_LONG_AGO_MS = 20 * 365 * DAY_MS
"""Longer ago than a colony lives (queens of *Atta* some 10 to 20 years, from memory): a slip of the pen."""
_MOST = 10_000_000.0
"""More than anybody gives or moves at once, in any unit that an amount has (own estimate)."""
_FARTHEST: dict[Quantity, float] = {"air_temperature": 10.0, "relative_humidity": 30.0, "surface_temperature": 10.0}
"""How far a correction may move a reading; its standard uncertainty may be half of that. A probe that is further off is
broken: makers state limits of 0.2 to 2 K and 2 to 5 %RH (common practice, no source; the bounds are an own estimate)."""


class Refused(ValueError):
    """A word cannot be taken; the message says where, what was found, what is allowed."""


def answer(
    origin: str, word: Word, accepted: bool, text: str, chamber: str | None = None, *, takes_back: str = "",
    advisory: str = "", asks_still: bool = False,
) -> WordEvent:
    """Return the one answer to a word."""
    return WordEvent(
        id=answer_id(origin, word.word_id), at_ms=word.taken_ms, chamber=chamber, word=word.word, accepted=accepted, text=text,
        takes_back=takes_back, advisory=advisory, asks_still=asks_still,
    )


def answer_id(origin: str, word_id: str) -> str:
    """Return the id of the answer to a word."""
    return f"{origin}.word.{word_id}"


def known_chamber(settings: Settings, name: str) -> None:
    """Refuse the name of a chamber that the config does not have."""
    if name not in settings.chambers:
        raise Refused(f"There is no chamber {name!r}. Chambers: {', '.join(settings.chambers)}.")


def refuse_impossible(settings: Settings, word: Word) -> None:
    """Refuse figures that cannot be, in whatever word: a time, an amount, a correction."""
    at_ms: int | None = getattr(word, "at_ms", None)
    if at_ms is not None and not -AHEAD_MS <= word.taken_ms - at_ms <= _LONG_AGO_MS:
        found, now = (time_words(instant, settings.zone) for instant in (at_ms, word.taken_ms))
        where = "in the future" if at_ms > word.taken_ms else "more than 20 years ago"
        raise Refused(f"The time {found} lies {where}; it is {now} now. Allowed: now or earlier, within 20 years.")
    if isinstance(word, AdviceDone | CareDone) and word.amount is not None and not 0 <= word.amount <= _MOST:
        raise Refused(f"The amount {word.amount:.12g} cannot be. Allowed: from zero up to {_MOST:.0f}.")
    if isinstance(word, Calibrated):
        probe = settings.probes.get(word.probe)
        if probe is not None and word.quantity not in probe.measured:
            allowed = ", ".join(sorted(probe.measured))
            raise Refused(f"The probe {word.probe} does not measure {word.quantity}. Allowed: {allowed}.")
        why = why_no_correction(word.quantity, word.gain, word.offset, word.standard_uncertainty)
        if why is not None:
            raise Refused(why)


def why_no_correction(quantity: Quantity, gain: float, offset: float, standard_uncertainty: float) -> str | None:
    """Return why a correction cannot be, None if it can: it is looked at wherever a working probe may read."""
    facts, most = FACTS[quantity], _FARTHEST[quantity]
    moved = max(((gain - 1) * raw + offset for raw in (facts.gross_low, facts.gross_high)), key=abs)
    if abs(moved) <= most and 0 <= standard_uncertainty <= most / 2:
        return None
    unit = "%RH" if quantity == "relative_humidity" else "K"
    return (
        f"A correction that moves the {facts.label} by up to {moved:+.3g} {unit}, uncertain by {standard_uncertainty:.3g},"
        f" cannot be. Allowed: {most:g} {unit} and {most / 2:g}. A probe that is further off is broken: replace it."
    )
