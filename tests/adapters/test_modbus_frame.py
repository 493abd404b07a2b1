"""Modbus RTU frames against the standard's own example, another library's frames, and garbage."""

from __future__ import annotations

import ast
import struct
from pathlib import Path

import minimalmodbus
import pytest
from hypothesis import given
from hypothesis import strategies as st

import adapters
from adapters import modbus_frame
from adapters.errors import ProbeError, ProbeImplausible, ProbeRefused
from adapters.modbus_frame import crc16, decode, find_reply, read_request, reply_length, why_no_reply


def framed(body: bytes) -> bytes:
    return body + crc16(body).to_bytes(2, "little")


def test_crc_is_that_of_the_standard():
    # MODBUS over Serial Line V1.02, figure 15 and annex: the frame 02 07 has the CRC 0x1241, sent 41 12.
    assert crc16(b"\x02\x07") == 0x1241


def test_request_is_the_one_of_the_standard():
    # MODBUS Application Protocol V1.1b3 section 6.3: read registers 108 to 110 is 03 00 6B 00 03.
    assert read_request(17, 3, 107, 3)[:6] == bytes.fromhex("11 03 00 6B 00 03")


@given(st.integers(1, 247), st.sampled_from([3, 4]), st.integers(0, 65_000), st.integers(1, 125))
def test_request_is_the_same_as_that_of_another_library(address, function, register, count):
    payload = struct.pack(">HH", register, count)
    other = minimalmodbus._embed_payload(address, minimalmodbus.MODE_RTU, function, payload)
    assert read_request(address, function, register, count) == other


@given(st.integers(1, 247), st.sampled_from([3, 4]), st.lists(st.integers(0, 65_535), min_size=1, max_size=125),
       st.binary(max_size=9), st.binary(max_size=9))
def test_reply_is_found_between_stray_bytes(address, function, registers, before, after):
    reply = framed(struct.pack(f">BBB{len(registers)}H", address, function, 2 * len(registers), *registers))
    assert len(reply) == reply_length(len(registers))
    assert find_reply(before + reply + after, address, function, len(registers)) == tuple(registers)
    assert find_reply(before + reply[:-1], address, function, len(registers)) is None


def test_own_echo_before_the_reply_is_passed_over():
    request = read_request(7, 4, 0, 2)
    reply = framed(bytes([7, 4, 4, 0, 1, 0, 2]))
    assert find_reply(request + reply, 7, 4, 2) == (1, 2)


@pytest.mark.parametrize(
    "reply",
    [
        framed(bytes([8, 4, 4, 0, 1, 0, 2])),  # of another unit
        framed(bytes([7, 3, 4, 0, 1, 0, 2])),  # of another function
        framed(bytes([7, 4, 2, 0, 1])),  # of another length
        framed(bytes([7, 4, 4, 0, 1, 0, 2]))[:-1] + b"\x00",  # with a wrong checksum
    ],
)
def test_reply_that_does_not_fit_the_question_is_not_taken(reply):
    assert find_reply(reply, 7, 4, 2) is None


@pytest.mark.parametrize(
    ("code", "said"), [(1, "illegal function"), (2, "illegal data address"), (6, "busy"), (99, "no standard")]
)
def test_exception_reply_is_a_refusal_in_words(code, said):
    with pytest.raises(ProbeRefused, match=said) as caught:
        find_reply(framed(bytes([7, 0x84, code])), 7, 4, 2)
    assert caught.value.reason == f"exception-{code}"


@pytest.mark.parametrize(
    ("data", "reason"),
    [(framed(bytes([8, 4, 4, 0, 1, 0, 2])), "other-reply"), (bytes([7, 4, 4, 0]), "cut-short"), (b"\xff" * 9, "checksum")],
)
def test_what_is_wrong_with_the_bytes_is_told(data, reason):
    assert why_no_reply(data, 7, 4, 2).reason == reason


@given(st.binary(max_size=300), st.integers(1, 125))
def test_no_bytes_make_anything_but_a_named_error_escape(data, count):
    try:
        assert find_reply(data, 7, 4, count) is None
    except ProbeRefused as error:
        assert error.reason.startswith("exception-")
    if data:
        assert isinstance(why_no_reply(data, 7, 4, count), ProbeError)


@pytest.mark.parametrize(
    ("registers", "form", "order", "value"),
    [
        ((0xFFFD,), "signed16", "high-first", -3),
        ((0xFFFD,), "unsigned16", "high-first", 65_533),
        ((0xFFFF, 0xFFFE), "signed32", "high-first", -2),
        ((0xFFFE, 0xFFFF), "signed32", "low-first", -2),
        ((0x0001, 0x0000), "unsigned32", "high-first", 65_536),
        ((0x41BC, 0x0000), "float32", "high-first", 23.5),  # IEEE 754: 0x41BC0000 is 23.5
        ((0x0000, 0x41BC), "float32", "low-first", 23.5),
    ],
)
def test_numbers_are_decoded(registers, form, order, value):
    assert decode(registers, form, order) == value


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_floats_are_decoded_as_another_library_does(value):
    raw = minimalmodbus._float_to_bytes(value, 2, minimalmodbus.BYTEORDER_BIG)
    assert decode(struct.unpack(">2H", raw), "float32") == value


def test_float_that_is_not_finite_is_implausible():
    with pytest.raises(ProbeImplausible, match="word_order"):
        decode((0x7FC0, 0), "float32")


@pytest.mark.parametrize(
    ("address", "function", "register", "count"), [(0, 3, 0, 1), (248, 3, 0, 1), (1, 3, 0, 126), (1, 3, 65_535, 2)]
)
def test_question_that_cannot_be_asked_is_refused(address, function, register, count):
    with pytest.raises(ValueError):
        read_request(address, function, register, count)


@pytest.mark.parametrize("function", [1, 2, 5, 6, 15, 16, 22, 23])
def test_no_other_function_than_reading_registers_can_be_asked_for(function):
    with pytest.raises(ValueError, match="only reading is possible"):
        read_request(1, function, 0, 1)


def test_program_has_no_writing_function():
    for path in Path(adapters.__file__).parent.rglob("*.py"):
        names = [node.name for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)]
        assert not [name for name in names if "write" in name and ("register" in name or "coil" in name or "request" in name)]
    builders = [name for name in vars(modbus_frame) if name.endswith("_request")]
    assert builders == ["read_request"]
