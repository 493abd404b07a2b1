"""Which chambers of one room get hot or cold at the same time: a power cut, a cold room, a heat wave have one cause."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rules.advice.model import cooling_h
from rules.advice.recalled import model_of
from rules.advice.state import AdviceState
from rules.alarms.state import AlarmRecord
from rules.climate.course import Presents
from rules.climate.situation import Beside
from rules.keeper.devices import told_knobs
from rules.settings import Settings
from rules.terms.events import AlarmEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import TOGETHER_FOR_MS
from rules.turn.state import EngineState

_Moved = dict[Literal["heat", "cold"], int]
"""Since when it is too hot or too cold, where its room may be behind that."""


@dataclass(frozen=True, slots=True)
class Together:
    """What stands in every chamber along one stretch, as far as several of a room may share it."""

    settings: Settings
    state: EngineState
    presents: Presents
    before: Mapping[str | None, Mapping[str, AlarmRecord]]
    told: Sequence[AlarmEvent] = ()
    _steps: dict[str, tuple[list[int], list[_Moved]]] = field(default_factory=dict)
    """How each chamber is moved, from which instant on: worked out once along the stretch."""
    _cools_h: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    _besides: dict[tuple[str, str, int], Beside] = field(default_factory=dict)
    """Those beside, by their last look: each box of the room that looks at them before the next one sees the same."""

    def besides(self, chamber: str, at_ms: int) -> tuple[Beside, ...]:
        """Return the other chambers of a chamber's room that are moved with it at an instant."""
        room = self.settings.chambers[chamber].room
        mine = self.moved(chamber, at_ms) if room else {}
        if not mine:
            return ()
        return tuple(
            self._beside(other, harm, at_ms)
            for other, entry in self.settings.chambers.items() if other != chamber and entry.room == room
            for harm, since_ms in self.moved(other, at_ms).items()
            if harm in mine and abs(mine[harm] - since_ms) <= TOGETHER_FOR_MS
        )

    def moved(self, chamber: str, at_ms: int) -> _Moved:
        """Return since when a chamber is too hot or too cold at an instant, hidden alarms included."""
        if chamber not in self._steps:
            rows: dict[str, AlarmRecord | AlarmEvent] = dict(self.before.get(chamber, {}))
            begins, moves = [], [self._moved_by(chamber, rows)]
            for event in self.told:
                if event.chamber == chamber and event.probe is None:
                    rows[event.alarm] = event
                    begins.append(event.at_ms)
                    moves.append(self._moved_by(chamber, rows))
            self._steps[chamber] = begins, moves
        begins, moves = self._steps[chamber]
        return moves[bisect_right(begins, at_ms)]

    def _moved_by(self, chamber: str, rows: Mapping[str, AlarmRecord | AlarmEvent]) -> _Moved:
        found: _Moved = {}
        for row in rows.values():
            if row.condition != "active" or row.since_ms is None:
                continue
            if row.alarm == "heater-runaway":
                return {}
            kind = ALARMS[row.alarm]
            if kind.room_moves and (kind.harm == "heat" or kind.harm == "cold"):
                found[kind.harm] = min(row.since_ms, found.get(kind.harm, row.since_ms))
        out_of_plug = found and told_knobs(self.state.keeper.devices.get(chamber, ())).get("heater_plugged", 1.0) == 0.0
        return {} if out_of_plug else found

    def _beside(self, chamber: str, harm: Literal["heat", "cold"], at_ms: int) -> Beside:
        key = chamber, harm, self.presents.place(chamber, at_ms)
        if key not in self._besides:
            self._besides[key] = self._worked_out(chamber, harm, at_ms)
        return self._besides[key]

    def _worked_out(self, chamber: str, harm: Literal["heat", "cold"], at_ms: int) -> Beside:
        entry, seen = self.settings.chambers[chamber], self.presents.seen(chamber, at_ms)
        account = self.presents.harms(chamber, at_ms).get(harm)
        if chamber not in self._cools_h:
            self._cools_h[chamber] = cooling_h(model_of(entry, self.state.advice.get(chamber, AdviceState())))
        tau_h, _, late_h = self._cools_h[chamber]
        return Beside(
            chamber, entry.title or chamber, harm, None if seen is None else seen.temperature_c,
            tau_h, late_h / tau_h,
            None if seen is None else seen.temperature_slope_k_h, None if account is None else account.left_s,
        )
