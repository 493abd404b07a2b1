"""The live way of a reading on one core: how many, and how late an alarm of one is on the wire.

Throughput: a real mosquitto, a flood of readings of many probes, and two subscribers to the same topics, one after the other
and each bound to one core: the whole daemon (parse, quality, climate, bands, alarms, advice, durable store), and a bare paho
client whose callback does nothing. Counted is the CPU time that each needs for the same messages, from the first to the
last one stored, so other work on the machine weighs on neither; the daemon's includes ending and its last record. A
reading that was lost makes the result void.

Latency: readings of many probes at a fixed rate, among them, some times a second, one that puts its chamber out of a band
without delay; counted is from writing that packet to the alarm's event at another subscriber. Each alarm is the first of
its chamber, and brings advice and a letter with it.
"""

from __future__ import annotations

import contextlib
import math
import os
import signal
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from measure import Row, at_most, beside, main, process_cpu_s, python, quantile, stated, wait_until
from wire import Broker, Daemon, Listener, Publisher, packet, shelf_config, topics

CHAMBERS = 100
PER_TOPIC = 145  # a probe of two topics may send 300 messages at once before it is thinned
ROUNDS = 3
RATES = (10, 100, 1000)
HOT = 50
ALARMS_A_S = 4.0
LIMIT_MS = 50.0
_DEAF = """
import sys, paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
left = int(sys.argv[2])
def take(client, data, message):
    global left
    left -= 1
    if left == 0:
        client.disconnect()
def ready(client, *_):
    print("ready", flush=True)
client.on_message, client.on_subscribe = take, ready
client.on_connect = lambda client, *_: client.subscribe([(topic, 1) for topic in sys.argv[3].split()])
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""


def flood() -> Iterator[bytes]:
    """Yield the packets of the flood: every probe in turn, with the small noise of real ones, all within their bands."""
    for step in range(PER_TOPIC):
        for n in range(CHAMBERS):
            yield packet(f"c{n}/t", f"{25.5 + 0.3 * math.sin(step / 20 + n):.2f}")
            yield packet(f"c{n}/h", f"{80 + math.cos(step / 20 + n):.1f}")


def rows() -> list[Row]:
    """Return throughput and latencies."""
    count = 2 * CHAMBERS * PER_TOPIC
    ours, deaf = [], []
    for _ in range(ROUNDS):
        ours.append(_daemon_cpu_s(count))
        deaf.append(_deaf_cpu_s(count))
    ours_per_s, deaf_per_s = count / sorted(ours)[ROUNDS // 2], count / sorted(deaf)[ROUNDS // 2]
    part = f"live, {CHAMBERS} chambers"
    found = [
        beside(
            part, "readings a second of one core, parsed to stored", ours_per_s, "/s", "no-op subscriber", deaf_per_s, least=0.5
        )
    ]
    for rate in RATES:
        delays_ms = [1e3 * delay_s for delay_s in _latencies_s(rate)]
        what = f"publish to alarm on the wire at {rate:,} readings/s"
        found.append(stated(part, f"{what}, p50", quantile(delays_ms, 0.5), "ms"))
        found.append(at_most(part, "  p99", quantile(delays_ms, 0.99), "ms", LIMIT_MS))
    return found


def _daemon_cpu_s(count: int) -> float:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder, cpu=_other_cpu())
        daemon = Daemon(shelf_config(folder, broker.port, CHAMBERS), cpu=0)
        try:
            daemon.ready()
            before_s = process_cpu_s(daemon.pid)
            _publish(broker.port)
            _settled(daemon)
            os.kill(daemon.pid, signal.SIGTERM)
            _, status, used = os.wait4(daemon.pid, 0)
        finally:
            broker.end()
        assert status == 0, daemon.log.read_text()[-2000:]
        with closing(sqlite3.connect(folder / "state" / "dewlid.sqlite3")) as store:
            stored = int(store.execute("SELECT sum(readings) FROM batch").fetchone()[0])
        if stored != count:
            raise RuntimeError(f"{count - stored} of {count} readings were lost")
        return used.ru_utime + used.ru_stime - before_s


def _settled(daemon: Daemon) -> None:
    """Wait until the process has nothing to do any more: a second that costs less than 20 ms of CPU."""

    def quiet() -> bool:
        before_s = process_cpu_s(daemon.pid)
        time.sleep(1.0)
        return process_cpu_s(daemon.pid) - before_s < 0.02

    wait_until(quiet, "the end of the flood", 120.0)


def _deaf_cpu_s(count: int) -> float:
    with tempfile.TemporaryDirectory() as name:
        broker = Broker(Path(name), cpu=_other_cpu())
        arguments = ["-c", _DEAF, str(broker.port), str(count), " ".join(topics(CHAMBERS))]
        deaf = python(*arguments, stdout=subprocess.PIPE)
        subprocess.run(["taskset", "-a", "-c", "-p", "0", str(deaf.pid)], check=True, stdout=subprocess.DEVNULL)
        assert deaf.stdout is not None and deaf.stdout.readline()
        before_s = process_cpu_s(deaf.pid)
        _publish(broker.port)
        _, status, used = os.wait4(deaf.pid, 0)
        deaf.stdout.close()
        broker.end()
        assert status == 0
        return used.ru_utime + used.ru_stime - before_s


def _other_cpu() -> int | None:
    """Return the core for the broker: not the one of who is measured, where there are two."""
    return 1 if (os.cpu_count() or 1) > 1 else None


def _publish(port: int) -> None:
    """Write the whole flood; it waits when the broker takes no more."""
    publisher = Publisher(port)
    publisher.send(flood())
    publisher.close()


# ---------------------------------------------------------------- latency


def _latencies_s(rate: int) -> list[float]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder)
        daemon = Daemon(shelf_config(folder, broker.port, CHAMBERS, delay="0s"))
        listener, publisher = Listener(broker.port), Publisher(broker.port)
        try:
            daemon.ready()
            sent = _send_at(rate, publisher)
            with contextlib.suppress(TimeoutError):
                wait_until(lambda: set(_alarmed(listener)) >= set(sent), "every alarm", 10.0, 0.1)
        finally:
            daemon.end()
            publisher.close()
            listener.close()
            broker.end()
    found = _alarmed(listener)
    if missing := set(sent) - set(found):
        raise RuntimeError(f"no alarm came of {len(missing)} of {len(sent)} chambers at {rate} readings/s: {sorted(missing)}")
    return [found[n] - at_s for n, at_s in sent.items()]


def _alarmed(listener: Listener) -> dict[int, float]:
    """Return when the first alarm of each chamber was heard."""
    found: dict[int, float] = {}
    for at_s, topic, payload in list(listener.heard):
        if topic.endswith("/event/alarm") and b"temperature-high" in payload:
            found.setdefault(int(topic.split("/")[3][1:]), at_s)
    return found


def _send_at(rate: int, publisher: Publisher) -> dict[int, float]:
    """Publish at the rate; returns when each deciding hot reading was written.

    A lone hot reading is a spike until a second one agrees with it: that one, a second later, decides. The other half
    of the chambers only makes traffic.
    """
    sent: dict[int, float] = {}
    step_s, begun_s = 0.01, time.perf_counter()
    count = step = 0
    while len(sent) < HOT:
        step += 1
        time.sleep(max(0.0, begun_s + step * step_s - time.perf_counter()))
        due = int(rate * step * step_s) - count
        cool = range(count, count + due)
        publisher.send(packet(f"c{HOT + n % (CHAMBERS - HOT)}/t", f"{25 + n % 7 / 20:.2f}") for n in cool)
        count += due
        first, turn = divmod(step, round(1.0 / ALARMS_A_S / step_s))
        if turn == 0:
            hot = [n for n in (first - 1, first - 1 - int(ALARMS_A_S)) if 0 <= n < HOT]
            if hot[-1] == first - 1 - int(ALARMS_A_S):
                sent[hot[-1]] = time.perf_counter()
            publisher.send([packet(f"c{n}/t", "33.5") for n in reversed(hot)])
    return sent


if __name__ == "__main__":
    main(rows)
