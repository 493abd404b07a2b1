"""How a chamber is and how soon to act: one verdict from its present and from what stands there, behind every face."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rules.alarms.alarms import standing
from rules.alarms.state import AlarmRecord
from rules.settings import Settings
from rules.trade.alarm_kinds import ALARMS, QUESTIONS
from rules.trade.urgency import rank
from rules.turn.present import present
from rules.turn.state import EngineState

State = Literal["act-now", "not-seen", "act-today", "seen", "done", "recovering", "watch", "well"]
STATES: tuple[State, ...] = ("act-now", "not-seen", "act-today", "seen", "done", "recovering", "watch", "well")
"""The worst first. `seen`: you know of it; `done`: what was advised is done and being judged."""
_CONSEQUENCES = ("severe", "serious", "minor")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One chamber's state, and the alarms that stand there by themselves, the worst first."""

    chamber: str
    state: State
    alarms: tuple[AlarmRecord, ...]
    begun: tuple[str, ...] = ()
    """What its figures have left the band by and is told as an alarm when it lasts."""

    @property
    def harms(self) -> bool:
        """Whether something harms there, or leads there, whoever has seen it and whatever is done."""
        return any(_harms(one) for one in self.alarms)


def verdict_of(settings: Settings, state: EngineState, chamber: str, *, late: bool = False) -> Verdict:
    """Return a chamber's verdict; `late`: what is known is not of now, so nothing is well for sure."""
    records = [one for one in standing(state.alarms, chamber).values() if one.open and not one.out_of_service]
    alone = [one for one in records if not _explained(one)]
    down = _lines_down(settings, state, chamber)
    shown = [*sorted(alone, key=_urgency), *down]
    situation = present(settings, state).get(chamber)
    seen = situation is not None and situation.temperature_c is not None and not late and not down
    told = {one.alarm for one in records}
    begun = tuple(alarm for alarm in situation.outside if alarm not in told) if situation is not None and seen else ()
    found = _state_of(state, chamber, [one for one in alone if _matters(one)])
    if begun and found == "well":
        found = "watch"
    return Verdict(chamber, found if seen or found == "act-now" else "not-seen", tuple(shown), begun)


def _lines_down(settings: Settings, state: EngineState, chamber: str) -> list[AlarmRecord]:
    """Return the lines and brokers that are down, where each probe of its air comes by one of them: its last reading may be
    fresh still, and no newer one can come."""
    out = state.keeper.out_of_service
    media = {settings.probes[probe].medium for probe in settings.probes_at(chamber) if probe not in out}
    records = [one for one in standing(state.alarms, None).values() if one.alarm == "medium-down" and one.open]
    down = {one.medium: one for one in records if not one.out_of_service}
    return [down[medium] for medium in sorted(media)] if media and media <= down.keys() else []


def in_words(standing: Mapping[str | None, Mapping[str, AlarmRecord]]) -> dict[str, tuple[str, ...]]:
    """Return what stands in each place, in words, the worst first; questions to the keeper left out."""
    found = {}
    for place, records in standing.items():
        mine = sorted((one for one in records.values() if one.open and one.alarm not in QUESTIONS), key=_urgency)
        if place is not None and mine:
            found[place] = tuple(dict.fromkeys(ALARMS[one.alarm].label for one in mine))
    return found


def _explained(record: AlarmRecord) -> bool:
    """Whether another alarm of the same place, or of what it is seen by, says it already.

    What the room moves elsewhere too is still its own, and work that was announced hides nothing from a screen.
    """
    own = record.cause.endswith("moves both") or _announced(record)
    return record.shelf_until_ms is None and bool(record.cause) and not own


def _announced(record: AlarmRecord) -> bool:
    return record.cause.startswith("visit:")


def _urgency(record: AlarmRecord) -> tuple[bool, int, int]:
    consequence = ALARMS[record.alarm].consequence if record.alarm in ALARMS else "minor"
    return record.level != "harmful", -rank(record.priority), _CONSEQUENCES.index(consequence)


def _matters(record: AlarmRecord) -> bool:
    """Whether it is about the garden, or about a probe that should be seen to."""
    about_probes = record.alarm in ALARMS and ALARMS[record.alarm].subject in ("probe", "medium")
    return not about_probes or rank(record.priority) > 0


def _state_of(state: EngineState, chamber: str, alarms: Sequence[AlarmRecord]) -> State:
    harmful = [one for one in alarms if _harms(one)]
    if not alarms:
        return "well"
    adviser = state.advice.get(chamber)
    advice = None if adviser is None else adviser.open
    pressing = harmful or list(alarms)
    done_ms = None if advice is None else advice.done_ms
    if done_ms is not None and not any(_worse_since(state, one, done_ms) for one in pressing):
        return "done"
    if all(one.acknowledged or _announced(one) for one in pressing):
        return "seen"
    if all(_recovers(state, one) for one in pressing):
        return "recovering"
    if harmful:
        return "act-now"
    urgencies = [one.priority for one in alarms] + ([] if advice is None else [advice.urgency])
    return "act-today" if max(map(rank, urgencies)) >= rank("today") else "watch"


def _harms(record: AlarmRecord) -> bool:
    """Whether it harms already, or is on its way there."""
    if record.alarm in ALARMS and ALARMS[record.alarm].subject in ("probe", "medium"):
        return False
    leads_there = record.harm is not None and record.harm.going_away
    return record.priority == "wake" or record.level == "harmful" or leads_there


def _worse_since(state: EngineState, record: AlarmRecord, at_ms: int) -> bool:
    heard = state.telling.heard.get(record.key)
    return heard is not None and heard.latest.at_ms > at_ms and heard.latest.change in ("raised", "escalated", "worsened")


def _recovers(state: EngineState, record: AlarmRecord) -> bool:
    heard = state.telling.heard.get(record.key)
    return heard is not None and heard.recovering
