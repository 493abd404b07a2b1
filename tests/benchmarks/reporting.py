"""The report of a year: two chambers of the simulated shelf in the store, one page from it, as `dewlid report` writes it."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from measure import Row, at_most, main, python, stated

sys.path.insert(0, str(Path(__file__).parents[1] / "trials"))

from shelf_store import write_config

from adapters.simulated_shelf import simulate
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from rules.terms.events import DAY_MS, Batch
from rules.turn.advance import Advanced, advance, dump_state
from rules.turn.state import shifted

SIMULATED_DAYS = 10
ROUNDS = 3


def ten_days(config: Path, start_ms: int) -> tuple[Batch, Advanced]:
    """Return ten simulated days and what the rules make of them."""
    days = simulate(start_ms, SIMULATED_DAYS, 1)
    batch = Batch(days.series, days.series_index, days.taken_ms, days.at_ms, days.value)
    return batch, advance(settings_of(load(config)), None, batch, start_ms + SIMULATED_DAYS * DAY_MS)


def fill_year(config: Path) -> None:
    """Fill the store with a year that ends now: ten days, simulated and judged once, put down over and over."""
    span_ms = SIMULATED_DAYS * DAY_MS
    start_ms = time.time_ns() // 1_000_000 - 365 * DAY_MS
    batch, judged = ten_days(config, start_ms)
    history = History.open(load(config).store, now_ms=start_ms)
    for number in range(365 // SIMULATED_DAYS):
        later_ms = number * span_ms
        part = replace(batch, taken_ms=batch.taken_ms + later_ms, at_ms=batch.at_ms + later_ms)
        events = [replace(event, id=f"{event.id}.{number}", at_ms=event.at_ms + later_ms) for event in judged.events]
        history.record(part, events, dump_state(shifted(judged.state, later_ms)))
    while history.roll_up(start_ms + 275 * DAY_MS):
        pass
    history.close()


def rows() -> list[Row]:
    """Return the median of some runs of the command, its start included, in processor time."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = write_config(folder)
        fill_year(config)
        page = folder / "year.html"
        taken = sorted(_report_s(config, page) for _ in range(ROUNDS))
        size_kb = page.stat().st_size / 1000
    part = "report of a year, two chambers (processor time)"
    return [
        at_most(part, "dewlid report --since 365d", taken[ROUNDS // 2], "s", 5.0),
        stated(part, "its page", size_kb, "kB"),
    ]


def _report_s(config: Path, page: Path) -> float:
    command = ("-m", "daemon.cli", "report", str(config), "--since", "365d", "--out", str(page))
    _, status, used = os.wait4(python(*command, stdout=subprocess.DEVNULL).pid, 0)
    assert status == 0
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main(rows)
