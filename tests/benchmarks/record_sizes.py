"""Whether a start minds how large the record is: cold and warm, after a clean end and after a kill, at each size of the record.

`--sizes-gb 0 1 9` fills 9 GB as well, which takes some minutes. Cold: the kernel has let go of every page of the store.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import statistics
import tempfile
import time
from contextlib import closing
from pathlib import Path

from measure import Row, at_most, beside, main
from recovering import until_ready_s
from reporting import ten_days, write_config

from daemon.config.configuration import load
from daemon.store.history import History
from daemon.store.packing import packed
from rules.terms.events import DAY_MS, Batch, Reading
from rules.turn.advance import dump_state

SIZES_GB = (0.0, 1.0)
ROUNDS = 3
LIMIT_S = 2.0
_MILLION = """
INSERT INTO batch WITH RECURSIVE slice (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM slice WHERE n < 10000)
SELECT last.seq + n, last.taken_ms, 100, last.last_reading + 100 * n, 0, 0, ?
FROM slice, (SELECT * FROM batch ORDER BY seq DESC LIMIT 1) AS last"""
"""A million readings in ten thousand slices of the stream, a minute or so each."""


def rows() -> list[Row]:
    """Return the medians of some starts at each size."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes-gb", type=float, nargs="*", default=SIZES_GB)
    found: list[Row] = []
    for size_gb in parser.parse_known_args()[0].sizes_gb:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            config = write_config(folder)
            store = load(config).store
            fill(config, round(size_gb * 1e9))
            part = f"start to ready with a record of {store.stat().st_size / 1e9:.2f} GB; medians of {ROUNDS}"
            until_ready_s(folder, config, clean=True)  # may have to compile
            for how in ("warm", "cold", "cold, after a kill"):
                taken = [_start_s(folder, config, store, how) for _ in range(ROUNDS)]
                found.append(at_most(part, how, statistics.median(taken), "s", LIMIT_S))
    small, large = found[1].ours, found[-2].ours
    return [*found, beside("start to ready, cold", "largest record", large, "s", "smallest", small, most=1.5)]


def _start_s(folder: Path, config: Path, store: Path, how: str) -> float:
    if how.startswith("cold"):
        forget(store)
    return until_ready_s(folder, config, clean="kill" not in how)


def forget(store: Path) -> None:
    """Have the kernel drop its pages of the store and of what lies beside it."""
    for path in store.parent.glob(f"{store.name}*"):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)  # only what is clean can be dropped
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(descriptor)


def fill(config: Path, size_bytes: int) -> None:
    """Fill the store up to a size with readings of long ago, then record and judge ten days that end now."""
    batch, judged = ten_days(config, time.time_ns() // 1_000_000 - 10 * DAY_MS)
    store = load(config).store
    with closing(History.open(store, now_ms=0)) as history:
        history.record(Batch.of([Reading(1, probe, quantity, 25.0, 1) for probe, quantity in batch.series]))
    noisy = Batch.of([Reading(1, "air", "air_temperature", 25.0 + (n * n) % 97 / 13.0, 1) for n in range(100)])
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        while store.stat().st_size < size_bytes:
            connection.execute(_MILLION, (packed(noisy, [1]),))
            connection.commit()
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with closing(History.open(store, now_ms=0)) as history:
        history.record(batch, judged.events, dump_state(judged.state))


if __name__ == "__main__":
    main(rows)
