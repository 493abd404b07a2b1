"""Every day a verified backup is made beside the engine, and old readings are rolled up a little at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from daemon.clock import StreamClock, SystemClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.store.backup import fault_of
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch import housekeeping
from daemon.watch.engine import Engine, Setting
from daemon.watch.housekeeping import keep_house
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume
from daemon.watch.timetable import Polling
from rules.terms.events import DAY_MS, Batch, Reading

CONFIG = """
[chamber.tank-1]
[probe.air]
kind = "serial-text"
place = "tank-1"
port = "/dev/ttyUSB0"
columns = { air_temperature = 1 }
"""


class House:
    def __init__(self, folder: Path) -> None:
        configuration = load_text(CONFIG)
        clock = SystemClock()
        self.folder = folder
        self.history = History.open(folder / "dewlid.sqlite3", now_ms=clock.wall_ms())
        self.inbox = Inbox(StreamClock(clock))
        spool = Spool(folder / "spool")
        spool.prepare()
        setting = Setting(settings_of(configuration), {})
        self.engine = Engine(setting, self.history, self.inbox, spool, resume(setting.settings, self.history))
        self.polling = Polling(self.inbox)
        keep_house(self.polling, self.engine, self.history, self.inbox, UTC, 90 * DAY_MS)
        self.now_ms = clock.wall_ms()

    def count(self) -> int:
        return int(self.history._connection.execute("SELECT count(*) FROM reading").fetchone()[0])


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    result = House(tmp_path)
    yield result
    result.history.close()


def test_a_backup_is_made_and_whole(house: House, wait_until: Callable[..., Any]) -> None:
    house.inbox.chore("backup")
    house.engine.turn()
    [made] = wait_until(lambda: list((house.folder / "backups").glob("dewlid.*.sqlite3")), "the backup")
    assert fault_of(made) is None


def test_a_backup_that_fails_is_told_to_the_keeper(house: House, wait_until: Callable[..., Any]) -> None:
    (house.folder / "backups").write_text("in the way")
    house.inbox.chore("backup")
    house.engine.turn()

    def told() -> list[Any]:
        house.engine.turn()
        return house.history._connection.execute("SELECT body FROM event WHERE id LIKE '%backup-failed%'").fetchall()

    assert "could not be made" in wait_until(told, "the news")[0][0]


def test_old_readings_are_rolled_up_piece_by_piece_and_young_ones_stay(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housekeeping, "_ROLL_UP_ROWS", 40)
    for days in (100, 99, 1):
        at_ms = house.now_ms - days * DAY_MS
        rows = [Reading(at_ms + n, "air", "air_temperature", 25.0, at_ms + n) for n in range(50)]
        house.history.record(Batch.of(rows))
    house.engine.turn(last=True)  # a restart needs nothing older than the state that this records
    house.inbox.chore("roll-up")
    turns = 0
    while house.count() > 50 and turns < 10:
        house.engine.turn()
        turns += 1
    assert house.count() == 50
    assert turns == 3
    total = house.history._connection.execute("SELECT sum(count) FROM quarter_hour").fetchone()[0]
    assert total == 100
