"""Walks the table of one alarm: which row holds, what it does to the record, which event tells of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rules.alarms.state import CHATTER_FOR_MS, STALE_FOR_MS, AlarmRecord
from rules.alarms.table import ROWS, Effect, Guard, Transition, Trigger
from rules.settings import Telling
from rules.terms.condition_changes import Worse
from rules.terms.events import AlarmEvent, Level
from rules.trade.alarm_kinds import ALARMS, QUESTIONS

_HEIGHT: dict[Level | None, int] = {None: 0, "outside": 1, "harmful": 2}


@dataclass(frozen=True, slots=True)
class Cue:
    """What a row is chosen by and acts with: the instant, the new level, an edited config, how long a shelf holds; in
    what a step of harm is worse than what was told."""

    at_ms: int
    trigger: Trigger
    level: Level | None = None
    config: bool = False
    shelf_for_ms: int = 0
    telling: Telling | None = None
    worse: Worse | None = None
    mark: float | None = None


def level_of(trigger: Trigger, level: Level | None, record: AlarmRecord) -> Level | None:
    """Return the level that a change of condition speaks of; None: it speaks of none."""
    if trigger in ("active", "harmful", "eased", "resumed"):
        named: dict[str, Level | None] = {"harmful": "harmful", "eased": "outside", "active": level or "outside"}
        return named.get(trigger, level or record.level or "outside")
    return None


def latches(record: AlarmRecord, cue: Cue) -> bool:
    """Say whether the alarm stays told after its return: only where configured, never because a band was edited."""
    if cue.config or cue.telling is None:
        return False
    kind, wanted = ALARMS[record.alarm].latch, cue.telling.latch
    harmful = record.worst == "harmful"
    return (harmful and ("harmful" in wanted or kind in wanted)) or (kind == "blind" and "blind" in wanted)


GUARDS: dict[Guard, Callable[[AlarmRecord, Cue], bool]] = {
    "always": lambda record, cue: True,
    "higher": lambda record, cue: _HEIGHT[cue.level] > _HEIGHT[record.level],
    "lower": lambda record, cue: _HEIGHT[cue.level] < _HEIGHT[record.level],
    "edited": lambda record, cue: cue.config,
    "latching": latches,
    "unacknowledged": lambda record, cue: not record.acknowledged,
    "latched": lambda record, cue: record.latched,
    "harmful-now": lambda record, cue: record.level == "harmful",
    "shelved": lambda record, cue: record.shelf_until_ms is not None,
    "known": lambda record, cue: record.occurrence > 0 or record.ordinal > 0,
    "graver": lambda record, cue: cue.worse is not None,
}


def _open(record: AlarmRecord, cue: Cue) -> None:
    record.occurrence += 1
    record.ordinal = 0
    record.level = record.worst = cue.level
    record.acknowledged = record.stale = False
    record.since_ms = cue.at_ms
    record.stale_at_ms = cue.at_ms + STALE_FOR_MS
    record.held_ms = None
    if record.chattering and record.raised_ms is not None:
        record.chattering = cue.at_ms - record.raised_ms < CHATTER_FOR_MS
    if cue.level == "harmful":
        record.shelf_until_ms = None  # a shelf on one level does not hide the harmful one


def _level(record: AlarmRecord, cue: Cue) -> None:
    record.level = cue.level
    if _HEIGHT[cue.level] > _HEIGHT[record.worst]:
        record.worst = cue.level


def _end(record: AlarmRecord, cue: Cue) -> None:
    record.level = record.held_ms = record.stale_at_ms = record.seconds_left = record.harm = None
    record.stale = False


def _close(record: AlarmRecord, cue: Cue) -> None:
    record.closed = True
    record.cause, record.out_of_service, record.chattering, record.grace_until_ms = "", False, False, None


def _setter(**values: object) -> Callable[[AlarmRecord, Cue], None]:
    def act(record: AlarmRecord, cue: Cue) -> None:
        for name, value in values.items():
            setattr(record, name, value)

    return act


def _shelve(record: AlarmRecord, cue: Cue) -> None:
    record.shelf_until_ms = cue.at_ms + cue.shelf_for_ms


def _hold(record: AlarmRecord, cue: Cue) -> None:
    record.held_ms = cue.at_ms


def _restart_stale(record: AlarmRecord, cue: Cue) -> None:
    record.stale, record.stale_at_ms = False, cue.at_ms + STALE_FOR_MS


EFFECTS: dict[Effect, Callable[[AlarmRecord, Cue], None]] = {
    "open": _open,
    "level": _level,
    "drop-acknowledge": _setter(acknowledged=False),
    "unshelve": _setter(shelf_until_ms=None),
    "restart-stale": _restart_stale,
    "hold": _hold,
    "see": _setter(held_ms=None),
    "end": _end,
    "latch": _setter(latched=True),
    "acknowledge": _setter(acknowledged=True),
    "unlatch": _setter(latched=False),
    "shelve": _shelve,
    "stale": _setter(stale=True, stale_at_ms=None),
    "close": _close,
}


def step(record: AlarmRecord, cue: Cue) -> Transition | None:
    """Change the record by the row that holds and return that row; None: the table has none for this condition."""
    for row in ROWS.get((record.condition, cue.trigger), ()):
        if GUARDS[row.guard](record, cue):
            record.condition = row.becomes
            for effect in row.effects:
                EFFECTS[effect](record, cue)
            return row
    return None


def told(
    record: AlarmRecord, change: str, at_ms: int, origin: str, reason: str = "", worse: Worse | None = None,
    mark: float | None = None,
) -> AlarmEvent:
    """Return the event of a change, with the alarm's state after it, and count it."""
    event = replace(as_event(record, change, at_ms, origin, reason), worse=worse, mark=mark)
    record.ordinal += 1
    return event


def as_event(record: AlarmRecord, change: str, at_ms: int, origin: str, reason: str = "") -> AlarmEvent:
    """Return an alarm's state in the form of its events; nothing is counted."""
    hidden = record.cause if change in ("raised", "unknown", "suppressed") else ""
    return AlarmEvent(
        id=f"{origin}.{record.key.replace('/', '.')}.{record.occurrence}.{record.ordinal}", at_ms=at_ms, chamber=record.chamber,
        kind="question" if record.alarm in QUESTIONS else "alarm", alarm=record.alarm, change=change,
        condition=record.condition, level=record.level, acknowledged=record.acknowledged, suppression=record.suppression,
        occurrence=record.occurrence, priority=record.priority, value=record.value,
        limit=record.limit, raised_from=record.raised_from, unit=record.unit, probe=record.probe, medium=record.medium,
        since_ms=record.since_ms,
        seconds_left=record.seconds_left, harm_used=None if record.harm is None else record.harm.used,
        early_seconds_left=None if record.harm is None else record.harm.early_left_s, priority_reason=record.priority_reason,
        reason=hidden or reason or record.because,
    )
