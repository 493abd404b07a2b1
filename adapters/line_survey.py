"""Looks at the serial ports of this machine: what each one sends by itself, and which Modbus units answer when they are asked.

Asking means reading (functions 3 and 4) only. A port that another program holds is left alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

from adapters.errors import ProbeError, ProbeRefused
from adapters.line_forms import Form, form_of_lines, plausible
from adapters.line_splitter import LineSplitter
from adapters.modbus_frame import (
    Function,
    ValueForm,
    WordOrder,
    decode,
    find_reply,
    read_request,
    registers_of,
    reply_length,
)
from adapters.serial_port import BaudRate, Framing, LineSettings, PortLost, SerialPort
from rules.terms.quantities import Quantity

SPEEDS: tuple[BaudRate, ...] = (9600, 115200, 19200, 57600, 38400, 4800, 2400, 1200)
UNIT_SPEEDS: tuple[BaudRate, ...] = (9600, 19200, 4800, 38400, 115200)
FRAMINGS: tuple[Framing, ...] = ("8N1", "8E1", "8N2")
_ENOUGH_LINES = 3
_ENOUGH_OCTETS = 16
_WITHIN_S = 0.15
_LOOKED_AT = 8
"""How many registers of a unit are looked at, from the first on."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What a port sends by itself. `form` None: not understood, or silent; `trouble`: it could not be opened."""

    port: str
    baud_rate: BaudRate = 9600
    lines: tuple[str, ...] = ()
    form: Form | None = None
    octets: int = 0
    trouble: str = ""
    gap_s: float | None = None
    """The longest pause between two lines; None: fewer than two were heard."""

    @property
    def keys(self) -> dict[str, Any]:
        """The config keys of a probe that reads it."""
        return {"kind": "serial-text", "port": self.port, "baud_rate": self.baud_rate} | (self.form.keys if self.form else {})


@dataclass(frozen=True, slots=True)
class Unit:
    """A Modbus unit that answered: its line, its registers by function, and which of them look like a climate."""

    port: str
    baud_rate: BaudRate
    framing: Framing
    address: int
    registers: dict[Function, tuple[int, ...]] = field(default_factory=dict)
    places: dict[Quantity, dict[str, Any]] = field(default_factory=dict)
    values: dict[Quantity, float] = field(default_factory=dict)

    @property
    def keys(self) -> dict[str, Any]:
        """The config keys of a probe that reads it."""
        line = {"kind": "modbus-rtu", "port": self.port, "baud_rate": self.baud_rate, "framing": self.framing}
        return line | {"address": self.address, "registers": self.places}


def ports(root: Path = Path("/dev")) -> list[str]:
    """Return the serial ports by names that survive replugging, where there are such names."""
    found: dict[Path, str] = {}
    for pattern in ("serial/by-id/*", "serial/by-path/*", "ttyUSB*", "ttyACM*", "ttyAMA*"):
        for path in sorted(root.glob(pattern)):
            found.setdefault(path.resolve(), str(path))
    return list(found.values())


# ---------------------------------------------------------------- what it sends by itself


def listen(port: str, listen_s: float, speeds: Sequence[BaudRate] = SPEEDS) -> Heard:
    """Listen at one speed after the other until the lines make sense. Silent at the first: silent at all of them."""
    best = Heard(port)
    for baud_rate in speeds:
        try:
            heard = _heard_at(LineSettings(port, baud_rate), listen_s)
        except PortLost as error:
            return Heard(port, trouble=str(error))
        if heard.form is not None or not heard.octets:
            return heard if heard.form is not None or not best.octets else best
        best = max(best, heard, key=lambda one: (len(one.lines), one.octets))
    return best


def _heard_at(settings: LineSettings, listen_s: float) -> Heard:
    """Listen at one speed. The first line heard may be torn, so what sends text is waited for until it has sent another."""
    splitter, octets = LineSplitter(4096), b""
    lines: list[str] = []
    ended_s: list[float] = []
    begun_s = now_s = time.monotonic()
    until_s = begun_s + listen_s
    port = SerialPort(settings)
    port.open()
    try:
        while now_s < until_s and len(lines) <= _ENOUGH_LINES and not _no_text(octets):
            data = port.read(4096, min(until_s - now_s, 0.3))
            now_s = time.monotonic()
            octets += data
            lines += [text for line in splitter.feed(data) if (text := _as_text(line))]
            ended_s += [now_s] * (b"\n" in data or b"\r" in data)
            if form_of_lines(lines[-_ENOUGH_LINES:]) is not None:
                until_s = begun_s + listen_s
            elif data:
                until_s = min(now_s, begun_s + 2 * listen_s) + listen_s
    finally:
        port.close()
    kept = tuple(lines[-_ENOUGH_LINES:])
    gap_s = max((after - before for before, after in pairwise(ended_s)), default=None)
    return Heard(settings.port, settings.baud_rate, kept, form_of_lines(kept), len(octets), gap_s=gap_s)  # type: ignore[arg-type]


