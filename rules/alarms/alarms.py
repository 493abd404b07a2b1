"""The life of all alarms along the stream: changes of condition, the keeper's words, and what ends by itself.

`follow` may be called for any piece of the stream: however it is cut, the same events come out, with the same ids. At one
instant the stimuli come first and what ends by itself after them.
"""

from __future__ import annotations

from collections.abc import Sequence

from rules.alarms.answers import hear
from rules.alarms.life import AlarmLife, Told
from rules.alarms.state import AlarmRecord, AlarmsState, Due, dues
from rules.alarms.table import Trigger
from rules.alarms.walk import Cue
from rules.keeper.state import KeeperState
from rules.settings import Settings
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import MINUTE_MS
from rules.terms.words import Word

__all__ = ["AlarmRecord", "AlarmsState", "all_standing", "configured", "follow", "nothing_due", "standing"]

_ENDINGS: dict[str, Trigger] = {"held": "held-too-long", "shelf": "shelf-over", "stale": "stands-too-long"}
_REASONS = {
    "held": "not seen for 24 h: unknown, not cleared",
    "shelf": "the shelf is over",
    "stale": "stands for more than 24 h",
}


def follow(
    settings: Settings, state: AlarmsState, keeper: KeeperState, stimuli: Sequence[ConditionChange | Word], from_ms: int,
    until_ms: int, origin: str, *, turned: bool = False,
) -> tuple[AlarmsState, list[Told]]:
    """Return the state and the events of a stretch of the stream; what falls due at `until_ms` belongs to the next one.

    `stimuli` are in order of time and lie within the stretch, its end included. The state handed in is not changed; without
    stimuli and with nothing due it is handed back as it is. `keeper` holds for the whole stretch; `turned`: not as before it.
    """
    if not stimuli and not turned and nothing_due(state, until_ms):
        return state, []
    life = AlarmLife(settings, state.copied(), keeper, origin)
    if turned:
        life.settle(from_ms)
    for stimulus in stimuli:
        at_ms = stimulus.at_ms if isinstance(stimulus, ConditionChange) else stimulus.taken_ms
        if at_ms != life.state.seen_ms:
            _end_what_is_due(life, at_ms)
        life.state.seen_ms = at_ms
        if isinstance(stimulus, ConditionChange):
            _change(life, stimulus)
        else:
            hear(life, stimulus)
    _end_what_is_due(life, until_ms)
    _plan(life.state)
    return life.state, life.events


def configured(
    settings: Settings, state: AlarmsState, keeper: KeeperState, at_ms: int, origin: str
) -> tuple[AlarmsState, list[Told]]:
    """Return state and events after the config was edited: alarms of chambers and probes that are gone are closed.

    Limits that moved come as changes of condition marked `config`; the occurrence number outlives a closed alarm.
    """
    life = AlarmLife(settings, state.copied(), keeper, origin)
    after = life.state
    for key in sorted(after.records):
        record = after.records[key]
        if not record.closed and _gone(settings, record):
            life.act(record, Cue(at_ms, "removed"), "removed from the config")
    life.settle(at_ms)
    _plan(after)
    return after, life.events


def standing(state: AlarmsState, chamber: str | None) -> dict[str, AlarmRecord]:
    """Return the alarms of a chamber (None: of the site) that stand or are latched, by alarm, or alarm/probe for a probe's."""
    return all_standing(state, chamber).get(chamber, {})


def all_standing(state: AlarmsState, *only: str | None) -> dict[str | None, dict[str, AlarmRecord]]:
    """Return what `standing` does for every chamber in which anything stands, or for these `only`, in one pass."""
    found: dict[str | None, dict[str, AlarmRecord]] = {}
    for key, record in state.records.items():
        if (record.open or record.latched) and not record.closed and (not only or record.chamber in only):
            found.setdefault(record.chamber, {})[key.removeprefix(f"{record.chamber or 'site'}/")] = record
    return found


def nothing_due(state: AlarmsState, until_ms: int) -> bool:
    """Return whether no alarm changes by itself before this instant."""
    return state.due_ms is None or state.due_ms >= until_ms


def _plan(state: AlarmsState) -> None:
    state.due_ms = min((due[0] for due in dues(state)), default=None)


def _change(life: AlarmLife, change: ConditionChange) -> None:
    if change.to in ("worse", "judged"):
        weighed = life.weigh(change)
        if weighed is not None:
            life.settle(change.at_ms, weighed)
        return
    record = life.record(change.chamber, change.alarm, change.probe, change.medium)
    life.change(record, change)
    if change.alarm == "medium-down" and change.to == "normal":
        record.grace_until_ms = change.at_ms + _grace_for_ms(life, record.medium)
    life.settle(change.at_ms, record)


def _grace_for_ms(life: AlarmLife, medium: str | None) -> int:
    """How long probes may still be silent after their line or broker is back: three of their intervals, 2 min at least."""
    probes = {record.probe for record in life.state.records.values() if record.medium == medium}
    longest_ms = max(
        (int(life.settings.probes[probe].interval) for probe in probes if probe in life.settings.probes), default=0
    )
    return max(2 * MINUTE_MS, 3 * longest_ms)


def _end_what_is_due(life: AlarmLife, before_ms: int) -> None:
    while True:
        due = min(dues(life.state), default=None)
        if due is None or due[0] >= before_ms:
            return
        life.state.seen_ms = max(due[0], life.state.seen_ms)
        _end(life, due, life.state.seen_ms)


def _end(life: AlarmLife, due: Due, at_ms: int) -> None:
    _, _, ending, key = due
    state = life.state
    if ending == "grace":
        state.records[key].grace_until_ms = None
    else:
        life.act(state.records[key], Cue(at_ms, _ENDINGS[ending]), _REASONS[ending])
    life.settle(at_ms)


def _gone(settings: Settings, record: AlarmRecord) -> bool:
    place = record.chamber
    if place is not None and place not in settings.chambers and place not in settings.rooms:
        return True
    if record.probe is None:
        return False
    probe = settings.probes.get(record.probe)
    return probe is None or (place is not None and probe.place != place)
