"""What happened in a chamber as spans and marks on the time axis, and as lines to read."""

from __future__ import annotations

from dataclasses import dataclass

from adapters.wording.alarm_sentences import label
from adapters.wording.figures import clean
from adapters.wording.line import line_of
from daemon.report.record import Record
from rules.alarms.load import occurrences
from rules.terms.events import AdviceEvent, AlarmEvent, AnyEvent, LetterEvent, QualityEvent, SystemEvent, WordEvent

_NOT_THE_KEEPER = ("model-fitted",)
_TOLD_CHANGES = ("raised", "escalated", "worsened", "returned", "held", "unknown", "closed")


@dataclass(frozen=True, slots=True)
class Span:
    """Something that lasted; `end_ms` None: it still does."""

    begin_ms: int
    end_ms: int | None
    title: str
    harmful: bool = False


@dataclass(frozen=True, slots=True)
class Lane:
    """One row of the picture below the curves: `alarm`, `advice` or `done`."""

    sort: str
    title: str
    spans: tuple[Span, ...]


def lanes(record: Record, chamber: str) -> list[Lane]:
    """Return a lane for each alarm that was told, one for advice and one for what was done."""
    found = _alarms(record, chamber)
    advice = _advice(record, chamber)
    done = _done(record, chamber)
    if advice:
        found.append(Lane("advice", "Advice", tuple(advice)))
    if done:
        found.append(Lane("done", "Done and noted", tuple(done)))
    return found


def _alarms(record: Record, chamber: str) -> list[Lane]:
    by_name: dict[str, list[Span]] = {}
    for one in occurrences(event for event in record.alarm_events if event.chamber == chamber):
        if one.shown_ms is None or (one.ended_ms or record.until_ms) < record.since_ms:
            continue
        bad = _was_harmful(record, chamber, one.alarm, one.raised_ms, one.ended_ms)
        by_name.setdefault(label(one.alarm), []).append(Span(one.raised_ms, one.ended_ms, label(one.alarm), bad))
    return [Lane("alarm", name[0].upper() + name[1:], tuple(spans)) for name, spans in by_name.items()]


def _was_harmful(record: Record, chamber: str, alarm: str, begin_ms: int, end_ms: int | None) -> bool:
    return any(
        event.level == "harmful" and event.chamber == chamber and event.alarm == alarm
        and begin_ms <= event.at_ms <= (end_ms or record.until_ms)
        for event in record.alarm_events
    )  # fmt: skip


def _advice(record: Record, chamber: str) -> list[Span]:
    open_: dict[str, tuple[int, str]] = {}
    spans: list[Span] = []
    for event in record.events:
        if not isinstance(event, AdviceEvent) or event.chamber != chamber:
            continue
        begin_ms, said = open_.pop(event.advisory, (event.at_ms if event.status == "given" else record.since_ms, ""))
        if event.over or event.status == "verified":
            spans.append(Span(begin_ms, event.at_ms, said or "advice"))
        else:
            open_[event.advisory] = (begin_ms, clean(event.headline or said, 160))
    spans += [Span(begin_ms, None, said) for begin_ms, said in open_.values()]
    return sorted(spans, key=lambda one: one.begin_ms)


def _done(record: Record, chamber: str) -> list[Span]:
    return [
        Span(event.at_ms, event.at_ms, clean(event.text or event.word, 160))
        for event in record.events
        if isinstance(event, WordEvent) and event.accepted and event.word not in _NOT_THE_KEEPER
        and event.chamber in (chamber, None)
    ]  # fmt: skip


def story(record: Record, chamber: str | None) -> list[str]:
    """Return what happened, newest first, one line each; None: what concerns no chamber that is in the config."""
    known = record.settings.chambers

    def is_mine(event: AnyEvent) -> bool:
        place = event.chamber
        if isinstance(event, WordEvent) and place is None:  # said of all chambers
            return chamber is not None
        return place == chamber if chamber is not None else place not in known

    mine = [event for event in record.events if _is_told(event) and is_mine(event)]
    return [line_of(event, record.settings) for event in reversed(mine)]


def _is_told(event: AnyEvent) -> bool:
    if isinstance(event, AlarmEvent):
        return event.change in _TOLD_CHANGES and event.suppression == "none"
    if isinstance(event, LetterEvent):
        return event.sort not in ("digest", "answer", "care")
    if isinstance(event, AdviceEvent):
        return event.status == "given" or event.over
    return isinstance(event, SystemEvent | QualityEvent) or (isinstance(event, WordEvent) and event.word not in _NOT_THE_KEEPER)
