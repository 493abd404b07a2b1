"""The daily fit for a stream that no daemon watches: the same job at the same local time, from a store of its own."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.fit.process import FIT_AT, fit_all, job_of
from daemon.store.history import History
from rules.settings import Settings
from rules.terms.events import DAY_MS, Batch, Event
from rules.terms.local_time import instant_ms, local_day
from rules.terms.words import ModelFitted
from rules.turn.advance import dump_state
from rules.turn.state import EngineState


class Learner:
    """Remembers a stream and fits its chambers once a day; its store goes when it is closed."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._folder = TemporaryDirectory(prefix="dewlid-")
        self._store: History | None = None
        self._batches: list[Batch] = []
        self._events: list[Event] = []
        self._due_ms = 0

    def fitted(self, batch: Batch, events: list[Event], state: EngineState, now_ms: int) -> list[ModelFitted]:
        """Remember a slice; once a day, return what the fit of the chambers found, as the daemon's words."""
        self._batches.append(batch)
        self._events += events
        if self._store is None:
            self._store = History.open(Path(self._folder.name) / "learner.sqlite3", now_ms=now_ms)
            self._due_ms = self._after(now_ms)
        if now_ms < self._due_ms:
            return []
        self._due_ms = self._after(now_ms)
        *earlier, last = self._batches
        self._store.record(last, self._events, dump_state(state), earlier=earlier)
        self._batches, self._events = [], []
        found = fit_all(job_of(self._store.path, self._settings, now_ms))
        return [
            ModelFitted(taken_ms=now_ms, word_id=f"fit-{chamber}-{now_ms}", by="dewlid", chamber=chamber, model=model)
            for chamber, model in found.items()
        ]

    def close(self) -> None:
        """Let the store go."""
        if self._store is not None:
            self._store.close()
        self._folder.cleanup()

    def _after(self, now_ms: int) -> int:
        """Return the next instant at which to fit."""
        zone = self._settings.zone
        days = (local_day(now_ms, zone), local_day(now_ms + DAY_MS, zone))
        return next(due for due in (instant_ms(day, FIT_AT, zone) for day in days) if due > now_ms)
