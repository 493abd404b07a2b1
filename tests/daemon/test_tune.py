"""Tuning lays now and proposed side by side on the keeper's own record, and proposes what quiets without missing."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from daemon import cli

CONFIG = """\
# the keeper's own words stay
[room.study]
[chamber.tank]
room = "study"
[chamber.tank.humidity]
low = 76.0        # close to what it is
deadband = 0.5    # too small
on_delay = "1min"
off_delay = "1min"
[broker.home]
host = "localhost"
[probe.air]
kind = "mqtt-topic"
place = "tank"
broker = "home"
topics = { air_temperature = "t", relative_humidity = "h" }
interval = "2min"
"""
START = np.datetime64("2026-03-20T00:00:00")
Told = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten days over the spring change of clocks: humidity that hovers on the edge, and one hot afternoon."""
    random = np.random.default_rng(4)
    count = 10 * 720
    stamps = np.datetime_as_string(START + np.arange(count) * np.timedelta64(120, "s"))
    humidity = 76.3 + np.convolve(random.normal(0, 1.0, count + 9), np.ones(10) / 3.2, "valid")[:count]
    temperature = 25.5 + random.normal(0, 0.05, count)
    hot = slice(5 * 720 + 400, 5 * 720 + 500)
    temperature[hot] += np.minimum(np.arange(100) * 0.1, 4.0)
    path = tmp_path_factory.mktemp("tune") / "days.csv"
    rows = ["time,probe,quantity,value,unit"]
    for stamp, t, h in zip(stamps.tolist(), temperature.round(2).tolist(), humidity.round(1).tolist(), strict=True):
        rows += [f"{stamp}Z,air,air_temperature,{t},degC", f"{stamp}Z,air,relative_humidity,{h},%RH"]
    path.write_text("\n".join(rows) + "\n")
    return path


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "dewlid.toml").write_text(CONFIG)
    return tmp_path / "dewlid.toml"


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Told:
    def run(*arguments: object) -> tuple[int, str, str]:
        status = cli.main(["tune", *(str(argument) for argument in arguments)])
        out, err = capsys.readouterr()
        return status, out, err

    return run


def row(out: str, name: str) -> list[str]:
    return next(line for line in out.splitlines() if line.strip().startswith(name)).split()


def count_of(text: str) -> int:
    return int(text.strip("()"))


def test_a_lower_edge_is_quieter_and_still_tells_the_real_excursion(config: Path, recording: Path, told: Told) -> None:
    status, out, _ = told(config, recording, "--set", "chamber.tank.humidity.low=70")
    assert status == 0
    assert "10.0 days of readings" in out
    now, proposed = (count_of(row(out, "tank/humidity-low")[place]) for place in (2, 4))
    assert now > 5
    assert proposed == 0
    assert float(row(out, "time in band: tank humidity")[5]) < 70 < float(row(out, "time in band: tank humidity")[7])
    excursion = next(line for line in out.splitlines() if "tank temperature-high, to 29" in line)
    assert "not told" not in excursion
    assert config.read_text() == CONFIG


def test_an_hourly_probe_counts_its_hours_and_its_excursions_like_a_fast_one(
    config: Path, recording: Path, told: Told, tmp_path: Path
) -> None:
    """Once an hour on the hour: the figures are those of the readings, and a hot afternoon of three hours is found."""
    head, *rows = recording.read_text().splitlines()
    slow = tmp_path / "slow.csv"
    slow.write_text("\n".join([head, *(one for one in rows if one[13:19] == ":00:00")]) + "\n")
    config.write_text(CONFIG.replace('"2min"', '"1h"'))
    _, out, _ = told(config, slow, "--set", "chamber.tank.humidity.low=70")
    assert "tank temperature-high" in out
    humid = np.array([float(one.split(",")[3]) for one in slow.read_text().splitlines() if "humidity" in one])
    inside = np.mean((humid >= 76.0) & (humid <= 90.0)) * 100
    assert float(row(out, "time in band: tank humidity")[5]) == pytest.approx(inside, abs=1.5)


def test_suggest_finds_what_is_quiet_and_write_keeps_comments_and_the_former_file(
    config: Path, recording: Path, told: Told
) -> None:
    status, out, _ = told(config, recording, "--suggest", "--write")
    assert status == 0
    assert "Advised: deadband" in out
    now, proposed = (count_of(row(out, "alarms a day")[place]) for place in (4, 6))
    assert proposed < now / 3
    written = config.read_text()
    assert "# the keeper's own words stay" in written
    assert "# too small" in written
    changed = tomllib.loads(written)["chamber"]["tank"]["humidity"]
    assert changed["low"] == 76.0
    assert changed["deadband"] > 0.5
    [kept] = [path for path in config.parent.iterdir() if path.name.startswith("dewlid.toml.")]
    assert kept.read_text() == CONFIG


def test_too_few_days_are_told_in_words(config: Path, recording: Path, told: Told, tmp_path: Path) -> None:
    (tmp_path / "short.csv").write_text("\n".join(recording.read_text().splitlines()[:200]) + "\n")
    status, out, _ = told(config, tmp_path / "short.csv", "--suggest")
    assert status == 0
    assert "days of good samples are too few" in out
    assert "Nothing is proposed" in out


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        ([], 64, "say what to try"),
        (["--set", "chamber.tank"], 65, "write KEY=VALUE"),
        (["--set", "chamber.tank.humidity.hihg=92"], 65, "--set chamber.tank.humidity.hihg: this key is unknown"),
        (["--set", "chamber.tank.humidity.low=199"], 65, "chamber.tank.humidity.low"),
        (["--set", "chamber.tank.humidity.low=95"], 65, "too close"),
    ],
)
def test_what_cannot_be_tried_gets_a_sentence(
    config: Path, recording: Path, told: Told, arguments: list[str], status: int, said: str
) -> None:
    ended, out, err = told(config, recording, *arguments)
    assert (ended, out) == (status, "")
    assert said in err


def test_an_empty_store_gets_a_sentence(config: Path, told: Told, tmp_path: Path) -> None:
    config.write_text(f'[site]\nstate_folder = "{tmp_path}/state"\n{CONFIG}')
    status, _, err = told(config, "--suggest")
    assert status == 74
    assert "there is no store yet" in err
