"""A probe that writes lines of text on a serial line, read by pattern, by column, by JSON pointer, or as SenML."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from adapters.bounded_pattern import LONGEST_LINE, bounded_pattern
from adapters.errors import ProbeError, ProbeGarbled
from adapters.extraction import (
    Columns,
    Extract,
    Pointers,
    SenMLNames,
    Units,
    by_columns,
    by_decimal_comma,
    by_pattern,
    by_pointers,
    by_senml,
    check_units,
)
from adapters.line_splitter import LineSplitter
from adapters.payload import LARGEST_PAYLOAD, text_of
from adapters.probes.serial_source import SerialSource
from adapters.probes.source import Gate
from adapters.serial_port import BaudRate, Framing, LineSettings, SerialPort
from rules.settings import Probe
from rules.terms.quantities import QUANTITIES, Quantity

SerialPortName = Annotated[str, Field(min_length=6, max_length=255, pattern=r"^/[^\x00]+$")]


def _is_bounded(pattern: str) -> str:
    compiled = bounded_pattern(pattern)
    unknown = [group for group in compiled.groupindex if group not in QUANTITIES]
    if unknown:
        raise ValueError(f"group {unknown[0]!r} is not a quantity; allowed: {', '.join(QUANTITIES)}")
    if not compiled.groupindex:
        raise ValueError("pattern has no named group, such as (?P<air_temperature>-?[0-9.]+)")
    return pattern


class SerialText(Probe):
    """Lines of text from a serial port. Exactly one of `pattern`, `columns`, `json_pointers`, `senml_names` is set."""

    kind: Literal["serial-text"]
    """Which kind of probe this is."""
    port: SerialPortName
    """Path of the port. Use /dev/serial/by-id/... or /dev/serial/by-path/..., which survive replugging."""
    baud_rate: BaudRate = 9600
    """Speed of the line, bit/s."""
    framing: Framing = "8N1"
    """Data bits, parity (N, E, O) and stop bits."""
    pattern: Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_is_bounded)] | None = None
    """Regular expression whose named groups are the quantities. No repeats within repeats; lines up to 128 characters."""
    columns: Columns | None = None
    """Which column, counted from 1, holds which quantity."""
    delimiter: Annotated[str, Field(min_length=1, max_length=8)] | None = None
    """What stands between two columns; absent: any run of blanks."""
    decimal_comma: bool = False
    """Whether its numbers have a decimal comma, such as 25,3; of `pattern` and `columns`, which then see 25.3."""
    json_pointers: Pointers | None = None
    """Where in a JSON line each quantity stands (RFC 6901)."""
    senml_names: SenMLNames | None = None
    """Resolved SenML name of each quantity (RFC 8428)."""
    units: Units = Field(default_factory=dict)
    """Unit of a quantity where it is not degC or %RH, such as "degF", "K" or "/" (a ratio)."""

    @model_validator(mode="after")
    def _one_form(self) -> SerialText:
        forms = {name: getattr(self, name) for name in ("pattern", "columns", "json_pointers", "senml_names")}
        given = [name for name, value in forms.items() if value is not None]
        if len(given) != 1:
            raise ValueError(f"exactly one of {', '.join(forms)} must be set; found: {', '.join(given) or 'none'}")
        if self.delimiter is not None and self.columns is None:
            raise ValueError("delimiter belongs to columns, which is not set")
        if self.decimal_comma and not (self.pattern or self.columns):
            raise ValueError("decimal_comma belongs to pattern or columns, of which none is set")
        if self.decimal_comma and self.delimiter == ",":
            raise ValueError('a comma cannot be both: delimiter = "," with decimal_comma; perhaps the delimiter is ";"')
        check_units(self.units, self.measured)
        return self

    @property
    def measured(self) -> frozenset[Quantity]:
        """What this probe measures."""
        if self.pattern is not None:
            groups = bounded_pattern(self.pattern).groupindex
            return frozenset(quantity for quantity in QUANTITIES if quantity in groups)
        return frozenset(self.columns or self.json_pointers or self.senml_names or ())

    @property
    def medium(self) -> str:
        """The line that it shares with other probes."""
        return f"line {self.port}"

    @property
    def line(self) -> LineSettings:
        """How its line is opened."""
        return LineSettings(self.port, self.baud_rate, self.framing)

    @property
    def longest_line(self) -> int:
        """Longer lines are refused: a pattern's work grows with them."""
        return LONGEST_LINE if self.pattern is not None else LARGEST_PAYLOAD

    def extract(self) -> Extract:
        """Return how a line becomes values."""
        if self.pattern is not None or self.columns is not None:
            return by_decimal_comma(self._of_text()) if self.decimal_comma else self._of_text()
        if self.json_pointers is not None:
            return by_pointers(self.json_pointers, self.units)
        return by_senml(self.senml_names or {}, self.units)

    def _of_text(self) -> Extract:
        if self.pattern is not None:
            return by_pattern(bounded_pattern(self.pattern), self.units)
        return by_columns(self.delimiter, self.columns or {}, self.units)


class LineTooLong(ProbeGarbled):
    """More bytes than a line may have, without its end."""

    reason = "line-too-long"


class SerialTextSource(SerialSource):
    """All serial-text probes of one line: every probe is offered every line, one must understand it."""

    def __init__(self, probes: Mapping[str, SerialText]) -> None:
        first = next(iter(probes.values()))
        super().__init__(first.medium, probes, first.line)
        self._probes = dict(probes)
        self._gate = Gate(burst=240, per_s=4.0)
        self._extracts = {name: probe.extract() for name, probe in self._probes.items()}
        self._longest = max(probe.longest_line for probe in self._probes.values())

    def _serve(self, port: SerialPort, stopping: threading.Event) -> None:
        splitter = LineSplitter(self._longest)
        while not stopping.is_set():
            overlong = splitter.too_long
            for line in splitter.feed(port.read(4096, 0.5)):
                self.take(line)
            if splitter.too_long > overlong:
                self._all_trouble(LineTooLong(f"a line has more than {self._longest} bytes"))

    def take(self, line: bytes) -> None:
        """Hand one line to the probes."""
        if not self._gate.passes():
            for tally in self.tallies.values():
                tally.thinned += 1
            return
        errors: dict[str, ProbeError] = {}
        for name, probe in self._probes.items():
            try:
                self._hand_over(name, probe, line)
            except ProbeError as error:
                errors[name] = error
        # Probes on one line may each have lines of their own; what one of them understood is no trouble to the others.
        if len(errors) == len(self._probes):
            for name, trouble in errors.items():
                self.tallies[name].trouble(self._taker, trouble)

    def _hand_over(self, name: str, probe: SerialText, line: bytes) -> None:
        text = text_of(line, probe.longest_line)
        for one in self._extracts[name](text, None):
            self._taker.reading(name, one.quantity, one.value, one.at_ms)
        self.tallies[name].well()
