# ruff: noqa: E402 - the newer tables must be there before the store's modules look
"""A few lives of the watching on one disk, for its system calls to be recorded: every kind of writing that dewlid knows.

Each life is a process of its own. What anybody was told goes to standard output as a line, at the instant it was told:
`told OUTLET EVENT`, `left WORD` when a word was taken, `damaged` before the store is found to be, `restoring` before a keeper's
own restore.
"""

from __future__ import annotations

import json
import math
import os
import sqlite3
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from daemon.store import migrations

OLD = migrations.STEPS
migrations.STEPS = (*OLD, migrations.Step("a column more", ("ALTER TABLE event ADD COLUMN extra TEXT",)))
migrations.refuse_foreign_or_newer.__defaults__ = (migrations.STEPS,)
"""This program is newer by one step than the one that lives the first life."""

from adapters.errors import OutletUnreachable
from adapters.outlets.outlet import Owed
from daemon.clock import StreamClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.delivery.delivery import Delivery
from daemon.store.backup import back_up
from daemon.store.doubt import doubt
from daemon.store.history import History
from daemon.store.opening import restore_backup
from daemon.store.recovery import newest_good
from daemon.store.spool import Spool
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume

BEGIN_MS = 1_760_000_000_000
CONFIG = """
[site]
name = "shelf"
[chamber.tank-1]
temperature = { on_delay = "1min", off_delay = "1min", harmful_on_delay = "1min" }
humidity = { on_delay = "1min", off_delay = "1min", harmful_on_delay = "1min" }
[probe.air]
kind = "recorded-file"
place = "tank-1"
path = "/nowhere.csv"
quantities = ["air_temperature", "relative_humidity"]
[outlet.near]
kind = "console"
tell = ["alarm", "advice", "letter", "quality", "care", "word", "system"]
[outlet.far]
kind = "console"
tell = ["alarm", "letter", "system"]
"""


@cache
def setting() -> Setting:
    """Return what is judged and told by."""
    configuration = load_text(CONFIG)
    return Setting(settings_of(configuration), dict(configuration.outlet))


@dataclass
class HandTurned:
    """A clock that the story turns."""

    at_ms: int = BEGIN_MS

    def wall_ms(self) -> int:
        return self.at_ms

    def boot_ms(self) -> int:
        return self.at_ms - BEGIN_MS + 1_000


@dataclass
class Ear:
    """Somebody who hears what an outlet tells, or is away."""

    name: str
    here: bool
    in_order = True
    retry_s = (0.01,)
    session = 1
    refresh_s = None
    longest_s = math.inf
    heartbeat = ""

    def send(self, owed: Owed) -> None:
        if not self.here:
            raise OutletUnreachable("nobody is there")
        if not owed.retained:
            say(f"told {self.name} {owed.event_id}")

    def close(self) -> None:
        """Nothing is held open."""


def say(line: str) -> None:
    """Tell it to the world; it cannot be taken back."""
    os.write(1, f"{line}\n".encode())


