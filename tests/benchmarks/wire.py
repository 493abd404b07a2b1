"""A real broker, a publisher that costs next to nothing, the daemon as a process, and a shelf's config for it."""

from __future__ import annotations

import json
import socket
import subprocess
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from measure import python, wait_until
from paho.mqtt.enums import CallbackAPIVersion

_CHAMBER = """
[chamber.c{n}]
room = "study"
temperature = {{ on_delay = "{delay}", harmful_on_delay = "{delay}", off_delay = "{delay}" }}
devices.heater = {{ watts = 9 }}
devices.mister = {{ ml_per_press = 1 }}
[probe.p{n}]
kind = "mqtt-topic"
place = "c{n}"
broker = "home"
interval = "{interval}"
topics = {{ air_temperature = "c{n}/t", relative_humidity = "c{n}/h" }}
"""


def shelf_config(folder: Path, port: int, chambers: int, *, interval: str = "10s", delay: str = "10min") -> Path:
    """Write the config of a shelf of chambers whose probes, like the outlet, are topics of one broker."""
    text = f'[site]\nname = "shelf"\nstate_folder = "{folder}/state"\nlog_form = "json"\n[room.study]\n'
    text += f'[broker.home]\nhost = "127.0.0.1"\nport = {port}\n[outlet.topics]\nkind = "mqtt"\nbroker = "home"\n'
    text += "".join(_CHAMBER.format(n=n, interval=interval, delay=delay) for n in range(chambers))
    path = folder / "dewlid.toml"
    path.write_text(text)
    return path


def topics(chambers: int) -> list[str]:
    """Return the topics of that shelf's probes."""
    return [f"c{n}/{quantity}" for n in range(chambers) for quantity in "th"]


class Broker:
    """mosquitto on a free port, without limits that would drop what a slow subscriber has not taken yet."""

    def __init__(self, folder: Path, cpu: int | None = None) -> None:
        with socket.socket() as one:
            one.bind(("127.0.0.1", 0))
            self.port: int = one.getsockname()[1]
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
            "max_queued_messages 0\nmax_queued_bytes 0\n"
        )
        command = ["mosquitto", "-c", str(config)]
        self._process = subprocess.Popen(pinned(cpu, command), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_until(self._answers, "the broker's start")

    def _answers(self) -> bool:
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    def end(self) -> None:
        """Kill it."""
        self._process.kill()
        self._process.wait()


def pinned(cpu: int | None, command: list[str]) -> list[str]:
    """Return the command bound to one core; None: as it is."""
    return command if cpu is None else ["taskset", "-c", str(cpu), *command]


# ---------------------------------------------------------------- publishing


def packet(topic: str, payload: str) -> bytes:
    """Return a PUBLISH of MQTT 3.1.1 with QoS 0, as most probes send it (topics and values here are short)."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + payload.encode()
    assert len(body) < 128
    return b"\x30" + bytes([len(body)]) + body


class Publisher:
    """One connection that writes packets made beforehand, so that publishing takes no time from what is measured."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = b"\x00\x0abench-pub0"
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + client
        self._socket.sendall(b"\x10" + bytes([len(body)]) + body)
        assert self._socket.recv(4)[:2] == b"\x20\x02"

    def send(self, packets: Iterable[bytes]) -> None:
        """Write packets."""
        self._socket.sendall(b"".join(packets))

    def close(self) -> None:
        """Disconnect."""
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()


class Listener:
    """Notes when each of our own messages arrives, on the clock that publishing is timed with."""

    def __init__(self, port: int, topic: str = "dewlid/#") -> None:
        self.heard: list[tuple[float, str, bytes]] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-listener", protocol=mqtt.MQTTv5)
        self._client.on_message = self._note
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _note(self, _client: Any, _data: Any, message: Any) -> None:
        self.heard.append((time.perf_counter(), message.topic, bytes(message.payload)))

    def on(self, topic: str) -> list[dict[str, Any]]:
        """Return the payloads that came on a topic so far."""
        return [json.loads(payload) for _, where, payload in list(self.heard) if where == topic and payload]

    def first_s(self, topic: str) -> float:
        """Return when the first message came on a topic."""
        return next(at_s for at_s, where, _ in self.heard if where == topic)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


# ---------------------------------------------------------------- the daemon


class Daemon:
    """`dewlid run` as a process of its own; its log is a file."""

    def __init__(self, config: Path, cpu: int | None = None) -> None:
        self.log = config.parent / "log"
        self._stream = self.log.open("w")
        self.begun_s = time.perf_counter()
        self.process = python("-m", "daemon.cli", "run", str(config), stderr=self._stream, stdin=subprocess.DEVNULL)
        if cpu is not None:
            command = ["taskset", "-a", "-c", "-p", str(cpu), str(self.process.pid)]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)

    @property
    def pid(self) -> int:
        """Its process id."""
        return self.process.pid

    def lines(self, event: str) -> list[dict[str, Any]]:
        """Return the lines of the log that tell of this event."""
        return [line for text in self.log.read_text().splitlines() if (line := json.loads(text)).get("event") == event]

    def ready(self) -> None:
        """Wait until it is connected and has subscribed."""
        wait_until(lambda: any(line.get("state") == "up" for line in self.lines("broker state")), "the daemon's connection")
        time.sleep(0.3)

    def end(self) -> float:
        """Tell it to end; returns how long it took, s."""
        begun_s = time.perf_counter()
        self.process.terminate()
        status = self.process.wait(20)
        self._stream.close()
        if status != 0:
            raise RuntimeError(f"the daemon ended with {status}: {self.log.read_text()[-2000:]}")
        return time.perf_counter() - begun_s
