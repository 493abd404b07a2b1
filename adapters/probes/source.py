"""What a source of readings is, and what it hands readings to. The daemon implements `Intake`; probes implement `Source`."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from adapters.errors import ProbeError
from adapters.payload import excerpt
from adapters.pulse import Pulse
from rules.settings import Probe
from rules.terms.events import SECOND_MS, Fault
from rules.terms.quantities import Quantity

_log = structlog.get_logger(__name__)

BURST = 300
"""How many messages of one probe may arrive at once before they are thinned to five a second."""
_QUIET_S = 3600.0
_AGAIN_S = 60.0


class Intake(Protocol):
    """Where sources put what they see. Every method is thread-safe, never blocks and never raises."""

    def reading(self, probe: str, quantity: Quantity, value: float, at_ms: int | None) -> None:
        """Take one value in our unit; `at_ms` None: measured now."""

    def fault(self, probe: str, kind: Fault, detail: str) -> None:
        """Take the news that a probe cannot be read."""

    def medium(self, name: str, down: bool, detail: str) -> None:
        """Take the news that a line or broker is down or back."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A value that a trial got from a probe."""

    probe: str
    quantity: Quantity
    value: float
    at_ms: int | None


@dataclass(frozen=True, slots=True)
class Failure:
    """What a trial got instead of a value."""

    probe: str
    fault: Fault
    detail: str


class Source(Protocol):
    """Everything that one thread reads: the probes of one line, of one broker, one file, one simulated shelf."""

    @property
    def name(self) -> str:
        """The medium's name, as the keeper is told it."""

    @property
    def pulse(self) -> Pulse:
        """Whether its thread still turns."""

    @property
    def tallies(self) -> Mapping[str, Tally]:
        """What was good and what was wrong, by probe."""

    def start(self, intake: Intake) -> None:
        """Begin to feed `intake`; returns at once, also when the medium is down."""

    def stop(self, timeout_s: float) -> bool:
        """End feeding; False if a thread still hangs after the time (it is then a daemon thread and harmless)."""

    def try_once(self, timeout_s: float) -> list[Sample | Failure]:
        """Read every probe once, for `dewlid check`; returns early when all have answered. Not while started."""


# ---------------------------------------------------------------- telling what went wrong, once


@dataclass(slots=True)
class _Told:
    count: int = 0
    handed_at_s: float = 0.0
    logged_at_s: float = 0.0
    armed: bool = True
    unlogged: int = 0


@dataclass
class Tally:
    """Counts what was good and what was wrong with one probe, and tells the first of each kind of trouble.

    Told again after an hour, or after a minute if good readings came between: bounded however much arrives. What still speaks,
    but not sense, is handed to the rules once an interval, so that they know it from a silent one; the log stays at the hour.
    """

    probe: str
    interval_s: float = 30.0
    good: int = 0
    thinned: int = 0
    troubles: dict[tuple[Fault, str], _Told] = field(default_factory=dict)

    def well(self) -> None:
        """Count a good reading."""
        self.good += 1
        for told in self.troubles.values():
            told.armed = True

    def trouble(self, intake: Intake, error: ProbeError, *, log: bool = True) -> None:
        """Count a trouble; hand it over and log it if its kind is due. Not to log: a medium's trouble has its own line."""
        told = self.troubles.setdefault((error.fault, error.reason), _Told())
        told.count += 1
        told.unlogged += 1
        now_s = time.monotonic()
        log_due = told.count == 1 or now_s - told.logged_at_s >= (_AGAIN_S if told.armed else _QUIET_S)
        speaks = error.fault != "unreachable"
        if not log_due and not (speaks and now_s - told.handed_at_s >= self.interval_s):
            return
        detail = _bounded(str(error))
        told.handed_at_s = now_s
        if log_due:
            detail += f" ({told.unlogged} times)" if told.unlogged > 1 else ""
            told.logged_at_s, told.armed, told.unlogged = now_s, False, 0
            say = _log.warning if log else _log.debug
            say("probe trouble", probe=self.probe, fault=error.fault, reason=error.reason, detail=detail)
        intake.fault(self.probe, error.fault, detail)

    def counts(self) -> dict[str, int]:
        """Return good, thinned and each reason's count."""
        return {"good": self.good, "thinned": self.thinned} | {
            reason: told.count for (_, reason), told in self.troubles.items()
        }


def tallies(probes: Mapping[str, Probe]) -> dict[str, Tally]:
    """Return a tally for each probe."""
    return {name: Tally(name, probe.interval / SECOND_MS) for name, probe in probes.items()}


def _bounded(text: str) -> str:
    return excerpt(text, 300)[1:-1] if len(text) <= 300 else excerpt(text, 300)


class Gate:
    """Lets a burst through and then five a second: a flood of one probe costs no more than its counting."""

    def __init__(self, burst: int = BURST, per_s: float = 5.0) -> None:
        self._burst, self._per_s = float(burst), per_s
        self._left, self._at_s = float(burst), time.monotonic()

    def passes(self) -> bool:
        """Return whether one more may pass now."""
        now_s = time.monotonic()
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True


# ---------------------------------------------------------------- one trial


class _Trial:
    """An intake that keeps the first answer of each wanted series."""

    def __init__(self, wanted: Iterable[tuple[str, Quantity]]) -> None:
        self._open = set(wanted)
        self._lock = threading.Lock()
        self.done = threading.Event()
        self.answers: list[Sample | Failure] = []
        self.medium_detail = ""

    def reading(self, probe: str, quantity: Quantity, value: float, at_ms: int | None) -> None:
        with self._lock:
            if (probe, quantity) in self._open:
                self._open.discard((probe, quantity))
                self.answers.append(Sample(probe, quantity, value, at_ms))
            self._close()

    def fault(self, probe: str, kind: Fault, detail: str) -> None:
        with self._lock:
            if any(name == probe for name, _ in self._open):
                self.answers.append(Failure(probe, kind, detail))
                self._open = {pair for pair in self._open if pair[0] != probe}
            self._close()

    def medium(self, name: str, down: bool, detail: str) -> None:
        with self._lock:
            self.medium_detail = f"{name}: {detail}" if down else ""

    def unanswered(self, silence: str) -> list[Sample | Failure]:
        """Return all answers, with a failure for each probe that gave none."""
        with self._lock:
            probes = sorted({probe for probe, _ in self._open})
            detail = self.medium_detail or silence
            return [*self.answers, *(Failure(probe, "unreachable", detail) for probe in probes)]

    def _close(self) -> None:
        if not self._open:
            self.done.set()


def try_source(source: Source, probes: Mapping[str, Probe], timeout_s: float) -> list[Sample | Failure]:
    """Run a source until all that its probes measure or their fault was seen, at most `timeout_s`."""
    trial = _Trial((name, quantity) for name, probe in probes.items() for quantity in probe.measured)
    source.start(trial)
    trial.done.wait(timeout_s)
    source.stop(2.0)
    return trial.unanswered(f"nothing arrived within {timeout_s:g} s")
