"""Which alarms the keeper means: `nest/temperature-high`, `nest temperature-high`, all of `nest`, or `all`."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.desk.keeper_desk import KeeperDesk
from daemon.store.spool import WordError
from rules.alarms.state import AlarmRecord
from rules.alarms.walk import as_event
from rules.climate.situation import Situation
from rules.terms.events import AlarmEvent, rfc3339
from rules.trade.alarm_kinds import ALARMS
from rules.trade.urgency import PRIORITIES
from rules.turn.present import present
from rules.turn.verdict import verdict_of


def is_standing(record: AlarmRecord) -> bool:
    """Whether the keeper still has to know of it: it stands, is not known, or is latched."""
    return not record.closed and (record.open or record.latched or (record.condition == "unknown" and record.occurrence > 0))


def records_of(desk: KeeperDesk, wanted: Callable[[AlarmRecord], bool]) -> list[AlarmRecord]:
    """Return the records that are wanted, the most urgent first."""
    found = [record for record in desk.state.alarms.records.values() if wanted(record)]
    return sorted(found, key=lambda record: (-PRIORITIES.index(record.priority), record.since_ms or 0, record.key))


def standing_event(desk: KeeperDesk, record: AlarmRecord) -> AlarmEvent:
    """Return the alarm's present state in the form of its events."""
    return as_event(record, "standing", record.since_ms or desk.now_ms, desk.state.origin)


def chosen(desk: KeeperDesk, args: argparse.Namespace, wanted: Callable[[AlarmRecord], bool]) -> list[dict[str, Any]]:
    """Return the keys `chamber, alarm, probe, occurrence` of the alarms that the command line names.

    Of `all`, a room or a chamber those that are `wanted`; one that is named stays as it is named, for the rules to answer.
    """
    parts = [part for word in args.target for part in word.split("/") if part]
    if len(parts) == len(args.target) and not any(part in ALARMS for part in parts):
        places = {place for part in parts for place in _places(desk, part)}
        return [_keys(record) for record in records_of(desk, lambda one: wanted(one) and (one.chamber or "site") in places)]
    if len(parts) == 1:
        return [_keys(record) for record in _only(desk, parts[0], args.probe, wanted)]
    if len(parts) > 3:
        raise WordError(f"{' '.join(args.target)}: write CHAMBER/ALARM, such as nest/temperature-high")
    place = _place(desk, parts[0])
    probe = parts[2] if len(parts) == 3 else args.probe
    return [{"chamber": None if place == "site" else place, "alarm": parts[1], "probe": probe}]


def _places(desk: KeeperDesk, name: str) -> list[str]:
    """Return what a name stands for: a room for all that is in it too."""
    if name == "all":
        return [*desk.settings.chambers, *desk.settings.rooms, "site"]
    return [_place(desk, name), *(one for one, chamber in desk.settings.chambers.items() if chamber.room == name)]


def _place(desk: KeeperDesk, name: str) -> str:
    known = [*desk.settings.chambers, *desk.settings.rooms, "site"]
    if name not in known:
        raise WordError(f"There is no chamber {name}. Chambers, rooms and the site: {', '.join(known)}.")
    return name


def _only(
    desk: KeeperDesk, alarm: str, probe: str | None, wanted: Callable[[AlarmRecord], bool]
) -> Sequence[AlarmRecord]:
    records = records_of(desk, lambda record: wanted(record) and record.alarm == alarm and probe in (None, record.probe))
    if len(records) > 1:
        raise WordError(f"{alarm}: which one? {', '.join(record.key for record in records)}")
    return records


def _keys(record: AlarmRecord) -> dict[str, Any]:
    probe = record.probe or (record.medium if ALARMS[record.alarm].subject == "medium" else None)
    return {"chamber": record.chamber, "alarm": record.alarm, "probe": probe, "occurrence": record.occurrence}


@dataclass(frozen=True, slots=True)
class Listed:
    """An alarm as it stands, and the present value of what it is about."""

    record: AlarmRecord
    event: AlarmEvent
    value_now: float | None

    def as_json(self) -> dict[str, Any]:
        """Return it as the JSON object that scripts rely on."""
        body = self.event.as_json()
        del body["id"], body["kind"], body["change"]
        marks = {"latched": self.record.latched, "stale": self.record.stale, "chattering": self.record.chattering}
        return {"key": self.record.key, **body, "value_now": self.value_now, **marks}


def listing(desk: KeeperDesk, everything: bool) -> list[Listed]:
    """Return the alarms that stand, or all that there were."""
    records = records_of(desk, lambda record: not record.closed and (everything or is_standing(record)))
    seen = present(desk.settings, desk.state)
    return [_listed(desk, record, seen.get(record.chamber or "")) for record in records]


def _listed(desk: KeeperDesk, record: AlarmRecord, seen: Situation | None) -> Listed:
    figure = ALARMS[record.alarm].figure
    now = None if seen is None or figure is None else getattr(seen, figure)
    return Listed(record, standing_event(desk, record), now)


def listing_json(desk: KeeperDesk, alarms: Sequence[Listed]) -> dict[str, Any]:
    """Return what `dewlid alarms` knows, as one JSON object."""
    keeper, verdicts = desk.state.keeper, present(desk.settings, desk.state)
    shelved = {one.key: one.shelf_until_ms for one in desk.state.alarms.records.values()}
    return {
        "time": rfc3339(desk.now_ms),
        "recorded": None if desk.recorded_ms is None else rfc3339(desk.recorded_ms),
        "verdicts": {name: verdict_of(desk.settings, desk.state, name, late=bool(desk.silence)).state for name in verdicts},
        "alarms": [one.as_json() for one in alarms],
        "shelved": {key: rfc3339(until_ms) for key, until_ms in shelved.items() if until_ms is not None},
        "out_of_service": {probe: rfc3339(entry.until_ms) for probe, entry in keeper.out_of_service.items()},
        "visits": {chamber: rfc3339(entry.until_ms) for chamber, entry in keeper.visits.items()},
    }
