"""The whole daemon is killed at random instants while readings and words flow; afterwards everything must have been told.

`KILLS` in the environment says how many (200); `KILL_SEED` which; `WATCH_DAYS` how long it watches unharmed (0.1).
The daemon, its store, a serial line, a broker and a mail server are real; only the clock is turned faster. Checked: each event
that was heard was recorded before; recorded rows never change; the record, gone through again by the rules, gives the same
events; each was published and each letter mailed, none under another id; every word was taken exactly once.
"""

from __future__ import annotations

import email
import email.policy
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from adapters.wording.letter import compose
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.reader import HistoryReader
from daemon.store.spool import Spool
from rules.settings import Settings
from rules.terms.events import Batch, letter_of
from rules.turn.advance import advance

KILLS = int(os.environ.get("KILLS", "200"))
SEED = int(os.environ.get("KILL_SEED", "8"))
WATCH_DAYS = float(os.environ.get("WATCH_DAYS", "0.1"))
SPEED = 1_500

CONFIG = """
[site]
name = "shelf"
state_folder = "{folder}/state"
log_level = "warning"
[room.study]
[chamber.tank-1]
room = "study"
temperature = {{ on_delay = "1min", off_delay = "1min", harmful_on_delay = "1min" }}
humidity = {{ on_delay = "1min", off_delay = "1min", harmful_on_delay = "1min" }}
[probe.air]
kind = "serial-text"
place = "tank-1"
port = "{port_of_line}"
columns = {{ air_temperature = 1, relative_humidity = 2 }}
delimiter = ","
interval = "2min"
[probe.room]
kind = "mqtt-topic"
place = "study"
broker = "home"
topics = {{ air_temperature = "study/t" }}
interval = "5min"
[broker.home]
host = "127.0.0.1"
port = {port}
[outlet.topics]
kind = "mqtt"
broker = "home"
[outlet.post]
"""


class Ear:
    """Everything that is published, by event id, from one subscriber that stays."""

    def __init__(self, port: int) -> None:
        self.heard: dict[str, list[str]] = {}
        self.fresh: list[str] = []
        self._lock = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ear", clean_session=False)
        self._client.on_connect = lambda client, *_: client.subscribe("dewlid/shelf/#", qos=1)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        if "/event/" in message.topic:
            body = json.loads(message.payload)
            with self._lock:
                self.heard.setdefault(body["id"], []).append(message.payload.decode())
                self.fresh.append(body["id"])

    def take_fresh(self) -> list[str]:
        with self._lock:
            fresh, self.fresh = self.fresh, []
        return fresh

    def say(self, topic: str, payload: str) -> None:
        self._client.publish(topic, payload, qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Line:
    """A serial line whose far end keeps writing a chamber that swings far out of its band and back."""

    def __init__(self) -> None:
        self._far, self._near = os.openpty()
        tty.setraw(self._far)
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.port = os.ttyname(self._near)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        number = 0
        while not self._ending.wait(0.006):
            number += 1
            swing = abs((number % 800) / 400 - 1)  # a triangle, 0 to 1 in about five seconds
            line = f"{17 + 16 * swing + number % 7 / 10:.2f},{55 + 40 * swing:.1f}\n"
            try:
                os.write(self._far, line.encode())
            except BlockingIOError:
                continue

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._far)
        os.close(self._near)


class Shelf:
    """The daemon's world, and what it has told so far."""

    def __init__(self, folder: Path, port: int, mail: Any) -> None:
        self.folder = folder
        self.line, self.ear = Line(), Ear(port)
        text = CONFIG.format(folder=folder, port=port, port_of_line=self.line.port)
        settings = mail.model_dump(mode="json", exclude_none=True, exclude_defaults=True) | {"kind": "mail"}
        self.config = folder / "dewlid.toml"
        self.config.write_text(text + "".join(f"{key} = {json.dumps(value)}\n" for key, value in settings.items()))
        self.settings: Settings = settings_of(load(self.config))
        self.spool = Spool(folder / "state" / "spool")
        self.words: list[str] = []
        begin_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        command = [sys.executable, str(Path(__file__).with_name("kill_server.py")), str(self.config), str(begin_ns), str(SPEED)]
        environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
        self._server = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment, start_new_session=True
        )
        assert self._said() == "ready"
        self.last_row = 0

    def _said(self) -> str:
        assert self._server.stdout is not None
        return self._server.stdout.readline().strip()

    def start(self) -> int:
        assert self._server.stdin is not None
        self._server.stdin.write("go\n")
        self._server.stdin.flush()
        return int(self._said())

    def end(self, process: int, number: int) -> int:
        """Send the signal and return the wait status of the child."""
        os.kill(process, number)
        return int(self._said())

    @property
    def store(self) -> Path:
        return self.folder / "state" / "dewlid.sqlite3"

    def rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as connection:
            return connection.execute(query, values).fetchall()

    def disturb(self, chance: random.Random) -> None:
        """Leave a word, or publish a room reading."""
        self.ear.say("study/t", f"{20 + chance.random():.2f}")
        if chance.random() < 0.3 and self.spool.folder.is_dir():
            word = chance.choice(({"word": "visit", "chamber": "tank-1"}, {"word": "visit", "chamber": "nowhere"}))
            self.words.append(self.spool.leave({**word, "for_ms": 60_000}))

    def close(self) -> None:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.close()
        os.killpg(self._server.pid, signal.SIGKILL)  # with a daemon that a failed test left alive
        self._server.wait(20)
        self._server.stdout.close()
        self.ear.close()
        self.line.close()


