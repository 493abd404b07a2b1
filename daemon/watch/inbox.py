"""The one door to the engine: bounded, safe from any thread, never blocking. It stamps what enters with
the stream's time.

When it is full, the oldest reading of the same probe goes first: a flooding probe harms only itself. What
was lost is counted. Readings keep the order in which they came, but
that those which may turn something now go before those which may not.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import replace
from typing import Any, NamedTuple

from daemon.clock import StreamClock
from daemon.watch.crossings import Crossings
from rules.terms.events import MINUTE_MS, SECOND_MS, Fault, Item, MediumFault, ProbeFault, Reading
from rules.terms.quantities import Quantity
from rules.terms.words import ModelFitted

CAPACITY = 40_000
"""A hundred probes may each say so much at once as their gates let through, and more."""
FLOOD = 1_000
"""When so many readings wait, one of them needs no answer within milliseconds: all are judged at one go."""
_CROWD = 4
"""When a quarter of the room is taken, the engine rests no longer."""
OLDEST_MS = 10 * MINUTE_MS
"""A reading that was measured longer ago is a replay or comes from a wrong clock, not the present."""
FUTURE_MS = 5 * SECOND_MS


class Taken(NamedTuple):
    """What the engine took out at one go, each in the order of arrival, and the present at that moment.

    Readings that were left in the inbox before enter the stream now, after all that was taken then.
    """

    readings: list[Reading]
    items: list[Item]
    chores: list[str]
    now_ms: int
    step_ms: int
    """How far the clock was set; what enters from now on is stamped after the step, all of this before it."""
    rung: bool


class ThreadDiedError(Exception):
    """A thread that the watch depends on has ended by an error; the process must end too, so that it is started anew."""


class Inbox:
    """Implements the sources' `Intake`; the engine waits in `wait` and empties it with `take`."""

    def __init__(self, clock: StreamClock, capacity: int = CAPACITY) -> None:
        self._clock = clock
        self._capacity = capacity
        self._arrived = threading.Condition()
        self._pressed = threading.Event()
        self._readings: dict[str, deque[tuple[int, Reading]]] = {}
        self._crossings: Crossings | None = None
        self._first: set[str] = set()
        self._closed_ms = 0
        self._items: deque[Item] = deque()
        self._chores: list[str] = []
        self._count = 0
        self._number = 0
        self._rung = False
        self._failure: BaseException | None = None
        self.lost: dict[str, int] = {}
        """How many readings of each probe were dropped because the engine did not keep up."""

    # ------------------------------------------------------------ what sources call

    def reading(self, probe: str, quantity: Quantity, value: float, at_ms: int | None) -> None:
        """Take one value in our unit; `at_ms` is the wall clock of its measurement, None: now."""
        with self._arrived:
            taken_ms = self._clock.now_ms()
            measured_ms = taken_ms if at_ms is None else self._clock.in_stream_ms(at_ms)
            if doubt := _doubt(measured_ms - taken_ms):
                self._put_item(ProbeFault(taken_ms, probe, "implausible", doubt))
                return
            self._make_room(probe)
            self._number += 1
            row = Reading(taken_ms, probe, quantity, value, min(measured_ms, taken_ms))
            self._readings.setdefault(probe, deque()).append((self._number, row))
            self._count += 1
            if self._crossings is not None and self._crossings.presses(probe, quantity, value):
                self._first.add(probe)
                self._pressed.set()
            if self._count == self._capacity // _CROWD:
                self._pressed.set()
            self._arrived.notify()

    def fault(self, probe: str, kind: Fault, detail: str) -> None:
        """Take the news that a probe cannot be read."""
        with self._arrived:
            self._put_item(ProbeFault(self._clock.now_ms(), probe, kind, detail))

    def medium(self, name: str, down: bool, detail: str) -> None:
        """Take the news that a line or broker is down or back."""
        with self._arrived:
            self._put_item(MediumFault(self._clock.now_ms(), name, down, detail))

    # ------------------------------------------------------------ what the daemon's other threads call

    def model(self, chamber: str, model: dict[str, Any]) -> None:
        """Take the daily fit of a chamber's model, as a word of the daemon's own."""
        with self._arrived:
            now_ms = self._clock.now_ms()
            word_id = f"fit-{chamber}-{now_ms}"
            self._put_item(ModelFitted(taken_ms=now_ms, word_id=word_id, by="dewlid", chamber=chamber, model=model))
            self._arrived.notify()

    def chore(self, name: str) -> None:
        """Ask the engine's thread to do a task of housekeeping; asking again before it is done changes
        nothing."""
        with self._arrived:
            if name not in self._chores:
                self._chores.append(name)
            self._arrived.notify()

    def ring(self) -> None:
        """Wake the engine, which then looks for the keeper's words and for receipts of deliveries."""
        with self._arrived:
            self._rung = True
            self._pressed.set()
            self._arrived.notify()

    def fail(self, failure: BaseException) -> None:
        """Hand over an error of a thread that cannot end the process itself; the engine raises it."""
        with self._arrived:
            self._failure = self._failure or failure
            self._arrived.notify()

    # ------------------------------------------------------------ what the engine calls

    def wait(self, timeout_s: float) -> None:
        """Sleep until something arrives or the time is over."""
        with self._arrived:
            self._arrived.wait_for(lambda: self._rung or self._count or self._chores or self._failure, timeout_s)

    def rest(self, timeout_s: float) -> None:
        """Let more arrive, so that it is taken out together, until the time is over, a crowd waits or somebody rings."""
        self._pressed.wait(timeout_s)

    def press_by(self, crossings: Crossings) -> None:
        """Let the readings that press end a rest, and be taken first."""
        with self._arrived:
            self._crossings = crossings

    def take(self, probes: int | None = None) -> Taken:
        """Empty the inbox, or leave readings in it: of all probes but those that press and so many that have waited longest.

        All are taken in a flood, beside news and when the clock was set. Raises what was handed over with `fail`.
        """
        with self._arrived:
            if self._failure is not None:
                raise ThreadDiedError(f"a thread died: {self._failure!r}") from self._failure
            now_ms, step_ms = self._clock.now_ms(), self._clock.adopt()
            whole = probes is None or bool(self._items) or step_ms != 0 or self._count >= FLOOD
            readings = self._out(None if whole else probes)
            taken = Taken(readings, list(self._items), self._chores, now_ms, step_ms, self._rung)
            self._closed_ms = now_ms + step_ms
            self._items.clear()
            self._chores = []
            self._count = sum(map(len, self._readings.values()))
            self._rung = False
            self._pressed.clear()
            return taken

    def _out(self, probes: int | None) -> list[Reading]:
        """Take readings out in the order of arrival, none stamped before what was taken earlier."""
        rest = [name for name in self._readings if name not in self._first]
        rest.sort(key=lambda name: self._readings[name][0][0])
        names = [*(name for name in self._first if name in self._readings), *rest[: 1 if self._first and probes else probes]]
        self._first = set()
        numbered = sorted((entry for name in names for entry in self._readings.pop(name)), key=lambda entry: entry[0])
        return [row if row.taken_ms >= self._closed_ms else replace(row, taken_ms=self._closed_ms) for _, row in numbered]

    def _put_item(self, item: Item) -> None:
        if len(self._items) >= self._capacity:
            self._items.popleft()
            self._count -= 1
            self.lost["(news)"] = self.lost.get("(news)", 0) + 1
        self._items.append(item)
        self._count += 1
        self._arrived.notify()

    def _make_room(self, probe: str) -> None:
        if self._count - len(self._items) < self._capacity:
            return
        own = self._readings.get(probe)
        loser = probe if own else max(self._readings, key=lambda name: len(self._readings[name]))
        waiting = self._readings[loser]
        waiting.popleft()
        if not waiting:
            del self._readings[loser]
        self._count -= 1
        self.lost[loser] = self.lost.get(loser, 0) + 1


def _doubt(ahead_ms: int) -> str:
    if ahead_ms > FUTURE_MS:
        return (
            f"its time lies {ahead_ms / SECOND_MS:.0f} s in the future (at most {FUTURE_MS // SECOND_MS} s are allowed):"
            " compare the clocks of the probe and of this machine"
        )
    if ahead_ms < -OLDEST_MS:
        return (
            f"its time lies {-ahead_ms / MINUTE_MS:.0f} min back (at most {OLDEST_MS // MINUTE_MS} min are allowed):"
            " it is an old message, or the probe's clock is wrong"
        )
    return ""
