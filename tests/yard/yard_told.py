"""What the program told, held against the truth: wet lids, open lids, false cries, letters, and the worth of its intervals."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from yard_air import Array
from yard_chambers import MINUTES
from yard_running import SAMPLE_MIN, Week
from yard_scores import Truth
from yard_troubles import CALM, LID_KINDS, Kind

AJAR_MIN = 120
"""An open lid is to be told within so long."""
LID_ALARMS = ("lid-dew", "drip")
OPEN_ALARMS = ("lid-open", "moisture-lost")
HORIZONS_H = (1, 6, 24)
Event = dict[str, Any]


@dataclass
class Told:
    """What was told in the judged time."""

    days: float
    letters: int
    wet_samples: int
    wet_told: int
    ajar: bool | None
    """Whether an open lid was told in time; None where none was open."""
    false_open: int
    """How often an open lid was told of one that was shut."""
    predictions: dict[tuple[str, int], list[bool]] = field(default_factory=dict)
    """By quantity and hours: whether the truth came to lie within what was stated with 95 %."""


def told_of(
    events: list[Event], acted: list[tuple[int, str]], begin: datetime, week: Week, kind: Kind, judged_from: int
) -> Told:
    """Return what these events told of this week."""

    def minute(event: Event) -> float:
        return (datetime.fromisoformat(event["time"]) - begin).total_seconds() / 60.0

    letters = [e for e in events if e["kind"] == "letter" and e["sort"] not in ("digest", "system", "care")]
    wet = Truth.of(week, judged_from).wet_lid[:, 0]
    spoken = _lid_spoken_of(events, minute)[judged_from // SAMPLE_MIN : judged_from // SAMPLE_MIN + len(wet)]
    raised = [e for e in events if e["kind"] == "alarm" and e["alarm"] in OPEN_ALARMS and e["change"] == "raised"]
    return Told(
        days=(week.minute - judged_from) / 1440.0, letters=sum(minute(e) >= judged_from for e in letters),
        wet_samples=int(wet.sum()), wet_told=int((wet & spoken).sum()), ajar=_ajar_told(events, minute, week, kind),
        false_open=len(raised) if kind is CALM else 0, predictions=_predictions(events, acted, minute, week, kind),
    )  # fmt: skip


def _lid_spoken_of(events: list[Event], minute: Any) -> Array:
    """Return for each sample whether a letter or digest has told of a wet lid that still stands."""
    spoken = np.zeros(MINUTES // SAMPLE_MIN, bool)
    standing: dict[str, float] = {}
    told_at: float | None = None
    for event in events:
        if event["kind"] == "alarm" and event["alarm"] in LID_ALARMS:
            over = event["condition"] in ("normal", "unknown")
            if over and standing.pop(event["alarm"], None) is not None and not standing and told_at is not None:
                spoken[int(told_at // SAMPLE_MIN) : int(minute(event) // SAMPLE_MIN)] = True
                told_at = None
            elif not over:
                standing.setdefault(event["alarm"], minute(event))
        elif event["kind"] == "letter" and told_at is None and standing and any(_of_wet_lid(e) for e in event["about"]):
            told_at = minute(event)
    if told_at is not None:
        spoken[int(told_at // SAMPLE_MIN) :] = True
    return spoken


def _of_wet_lid(event: Event) -> bool:
    return event.get("kind") == "alarm" and event.get("alarm") in LID_ALARMS


def _ajar_told(events: list[Event], minute: Any, week: Week, kind: Kind) -> bool | None:
    if kind.name not in LID_KINDS:
        return None
    full = week.trouble.gap_m2(MINUTES)
    opened = next(m for m in range(week.trouble.onset, MINUTES) if week.trouble.gap_m2(m) >= 0.5 * full)
    return any(
        week.trouble.onset <= minute(letter) <= opened + AJAR_MIN and any(_of_open_lid(e) for e in letter["about"])
        for letter in events if letter["kind"] == "letter"
    )  # fmt: skip


def _of_open_lid(event: Event) -> bool:
    if event.get("kind") == "advice" and event["status"] in ("given", "updated", "reminded"):
        return any(a["device"] == "lid" and a["change"] == "check" for a in event["actions"])
    return event.get("kind") == "alarm" and event.get("alarm") in OPEN_ALARMS


def _predictions(
    events: list[Event], acted: list[tuple[int, str]], minute: Any, week: Week, kind: Kind
) -> dict[tuple[str, int], list[bool]]:
    """Return by quantity and horizon whether twice the stated uncertainty held what came, where what was advised was done and
    nothing else befell the box."""
    did = {event_id: at for at, event_id in acted}
    found: dict[tuple[str, int], list[bool]] = {}
    for event in events:
        if event["kind"] != "advice" or event["id"] not in did or not event["predictions"]:
            continue
        at = minute(event)
        if did[event["id"]] - at > 90:
            continue
        for row in event["predictions"]:
            hours = round(row["after_ms"] / 3_600_000)
            then = at + hours * 60.0
            between = [m for m, _ in acted if did[event["id"]] < m < then]
            struck = kind is not CALM and at < week.trouble.onset < then
            if hours not in HORIZONS_H or then >= week.minute or between or struck:
                continue
            i = int(then // SAMPLE_MIN) - 1
            for name, key, u, course in (
                ("T", "temperature_c", "temperature_u_k", week.temperature_c),
                ("RH", "relative_humidity_pct", "relative_humidity_u_pct", week.humidity_pct),
            ):
                found.setdefault((name, hours), []).append(abs(float(course[i][0]) - row[key]) <= 2.0 * row[u])
    return found
