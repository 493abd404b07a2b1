"""What the daemon does beside the engine to know more: the daily fit, the calendar, and what would quiet a chattering alarm."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import structlog

from adapters.calendar_file import CalendarRefused, refresh
from daemon.config.configuration import Configuration
from daemon.fit.process import FIT_AT, fitted, job_of
from daemon.report.deadband_proposals import proposal
from daemon.watch.engine import Engine
from daemon.watch.inbox import Inbox
from daemon.watch.timetable import Polling
from rules.care.state import CareState
from rules.keeper.state import KeeperState
from rules.settings import Settings
from rules.terms.events import HOUR_MS, AlarmEvent, Event

_log = structlog.get_logger(__name__)


def keep_learning(polling: Polling, engine: Engine, inbox: Inbox, configuration: Configuration, settings: Settings) -> None:
    """Have all this asked for at its times and done beside the engine; again after a reload."""
    store, calendar = configuration.store, configuration.site.calendar_file

    def fit(now_ms: int) -> None:
        _beside("model-fit", lambda: _fit(store, settings, now_ms, inbox))

    def write(now_ms: int) -> None:
        state = engine.state
        if calendar is None:
            return
        if state is None or state.care.since_ms is None:
            inbox.chore("calendar")  # the routine begins with the next turn
        else:
            care, keeper = state.care, state.keeper  # the rules make new ones with each change
            _beside("calendar", lambda: _calendar(Path(calendar), settings, care, keeper, now_ms))

    def noticed(events: Sequence[Event], now_ms: int) -> None:
        new = [event for event in events if isinstance(event, AlarmEvent) and event.change == "chattering"]
        if new:
            _beside("chattering", lambda: _chattering(store, settings, new, now_ms, engine.tell))

    engine.chores = {**engine.chores, "model-fit": fit, "calendar": write}
    engine.noticed = noticed
    polling.daily(FIT_AT, settings.zone, "model-fit")
    polling.every(HOUR_MS / 1000, "calendar")
    inbox.chore("calendar")


def _beside(name: str, act: Callable[[], None]) -> None:
    threading.Thread(target=act, name=name, daemon=True).start()


def _fit(store: Path, settings: Settings, now_ms: int, inbox: Inbox) -> None:
    for chamber, model in fitted(job_of(store, settings, now_ms)).items():
        inbox.model(chamber, model)
        _log.info("a chamber's model was fitted to its history", chamber=chamber, samples=model["samples"])


def _calendar(path: Path, settings: Settings, care: CareState, keeper: KeeperState, now_ms: int) -> None:
    try:
        entries, changed = refresh(path, settings, care, keeper, now_ms)
    except CalendarRefused as error:
        _log.error("the calendar file was not written", reason=str(error))
        return
    if changed:
        _log.info("the calendar file was written", file=str(path), entries=entries)


def _chattering(
    store: Path, settings: Settings, events: Sequence[AlarmEvent], now_ms: int, tell: Callable[[str, str], None]
) -> None:
    for event in events:
        text = proposal(store, settings, event.chamber, event.alarm, now_ms)
        if text:
            tell("chattering", f"{event.chamber}: {event.alarm} came and went three times within 6 h. {text}")
