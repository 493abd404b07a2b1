"""Modbus RTU units over pty lines, with a server library as the units, and scripted units for what no library does."""

from __future__ import annotations

import asyncio
import os
import queue
import random
import threading
import time
import tty

import pytest
from pydantic import ValidationError
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from adapters.modbus_frame import crc16
from adapters.probes import Failure, sources
from adapters.probes.modbus_rtu import ModbusRtu, Register, Span, spans


def unit(port, address=7, registers=None, **keys):
    places = registers or {"air_temperature": {"number": 0, "scale": 0.1}}
    return ModbusRtu(
        kind="modbus-rtu", place="fungus", port=port, framing="8N1", address=address,
        **({"registers": places, "interval": "1s", "answer_within": 100} | keys),
    )


@pytest.fixture
def server():
    """A factory of real Modbus servers at the far end of a line; each runs its loop in a thread of its own."""
    running = []

    def serve(port, devices):
        ready, loop = threading.Event(), asyncio.new_event_loop()
        holder = {}

        async def main():
            holder["server"] = ModbusSerialServer(devices, framer=FramerType.RTU, port=port, baudrate=9600)
            await holder["server"].serve_forever(background=True)
            ready.set()
            while not holder.get("end"):
                await asyncio.sleep(0.01)
            await holder["server"].shutdown()

        thread = threading.Thread(target=lambda: loop.run_until_complete(main()), daemon=True)
        thread.start()
        assert ready.wait(10)
        running.append((thread, holder, loop))

    yield serve
    for thread, holder, loop in running:
        holder["end"] = True
        thread.join(10)
        loop.close()


@pytest.fixture
def run(intake):
    made = []

    def start(**probes):
        for source in sources(probes, {}):
            source.start(intake)
            made.append(source)
        return made[-1]

    yield start
    for source in made:
        assert source.stop(5.0)


def device(address, *data):
    return SimDevice(id=address, simdata=list(data))


def test_units_on_one_line_are_read_from_a_server_library(serial_pair, server, intake, run, wait_until):
    line = serial_pair()
    server(line.far, [
        device(
            7, SimData(0, values=[255, 812, 65_486], datatype=DataType.REGISTERS),
            SimData(10, values=23.5, datatype=DataType.FLOAT32),
        ),
        device(9, SimData(0, values=[777], datatype=DataType.REGISTERS)),
    ])
    run(
        left=unit(line.near, 7, {
            "air_temperature": {"number": 0, "scale": 0.1, "function": 3},
            "relative_humidity": {"number": 1, "scale": 0.1, "form": "unsigned16", "function": 3},
            "surface_temperature": {"number": 10, "form": "float32", "function": 4},
        }),
        right=unit(line.near, 9, {"air_temperature": {"number": 0, "scale": 0.1, "unit": "degF"}}),
        cold=unit(line.near, 7, {"air_temperature": {"number": 2, "scale": 0.1, "offset": 0.5}}),
    )
    wait_until(lambda: len({(probe, quantity) for probe, quantity, *_ in intake.readings}) == 5)
    first = {(probe, quantity): round(value, 6) for probe, quantity, value, _ in intake.readings}
    assert first == {
        ("left", "air_temperature"): 25.5, ("left", "relative_humidity"): 81.2, ("left", "surface_temperature"): 23.5,
        ("right", "air_temperature"): round((77.7 - 32) / 1.8, 6), ("cold", "air_temperature"): -4.5,
    }
    assert intake.faults == []


def test_register_that_is_not_there_is_refused_in_words_and_the_rest_is_read(serial_pair, server, intake, run, wait_until):
    line = serial_pair()
    server(line.far, [device(7, SimData(0, values=[255], datatype=DataType.REGISTERS))])
    run(air=unit(line.near, 7, {"air_temperature": {"number": 0, "scale": 0.1}, "relative_humidity": {"number": 500}}))
    wait_until(lambda: intake.faults and intake.readings)
    assert intake.faults[0][:2] == ("air", "refused")
    assert "exception 2: illegal data address" in intake.faults[0][2]


