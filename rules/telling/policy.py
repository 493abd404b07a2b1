"""What of an event is owed to the keeper, and when: at once, after the quiet hours, or with the digest."""

from __future__ import annotations

from rules.telling.advice_news import take_advice, take_word
from rules.telling.alarm_news import take_alarm
from rules.telling.ledger import Ledger
from rules.telling.state import Owed
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, Event, QualityEvent, SystemEvent, WordEvent

TOLD_AT_ONCE = frozenset({"memory-lost", "config-refused", "correction-ignored", "gap"})
"""What of the watching itself is worth a letter of its own."""


def take(ledger: Ledger, event: Event) -> None:
    """Work one event into what is known and owed."""
    if isinstance(event, AlarmEvent):
        take_alarm(ledger, event)
    elif isinstance(event, AdviceEvent):
        take_advice(ledger, event)
    elif isinstance(event, CareEvent):
        _care(ledger, event)
    elif isinstance(event, SystemEvent):
        _system(ledger, event)
    elif isinstance(event, QualityEvent):
        _quality(ledger, event)
    elif isinstance(event, WordEvent):
        take_word(ledger, event)


def _care(ledger: Ledger, event: CareEvent) -> None:
    place = event.chamber or "site"
    key = f"care/{place}/{event.task}"
    if event.status == "done":
        ledger.state.owed.pop(key, None)
    else:
        key = f"{key}/{event.id}" if event.status == "told" else key  # an answer is owed for itself, a task once
        when = ledger.when(event.priority, event.at_ms)
        ledger.state.owe(key, Owed(place, "care", event.priority, when, event.at_ms, [event]))


def _system(ledger: Ledger, event: SystemEvent) -> None:
    if event.what in TOLD_AT_ONCE:
        when = ledger.when("today", event.at_ms)
        ledger.state.owe(f"system/{event.what}", Owed("site", "system", "today", when, event.at_ms, [event]))
    else:
        ledger.state.line(event)


def _quality(ledger: Ledger, event: QualityEvent) -> None:
    key = f"{event.probe}/{event.quantity}/{event.test}"
    if event.ne107 == "ok":
        ledger.state.quality.pop(key, None)
    else:
        ledger.state.quality[key] = event
