"""Runs the demo: engine, store, spool, outbox and outlets are the daemon's own; only the clock and the shelf are not."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from adapters.outlets.outlet import Outlet
from adapters.simulated_shelf import STEP_S, Shelf, series
from daemon.clock import StreamClock
from daemon.config.configuration import Configuration, load_text
from daemon.config.settings import settings_of
from daemon.delivery.delivery import Delivery
from daemon.demo.broker import DemoBroker, Reader, program
from daemon.demo.keeper import Keeper
from daemon.demo.scene import BROKER, CONFIG, OUT_H, SCRIPT, TROUBLES
from daemon.demo.screen import Screen
from daemon.screen.progress import Progress
from daemon.store.history import History
from daemon.store.outbox_rows import counts
from daemon.store.reader import HistoryReader
from daemon.store.spool import Spool
from daemon.watch.assembly import lines_of, outlets_of
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AnyEvent

_DRAIN_S = 10.0
_ROUND_MS = 2 * MINUTE_MS
CONFIG_NAME = "demo.toml"


class DemoClock:
    """A clock that stands still until it is set on."""

    def __init__(self, at_ms: int) -> None:
        self.at_ms = at_ms

    def wall_ms(self) -> int:
        """Return the shelf's time."""
        return self.at_ms

    boot_ms = wall_ms


@dataclass(frozen=True, slots=True)
class Shown:
    """What became of it all."""

    folder: Path
    start_ms: int
    end_ms: int
    readings: int
    events: list[AnyEvent]
    letters: int
    mqtt_messages: int | None
    mqtt_topics: int


def show(folder: Path, start_ms: int, days: float, stream: TextIO) -> Shown:
    """Let the days pass and return what became of them. `folder` exists and is empty."""
    (folder / "letters").mkdir()
    text = CONFIG.format(file=folder / CONFIG_NAME, state=folder / "state")
    (folder / CONFIG_NAME).write_text(text, encoding="utf-8")
    with contextlib.ExitStack() as parts:
        broker = _broker(folder, parts)
        if broker is not None:
            text += BROKER.format(port=broker.port)
        return _Stage(load_text(text, str(folder / CONFIG_NAME)), folder, start_ms, stream, broker, parts).run(days)


def _broker(folder: Path, parts: contextlib.ExitStack) -> DemoBroker | None:
    executable = program()
    if executable is None:
        return None
    broker = DemoBroker(executable, folder)
    parts.callback(broker.stop)
    return broker if broker.ready() else None


class _Stage:
    """All parts of one demo."""

    def __init__(
        self, configuration: Configuration, folder: Path, start_ms: int, stream: TextIO, broker: DemoBroker | None,
        parts: contextlib.ExitStack,
    ) -> None:
        self._folder, self._start_ms = folder, start_ms
        self._clock = DemoClock(start_ms)
        self._settings = settings_of(configuration)
        self._shelf = Shelf(script=SCRIPT)
        self._keeper = Keeper(self._shelf, start_ms, OUT_H)
        self._spool = Spool(configuration.spool_folder)
        self._spool.prepare()
        self._history = History.open(configuration.store, now_ms=start_ms)
        parts.callback(self._history.close)
        begin = resume(self._settings, self._history)
        self._inbox = Inbox(StreamClock(self._clock))
        setting = Setting(self._settings, dict(configuration.outlet))
        self._engine = Engine(setting, self._history, self._inbox, self._spool, begin)
        self._progress = Progress("demo")
        self._screen = Screen(self._settings, self._keeper, folder / "letters", stream, clear=self._progress.done)
        self._reader = Reader(broker.port, "dewlid") if broker else None
        if self._reader is not None:
            parts.callback(self._reader.close)
        self._delivery = self._delivering(configuration)
        parts.callback(self._delivery.stop, 2.0)
        self._look = parts.enter_context(HistoryReader(configuration.store))

    def _delivering(self, configuration: Configuration) -> Delivery:
        outlets: dict[str, Outlet] = {
            **outlets_of(configuration, lines_of(configuration, {})), "screen": self._screen
        }  # fmt: skip
        delivery = Delivery(outlets, self._history.path, self._clock.wall_ms)
        self._engine.delivery = delivery
        delivery.start()
        return delivery

    def run(self, days: float) -> Shown:
        """Let the days pass, one round of readings after the other."""
        wanted, steps = series(), _ROUND_MS // (1000 * STEP_S)
        rounds = round(days * DAY_MS / _ROUND_MS)
        for number in range(1, rounds + 1):
            for _ in range(steps):
                self._shelf.step()
            self._clock.at_ms = self._start_ms + number * _ROUND_MS
            for probe, quantity in wanted:
                self._inbox.reading(probe, quantity, self._shelf.measure(probe, quantity), None)
            for deed in self._keeper.act(self._clock.at_ms):
                self._screen.deed(deed, self._clock.at_ms)
            for advisory in self._keeper.say(self._clock.at_ms):
                self._spool.leave({"word": "advice-done", "advisory": advisory})
                self._inbox.ring()
                self._screen.said(advisory, self._clock.at_ms)
            self._troubles(number * _ROUND_MS)
            self._clock.at_ms += 1
            self._turn()
            self._progress.at(number / rounds)
        self._progress.done()
        self._engine.turn(last=True)
        self._drain()
        return Shown(
            self._folder, self._start_ms, self._clock.at_ms, rounds * len(wanted), self._screen.events, self._screen.letters,
            self._reader.messages if self._reader else None, len(self._reader.topics) if self._reader else 0,
        )  # fmt: skip

    def _troubles(self, elapsed_ms: int) -> None:
        for trouble in TROUBLES:
            if elapsed_ms - _ROUND_MS < trouble.begin_h * HOUR_MS <= elapsed_ms:
                self._screen.unseen(trouble.told, self._clock.at_ms)
        for begin_h, end_h in OUT_H:
            if elapsed_ms - _ROUND_MS < begin_h * HOUR_MS <= elapsed_ms:
                self._screen.unseen(f"the keeper leaves the house for {end_h - begin_h:g} hours", self._clock.at_ms)

    def _turn(self) -> None:
        """Judge what came in; if something must be told, wait until it is told, since the shelf's time runs so fast."""
        before = self._history.seq
        self._engine.turn()
        if self._history.seq != before:
            self._drain()

    def _drain(self) -> None:
        until_s = time.monotonic() + _DRAIN_S
        while any(waits for waits, _, _ in counts(self._look.connection).values()) and time.monotonic() < until_s:
            time.sleep(0.002)
            self._history.settle(self._delivery.receipts())


__all__ = ["CONFIG_NAME", "Shown", "show"]
