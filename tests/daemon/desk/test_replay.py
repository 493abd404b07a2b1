"""Replay: recorded readings go through the daemon's engine, however they are cut, and every odd file gets a sentence."""

from __future__ import annotations

import gzip
import json
import lzma
from pathlib import Path

import numpy as np
import pytest
from shelf_store import fill, write_config

from adapters.simulated_shelf import cycle_start, simulate
from adapters.wording.counting import counted
from daemon import cli
from rules.advice.advisory import UPDATE_NOT_BEFORE_MS, AdviceState, _Talk
from rules.advice.cause import Cause
from rules.advice.plan import searched
from rules.advice.planned import Plan
from rules.terms.events import HOUR_MS
from rules.terms.words import Visit

SHELF = Path(__file__).parents[3] / "sample_config" / "simulated-shelf.toml"
MARCH_MS = cycle_start(1_774_656_000_000)  # 2026-03-28, the day before the clocks of Europe go forward
UNITS = {"air_temperature": "degC", "relative_humidity": "%RH", "surface_temperature": "degC"}


def as_csv(batch, path: Path) -> Path:
    """Write a batch as a recording."""
    stamps = np.datetime_as_string(batch.taken_ms.astype("datetime64[ms]"), "s")
    rows = [
        f"{stamp}Z,{batch.series[index][0]},{batch.series[index][1]},{value},{UNITS[batch.series[index][1]]}"
        for stamp, index, value in zip(stamps.tolist(), batch.series_index.tolist(), batch.value.tolist(), strict=True)
    ]
    path.write_text("time,probe,quantity,value,unit\n" + "\n".join(rows) + "\n")
    return path


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return as_csv(simulate(MARCH_MS, 2.6, interval_s=120), tmp_path_factory.mktemp("replay") / "shelf.csv")


def replay(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = cli.main(["replay", str(SHELF), *map(str, arguments)])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_json_is_one_event_a_line_in_order_and_nothing_else(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = replay(capsys, recording, "--json")
    events = [json.loads(line) for line in out.splitlines()]
    assert (status, err) == (0, "")
    assert [event["time"] for event in events] == sorted(event["time"] for event in events)
    assert len({event["id"] for event in events}) == len(events)
    assert all({"id", "time", "kind", "chamber"} <= event.keys() for event in events)
    assert any(event["kind"] == "alarm" and event["alarm"] == "lid-dew" for event in events)


@pytest.mark.parametrize("batch", ["all", "1009", "77"])
def test_slices_of_any_size_give_the_same_events(recording: Path, capsys: pytest.CaptureFixture[str], batch: str) -> None:
    assert replay(capsys, recording, "--json", "--batch", batch) == replay(capsys, recording, "--json")


def test_a_human_reads_lines_in_local_time_and_a_summary(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = replay(capsys, recording)
    assert "ALARM  Big nest: its lid is wet" in out
    assert "13104 readings over 2.6 days" in out.splitlines()[-1]


def test_one_reading_is_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "one.csv").write_text("2026-03-28T12:00:00Z,big-air,air_temperature,25.1,degC\n")
    status, out, _ = replay(capsys, tmp_path / "one.csv")
    assert status == 0
    assert "1 reading over 0.0 days" in out


def test_a_gap_of_weeks_is_one_silence_a_probe(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    later = as_csv(simulate(MARCH_MS + 40 * 86_400_000, 0.2, interval_s=120), tmp_path / "later.csv")
    _, out, _ = replay(capsys, later, recording, "--json")  # in any order
    events = [json.loads(line) for line in out.splitlines()]
    silences = [e for e in events if e["kind"] == "alarm" and e["alarm"] == "probe-stale" and e["change"] == "raised"]
    assert {event["probe"] for event in silences} == {"big-air", "big-lid", "small-air", "room-air"}
    assert len(silences) == 4


@pytest.mark.parametrize(
    ("text", "status", "said"),
    [
        ("", 65, "there are no readings in it"),
        ("time,probe,quantity,value,unit\n", 65, "there are no readings in it"),
        ("2026-03-28T12:00:00Z,attic,air_temperature,25.1,degC\n", 65, "It has: attic. The config has: big-air, big-lid"),
        ("probe,value\nbig-air,3\n", 66, "odd.csv:1: the header lacks time, quantity, unit"),
        ("2026-03-28T12:00:00,big-air,air_temperature,25.1,degC\n", 65, "odd.csv:1: left out: the time '2026-03-28T"),
        ("2026-03-28T12:00:00Z,big-air,air_temperature,25,1,degC\n", 65, "write a decimal comma as a point"),
        ("2026-03-28T12:00:00Z;big-air;air_temperature;25.1;degC\n", 65, "put commas for its semicolons"),
        ("28.03.2026 12:00,big-air,air_temperature,25.1,degC\n", 65, "write the year first"),
        ("2026-03-28T12:00:00Z,big-air,air_temperature,25.1\n", 65, "give each value its unit"),
        ("2026-03-28T12:00:00Z\tbig-air\tair_temperature\t25.1\tdegC\n", 65, "put commas for its TABs"),
        ('2026-03-28T12:00:00Z,big-air,air_temperature,"25,1",degC\n', 65, "write its decimal comma as a point"),
        ("3/28/26 12:00 PM,big-air,air_temperature,25.1,degC\n", 65, "write the year first"),
        ("46109.5,big-air,air_temperature,25.1,degC\n", 65, "looks like a spreadsheet's number for a day"),
        ("1774699200,big-air,air_temperature,25.1,degC\n", 65, "seconds or milliseconds since 1970"),
        ("1774699200000,big-air,air_temperature,25.1,degC\n", 65, "seconds or milliseconds since 1970"),
        ("\0" * 200 + "\n", 65, "zero bytes were written instead"),
        ('[{"time": "2026-03-28T12:00:00Z", "probe": "big-air", "value": 3}]', 65, "write other JSON objects one a line"),
        ("2026-03-28T12:00:00Z,big-air,warmth,25.1,degC\n" * 5, 65, "5 bad lines were left out"),
    ],
)
def test_what_cannot_be_replayed_gets_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, status: int, said: str
) -> None:
    (tmp_path / "odd.csv").write_text(text)
    ended, out, err = replay(capsys, tmp_path / "odd.csv")
    assert (ended, out) == (status, "")
    assert said in err


ROWS = "time,probe,quantity,value,unit\n" + "2026-03-28T12:00:00Z,big-air,air_temperature,25.1,°C\n" * 3


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (gzip.compress(ROWS.encode()), "is packed; unpack it first"),
        (lzma.compress(ROWS.encode()), "is packed; unpack it first"),
        (ROWS.encode("utf-16"), "save it as text in UTF-8"),
        (ROWS.encode("utf-16-le"), "save it as text in UTF-8"),
        (ROWS.encode("utf-16-be"), "save it as text in UTF-8"),
        (b"PK\x03\x04\x14\x00", "save the sheet as CSV in UTF-8"),
        (b"%PDF-1.4\n", "save its table as CSV in UTF-8"),
        (b"<!DOCTYPE html>\n", "save the readings themselves"),
        (ROWS.replace("\n", "\r").encode(), "save it with line feeds"),
    ],
)
def test_a_file_that_is_no_text_in_utf_8_is_told_with_its_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], data: bytes, said: str
) -> None:
    (tmp_path / "odd.csv").write_bytes(data)
    ended, out, err = replay(capsys, tmp_path / "odd.csv")
    assert (ended, out) == (66, "")
    assert "odd.csv: " in err and said in err


