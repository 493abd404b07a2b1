"""Every file in sample_config/ is accepted by the command line as it stands, without a doubt, and says which case it is for."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

SAMPLES = sorted((Path(__file__).parents[2] / "sample_config").glob("*.toml"))


def test_the_promised_cases_are_there() -> None:
    promised = {"one-chamber", "modbus-rack", "broker-only", "two-colonies", "school-vivarium", "simulated-shelf"}
    assert {path.stem for path in SAMPLES} == promised


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_check_offline_finds_nothing_to_mend(path: Path) -> None:
    command = [sys.executable, "-m", "daemon.cli", "check", "--offline", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=path.parents[1])
    cooks = path.stem == "simulated-shelf"  # its third day is that of a thermostat that sticks
    secrets = re.findall(r'^password_file = "(.*)"', path.read_text(encoding="utf-8"), re.MULTILINE)
    faults, warned = len(secrets), 2 * cooks  # nobody has written the passwords of an example
    assert (done.returncode, done.stderr) == (69 if faults else 0, "")
    assert [len(re.findall(f"^{grade}", done.stdout, re.MULTILINE)) for grade in ("fault", "warning")] == [faults, warned]
    assert all(f"secret file {secret}: No such file or directory" in done.stdout for secret in secrets)
    assert done.stdout.count("fit an independent cut-out set at 30 °C") == 2 * cooks


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_each_is_explained_at_the_top_and_within(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    assert sum("#" in line for line in lines) >= 4


def test_the_school_has_six_chambers_and_a_stand_in() -> None:
    school = tomllib.loads(next(path for path in SAMPLES if path.stem == "school-vivarium").read_text(encoding="utf-8"))
    assert len(school["chamber"]) == 6
    assert school["outlet"]["mail"]["stand_in"] == ["caretaker@school.example"]


def test_the_two_colonies_share_one_room_probe() -> None:
    shelf = tomllib.loads(next(path for path in SAMPLES if path.stem == "two-colonies").read_text(encoding="utf-8"))
    assert {chamber["colony"] for chamber in shelf["chamber"].values()} == {"atta", "acro"}
    assert {chamber["room"] for chamber in shelf["chamber"].values()} == {"winter-garden"}
    assert [name for name, probe in shelf["probe"].items() if probe["place"] == "winter-garden"] == ["room-air"]
