"""One event as one line for a terminal or a journal."""

from __future__ import annotations

import textwrap

from adapters.wording.alarm_sentences import over, sentence, title_of
from adapters.wording.figures import Style, clean
from adapters.wording.letter import subject_of
from adapters.wording.round_up import care_line
from adapters.wording.situation import doubt
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, Event, LetterEvent, QualityEvent, SystemEvent, WordEvent

_CHANGES = {
    "acknowledged": "Seen", "shelved": "Quiet", "unshelved": "No longer quiet", "unacknowledged": "No longer seen",
    "escalated": "Worse", "worsened": "Worse",
    "eased": "Easing",
    "held": "Not seen any more", "resumed": "Seen again", "stale": "Stands for long", "chattering": "Comes and goes",
    "recovering": "Recovering", "relapsed": "Outside again", "suppressed": "Has another cause",
    "unsuppressed": "Stands by itself",
}  # fmt: skip


_WHOM = {"keeper": "", "second": "To the second address: ", "stand-in": "To the stand-in: "}


def line_of(event: Event, settings: Settings) -> str:
    """Return what an event says, on one line, with local time and without control characters."""
    style = Style(settings.site.temperature_unit, settings.zone)
    head, _, said = _said(event, settings, style).partition("  ")
    moment = style.local(event.at_ms)
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}  {clean(head, 20)}  {clean(said, 1000)}"


def broken(text: str, width: int | None) -> str:
    """Return a line broken between words for a terminal of so many columns, all but the first further in; None: as it is."""
    if width is None:
        return text
    rows = textwrap.wrap(text, max(width, 24), subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
    return "\n".join(rows)


def _alarm(event: AlarmEvent, settings: Settings, style: Style) -> str:
    if event.change in ("returned", "latched", "reset", "closed"):
        return f"{event.kind.upper()} over  {over(event, settings, style, event.at_ms)}"
    said = sentence(event, settings, style, event.at_ms)
    note = _CHANGES.get(event.change)
    return f"{event.kind.upper()}  {f'{note}: ' if note else ''}{said}"


def _advice(event: AdviceEvent, settings: Settings, style: Style) -> str:
    place = title_of(settings, event.chamber)
    if event.over:
        return f"ADVICE over  {place}: {style.text(event.headline or event.reason)}"
    said = "; ".join(action.text for action in event.actions) or event.headline or event.reason
    why = f" Why: {event.reason}" if event.reason and event.reason not in said else ""
    return f"ADVICE  {place}: {style.text(said).rstrip('.')}.{style.text(why)}"


def _said(event: Event, settings: Settings, style: Style) -> str:
    if isinstance(event, AlarmEvent):
        return _alarm(event, settings, style)
    if isinstance(event, AdviceEvent):
        return _advice(event, settings, style)
    if isinstance(event, QualityEvent):
        return f"PROBE  {doubt(event, style)}"
    if isinstance(event, CareEvent):
        return f"CARE  {care_line(event, settings, style)}"
    if isinstance(event, LetterEvent):
        return f"LETTER  {_WHOM[event.to]}{subject_of(event, settings)}"
    place = f"{title_of(settings, event.chamber)}: " if event.chamber else ""
    said = style.text(event.text) if isinstance(event, SystemEvent | WordEvent) else ""
    refused = "Refused: " if isinstance(event, WordEvent) and not event.accepted else ""
    return f"{event.kind.upper()}  {place}{refused}{said}"
