"""After a long outage many old letters become one: what still matters of them, newest first told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from adapters.outlets.outlet import Owed
from daemon.store.history import json_text

FOLD_OLDER_MS = 86_400_000
"""Letters older than this are folded when several of them wait."""
FOLD_MORE_THAN = 3
_MOST = 40


def folded(owed: Sequence[Owed]) -> Owed:
    """Return the one summary letter in the place of these (at least one), all for one recipient."""
    letters = [json.loads(each.payload) for each in owed]
    last = letters[-1]
    text = f"{len(letters)} letters could not be sent since {letters[0]['time'][:10]}; this one stands for all of them."
    note = {
        "kind": "system",
        "id": f"{last['id']}.note",
        "time": last["time"],
        "chamber": None,
        "what": "outlet-back",
        "text": text,
    }
    body = last | {
        "id": f"{last['id']}.folded", "chamber": None, "sort": "summary", "thread": f"{last['id']}.folded", "ordinal": 1,
        "urgent": False, "about": [*_latest(letters)[:_MOST], note],
    }  # fmt: skip
    newest = owed[-1]
    return Owed(
        outlet=newest.outlet, event_id=body["id"], kind=newest.kind, payload=json_text(body), made_ms=newest.made_ms,
        recipient=newest.recipient,
    )  # fmt: skip


def _latest(letters: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the newest word on each alarm, chamber's advice, probe and task; what stands comes first."""
    found: dict[tuple[object, ...], dict[str, Any]] = {}
    for letter in letters:
        for event in letter["about"]:
            which = event["id"] if event["kind"] in ("system", "word") else event.get("alarm") or event.get("task")
            found[event["kind"], event.get("chamber"), which, event.get("probe")] = event
    return sorted(found.values(), key=lambda event: event.get("condition") not in ("active", "held"))
