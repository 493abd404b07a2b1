"""What is remembered of every alarm between two calls: orthogonal regions, so that no product of states is needed.

Condition, acknowledged, suppression and latched change independently of each other (OPC UA Part 9, IEC 62682). Instants that
a clock step shifts end in `_ms`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from rules.terms.condition_changes import Harm
from rules.terms.events import DAY_MS, HOUR_MS, Condition, Level, Priority, Suppression
from rules.trade.alarm_kinds import ALARMS, identity

HELD_FOR_MS = DAY_MS
"""A held alarm becomes unknown after this; it never becomes clear without being seen."""
STALE_FOR_MS = DAY_MS
"""An alarm that stands longer is stale: reminders end, the digest lists it."""
CHATTER_FOR_MS = 6 * HOUR_MS
"""Three raises within this are chattering. Three per six hours is never reached by the default delays on a hovering value.
Own estimate."""


@dataclass
class AlarmRecord:
    """One alarm of one chamber (or of the site), whatever its limits are at the moment."""

    chamber: str | None
    alarm: str
    probe: str | None = None
    medium: str | None = None
    condition: Condition = "normal"
    level: Level | None = None
    worst: Level | None = None
    """Highest level of the present or last occurrence: decides whether it latches."""
    acknowledged: bool = False
    seen_by: str = ""
    """The word that acknowledged it last, and below the one that shelved it."""
    latched: bool = False
    cause: str = ""
    """Why it is suppressed by design; empty: it is not."""
    out_of_service: bool = False
    occurrence: int = 0
    ordinal: int = 0
    """Number of the next event within the occurrence."""
    priority: Priority = "digest"
    priority_reason: str = ""
    value: float | None = None
    limit: float | None = None
    raised_from: float | None = None
    """The limit as it is written, where warmth raises it; None: nothing does."""
    unit: str | None = None
    seconds_left: float | None = None
    harm: Harm | None = None
    """How the account of harm behind it stood when it last changed; None: it has none, or was inside."""
    because: str = ""
    since_ms: int | None = None
    held_ms: int | None = None
    stale_at_ms: int | None = None
    """When it will be stale; None: it is stale already or does not stand."""
    stale: bool = False
    shelf_until_ms: int | None = None
    shelved_by: str = ""
    raised_ms: int | None = None
    raised_before_ms: int | None = None
    chattering: bool = False
    grace_until_ms: int | None = None
    """After a medium came back: until then its probes' silence is still its doing."""
    closed: bool = False
    """Its chamber or probe is gone from the config; kept so that occurrence numbers never repeat."""

    @property
    def key(self) -> str:
        """The alarm's identity."""
        return identity(self.chamber, self.alarm, self.probe or self.medium)

    @property
    def open(self) -> bool:
        """Whether an occurrence is going on."""
        return self.condition in ("active", "held")

    @property
    def suppression(self) -> Suppression:
        """The strongest reason why it is not annunciated."""
        if self.out_of_service:
            return "out-of-service"
        if self.shelf_until_ms is not None:
            return "shelved"
        return "by-design" if self.cause else "none"


@dataclass
class AlarmsState:
    """All alarms, and what the keeper said of each."""

    records: dict[str, AlarmRecord] = field(default_factory=dict)
    seen_ms: int = 0
    """The last instant at which something happened; nothing ends before it."""
    due_ms: int | None = None
    """The earliest instant at which something ends by itself."""

    def copied(self) -> AlarmsState:
        """Return a state that can be changed without changing this one."""
        return replace(self, records={key: replace(record) for key, record in self.records.items()})


Due = tuple[int, int, str, str]
"""Instant, rank among equals, what ends, whose."""

def dues(state: AlarmsState) -> Iterable[Due]:
    """Yield everything of an alarm that ends by itself."""
    for key, record in state.records.items():
        if record.grace_until_ms is not None:
            yield record.grace_until_ms, 2, "grace", key
        if record.held_ms is not None:
            yield record.held_ms + HELD_FOR_MS, 3, "held", key
        if record.shelf_until_ms is not None:
            yield record.shelf_until_ms, 4, "shelf", key
        if record.stale_at_ms is not None:
            yield record.stale_at_ms, 5, "stale", key


def record_key(chamber: str | None, alarm: str, probe: str | None, medium: str | None = None) -> str:
    """Return the identity of an alarm; a probe or medium counts only where the alarm is about one."""
    subject = ALARMS[alarm].subject
    part = {"probe": probe, "medium": medium or probe}.get(subject)
    return identity(chamber, alarm, part)
