"""The store: what comes back, what a kill leaves, what a damaged file does. Real SQLite files, real
processes.
"""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.outlets.outlet import Owed
from daemon.store import outbox_rows
from daemon.store.backup import back_up, read_only
from daemon.store.batch_rows import joined, json_text, seq_reaching
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.outbox_rows import Receipt
from daemon.store.reader import HistoryReader
from rules.terms.events import Batch, MediumFault, ProbeFault, Reading, SystemEvent
from rules.terms.words import Acknowledge, LeavesGiven, LidSeen, ModelFitted, Observation, Visit

NOW = 1_760_000_000_000


def reading(taken_ms, value, probe="big-nest", quantity="air_temperature", at_ms=None):
    return Reading(taken_ms, probe, quantity, value, taken_ms if at_ms is None else at_ms)


def event(number, at_ms=NOW):
    return SystemEvent(id=f"event-{number}", at_ms=at_ms, chamber=None, what="test", text=f"number {number}")


def letter(number, outlet="mail", **more):
    return Owed(outlet=outlet, event_id=f"event-{number}", kind="letter", payload=f'{{"n":{number}}}', made_ms=NOW, **more)


def plain(batch):
    """The batch as plain values; NaN made comparable, and minus zero is zero."""
    rows = [
        (*batch.series[code], taken, at, repr(value + 0.0))
        for code, taken, at, value in zip(
            batch.series_index.tolist(), batch.taken_ms.tolist(), batch.at_ms.tolist(), batch.value.tolist(), strict=True
        )
    ]
    return rows, batch.items, batch.clock_step_ms


WORDS = (
    Acknowledge(taken_ms=NOW, word_id="w1", chamber="big-nest", alarm="humidity-low", occurrence=3),
    Visit(taken_ms=NOW, word_id="w2", chamber="big-nest"),
    LidSeen(taken_ms=NOW, word_id="w3", chamber="big-nest", at_ms=NOW - 5, seen="droplets"),
    Observation(taken_ms=NOW, word_id="w4", chamber="big-nest", at_ms=NOW, seen=("dry-edge",), text='a "quote"; \n ž'),
    LeavesGiven(taken_ms=NOW, word_id="w5", chamber="big-nest", at_ms=NOW, plant="bramble", treated=None),
    ModelFitted(taken_ms=NOW, word_id="w6", chamber="big-nest", model={"gain": 0.25, "names": ["a"], "none": None}),
)
names = st.sampled_from([("a", "air_temperature"), ("a", "relative_humidity"), ("b", "surface_temperature")])
readings = st.builds(
    lambda taken, name, value, late: reading(taken, value, *name, at_ms=taken - late),
    st.integers(0, 10_000), names, st.floats(width=64), st.integers(-5_000, 5_000),
)  # fmt: skip
items = st.one_of(
    st.builds(ProbeFault, st.integers(0, 10_000), st.just("a"), st.sampled_from(["garbled", "refused"]), st.text()),
    st.builds(MediumFault, st.integers(0, 10_000), st.just("line"), st.booleans(), st.text()),
    st.sampled_from(WORDS),
)
any_batch = st.builds(
    Batch.of, st.lists(readings, max_size=8).map(lambda rows: sorted(rows, key=lambda row: row.taken_ms)),
    st.lists(items, max_size=4), st.sampled_from([0, 0, 0, 3_600_000, -7_000]),
)  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """One store for all examples of a property."""
    history = History.open(tmp_path_factory.mktemp("store") / "store.sqlite3", now_ms=NOW)
    yield history
    history.close()


@settings(max_examples=80, deadline=None)
@given(st.lists(any_batch, max_size=6))
def test_every_batch_comes_back_as_it_was_taken(store, batches):
    before = store.seq
    for batch in batches:
        store.record(batch)
    stored = [plain(batch) for batch in store.stream_after(before)]
    taken = [plain(batch) for batch in batches]
    assert stored == [batch for batch in taken if batch != ([], (), 0)]


