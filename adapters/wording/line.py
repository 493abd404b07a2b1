"""One event as one line for a terminal or a journal."""

from __future__ import annotations

import textwrap
from typing import Any

from adapters.wording.alarm_sentences import over, sentence, title_of
from adapters.wording.figures import Style, clean
from adapters.wording.round_up import care_line
from adapters.wording.situation import doubt
from rules.settings import Settings

_CHANGES = {
    "acknowledged": "Seen", "shelved": "Quiet", "unshelved": "No longer quiet", "escalated": "Worse", "eased": "Easing",
    "held": "Not seen any more", "resumed": "Seen again", "stale": "Stands for long", "chattering": "Comes and goes",
    "recovering": "Recovering", "relapsed": "Outside again", "suppressed": "Has another cause",
    "unsuppressed": "Stands by itself",
}  # fmt: skip


def line_of(event: dict[str, Any], settings: Settings) -> str:
    """Return what an event says, on one line, with local time and without control characters."""
    style = Style(settings.site.temperature_unit, settings.zone)
    head, _, said = _SAYS.get(event["kind"], _other)(event, settings, style).partition("  ")
    moment = style.local(event["time"])
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}  {clean(head, 20)}  {clean(said, 1000)}"


def broken(text: str, width: int | None) -> str:
    """Return a line broken between words for a terminal of so many columns, all but the first further in; None: as it is."""
    if width is None:
        return text
    rows = textwrap.wrap(text, max(width, 24), subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
    return "\n".join(rows)


def _alarm(event: dict[str, Any], settings: Settings, style: Style) -> str:
    if event["change"] in ("returned", "latched", "reset", "closed"):
        return f"ALARM over  {over(event, settings, style, event['time'])}"
    said = sentence(event, settings, style, event["time"])
    note = _CHANGES.get(event["change"])
    return f"ALARM  {f'{note}: ' if note else ''}{said}"


def _advice(event: dict[str, Any], settings: Settings, style: Style) -> str:
    place = title_of(settings, event.get("chamber"))
    if event["status"] in ("resolved", "withdrawn"):
        return f"ADVICE over  {place}: {style.text(event.get('headline') or event['reason'])}"
    said = "; ".join(action["text"] for action in event["actions"]) or event.get("headline") or event["reason"]
    why = f" Why: {event['reason']}" if event["reason"] and event["reason"] not in said else ""
    return f"ADVICE  {place}: {style.text(said).rstrip('.')}.{style.text(why)}"


def _quality(event: dict[str, Any], _: Settings, style: Style) -> str:
    return f"PROBE  {doubt(event, style)}"


def _other(event: dict[str, Any], settings: Settings, style: Style) -> str:
    place = f"{title_of(settings, event['chamber'])}: " if event.get("chamber") else ""
    said = style.text(str(event.get("text") or ""))
    refused = "Refused: " if event.get("accepted") is False else ""
    return f"{event['kind'].upper()}  {place}{refused}{said}"


def _care(event: dict[str, Any], settings: Settings, style: Style) -> str:
    return f"CARE  {care_line(event, settings, style)}"


_SAYS = {"alarm": _alarm, "advice": _advice, "quality": _quality, "care": _care}
