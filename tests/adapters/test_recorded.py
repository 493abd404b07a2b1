"""Recorded readings: the fast way over whole columns says the same as the slow way over rows, and no line is fatal."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from adapters.columnar_csv import read_columns
from adapters.recorded import BadLine, RecordingUnreadable, merged, read_recording
from adapters.recorded_row import csv_row
from rules.terms.events import Batch

HEAD = b"time,probe,quantity,value,unit\n"
DAY_MS = 86_400_000


def rows_of(batch: Batch):
    names = [batch.series[code] for code in batch.series_index]
    return [(int(at), *name, float(value)) for at, name, value in zip(batch.at_ms, names, batch.value, strict=True)]


@pytest.fixture
def recorded(tmp_path):
    def read(data: bytes, **options):
        path = tmp_path / "recorded"
        path.write_bytes(data)
        return read_recording(path, **options)

    return read


def test_csv_rows_become_one_batch_in_our_units_ordered_by_time(recorded):
    got = recorded(
        HEAD
        + b"2026-03-01T00:01:00Z,air,air_temperature,77,degF\n"
        + b"2026-03-01T00:00:00Z,air,relative_humidity,0.815,/\n"
        + b"2026-03-01T01:00:00.250+01:00,lid,surface_temperature,-296.15e0,K\r\n"
        + b'2026-03-01T00:00:00Z,"air",air_temperature, 25.125 ,Cel'
    )
    start = 1_772_323_200_000  # 2026-03-01T00:00:00Z, `date -d 2026-03-01T00:00:00Z +%s`
    assert rows_of(got.batch) == [
        (start, "air", "relative_humidity", pytest.approx(81.5)),
        (start, "air", "air_temperature", 25.125),
        (start + 250, "lid", "surface_temperature", pytest.approx(-569.3)),
        (start + 60_000, "air", "air_temperature", pytest.approx(25.0)),
    ]
    assert (got.lines, got.bad_count) == (5, 0)
    assert np.array_equal(got.batch.taken_ms, got.batch.at_ms)


def test_bad_lines_are_counted_and_named_and_the_rest_is_read(recorded):
    got = recorded(
        HEAD
        + b"2026-03-01T00:00:00Z,air,air_temperature,25,Cel\n"  # 2
        + b"2026-03-01T00:01:00Z,air,air_temperature,abc,Cel\n"  # 3
        + b"2026-03-01 00:02,air,air_temperature,25,Cel\n"  # 4
        + b"2026-02-30T00:00:00Z,air,air_temperature,25,Cel\n"  # 5
        + b"2026-03-01T00:05:00Z,air,soil_moisture,25,Cel\n"  # 6
        + b"2026-03-01T00:06:00Z,air,air_temperature,25,%RH\n"  # 7
        + b"2026-03-01T00:07:00Z,air,air_temperature,25\n"  # 8
        + b"2026-03-01T00:08:00Z,air,air_temperature,nan,Cel\n"  # 9
        + b"\n"
        + b"\xff\xfe\n"  # 11
        + b"2026-03-01T00:11:00Z,air,air_temperature,25.5,Cel\n"
        + b"9999-12-31T23:59:59Z,air,air_temperature,25,Cel\n"  # 13
    )
    assert [one.line for one in got.bad] == [3, 4, 5, 6, 7, 8, 9, 11, 13]
    assert got.bad_count == 9
    assert [value for *_, value in rows_of(got.batch)] == [25.0, 25.5]
    reasons = {one.line: one.reason for one in got.bad}
    assert reasons[3].startswith("'abc' is not a decimal number; write it like 21.5")
    assert "says no offset from UTC" in reasons[4]
    assert "no RFC 3339 time" in reasons[5]
    assert "allowed: air_temperature, relative_humidity, surface_temperature" in reasons[6]
    assert "allowed: Cel" in reasons[7]
    assert "4 columns" in reasons[8]
    assert "'9999-12-31T23:59:59Z' lies after 2199" in reasons[13]


@pytest.mark.parametrize(
    "time", ["9999-12-31T23:59:59-14:00", "2200-01-01T00:00:00Z", "2200-01-01T01:00:00+14:00", "1969-12-31T23:00:00Z"]
)
def test_a_year_that_no_recording_has_is_refused_though_all_else_is_plain(recorded, time: str):
    """Read by columns, the year 9999 west of Greenwich was the year 10000 and a traceback."""
    got = recorded(HEAD + b"2026-03-01T00:00:00Z,air,air_temperature,25,Cel\n%s,air,air_temperature,25,Cel\n" % time.encode())
    assert [one.line for one in got.bad] == [3] and time in got.bad[0].reason


def test_unknown_probe_is_a_bad_line_where_the_probes_are_known(recorded):
    data = HEAD + b"".join(
        b"2026-03-01T00:00:0%dZ,%s,air_temperature,25,Cel\n" % (second, probe)
        for second, probe in enumerate([b"air", b"aire", b"aire"])
    )
    got = recorded(data, probes={"air"})
    assert len(rows_of(got.batch)) == 1
    assert (got.bad_count, got.bad) == (2, (BadLine(3, "unknown probe 'aire'"),))


def test_columns_may_stand_in_another_order_with_others_between(recorded):
    got = recorded(
        b"note,unit,value,quantity,probe,time\n,Cel,25,air_temperature,air,2026-03-01T00:00:00Z\nx,Cel,26\n"
    )
    assert rows_of(got.batch) == [(1_772_323_200_000, "air", "air_temperature", 25.0)]
    assert [one.line for one in got.bad] == [3]


def test_header_that_lacks_a_column_is_refused_with_what_is_wanted(recorded):
    with pytest.raises(RecordingUnreadable, match=r"lacks unit; wanted: time,probe,quantity,value,unit"):
        recorded(b"time,probe,quantity,value\n")


def test_missing_file_is_refused_by_name(tmp_path):
    with pytest.raises(RecordingUnreadable, match="No such file"):
        read_recording(tmp_path / "none.csv")


def test_file_without_header_or_last_line_feed_is_read(recorded):
    got = recorded(b"2026-03-01T00:00:00Z,air,air_temperature,25,Cel\n2026-03-01T00:00:01Z,air,air_temperature,26,Cel")
    assert [value for *_, value in rows_of(got.batch)] == [25.0, 26.0]


@pytest.mark.parametrize("data", [b"", HEAD, b"\n\n"])
def test_empty_file_is_an_empty_batch(recorded, data):
    got = recorded(data)
    assert rows_of(got.batch) == []
    assert got.bad_count == 0


def test_json_lines_are_read_and_bad_ones_named(recorded):
    good = {"time": "2026-03-01T00:00:00Z", "probe": "air", "quantity": "air_temperature", "value": 25.5, "unit": "degC"}
    lines = [good, good | {"value": "x"}, {"time": 1}, good | {"time": 5}, good | {"unit": "bar"}, [1]]
    got = recorded("\n".join(map(json.dumps, lines)).encode() + b'\n{"a":1,"a":2}\n{broken\n')
    assert rows_of(got.batch) == [(1_772_323_200_000, "air", "air_temperature", 25.5)]
    assert [one.line for one in got.bad] == [2, 3, 4, 5, 6, 7, 8]


@pytest.mark.parametrize("joint", ["/", ":"])
def test_senml_is_read_as_one_pack_or_one_pack_a_line(recorded, joint):
    pack = [
        {"bn": f"air{joint}", "bt": 1772323200, "bu": "Cel", "n": "air_temperature", "v": 25},
        {"n": "air_temperature", "t": 60, "v": 26},
        {"n": "relative_humidity", "u": "/", "t": 60, "v": 0.8},
        {"n": "light", "t": 60, "v": 1},
    ]
    expected = [
        (1_772_323_200_000, "air", "air_temperature", 25.0),
        (1_772_323_260_000, "air", "air_temperature", 26.0),
        (1_772_323_260_000, "air", "relative_humidity", 80.0),
    ]
    whole = recorded(json.dumps(pack, indent=1).encode())
    assert rows_of(whole.batch) == expected
    assert "unknown quantity 'light'" in whole.bad[0].reason
    lines = recorded(b"".join(json.dumps([*pack[:1], one]).encode() + b"\n" for one in pack[1:3]) + b"[{]\n")
    assert sorted(set(rows_of(lines.batch))) == expected
    assert [one.line for one in lines.bad] == [3]


# ---------------------------------------------------------------- the fast way against the slow way


earliest, latest = datetime.fromisoformat("1970-01-01"), datetime.fromisoformat("2199-12-31")
instants = st.datetimes(earliest, latest).map(lambda moment: moment.replace(microsecond=0))
numbers = st.one_of(
    st.integers(-999, 999).map(str), st.decimals(-1000, 1000, places=3).map(str),
    st.floats(allow_nan=False, allow_infinity=False, width=32).map(repr), st.text(alphabet="0123456789.-+e ", max_size=18),
)
cells = st.tuples(
    st.builds(
        "{}{}{}".format, instants.map(datetime.isoformat), st.sampled_from(["", ".250", ".007", ".12", ".1234"]),
        st.sampled_from(["Z", "z", "", "+00:00", "+05:45", "-11:30", "+24:00", "+0100", "-00:60"]),
    ) | instants.map(lambda moment: moment.isoformat() + "Z") | st.text(alphabet="0123456789-T:Z.+ ", max_size=26),
    st.sampled_from(["air", "lid", "a-very-long-name-of-a-probe-that-fills-several-words", ""]),
    st.sampled_from(["air_temperature", "relative_humidity", "surface_temperature", "light"]),
    numbers,
    st.sampled_from(["Cel", "degC", "degF", "%RH", "/", "K", "bar"]),
)
lines = st.one_of(cells.map(",".join), st.text(alphabet='0,"Z-T:\r\x00é', max_size=60)).map(str.encode)


@settings(max_examples=400, deadline=None)
@given(st.lists(lines, min_size=1, max_size=12))
@example([b"2026-02-29T00:00:00Z,air,air_temperature,25,Cel"])
@example([b"2024-02-29T23:59:59Z,air,air_temperature,-0.5,Cel"])
@example([b"2024-02-29T23:59:60Z,air,air_temperature,25,Cel", b"2024-13-01T00:00:00Z,air,air_temperature,25,Cel"])
@example([b"2024-01-01T00:00:00Z,air,air_temperature,1234567890.12345,Cel", b"2024-01-01T0:00:000Z,a,b,--1,Cel"])
def test_rows_that_the_fast_way_takes_mean_the_same_to_the_slow_way(rows):
    rows = [row.replace(b"\n", b"") for row in rows]
    taken = []
    for row in rows:
        columns = read_columns(row + b"\n")
        if columns is not None:
            taken.append(row)
            time_text, *_, value, _ = row.decode().split(",")
            assert columns.at_ms.tolist() == [round(datetime.fromisoformat(time_text).timestamp() * 1000)]
            assert columns.value.tolist() == [float(value)]
            assert [list(key) for key in columns.keys] == [[row.decode().rstrip("\r").split(",")[index] for index in (1, 2, 4)]]
    together = read_columns(b"".join(row + b"\n" for row in taken))
    assert (together is None) == (not taken)
    if together is not None:
        assert together.value.tolist() == [float(row.split(b",")[3]) for row in taken]
    everything = read_columns(b"".join(row + b"\n" for row in rows))
    assert (everything is not None) == (taken == rows)


def test_a_row_torn_by_zero_bytes_does_not_take_the_good_rows_of_its_series_with_it(recorded):
    """Found by fuzzing: zero bytes at the end, as a power cut leaves them, made the row look like the others of its series."""
    good = b"2024-01-01T00:00:%02dZ,air,relative_humidity,0.5,/\n"
    torn = b"2024-01-01T00:00:30Z,air,relative_humidity,0.5,/\0\0\n"
    for rows in ([torn, good % 1, good % 2], [good % 1, torn, good % 2]):
        found = recorded(b"time,probe,quantity,value,unit\n" + b"".join(rows))
        assert found.batch.value.tolist() == [50.0, 50.0]
        assert found.bad_count == 1


def test_plain_rows_take_the_fast_way():
    begin = datetime(2024, 2, 28, 23, 59, 30, tzinfo=UTC)
    moments = [begin + timedelta(seconds=37 * number) for number in range(5000)]
    rows = [f"{moment:%Y-%m-%dT%H:%M:%S}Z,probe-{number % 90},air_temperature,{number / 100:.2f},degC"
            for number, moment in enumerate(moments)]
    columns = read_columns("\n".join([*rows, ""]).encode())
    assert columns is not None
    assert columns.value.tolist() == [number / 100 for number in range(5000)]
    assert columns.at_ms.tolist() == [round(moment.timestamp() * 1000) for moment in moments]
    assert len(columns.keys) == 90


def test_rows_with_fractions_and_offsets_take_the_fast_way_too():
    zones = ("Z", "+05:45", "-03:30")
    rows = [f"2024-02-29T23:59:5{n % 10}.{n:03}{zone},air,air_temperature,1,Cel" for n in range(200) for zone in zones]
    columns = read_columns("\n".join([*rows, ""]).encode())
    assert columns is not None
    assert columns.at_ms.tolist() == [round(datetime.fromisoformat(row.split(",")[0]).timestamp() * 1000) for row in rows]


@pytest.mark.parametrize("size", [39, 40, 41, 64])
def test_a_name_too_long_for_the_fast_way_is_read_whole(recorded, size):
    rows = [b"2026-03-01T00:00:00Z,%s,air_temperature,25,Cel\n" % (b"p" * size + end) for end in (b"a", b"b")]
    assert [probe for probe, _ in recorded(HEAD + b"".join(rows)).batch.series] == ["p" * size + "a", "p" * size + "b"]


def test_several_files_become_one_batch_ordered_by_time(recorded):
    first = recorded(HEAD + b"".join(b"2026-03-01T00:0%d:00Z,air,air_temperature,%d,Cel\n" % (n, n) for n in (1, 3, 5)))
    others = ((2, b"air"), (3, b"lid"), (4, b"air"))
    rows = [b"2026-03-01T00:0%d:00Z,%s,air_temperature,%d,Cel\n" % (n, name, n) for n, name in others]
    second = recorded(HEAD + b"".join(rows))
    both = merged([first.batch, second.batch])
    assert [(probe, value) for _, probe, _, value in rows_of(both)] == [
        ("air", 1.0), ("air", 2.0), ("air", 3.0), ("lid", 3.0), ("air", 4.0), ("air", 5.0),
    ]
    assert rows_of(merged([])) == []


def test_a_line_that_spans_the_blocks_of_a_long_file_is_read_whole(recorded, monkeypatch):
    monkeypatch.setattr("adapters.recorded._BLOCK", 1000)
    rows = [b"2026-03-01T00:%02d:%02dZ,air,air_temperature,%d.5,Cel\n" % (n // 60, n % 60, n % 40) for n in range(3000)]
    got = recorded(HEAD + b"".join(rows))
    assert (got.lines, got.bad_count, len(got.batch.value)) == (3001, 0, 3000)
    assert got.batch.value.tolist() == [n % 40 + 0.5 for n in range(3000)]


def test_line_without_end_is_one_bad_line_and_not_kept_in_memory(recorded, monkeypatch):
    monkeypatch.setattr("adapters.recorded._BLOCK", 1 << 12)
    got = recorded(HEAD + b"x" * 500_000 + b"\n2026-03-01T00:00:00Z,air,air_temperature,25,Cel\n")
    assert len(rows_of(got.batch)) == 1
    assert [one.line for one in got.bad] == [2]
    assert got.bad[0].reason.endswith("it begins 'xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx'; leave it out")
    assert got.line.tolist() == [3]


def test_slow_way_keeps_offsets_and_fractions():
    moment = datetime(2026, 3, 1, 6, 30, 0, 123000, timezone(timedelta(hours=2)))
    assert csv_row(f"{moment.isoformat()},air,air_temperature,1,Cel".encode())[0] == round(moment.timestamp() * 1000)


@settings(max_examples=250, deadline=None)
@given(data=st.one_of(
    st.binary(max_size=300),
    st.lists(lines, max_size=8).map(b"\n".join),
    st.binary(max_size=100).map(lambda tail: b"[" + tail),
    st.binary(max_size=100).map(lambda tail: b'{"time":' + tail + b"\n{}"),
))
def test_no_file_makes_anything_but_a_named_error_escape(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any"
    path.write_bytes(data)
    try:
        got = read_recording(path)
    except RecordingUnreadable:
        return
    assert np.isfinite(got.batch.value).all()
    assert (np.diff(got.batch.taken_ms) >= 0).all()
    assert got.bad_count <= max(got.lines, 1) * 300


GOOD = b"2026-03-01T00:0%d:00Z,air,air_temperature,25,Cel\n"


@pytest.mark.parametrize(
    ("row", "found", "to_do"),
    [
        (HEAD, "the header once more: 'time,probe,quantity,value,unit'", "leave it out"),
        (b'"2026-03-01T00:01:00Z,air,air_temperature,25,Cel\n', "a quotation mark is not closed", "leave such marks out"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,25,Cel\r2026", "a line end that is CR alone", "save the file with"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,nan,Cel\n", "'nan' is not a decimal number", "leave out the row of"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,1e400,Cel\n", "'1e400' is not a finite number", "leave out the row"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,,Cel\n", "no value stands there", "leave out the row of"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,2\x005,Cel\n", "zero bytes were written instead", "leave the row out"),
        (b"2026-02-30T00:01:00Z,air,air_temperature,25,Cel\n", "is no RFC 3339 time", "correct it, or leave the row out"),
        (b"2026-03-01T00:01:00Z,air,air_temperature,25,bananas\n", "unit 'bananas' is not a unit", "write the unit in"),
        (b"2026-03-01T00:01:00Z,,air_temperature,25,Cel\n", "the probe has no name", "write the one that the config gives it"),
        (b"# broken\n", "1 column; wanted: time,probe,quantity,value,unit; found: '# broken'", "leave out what is no reading"),
    ],
)
def test_a_bad_row_says_its_line_what_was_found_and_what_to_do_and_the_rows_around_it_stand(recorded, row, found, to_do):
    row = row.removesuffix(b"\n") + b"\n"
    got = recorded(HEAD + GOOD % 0 + row + GOOD % 2)
    ((line, reason),) = [(one.line, one.reason) for one in got.bad]
    assert (line, got.line.tolist()) == (3, [2, 4])
    assert found in reason
    assert to_do in reason.split(";", 1)[1]


def test_blanks_around_cells_are_taken_off_on_both_ways(recorded):
    plain = b"2026-03-01T00:00:00Z, air , air_temperature,25, Cel\n"
    assert read_columns(plain) is not None
    (series,) = recorded(HEAD + plain).batch.series
    assert series == ("air", "air_temperature")
    assert csv_row(plain) == (1_772_323_200_000, "air", "air_temperature", 25.0)


def test_each_reading_knows_its_line_however_the_rows_stand(recorded):
    got = recorded(HEAD + GOOD % 5 + b"\nbad\n" + GOOD % 3 + b'"2026-03-01T00:04:00Z",air,air_temperature,25,Cel')
    assert got.line.tolist() == [5, 6, 2]  # by time: minute 3, 4, 5
