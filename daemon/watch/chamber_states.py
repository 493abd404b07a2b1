"""Decides when the published state of a chamber is worth a message: at once when something turned, else when it moved."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from adapters.outlets import AnyOutlet, MqttOutlet
from adapters.outlets.outlet import Owed
from daemon.delivery.owed import obsolete, owed_state
from daemon.store.backup import read_only
from daemon.store.history import History
from daemon.store.outbox_rows import retained
from rules.alarms.alarms import standing
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.terms.events import MINUTE_MS
from rules.turn.advance import Advanced, EngineState
from rules.turn.verdict import State, Verdict, verdict_of

PAUSE_MS = MINUTE_MS
"""How long a chamber in which nothing turned is left alone after its state was published."""
LONGEST_MS = 10 * MINUTE_MS
"""A state that did not move is published again after this time, with its new instant."""
# Steps that a reader of a dashboard would want to see; below them the message is not worth the disk (common practice).
_STEPS = {"temperature_c": 0.2, "relative_humidity_pct": 1.0, "dew_margin_k": 0.2, "lid_temperature_c": 0.3}


@dataclass(frozen=True, slots=True)
class _Told:
    at_ms: int
    situation: Situation
    verdict: State
    standing: tuple[str, ...]
    advice: Mapping[str, Any] | None


class ChamberStates:
    """Remembers what was last published of each chamber, and when."""

    def __init__(self) -> None:
        self._told: dict[str, _Told] = {}

    def forget(self) -> None:
        """Publish everything anew: after another config."""
        self._told = {}

    def owed(
        self,
        settings: Settings,
        advanced: Advanced,
        outlets: Mapping[str, AnyOutlet],
        turned: Collection[str],
        now_ms: int,
    ) -> list[Owed]:
        """Return the states that are owed now: of chambers that were just looked at, that an event has just told of, or that
        nobody was told of yet."""
        if not any(isinstance(outlet, MqttOutlet) for outlet in outlets.values()):
            return []
        state, owed = advanced.state, list[Owed]()
        untold = settings.chambers.keys() - self._told.keys()  # after a start or with another config, also of those at rest
        named = {name for name in untold.union(turned) if name in settings.chambers and name in state.places}
        for name in sorted(named | advanced.present.keys(), key=settings.order_of.__getitem__):
            old, situation = self._told.get(name), state.places[name].present
            if situation is None or (name not in turned and _rests(old, now_ms)):
                continue
            verdict = verdict_of(settings, state, name)
            new = _Told(now_ms, situation, verdict.state, _standing(state, verdict), _advice(state, name))
            if _worth_telling(old, new):
                self._told[name] = new
                owed += owed_state(situation, outlets, settings, standing=new.standing, advice=new.advice, verdict=new.verdict)
        return owed


def _rests(told: _Told | None, now_ms: int) -> bool:
    """Whether the state was just published; one without a value is not waited for."""
    return told is not None and told.situation.temperature_c is not None and 0 <= now_ms - told.at_ms < PAUSE_MS


def _standing(state: EngineState, verdict: Verdict) -> tuple[str, ...]:
    shown = {record.key for record in verdict.alarms}
    records = standing(state.alarms, verdict.chamber).items()
    return tuple(key for key, record in records if record.key in shown or not record.open)


def _advice(state: EngineState, chamber: str) -> Mapping[str, Any] | None:
    adviser = state.advice.get(chamber)
    return None if adviser is None or adviser.open is None else vars(adviser.open.event) | {"advisory": adviser.open.name}


def _worth_telling(old: _Told | None, new: _Told) -> bool:
    if old is None or (old.verdict, old.standing, old.advice) != (new.verdict, new.standing, new.advice):
        return True
    if not 0 <= new.situation.at_ms - old.situation.at_ms < LONGEST_MS:
        return True
    return any(_moved(getattr(old.situation, key), getattr(new.situation, key), step) for key, step in _STEPS.items())


def _moved(old: float | None, new: float | None, step: float) -> bool:
    if old is None or new is None:
        return (old is None) != (new is None)
    return abs(new - old) >= step


def owed_removals(history: History, outlets: Mapping[str, AnyOutlet], settings: Settings, now_ms: int) -> list[Owed]:
    """Return what takes away the published states of chambers and rooms that the config no longer names."""
    with read_only(history.path) as connection:
        states = [each for name in outlets for each in retained(connection, name)]
    return obsolete(states, settings, now_ms)
