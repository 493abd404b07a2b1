"""Follows the letters of a rehearsal on their way out: what each outlet has taken over, what waits, what was refused."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.config.configuration import Configuration
from daemon.delivery.owed import owed_by
from daemon.store.reader import HistoryReader
from rules.settings import Settings
from rules.terms.events import LetterEvent, event_of

_LOOK_S = 0.25


@dataclass
class Way:
    """One letter by one outlet to one address."""

    number: int
    outlet: str
    recipient: str
    event_id: str
    made_ms: int
    outcome: str = "waits"
    took_ms: int | None = None

    def told(self) -> str:
        """Return one line about it."""
        to = f" to {self.recipient}" if self.recipient else ""
        after = "" if self.took_ms is None else f" after {self.took_ms / 1000:.1f} s"
        return f"letter {self.number} by {self.outlet}{to}: {self.outcome}{after}"


@dataclass
class Follower:
    """Looks at the record until all has gone out, or the time is over."""

    configuration: Configuration
    settings: Settings
    since_ms: int
    letters: int
    now_ms: Callable[[], int]
    ways: list[Way] = field(default_factory=list)

    def follow(self, for_s: float, told: Callable[[str], None]) -> bool:
        """Tell each step as it happens; return whether every letter was taken over everywhere."""
        deadline_s = time.monotonic() + for_s
        while not self._is_done() and time.monotonic() < deadline_s:
            with HistoryReader(self.configuration.store) as reader:
                self._meet(reader)
                for way in self.ways:
                    if way.outcome == "waits":
                        self._look(reader, way)
                        if way.outcome != "waits":
                            told(way.told())
            time.sleep(_LOOK_S)
        return self._is_done() and all(way.outcome == "taken over" for way in self.ways)

    def _is_done(self) -> bool:
        known = {way.event_id for way in self.ways}
        return len(known) == self.letters and all(way.outcome != "waits" for way in self.ways)

    def _meet(self, reader: HistoryReader) -> None:
        """Take up the letters that have been written since."""
        known = {way.event_id for way in self.ways}
        for body in reader.events(self.since_ms, kinds=["letter"]):
            event = event_of(body)
            if isinstance(event, LetterEvent) and event.sort == "rehearsal" and event.id not in known:
                number = len({way.event_id for way in self.ways}) + 1
                for owed in owed_by([event], self.configuration.outlet, self.settings):
                    self.ways.append(Way(number, owed.outlet, owed.recipient, owed.event_id, self.now_ms()))

    def _look(self, reader: HistoryReader, way: Way) -> None:
        refused = reader.owed(way.outlet, way.event_id, way.recipient)
        if refused is None:
            way.outcome, way.took_ms = "taken over", self.now_ms() - way.made_ms
        elif refused:
            way.outcome = f"refused: {refused}"
