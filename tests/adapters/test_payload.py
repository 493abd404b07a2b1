"""Foreign bytes: every known trap is refused by its name, and nothing else escapes."""

from __future__ import annotations

import json
import math
import tracemalloc
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from adapters.bounded_pattern import bounded_pattern
from adapters.errors import ProbeError, ProbeUnreachable
from adapters.extraction import by_columns, by_pattern, by_pointers, by_senml, plain_number
from adapters.payload import (
    DuplicateKey,
    HugeInteger,
    NotANumber,
    NotFinite,
    NotJson,
    NotText,
    TooDeep,
    TooLarge,
    excerpt,
    json_of,
    number_in,
    number_of,
    text_of,
)
from adapters.probes.source import BURST, Gate, Tally


@pytest.mark.parametrize(
    ("data", "error"),
    [
        (b" " * 4097, TooLarge),
        (b'"\xff"', NotText),
        (b"\xef\xbb\xbf{}", NotJson),
        (b"", NotJson),
        (b"{} {}", NotJson),
        (b"{'a': 1}", NotJson),
        (b'{"a": 1, "a": 2}', DuplicateKey),
        (b'{"x": {"a": 1, "a": 1}}', DuplicateKey),
        (b"[" * 17 + b"]" * 17, TooDeep),
        (b"[" * 4000, TooDeep),
        (b"9007199254740993", HugeInteger),
        (b"9" * 4000, HugeInteger),
        (b"-" + b"9" * 17, HugeInteger),
        (b"NaN", NotFinite),
        (b"[-Infinity]", NotFinite),
        (b"1e999", NotFinite),
        (b'{"a": -1e400}', NotFinite),
    ],
)
def test_trap_is_refused_by_its_name(data, error):
    with pytest.raises(error):
        json_of(data)


def test_what_is_within_the_limits_is_taken():
    assert json_of(b'{"a": [1, 2.5, null, true, "x"]}') == {"a": [1, 2.5, None, True, "x"]}
    assert json_of(b"[" * 16 + b"]" * 16) == json.loads("[" * 16 + "]" * 16)
    assert json_of(b"9007199254740992") == 2**53


@given(st.binary(max_size=200))
def test_no_other_error_escapes_from_any_bytes(data):
    try:
        json_of(data)
    except ProbeError as error:
        assert error.reason != "other"


document = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4), max_leaves=12,
)


@given(document)
def test_sound_documents_are_read_as_the_standard_library_does(value):
    text = json.dumps(value)
    try:
        assert json_of(text) == json.loads(text)
    except TooDeep:
        assert sum(map(text.count, "[{")) > 16


@pytest.mark.parametrize(
    "text", ["", "-", ".", "1.2.3", "1,5", "0x10", "1_000", "١٢", "1e5555", "inf", "nan", "2" * 40, "25 C", "--1"]
)
def test_text_that_is_no_plain_decimal_number_is_refused(text):
    with pytest.raises((NotANumber, NotFinite)):
        number_in(text)


@pytest.mark.parametrize(("text", "value"), [("25", 25), (" -0.5\r\n", -0.5), ("+1.5e1", 15), (".5", 0.5), ("5.", 5)])
def test_plain_decimal_number_is_taken(text, value):
    assert number_in(text) == value


@pytest.mark.parametrize("value", [True, None, "25", [1], {}, 2**60, math.inf, math.nan])
def test_what_is_no_finite_json_number_is_refused(value):
    with pytest.raises(ProbeError):
        number_of(value)


def test_quotation_of_foreign_text_has_no_control_characters():
    shown = excerpt(b"a\x1b[31m\n\r\x00\xe2\x80\xaeb" + b"c" * 100)
    assert shown.isprintable()
    assert "and " in shown
    assert len(shown) < 90


