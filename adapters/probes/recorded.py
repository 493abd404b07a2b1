"""A probe whose readings another program appends to a file: CSV `time,probe,quantity,value,unit` or JSON Lines.

What stands in the file already is history: feed it with `dewlid replay`. Here only what is appended is read.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, BinaryIO, Literal

import structlog
from pydantic import Field

from adapters.broker import AbsolutePath
from adapters.errors import ProbeError, ProbeGarbled, ProbeImplausible, ProbeUnreachable
from adapters.probes.source import Failure, Gate, Intake, Sample, tallies
from adapters.pulse import Pulse
from adapters.recorded_row import BadRow, Row, row_of
from adapters.regular_file import open_regular
from rules.settings import Probe
from rules.terms.quantities import Quantity

_log = structlog.get_logger(__name__)

LOOK_EVERY_S = 1.0
_TAIL = 65_536
_LONGEST_LINE = 4096


class RecordedFile(Probe):
    """Readings that another program appends to a file. The file may be rotated, shortened, or come later."""

    kind: Literal["recorded-file"]
    """Which kind of probe this is."""
    path: AbsolutePath
    """The file: CSV with the header time,probe,quantity,value,unit, or JSON Lines with these keys. Times have their offset."""
    quantities: Annotated[list[Quantity], Field(min_length=1, max_length=3)]
    """What this probe measures."""
    name_in_file: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    """How the file calls this probe; absent: its id here."""

    @property
    def measured(self) -> frozenset[Quantity]:
        """What this probe measures."""
        return frozenset(self.quantities)

    @property
    def medium(self) -> str:
        """The file that it shares with other probes."""
        return f"file {self.path}"


class RecordedFileSource:
    """All probes of one file, which is looked at every second."""

    def __init__(self, probes: Mapping[str, RecordedFile]) -> None:
        self._probes = dict(probes)
        first = next(iter(self._probes.values()))
        self.name, self._path = first.medium, Path(first.path)
        self.tallies = tallies(self._probes)
        self._names = {probe.name_in_file or name: name for name, probe in self._probes.items()}
        self._gate = Gate(burst=2000, per_s=20.0)
        self.other_lines = 0
        self.pulse = Pulse()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._why_down: str | None = None
        self._pending = b""

    def start(self, intake: Intake) -> None:
        """Begin to look, from the present end of the file."""
        self._stopping = threading.Event()
        file = self._opened()
        if file is not None:
            file.seek(0, os.SEEK_END)
        self._thread = threading.Thread(target=self._run, args=(intake, file), name=self.name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Stop looking."""
        self._stopping.set()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def try_once(self, timeout_s: float) -> list[Sample | Failure]:
        """Return the last readings that stand in the file."""
        try:
            size = self._path.stat().st_size
            with open_regular(self._path) as file:
                file.seek(max(0, size - _TAIL))
                lines = file.read(_TAIL).splitlines()
        except OSError as error:
            return [Failure(name, "unreachable", f"{self.name}: {error.strerror}") for name in self._probes]
        last: dict[tuple[str, Quantity], Sample] = {}
        for line in lines:
            sample = self._sample(line)
            if sample is not None:
                last[sample.probe, sample.quantity] = sample
        return [
            last.get((name, quantity)) or Failure(name, "unreachable", f"no {quantity} in the last lines of {self._path}")
            for name, probe in self._probes.items()
            for quantity in probe.quantities
        ]

    # ------------------------------------------------------------ the thread

    def _run(self, intake: Intake, file: BinaryIO | None) -> None:
        while not self._stopping.is_set():
            self.pulse.mark(LOOK_EVERY_S)
            try:
                file = self._look(intake, file)
                self._tell(intake, None if file is not None else "there is no such file yet")
            except OSError as error:
                self._tell(intake, error.strerror or str(error))
            self._stopping.wait(LOOK_EVERY_S)
        self.pulse.rest()
        if file is not None:
            file.close()

    def _look(self, intake: Intake, file: BinaryIO | None) -> BinaryIO | None:
        if file is None:
            file = self._opened()
            self._pending = b""
        if file is None:
            return None
        if os.fstat(file.fileno()).st_size < file.tell():
            file.seek(0)  # shortened: begun anew
            self._pending = b""
        while piece := file.read(_TAIL):
            self.pulse.mark(LOOK_EVERY_S)
            self._take(intake, piece)
            if self._stopping.is_set():
                return file
        if self._replaced(file):
            file.close()
            return self._look(intake, None)
        return file

    def _opened(self) -> BinaryIO | None:
        try:
            return open_regular(self._path)
        except FileNotFoundError:
            return None

    def _replaced(self, file: BinaryIO) -> bool:
        try:
            now, ours = self._path.stat(), os.fstat(file.fileno())
        except FileNotFoundError:
            return True
        return (now.st_dev, now.st_ino) != (ours.st_dev, ours.st_ino)

    def _take(self, intake: Intake, piece: bytes) -> None:
        *lines, self._pending = (self._pending + piece).split(b"\n")
        if len(self._pending) > _LONGEST_LINE:
            self._pending = b""
            self._trouble(intake, ProbeGarbled(f"{self.name}: a line has more than {_LONGEST_LINE} bytes", "line-too-long"))
        for line in lines:
            if not self._gate.passes():
                self._thin()
                continue
            try:
                sample = self._sample(line, strict=True)
            except ProbeError as error:
                self._trouble(intake, error)
                continue
            if sample is not None:
                intake.reading(sample.probe, sample.quantity, sample.value, sample.at_ms)
                self.tallies[sample.probe].well()

    def _sample(self, line: bytes, *, strict: bool = False) -> Sample | None:
        """Return the reading in a line of one of our probes; None for another probe's, a header or a blank line."""
        if not line.strip() or line.lstrip().lower().startswith(b"time,"):
            return None
        try:
            at_ms, probe, quantity, value = self._row(line)
        except ProbeError:
            if strict:
                raise
            return None
        name = self._names.get(probe)
        if name is None or quantity not in self._probes[name].measured:
            self.other_lines += 1
            return None
        return Sample(name, quantity, value, at_ms)

    def _row(self, line: bytes) -> Row:
        try:
            return row_of(line)
        except BadRow as error:
            raise ProbeImplausible(f"{self.name}: {error}", "bad-row") from error
        except ProbeError as error:
            raise type(error)(f"{self.name}: {error}", error.reason) from error

    def _thin(self) -> None:
        for tally in self.tallies.values():
            tally.thinned += 1

    def _trouble(self, intake: Intake, error: ProbeError, *, log: bool = True) -> None:
        for tally in self.tallies.values():
            tally.trouble(intake, error, log=log)

    def _tell(self, intake: Intake, why_down: str | None) -> None:
        if why_down == self._why_down:
            return
        self._why_down = why_down
        if why_down is None:
            _log.info("file is there", path=str(self._path))
            intake.medium(self.name, False, "there again")
        else:
            _log.warning("file is not there", path=str(self._path), reason=why_down)
            intake.medium(self.name, True, why_down)
            self._trouble(intake, ProbeUnreachable(f"{self.name}: {why_down}", "no-file"), log=False)