def test_line_cut_between_two_readings_is_noticed_and_healed(serial_pair, server, intake, run, wait_until):
    line = serial_pair()
    server(line.far, [device(7, SimData(0, values=[255], datatype=DataType.REGISTERS))])
    run(air=unit(line.near, 7))
    wait_until(lambda: intake.readings)
    line.cut()
    wait_until(lambda: intake.media)
    before = len(intake.readings)
    line.mend()
    server(line.far, [device(7, SimData(0, values=[260], datatype=DataType.REGISTERS))])
    wait_until(lambda: len(intake.readings) > before)
    assert [down for _, down, _ in intake.media] == [True, False]
    assert intake.readings[-1][2] == pytest.approx(26.0)


def test_trial_says_which_unit_answers(serial_pair, server):
    line = serial_pair()
    server(line.far, [device(7, SimData(0, values=[255], datatype=DataType.REGISTERS))])
    (source,) = sources({"here": unit(line.near, 7), "gone": unit(line.near, 8)}, {})
    answers = {answer.probe: answer for answer in source.try_once(10.0)}
    assert answers["here"].value == pytest.approx(25.5)
    assert isinstance(answers["gone"], Failure)


# ---------------------------------------------------------------- scripted units


class ScriptedUnit:
    """A unit at the other end of a pty that answers each request with what `answer` returns, byte for byte."""

    def __init__(self, answer):
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave, self._answer = slave, answer
        self.requests = 0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        pending = b""
        while True:
            try:
                pending += os.read(self._master, 512)
            except OSError:
                return
            while len(pending) >= 8:
                request, pending = pending[:8], pending[8:]
                self.requests += 1
                os.write(self._master, self._answer(self.requests, request))

    def close(self):
        os.close(self._slave)
        os.close(self._master)


def framed(body):
    return body + crc16(body).to_bytes(2, "little")


GOOD = framed(bytes([7, 4, 2, 0, 255]))


@pytest.mark.parametrize(
    ("first", "fault"),
    [
        (b"\xff" * 30, "garbled"),
        (GOOD[:-1], "garbled"),
        (framed(bytes([8, 4, 2, 0, 255])), "garbled"),
        (framed(bytes([7, 4, 4, 0, 255, 0, 1])), "garbled"),
        (b"", "unreachable"),
        (framed(bytes([7, 0x84, 6])), "refused"),
    ],
)
def test_unit_that_answers_wrongly_once_is_asked_again(intake, run, wait_until, first, fault):
    one = ScriptedUnit(lambda number, _request: first if number == 1 else GOOD)
    run(air=unit(one.port))
    wait_until(lambda: intake.readings)
    assert intake.readings[0][2] == pytest.approx(25.5)
    assert intake.faults == []
    one_bad = ScriptedUnit(lambda _number, _request: first)
    run(bad=unit(one_bad.port))
    wait_until(lambda: intake.faults)
    assert intake.faults[0][:2] == ("bad", fault)


def test_absent_unit_is_told_once_and_the_other_stays_on_time(intake, run, wait_until):
    one = ScriptedUnit(lambda _number, request: framed(bytes([9, 4, 2, 0, 255])) if request[0] == 9 else b"")
    run(absent=unit(one.port, 7), there=unit(one.port, 9))
    wait_until(lambda: len(intake.values("there", "air_temperature")) >= 4)
    assert [(probe, kind) for probe, kind, _ in intake.faults] == [("absent", "unreachable")]
    assert "unit 7 does not answer" in intake.faults[0][2]


def test_echo_and_stray_bytes_before_the_reply_do_no_harm(intake, run, wait_until):
    one = ScriptedUnit(lambda _number, request: request + b"\x00\xff" + GOOD)
    run(air=unit(one.port))
    wait_until(lambda: intake.readings)
    assert intake.faults == []


