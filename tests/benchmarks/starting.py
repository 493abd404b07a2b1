"""How long a start takes to the first reading evaluated, a reload, and a stop; beside the bare import of the libraries.

A first life, which may have to compile, is not counted. The CPU time stands beside the wall clock: on a machine that does
other work it is the figure to trust.
"""

from __future__ import annotations

import os
import signal
import statistics
import tempfile
import threading
import time
from pathlib import Path

from measure import Row, at_most, beside, main, process_cpu_s, python, wait_until
from wire import Broker, Daemon, Listener, Publisher, packet, shelf_config

CHAMBERS = 10
ROUNDS = 7
FLOOR = "import numpy, pydantic, structlog, sqlite3, ssl, paho.mqtt.client, apscheduler.schedulers.background"


def rows() -> list[Row]:
    """Return the medians of some starts, the bare import between them."""
    taken: dict[str, list[float]] = {"first": [], "floor": [], "reload": [], "stop": []}
    taken |= {"cpu": [], "floor cpu": []}
    for _ in range(ROUNDS + 1):
        with tempfile.TemporaryDirectory() as folder:
            _one_life(Path(folder), taken)
        begun_s = time.perf_counter()
        _, _, used = os.wait4(python("-c", FLOOR).pid, 0)
        taken["floor"].append(time.perf_counter() - begun_s)
        taken["floor cpu"].append(used.ru_utime + used.ru_stime)
    median = {name: statistics.median(values[1:]) for name, values in taken.items()}
    part = f"start, reload, stop; {CHAMBERS} chambers, medians of {ROUNDS}"
    return [
        at_most(part, "start to alarm of the first reading on the wire", median["first"], "s", 1.0),
        beside(part, "the same against the libraries' bare import", median["first"], "s", "import", median["floor"]),
        beside(part, "the same in CPU time", median["cpu"], "s", "import", median["floor cpu"]),
        at_most(part, "reload (SIGHUP to the new config judging)", 1e3 * median["reload"], "ms", 50.0),
        at_most(part, "stop", median["stop"], "s", 1.0),
    ]


def _one_life(folder: Path, taken: dict[str, list[float]]) -> None:
    broker = Broker(folder)
    listener, publisher = Listener(broker.port), Publisher(broker.port)
    config = shelf_config(folder, broker.port, CHAMBERS, delay="0s")
    topic = "dewlid/shelf/chamber/c0/event/alarm"
    ending = threading.Event()
    speaking = threading.Thread(target=_speak, args=(publisher, ending))
    speaking.start()
    daemon = Daemon(config)
    try:
        wait_until(lambda: listener.on(topic), "the first alarm")
        taken["cpu"].append(process_cpu_s(daemon.pid))
        taken["first"].append(listener.first_s(topic) - daemon.begun_s)
        ending.set()
        speaking.join()
        taken["reload"].append(_reload(daemon, config))
    finally:
        ending.set()
        taken["stop"].append(daemon.end())
        publisher.close()
        listener.close()
        broker.end()


def _speak(publisher: Publisher, ending: threading.Event) -> None:
    """Say what the first probe measures, over and over: what is said before the daemon listens is not heard."""
    while not ending.wait(0.02):
        publisher.send([packet("c0/t", "33.5"), packet("c0/h", "82.0")])


def _reload(daemon: Daemon, config: Path) -> float:
    config.write_text(config.read_text().replace("[chamber.c1]", "[chamber.c1]\nhumidity.low = 68.5"))
    time.sleep(0.2)
    begun_s = time.perf_counter()
    daemon.process.send_signal(signal.SIGHUP)
    wait_until(lambda: daemon.lines("config read again"), "the reload", every_s=0.0005)
    return time.perf_counter() - begun_s


if __name__ == "__main__":
    main(rows)
