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
from rules.terms.events import MINUTE_MS, SECOND_MS
from rules.turn.advance import EngineState
from rules.turn.present import present

LOOK_MS = MINUTE_MS
"""How often it is looked whether something moved."""
AT_ONCE = 10
"""So many chambers that nothing turned in are looked at in one turn of the engine."""
LONGEST_MS = 10 * MINUTE_MS
"""A state that did not move is published again after this time, with its new instant."""
# Steps that a reader of a dashboard would want to see; below them the message is not worth the disk (common practice).
_STEPS = {"temperature_c": 0.2, "relative_humidity_pct": 1.0, "dew_margin_k": 0.2, "lid_temperature_c": 0.3}


@dataclass(frozen=True, slots=True)
class _Told:
    situation: Situation
    standing: tuple[str, ...]
    advice: Mapping[str, Any] | None


class ChamberStates:
    """Remembers what was last published of each chamber, and when it was last looked at."""

    def __init__(self) -> None:
        self._told: dict[str, _Told] = {}
        self._looked_ms: dict[str, int] = {}
        self._begun_ms: int | None = None
        self.pending = False
        """Whether more chambers are due to be looked at than one call may take: call again soon."""

    def forget(self) -> None:
        """Publish everything anew: after another config."""
        self._told, self._looked_ms, self._begun_ms = {}, {}, None

    def owed(
        self,
        settings: Settings,
        state: EngineState,
        outlets: Mapping[str, AnyOutlet],
        turned: Collection[str | None],
        now_ms: int,
    ) -> list[Owed]:
        """Return the states that are owed now; `turned`: the chambers that an event has just told of."""
        if not any(isinstance(outlet, MqttOutlet) for outlet in outlets.values()):
            return []
        names = self._due(settings, turned, now_ms)
        if not names:
            return []
        self._looked_ms |= dict.fromkeys(names, now_ms)
        owed: list[Owed] = []
        for name, situation in present(_narrowed(settings, names), state).items():
            new = _Told(situation, _standing(state, name), _advice(state, name))
            if _worth_telling(self._told.get(name), new):
                self._told[name] = new
                owed += owed_state(situation, outlets, settings, standing=new.standing, advice=new.advice)
        return owed

    def _due(self, settings: Settings, turned: Collection[str | None], now_ms: int) -> set[str]:
        """Return whom to look at: those that turned, so that their news is soon out, else some that waited long.

        Looking costs milliseconds for each chamber, during which no reading is judged, so a whole shelf is never looked at
        at once. In the first minute the first values are waited for.
        """
        if mine := {name for name in turned if name is not None and name in settings.chambers}:
            self.pending = True
            return mine
        if self._begun_ms is None:
            self._begun_ms = now_ms
        unknown_ms = SECOND_MS if 0 <= now_ms - self._begun_ms < LOOK_MS else LOOK_MS
        late = []
        for name in settings.chambers:
            told = self._told.get(name)
            pause_ms = LOOK_MS if told is not None and told.situation.temperature_c is not None else unknown_ms
            if not 0 <= now_ms - self._looked_ms.get(name, -LOOK_MS) < pause_ms:
                late.append(name)
        late.sort(key=lambda name: self._looked_ms.get(name, 0))
        self.pending = len(late) > AT_ONCE
        return set(late[:AT_ONCE])


def _narrowed(settings: Settings, names: Collection[str]) -> Settings:
    """Return the watch with only these chambers and their rooms."""
    chambers = {name: chamber for name, chamber in settings.chambers.items() if name in names}
    rooms = {chamber.room for chamber in chambers.values()}
    places = rooms | set(chambers)
    return settings.model_copy(
        update={
            "chambers": chambers,
            "rooms": {name: room for name, room in settings.rooms.items() if name in rooms},
            "probes": {name: probe for name, probe in settings.probes.items() if probe.place in places},
        }
    )


def _standing(state: EngineState, chamber: str) -> tuple[str, ...]:
    records = standing(state.alarms, chamber).items()
    return tuple(key for key, record in records if record.suppression in ("none", "shelved"))


def _advice(state: EngineState, chamber: str) -> Mapping[str, Any] | None:
    adviser = state.advice.get(chamber)
    return None if adviser is None or adviser.open is None else {**adviser.open.event, "advisory": adviser.open.advisory}


def _worth_telling(old: _Told | None, new: _Told) -> bool:
    if old is None or (old.standing, old.advice) != (new.standing, new.advice):
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
