"""What one call of `follow` works with: the state it may change, the events it has to tell, and how a row is carried out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from rules.alarms.priority import Judged, priority_of
from rules.alarms.state import CHATTER_FOR_MS, AlarmRecord, AlarmsState, record_key
from rules.alarms.suppression import ByChamber, causes, near
from rules.alarms.table import Transition
from rules.alarms.walk import Cue, level_of, step, told
from rules.keeper.state import KeeperState, garden_ml
from rules.settings import Settings
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import MINUTE_MS, AlarmEvent, WordEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE
from rules.trade.garden_sizes import size_class
from rules.trade.urgency import rank

Told = AlarmEvent | WordEvent
JUST_RAISED_MS = 15 * MINUTE_MS
"""What is told of an alarm within this after its raise is no news where the raise has told it; three looks of the account.
Own estimate."""


class AlarmLife:
    """The one writer of an AlarmsState during one call."""

    def __init__(self, settings: Settings, state: AlarmsState, keeper: KeeperState, origin: str) -> None:
        self.settings = settings
        self.state = state
        self.keeper = keeper
        self.origin = origin
        self.events: list[Told] = []
        self._by_chamber: ByChamber = defaultdict(dict)
        for key, record in state.records.items():
            self._by_chamber[record.chamber][key] = record

    def record(self, chamber: str | None, alarm: str, probe: str | None, medium: str | None = None) -> AlarmRecord:
        """Return the record of an alarm, a new one if it was never heard of."""
        key = record_key(chamber, alarm, probe, medium)
        record = self.state.records.get(key)
        if record is None:
            subject = ALARMS[alarm].subject
            record = AlarmRecord(
                chamber=chamber, alarm=alarm, probe=probe if subject == "probe" else None,
                medium=(medium or probe) if subject == "medium" else medium if subject == "probe" else None,
            )
            record.out_of_service = record.probe in self.keeper.out_of_service
            self.state.records[key] = self._by_chamber[chamber][key] = record
        return record

    def _note(self, record: AlarmRecord, change: ConditionChange) -> None:
        """Take over what the change knows in figures; what it does not know stays as last seen."""
        record.closed = False
        record.value = record.value if change.value is None else change.value
        if change.limit is not None:
            record.limit, record.raised_from = change.limit, change.raised_from
        record.unit = change.unit or record.unit
        record.because = change.because or record.because
        if ALARMS[record.alarm].subject == "probe":
            record.medium = change.medium or record.medium
        if change.to in ("active", "harmful", "eased", "recovering", "relapsed", "resumed", "worse", "judged"):
            record.harm = change.harm
            record.seconds_left = change.seconds_left if change.harm is None else change.harm.left_s
            if change.to == "relapsed" and change.harm is None and ALARMS[record.alarm].harm is not None:
                record.seconds_left = None  # its account looks at it within minutes; the slope of a pulse says nothing

    def change(self, record: AlarmRecord, change: ConditionChange) -> None:
        """Walk one change of condition through the table; what is not told changes no figure by which others decide."""
        before = record.seconds_left, record.priority, record.priority_reason
        self._note(record, change)
        reason = "config edited" if change.config else change.because
        cue = Cue(
            change.at_ms, change.to, level_of(change.to, change.level, record), change.config, telling=self.settings.telling
        )
        row = self.act(record, cue, reason)
        if row is None or row.change is None:
            record.seconds_left, record.priority, record.priority_reason = before

    def weigh(self, change: ConditionChange) -> AlarmRecord | None:
        """Carry a step of its account of harm to an alarm that stands, and return it; to any other it is nothing."""
        record = self.state.records.get(record_key(change.chamber, change.alarm, None))
        if record is None or not record.open:
            return None
        fresh = record.since_ms is not None and change.at_ms - record.since_ms <= JUST_RAISED_MS
        told = change.worse == "mark" and fresh and _is_beyond(record, change.mark)
        after = replace(record)
        self._note(after, change)
        after.priority = self._judged(after).priority
        told |= change.worse == "priority" and rank(after.priority) <= rank(record.priority)
        cue = Cue(change.at_ms, change.to, worse=None if told else change.worse, mark=change.mark)
        if cue.worse is None and after.priority == record.priority:
            return None  # what is not told changes no figure
        self._note(record, change)
        self.act(record, cue, change.because)
        return record

    def act(self, record: AlarmRecord, cue: Cue, reason: str = "") -> Transition | None:
        """Carry out the row that holds, with its event; the caller settles the other alarms afterwards."""
        row = step(record, cue)
        if row is None:
            return None
        if record.open:
            self._judge(record)
        if row.change is not None:
            self._place(record, causes(self.settings, self._near(record), self.keeper))
            self._say(record, row.change, cue.at_ms, reason, cue if row.change == "worsened" else None)
        if "open" in row.effects:
            self._count_raise(record, cue.at_ms)
        if "latch" in row.effects:
            self._say(record, "latched", cue.at_ms, "it stays told until it is acknowledged")
        return row

    def settle(self, at_ms: int, changed: AlarmRecord | None = None) -> None:
        """Tell of every other alarm whose suppression has changed by what has just happened: to this one, or to all."""
        state = self.state if changed is None else self._near(changed)
        found = causes(self.settings, state, self.keeper)
        for key in sorted(state.records):
            record = state.records[key]
            before = record.suppression
            self._place(record, found)
            after = record.suppression
            if after != before and record.condition != "normal":
                hidden = after != "none"
                self._say(record, "suppressed" if hidden else "unsuppressed", at_ms, "" if hidden else "what hid it is over")

    def _near(self, record: AlarmRecord) -> AlarmsState:
        """Return the state with those alarms alone whose hiding this one may change; the site's may change all."""
        whole = record.chamber is None
        return self.state if whole else replace(self.state, records=near(self.settings, self._by_chamber, record))

    def garden_class(self, chamber: str | None) -> str:
        """Return the garden's size class; a chamber without a garden bears as much as the largest one."""
        entry = None if chamber is None else self.settings.chambers.get(chamber)
        if entry is None:
            return "B"
        if entry.role != "fungus":
            return "E"
        return size_class(garden_ml(self.keeper, chamber or "", entry))

    def _say(self, record: AlarmRecord, change: str, at_ms: int, reason: str, cue: Cue | None = None) -> None:
        worse, mark = (None, None) if cue is None else (cue.worse, cue.mark)
        self.events.append(told(record, change, at_ms, self.origin, reason, worse, mark))

    def _place(self, record: AlarmRecord, found: dict[str, str]) -> None:
        record.cause = found.get(record.key, "")
        record.out_of_service = record.probe is not None and record.probe in self.keeper.out_of_service

    def _judge(self, record: AlarmRecord) -> None:
        judged = self._judged(record)
        record.priority, record.priority_reason = judged.priority, judged.text

    def _judged(self, record: AlarmRecord) -> Judged:
        uncertain = ALARMS[record.alarm].subject in ("climate", "lid") and any(
            other.open and other.alarm == "probes-disagree" for other in self._by_chamber[record.chamber].values()
        )
        return priority_of(
            record.alarm, record.level or "outside", size=self.garden_class(record.chamber), value=record.value,
            limit=record.limit, seconds_left=record.seconds_left, uncertain=uncertain, harm=record.harm,
        )

    def _count_raise(self, record: AlarmRecord, at_ms: int) -> None:
        third = record.raised_before_ms is not None and at_ms - record.raised_before_ms <= CHATTER_FOR_MS
        record.raised_before_ms, record.raised_ms = record.raised_ms, at_ms
        record.grace_until_ms = None
        if third and not record.chattering:
            record.chattering = True
            self._say(record, "chattering", at_ms, "raised three times within 6 h: deadband or delays are too small")


def _is_beyond(record: AlarmRecord, mark: float | None) -> bool:
    """Say whether the value that was told last lies beyond a mark; a wet lid's alarm tells a margin, not its load."""
    kind = ALARMS[record.alarm].harm
    if mark is None or record.value is None or kind is None or kind == "water":
        return False
    return BEARABLE[kind].worse * (record.value - mark) >= 0