@pytest.fixture
def shelf(broker: Callable[..., Any], mail_server: Any, tmp_path: Path) -> Any:
    server = broker(extra=("max_queued_messages 0",))
    mail, box = mail_server("tls")
    made = Shelf(tmp_path, server.port, mail)
    yield made, box
    made.close()


def first_record_s(house: Shelf, wait_until: Callable[..., Any]) -> float:
    """Let it live once until it has recorded something, and return how long that took on this machine."""
    begun_s = time.monotonic()
    process = house.start()
    wait_until(lambda: house.store.exists() and house.rows("PRAGMA user_version") != [(0,)], "the store")
    wait_until(lambda: house.rows("SELECT 1 FROM batch"), "a first record")
    took_s = time.monotonic() - begun_s
    assert house.end(process, signal.SIGKILL) == signal.SIGKILL
    return took_s


def settle(house: Shelf, wait_until: Callable[..., Any]) -> None:
    """Let it live and end in peace until nothing is owed any more."""
    for _ in range(10):
        before = house.rows("SELECT max(seq) FROM batch")[0][0]
        process = house.start()
        wait_until(lambda before=before: house.rows("SELECT max(seq) FROM batch")[0][0] > before + 3, "a few records")
        wait_until(lambda: not list(house.spool.folder.glob("*.word.json")), "the last words")
        wait_until(lambda: house.rows("SELECT count(*) FROM owed")[0][0] == 0, "the outbox", 120)
        assert house.end(process, signal.SIGTERM) == 0
        if house.rows("SELECT count(*) FROM owed")[0][0] == 0:
            return
    raise AssertionError("something stays owed for ever")


def check_round(shelf: Shelf, number: int) -> None:
    """What was heard since the last look was recorded before; the store is whole."""
    for one in shelf.ear.take_fresh():
        assert shelf.rows("SELECT 1 FROM event WHERE id = ?", one), f"{one} was told but never recorded"
    if number % 10 == 0 and shelf.store.exists():
        assert shelf.rows("PRAGMA quick_check(1)") == [("ok",)]
        if not shelf.rows("SELECT 1 FROM sqlite_master WHERE name = 'event'"):
            return  # killed so far before its tables were made
        [(count, last)] = shelf.rows("SELECT count(*), coalesce(max(seq), 0) FROM event")
        assert count == last >= shelf.last_row, "a recorded event is gone"
        shelf.last_row = last


def replayed(shelf: Shelf) -> dict[str, dict[str, Any]]:
    """Return what the rules say of the whole record, gone through at one go."""
    with HistoryReader(shelf.store) as reader:
        batches = list(reader.stream())
        body = reader.last_state()
        assert body is not None
        stored = json.loads(body[0])
        # A first life may have recorded its beginning before anything was read.
        begun = advance(shelf.settings, None, Batch(), int(stored["origin"], 36))
        state, events = begun.state, begun.events
        for batch in batches:
            stamps = [*batch.taken_ms[-1:].tolist(), *(item.taken_ms for item in batch.items)]
            advanced = advance(shelf.settings, state, batch, max(stamps))
            state = advanced.state
            events += advanced.events
    events += advance(shelf.settings, state, Batch(), max(stored["closed_ms"], state.closed_ms)).events
    return {event.id: json.loads(json.dumps(event.as_json())) for event in events}


def of_the_rules(event: dict[str, Any]) -> bool:
    """Whether an event comes from the rules, not from the daemon about itself."""
    return ".daemon." not in event["id"] and not event["id"].startswith("outlet")