PATTERN = bounded_pattern(r"T=(?P<air_temperature>-?[0-9.]+)[^H]*H=(?P<relative_humidity>[0-9.]+)")
EXTRACTS = [
    plain_number("air_temperature", {}),
    by_pattern(PATTERN, {"air_temperature": "degF"}),
    by_columns(";", {"air_temperature": 2, "relative_humidity": 1}, {}),
    by_columns(None, {"air_temperature": 3}, {}),
    by_pointers({"air_temperature": "/air/0", "relative_humidity": "/rh"}, {}),
    by_senml({"air_temperature": "a:t", "relative_humidity": "a:rh"}, {}),
]
near_misses = st.one_of(
    st.binary(max_size=64),
    st.text(max_size=64).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.text(alphabet='{}[]",:0123456789.eE+-nulltrueNaInfity', max_size=80).map(str.encode),
    st.builds(lambda value: json.dumps({"air": value, "rh": value}).encode(), document),
    st.builds(
        lambda records: json.dumps(records).encode(),
        st.lists(st.dictionaries(st.sampled_from(["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "vb", "t", "s", "x_"]),
                                 document, max_size=5), max_size=4),
    ),
    st.text(alphabet="TH=0123456789.; -", max_size=128).map(str.encode),
)


class Counting:
    """An intake that only counts, so that its own memory says nothing."""

    def __init__(self):
        self.count = 0

    def fault(self, probe, kind, detail):
        assert probe == "air"
        assert detail.isprintable()
        assert len(detail) < 400
        self.count += 1


def outcome_of(extract, data):
    """Return the reason of the error, or None where there are values; anything else escapes and fails the test."""
    tally, intake = Tally("air"), Counting()
    try:
        found = extract(text_of(data), 1_790_000_000_000)
    except ProbeError as error:
        tally.trouble(intake, error)
        assert (tally.counts()[error.reason], intake.count) == (1, 1)
        assert error.reason != "other"
        return error.reason
    assert found
    assert all(math.isfinite(one.value) for one in found)
    return None


@settings(max_examples=600, deadline=None)
@given(near_misses)
def test_malformed_payload_gives_values_or_one_named_error(data):
    for extract in EXTRACTS:
        outcome_of(extract, data)


SOUND = [
    b"25.5", b"#1 T=77.5 C H=81.5", b"81.5;25.5;x", b"a b 25.5", b'{"air": [25.5, 1], "rh": 81.5}',
    b'[{"bn":"a:","bt":1790000000,"bu":"Cel","n":"t","v":25.5},{"n":"rh","u":"%RH","v":81.5,"t":-5}]',
]


PARSER_BAIT = [b"{", b"[", b'"', b"NaN", b"1e999", b"9" * 30, b"\xff", b"\0", b",", b":", b"\\u0000", b"\\ud800"]


def spoiled(random, data):
    """Return sound bytes with some places flipped, cut, doubled or replaced by bytes that matter to a parser."""
    bytes_ = bytearray(data)
    for _ in range(random.randint(1, 6)):
        at = random.randrange(len(bytes_) + 1)
        choice = random.randrange(4)
        if choice == 0:
            bytes_[at : at + 1] = bytes([random.randrange(256)])
        elif choice == 1:
            del bytes_[at : at + random.randint(1, 8)]
        elif choice == 2:
            bytes_[at:at] = bytes_[max(0, at - 8) : at] * random.choice([1, 2, 300])
        else:
            bytes_[at:at] = random.choice(PARSER_BAIT)
    return bytes(bytes_)


def test_ten_thousand_spoiled_payloads_give_values_or_one_named_error():
    random = Random(20260301)
    outcomes = set()
    for number in range(10_000):
        which = number % len(SOUND)
        outcomes.add(outcome_of(EXTRACTS[which], spoiled(random, SOUND[which])))
    assert outcomes >= {
        None, "not-json", "not-utf-8", "too-large", "not-finite", "huge-integer", "nothing-there", "not-a-number",
        "not-senml", "wrong-unit", "duplicate-key",
    }


def test_ten_thousand_malformed_lines_are_counted_told_once_each_kind_and_keep_no_memory():
    tally, intake, extract = Tally("air"), Counting(), EXTRACTS[4]
    bad = [b"\xff%d", b"{%d", b'{"air":[%d],"air":1,"rh":1}', b'{"air":["x%d"],"rh":1}', b'{"rh":%d}', b"[" * 40 + b"%d"]

    def feed(numbers):
        for number in numbers:
            try:
                extract(text_of(bad[number % len(bad)] % number), None)
            except ProbeError as error:
                tally.trouble(intake, error)

    feed(range(600))
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        feed(range(600, 10_600))
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert sum(told.count for told in tally.troubles.values()) == 10_600
    assert intake.count == len(bad)
    assert after - before < 100_000


def test_trouble_is_told_again_after_good_readings_and_a_pause(monkeypatch):
    tally, intake = Tally("air"), Counting()
    clock = [1000.0]
    monkeypatch.setattr("adapters.probes.source.time.monotonic", lambda: clock[0])
    tally.trouble(intake, ProbeUnreachable("x"))
    tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 1
    tally.well()
    tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 1
    clock[0] += 61
    tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 2
    clock[0] += 1800
    tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 2
    clock[0] += 1801
    tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 3


def test_probe_that_still_speaks_nonsense_is_handed_over_once_an_interval_but_logged_by_the_hour(monkeypatch):
    tally, intake = Tally("air", interval_s=30.0), Counting()
    clock = [1000.0]
    monkeypatch.setattr("adapters.probes.source.time.monotonic", lambda: clock[0])
    with capture_logs() as logs:
        for _ in range(3600):
            clock[0] += 1.0
            tally.trouble(intake, NotJson("x"))
            tally.trouble(intake, ProbeUnreachable("x"))
    assert intake.count == 120 + 1
    assert len(logs) == 2


def test_gate_lets_a_burst_through_and_then_five_a_second(monkeypatch):
    clock = [0.0]
    monkeypatch.setattr("adapters.probes.source.time.monotonic", lambda: clock[0])
    gate = Gate()
    assert sum(gate.passes() for _ in range(1000)) == BURST
    clock[0] += 3.5
    assert sum(gate.passes() for _ in range(1000)) == 17
