"""What the daemon costs while nothing happens: ten chambers, each probe every ten seconds, one outlet on MQTT.

CPU is what the kernel's scheduler counted (ns), wake-ups are voluntary context switches of all threads. Measured for --seconds
(120) after a minute of settling. --chambers 300 measures another shelf, without limits, and what the process handed to the
disk, which needs --seconds 600 for whole cycles: so the table in README.md was made. `whole_cycles.py` measures the disk.
"""

from __future__ import annotations

import math
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from measure import Row, at_most, beside, main, python, stated, usage
from wire import Broker, Daemon, Publisher, packet, shelf_config

CHAMBERS = 10
PERIOD_S = 10.0
SETTLING_S = 45.0
_FLOOR = (
    "import numpy, pydantic, structlog, sqlite3, ssl, paho.mqtt.client, apscheduler.schedulers.background;"
    "print([line.split()[1] for line in open('/proc/self/status') if line.startswith('VmRSS')][0])"
)


def rows(seconds: float | None = None) -> list[Row]:
    """Return the costs over some minutes."""
    seconds = seconds or float(_option("--seconds", "120"))
    chambers = int(_option("--chambers", str(CHAMBERS)))
    floor = python("-c", _FLOOR, stdout=subprocess.PIPE)
    floor_mib = int(floor.communicate()[0]) / 1024
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(Path(folder))
        daemon = Daemon(shelf_config(Path(folder), broker.port, chambers))
        ending = threading.Event()
        speaking = threading.Thread(target=_speak, args=(broker.port, chambers, ending))
        try:
            daemon.ready()
            speaking.start()
            time.sleep(SETTLING_S)
            before, begun_s = usage(daemon.pid), time.perf_counter()
            time.sleep(seconds)
            after, taken_s = usage(daemon.pid), time.perf_counter() - begun_s
        finally:
            ending.set()
            daemon.end()
            broker.end()
    cpu_pct = 100.0 * (after.cpu_s - before.cpu_s) / taken_s
    wakes = sum(count - before.wakes.get(task, 0) for task, count in after.wakes.items()) / taken_s
    written_mb = (after.written_bytes - before.written_bytes) / taken_s * 86_400 / 1e6
    part = f"idle, {chambers} chambers every {PERIOD_S:g} s, over {seconds:g} s"
    if chambers != CHAMBERS:
        figures = (("share of one core", cpu_pct, "%"), ("resident memory", after.resident_mib, "MiB"),
                   ("wake-ups, all threads", wakes, "per s"), ("written to the disk", written_mb, "MB/day"))  # fmt: skip
        return [stated(part, *figure) for figure in figures]
    return [
        at_most(part, "share of one core", cpu_pct, "%", 0.5),
        at_most(part, "resident memory", after.resident_mib, "MiB", 70.0),
        beside(part, "the same against the libraries' bare import", after.resident_mib, "MiB", "import", floor_mib),
        stated(part, "wake-ups, all threads", wakes, "per s"),
    ]


def _option(name: str, otherwise: str) -> str:
    return sys.argv[sys.argv.index(name) + 1] if name in sys.argv else otherwise


def _speak(port: int, chambers: int, ending: threading.Event) -> None:
    """Send every probe's two values once a period, the probes spread over it, with the small noise of real ones."""
    publisher, step = Publisher(port), 0
    while not ending.wait(PERIOD_S / chambers):
        step += 1
        n, drift = step % chambers, math.sin(step / 40.0)
        publisher.send([packet(f"c{n}/t", f"{25.5 + 0.2 * drift:.2f}"), packet(f"c{n}/h", f"{82 + drift:.1f}")])
    publisher.close()


if __name__ == "__main__":
    main(rows)
