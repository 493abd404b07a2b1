"""Alarms along their stimuli on three chambers, two of them in one room, with the keeper's room before them as in the turn."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from keeper_course import pieces
from pydantic import TypeAdapter

from rules.alarms.alarms import follow
from rules.alarms.state import AlarmsState
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import MINUTE_MS, AlarmEvent

ORIGIN = "o"


def settings_of(**telling: object) -> Settings:
    return Settings(
        site=Site(),
        zone=ZoneInfo("Europe/Berlin"),
        rooms={"study": Room()},
        chambers={"left": Chamber(room="study"), "right": Chamber(room="study"), "far": Chamber()},
        probes={"dry-end": Probe(place="left"), "wet-end": Probe(place="right")},
        telling=Telling(**telling),
    )


WATCH = settings_of()


def change(
    minute: float, to: str, level: str | None = "outside", alarm: str = "temperature-high", chamber: str | None = "left",
    **more: object,
) -> ConditionChange:
    level = level if to in ("active", "resumed") else None
    return ConditionChange(round(minute * MINUTE_MS), chamber, alarm, to, level, **more)


def run(
    *stimuli: object, until: float = 60, settings: Settings = WATCH, state: AlarmsState | None = None
) -> tuple[AlarmsState, list]:
    """Return the alarms' state and all events, with the keeper's room before the alarms as in the turn; what is remembered goes
    through the store at each piece, so that nothing in it is the very object that it was."""
    state, events, stored = state or AlarmsState(), [], TypeAdapter(AlarmsState)
    for piece in pieces(settings, KeeperState(), stimuli, 0, round(until * MINUTE_MS), ORIGIN):
        state, told = follow(
            settings, state, piece.heard.state, piece.stimuli, piece.from_ms, piece.until_ms, ORIGIN, turned=piece.heard.turned
        )
        events += [*piece.heard.events, *told]
        state = stored.validate_json(stored.dump_json(state))
    return state, events


def alarms(events: list, chamber: str = "left", alarm: str = "temperature-high") -> list[AlarmEvent]:
    return [e for e in events if isinstance(e, AlarmEvent) and (e.chamber, e.alarm) == (chamber, alarm)]


def story(events: list, chamber: str = "left", alarm: str = "temperature-high") -> list[tuple]:
    return [
        (e.change, e.condition, e.level, "ack" if e.acknowledged else "unack", e.suppression)
        for e in alarms(events, chamber, alarm)
    ]
