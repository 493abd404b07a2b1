"""What the sources of a serial line share: the line in a thread of its own, and its trouble told of all its probes."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Mapping

from adapters.errors import ProbeError, ProbeUnreachable
from adapters.probes.source import Failure, Intake, Sample, tallies, try_source
from adapters.serial_port import LineSettings, SerialLine, SerialPort
from rules.settings import Probe


class SerialSource(ABC):
    """A source whose thread keeps one line open and serves it, again and again."""

    def __init__(self, name: str, probes: Mapping[str, Probe], line: LineSettings) -> None:
        self.name, self._wanted = name, dict(probes)
        self.tallies = tallies(probes)
        self._line = SerialLine(line, self._serve, self._changed)
        self.pulse = self._line.pulse
        self._intake: Intake | None = None

    def start(self, intake: Intake) -> None:
        """Open the line in its own thread and keep it open."""
        self._intake = intake
        self._line.start()

    def stop(self, timeout_s: float) -> bool:
        """Close the line."""
        return self._line.stop(timeout_s)

    def try_once(self, timeout_s: float) -> list[Sample | Failure]:
        """Read until each probe has given all that it measures."""
        return try_source(self, self._wanted, timeout_s)

    @abstractmethod
    def _serve(self, port: SerialPort, stopping: threading.Event) -> None:
        """Read from the open line until `stopping`; raises PortLost when it is gone."""

    def _changed(self, down: bool, detail: str) -> None:
        self._taker.medium(self.name, down, detail)
        if down:
            self._all_trouble(ProbeUnreachable(f"{self.name}: {detail}", "line-down"), log=False)

    def _all_trouble(self, error: ProbeError, *, log: bool = True) -> None:
        for tally in self.tallies.values():
            tally.trouble(self._taker, error, log=log)

    @property
    def _taker(self) -> Intake:
        if self._intake is None:
            raise RuntimeError("source was not started")
        return self._intake
