"""Of several boxes in the same trouble: one line that names them all, that with the least time left first, and what differs."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from adapters.wording.alarm_sentences import label, title_of
from adapters.wording.figures import Style
from rules.settings import Settings
from rules.terms.events import AlarmEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE

SEVERAL = 3
"""So many boxes in the same trouble are told in one line; judgement."""


def alike(alarms: Sequence[AlarmEvent]) -> list[list[AlarmEvent]]:
    """Return the alarms in their order, those that several boxes share as one group."""
    groups: dict[object, list[AlarmEvent]] = {}
    for number, alarm in enumerate(alarms):
        shares = alarm.condition == "active" and alarm.chamber is not None and alarm.probe is None
        groups.setdefault((alarm.alarm,) if shares else number, []).append(alarm)
    return [part for group in groups.values() for part in ([group] if len(group) >= SEVERAL else [[one] for one in group])]


def line_of(group: Sequence[AlarmEvent], settings: Settings, style: Style, now_ms: int) -> str:
    """Return the one line of a group."""
    first = group[0]
    kind = ALARMS[first.alarm].harm
    worse = -1 if kind is None or kind == "water" else BEARABLE[kind].worse  # of a lid a margin is told
    order = sorted(group, key=lambda one: (inf if one.seconds_left is None else one.seconds_left, -worse * (one.value or 0.0)))
    boxes = ", ".join(_box(one, settings, style) for one in order)
    limits = {one.limit for one in group if first.unit not in ("K", "s")}
    limit = limits.pop() if len(limits) == 1 else None
    said = "" if limit is None else f" (limit {style.quantity(limit, first.unit or '').removesuffix(' humidity')})"
    begun = [one.since_ms for one in group if one.since_ms is not None]
    since = f", the first since {style.clock(min(begun), now_ms)}" if begun else ""
    name = label(first.alarm)
    return f"{name[0].upper()}{name[1:]} at {len(group)} boxes, the worst first: {boxes}{said}{since}.{_harm(order, settings)}"


def _box(alarm: AlarmEvent, settings: Settings, style: Style) -> str:
    place, value, unit = title_of(settings, alarm.chamber), alarm.value, alarm.unit
    if value is None or unit is None or unit == "s":
        return place
    if unit == "K":  # a margin: lid temperature minus dew point
        return f"{place} {style.quantity(abs(value), unit)} {'below' if value < 0 else 'above'} the dew point"
    return f"{place} {style.quantity(value, unit).removesuffix(' humidity')}"


def _harm(group: Sequence[AlarmEvent], settings: Settings) -> str:
    harmed = [title_of(settings, one.chamber) for one in group if one.level == "harmful"]
    if not harmed:
        return ""
    return " This does harm." if len(harmed) == len(group) else f" It does harm at {', '.join(harmed)}."


def reached(rows: Sequence[tuple[str, str, str]]) -> dict[str, str]:
    """Return for each mark that several boxes reach their names and times in one phrase; a row is mark, box, time."""
    marks = dict.fromkeys(mark for mark, _, _ in rows)
    phrases = {mark: [f"{place} {at}" for one, place, at in rows if one == mark] for mark in marks}
    return {mark: ", ".join(boxes) for mark, boxes in phrases.items() if len(boxes) >= SEVERAL}