class Life:
    """One process of the watching, from opening the store on; `turn` is a minute."""

    def __init__(
        self, folder: Path, clock: HandTurned, steps: Sequence[migrations.Step], far: bool, pragma: str = "foreign_keys = ON"
    ) -> None:
        self.store, self.clock, self.spool = folder / "store.sqlite3", clock, Spool(folder / "spool")
        self.spool.prepare()
        self.history = History.open(self.store, now_ms=clock.at_ms, steps=steps)
        self.history._db().execute("PRAGMA wal_autocheckpoint = 30")  # the log is folded in again and again
        self.history._db().execute(f"PRAGMA {pragma}")
        self.begin = begin = resume(setting().settings, self.history)
        self.inbox = Inbox(StreamClock(clock, begin.newest_ms))
        self.engine = Engine(setting(), self.history, self.inbox, self.spool, begin)
        self.delivery = Delivery({"near": Ear("near", True), "far": Ear("far", far)}, self.store, clock.wall_ms)
        self.engine.delivery = self.delivery
        self.delivery.start()

    def turns(self, count: int, temperature_c: float, words: Sequence[str] = ()) -> None:
        for number in range(count):
            self.clock.at_ms += 20_000
            if number < len(words):
                say(f"left {self.spool.leave({'word': 'visit', 'chamber': 'tank-1', 'for_ms': 60_000}, word_id=words[number])}")
                self.inbox.ring()
            for _ in range(20):
                self.inbox.reading("air", "air_temperature", temperature_c + number % 7 / 10, None)
                self.inbox.reading("air", "relative_humidity", 80.0 + number % 5 / 10, None)
            self.engine.turn()
            time.sleep(0.004)  # the outlets' threads tell what was recorded

    def tell_all(self) -> None:
        """Turn until nothing is owed any more."""
        end_s = time.monotonic() + 5.0
        while self.history._db().execute("SELECT count(*) FROM owed").fetchone()[0]:
            if time.monotonic() > end_s:
                raise TimeoutError("something is still owed")
            self.delivery.wake()
            time.sleep(0.002)
            self.engine._settle()

    def end(self) -> None:
        """Record what is left, and let go."""
        self.engine.turn(last=True)
        self.delivery.stop()
        self.engine._settle()
        self.history.close()

    def drop(self) -> None:
        """Let go of it all, as a kill does, however far it is."""
        self.delivery.stop()
        self.history.close()


def _first(life: Life) -> None:
    life.turns(12, 25.5)
    life.turns(14, 34.0, ["word-1", "word-2", "word-3"])
    back_up(life.store, life.store.parent / "backups", now_ms=life.clock.at_ms)
    life.turns(12, 25.5, ["word-4"])
    life.history.roll_up(life.clock.at_ms - 300_000)
    life.end()


def _after_an_upgrade(life: Life) -> None:
    life.turns(10, 16.0, ["word-5"])
    back_up(life.store, life.store.parent / "backups", now_ms=life.clock.at_ms, keep=1)
    life.turns(4, 16.0)
    say("damaged")
    doubt(life.store, "a page is damaged")  # and the process is killed


def _recovered(life: Life) -> None:
    life.turns(10, 25.5, ["word-6"])
    back_up(life.store, life.store.parent / "backups", now_ms=life.clock.at_ms, keep=2)
    life.turns(8, 34.0)
    life.end()
    say("restoring")
    good = newest_good(life.store, life.store.parent / "backups")
    assert good is not None
    restore_backup(good, life.store, now_ms=life.clock.at_ms)


def _restored(life: Life) -> None:
    life.turns(6, 25.5, ["word-7"])
    life.end()


LIVES: tuple[tuple[Callable[[Life], None], Sequence[migrations.Step], bool], ...] = (
    (_first, OLD, False),
    (_after_an_upgrade, migrations.STEPS, False),
    (_recovered, migrations.STEPS, True),
    (_restored, migrations.STEPS, True),
)


def main(folder: Path, kept: Path, *pragma: str) -> None:
    """Live them all on a disk folder; all events ever recorded are kept in a file elsewhere. A `pragma` may spoil the store."""
    begin_ms, known = BEGIN_MS, {}
    for live, steps, far in LIVES:
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                clock = HandTurned(begin_ms)
                live(Life(folder, clock, steps, far, *pragma))
                os.write(writing, str(clock.at_ms).encode())
            except BaseException:
                traceback.print_exc()
                os._exit(1)
            os._exit(0)  # killed, where the life did not end itself
        _, status = os.waitpid(child, 0)
        if status:
            raise RuntimeError(f"{live.__name__} ended with {status}")
        begin_ms = int(os.read(reading, 100)) + 600_000
        os.close(reading)
        os.close(writing)
        for store in (*folder.glob("*.sqlite3.damaged-*"), folder / "store.sqlite3"):
            known |= recorded(store) if not store.name.endswith(("-wal", "-shm")) else {}
    kept.write_text(json.dumps(known))


def recorded(store: Path) -> dict[str, str]:
    """Return the events that a store knows, by id."""
    with closing(sqlite3.connect(store)) as connection:
        return dict(connection.execute("SELECT id, body FROM event"))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), *sys.argv[3:])
