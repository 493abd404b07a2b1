"""What a hundred chambers cost besides their readings: a start, the status page, the digest's chart, a report; processor time.

A day of readings every minute stands in the store, judged; each figure is the median of some runs, a process of its own but for
the page, of which the engine's thread gathers what another thread then writes.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from measure import Row, main, python, stated
from recovering import until_ready_s
from wire import shelf_config

from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.watch.digest_chart import DigestChart
from daemon.watch.status_page import present_of, status_page
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, Batch, LetterEvent
from rules.turn.advance import EngineState, advance, dump_state

CHAMBERS = 100
ROUNDS = 3


def rows() -> list[Row]:
    """Return the medians."""
    now_ms = time.time_ns() // 1_000_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = shelf_config(folder, 1, CHAMBERS, interval="1min")  # nobody listens on that port
        configuration = load(config)
        settings, state = settings_of(configuration), fill_day(config, now_ms)
        gathered = present_of(settings, state, now_ms)
        chart = DigestChart(configuration)
        digest = LetterEvent(id="digest", at_ms=now_ms, chamber=None, sort="digest", thread="daily", ordinal=1, to="keeper",
                             urgent=False, about=())  # fmt: skip
        report = ("-m", "daemon.cli", "report", str(config), "--since", "1d", "--out", str(folder / "page.html"))

        def illustrate() -> None:
            chart._made = None
            assert chart.illustrate(digest) is not None

        def reported() -> None:
            assert python(*report, stdout=subprocess.DEVNULL).wait() == 0

        found = {
            "start to ready, and its end": _cpu_s(lambda: until_ready_s(folder, config, clean=True), resource.RUSAGE_CHILDREN),
            "status page, gathered": _cpu_s(lambda: present_of(settings, state, now_ms), resource.RUSAGE_SELF),
            "status page, made": _cpu_s(lambda: status_page(gathered), resource.RUSAGE_SELF),
            "digest's figures and chart": _cpu_s(illustrate, resource.RUSAGE_CHILDREN),
            "dewlid report --since 1d": _cpu_s(reported, resource.RUSAGE_CHILDREN),
        }
    part = f"{CHAMBERS} chambers, a day of readings every minute (processor time)"
    return [stated(part, what, 1e3 * cpu_s, "ms") for what, cpu_s in found.items()]


def fill_day(config: Path, now_ms: int) -> EngineState:
    """Fill the store with a day that ends now, hour by hour, and return the state after it."""
    configuration = load(config)
    settings, history = settings_of(configuration), History.open(configuration.store, now_ms=now_ms)
    series = tuple((f"p{n}", quantity) for n in range(CHAMBERS) for quantity in ("air_temperature", "relative_humidity"))
    state: EngineState | None = None
    for begin_ms in range(now_ms - DAY_MS, now_ms, HOUR_MS):
        minutes = np.arange(begin_ms, begin_ms + HOUR_MS, MINUTE_MS)
        drift = np.sin(minutes / DAY_MS * 2 * np.pi)[:, None]
        warm, moist = 25.5 + 0.5 * drift + np.zeros(CHAMBERS), 82.0 + 2.0 * drift + np.zeros(CHAMBERS)
        value = np.round(np.stack([warm, moist], axis=2), 1).ravel()
        stamps_ms = np.repeat(minutes, len(series))
        batch = Batch(series, np.tile(np.arange(len(series), dtype=np.int32), len(minutes)), stamps_ms, stamps_ms, value)
        advanced = advance(settings, state, batch, begin_ms + HOUR_MS - 1)
        state = advanced.state
        history.record(batch, advanced.events, dump_state(state))
    history.close()
    assert state is not None
    return state


def _cpu_s(run: Callable[[], object], whose: int) -> float:
    """Return the median processor time of some runs, of this process or of those that it has waited for."""
    run()  # once, to compile and load
    taken = []
    for _ in range(ROUNDS):
        before = resource.getrusage(whose)
        run()
        after = resource.getrusage(whose)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(taken)


if __name__ == "__main__":
    main(rows)
