"""The watchdog is fed only while the whole way works: inbox, rules, store, every thread, and an acknowledged publish."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from adapters import pulse
from adapters.outlets.outlet import Owed
from daemon.config.configuration import load
from daemon.delivery import delivery as delivery_module
from daemon.delivery.delivery import Delivery
from daemon.delivery.schedule import Pace
from daemon.store.history import History
from daemon.watch import running as running_module
from daemon.watch.running import Running
from rules.terms.events import Batch

CONFIG = """
[site]
name = "shelf"
state_folder = "{folder}/state"
[chamber.tank-1]
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = {{ air_temperature = "tank-1/t" }}
interval = "5s"
[broker.home]
host = "127.0.0.1"
port = {port}
{login}
[outlet.topics]
kind = "mqtt"
broker = "home"
"""


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """A factory of daemons without their main thread."""
    running: list[Running] = []

    def make(port: int, login: str = "", extra: str = "") -> Running:
        path = tmp_path / "dewlid.toml"
        path.write_text(CONFIG.format(folder=tmp_path, port=port, login=login) + extra)
        running.append(Running(load(path), wake=lambda: None))
        running[-1].start()
        return running[-1]

    yield make
    for one in running:
        one.stop()


def heard(server: Any, topic: str, seconds: float = 5) -> list[dict[str, Any]]:
    command = ["mosquitto_sub", "-h", server.host, "-p", str(server.port), "-t", topic, "-C", "1", "-W", str(int(seconds))]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    return [json.loads(line) for line in said.splitlines()]


def test_a_heartbeat_goes_through_inbox_rules_store_and_an_acknowledged_publish(
    broker: Any, start: Any, wait_until: Callable[..., Any]
) -> None:
    server = broker()
    running = start(server.port)
    worker = running._delivery._workers["topics"]
    wait_until(lambda: running.beat() and worker.health.state == "up", "the broker")
    beaten: list[dict[str, Any]] = []
    listener = threading.Thread(target=lambda: beaten.extend(heard(server, "dewlid/shelf/heartbeat", 20)))
    listener.start()
    wait_until(lambda: running.beat() and not listener.is_alive(), "a heartbeat on the wire")
    assert beaten[0]["advisory_only"] is True
    assert beaten[0]["beat"] <= running._engine.beat
    wait_until(lambda: worker.unanswered_s == 0.0, "its acknowledgement")


def test_a_broker_that_is_down_is_no_reason_to_start_anew(broker: Any, start: Any, wait_until: Callable[..., Any]) -> None:
    server = broker()
    running = start(server.port)
    worker = running._delivery._workers["topics"]
    wait_until(lambda: running.beat() and worker.health.state == "up", "the broker")
    server.kill()
    wait_until(lambda: running.beat() and worker.health.state == "down", "the loss, noticed by the heartbeat alone")
    wait_until(running.beat, "an answered heartbeat")
    assert "outlet topics is down" in running.status


def test_a_heartbeat_that_is_not_acknowledged_although_the_outlet_works_stops_the_watchdog(
    broker: Any, start: Any, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    running = start(broker().port)
    worker = running._delivery._workers["topics"]
    wait_until(lambda: running.beat() and worker.health.state == "up", "the broker")
    monkeypatch.setattr(delivery_module, "UNANSWERED_S", 0.2)
    free = threading.Event()
    monkeypatch.setattr(worker, "_turn", lambda: float(not free.wait(30)))
    wait_until(lambda: not running.beat() and running.stage == "waiting for outlet topics", "the silence of the outlet")
    free.set()
    monkeypatch.undo()
    wait_until(running.beat, "an answered heartbeat")


def test_a_broker_that_does_not_permit_the_heartbeat_does_not_end_the_daemon(
    broker: Any, start: Any, secret_file: Callable[[str], str], wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    acl = "user ant\ntopic readwrite dewlid/shelf/chamber/#\ntopic write dewlid/shelf/watching\ntopic read tank-1/#\n"
    server = broker(users={"ant": "secret"}, acl=acl)
    running = start(server.port, f'user = "ant"\npassword_file = "{secret_file("secret")}"')
    worker = running._delivery._workers["topics"]
    monkeypatch.setattr(delivery_module, "UNANSWERED_S", 0.0)
    wait_until(lambda: running.beat() and worker._beats_refused_in == worker._session, "the refusal")
    wait_until(lambda: running.beat() and worker.unanswered_s == 0.0, "peace")
    [notice] = [notice for notice in running._delivery.notices() if notice.what == "outlet-refused"] or [None]
    assert notice is None or "heartbeat" in notice.detail


def test_a_stuck_probe_thread_is_noticed(
    broker: Any, start: Any, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    server = broker()
    running = start(server.port)
    session = running._lines["home"].session
    wait_until(lambda: session.state[0] == "up", "the broker")
    monkeypatch.setattr(pulse, "ALLOWANCE_S", 0.3)
    free = threading.Event()
    session.subscribe("stick", lambda message: bool(free.wait(30)) and None, lambda reason: None)
    wait_until(lambda: "stick" in server.log, "the subscription")
    server.say("stick", "now")
    wait_until(lambda: not running.beat() and running.stage == "waiting for broker home", "the stuck thread")
    free.set()
    monkeypatch.undo()
    wait_until(running.beat, "an answered heartbeat")


def test_a_broker_that_is_down_for_long_is_told_by_mail_and_in_the_record(
    broker: Any, start: Any, mail_server: Any, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running_module, "Delivery", partial(Delivery, pace=Pace(tell_after_s=0.3, idle_s=0.1)))
    settings, box = mail_server("tls")
    facts = settings.model_dump(mode="json", exclude_none=True, exclude_defaults=True) | {"kind": "mail"}
    server = broker()
    post = "[outlet.post]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in facts.items())
    running = start(server.port, extra=post)
    worker = running._delivery._workers["topics"]
    wait_until(lambda: running.beat() and worker.health.state == "up", "the broker")
    server.kill()
    told = b"outlet topics does not work"
    wait_until(lambda: running.beat() and any(told in _unfolded(content) for _, content in box.letters), "the letter")
    server.start()
    wait_until(lambda: running.beat() and worker.health.state == "up", "its return", 60)
    query = "SELECT json_extract(body, '$.what') FROM event WHERE kind = 'system' AND id LIKE 'outlet-%'"

    def recorded() -> list[str]:
        with closing(sqlite3.connect(f"file:{running._configuration.store}?mode=ro", uri=True)) as connection:
            return [row[0] for row in connection.execute(query)]

    wait_until(lambda: running.beat() and "outlet-back" in recorded(), "its return in the record")
    assert recorded()[0] == "outlet-down"


def _unfolded(content: bytes) -> bytes:
    """Return the text of a letter without soft line breaks and wrapped lines."""
    return b" ".join(content.replace(b"=\r\n", b"").split())


class Hanging:
    """An outlet whose reader has been stopped: it neither takes nor refuses."""

    in_order = True
    retry_s = (0.02,)
    session = 0
    refresh_s = None
    longest_s = float("inf")
    heartbeat = ""

    def __init__(self) -> None:
        self.free = threading.Event()

    def send(self, owed: Owed) -> None:
        self.free.wait(30)

    def close(self) -> None:
        self.free.set()


def test_an_outlet_that_neither_takes_nor_refuses_is_told_by_the_others_and_its_return_too(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    history = History.open(tmp_path / "store.sqlite3", now_ms=0)
    outlet = Hanging()
    delivery = Delivery({"screen": outlet}, history.path, lambda: 0, pace=Pace(tell_after_s=0.1, idle_s=0.05))
    delivery.start()
    history.record(Batch(), owed=[Owed(outlet="screen", event_id="e", kind="system", payload="{}", made_ms=0)])
    delivery.wake()
    [notice] = wait_until(delivery.notices, "the notice")
    assert (notice.outlet, notice.what) == ("screen", "outlet-down")
    assert delivery.overdue_s() == {"screen": 0.0}, "no restart would repair it"
    assert delivery.notices() == [], "told once"
    outlet.free.set()
    assert wait_until(delivery.notices, "its return")[0].what == "outlet-back"
    assert delivery.stop()
    history.close()
