"""The engine records what it judged before anybody is told, spares the disk when all is quiet, and goes on as if merely cut."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hand_clock import HandClock
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.clock import StreamClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.store.backup import back_up
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch.engine import HOLD_MS, Engine, Setting
from daemon.watch.inbox import Inbox, Taken
from daemon.watch.resume import PAUSE_MS, joined, pause_before, resume, resume_unwritten
from rules.terms.events import Batch, Pause, Reading
from rules.turn.advance import advance, dump_state

START_MS = 1_750_000_020_000
CONFIG = """
[site]
time_zone = "Europe/Lisbon"
[chamber.tank-1]
temperature.on_delay = "1min"
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = { air_temperature = "t", relative_humidity = "h" }
interval = "10s"
[broker.home]
host = "localhost"
[outlet.terminal]
kind = "console"
[outlet.topics]
kind = "mqtt"
broker = "home"
"""


class Bench:
    """An engine on a real store, turned by hand."""

    def __init__(self, folder: Path, clock: HandClock) -> None:
        self.folder, self.clock = folder, clock
        configuration = load_text(CONFIG)
        self.setting = Setting(settings_of(configuration), dict(configuration.outlet))
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.open()

    def open(self) -> None:
        self.history = History.open(self.folder / "store.sqlite3", now_ms=self.clock.wall_ms())
        self.begin = resume(self.setting.settings, self.history)
        self.inbox = Inbox(StreamClock(self.clock, self.begin.newest_ms))
        self.engine = Engine(self.setting, self.history, self.inbox, self.spool, self.begin)

    def kill(self) -> None:
        """Lose all that is only in memory, and start anew."""
        self.history.close()
        self.open()

    def feel(self, temperature_c: float, humidity_pct: float = 80.0) -> None:
        self.inbox.reading("air", "air_temperature", temperature_c, None)
        self.inbox.reading("air", "relative_humidity", humidity_pct, None)

    def live(self, seconds: int, temperature_c: float) -> None:
        for _ in range(seconds // 10):
            self.clock.pass_ms(9_990)
            self.feel(temperature_c)
            self.clock.pass_ms(10)
            self.engine.turn()

    def rows(self, query: str) -> list[tuple[object, ...]]:
        with sqlite3.connect(f"file:{self.folder / 'store.sqlite3'}?mode=ro", uri=True) as connection:
            return connection.execute(query).fetchall()

    def count(self, table: str) -> int:
        return self.rows(f"SELECT count(*) FROM {table}")[0][0]  # type: ignore[return-value]

    def readings(self) -> int:
        return self.rows("SELECT sum(readings) FROM batch")[0][0]  # type: ignore[return-value]

    def kinds(self) -> list[str]:
        query = "SELECT json_extract(body, '$.alarm') FROM event WHERE kind = 'alarm' ORDER BY at_ms"
        return [str(row[0]) for row in self.rows(query)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    result = Bench(tmp_path, HandClock(START_MS))
    result.engine.turn()
    yield result
    result.history.close()


def test_quiet_readings_reach_the_disk_within_a_minute_in_one_piece(bench: Bench) -> None:
    bench.live(360, 25.0)
    sizes = []
    for _ in range(18):
        bench.live(10, 25.0)
        sizes.append((bench.count("batch"), bench.readings()))
    steps = [(later[0] - earlier[0], later[1] - earlier[1]) for earlier, later in pairwise(sizes)]
    assert set(steps) <= {(0, 0), (1, 12), (1, 14)}
    assert sum(batches for batches, _ in steps) >= 2
    assert bench.engine.turn() <= HOLD_MS / 1000


def test_an_alarm_is_recorded_in_the_turn_that_raises_it_with_what_it_owes(bench: Bench) -> None:
    bench.live(60, 25.0)
    owed = bench.count("owed")
    bench.live(180, 33.0)
    assert "temperature-high" in bench.kinds()
    assert bench.count("owed") > owed


def test_after_a_kill_the_state_is_as_if_merely_cut(bench: Bench) -> None:
    bench.live(400, 25.0)
    bench.clock.pass_ms(HOLD_MS)
    bench.engine.turn()
    bench.clock.pass_ms(5)
    bench.engine.turn()
    living = bench.engine._state
    assert living is not None
    bench.kill()
    after = advance(bench.setting.settings, bench.begin.state, Batch(), living.closed_ms).state
    assert dump_state(after) == dump_state(living)


def test_an_alarm_that_stands_is_not_raised_again_after_a_kill(bench: Bench) -> None:
    bench.live(240, 33.0)
    raised = bench.rows("SELECT id, body FROM event WHERE kind = 'alarm'")
    assert raised
    bench.kill()
    bench.live(120, 33.0)
    query = "SELECT json_extract(body, '$.alarm'), json_extract(body, '$.change') FROM event WHERE kind = 'alarm'"
    assert bench.rows(query).count(("temperature-high", "raised")) == 1
    assert [row for row in raised if row not in bench.rows("SELECT id, body FROM event")] == []


def test_a_restart_after_hours_is_a_pause_and_no_silence_of_a_probe(bench: Bench) -> None:
    bench.live(120, 25.0)
    bench.kill()
    bench.clock.pass_ms(6 * 3_600_000)
    bench.live(120, 25.0)
    assert "probe-stale" not in bench.kinds()
    assert bench.rows("SELECT count(*) FROM item WHERE sort = 'pause'")[0][0] >= 1


@pytest.mark.parametrize("in_state", [False, True])
def test_a_store_that_holds_an_impossible_correction_starts_and_watches_on(bench: Bench, in_state: bool) -> None:
    bench.live(120, 25.0)
    bench.kill()
    [(before, seq)] = bench.rows("SELECT body, seq FROM state")
    correction = {"word": "calibrated", "probe": "air", "quantity": "air_temperature", "offset": 1.5, "gain": 1.0}
    bench.spool.leave(correction | {"standard_uncertainty": 0.4})
    bench.inbox.ring()
    bench.live(120, 25.0)
    assert bench.engine.state is not None
    after = dump_state(bench.engine.state).replace(b'"offset":1.5', b'"offset":100.0')
    bench.history.close()
    with sqlite3.connect(bench.folder / "store.sqlite3") as connection:  # as an older program took it
        connection.execute("UPDATE item SET body = json_set(body, '$.offset', 100.0) WHERE sort = 'word'")
        connection.execute("DELETE FROM event WHERE kind = 'word'")
        now = (zlib.compress(after), bench.history.seq) if in_state else (before, seq)
        connection.execute("UPDATE state SET body = ?, seq = ?", now)
    bench.open()
    bench.live(360, 25.0)
    assert not bench.engine.state.probes["air"].corrections
    assert bench.engine.state.places["tank-1"].temperature_c == pytest.approx(25.0)
    query = "SELECT json_extract(body, '$.text') FROM event WHERE kind IN ('system', 'word')"
    assert sum("up to +100 K" in str(text) for (text,) in bench.rows(query)) == 1


@pytest.mark.parametrize(("minutes", "told"), [(29, 0), (31, 1)])
def test_a_long_pause_is_told_to_the_keeper_in_local_time(bench: Bench, minutes: int, told: int) -> None:
    bench.live(120, 25.0)  # it is 2025-06-15 in Lisbon, one hour ahead of UTC
    bench.kill()
    bench.clock.pass_ms(minutes * 60_000)
    bench.live(20, 25.0)
    texts = bench.rows("SELECT json_extract(body, '$.text') FROM event WHERE json_extract(body, '$.what') = 'not-watched'")
    assert len(texts) == told
    assert all("15 June 16:0" in str(text) for (text,) in texts)
    assert bench.rows("SELECT count(*) FROM event WHERE kind = 'letter' AND id LIKE '%not-watched%'")[0][0] == told


def test_a_stopped_machine_is_a_pause_too(bench: Bench) -> None:
    bench.live(120, 25.0)
    bench.clock.pass_ms(600_000)
    bench.live(60, 25.0)
    assert "probe-stale" not in bench.kinds()
    [(body,)] = bench.rows("SELECT body FROM item WHERE sort = 'pause' ORDER BY taken_ms DESC LIMIT 1")
    assert "begin_ms" in str(body)


@pytest.mark.parametrize("step_ms", [-3_600_000, 3_600_000, 365 * 86_400_000, -START_MS + 1_000])
def test_a_set_clock_raises_nothing_and_is_recorded_once(bench: Bench, step_ms: int) -> None:
    bench.live(120, 25.0)
    bench.clock.wall += step_ms
    stepped = []
    bench.engine.stepped = stepped.append
    bench.live(120, 25.0)
    assert stepped == [step_ms]
    assert [row[0] for row in bench.rows("SELECT clock_step_ms FROM batch WHERE clock_step_ms <> 0")] == [step_ms]
    assert bench.kinds() == []


def test_a_start_with_the_clock_before_the_newest_record_goes_on(bench: Bench) -> None:
    bench.live(120, 25.0)
    bench.clock.wall -= 20 * 86_400_000
    bench.kill()
    bench.live(120, 25.0)
    assert bench.kinds() == []
    [(step_ms,)] = bench.rows("SELECT clock_step_ms FROM batch WHERE clock_step_ms <> 0")
    assert -20 * 86_400_000 <= int(str(step_ms)) <= -20 * 86_400_000 + HOLD_MS + 10_000


def test_a_word_is_taken_once_and_its_file_goes_when_it_is_recorded(bench: Bench) -> None:
    bench.live(60, 25.0)
    bench.spool.leave({"word": "visit", "chamber": "tank-1"})
    bench.inbox.ring()
    assert bench.engine.turn() < 0.1  # the instant of the word closes a moment later
    assert list(bench.spool.folder.glob("*.word.json")) == []
    bench.clock.pass_ms(5)
    bench.engine.turn()
    assert bench.rows("SELECT count(*) FROM item WHERE sort = 'word'") == [(1,)]
    assert bench.rows("SELECT count(*) FROM event WHERE kind = 'word'") == [(1,)]


def test_a_word_that_was_left_before_a_kill_is_taken_after_it(bench: Bench) -> None:
    bench.spool.leave({"word": "visit", "chamber": "tank-1"})
    bench.kill()
    bench.live(20, 25.0)
    assert bench.rows("SELECT count(*) FROM event WHERE kind = 'word'") == [(1,)]


def test_a_word_without_a_bell_is_found_within_a_minute(bench: Bench) -> None:
    bench.live(120, 25.0)
    bench.spool.leave({"word": "visit", "chamber": "tank-1"})
    bench.live(70, 25.0)
    assert bench.rows("SELECT count(*) FROM event WHERE kind = 'word'") == [(1,)]


def test_a_full_disk_keeps_the_watch_going_and_loses_nothing_when_it_is_freed(bench: Bench) -> None:
    bench.live(60, 25.0)
    pages = bench.history._connection.execute("PRAGMA page_count").fetchone()[0]
    bench.history._connection.execute(f"PRAGMA max_page_count = {pages}")
    bench.live(1_200, 33.0)
    assert "full" in bench.engine.trouble
    bench.history._connection.execute("PRAGMA max_page_count = 1000000")
    bench.live(20, 33.0)
    assert bench.engine.trouble == ""
    assert "temperature-high" in bench.kinds()
    assert bench.readings() >= 2 * 126


def test_any_other_trouble_of_the_store_ends_the_engine(bench: Bench) -> None:
    bench.history._connection.execute("DROP TABLE batch")
    with pytest.raises(HistoryError):
        bench.live(60, 25.0)


def test_a_store_that_comes_back_damaged_while_it_watches_is_recovered_examined_and_told(bench: Bench) -> None:
    bench.live(60, 25.0)
    path = bench.history.path
    back_up(path, path.parent / "backups", now_ms=bench.clock.wall)
    bench.history.close()
    path.write_bytes(b"no database" * 1_000)
    lock = path.with_name(f"{path.name}.lock")
    lock.unlink()
    lock.mkdir()  # nobody can open it
    bench.history = History.open_or_later(path, now_ms=bench.clock.wall)
    engine = Engine(bench.setting, bench.history, bench.inbox, bench.spool, bench.begin)
    opened: list[bool] = []
    engine.opened = lambda: opened.append(bench.history.in_doubt)
    bench.engine = engine
    bench.live(60, 25.0)
    assert "Is a directory" in engine.trouble
    assert opened == []
    lock.rmdir()
    bench.history._again_s = 0.0
    bench.live(30, 25.0)
    assert engine.trouble == ""
    assert len(opened) == 1
    told = [json.loads(str(row[0])) for row in bench.rows("SELECT body FROM event WHERE kind = 'system'")]
    assert [each["what"] for each in told if "rec" in each["what"]] == ["record-lost", "record-back", "store-recovered"]
    assert bench.history.recovery is None, "the keeper has been told"


def test_what_the_daemon_has_to_say_is_recorded_and_owed(bench: Bench) -> None:
    bench.engine.tell("config-refused", "The new config is not used.")
    bench.engine.turn()
    kinds = [row[0] for row in bench.rows("SELECT kind FROM event WHERE id LIKE '%config-refused%' ORDER BY kind")]
    assert kinds == ["letter", "system"]
    assert bench.rows("SELECT count(*) FROM owed WHERE event_id LIKE '%config-refused%'")[0][0] >= 1


# ---------------------------------------------------------------- snapshots


def test_what_silence_told_is_known_after_a_kill_before_the_next_snapshot(bench: Bench) -> None:
    bench.live(600, 25.0)
    while "probe-stale" not in bench.kinds():
        bench.clock.pass_ms(1_000)
        bench.engine.turn()
    told, state = bench.count("event"), bench.engine.state
    stored = bench.history.last_state()
    assert state is not None and stored is not None
    assert stored[1] < bench.history.seq, "the alarm came before its snapshot"
    bench.kill()
    assert bench.begin.state is not None
    assert dump_state(bench.begin.state) == dump_state(state)
    bench.engine.turn()
    assert bench.count("event") == told


def test_a_snapshot_follows_what_was_told_within_seconds(bench: Bench) -> None:
    bench.live(60, 25.0)
    bench.spool.leave({"word": "visit", "chamber": "tank-1"})
    bench.inbox.ring()
    assert bench.engine.turn() <= 2.0
    bench.clock.pass_ms(2_000)
    bench.engine.turn()
    stored = bench.history.last_state()
    assert stored is not None and b"visit" in stored[0]
    assert stored[1] == bench.history.seq


def test_before_another_config_is_judged_by_the_state_after_the_old_one_is_stored(bench: Bench) -> None:
    bench.live(300, 25.0)
    state = bench.engine.state
    assert state is not None
    bench.engine.reconfigure(bench.setting)
    bench.engine.turn()
    stored = bench.history.last_state()
    assert stored is not None and stored[0] == dump_state(state)


# ---------------------------------------------------------------- published states


def state_of(bench: Bench) -> dict[str, object]:
    [told] = [owed for (_, topic), owed in bench.engine.kept.newest.items() if topic == "chamber/tank-1/state"]
    return dict(json.loads(told.payload))


def test_the_published_state_follows_what_moves_and_is_not_sent_per_reading(bench: Bench) -> None:
    bench.live(120, 25.0)
    assert (state_of(bench)["temperature_c"], state_of(bench)["relative_humidity_pct"]) == (25.0, 80.0)
    before = state_of(bench)
    bench.live(300, 25.05)
    assert state_of(bench) == before
    bench.live(180, 25.6)
    assert state_of(bench)["temperature_c"] == 25.6


def stored_state(bench: Bench) -> dict[str, object]:
    [(payload,)] = bench.rows("SELECT payload FROM retained WHERE topic = 'chamber/tank-1/state'")
    return dict(json.loads(str(payload)))


def test_the_store_knows_a_new_topic_at_once_and_its_newest_state_with_a_snapshot(bench: Bench) -> None:
    bench.live(120, 25.0)
    known = stored_state(bench)
    bench.live(240, 25.6)
    assert stored_state(bench) == known
    assert state_of(bench)["temperature_c"] == 25.6
    bench.engine.turn(last=True)
    assert stored_state(bench) == state_of(bench)


def test_a_start_tells_the_states_anew_whatever_the_store_holds_of_them(bench: Bench) -> None:
    bench.live(120, 25.0)
    bench.live(240, 25.6)
    bench.kill()
    bench.engine.turn()  # no probe has spoken yet
    assert state_of(bench)["temperature_c"] == 25.6
    assert stored_state(bench) == state_of(bench)


def test_the_published_state_names_an_alarm_in_the_turn_that_raises_it(bench: Bench) -> None:
    bench.live(120, 25.0)
    for _ in range(40):
        bench.live(10, 31.0)
        if "temperature-high" in bench.kinds():
            break
    assert "temperature-high" in state_of(bench)["alarms"]  # type: ignore[operator]
    assert state_of(bench)["advisory_only"] is True


def test_the_state_of_a_chamber_that_is_gone_from_the_config_is_taken_away(bench: Bench) -> None:
    bench.live(120, 25.0)
    other = load_text(CONFIG.replace("tank-1", "tank-2"))
    bench.engine.reconfigure(Setting(settings_of(other), dict(other.outlet)))
    bench.live(120, 25.0)
    payloads = dict(bench.rows("SELECT topic, payload FROM retained WHERE topic LIKE '%/state'"))
    assert payloads["chamber/tank-1/state"] == ""
    assert json.loads(str(payloads["chamber/tank-2/state"]))["temperature_c"] == 25.0


# ---------------------------------------------------------------- slices

QUANTITIES = st.sampled_from(["air_temperature", "relative_humidity"])
READINGS = st.lists(st.tuples(st.sampled_from("abc"), QUANTITIES, st.floats(-5, 99)), max_size=6)


@given(st.lists(st.tuples(READINGS, st.sampled_from([0, 0, 0, 5_000])), max_size=8))
@settings(max_examples=60)
def test_joined_slices_are_the_same_stream(parts: list[tuple[list[tuple[str, str, float]], int]]) -> None:
    batches, now = [], START_MS
    for readings, step_ms in parts:
        rows = []
        for probe, quantity, value in readings:
            now += 7
            rows.append(Reading(now, probe, quantity, value, now - 3))
        batches.append(Batch.of(rows, [Pause(now, now)] if len(rows) == 2 else [], step_ms))
    after = joined(batches)
    assert stream_of(after) == stream_of(batches)
    assert len(after) == sum(1 for n, batch in enumerate(batches) if n == 0 or batch.clock_step_ms)


def stream_of(batches: list[Batch]) -> list[object]:
    result: list[object] = []
    for batch in batches:
        if batch.clock_step_ms:
            result.append(("step", batch.clock_step_ms))
        names = [batch.series[code] for code in batch.series_index.tolist()]
        rows = zip(names, batch.taken_ms.tolist(), batch.at_ms.tolist(), batch.value.tolist(), strict=True)
        result += list(rows)
    items = [item for batch in batches for item in batch.items]
    assert all(isinstance(batch.series_index, np.ndarray) for batch in batches)
    return [*result, *items]


@pytest.mark.parametrize(("readings_ms", "now_ms", "expected"), [
    ([], 60_000, None),
    ([], PAUSE_MS, None),
    ([], PAUSE_MS + 1, Pause(PAUSE_MS + 1, 0)),
    ([5], PAUSE_MS + 9, Pause(PAUSE_MS + 9, 0)),
    ([5, PAUSE_MS + 2], PAUSE_MS + 9, Pause(PAUSE_MS + 2, 0)),
])
def test_a_pause_ends_with_the_first_thing_heard_after_it(readings_ms: list[int], now_ms: int, expected: Pause | None) -> None:
    readings = [Reading(at, "air", "air_temperature", 25.0, at) for at in readings_ms]
    assert pause_before(Taken(readings, [], [], now_ms, 0, False), 0) == expected


def test_a_start_that_cannot_write_the_store_remembers_what_it_can_read(bench: Bench) -> None:
    bench.live(400, 31.0)
    setting, path = bench.setting.settings, bench.history.path
    bench.history.close()
    history = History.open(path, now_ms=bench.clock.wall_ms())
    written = resume(setting, history)
    history.close()
    unwritten = resume_unwritten(setting, path)
    assert written.state is not None
    assert unwritten.state is not None
    assert dump_state(unwritten.state) == dump_state(written.state)
    assert (unwritten.newest_ms, unwritten.events, unwritten.memory_lost) == (written.newest_ms, [], False)
    path.write_bytes(b"no database")
    assert resume_unwritten(setting, path).state is None