def test_late_reply_is_not_taken_for_the_answer_to_the_next_question(intake, run, wait_until):
    late = []

    def answer(number, request):
        register = request[3]
        reply = framed(bytes([7, 4, 2, 0, 100 if register == 0 else 200]))
        if number == 1:
            late.append(reply)
            threading.Timer(0.15, lambda: os.write(one._master, reply)).start()  # after the time of answer_within
            return b""
        return reply

    one = ScriptedUnit(answer)
    run(air=unit(one.port, registers={"air_temperature": {"number": 0}, "surface_temperature": {"number": 9}}))
    wait_until(lambda: len(intake.readings) >= 4)
    assert set(intake.values("air", "air_temperature")) == {100.0}
    assert set(intake.values("air", "surface_temperature")) == {200.0}


class SlowUnit:
    """Answers every question, one after the other, after as long as `delays_s` says: register 0 is 100, all others 200."""

    def __init__(self, delays_s):
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.port, self._delays_s = os.ttyname(slave), delays_s
        self._asked = queue.Queue()
        threading.Thread(target=self._hear, daemon=True).start()
        threading.Thread(target=self._answer, daemon=True).start()

    def _hear(self):
        while request := os.read(self._master, 8):
            self._asked.put(request)

    def _answer(self):
        for delay_s in self._delays_s:
            request = self._asked.get()
            time.sleep(delay_s)
            os.write(self._master, framed(bytes([request[0], request[1], 2, 0, 100 if request[3] == 0 else 200])))


@pytest.mark.parametrize("two_probes", [False, True])
def test_a_unit_that_often_answers_late_never_swaps_two_registers(intake, run, wait_until, two_probes):
    delays = random.Random(4)
    one = SlowUnit(delays.choice((0.0, 0.02, 0.13, 0.21, 0.3)) for _ in iter(int, 1))
    cold, warm = {"air_temperature": {"number": 0}}, {"surface_temperature": {"number": 9}}
    keys = {"answer_within": 60, "interval": "1s"}
    if two_probes:  # two names for one unit
        run(air=unit(one.port, registers=cold, **keys), lid=unit(one.port, registers=warm, **keys))
    else:
        run(air=unit(one.port, registers=cold | warm, **keys))
    wait_until(lambda: len(intake.readings) >= 8)
    found = {(quantity, value) for _, quantity, value, _ in intake.readings}
    assert found == {("air_temperature", 100.0), ("surface_temperature", 200.0)}


# ---------------------------------------------------------------- settings


def test_neighbouring_registers_are_read_with_one_question():
    places = {
        "air_temperature": Register(number=0), "relative_humidity": Register(number=1, form="float32"),
        "surface_temperature": Register(number=4),
    }
    assert spans(places) == [
        Span(4, 0, 3, ("air_temperature", "relative_humidity")), Span(4, 4, 1, ("surface_temperature",)),
    ]


def test_registers_of_two_functions_are_read_with_two_questions():
    places = {"air_temperature": Register(number=0, function=3), "relative_humidity": Register(number=1)}
    assert [(one.function, one.register, one.count) for one in spans(places)] == [(3, 0, 1), (4, 1, 1)]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"address": 0}, "greater than or equal to 1"),
        ({"address": 248}, "less than or equal to 247"),
        ({"registers": {"air_temperature": {"number": 0, "function": 6}}}, "3 or 4"),
        ({"registers": {"air_temperature": {"number": 0, "scale": 0}}}, "every reading the same"),
        ({"registers": {"air_temperature": {"number": 65_535, "form": "float32"}}}, "above 65535"),
        ({"registers": {"air_temperature": {"number": 0, "unit": "%RH"}}}, "allowed: Cel"),
        ({"registers": {"light": {"number": 0}}}, "relative_humidity"),
    ],
)
def test_settings_that_cannot_work_are_refused_with_what_is_allowed(keys, said):
    with pytest.raises(ValidationError, match=said):
        unit("/dev/ttyX0", **({"address": 7} | keys))
