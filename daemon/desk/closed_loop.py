"""A world outside closes the loop: readings, words and instants come as JSON Lines, events go out, instant by instant.

Three kinds of line: a reading `{"time","probe","quantity","value","unit"}`; a keeper's word `{"time","word":{...}}` in the
forms of the spool; and `{"now": time}`, at which everything before is judged. What is told follows at once, then
`{"closed": time}`. The watch begins at the earliest instant up to the first `now`, as a daemon's does at its start.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from adapters.errors import ProbeError
from adapters.payload import excerpt, json_of
from adapters.recorded_row import BadRow, instant_ms, reading_of
from daemon.fit.learner import Learner
from daemon.store.spool import WordError, checked_word
from rules.settings import Settings
from rules.terms.events import DAY_MS, Batch, Event, Reading, rfc3339
from rules.terms.words import Word
from rules.turn.advance import advance
from rules.turn.state import EngineState

LINE_FORMS = '{"time","probe","quantity","value","unit"}, {"time","word":{...}} or {"now": time}'
LARGEST_LINE = 64 * 1024
LONGEST_GAP_MS = 366 * DAY_MS
"""A wrong year between two lines would be gone through day by day, digest by digest."""


class LineRefused(ValueError):
    """A line cannot be taken; the text says which one, what was found, what is allowed and what to do."""


@dataclass(frozen=True, slots=True)
class Closed:
    """What one instant gave: everything before it is judged."""

    at_ms: int
    events: list[Event]


class Loop:
    """The stream so far: what waits for the next instant, and the engine's state at the last one."""

    def __init__(self, settings: Settings, learner: Learner | None) -> None:
        self._settings, self._learner = settings, learner
        self._state: EngineState | None = None
        self._readings: list[Reading] = []
        self._words: list[Word] = []
        self._closed_ms = 0
        self._newest_ms: int | None = None

    def closed(self, lines: Iterable[bytes]) -> Iterator[Closed]:
        """Take lines and yield what each instant gave; raises LineRefused at the first line that cannot be taken."""
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                now_ms = self._taken(json_of(line, LARGEST_LINE), number)
            except (BadRow, ProbeError, WordError) as error:
                raise LineRefused(f"standard input, line {number}: {error}") from error
            if now_ms is not None:
                yield self._judged(now_ms)

    @property
    def unjudged(self) -> int:
        """How many readings and words still wait for an instant."""
        return len(self._readings) + len(self._words)

    def _taken(self, entry: Any, number: int) -> int | None:
        """Keep a reading or a word, or return the instant up to which to judge."""
        if not isinstance(entry, dict):
            raise BadRow(f"{excerpt(str(entry))} is not a JSON object; write {LINE_FORMS}")
        if set(entry) == {"now"}:
            return self._in_order(instant_ms(entry["now"]), "now")
        if set(entry) == {"time", "word"}:
            self._words.append(_word(entry["word"], self._in_order(instant_ms(entry["time"]), "time"), number))
            return None
        at_ms, probe, quantity, value = reading_of(entry)
        if probe not in self._settings.probes:
            known = ", ".join(list(self._settings.probes)[:8])
            raise BadRow(f"the config has no probe {excerpt(probe, 64)}; it has: {known}. Use the same names in both")
        self._readings.append(Reading(self._in_order(at_ms, "time"), probe, quantity, value, at_ms))
        return None

    def _in_order(self, at_ms: int, key: str) -> int:
        if at_ms < self._closed_ms:
            raise BadRow(
                f'"{key}" is {rfc3339(at_ms)}, but everything before {rfc3339(self._closed_ms)} is judged already;'
                " give what was measured or said before an instant ahead of it"
            )
        if self._newest_ms is not None and abs(at_ms - self._newest_ms) > LONGEST_GAP_MS:
            raise BadRow(
                f'"{key}" is {rfc3339(at_ms)}, more than a year from {rfc3339(self._newest_ms)} in a line before: is it right?'
                " Where so long a silence is meant, step through it with instants"
            )
        self._newest_ms = max(at_ms, self._newest_ms or 0)
        return at_ms

    def _judged(self, now_ms: int) -> Closed:
        """Judge what lies before the instant; what lies at or behind it waits."""
        due = sorted((row for row in self._readings if row.taken_ms < now_ms), key=lambda row: row.taken_ms)
        said = sorted((word for word in self._words if word.taken_ms < now_ms), key=lambda word: word.taken_ms)
        self._readings = [row for row in self._readings if row.taken_ms >= now_ms]
        self._words = [word for word in self._words if word.taken_ms >= now_ms]
        batch = Batch.of(due, said)
        done = advance(self._settings, self._state, batch, now_ms)
        self._state, self._closed_ms = done.state, now_ms
        if self._learner is not None:
            self._words += self._learner.fitted(batch, done.events, done.state, now_ms)
        return Closed(now_ms, done.events)


def _word(body: Any, at_ms: int, number: int) -> Word:
    if not isinstance(body, dict):
        example = '{"word":"advice-done","advisory":"nest-2"}'
        raise BadRow(f'"word" is {excerpt(str(body))}; it must be an object such as {example}')
    return checked_word({"word_id": f"line-{number}", "by": "keeper", **body, "taken_ms": at_ms})
