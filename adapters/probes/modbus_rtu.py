"""A Modbus RTU unit on a serial line, which several units may share. Read only: functions 3 and 4."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from adapters.errors import ProbeError, ProbeRefused, ProbeUnreachable
from adapters.modbus_frame import (
    BUSY_CODES,
    MOST_REGISTERS,
    Function,
    ValueForm,
    WordOrder,
    decode,
    find_reply,
    read_request,
    registers_of,
    reply_length,
    why_no_reply,
)
from adapters.probes.serial_source import SerialSource
from adapters.probes.serial_text import SerialPortName
from adapters.probes.source import Tally
from adapters.serial_port import BaudRate, Framing, LineSettings, PortLost, SerialPort
from rules.settings import Probe
from rules.terms.events import SECOND_MS
from rules.terms.quantities import QUANTITIES, Quantity, in_our_unit, units_of
from rules.terms.setting_forms import DurationMs, Section

TRIES = 3
_SLICE_S = 0.25
_LATEST_S = 5.0
"""An answer may come so late. A master waits one to several seconds at 9600 bit/s (Serial Line V1.02 section 2.4.1)."""


class Register(Section):
    """Where a quantity stands in a unit and how its number is to be read: (raw * scale + offset) in `unit`."""

    number: int = Field(ge=0, le=65_535)
    """Number of the (first) register, counted from 0 as on the wire."""
    function: Function = 4
    """4: input registers, 3: holding registers."""
    form: ValueForm = "signed16"
    """How the number is stored; 32-bit forms take two registers."""
    word_order: WordOrder = "high-first"
    """Which of the two registers of a 32-bit form comes first."""
    scale: float = Field(default=1.0, ge=-1e6, le=1e6)
    """What the raw number is multiplied with, such as 0.1."""
    offset: float = Field(default=0.0, ge=-1e6, le=1e6)
    """What is added then."""
    unit: Annotated[str, Field(max_length=8)] | None = None
    """Unit of the result; absent: degC or %RH."""

    @model_validator(mode="after")
    def _readable(self) -> Register:
        if self.scale == 0:
            raise ValueError("scale = 0 would make every reading the same")
        if self.number + registers_of(self.form) > 65_536:
            raise ValueError("the second register of a 32-bit form would lie above 65535")
        return self

    @property
    def end(self) -> int:
        """The register after the last."""
        return self.number + registers_of(self.form)


def _some(registers: dict[Quantity, Register]) -> dict[Quantity, Register]:
    if not registers:
        raise ValueError(f"names no quantity; allowed: {', '.join(QUANTITIES)}")
    for quantity, place in registers.items():
        if place.unit is not None and place.unit not in units_of(quantity):
            raise ValueError(f"unit {place.unit!r} is not one of {quantity}; allowed: {', '.join(units_of(quantity))}")
    return registers


class ModbusRtu(Probe):
    """One unit on a Modbus RTU line."""

    kind: Literal["modbus-rtu"]
    """Which kind of probe this is."""
    port: SerialPortName
    """Path of the port. Use /dev/serial/by-id/... or /dev/serial/by-path/..., which survive replugging."""
    baud_rate: BaudRate = 9600
    """Speed of the line, bit/s; the same for all units on it."""
    framing: Framing = "8E1"
    """Data bits, parity and stop bits. 8E1 is the standard's default; many units come as 8N1."""
    address: int = Field(ge=1, le=247)
    """Address of the unit on the line."""
    registers: Annotated[dict[Quantity, Register], AfterValidator(_some)]
    """Where each quantity stands."""
    answer_within: DurationMs = Field(default=300, ge=20, le=5 * SECOND_MS)
    """How long the unit may take before it answers."""

    @property
    def measured(self) -> frozenset[Quantity]:
        """What this probe measures."""
        return frozenset(self.registers)

    @property
    def medium(self) -> str:
        """The line that it shares with other units."""
        return f"line {self.port}"

    @property
    def line(self) -> LineSettings:
        """How its line is opened."""
        return LineSettings(self.port, self.baud_rate, self.framing)


@dataclass(frozen=True, slots=True)
class Span:
    """Neighbouring registers that are read with one question, and the quantities in them."""

    function: Function
    register: int
    count: int
    quantities: tuple[Quantity, ...]


def spans(registers: Mapping[Quantity, Register]) -> list[Span]:
    """Return the fewest questions that read no register between: units may refuse registers that they do not have."""
    groups: list[list[tuple[Quantity, Register]]] = []
    for entry in sorted(registers.items(), key=lambda item: (item[1].function, item[1].number)):
        if groups and _fits(entry[1], [place for _, place in groups[-1]]):
            groups[-1].append(entry)
        else:
            groups.append([entry])
    return [_span(group) for group in groups]


def _answers(arrived: bytes, address: int, span: Span) -> bool:
    try:
        return find_reply(arrived, address, span.function, span.count) is not None
    except ProbeRefused:
        return True


def _fits(place: Register, group: list[Register]) -> bool:
    first, end = group[0], max(one.end for one in group)
    return place.function == first.function and place.number <= end and place.end - first.number <= MOST_REGISTERS


def _span(group: list[tuple[Quantity, Register]]) -> Span:
    first, end = group[0][1], max(place.end for _, place in group)
    return Span(first.function, first.number, end - first.number, tuple(quantity for quantity, _ in group))


@dataclass
class _Unit:
    """What the line's thread remembers of a unit between two readings."""

    probe: ModbusRtu
    due_s: float
    tally: Tally
    spans: list[Span] = field(default_factory=list)
    answers: bool = True