@settings(max_examples=60, deadline=None)
@given(st.lists(any_batch, max_size=8), st.integers(1, 10))
def test_joining_batches_keeps_every_reading_item_and_clock_step(batches, size):
    def flat(parts):
        rows = [(row, batch.clock_step_ms) for batch in parts for row in plain(batch)[0]]
        steps = [batch.clock_step_ms for batch in parts if batch.clock_step_ms]
        return [row for row, _ in rows], [item for batch in parts for item in batch.items], steps

    parts = list(joined(batches, size))
    assert flat(parts) == flat(batches)
    assert all((np.diff(part.taken_ms) >= 0).all() for part in parts)


def test_a_restart_gets_the_last_state_and_exactly_what_was_stored_after_it(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.record(Batch.of([reading(NOW, 25.0)]), state_json=b'{"n": 1}')
    held = history.record(Batch.of([reading(NOW + 1, 26.0)]), state_json=b'{"n": 2}')
    history.record(Batch.of([reading(NOW + 2, 27.0)]))
    history.record(Batch.of([], [WORDS[0]]))
    history.close()

    again = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    state, seq = again.last_state()
    after = [plain(batch) for batch in again.stream_after(seq)]
    again.close()
    assert (state, seq) == (b'{"n": 2}', held)
    assert after == [plain(Batch.of([reading(NOW + 2, 27.0)])), plain(Batch.of([], [WORDS[0]]))]


def test_slices_that_were_held_back_are_stored_before_the_one_that_comes_with_them(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    earlier = [Batch.of([reading(NOW + n, float(n))]) for n in range(3)]
    assert history.record(Batch.of([reading(NOW + 3, 3.0)]), earlier=earlier, state_json=b"{}") == 4
    assert [batch.value.tolist() for batch in history.stream_after(0)] == [[0.0], [1.0], [2.0], [3.0]]
    assert history.last_state() == (b"{}", 4)
    history.close()


def test_an_event_told_again_after_a_restart_changes_nothing(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.record(Batch.of(), [event(1), event(2)], owed=[letter(1), letter(2)])
    with HistoryReader(history.path) as reader:
        history.settle([Receipt(outbox_rows.waiting(reader.connection, "mail")[0].row, "taken")])
        history.record(Batch.of(), [event(1), event(2), event(3)], owed=[letter(1), letter(2), letter(3)])
        assert [told["id"] for told in reader.events()] == ["event-1", "event-2", "event-3"]
        left = [row.owed.event_id for row in outbox_rows.waiting(reader.connection, "mail")]
    assert left == ["event-2", "event-3"], "what was delivered is not owed again"
    history.close()


def test_a_failed_transaction_leaves_nothing_behind_and_can_be_handed_in_again(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.record(Batch.of([reading(NOW, 25.0)]))
    pages = history._connection.execute("PRAGMA page_count").fetchone()[0]
    history._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
    big = Batch.of([reading(NOW + n, float(n), probe="new") for n in range(20_000)])
    with pytest.raises(HistoryError, match="disk is full") as caught:
        history.record(big, [event(1)], b"{}", [letter(1)])
    assert caught.value.passing
    with HistoryReader(history.path) as reader:
        assert (list(reader.events()), reader.last_state(), reader.series()) == ([], None, (("big-nest", "air_temperature"),))
    history._connection.execute("PRAGMA max_page_count = 1000000")
    assert history.record(big, [event(1)], b"{}", [letter(1)]) == 2
    assert [len(batch.value) for batch in history.stream_after(0)] == [1, 20_000]
    history.close()


LIMITED = textwrap.dedent(
    """
    import resource, sys
    from pathlib import Path
    from daemon.store.history import History
    from daemon.store.errors import HistoryError
    from rules.terms.events import Batch, Reading
    history = History.open(Path(sys.argv[1]), now_ms=0)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
    number = 0
    try:
        while True:
            number += 1
            history.record(Batch.of([Reading(number, "a", "air_temperature", float(number), number)] * 50))
            print(number, flush=True)
    except HistoryError as error:
        print(error.passing, error, flush=True)
    """
)


def test_a_disk_that_fails_is_no_passing_error_and_costs_nothing_that_was_reported(tmp_path):
    path = tmp_path / "store.sqlite3"
    done = subprocess.run([sys.executable, "-c", LIMITED, path], capture_output=True, text=True, check=True)
    *numbers, told = done.stdout.splitlines()
    assert told.startswith("False")
    assert "the disk reports an error" in told
    history = History.open(path, now_ms=NOW)
    assert history.recovery is None
    assert history.seq >= int(numbers[-1]) > 1
    assert [len(batch.value) for batch in history.stream_after(0)] == [50] * history.seq
    history.close()


def test_a_store_locked_by_an_outsider_is_a_passing_error(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history._connection.execute("PRAGMA busy_timeout = 50")
    outsider = sqlite3.connect(history.path, isolation_level=None)
    outsider.execute("BEGIN IMMEDIATE")
    with pytest.raises(HistoryError, match="holds the file locked") as caught:
        history.record(Batch.of([reading(NOW, 25.0)]))
    assert caught.value.passing
    outsider.execute("ROLLBACK")
    outsider.close()
    assert history.record(Batch.of([reading(NOW, 25.0)])) == 1
    history.close()


def test_a_second_dewlid_on_the_same_store_is_told_which_process_has_it(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    with pytest.raises(HistoryError, match=f"process {os.getpid()}\\) uses this store"):
        History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.close()
    History.open(tmp_path / "store.sqlite3", now_ms=NOW).close()


def test_the_store_cannot_be_written_by_another_thread(tmp_path):
    import threading

    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    caught = []

    def write():
        try:
            history.record(Batch.of([reading(NOW, 25.0)]))
        except HistoryError as error:
            caught.append(str(error))

    thread = threading.Thread(target=write)
    thread.start()
    thread.join()
    assert "same thread" in caught[0]
    history.close()


def test_a_pipe_in_the_store_s_place_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "dewlid.sqlite3")
    with pytest.raises(HistoryError, match="a pipe or a device"):
        HistoryReader(tmp_path / "dewlid.sqlite3")


def test_a_reader_sees_what_is_committed_while_the_daemon_writes_and_after_it_stopped(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    reader = HistoryReader(history.path)
    history.record(Batch.of([reading(NOW, 25.0)]), [event(1)])
    assert reader.readings().value.tolist() == [25.0]
    reader.close()
    history.close()
    with HistoryReader(tmp_path / "store.sqlite3") as later:
        assert [told["id"] for told in later.events()] == ["event-1"]
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            later.connection.execute("DELETE FROM event")


def test_readings_are_found_by_time_and_series_even_after_the_clock_was_set_back(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    hour = 3_600_000
    for taken in (0, hour, 2 * hour):
        history.record(Batch.of([reading(NOW + taken, 20.0), reading(NOW + taken, 80.0, quantity="relative_humidity")]))
    history.record(Batch.of([reading(NOW + hour + 1, 21.0)], clock_step_ms=-hour))
    with HistoryReader(history.path) as reader:
        found = reader.readings(NOW + hour, NOW + 2 * hour, [("big-nest", "air_temperature")])
        assert found.value.tolist() == [20.0, 21.0]
        assert found.taken_ms.tolist() == [NOW + hour, NOW + hour + 1]
        assert reader.readings(NOW + 5 * hour).value.tolist() == []
        assert len(reader.readings().value) == 7
    history.close()


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 4), st.sampled_from([0, 0, 0, -70, 900])), min_size=1, max_size=12),
    st.integers(-100, 700), st.integers(0, 400), st.sets(st.integers(1, 12), max_size=6),
)  # fmt: skip
def test_readings_are_found_between_any_two_instants_whatever_was_rolled_up(tmp_path_factory, slices, since, length, gone):
    """However the clock was set and whatever numbers of batches retention has left: as if all of them were looked through."""
    history = History.open(tmp_path_factory.mktemp("found") / "store.sqlite3", now_ms=NOW)
    taken, at_ms = [], 0
    for pause, count, step_ms in slices:
        at_ms += step_ms + pause
        stamps = [at_ms + 3 * n for n in range(count)]
        at_ms = stamps[-1]
        history.record(Batch.of([reading(stamp, float(len(taken) + n)) for n, stamp in enumerate(stamps)], (), step_ms))
        taken.append([(stamp, history.seq) for stamp in stamps])
    dropped = {seq for seq in gone if seq < history.seq and not slices[seq - 1][2]}
    history._connection.executemany("DELETE FROM batch WHERE seq = ?", [(seq,) for seq in dropped])
    with HistoryReader(history.path) as reader:
        found = reader.readings(since, since + length).taken_ms.tolist()
        late = (seq for part in taken for stamp, seq in part[-1:] if stamp >= since and seq not in dropped)
        assert seq_reaching(reader.connection, since) == next(late, history.seq + 1)
    wanted = [stamp for part in taken for stamp, seq in part if since <= stamp < since + length and seq not in dropped]
    assert found == wanted
    history.close()


def test_readings_that_a_failing_disk_has_changed_are_left_out_and_the_rest_is_read(tmp_path, capsys):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    for n in range(3):
        history.record(Batch.of([reading(NOW + n, 20.0 + n)]))
    body = bytearray(history._connection.execute("SELECT packed FROM batch WHERE seq = 2").fetchone()[0])
    body[len(body) // 2] ^= 1
    history._connection.execute("UPDATE batch SET packed = ? WHERE seq = 2", (bytes(body),))
    with HistoryReader(history.path) as reader:
        assert reader.readings().value.tolist() == [20.0, 22.0]
    assert [batch.value.tolist() for batch in history.stream_after(0)] == [[20.0], [], [22.0]]
    assert "stored readings cannot be read and are left out" in capsys.readouterr().out
    history.close()


@pytest.mark.parametrize("harm", ["a name in the schema", "a page in another's place"])
def test_what_no_page_by_itself_shows_is_taken_for_damage(tmp_path, harm):
    history = filled(tmp_path / "store.sqlite3", 4)
    connection = history._connection
    if harm == "a name in the schema":
        connection.execute("ALTER TABLE state RENAME COLUMN body TO bodx")
        with pytest.raises(HistoryError, match="the file is damaged"):
            history.last_state()
    else:  # as a leaf of the table of batches that stands there twice looks to whoever reads it in order
        shadow = "SELECT * FROM (SELECT * FROM main.batch UNION ALL SELECT * FROM main.batch WHERE seq = 2)"
        connection.execute(f"CREATE TEMP TABLE twice AS {shadow}")
        connection.execute("CREATE TEMP VIEW batch AS SELECT * FROM twice ORDER BY rowid")
        with pytest.raises(HistoryError, match="the file is damaged"):
            list(history.stream_after(0))
    history.close()


def test_old_readings_become_quarter_hours_and_the_restart_still_has_its_stream(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    quarter = 900_000
    begin = NOW // quarter * quarter
    values = [20.0, 22.0, 24.0, float("nan"), 30.0]
    taken = [begin, begin + 1, begin + quarter - 1, begin + 5, begin + quarter]
    for at_ms, value in zip(taken, values, strict=True):
        history.record(Batch.of([reading(at_ms, value)]), state_json=b"{}")
    history.record(Batch.of([], [WORDS[0], ProbeFault(begin, "a", "garbled", "x")]), state_json=b"{}")
    history.record(Batch.of([reading(begin + 2 * quarter, 40.0)]))
    history.record(Batch.of([reading(begin + 3 * quarter, 41.0)]))

    assert history.roll_up(begin + 10 * quarter, most=2) == 2
    assert history.roll_up(begin + 10 * quarter, most=2) == 2
    assert history.roll_up(begin + 10 * quarter, most=2) == 1
    assert history.roll_up(begin + 10 * quarter) == 0
    with HistoryReader(history.path) as reader:
        old = reader.quarter_hours("big-nest", "air_temperature")
        assert old.begin_ms.tolist() == [begin, begin + quarter]
        assert (old.count.tolist(), old.minimum.tolist(), old.mean.tolist(), old.maximum.tolist()) == (
            [3, 1], [20.0, 30.0], [22.0, 30.0], [24.0, 30.0],
        )  # fmt: skip
        assert reader.readings().value.tolist() == [40.0, 41.0]
    stream = [plain(batch) for batch in history.stream_after(0)]
    assert stream[0] == ([], (WORDS[0],), 0), "the keeper's words stay"
    history.close()
    again = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    again.record(Batch.of([reading(begin + 4 * quarter, 42.0)]))
    assert [batch.value.tolist() for batch in again.stream_after(again.last_state()[1])] == [[40.0], [41.0], [42.0]]
    again.close()


def test_a_value_that_is_no_number_is_written_as_null_in_events():
    assert (
        json_text({"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": "ž"}}) == '{"a":null,"b":[null,1.5],"c":{"d":"ž"}}'
    )


# ---------------------------------------------------------------- damage


def filled(path, rows=400):
    history = History.open(path, now_ms=NOW)
    for n in range(rows):
        history.record(Batch.of([reading(NOW + n, float(n))]), [event(n)], b'{"n": %d}' % n)
    return history


def test_a_damaged_store_is_set_aside_and_the_newest_good_backup_goes_on(tmp_path):
    path, backups = tmp_path / "store.sqlite3", tmp_path / "backups"
    history = filled(path)
    good = back_up(path, backups, now_ms=NOW)
    bad = back_up(path, backups, now_ms=NOW + 1000)
    history.close()
    for victim in (path, bad):
        data = bytearray(victim.read_bytes())
        data[0:40] = b"\xff" * 40
        victim.write_bytes(data)

    again = History.open(path, now_ms=NOW + 2000)
    assert again.recovery.restored_from == good
    assert again.recovery.set_aside.read_bytes()[:40] == b"\xff" * 40
    assert "kept as" in again.recovery.text
    assert str(good) in again.recovery.text
    assert again.last_state() == (b'{"n": 399}', 400)
    again.close()


def test_a_damaged_store_without_a_backup_starts_anew_and_says_so(tmp_path):
    path = tmp_path / "store.sqlite3"
    path.write_bytes(b"this is no database, and long enough to be looked at" * 100)
    history = History.open(path, now_ms=NOW)
    assert history.recovery.restored_from is None
    assert "no good backup" in history.recovery.text
    assert history.last_state() is None
    assert history.recovery.set_aside.read_bytes().startswith(b"this is no database")
    history.close()


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The bytes of a whole store of 60 batches."""
    path = tmp_path_factory.mktemp("whole") / "store.sqlite3"
    filled(path, 60).close()
    return path.read_bytes()


@pytest.mark.parametrize("seed", range(40))
def test_bits_flipped_anywhere_never_keep_the_store_from_opening(tmp_path, whole, seed):
    path = tmp_path / "store.sqlite3"
    chance = random.Random(seed)
    data = bytearray(whole)
    for _ in range(chance.choice([1, 10, 1000])):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    path.write_bytes(data)
    for start in range(3):  # as systemd would start it anew after each failure
        try:
            history = History.open(path, now_ms=NOW + start)
        except HistoryError as error:
            assert "newer dewlid" in str(error) or "another program" in str(error)
            return
        try:
            history.last_state()
            assert sum(1 for _ in history.stream_after(0)) <= 60
            assert history.record(Batch.of([reading(NOW + 100, 1.0)])) >= 1
            return
        except HistoryError as error:
            assert "the file is damaged" in str(error)
        finally:
            history.close()
    raise AssertionError("three starts, and it still cannot be used")


def test_a_log_cut_or_garbled_anywhere_leaves_a_prefix_of_what_was_stored(tmp_path):
    path = tmp_path / "store.sqlite3"
    history = filled(path, 12)
    database, log = path.read_bytes(), Path(f"{path}-wal").read_bytes()
    history.close()
    chance = random.Random(5)
    states = set()
    for turn in range(60):
        offset = chance.randrange(len(log))
        torn = log[:offset] if turn % 2 else log[:offset] + os.urandom(min(512, len(log) - offset)) + log[offset + 512 :]
        copy = tmp_path / f"torn-{turn}.sqlite3"
        copy.write_bytes(database)
        Path(f"{copy}-wal").write_bytes(torn)
        reopened = History.open(copy, now_ms=NOW)
        assert reopened.recovery is None
        values = [value for batch in reopened.stream_after(0) for value in batch.value.tolist()]
        assert values == [float(n) for n in range(len(values))]
        with HistoryReader(copy) as reader:
            assert [told["id"] for told in reader.events()] == [f"event-{n}" for n in range(len(values))]
        states.add(len(values))
        reopened.close()
    assert len(states) > 5


# ---------------------------------------------------------------- kill


WRITER = textwrap.dedent(
    """
    import os, sys
    from pathlib import Path
    from adapters.outlets.outlet import Owed
    from daemon.store.history import History
    from rules.terms.events import Batch, Reading, SystemEvent

    def write(path):
        history = History.open(path, now_ms=0)
        state = history.last_state()
        number = 0 if state is None else int(state[0])
        while True:
            number += 1
            event = SystemEvent(id=f"event-{number}", at_ms=number, chamber=None, what="test", text="")
            owed = Owed(outlet="mail", event_id=event.id, kind="letter", payload="{}", made_ms=0, expendable=False)
            batch = Batch.of([Reading(number, "a", "air_temperature", float(number), number)])
            history.record(batch, [event], b"%d" % number, [owed])
            os.write(1, b"%d\\n" % number)  # in one piece, however Python buffers

    for _ in sys.stdin:  # a writer is forked for each line, so that the libraries are read once
        child = os.fork()
        if child == 0:
            write(Path(sys.argv[1]))
        os.write(1, b"child %d\\n" % child)
        os.waitpid(child, 0)
        os.write(1, b"gone\\n")
    """
)


def killed_writers(path, rounds, chance):
    """Run and kill writers; yield the highest number that each one reported as stored."""
    command = [sys.executable, "-c", WRITER, path]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1) as nursery:
        for _ in range(rounds):
            nursery.stdin.write("\n")
            reported, child = [], 0
            while not (child and reported):
                line = nursery.stdout.readline().strip()
                if line.startswith("child"):
                    child = int(line.split()[1])
                else:
                    reported.append(int(line))
            time.sleep(chance.uniform(0, 0.05))
            os.kill(child, signal.SIGKILL)
            reported += [int(line) for line in iter(nursery.stdout.readline, "gone\n")]
            yield max(reported)
        nursery.stdin.close()


def test_a_writer_killed_at_any_moment_loses_nothing_that_it_reported(tmp_path):
    path = tmp_path / "store.sqlite3"
    reported = 0
    for last in killed_writers(path, 20, random.Random(11)):
        reported = max(reported, last)
        with read_only(path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    history = History.open(path, now_ms=0)
    stored = int(history.last_state()[0])
    ids = [f"event-{n}" for n in range(1, stored + 1)]
    with HistoryReader(path) as reader:
        assert stored >= reported > 20
        assert [told["id"] for told in reader.events()] == ids
        assert reader.readings().value.tolist() == [float(n) for n in range(1, stored + 1)]
        owed = [row.owed.event_id for row in outbox_rows.waiting(reader.connection, "mail", most=10**6)]
        assert owed == ids
    history.close()


def written_bytes():
    """What this process has handed to the system to write, Linux proc(5)."""
    return int(dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())["wchar"])


def test_ten_chambers_read_every_ten_seconds_write_less_than_100_megabytes_a_day(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    chance = random.Random(3)
    quantities = ("air_temperature", "relative_humidity", "surface_temperature")
    begin = written_bytes()
    for turn in range(180):  # an hour, recorded every 20 s
        slices = [
            Batch.of(
                reading(
                    NOW + (2 * turn + half) * 10_000 + n, round(chance.gauss(50, 20), 2), f"probe-{n // 3}", quantities[n % 3]
                )
                for n in range(30)
            )
            for half in range(2)
        ]
        state = chance.randbytes(8_000) if turn % 30 == 0 else None
        history.record(slices[1], earlier=slices[:1], state_json=state)
    history.close()
    assert (written_bytes() - begin) * 24 < 100e6


# ---------------------------------------------------------------- the outbox's rows


def test_what_was_taken_over_leaves_and_what_was_refused_stays_marked(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.record(Batch.of(), owed=[letter(n) for n in range(4)])
    with HistoryReader(history.path) as reader:
        rows = outbox_rows.waiting(reader.connection, "mail")
        history.settle([Receipt(rows[0].row, "taken"), Receipt(rows[1].row, "refused", "550 no such mailbox")])
        assert [row.owed.event_id for row in outbox_rows.waiting(reader.connection, "mail")] == ["event-2", "event-3"]
        assert outbox_rows.counts(reader.connection) == {"mail": (2, 1, NOW)}
        history.reopen_refused(NOW - 1)
        assert outbox_rows.counts(reader.connection) == {"mail": (3, 0, NOW)}
        assert history.keep_outlets(["other"]) == 3
        assert outbox_rows.counts(reader.connection) == {}
    history.close()


def test_too_many_waiting_messages_cost_the_expendable_first_and_never_an_open_raise(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.limit = 6
    kept = {"expendable": False}
    history.record(
        Batch.of(),
        owed=[
            letter(1, about="dry", standing="opens", **kept),
            letter(2, about="dry", standing="ends", **kept),
            letter(3, about="warm", standing="opens", **kept),
            letter(4),
            letter(5),
            letter(6, about="wet", standing="opens", **kept),
        ],
    )
    history.record(Batch.of(), owed=[letter(n, about=f"more-{n}", standing="opens", **kept) for n in (7, 8, 9)])
    with HistoryReader(history.path) as reader:
        left = [row.owed.event_id for row in outbox_rows.waiting(reader.connection, "mail")]
    assert left == [f"event-{n}" for n in (2, 3, 6, 7, 8, 9)]
    assert history.dropped == 3
    history.record(Batch.of(), owed=[letter(10, about="more-10", standing="opens", **kept)])
    with HistoryReader(history.path) as reader:
        assert len(outbox_rows.waiting(reader.connection, "mail")) == 7, "open raises may exceed the limit"
    history.close()


def test_a_retained_state_has_one_row_per_topic_and_a_new_revision_only_when_it_changed(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)

    def tell(payload, topic="chamber/a/state"):
        owed = Owed(outlet="mqtt", event_id="", kind="state", topic=topic, payload=payload, made_ms=NOW, retained=True)
        history.record(Batch.of(), owed=[owed])

    tell("1")
    tell("x", "chamber/b/state")
    with HistoryReader(history.path) as reader:
        before = {row.owed.topic: row.row for row in outbox_rows.retained(reader.connection, "mqtt")}
        tell("1")
        same = {row.owed.topic: row.row for row in outbox_rows.retained(reader.connection, "mqtt")}
        tell("2")
        after = {row.owed.topic: (row.row, row.owed.payload) for row in outbox_rows.retained(reader.connection, "mqtt")}
    history.close()
    assert same == before
    assert after["chamber/a/state"][0] > max(before.values())
    assert after["chamber/a/state"][1] == "2"
    assert after["chamber/b/state"] == (before["chamber/b/state"], "x")
