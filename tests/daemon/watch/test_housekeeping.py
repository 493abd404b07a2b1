"""Every day a verified backup is made beside the engine, and old readings are rolled up a little at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.clock import StreamClock, SystemClock
from daemon.config.configuration import SiteTable, load_text
from daemon.config.settings import settings_of
from daemon.store.backup import fault_of
from daemon.store.batch_rows import span_ms
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
    def __init__(self, folder: Path, site: SiteTable) -> None:
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
        keep_house(self.polling, self.engine, self.history, self.inbox, UTC, site)
        self.now_ms = clock.wall_ms()

    def count(self) -> int:
        return int(self.history._connection.execute("SELECT sum(readings) FROM batch").fetchone()[0])


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    result = House(tmp_path, SiteTable())
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
        for n in range(0, 50, 10):
            stamps_ms = range(at_ms + n, at_ms + n + 10)
            house.history.record(Batch.of([Reading(one_ms, "air", "air_temperature", 25.0, one_ms) for one_ms in stamps_ms]))
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


def test_nine_months_on_a_small_disk_stay_within_their_room_and_cost_only_the_oldest_single_readings(tmp_path: Path) -> None:
    house = House(tmp_path, SiteTable(record_gb=0.0015))
    each_day, begin_ms = 2_000, house.now_ms - 270 * DAY_MS
    largest, noise = 0, np.random.default_rng(1)
    for day in range(270):
        instants_ms = begin_ms + day * DAY_MS + np.arange(each_day, dtype=np.int64) * (DAY_MS // each_day)
        series, codes = (("air", "air_temperature"),), np.zeros(each_day, np.int32)
        house.history.record(Batch(series, codes, instants_ms, instants_ms, noise.normal(25.0, 0.1, each_day)))
        house.engine.turn(last=True)
        house.inbox.chore("roll-up")
        house.engine.turn()
        largest = max(largest, house.history.path.stat().st_size)
    store = house.history._db()
    oldest_ms, _ = span_ms(store) or (0, 0)
    single = house.count()
    [[folded]] = store.execute("SELECT sum(count) FROM quarter_hour")
    house.history.close()
    assert largest < 1.65e6
    assert single + folded == 270 * each_day
    assert 3 * DAY_MS < house.now_ms - oldest_ms < 89 * DAY_MS


def test_a_disk_that_has_no_room_for_a_day_costs_two_days_of_single_readings_not_months(tmp_path: Path) -> None:
    house = House(tmp_path, SiteTable(record_gb=0.001))
    noise = np.random.default_rng(1)
    for day in range(60):
        at_ms = house.now_ms - (60 - day) * DAY_MS
        instants_ms = at_ms + np.arange(4_000, dtype=np.int64) * (DAY_MS // 4_000)
        series, codes = (("air", "air_temperature"),), np.zeros(4_000, np.int32)
        house.history.record(Batch(series, codes, instants_ms, instants_ms, noise.normal(25.0, 0.1, 4_000)))
    house.engine.turn(last=True)
    house.inbox.chore("roll-up")
    for _ in range(5):
        house.engine.turn()
    assert house.count() == 58 * 4_000
    house.history.close()