@pytest.mark.parametrize(
    "data",
    [
        ROWS.encode(), b"\xef\xbb\xbf" + ROWS.replace("\n", "\r\n").encode(), ROWS.replace("\n", "\n\n").encode(),
        ROWS.replace("unit", "unit,note").replace("°C", "°C,dull").encode(),
    ],
    ids=["plain", "bom-crlf", "empty-lines", "a-sixth-column-that-the-header-names"],
)  # fmt: skip
def test_what_spreadsheets_make_of_a_file_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str], data: bytes) -> None:
    (tmp_path / "sheet.csv").write_bytes(data)
    status, out, err = replay(capsys, tmp_path / "sheet.csv")
    assert (status, err) == (0, "")
    assert "3 readings over 0.0 days" in out


@pytest.mark.parametrize("batch", ["1", "all"])
def test_one_row_of_another_century_is_asked_about_and_fills_no_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], batch: str
) -> None:
    row = "2000-01-01T00:00:00Z,big-air,air_temperature,25.1,degC\n"
    later = [f"2026-03-28T12:{minute:02}:00Z,big-air,air_temperature,25.{minute % 3},degC\n" for minute in range(60)]
    (tmp_path / "odd.csv").write_text(row + "".join(later))
    status, out, err = replay(capsys, tmp_path / "odd.csv", "--batch", batch)
    assert status == 0
    assert "nothing was read for 9583 days" in err
    assert not [line for line in out.splitlines() if line.startswith("20") and "2000-01-02" <= line < "2026-03-28"]
    assert "61 readings over 9583.5 days" in out


def test_a_span_of_more_than_a_year_without_a_reading_is_asked_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{time},big-air,air_temperature,25.1,degC\n" for time in ("2026-03-28T12:00:00Z", "2027-05-01T00:00:00Z")]
    (tmp_path / "odd.csv").write_text("".join(rows))
    status, _, err = replay(capsys, tmp_path / "odd.csv")
    assert status == 0
    told = "odd.csv:2: nothing was read for 398 days, from 2026-03-28T12:00:00Z"
    assert told in err
    assert f"({tmp_path / 'odd.csv'}:1) to 2027-05-01T00:00:00Z here: is one of these times wrong?" in err


def test_a_renamed_probe_and_torn_lines_are_left_out_and_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "some.csv").write_text(
        "2026-03-28T12:00:00Z,big-air,air_temperature,25.1,degC\n"
        "2026-03-28T12:00:00Z,old-name,air_temperature,25.1,degC\n"
        "2026-03-28T12:01:00Z,big-air,air_tempe\n"
    )
    status, _, err = replay(capsys, tmp_path / "some.csv")
    assert status == 0
    assert "some.csv:3: left out" in err
    assert "1 reading of probes that the config does not name left out: old-name, the first at" in err
    assert "some.csv:2. The config has: big-air, big-lid" in err


