"""The daemon: starts every part, proves to systemd that the whole way works, and ends cleanly.

The main thread only waits: for signals, for the bell of the spool, for the next heartbeat. A heartbeat goes through the
inbox, the rules and the store; the watchdog is fed only when the one before came through and every thread lives. A thread
that dies ends the process, and systemd starts it anew: a start is nothing but one more cut of the stream.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import structlog

from daemon import logs
from daemon.config.configuration import Configuration, load
from daemon.config.file import ConfigurationError
from daemon.exit_status import ExitStatus
from daemon.watch.running import Running
from daemon.watch.systemd import Notifier

_log = structlog.get_logger(__name__)
BEAT_S = 10.0
"""How often the whole way is tested; a stuck stage is found within two of these."""
MISSES = 2
"""So many unanswered heartbeats end the process."""
STOP_S = 2.8
"""How long a clean stop may take before the rest is left behind: what is recorded is safe in any case."""


def serve(path: Path) -> int:
    """Run the daemon on this config until it is told to end; returns the exit status."""
    configuration = load(path)
    logs.set_up(configuration.site.log_form, configuration.site.log_level)
    os.umask(0o027)
    with _signals() as signals:
        return Daemon(path, configuration, signals).run()


class StuckError(Exception):
    """A stage has not answered for long; the process must end, so that it is started anew."""


class Daemon:
    """The main thread's part."""

    def __init__(self, path: Path, configuration: Configuration, signals: Signals) -> None:
        self._path = path
        self._signals = signals
        self._notifier = Notifier(os.environ)
        self._running = Running(configuration, wake=signals.wake)
        watchdog_s = self._notifier.watchdog_s
        self._misses = 0
        self._beat_s = BEAT_S if watchdog_s is None else min(BEAT_S, watchdog_s / 3)

    def run(self) -> int:
        """Start, wait, stop; raises what ended the engine."""
        begun_s = time.monotonic()
        status = ExitStatus.INTERNAL
        try:
            self._running.start(self._notifier.starting)
            _collect_from_now_on()
            _log.info("watching", config=str(self._path), **self._running.size, start_s=round(time.monotonic() - begun_s, 2))
            self._notifier.ready(self._running.status)
            self._wait()
            status = ExitStatus.OK
        finally:
            self._notifier.stopping()
            self._leave_behind_after(STOP_S, status)
            self._running.stop()
        _log.info("stopped")
        return status

    def _wait(self) -> None:
        due_s = time.monotonic()
        while not self._signals.end:
            if (left_s := due_s - time.monotonic()) <= 0:
                self._prove()
                due_s = time.monotonic() + self._beat_s
                continue
            ready = select.select([fd for fd in (self._signals.pipe, self._running.bell) if fd is not None], [], [], left_s)[0]
            self._signals.drain()
            if self._running.bell in ready:
                self._running.answer_bell()
            self._running.check_alive()
            if self._signals.reload:
                self._signals.reload = False
                self._reload()

    def _prove(self) -> None:
        if self._running.beat():
            self._misses = 0
            self._notifier.alive()
            self._notifier.status(self._running.status)
            return
        self._misses += 1
        _log.critical("no answer; the watchdog is not fed", stage=self._running.stage, times=self._misses)
        if self._misses >= MISSES:
            raise StuckError(f"stuck while {self._running.stage}")

    def _reload(self) -> None:
        """Go on with the new config, or with the old one and tell everybody why."""
        self._notifier.reloading()
        begun_s = time.monotonic()
        try:
            configuration = load(self._path)
            self._running.reconfigure(configuration)
            logs.set_up(configuration.site.log_form, configuration.site.log_level)
            _log.info("config read again", **self._running.size, took_ms=round((time.monotonic() - begun_s) * 1000))
        except ConfigurationError as error:
            for fault in error.faults:
                _log.error("the new config is not used", fault=fault.told(error.file))
            self._running.tell("config-refused", f"The new config is not used; the old one goes on.\n{error}")
        finally:
            self._notifier.ready(self._running.status)

    def _leave_behind_after(self, seconds: float, status: ExitStatus) -> None:
        def leave() -> None:
            _log.warning("a part did not end in time and is left behind", stage=self._running.stage)
            os._exit(status)

        timer = threading.Timer(seconds, leave)
        timer.daemon = True
        timer.start()


class Signals:
    """What signals asked for. `pipe` becomes readable when one came, or when a thread calls `wake`."""

    def __init__(self, pipe: int, writing: int) -> None:
        self.pipe = pipe
        self._writing = writing
        self.end = False
        self.reload = False

    def wake(self) -> None:
        """Make the main thread look around. From any thread."""
        with contextlib.suppress(OSError):  # a full pipe wakes as well as a fuller one
            os.write(self._writing, b"!")

    def drain(self) -> None:
        """Empty the pipe."""
        with contextlib.suppress(BlockingIOError):
            while os.read(self.pipe, 4096):
                pass

    def caught(self, number: int, _frame: FrameType | None) -> None:
        """Note a signal; a storm of SIGHUP is one reload."""
        if number == signal.SIGHUP:
            self.reload = True
        else:
            self.end = True


def _collect_from_now_on() -> None:
    """What stands after the start stays: the collector need not look through all of it again in a flood of readings."""
    gc.freeze()
    gc.enable()


@contextlib.contextmanager
def _signals() -> Iterator[Signals]:
    reading, writing = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signals = Signals(reading, writing)
    before = {number: signal.signal(number, signals.caught) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    wakeup = signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    try:
        yield signals
    finally:
        signal.set_wakeup_fd(wakeup)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(reading)
        os.close(writing)
