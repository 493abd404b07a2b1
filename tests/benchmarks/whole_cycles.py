"""What the engine costs and writes over whole cycles, on a clock that is turned by hand: hours of a shelf within a minute.

A real engine on a real store, without broker and outlets; every probe sends its two values each ten seconds, one probe after
the other, as `idle_cost.py` has it. Hours hold whole cycles of what `idle_cost.py` cannot wait for: snapshots, publications,
and the log of the store, which is folded into it at the end and counted. Bytes are what the kernel was given for the disk.
"""

from __future__ import annotations

import math
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import structlog
from measure import Row, at_most, beside, main
from wire import shelf_config

from daemon.clock import StreamClock
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume

CHAMBERS = 10
HOURS = 2.0
SIZES = (1, 100, 300)
PERIOD_MS = 10_000
_BEGIN_MS = 1_767_225_600_000


@dataclass
class Clock:
    """A wall clock and a time since boot that pass only when they are told to."""

    passed_ms: int = 0

    def wall_ms(self) -> int:
        """Return the wall clock."""
        return _BEGIN_MS + self.passed_ms

    def boot_ms(self) -> int:
        """Return the time since boot."""
        return self.passed_ms


class Shelf:
    """An engine whose probes speak in turn."""

    def __init__(self, folder: Path, chambers: int) -> None:
        configuration = load(shelf_config(folder, 1883, chambers))
        setting = Setting(settings_of(configuration), dict(configuration.outlet))
        spool = Spool(configuration.spool_folder)
        spool.prepare()
        self.clock, self._chambers, self._turns = Clock(), chambers, 0
        self.history = History.open(configuration.store, now_ms=self.clock.wall_ms())
        self._inbox = Inbox(StreamClock(self.clock))
        self._engine = Engine(setting, self.history, self._inbox, spool, resume(setting.settings, self.history))

    def live(self, turns: int) -> float:
        """Let so many probes speak, one after the other; return the processor time, s."""
        begun_s = time.process_time()
        for _ in range(turns):
            self._turns += 1
            n, drift = self._turns % self._chambers, math.sin(self._turns / 40.0)
            self._inbox.reading(f"p{n}", "air_temperature", round(25.5 + 0.2 * drift, 2), None)
            self._inbox.reading(f"p{n}", "relative_humidity", round(82.0 + drift, 1), None)
            self.clock.passed_ms = PERIOD_MS * self._turns // self._chambers
            self._engine.turn()
        return time.process_time() - begun_s


def rows() -> list[Row]:
    """Return what ten chambers write in a day, and what a probe's news cost at each size of the shelf."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    found = [_written()]
    part = "live turn: the two values of one probe, judged, published, recorded"
    smallest_us = 0.0
    for chambers in SIZES:
        cost_us = 1e6 * _turn_s(chambers)
        smallest_us = smallest_us or cost_us
        found.append(beside(part, f"{chambers} chambers", cost_us, "us", "one chamber", smallest_us, most=1.15))
    share_pct = 100.0 * cost_us * 1e-6 * SIZES[-1] / (PERIOD_MS / 1000)
    return [*found, at_most(part, f"{SIZES[-1]} chambers, the engine's share of a core", share_pct, "%", 8.0)]


def _written() -> Row:
    an_hour = 3_600_000 // PERIOD_MS * CHAMBERS
    with tempfile.TemporaryDirectory() as folder:
        shelf = Shelf(Path(folder), CHAMBERS)
        with closing(shelf.history):
            shelf.live(an_hour // 6)
            begin = written_bytes()
            shelf.live(round(HOURS * an_hour))
        written_mb = (written_bytes() - begin) / HOURS * 24.0 / 1e6
    part = f"{CHAMBERS} chambers every {PERIOD_MS // 1000} s, {HOURS:g} hours: whole cycles of snapshots and publications"
    return at_most(part, "written to the disk", written_mb, "MB/day", 30.0)


def written_bytes() -> int:
    """Return how many bytes this process gave to the disk."""
    text = Path("/proc/self/io").read_text()
    return int(dict(line.split(": ") for line in text.splitlines())["write_bytes"])


def _turn_s(chambers: int) -> float:
    """Return the processor time of a turn, s, over whole minutes, after each probe has spoken three times."""
    turns = max(300, 6 * chambers)
    with tempfile.TemporaryDirectory() as folder:
        shelf = Shelf(Path(folder), chambers)
        with closing(shelf.history):
            shelf.live(3 * chambers)
            return shelf.live(turns) / turns


if __name__ == "__main__":
    main(rows)
