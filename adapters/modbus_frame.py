"""Modbus RTU frames as bytes, for reading only. Pure.

Only functions 3 (read holding registers) and 4 (read input registers) can be asked for. There is no function that builds
a writing request anywhere in the program: it cannot drive a device.

Source: MODBUS Application Protocol Specification V1.1b3 sections 6.3, 6.4 and 7; MODBUS over Serial Line V1.02
sections 2.3 and 2.5.
"""

from __future__ import annotations

import math
import struct
from typing import Literal

from adapters.errors import ProbeGarbled, ProbeImplausible, ProbeRefused

Function = Literal[3, 4]
ValueForm = Literal["unsigned16", "signed16", "unsigned32", "signed32", "float32"]
WordOrder = Literal["high-first", "low-first"]
MOST_REGISTERS = 125
BUSY_CODES = (5, 6)
"""Acknowledge and server busy: ask again later."""

_EXCEPTIONS = {
    1: "illegal function (it may not know this function code; try the other of 3 and 4)",
    2: "illegal data address (no such register; mind that some manuals count from 1)",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge, still working",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target failed to respond",
}
_STRUCT = {"unsigned16": ">H", "signed16": ">h", "unsigned32": ">I", "signed32": ">i", "float32": ">f"}


def _table() -> tuple[int, ...]:
    entries = []
    for entry in range(256):
        for _ in range(8):
            entry = entry >> 1 ^ (0xA001 if entry & 1 else 0)
        entries.append(entry)
    return tuple(entries)


_CRC = _table()


def crc16(data: bytes) -> int:
    """Return the CRC of a frame (polynomial 0xA001, start 0xFFFF); sent low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


def read_request(address: int, function: Function, register: int, count: int) -> bytes:
    """Return the eight bytes that ask a unit for registers; raises ValueError for what cannot be read."""
    if function not in (3, 4):
        raise ValueError(f"function {function} is not one of 3 and 4: only reading is possible")
    if not 1 <= address <= 247:
        raise ValueError(f"address {address} is not within 1 to 247")
    if not 1 <= count <= MOST_REGISTERS or not 0 <= register <= 65_536 - count:
        raise ValueError(f"{count} registers from {register} cannot be read at once")
    body = struct.pack(">BBHH", address, function, register, count)
    return body + crc16(body).to_bytes(2, "little")


def reply_length(count: int) -> int:
    """Return how many bytes the reply with `count` registers has."""
    return 5 + 2 * count


def find_reply(data: bytes, address: int, function: Function, count: int) -> tuple[int, ...] | None:
    """Return the registers of the first whole reply to this question within `data`; None: not (yet) there.

    Looked for at every place, since stray bytes or our own echo may stand before it. Address, function, length and CRC must
    all fit. Raises ProbeRefused for an exception reply.
    """
    length = reply_length(count)
    for start in range(len(data) - 4):
        if data[start] != address:
            continue
        if data[start + 1] == function | 0x80 and _sound(data[start : start + 5]):
            code = data[start + 2]
            raise ProbeRefused(f"exception {code}: {_EXCEPTIONS.get(code, 'of no standard meaning')}", f"exception-{code}")
        frame = data[start : start + length]
        if frame[1] == function and frame[2] == 2 * count and len(frame) == length and _sound(frame):
            return struct.unpack(f">{count}H", frame[3:-2])
    return None


def _sound(frame: bytes) -> bool:
    return len(frame) >= 5 and crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little")


def why_no_reply(data: bytes, address: int, function: Function, count: int) -> ProbeGarbled:
    """Return what is wrong with bytes in which no reply was found."""
    shown = data[:16].hex(" ") + (" ..." if len(data) > 16 else "")
    length = reply_length(count)
    if len(data) >= 5 and _sound(data[: 5 + data[2]] if data[1] < 0x80 else data[:5]):
        return ProbeGarbled(f"a reply that was not asked for (unit {data[0]}, function {data[1]}): {shown}", "other-reply")
    if data[:2] == bytes((address, function)) and len(data) < length:
        return ProbeGarbled(f"cut short: {len(data)} of {length} bytes: {shown}", "cut-short")
    return ProbeGarbled(f"checksum or length is wrong ({len(data)} bytes): {shown}; check speed, framing, wiring", "checksum")


def registers_of(form: ValueForm) -> int:
    """Return how many registers a value of this form takes."""
    return 1 if form.endswith("16") else 2


def decode(registers: tuple[int, ...], form: ValueForm, word_order: WordOrder = "high-first") -> float:
    """Return the number in one or two registers; raises ProbeImplausible where a float is not finite."""
    words = registers if word_order == "high-first" else registers[::-1]
    value: float = struct.unpack(_STRUCT[form], b"".join(word.to_bytes(2, "big") for word in words))[0]
    if not math.isfinite(value):
        raise ProbeImplausible("not a finite number; if it never is, check form and word_order", "not-finite")
    return value