@dataclass
class _Owed:
    """Answers that an address still owes to one question: no frame says which question it answers."""

    span: Span
    count: int
    until_s: float


class ModbusRtuSource(SerialSource):
    """All units of one line, read in turn by one thread. A silent unit is asked but once, so that the others stay on time."""

    def __init__(self, probes: Mapping[str, ModbusRtu]) -> None:
        first = next(iter(probes.values()))
        super().__init__(first.medium, probes, first.line)
        self._probes = dict(probes)
        self._quiet_s = max(3.5 * first.line.character_s, 0.00175)  # Serial Line V1.02 section 2.5.1.1
        self._owed: dict[int, _Owed] = {}

    # ------------------------------------------------------------ the thread

    def _serve(self, port: SerialPort, stopping: threading.Event) -> None:
        now_s = time.monotonic()
        units = [_Unit(probe, now_s, self.tallies[name], spans(probe.registers)) for name, probe in self._probes.items()]
        while not stopping.is_set():
            unit = min(units, key=lambda one: one.due_s)
            pause_s = unit.due_s - time.monotonic()
            if pause_s > 0:
                # Looked at in slices, so that a pulled cable is noticed between two readings too.
                if not stopping.wait(min(pause_s, _SLICE_S)):
                    port.discard_input()
                continue
            self._read_unit(port, unit, stopping)
            interval_s = unit.probe.interval / SECOND_MS
            unit.due_s = max(unit.due_s + interval_s, time.monotonic())

    def _read_unit(self, port: SerialPort, unit: _Unit, stopping: threading.Event) -> None:
        for span in unit.spans:
            if stopping.is_set():
                return
            try:
                registers = self._ask_patiently(port, unit, span, stopping)
            except PortLost:
                raise
            except ProbeError as error:
                if stopping.is_set():
                    return
                unit.tally.trouble(self._taker, error)
                unit.answers = not isinstance(error, ProbeUnreachable)
                if not unit.answers:
                    return
            else:
                unit.answers = True
                self._hand_over(unit, span, registers)

    def _hand_over(self, unit: _Unit, span: Span, registers: tuple[int, ...]) -> None:
        for quantity in span.quantities:
            place = unit.probe.registers[quantity]
            first = place.number - span.register
            try:
                raw = decode(registers[first : first + registers_of(place.form)], place.form, place.word_order)
            except ProbeError as error:
                unit.tally.trouble(self._taker, error)
                continue
            unit.tally.well()
            value = in_our_unit(quantity, raw * place.scale + place.offset, place.unit or units_of(quantity)[0])
            self._taker.reading(unit.tally.probe, quantity, value, None)

    def _ask_patiently(self, port: SerialPort, unit: _Unit, span: Span, stopping: threading.Event) -> tuple[int, ...]:
        left = TRIES if unit.answers else 1
        while True:
            left -= 1
            try:
                return self._ask(port, unit.probe, span, stopping)
            except PortLost:
                raise
            except ProbeError as error:
                busy = error.reason in {f"exception-{code}" for code in BUSY_CODES}
                final = isinstance(error, ProbeRefused) and not busy
                if left == 0 or final or stopping.is_set():
                    raise
            until_s = time.monotonic() + unit.probe.answer_within / SECOND_MS
            self._let_pass(port, unit.probe.address, until_s, stopping)

    def _ask(self, port: SerialPort, probe: ModbusRtu, span: Span, stopping: threading.Event) -> tuple[int, ...]:
        self._await_late(port, probe.address, span, stopping)
        time.sleep(self._quiet_s)
        port.discard_input()
        port.write(read_request(probe.address, span.function, span.register, span.count))
        wire_s = (reply_length(span.count) + 8) * probe.line.character_s
        deadline_s = time.monotonic() + probe.answer_within / SECOND_MS + wire_s
        arrived = b""
        while (left_s := deadline_s - time.monotonic()) > 0 and len(arrived) < 1024 and not stopping.is_set():
            arrived += port.read(512, min(left_s, 0.5))
            registers = find_reply(arrived, probe.address, span.function, span.count)
            if registers is not None:
                return registers
        owed = self._owed.get(probe.address)
        self._owed[probe.address] = _Owed(span, 1 + (owed.count if owed else 0), time.monotonic() + _LATEST_S)
        if arrived:
            raise why_no_reply(arrived, probe.address, span.function, span.count)
        raise ProbeUnreachable(
            f"unit {probe.address} does not answer on {probe.port}; check power, wiring, address, {probe.baud_rate} bit/s and"
            f" {probe.framing}", "no-answer",
        )

    def _await_late(self, port: SerialPort, address: int, span: Span, stopping: threading.Event) -> None:
        """Before another question to a unit, let the answers pass that it still owes to the one before."""
        owed = self._owed.get(address)
        if owed is not None and owed.span != span:
            self._let_pass(port, address, owed.until_s, stopping)
            self._owed.pop(address, None)

    def _let_pass(self, port: SerialPort, address: int, until_s: float, stopping: threading.Event) -> None:
        """Read what comes without taking it, until then or until nothing is owed any more."""
        owed, arrived = self._owed.get(address), b""
        while (left_s := until_s - time.monotonic()) > 0 and not stopping.is_set():
            arrived = arrived[-256:] + port.read(512, min(left_s, 0.5))
            if owed is not None and _answers(arrived, address, owed.span):
                owed.count, arrived = owed.count - 1, b""
                if owed.count == 0:
                    del self._owed[address]
                    return


