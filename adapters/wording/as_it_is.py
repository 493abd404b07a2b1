"""What is believed of each chamber when a letter is written, each figure with its time where it is not of now."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.wording.alarm_sentences import FRESH_MS, title_of
from adapters.wording.figures import Style
from rules.settings import Settings
from rules.terms.events import Figures, LetterEvent

_EACH = 6
"""Of so many chambers each has its line; of more what differs stands in the line that names them. Judgement."""


def as_it_is(letter: LetterEvent, settings: Settings, style: Style) -> list[str]:
    """Return what is believed of each chamber when the letter is written, one line each; of many from which to which."""
    if len(letter.present) > _EACH:
        return [f"{len(letter.present)} chambers: {', '.join(_ranges(letter.present, style))}."]
    return [figures_now(figures, settings, style, letter.at_ms) for figures in letter.present]


def _ranges(present: Sequence[Figures], style: Style) -> list[str]:
    """Return each figure of many chambers from the lowest to the highest, and of how many it is not known."""
    said = []
    for what, unit, values in (
        ("temperature", "degC", [one.temperature_c for one in present]),
        ("humidity", "%RH", [one.relative_humidity_pct for one in present]),
    ):
        known = [value for value in values if value is not None]
        low, high = (style.quantity(pick(known), unit) if known else "" for pick in (min, max))
        said += [low if low == high else f"{low.removesuffix(' humidity')} to {high}"] if known else []
        said += [f"{what} not known of {len(values) - len(known)}"] if len(known) < len(values) else []
    margins = [one.dew_margin_k for one in present if one.dew_margin_k is not None]
    if margins:
        least, wet = style.quantity(abs(min(margins)), "K"), sum(one < 0 for one in margins)
        said.append(f"the lids at least {least} above the dew point" if not wet else f"{wet} lids below the dew point")
    return said


def figures_now(figures: Figures, settings: Settings, style: Style, now_ms: int) -> str:
    """Return what is believed of one chamber, in one line."""
    heat, damp, margin_k = figures.temperature_c, figures.relative_humidity_pct, figures.dew_margin_k
    heat_ms, damp_ms = figures.at_ms, figures.humidity_at_ms or figures.at_ms
    said = ["temperature not known" if heat is None else style.quantity(heat, "degC")]
    said[0] += _read_at(heat_ms, style, now_ms) if None not in (heat, damp) and damp_ms != heat_ms else ""
    said.append("humidity not known" if damp is None else style.quantity(damp, "%RH"))
    if margin_k is not None:
        said.append(f"lid {style.quantity(abs(margin_k), 'K')} {'below' if margin_k < 0 else 'above'} the dew point")
    return f"{title_of(settings, figures.chamber)}: {', '.join(said)}{_read_at(damp_ms, style, now_ms)}."


def _read_at(read_ms: int, style: Style, now_ms: int) -> str:
    return f" (read at {style.clock(read_ms, now_ms)})" if now_ms - read_ms >= FRESH_MS else ""