def _no_text(octets: bytes) -> bool:
    """Whether these bytes cannot be text, as at a wrong speed; a torn beginning is forgiven."""
    text = octets.decode("utf-8", "replace").translate(dict.fromkeys(b"\t\r\n\0"))
    strange = sum(letter == "\N{REPLACEMENT CHARACTER}" or not letter.isprintable() for letter in text)
    return len(octets) >= _ENOUGH_OCTETS and strange > len(text) / 4


def _as_text(line: bytes) -> str:
    """Return a line that is text; what a wrong speed makes of it is not."""
    text = line.decode("utf-8", "replace")
    return text if text.replace("\t", " ").isprintable() and "\N{REPLACEMENT CHARACTER}" not in text else ""


# ---------------------------------------------------------------- Modbus units


def units(
    port: str, addresses: Iterable[int], speeds: Sequence[BaudRate] = UNIT_SPEEDS, framings: Sequence[Framing] = FRAMINGS,
    tell: Callable[[str], None] = lambda _: None,
) -> list[Unit]:
    """Return the units that answer; once one has, the other speeds and framings are not tried."""
    wanted = list(addresses)
    for baud_rate in speeds:
        for framing in framings:
            tell(f"asking {len(wanted)} addresses at {baud_rate} bit/s, {framing}")
            if found := _units_at(LineSettings(port, baud_rate, framing), wanted):
                return found
    return []


def _units_at(settings: LineSettings, addresses: Sequence[int]) -> list[Unit]:
    port = SerialPort(settings)
    try:
        port.open()
        return [unit for address in addresses if (unit := _unit(port, address)) is not None]
    except PortLost:
        return []
    finally:
        port.close()


def _unit(port: SerialPort, address: int) -> Unit | None:
    found: dict[Function, tuple[int, ...]] = {}
    answers = False
    for function in (4, 3):
        registers = _registers(port, address, function)
        answers = answers or registers is not None
        if registers is None and not answers:
            return None
        if registers:
            found[function] = registers
    settings = port.settings
    places, values = _climate(found)
    return Unit(settings.port, settings.baud_rate, settings.framing, address, found, places, values)  # type: ignore[arg-type]


def _registers(port: SerialPort, address: int, function: Function) -> tuple[int, ...] | None:
    """Return the first registers, as many as the unit has; empty: it refuses; None: no answer."""
    for count in (_LOOKED_AT, 4, 2, 1):
        try:
            answer = _ask(port, address, function, count)
        except ProbeRefused:
            continue
        return answer
    return ()


def _ask(port: SerialPort, address: int, function: Function, count: int) -> tuple[int, ...] | None:
    settings = port.settings
    time.sleep(max(3.5 * settings.character_s, 0.00175))
    port.discard_input()
    port.write(read_request(address, function, 0, count))
    until_s = time.monotonic() + _WITHIN_S + (reply_length(count) + 8) * settings.character_s
    arrived = b""
    while (left_s := until_s - time.monotonic()) > 0 and len(arrived) < 512:
        arrived += port.read(256, left_s)
        if (found := find_reply(arrived, address, function, count)) is not None:
            return found
    return None


_FORMS: tuple[tuple[ValueForm, WordOrder, float], ...] = (
    ("float32", "high-first", 1.0), ("float32", "low-first", 1.0),
    ("signed16", "high-first", 0.1), ("signed16", "high-first", 0.01), ("signed16", "high-first", 1.0),
)  # fmt: skip


def _climate(registers: dict[Function, tuple[int, ...]]) -> tuple[dict[Quantity, dict[str, Any]], dict[Quantity, float]]:
    """Return the first two neighbouring numbers that can be a temperature and a humidity, in either order."""
    for function, words in registers.items():
        for form, order, scale in _FORMS:
            for first, second, one, other in _neighbours(words, form, order, scale):
                place: dict[str, Any] = {"function": function, "form": form, "scale": scale}
                place |= {"word_order": order} if form == "float32" else {}
                for warm, damp, warm_value, damp_value in ((first, second, one, other), (second, first, other, one)):
                    if _like_a_room(warm_value) and plausible("relative_humidity", damp_value) and damp_value <= 100:
                        places: dict[Quantity, dict[str, Any]] = {
                            "air_temperature": {"number": warm, **place}, "relative_humidity": {"number": damp, **place},
                        }  # fmt: skip
                        return places, {"air_temperature": warm_value, "relative_humidity": damp_value}
    return {}, {}


def _like_a_room(value_c: float) -> bool:
    return 8.0 <= value_c <= 42.0


def _neighbours(
    words: tuple[int, ...], form: ValueForm, order: WordOrder, scale: float
) -> Iterator[tuple[int, int, float, float]]:
    width = registers_of(form)
    for first in range(len(words) - 2 * width + 1):
        second = first + width
        try:
            one, other = (decode(words[at : at + width], form, order) * scale for at in (first, second))
        except ProbeError:
            continue
        if abs(one) > 1e-3 and abs(other) > 1e-3:
            yield first, second, one, other
