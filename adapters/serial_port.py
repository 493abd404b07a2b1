"""One owner per serial line: opens it by name with an exclusive lock, and opens it again whenever it was lost.

What pyserial raises when a cable is pulled depends on the call (SerialException, OSError, termios.error, TypeError);
all of it means the same: the port is lost. Here it becomes `PortLost`.
"""

from __future__ import annotations

import errno
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import structlog

from adapters.errors import ProbeUnreachable
from adapters.pulse import Pulse

_log = structlog.get_logger(__name__)

Framing = Literal["8N1", "8E1", "8N2", "8O1"]
BaudRate = Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]
_LOST = (OSError, termios.error, TypeError)
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 15.0


class PortLost(ProbeUnreachable):
    """The port is gone, was never there, is not ours to open, or is locked by another program."""

    reason = "port-lost"


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a line is opened; all probes on one line must agree on it."""

    port: str
    baud_rate: int = 9600
    framing: Framing = "8N1"

    def arguments(self) -> dict[str, Any]:
        """Return what is handed to pyserial."""
        return {
            "baudrate": self.baud_rate,
            "bytesize": int(self.framing[0]),
            "parity": self.framing[1],
            "stopbits": int(self.framing[2]),
            "exclusive": True,
            "timeout": 0.5,
            "write_timeout": 2.0,
        }

    @property
    def character_s(self) -> float:
        """Time that one character takes on the wire, s."""
        bits = 1 + int(self.framing[0]) + (self.framing[1] != "N") + int(self.framing[2])
        return bits / self.baud_rate


class SerialPort:
    """An open port whose every loss is a PortLost."""

    def __init__(self, settings: LineSettings) -> None:
        import serial  # only where there is a line

        self.settings = settings
        self.pulse = Pulse()
        self._port = serial.Serial(None, **settings.arguments())
        # Boards that restart when DTR rises would lose their first seconds at every opening.
        self._port.dtr = False
        self._port.rts = False

    def open(self) -> None:
        """Open by name, so that a by-id link is followed anew each time; raises PortLost with what to do."""
        self.pulse.mark()
        try:
            self._port.port = self.settings.port
            self._port.open()
        except (*_LOST, ValueError) as error:
            self.close()
            raise PortLost(_why_not_open(error)) from error

    def close(self) -> None:
        """Close; never raises."""
        try:
            self._port.close()
        except _LOST:
            _log.debug("port would not close", port=self.settings.port)

    def read(self, most: int, timeout_s: float) -> bytes:
        """Return what arrives, at least one byte unless the time runs out or `cancel` is called."""
        self.pulse.mark(timeout_s)
        with _losing():
            self._port.timeout = max(timeout_s, 0.0)
            first: bytes = self._port.read(1)
            if not first or most == 1:
                return first
            waiting = min(self._port.in_waiting, most - 1)
            return first + bytes(self._port.read(waiting)) if waiting else first

    def write(self, data: bytes) -> None:
        """Send and wait until it has left."""
        self.pulse.mark()
        with _losing():
            self._port.write(data)
            self._port.flush()

    def discard_input(self) -> None:
        """Drop what has arrived and was not read."""
        self.pulse.mark()
        with _losing():
            self._port.reset_input_buffer()

    def cancel(self) -> None:
        """Make a `read` in another thread return at once; never raises."""
        try:
            self._port.cancel_read()
        except (*_LOST, AttributeError):
            _log.debug("nothing to cancel", port=self.settings.port)


class SerialLine:
    """The thread that owns a line: opens the port, lets `serve` work with it, and begins again when it is lost.

    `serve(port, stopping)` returns when `stopping` is set, or raises PortLost.
    """

    def __init__(
        self,
        settings: LineSettings,
        serve: Callable[[SerialPort, threading.Event], None],
        on_change: Callable[[bool, str], None],
    ) -> None:
        self.settings = settings
        self._serve, self._on_change = serve, on_change
        self._stopping = threading.Event()
        self._port = SerialPort(settings)
        self.pulse = self._port.pulse
        self._thread: threading.Thread | None = None
        self._down: str | None = ""

    def start(self) -> None:
        """Start the thread."""
        self._stopping = threading.Event()
        self._down = ""
        name = f"line {self.settings.port}"
        self._thread = threading.Thread(target=self._run, args=(self._stopping,), name=name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """End the thread; False if it still runs after the time."""
        self._stopping.set()
        self._port.cancel()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self, stopping: threading.Event) -> None:
        wait_s = FIRST_WAIT_S
        while not stopping.is_set():
            opened_at_s = time.monotonic()
            try:
                self._port.open()
                self._tell(None)
                self._serve(self._port, stopping)
            except PortLost as error:
                self._tell(str(error))
            except Exception as error:
                _log.exception("line failed", port=self.settings.port)
                self._tell(f"a fault in dewlid itself ({type(error).__name__}: {error}); please report it")
            finally:
                self._port.close()
            if time.monotonic() - opened_at_s > LONGEST_WAIT_S:
                wait_s = FIRST_WAIT_S
            self.pulse.mark(wait_s)
            stopping.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)
        self.pulse.rest()

    def _tell(self, why_down: str | None) -> None:
        if why_down == self._down or self._stopping.is_set():
            return
        was_never_down = self._down == ""
        self._down = why_down
        if why_down is not None:
            _log.warning("line is down", port=self.settings.port, reason=why_down)
            self._on_change(True, why_down)
        else:
            _log.info("line is open", port=self.settings.port)
            if not was_never_down:
                self._on_change(False, "open again")


@contextmanager
def _losing() -> Iterator[None]:
    try:
        yield
    except _LOST as error:
        raise PortLost(f"lost while in use ({error}); if it is plugged in, another program may be reading it") from error


def _why_not_open(error: Exception) -> str:
    code = getattr(error, "errno", None)
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return "there is no such port; is the adapter plugged in? `ls -l /dev/serial/by-id/` shows the ports that are there"
    if code in (errno.EACCES, errno.EPERM):
        return "not permitted; the user that runs dewlid must be in the group that owns the port (usually dialout)"
    if code in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY):
        return "in use by another program (the lock is held); only one program may read a line"
    return f"could not be opened as a serial port ({error})"
