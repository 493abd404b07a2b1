"""Tells systemd how the daemon is (sd_notify(3)): ready, reloading, stopping, alive, and one line of
status."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Mapping

_MORE_USEC = 30_000_000


class Notifier:
    """Speaks to the service manager that started this process; without one, every call does nothing."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_s = _watchdog_s(environment)
        """How often the manager wants to hear that the daemon is alive; None: never."""

    def ready(self, status: str) -> None:
        """Say that the config is valid, the store is open and the outputs are set up."""
        self._send(f"READY=1\nSTATUS={_one_line(status)}")

    def reloading(self) -> None:
        """Say that a reload has begun; `ready` ends it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Say that a clean stop has begun."""
        self._send("STOPPING=1\nSTATUS=stopping")

    def status(self, text: str) -> None:
        """Show one line in `systemctl status`."""
        self._send(f"STATUS={_one_line(text)}")

    def starting(self, text: str) -> None:
        """Say that the start goes on, and ask for so much more time (sd_notify(3), EXTEND_TIMEOUT_USEC)."""
        self._send(f"EXTEND_TIMEOUT_USEC={_MORE_USEC}\nSTATUS={_one_line(text)}")

    def alive(self) -> None:
        """Feed the watchdog; called only after every stage has shown that it works."""
        self._send("WATCHDOG=1")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        # A manager that does not listen must not stop the daemon: its watchdog decides then.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.connect(address)
            line.send(message.encode())


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    period, process = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not period.isdecimal() or int(period) == 0 or process not in ("", str(os.getpid())):
        return None
    return int(period) / 1e6


def _one_line(text: str) -> str:
    return " ".join(text.split())[:200]
