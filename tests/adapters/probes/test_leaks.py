"""Sources that are started and stopped many times leave no thread and no open file behind."""

from __future__ import annotations

import threading
from pathlib import Path

from adapters.mqtt_session import Broker, MqttSession
from adapters.probes import sources
from adapters.probes.modbus_rtu import ModbusRtu
from adapters.probes.mqtt_topic import MqttTopic
from adapters.probes.recorded import RecordedFile
from adapters.probes.serial_text import SerialText
from adapters.probes.simulated import SimulatedChamber


def test_forty_starts_and_stops_leave_no_thread_and_no_file_open(broker, serial_pair, intake, tmp_path, wait_until):
    running, text, silent = broker(), serial_pair(), serial_pair()
    (tmp_path / "log.csv").touch()
    where = {"place": "fungus"}
    probes = {
        "text": SerialText(kind="serial-text", port=text.near, columns={"air_temperature": 1}, **where),
        "silent": ModbusRtu(kind="modbus-rtu", port=silent.near, framing="8N1", address=1,
                            registers={"air_temperature": {"number": 0}}, **where),
        "gone": SerialText(kind="serial-text", port="/dev/not-there", columns={"air_temperature": 1}, **where),
        "topic": MqttTopic(kind="mqtt-topic", broker="home", topics={"air_temperature": "a"}, **where),
        "down": MqttTopic(kind="mqtt-topic", broker="away", topics={"air_temperature": "a"}, **where),
        "file": RecordedFile(kind="recorded-file", path=str(tmp_path / "log.csv"), quantities=["air_temperature"], **where),
        "shelf": SimulatedChamber(kind="simulated-chamber", measures="big-air", **where),
    }
    sessions = {
        "home": MqttSession("home", Broker(host=running.host, port=running.port)),
        "away": MqttSession("away", Broker(host="127.0.0.1", port=1)),
    }

    def turn():
        made = sources(probes, sessions)
        for source in made:
            source.start(intake)
        wait_until(lambda: sessions["home"].state[0] == "up")
        stopped = [source.stop(5.0) for source in made]
        assert all(stopped)

    def open_files():
        return len(list(Path("/proc/self/fd").iterdir()))

    turn()
    threads, files = threading.active_count(), open_files()
    for _ in range(40):
        turn()
    assert threading.active_count() == threads
    assert open_files() <= files
