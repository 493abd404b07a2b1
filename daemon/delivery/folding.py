"""After a long outage many old letters become one: what still matters of them, newest first told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from adapters.outlets.outlet import Owed
from daemon.store.batch_rows import json_text
from rules.terms.events import (
    AdviceEvent,
    AlarmEvent,
    CareEvent,
    LetterEvent,
    News,
    QualityEvent,
    SystemEvent,
    letter_of,
    rfc3339,
)

FOLD_OLDER_MS = 86_400_000
"""Letters older than this are folded when several of them wait."""
FOLD_MORE_THAN = 3
_MOST = 40


def folded(owed: Sequence[Owed]) -> Owed:
    """Return the one summary letter in the place of these (at least one), all for one recipient."""
    letters = [letter_of(json.loads(each.payload)) for each in owed]
    last, since = letters[-1], rfc3339(letters[0].at_ms)[:10]
    text = f"{len(letters)} letters could not be sent since {since}; this one stands for all of them."
    note = SystemEvent(id=f"{last.id}.note", at_ms=last.at_ms, chamber=None, what="outlet-back", text=text)
    name = f"{last.id}.folded"
    one = replace(
        last, id=name, chamber=None, sort="summary", thread=name, ordinal=1, urgent=False,
        about=(*_latest(letters)[:_MOST], note),
    )
    newest = owed[-1]
    return Owed(
        outlet=newest.outlet, event_id=name, kind=newest.kind, payload=json_text(one.as_json()), made_ms=newest.made_ms,
        recipient=newest.recipient,
    )  # fmt: skip


def _latest(letters: Sequence[LetterEvent]) -> list[News]:
    """Return the newest word on each alarm, chamber's advice, probe and task; what stands comes first."""
    found = {_subject(event): event for letter in letters for event in letter.about}
    return sorted(found.values(), key=lambda event: not (isinstance(event, AlarmEvent) and event.open))


def _subject(event: News) -> tuple[str | None, ...]:
    match event:
        case AlarmEvent():
            which = event.alarm, event.probe
        case QualityEvent():
            which = "", event.probe
        case CareEvent():
            which = event.task, None
        case AdviceEvent():
            which = "", None
        case _:
            which = event.id, None
    return event.kind, event.chamber, *which
