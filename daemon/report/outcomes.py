"""What the advice and the alarms of a period brought: what worked, how early they came, which were for nothing."""

from __future__ import annotations

from html import escape
from statistics import median

from adapters.wording.counting import counted
from adapters.wording.figures import span
from daemon.report.record import Record
from rules.alarms.load import Occurrence, alarm_figures, delays_of, occurrences
from rules.terms.advised import Effect
from rules.terms.events import AdviceEvent, WordEvent

_CAME: tuple[tuple[tuple[Effect, ...], str], ...] = (
    (("works", "more than expected"), "worked"), (("too little",), "helped less than expected"),
    (("no effect",), "had no effect"), (("cannot tell",), "whose own share in what came cannot be told"),
)  # fmt: skip


def outcomes(record: Record) -> str:
    """Return the section of what was brought; empty where nothing was told in the period."""
    lines = [*advice_lines(record), *alarm_lines(record), *_forecast_lines(record)]
    if not lines:
        return ""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<section class="sheet keep"><h2>What it brought</h2><ul class="plain">{items}</ul></section>'


def advice_lines(record: Record) -> list[str]:
    """Return how many pieces of advice were given, carried out, and what came of them."""
    mine = [event for event in record.events if isinstance(event, AdviceEvent) and event.chamber in record.chambers]
    given = {(event.chamber, event.advisory) for event in mine if event.status == "given"}
    judged = [event for event in mine if event.status == "verified"]
    if not given and not judged:
        return []
    words = (event for event in record.events if isinstance(event, WordEvent) and event.accepted and event.advisory)
    done = {event.advisory for event in words if event.chamber in record.chambers} | {event.advisory for event in judged}
    said = f"Advice: {counted(len(given), 'piece')} given, {len(done) or 'none'} carried out"
    if not judged:
        return [f"{said}."]
    said += f", {len(judged)} of them looked at again" if len(judged) < len(done) else ""
    counts = [(sum((event.effect or "cannot tell") in effects for event in judged), words) for effects, words in _CAME]
    parts = [f"{count} {words}" for count, words in counts if count]
    return [f"{said}: {', '.join(parts)}."]


def alarm_lines(record: Record) -> list[str]:
    """Return how early alarms came before harm, how many ended before any, and how many were for nothing."""
    shown = [
        one for one in occurrences(event for event in record.alarm_events if event.chamber in record.chambers)
        if one.shown_ms is not None and record.since_ms <= one.shown_ms < record.until_ms
    ]  # fmt: skip
    if not shown:
        return []
    early = [lead for one in shown if (lead := lead_ms(record, one)) is not None]
    lines = [f"Alarms: {counted(len(shown), 'alarm')} told, {len(early) or 'none'} of them came to harm."]
    before = [lead for lead in early if lead > 0]
    if before:
        which = f"{len(before)} of the {len(early)}" if len(early) > 1 else "That one"
        ahead = span(median(before) / 1000)
        how = f"were told before: half of them at least {ahead}" if len(before) > 1 else f"was told {ahead} before"
        lines.append(f"{which} {how}.")
    fleeting = alarm_figures(record.alarm_events, record.since_ms, record.until_ms, delays_of(record.settings)).fleeting
    if fleeting:
        lines.append(f"{counted(len(fleeting), 'alarm')} ended so soon, without you, that nothing may have been wrong.")
    return lines


def lead_ms(record: Record, one: Occurrence) -> int | None:
    """Return how long before it harmed an alarm was told, 0 where it was told with the harm; None: it never harmed."""
    harmed = [
        event.at_ms for event in record.alarm_events
        if event.level == "harmful" and one.raised_ms <= event.at_ms <= (one.ended_ms or record.until_ms)
        and (event.chamber, event.alarm) == (one.chamber, one.alarm)
    ]  # fmt: skip
    return None if not harmed or one.shown_ms is None else max(harmed[0] - one.shown_ms, 0)


def _forecast_lines(record: Record) -> list[str]:
    came = [
        one for name in record.chambers if (place := record.state.places.get(name)) is not None
        for guesses in place.guesses.values() for one in guesses.came
    ]  # fmt: skip
    if not came:
        return []
    if len(came) == 1:
        return [f"Once a band was expected to be left, and it was{'' if came[0] else ' not'}."]
    return [f"Of the last {len(came)} times that a band was expected to be left, it was in {sum(came)}."]
