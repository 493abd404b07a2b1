"""A simulated probe, to try the program without hardware: one of the probes of the simulated shelf."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Literal

import structlog
from pydantic import Field

from adapters.probes.source import Failure, Intake, Sample, tallies, try_source
from adapters.pulse import Pulse
from adapters.simulated_shelf import PROBES, STEP_S, Shelf
from rules.settings import Probe
from rules.terms.events import SECOND_MS
from rules.terms.quantities import Quantity

_log = structlog.get_logger(__name__)


class SimulatedChamber(Probe):
    """A probe of the simulated shelf. Its readings are invented: never mix them with those of a real chamber."""

    kind: Literal["simulated-chamber"]
    """Which kind of probe this is."""
    measures: Literal["big-air", "big-lid", "small-air", "room-air"]
    """Which probe of the simulated shelf it is."""
    seed: int = Field(default=1, ge=0, le=2**31)
    """Probes with the same seed and speed belong to one shelf."""
    speed: int = Field(default=1, ge=1, le=3600)
    """How many seconds of the shelf pass in one second. Delays of alarms stay in real time."""

    @property
    def measured(self) -> frozenset[Quantity]:
        """What this probe measures."""
        return frozenset(PROBES[self.measures][1])

    @property
    def medium(self) -> str:
        """The simulated shelf that it shares with other probes."""
        return f"simulated shelf {self.seed} x{self.speed}"


class SimulatedSource:
    """The probes of one simulated shelf, moved on in real time or faster."""

    def __init__(self, probes: Mapping[str, SimulatedChamber]) -> None:
        self._probes = dict(probes)
        first = next(iter(self._probes.values()))
        self.name = first.medium
        self._speed, self._seed = first.speed, first.seed
        self.tallies = tallies(self._probes)
        self.pulse = Pulse()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, intake: Intake) -> None:
        """Set up a new shelf and let its time run."""
        self._stopping = threading.Event()
        run = (intake, self._stopping, Shelf(self._seed))
        self._thread = threading.Thread(target=self._run, args=run, name=self.name, daemon=True)
        self._thread.start()
        _log.info("simulated shelf runs", shelf=self.name, probes=len(self._probes))

    def stop(self, timeout_s: float) -> bool:
        """Stop its time."""
        self._stopping.set()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def try_once(self, timeout_s: float) -> list[Sample | Failure]:
        """Return what each probe shows at the beginning."""
        return try_source(self, self._probes, timeout_s)

    def _run(self, intake: Intake, stopping: threading.Event, shelf: Shelf) -> None:
        tick_s = min(probe.interval for probe in self._probes.values()) / SECOND_MS
        owed_s = 0.0
        while True:
            self.pulse.mark(tick_s)
            for name, probe in self._probes.items():
                for quantity in PROBES[probe.measures][1]:
                    intake.reading(name, quantity, shelf.measure(probe.measures, quantity), None)
                    self.tallies[name].well()
            if stopping.wait(tick_s):
                self.pulse.rest()
                return
            owed_s += tick_s * self._speed
            while owed_s >= STEP_S and not stopping.is_set():
                shelf.step()
                owed_s -= STEP_S
