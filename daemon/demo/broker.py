"""A real MQTT broker on a random loopback port, started and stopped by the demo, and a reader that counts what comes."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

_START_S = 5.0
PROGRAM = "mosquitto"


def program() -> str | None:
    """Return the broker's program; Debian keeps it where an ordinary user does not look."""
    return shutil.which(PROGRAM) or shutil.which(PROGRAM, path="/usr/sbin:/usr/local/sbin")


class DemoBroker:
    """The broker process; `port` is where it listens on 127.0.0.1."""

    def __init__(self, executable: str, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        config = folder / "broker.conf"
        config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type error\n")
        self._process = subprocess.Popen(  # noqa: S603 - our own arguments
            [executable, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def ready(self) -> bool:
        """Wait until it listens; False: it does not start."""
        until_s = time.monotonic() + _START_S
        while time.monotonic() < until_s and self._process.poll() is None:
            with socket.socket() as probe:
                probe.settimeout(0.2)
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return True
            time.sleep(0.02)
        return False

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        try:
            self._process.wait(3)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class Reader:
    """Subscribes to everything below a topic and counts the messages."""

    def __init__(self, port: int, topic: str) -> None:
        self._topic = topic
        self._subscribed = threading.Event()
        self.topics: dict[str, int] = {}
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{topic}/#", qos=1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._count
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._subscribed.wait(_START_S)

    def _count(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.topics[message.topic] = self.topics.get(message.topic, 0) + 1

    @property
    def messages(self) -> int:
        """How many messages came."""
        return sum(self.topics.values())

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