def test_killed_at_any_instant_it_loses_changes_and_invents_nothing(
    shelf: tuple[Shelf, Any], wait_until: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    house, box = shelf
    chance = random.Random(SEED)
    longest_life_s = 2.5 * first_record_s(house, wait_until)
    begun_s, lives = time.monotonic(), 1
    for number in range(KILLS):
        process = house.start()
        life_s = longest_life_s * chance.random() ** 1.5
        time.sleep(life_s / 2)
        house.disturb(chance)
        time.sleep(life_s / 2)
        assert house.end(process, signal.SIGKILL) == signal.SIGKILL, (house.folder / "log").read_text()[-3000:]
        check_round(house, number)
        if number % 10 == 9:  # on a machine that became slow or fast, about half of the lives should still record something
            now = house.rows("SELECT count(*) FROM item WHERE sort = 'pause'")[0][0]
            longest_life_s *= 1.2 if now - lives < 5 else 0.9
            lives = now
    spent_s = time.monotonic() - begun_s
    lives = house.rows("SELECT count(*) FROM item WHERE sort = 'pause'")[0][0]
    settle(house, wait_until)
    events = {row[0]: json.loads(row[1]) for row in house.rows("SELECT id, body FROM event ORDER BY seq")}
    wait_until(lambda: set(house.ear.heard) >= set(events) or None, "the last message")
    with capsys.disabled():
        readings = house.rows("SELECT coalesce(sum(readings), 0) FROM batch")[0][0]
        print(
            f"\n{KILLS} kills, seed {SEED}, in {spent_s:.0f} s ({KILLS / spent_s:.1f}/s): {lives} lives recorded something;"
            f" {readings} readings, {len(events)} events, {len(house.words)} words, {len(box.letters)} letters,"
            f" {sum(map(len, house.ear.heard.values())) - len(events)} messages came twice"
        )
    assert house.rows("PRAGMA integrity_check") == [("ok",)]
    same_as_recorded(house, events)
    all_told(house, events, box)


def used(process: int) -> tuple[int, int, int]:
    """Return the resident kB, open files and threads of a process."""
    folder = Path(f"/proc/{process}")
    return (
        int((folder / "statm").read_text().split()[1]) * 4,
        len(list((folder / "fd").iterdir())),
        len(list((folder / "task").iterdir())),
    )


def test_while_the_record_grows_memory_open_files_and_threads_do_not(
    shelf: tuple[Shelf, Any], wait_until: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    house, _ = shelf
    chance = random.Random(SEED)
    process = house.start()
    wait_until(lambda: house.store.exists() and house.rows("PRAGMA user_version") != [(0,)], "the store")
    found, grown = [], []
    for _ in range(40):
        house.disturb(chance)
        time.sleep(WATCH_DAYS * 86_400 / SPEED / 40)
        found.append(used(process))
        grown.append(house.rows("SELECT coalesce(sum(readings), 0) FROM batch")[0][0])
    assert house.end(process, signal.SIGTERM) == 0
    with capsys.disabled():
        print(f"\n{WATCH_DAYS:g} days: kB, files, threads {found[9::10]}; readings {grown[9::10]}")
    early, late = found[10:20], found[30:]
    assert grown[9] < grown[19] < grown[29] < grown[39]
    assert max(kb for kb, _, _ in late) <= 1.1 * max(kb for kb, _, _ in early)
    assert min(files for _, files, _ in late) <= min(files for _, files, _ in early)
    assert min(threads for _, _, threads in late) <= min(threads for _, _, threads in early)


def same_as_recorded(house: Shelf, events: dict[str, dict[str, Any]]) -> None:
    judged = replayed(house)
    recorded = {one: body for one, body in events.items() if of_the_rules(body)}
    assert sum(body["kind"] == "alarm" for body in recorded.values()) > KILLS / 20, "too little happened"
    assert [judged[one] for one in judged.keys() - recorded.keys()] == [], "lost"
    assert [recorded[one] for one in recorded.keys() - judged.keys()] == [], "invented"
    assert recorded == judged
    taken = [row[0] for row in house.rows("SELECT json_extract(body, '$.word_id') FROM item WHERE sort = 'word'")]
    assert set(taken) == set(house.words)
    answered = [body["id"] for body in recorded.values() if body["kind"] == "word"]
    assert len(answered) == len(house.words)


def all_told(house: Shelf, events: dict[str, dict[str, Any]], box: Any) -> None:
    assert set(house.ear.heard) == set(events), "published under another id"
    assert [one for one, texts in house.ear.heard.items() if len(set(texts)) > 1] == [], "a copy differs"
    bodies = [letter_of(body) for body in events.values() if body["kind"] == "letter"]
    letters = {f"<{compose(body, house.settings).message}@example.org>": body for body in bodies}
    mailed = {email.message_from_bytes(content, policy=email.policy.default)["Message-ID"] for _, content in box.letters}
    # A summary that stands for several letters older than a day is the one mail that is no letter of the record; a call of the
    # second address, which is the keeper's own here, is not mailed beside a letter of the same instant.
    summaries = mailed - letters.keys()
    kept = {(body.thread, body.at_ms) for body in bodies if body.to == "keeper"}
    doubles = {name for name, body in letters.items() if body.to == "second" and (body.thread, body.at_ms) in kept}
    missing = letters.keys() - mailed - doubles
    assert len(missing) <= 40 * len(summaries), [(letters[name].id, letters[name].to, letters[name].sort) for name in missing]
    assert not doubles & mailed
