"""Imports dewlid once and forks a fresh daemon for each line on stdin: so a start costs milliseconds, not a second.

Each child runs the real `dewlid run CONFIG`; only its clock is turned faster, so that alarms rise and fall within the
fraction of a second for which it may live. Its process id is printed; the parent of all kills it.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import daemon.watch.running
from daemon.clock import SystemClock
from daemon.watch.daemon import serve


class FastClock(SystemClock):
    """This machine's time since boot, faster; it goes on over all restarts."""

    def __init__(self, begin_ns: int, speed: int) -> None:
        self._begin_ns, self._speed = begin_ns, speed

    def wall_ms(self) -> int:
        return 1_750_000_000_000 + self.boot_ms()

    def boot_ms(self) -> int:
        return (time.clock_gettime_ns(time.CLOCK_BOOTTIME) - self._begin_ns) * self._speed // 1_000_000


def _live(config: Path, clock: FastClock, log: Path) -> None:
    daemon.watch.running.SystemClock = lambda: clock
    with log.open("ab") as stream:
        os.dup2(stream.fileno(), 2)
    os._exit(serve(config))


def main(config: str, begin_ns: str, speed: str) -> None:
    clock = FastClock(int(begin_ns), int(speed))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    print("ready", flush=True)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            try:
                _live(Path(config), clock, Path(config).with_name("log"))
            finally:
                os._exit(70)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(status, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
