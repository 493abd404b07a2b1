"""What is exported replays to the same events; a backup can be verified and put back; odd cases get a sentence."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from adapters.simulated_shelf import simulate
from daemon import cli
from daemon.store.history import History
from rules.terms.events import Batch

START_MS = 1_774_656_000_000
CONFIG = Path(__file__).parents[2] / "sample_config" / "simulated-shelf.toml"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A config whose store lies in a folder of the test's own."""
    text = CONFIG.read_text().replace('"1min"', '"5min"')
    text = text.replace('time_zone = "UTC"', f'time_zone = "UTC"\nstate_folder = "{tmp_path}/state"')
    (tmp_path / "dewlid.toml").write_text(text)
    return tmp_path / "dewlid.toml"


@pytest.fixture
def stored(home: Path) -> Path:
    batch = simulate(START_MS, 0.9, interval_s=300)
    history = History.open(home.parent / "state" / "dewlid.sqlite3", now_ms=START_MS)
    for low in range(0, len(batch.value), 140):
        part = slice(low, low + 140)
        history.record(
            Batch(batch.series, batch.series_index[part], batch.taken_ms[part], batch.at_ms[part], batch.value[part])
        )
    history.close()
    return home


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(*arguments: object) -> tuple[int, str, str]:
        status = cli.main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return status, out, err

    return run


@pytest.mark.parametrize("form", ["csv", "json-lines", "senml"])
def test_an_export_replays_to_the_same_events(stored: Path, told: Callable[..., tuple[int, str, str]], form: str) -> None:
    out = stored.parent / f"out.{form}"
    assert told("export", stored, "--form", form, "--out", out)[0] == 0
    from_file = told("replay", stored, out, "--json")
    assert from_file[2] == ""
    assert from_file[1] == told("replay", stored, "--store", "--json")[1]
    assert '"lid-dew"' in from_file[1]


def test_a_part_is_exported_by_its_times(stored: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    _, out, _ = told("export", stored, "--since", "2026-03-28T06:00", "--until", "2026-03-28T07:00")
    lines = out.splitlines()
    assert lines[0] == "time,probe,quantity,value,unit"
    assert lines[1].startswith("2026-03-28T06:00:00Z,big-air,air_temperature,")
    assert len(lines) == 1 + 7 * 12


def test_an_export_never_overwrites_a_file(stored: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    (stored.parent / "mine.csv").write_text("mine")
    status, _, err = told("export", stored, "--out", stored.parent / "mine.csv")
    assert status == 73
    assert "File exists" in err
    assert (stored.parent / "mine.csv").read_text() == "mine"


def test_rolled_up_readings_come_out_as_quarter_hours_and_replay_begins_after_them(
    stored: Path, told: Callable[..., tuple[int, str, str]]
) -> None:
    store = stored.parent / "state" / "dewlid.sqlite3"
    history = History.open(store, now_ms=START_MS)
    history.record(Batch(), state_json=b"{}")
    assert history.roll_up(START_MS + 8 * 3_600_000) > 0
    history.close()
    _, out, _ = told("export", stored, "--quarter-hours")
    rows = [line.split(",") for line in out.splitlines()[1:]]
    assert {row[1] for row in rows} == {"big-air", "big-lid", "small-air", "room-air"}
    assert all(float(row[4]) <= float(row[5]) + 1e-4 and float(row[5]) <= float(row[6]) + 1e-4 for row in rows)
    status, out, err = told("replay", stored, "--store")
    assert status == 0
    assert "older readings were rolled up" in err
    assert "lid is wet" in out


def test_a_backup_is_verified_listed_and_put_back(stored: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    status, out, _ = told("backup", stored)
    assert status == 0
    copy = out.split(":")[0]
    assert told("backup", "--verify", copy)[:2] == (0, f"{copy}: whole\n")
    before = told("export", stored)[1]
    store = stored.parent / "state" / "dewlid.sqlite3"
    history = History.open(store, now_ms=START_MS)
    history.record(Batch.of([]), [])
    history.close()
    assert f"{copy}  " in told("restore", "--config", stored)[1]
    status, out, _ = told("restore", copy, "--config", stored)
    assert status == 0
    assert "is kept as" in out
    assert told("export", stored)[1] == before


def test_a_damaged_backup_is_refused(stored: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    copy = Path(told("backup", stored, "--to", stored.parent / "other")[1].split(":")[0])
    octets = bytearray(copy.read_bytes())
    octets[20_000:24_000] = np.random.default_rng(1).bytes(4_000)
    copy.write_bytes(octets)
    assert told("backup", "--verify", copy)[0] == 74
    status, _, err = told("restore", copy, "--config", stored)
    assert status == 74
    assert "not whole" in err


def test_an_empty_history_gets_a_sentence_from_every_command(home: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    for arguments in (["export", home], ["backup", home], ["replay", home, "--store"]):
        status, out, err = told(*arguments)
        assert status in (65, 74)
        assert out == ""
        assert "there is no store yet; it is made by `dewlid run`" in err
    assert "There is no copy" in told("restore", "--config", home)[1]
    History.open(home.parent / "state" / "dewlid.sqlite3", now_ms=START_MS).close()
    assert told("export", home)[1] == "time,probe,quantity,value,unit\n"
    status, _, err = told("replay", home, "--store")
    assert status == 65
    assert "the store holds no reading yet" in err


def test_json_lines_are_json_objects_with_the_keys_of_the_csv(stored: Path, told: Callable[..., tuple[int, str, str]]) -> None:
    _, out, _ = told("export", stored, "--form", "json-lines", "--until", "2026-03-28T00:06")
    assert [list(json.loads(line)) for line in out.splitlines()] == [["time", "probe", "quantity", "value", "unit"]] * 7