def test_a_reading_that_another_of_its_instant_speaks_against_is_left_out_and_told_with_both_places(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Across files too; one that says the same again is nothing."""
    row = "2026-03-28T12:0{}:00Z,big-air,air_temperature,{},degC\n"
    (tmp_path / "one.csv").write_text("".join(row.format(minute, 25.1) for minute in (0, 1, 2, 3, 4, 4)))
    (tmp_path / "two.csv").write_text("".join(row.format(minute, 25.1 if minute == 1 else 29.5) for minute in range(5)))
    status, _, err = replay(capsys, tmp_path / "one.csv", tmp_path / "two.csv")
    told = err.splitlines()
    assert status == 0
    assert [line.split("two.csv:")[1][:1] for line in told[:3]] == ["1", "3", "4"]
    assert "left out: air temperature of big-air at 2026-03-28T12:00:00Z is 29.5 degC here and 25.1 degC at" in told[0]
    assert "one.csv:1, which counts as the first; leave the wrong one out" in told[0]
    assert told[3:] == ["dewlid: 4 readings left out that another of the same probe and instant speaks against"]


@pytest.mark.parametrize(("value", "quantity", "unit", "asked"), [
    (298.6, "air_temperature", "degC", "is its unit K?"),  # 25.5 degC
    (77.9, "air_temperature", "degC", "is its unit degF?"),  # (77.9 - 32) / 1.8 = 25.5
    (0.82, "relative_humidity", "%RH", "is its unit /?"),
    (3.0, "air_temperature", "degC", ""),  # a cold room
    (77.9, "air_temperature", "degF", ""),
])  # fmt: skip
def test_a_unit_that_was_written_wrongly_is_asked_about_with_its_first_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], value: float, quantity: str, unit: str, asked: str
) -> None:
    rows = [f"2026-03-28T12:0{n}:00Z,big-air,{quantity},{value + 0.01 * n},{unit}\n" for n in range(9)]
    (tmp_path / "odd.csv").write_text(ROWS.split("\n")[0] + "\n" + "".join(rows))
    status, _, err = replay(capsys, tmp_path / "odd.csv")
    assert (status, bool(err)) == (0, bool(asked))
    assert not asked or (asked in err and "odd.csv:2: " in err and "; allowed: " in err)


def test_a_store_whose_chamber_was_renamed_since_is_told_under_the_new_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = write_config(tmp_path)
    visit = Visit(taken_ms=MARCH_MS + HOUR_MS, word_id="one", chamber="big-nest")
    fill(config, MARCH_MS, 0.9, items=[visit])
    config.write_text(config.read_text().replace("big-nest", "old-nest").replace("Big nest", "Old nest"))
    status = cli.main(["replay", str(config), "--store", "--json"])
    told = capsys.readouterr()
    events = [json.loads(line) for line in told.out.splitlines()]
    assert (status, told.err) == (0, "")
    assert {event["chamber"] for event in events if event["kind"] == "alarm"} == {"old-nest"}
    (word,) = (event for event in events if event["kind"] == "word")
    assert (word["accepted"], word["text"]) == (
        False, "unknown_chamber: 'big-nest' is not in the config; allowed: old-nest, small-nest. Nothing was changed by it;"
        " your words stand in the record."
    )  # fmt: skip


def test_each_search_for_advice_that_is_left_out_would_have_told_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[Plan | None] = []
    really = _Talk.search_is_idle

    def and_what_it_would_find(talk: _Talk, state: AdviceState, cause: Cause) -> bool:
        idle = really(talk, state, cause)
        if idle:
            wanted, told = searched(talk.chamber, state, talk.situation, cause), state.open
            young = talk.at_ms - told.told_ms < UPDATE_NOT_BEFORE_MS
            assert wanted is None or not talk._material(state, told, wanted)
            assert wanted is None or young or wanted.keys != told.keys
            found.append(wanted)
        return idle

    monkeypatch.setattr(_Talk, "search_is_idle", and_what_it_would_find)
    cycle = as_csv(simulate(MARCH_MS, 9.0, interval_s=120), tmp_path / "cycle.csv")
    assert replay(capsys, cycle)[0] == 0
    assert len(found) > 10
    assert any(found)


def test_files_and_store_are_not_mixed(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert replay(capsys)[0] == replay(capsys, recording, "--store")[0] == replay(capsys, recording, "--since", "7d")[0] == 64


@pytest.mark.parametrize(("number", "thing", "said"), [
    (0, "alarm", "no alarm"), (1, "letter", "1 letter"), (2, "letter", "2 letters"), (3, "advisory", "3 advisories"),
])  # fmt: skip
def test_a_number_of_things_is_said_as_a_person_would(number: int, thing: str, said: str) -> None:
    assert counted(number, thing) == said
