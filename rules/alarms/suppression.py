"""One cause, one message: which standing alarm explains which other one, so that only the cause is annunciated.

Suppression by design hides an alarm, it never stops it: when the cause ends and the alarm still stands, it is annunciated
then. A harmful level is hidden by nothing but a visit of the keeper, who is standing in front of it.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.alarms.state import AlarmRecord, AlarmsState
from rules.keeper.state import KeeperState
from rules.settings import Settings
from rules.terms.events import HOUR_MS
from rules.trade.alarm_kinds import ALARMS, identity
from rules.trade.urgency import rank

TOGETHER_FOR_MS = HOUR_MS
"""Chambers of one room that raise the same alarm within this were moved by the room. Common practice, no source."""


def _depth(alarm: str) -> int:
    return 1 + max((_depth(cause) for cause in ALARMS[alarm].explained_by), default=-1)


_DEPTH = {alarm: _depth(alarm) for alarm in ALARMS}
"""Causes before what they explain, so that one pass decides all. A circle of explanations fails here."""


ByChamber = dict[str | None, dict[str, AlarmRecord]]
"""The records of each chamber (None: of the site)."""


def near(settings: Settings, by_chamber: ByChamber, record: AlarmRecord) -> dict[str, AlarmRecord]:
    """Return those alarms alone that what happens to this one, of a chamber, can hide or show: of the chamber and the site, and
    of the whole room where the room may move it. So a change costs the same beside a thousand other chambers."""
    mine = {**by_chamber.get(record.chamber, {}), **by_chamber.get(None, {})}
    room = _room(settings, record.chamber)
    moved = any(ALARMS[one.alarm].room_moves and (one is record or one.condition != "normal") for one in mine.values())
    if room is not None and moved:
        for chamber, records in by_chamber.items():
            if _room(settings, chamber) == room:
                mine |= records
    return mine


def causes(settings: Settings, state: AlarmsState, keeper: KeeperState) -> dict[str, str]:
    """Return the cause, in words, of every alarm that is suppressed by design now; absent: it is not."""
    found: dict[str, str] = {}
    candidates = [(key, record) for key, record in state.records.items() if record.condition != "normal"]
    candidates.sort(key=lambda pair: (_DEPTH[pair[1].alarm], pair[1].since_ms or 0, pair[0]))
    for key, record in candidates:
        cause = _cause(settings, state, keeper, record, found)
        if cause:
            found[key] = cause
    return found


def _cause(
    settings: Settings, state: AlarmsState, keeper: KeeperState, record: AlarmRecord, found: Mapping[str, str]
) -> str:
    visiting = record.chamber is not None and record.chamber in keeper.visits
    if visiting and ALARMS[record.alarm].quiet_on_visit:
        return "visit: work in the tank was announced"
    if record.condition == "unknown":
        return _blinded(settings, state, keeper, record)
    if record.level == "harmful":
        return ""
    return (
        _medium(state, record)
        or _same_chamber(state, record, found)
        or _same_room(settings, state, record, found)
    )


def _medium(state: AlarmsState, record: AlarmRecord) -> str:
    if ALARMS[record.alarm].subject != "probe" or record.alarm == "probe-calibration" or record.medium is None:
        return ""
    medium = state.records.get(identity(None, "medium-down", record.medium))
    if medium is not None and (medium.open or medium.grace_until_ms is not None):
        return f"{medium.key}: the line or broker that it comes by is down"
    return ""


def _blinded(settings: Settings, state: AlarmsState, keeper: KeeperState, record: AlarmRecord) -> str:
    if ALARMS[record.alarm].subject not in ("climate", "lid"):
        return ""
    for key, other in state.records.items():
        if other.open and other.chamber == record.chamber and ALARMS[other.alarm].blinds and other is not record:
            return f"{key}: it cannot be seen"
    for probe in keeper.out_of_service:
        if probe in settings.probes and settings.probes[probe].place == record.chamber:
            return f"probe {probe} is out of service"
    return ""


def annunciated(record: AlarmRecord, found: Mapping[str, str]) -> bool:
    """Say whether the alarm stands and is hidden by nothing."""
    free = record.shelf_until_ms is None and not record.out_of_service and record.key not in found
    return record.open and free


def _same_chamber(state: AlarmsState, record: AlarmRecord, found: Mapping[str, str]) -> str:
    for alarm in ALARMS[record.alarm].explained_by:
        other = state.records.get(identity(record.chamber, alarm))
        if other is not None and annunciated(other, found) and rank(other.priority) >= rank(record.priority):
            return f"{other.key}: the same cause"
    return ""


def _same_room(settings: Settings, state: AlarmsState, record: AlarmRecord, found: Mapping[str, str]) -> str:
    room, since_ms, key = _room(settings, record.chamber), record.since_ms, record.key
    if room is None or not ALARMS[record.alarm].room_moves or since_ms is None:
        return ""
    for name, other in state.records.items():
        if other.alarm == record.alarm and other.chamber != record.chamber and _room(settings, other.chamber) == room:
            leads = other.since_ms is not None and (other.since_ms, name) < (since_ms, key)
            near = leads and since_ms - (other.since_ms or 0) <= TOGETHER_FOR_MS
            if near and annunciated(other, found) and rank(other.priority) >= rank(record.priority):
                return f"{name}: the room {room} moves both"
    return ""


def _room(settings: Settings, chamber: str | None) -> str | None:
    entry = None if chamber is None else settings.chambers.get(chamber)
    return None if entry is None else entry.room
