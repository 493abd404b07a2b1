"""The whole way on real parts: mosquitto_pub, the daemon as a process, a real mailbox and a real subscription."""

from __future__ import annotations

import email
import email.policy
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import main

CONFIG = """
[site]
state_folder = "{folder}/state"
name = "test shelf"
[telling]
quiet_begin = "{quiet_begin}"
quiet_end = "{quiet_end}"
[chamber.tank-1]
room = "study"
temperature.on_delay = "1s"
temperature.harmful_on_delay = "1s"
[chamber.tank-1.devices.heater]
watts = 15
[room.study]
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = {{ air_temperature = "tank-1/t", relative_humidity = "tank-1/h" }}
interval = "1s"
[probe.study-air]
kind = "mqtt-topic"
place = "study"
broker = "home"
topics = {{ air_temperature = "study/t", relative_humidity = "study/h" }}
interval = "1s"
[broker.home]
host = "127.0.0.1"
port = {port}
[outlet.topics]
kind = "mqtt"
broker = "home"
[outlet.mail]
"""


class Subscription:
    """mosquitto_sub on all topics of ours: what any other program on the broker would see."""

    def __init__(self, port: int) -> None:
        command = ["mosquitto_sub", "-p", str(port), "-t", "dewlid/#", "-q", "1", "-F", "%U %r %t %p"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.heard: list[tuple[float, bool, str, str]] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._thread.join()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            at_s, retained, topic, *payload = line.rstrip("\n").split(" ", 3)
            self.heard.append((float(at_s), retained == "1", topic, payload[0] if payload else ""))

    def on(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for _, _, where, payload in self.heard if where == topic and payload.startswith("{")]


@pytest.fixture
def subscription(broker: Callable[..., Any]) -> Iterator[tuple[Any, Subscription]]:
    server = broker()
    result = Subscription(server.port)
    yield server, result
    result.end()


def config(folder: Path, port: int, mail: Any) -> Path:
    noon = datetime.now(UTC) + timedelta(hours=12)  # quiet hours that are far from now
    text = CONFIG.format(
        folder=folder, port=port, quiet_begin=f"{noon:%H:%M}", quiet_end=f"{noon + timedelta(minutes=1):%H:%M}"
    )
    settings = mail.model_dump(mode="json", exclude_none=True, exclude_defaults=True) | {"kind": "mail"}
    path = folder / "dewlid.toml"
    path.write_text(text + "".join(f"{key} = {json.dumps(value)}\n" for key, value in settings.items()))
    return path


def test_a_reading_becomes_an_alarm_an_advisory_a_letter_and_published_states(
    subscription: tuple[Any, Subscription], mail_server: Any, tmp_path: Path, wait_until: Callable[..., Any],
    capsys: pytest.CaptureFixture[str],
) -> None:
    server, heard = subscription
    mail, box = mail_server()
    path = config(tmp_path, server.port, mail)
    with (tmp_path / "log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "daemon.cli", "run", str(path)], stderr=log, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"}
        )
    try:
        wait_until(lambda: heard.on("x") or any(topic.endswith("/watching") for _, _, topic, _ in heard.heard), "watching")
        begun_s = time.time()
        event_topic = "dewlid/test-shelf/chamber/tank-1/event/advice"

        def publish_until_told() -> bool:
            for topic, value in (("study/t", "21.0"), ("study/h", "55"), ("tank-1/t", "31.4"), ("tank-1/h", "78")):
                server.say(topic, value)
            return bool(heard.on(event_topic)) and any(b"31.4" in letter for _, letter in box.letters)

        wait_until(publish_until_told, "advisory and letter", 40)
        advice = heard.on(event_topic)[0]
        told_s = min(at_s for at_s, _, topic, _ in heard.heard if topic == event_topic)
        print(f"first reading to advisory, its delay of 1 s included: {told_s - begun_s:.2f} s on the wire,"
              f" {time.time() - begun_s:.2f} s in the mailbox")
        capsys.readouterr()
        assert main(["rehearse", "--config", str(path), "--wait", "2s"]) == 75  # the others come a minute apart
        rehearsed = capsys.readouterr().out
    finally:
        process.send_signal(signal.SIGTERM)
        status = process.wait(20)
    assert status == 0, (tmp_path / "log").read_text()
    assert advice["kind"] == "advice"
    assert advice["device"] in ("heater", "fan", "vent", "room", "lid")
    alarms = heard.on("dewlid/test-shelf/chamber/tank-1/alarm/temperature-high")
    assert [alarm["condition"] for alarm in alarms][:1] == ["active"]
    states = heard.on("dewlid/test-shelf/chamber/tank-1/state")
    assert states[-1]["temperature_c"] == 31.4
    letter = next(content for to, content in box.letters if to == "keeper@example.org" and b"31.4" in content)
    message = email.message_from_bytes(letter, policy=email.policy.default)
    assert message["Auto-Submitted"] == "auto-generated"
    assert message.get_body(("plain",)) is not None
    assert (heard.heard[-1][2], heard.heard[-1][3]) == ("dewlid/test-shelf/watching", "no")
    assert rehearsed.startswith("A rehearsal begins: ")
    for line in ("letter 1 by topics: taken over after ", "letter 1 by mail to keeper@example.org: taken over after ",
                 "3 of 4 letters were not written yet", "No second address is written"):  # fmt: skip
        assert line in rehearsed
    marked = next(content for _, content in box.letters if b"rehearsal 1 of 4" in content)
    subject = email.message_from_bytes(marked, policy=email.policy.default)["Subject"]
    assert subject == "URGENT: rehearsal 1 of 4, nothing is wrong"
