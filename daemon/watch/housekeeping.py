"""What keeps the store small and safe: a verified backup every day, and old readings rolled up, a little at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import time, tzinfo
from pathlib import Path

import structlog

from daemon.config.configuration import SiteTable
from daemon.store.backup import back_up
from daemon.store.batch_rows import span_ms
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.retention import SHORTEST_MS, most_bytes, used_bytes
from daemon.watch.engine import Engine
from daemon.watch.inbox import Inbox
from daemon.watch.timetable import Polling
from rules.terms.events import DAY_MS

BACKUP_AT = time(4, 10)
ROLL_UP_AT = time(4, 30)
_ROLL_UP_ROWS = 20_000

_log = structlog.get_logger(__name__)


def keep_house(polling: Polling, engine: Engine, history: History, inbox: Inbox, zone: tzinfo, site: SiteTable) -> None:
    """Have the chores asked for at their local times, and done in the engine's thread or beside it; again after a reload."""

    def backup(now_ms: int) -> None:
        arguments = (history.path, history.path.parent / "backups", now_ms, engine.tell)
        threading.Thread(target=_back_up, args=arguments, name="backup", daemon=True).start()

    before_ms: int | None = None

    def roll_up(now_ms: int) -> None:
        nonlocal before_ms
        try:
            if before_ms is None:
                before_ms = _old_ms(history, site, now_ms)
            if history.roll_up(before_ms, _ROLL_UP_ROWS) >= _ROLL_UP_ROWS:
                inbox.chore("roll-up")  # the rest another time, so that no reading waits long
            else:
                before_ms = None
        except HistoryError as error:
            engine.go_on_without_store(error, now_ms)

    engine.chores = {**engine.chores, "backup": backup, "roll-up": roll_up}
    polling.daily(BACKUP_AT, zone, "backup")
    polling.daily(ROLL_UP_AT, zone, "roll-up")


def _old_ms(history: History, site: SiteTable, now_ms: int) -> int:
    """Return what is old today. Where there is no room, two days more than yesterday: a disk that somebody fills for an hour
    costs two days of single readings, not months.
    """
    old_ms = now_ms - site.keep_readings
    single = history.measured(span_ms)
    if single is not None and history.measured(used_bytes) > most_bytes(history.path, site.record_gb):
        old_ms = max(old_ms, min(single[0] + 2 * DAY_MS, now_ms - SHORTEST_MS))
    return old_ms


def _back_up(store: Path, folder: Path, now_ms: int, tell: Callable[[str, str], None]) -> None:
    try:
        made = back_up(store, folder, now_ms=now_ms)
        _log.info("backup made", file=str(made), bytes=made.stat().st_size)
    except HistoryError as error:
        _log.error("no backup was made", reason=str(error))
        tell("backup-failed", f"The daily backup could not be made: {error}")
