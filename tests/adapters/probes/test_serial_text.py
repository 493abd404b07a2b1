"""Probes that write lines, over real pty lines that are cut and mended."""

from __future__ import annotations

import threading
from random import Random

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from structlog.testing import capture_logs

from adapters.line_splitter import LineSplitter
from adapters.probes import Failure, ProbesDisagree, Sample, sources
from adapters.probes.serial_text import SerialText
from adapters.serial_port import LineSettings


def probe(port, **keys):
    return SerialText(kind="serial-text", place="fungus", port=port, **keys)


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


FORMS = {
    "pattern": (
        {"pattern": r"T=(?P<air_temperature>-?\d+\.\d+) H=(?P<relative_humidity>\d+)"}, b"#7 T=25.25 H=81 ok\r\n",
    ),
    "columns": ({"columns": {"air_temperature": 2, "relative_humidity": 4}, "delimiter": ";"}, b"a;25.25;b; 81 ;c\r"),
    "blanks": ({"columns": {"air_temperature": 1, "relative_humidity": 2}}, b"  25.25 \t 81\n"),
    "json": (
        {"json_pointers": {"air_temperature": "/a~1b/t", "relative_humidity": "/rh"}}, b'{"a/b":{"t":25.25},"rh":81}\n',
    ),
    "senml": (
        {"senml_names": {"air_temperature": "x:t", "relative_humidity": "x:h"}},
        b'[{"bn":"x:","n":"t","u":"Cel","v":25.25},{"n":"h","u":"%RH","v":81}]\n',
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_each_form_of_line_becomes_readings(serial_pair, intake, run, wait_until, form):
    line = serial_pair()
    keys, text = FORMS[form]
    run(air=probe(line.near, **keys))
    wait_until(lambda: line.say(b"\n" + text) or len(intake.readings) >= 2)
    assert intake.readings[:2] == [("air", "air_temperature", 25.25, None), ("air", "relative_humidity", 81.0, None)]


def test_line_that_was_cut_is_told_once_and_read_again_when_mended(serial_pair, intake, run, wait_until):
    line = serial_pair()
    with capture_logs() as logs:
        run(air=probe(line.near, columns={"air_temperature": 1}))
        wait_until(lambda: line.say(b"\n25\n") or intake.readings)
        line.cut()
        wait_until(lambda: intake.media)
        before = len(intake.readings)
        line.mend()
        wait_until(lambda: len(intake.media) >= 2)
        wait_until(lambda: line.say(b"\n26\n") or len(intake.readings) > before)
    assert [down for _, down, _ in intake.media][:1] == [True]
    assert [down for _, down, _ in intake.media][-1:] == [False]
    assert intake.readings[-1] == ("air", "air_temperature", 26.0, None)
    assert [probe for probe, kind, _ in intake.faults if kind == "unreachable"] == ["air"]
    told = [(entry["event"], entry["log_level"]) for entry in logs if entry["log_level"] != "debug"]
    assert told == [("line is open", "info"), ("line is down", "warning"), ("line is open", "info")]


def test_storm_of_garbage_is_bounded_and_the_next_good_line_is_read(serial_pair, intake, run, wait_until):
    line = serial_pair()
    source = run(air=probe(line.near, pattern=r"T=(?P<air_temperature>[0-9.]+)"))
    random = Random(7)
    wait_until(lambda: line.say(b"\nx\n") or intake.faults)
    for _ in range(60):
        line.say(bytes(random.choices(range(256), weights=[9] + [1] * 9 + [9] + [1] * 245, k=4000)))
    wait_until(lambda: line.say(b"\nT=25.5\n") or intake.readings)
    counts = source.tallies["air"].counts()
    assert counts["thinned"] > 100
    assert set(counts) <= {"good", "thinned", "nothing-there", "not-utf-8", "line-too-long", "not-a-number", "too-large"}
    assert len(intake.faults) <= 6


def test_missing_port_is_told_with_what_to_look_at(intake, run, wait_until):
    run(air=probe("/dev/serial/by-id/not-there", columns={"air_temperature": 1}))
    wait_until(lambda: intake.media)
    assert "is the adapter plugged in" in intake.media[0][2]


def test_port_in_use_by_another_is_told(serial_pair, intake, run, wait_until):
    line = serial_pair()
    with serial.Serial(line.near, exclusive=True):
        run(air=probe(line.near, columns={"air_temperature": 1}))
        wait_until(lambda: intake.media)
    assert "in use by another program" in intake.media[0][2]
    wait_until(lambda: len(intake.media) == 2)


def test_file_that_is_no_port_is_told(tmp_path, intake, run, wait_until):
    path = tmp_path / "plain"
    path.write_text("25\n")
    run(air=probe(str(path), columns={"air_temperature": 1}))
    wait_until(lambda: intake.media)
    assert "could not be opened as a serial port" in intake.media[0][2]


def test_two_probes_may_share_a_line_and_each_reads_its_own_lines(serial_pair, intake, run, wait_until):
    line = serial_pair()
    run(
        left=probe(line.near, pattern=r"^left (?P<air_temperature>\d+)"),
        right=probe(line.near, pattern=r"^right (?P<air_temperature>\d+)"),
    )
    wait_until(lambda: line.say(b"\nleft 24\nright 26\n") or len(intake.readings) >= 2)
    assert intake.readings[:2] == [("left", "air_temperature", 24.0, None), ("right", "air_temperature", 26.0, None)]
    assert intake.faults == []


def test_probes_that_disagree_about_their_line_are_refused_by_name():
    probes = {
        "left": probe("/dev/ttyX0", columns={"air_temperature": 1}),
        "right": probe("/dev/ttyX0", columns={"air_temperature": 1}, baud_rate=19200),
    }
    with pytest.raises(ProbesDisagree, match=r"probe\.left and probe\.right"):
        sources(probes, {})


def test_trial_reads_one_line_or_says_what_is_wrong(serial_pair):
    line = serial_pair()
    (source,) = sources({"air": probe(line.near, columns={"air_temperature": 1})}, {})
    done = threading.Event()

    def talk():
        while not done.wait(0.05):
            line.say(b"\n25.5\n")

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        assert source.try_once(10.0) == [Sample("air", "air_temperature", 25.5, None)]
    finally:
        done.set()
        talker.join()
    line.cut()
    (failure,) = source.try_once(2.0)
    assert isinstance(failure, Failure)
    assert "no such port" in failure.detail


@pytest.mark.parametrize(
    ("framing", "expected"),
    [("8N1", (8, "N", 1)), ("8E1", (8, "E", 1)), ("8N2", (8, "N", 2)), ("8O1", (8, "O", 1))],
)
def test_framing_reaches_the_serial_library(framing, expected):
    # A pty refuses parity, so the port is configured but not opened.
    port = serial.Serial(None, **LineSettings("/dev/ttyX0", 19200, framing).arguments())
    assert (port.bytesize, port.parity, port.stopbits) == expected
    assert port.baudrate == 19200
    assert port.exclusive is True


def test_time_of_a_character_counts_start_parity_and_stop_bits():
    # 11 bits at 9600 bit/s: Modbus over Serial Line V1.02 section 2.5.1
    assert LineSettings("/dev/ttyX0", 9600, "8E1").character_s == pytest.approx(11 / 9600)
    assert LineSettings("/dev/ttyX0", 9600, "8N2").character_s == pytest.approx(11 / 9600)
    assert LineSettings("/dev/ttyX0", 9600, "8N1").character_s == pytest.approx(10 / 9600)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, "exactly one of pattern, columns, json_pointers, senml_names"),
        ({"columns": {"air_temperature": 1}, "pattern": "(?P<air_temperature>.)"}, "found: pattern, columns"),
        ({"pattern": "(?P<light>.)"}, "group 'light' is not a quantity; allowed: air_temperature"),
        ({"pattern": "25"}, "no named group"),
        ({"pattern": "(?P<air_temperature>"}, "no regular expression"),
        ({"columns": {"air_temperature": 0}}, "greater than or equal to 1"),
        ({"json_pointers": {"air_temperature": "/a"}, "delimiter": ","}, "belongs to columns"),
        ({"columns": {"air_temperature": 1}, "baud_rate": 12345}, "9600"),
        ({"columns": {"air_temperature": 1}, "framing": "7E1"}, "8E1"),
    ],
)
def test_settings_that_cannot_work_are_refused_with_what_is_allowed(keys, said):
    with pytest.raises(ValidationError, match=said.replace("(", r"\(")):
        probe("/dev/ttyX0", **keys)


@settings(max_examples=300)
@given(st.lists(st.binary(max_size=40), max_size=30), st.binary(max_size=300))
def test_lines_do_not_depend_on_how_the_bytes_arrive(cuts, tail):
    data = b"\n".join([b"", *cuts, tail])
    whole, piecewise = LineSplitter(64), LineSplitter(64)
    at_once = whole.feed(data)
    one_by_one = [line for byte in data for line in piecewise.feed(bytes([byte]))]
    assert one_by_one == at_once
    assert piecewise.too_long == whole.too_long


def test_line_without_end_takes_no_memory_and_is_counted_once():
    splitter = LineSplitter(64)
    splitter.feed(b"\n")
    for _ in range(1000):
        assert splitter.feed(b"\xff" * 1000) == []
    assert splitter.too_long == 1
    assert len(splitter._pending) <= 64
    assert splitter.feed(b"\n25\n") == [b"25"]


def test_first_piece_of_a_line_is_taken_for_torn():
    splitter = LineSplitter(64)
    assert splitter.feed(b"5.5\n25.6\n") == [b"25.6"]
