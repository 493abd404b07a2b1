"""A file to which another program appends, read while it grows, is rotated, shortened or missing."""

from __future__ import annotations

import pytest

from adapters.probes import Failure, Sample, sources
from adapters.probes.recorded import RecordedFile

ROW = "2026-03-01T00:00:00Z,{},air_temperature,{},degC\n"
AT_MS = 1_772_323_200_000


def probe(path, **keys):
    return RecordedFile(kind="recorded-file", place="fungus", path=str(path), **({"quantities": ["air_temperature"]} | keys))


@pytest.fixture
def run(intake, monkeypatch):
    monkeypatch.setattr("adapters.probes.recorded.LOOK_EVERY_S", 0.02)
    made = []

    def start(**probes):
        (source,) = sources(probes, {})
        source.start(intake)
        made.append(source)
        return source

    yield start
    for source in made:
        assert source.stop(5.0)


def append(path, text):
    with path.open("a") as file:
        file.write(text)


def test_only_what_is_appended_is_read_with_its_own_time(tmp_path, intake, run, wait_until):
    path = tmp_path / "log.csv"
    path.write_text("time,probe,quantity,value,unit\n" + ROW.format("air", 20))
    run(air=probe(path), lid=probe(path, quantities=["surface_temperature"], name_in_file="cover"))
    append(path, ROW.format("air", 25.5) + ROW.format("other", 1) + ROW.format("cover", 3)[:-10])
    wait_until(lambda: intake.readings)
    append(path, ROW.format("cover", 3)[-10:] + ROW.format("cover", 22).replace("air_", "surface_"))
    wait_until(lambda: len(intake.readings) == 2)
    assert intake.readings == [("air", "air_temperature", 25.5, AT_MS), ("lid", "surface_temperature", 22.0, AT_MS)]
    assert intake.faults == []


def test_rotated_shortened_and_late_files_are_followed(tmp_path, intake, run, wait_until):
    path = tmp_path / "log.csv"
    run(air=probe(path))
    wait_until(lambda: intake.media)
    path.write_text(ROW.format("air", 21))
    wait_until(lambda: intake.values("air", "air_temperature") == [21.0])
    path.rename(tmp_path / "log.csv.1")
    path.write_text(ROW.format("air", 22) + ROW.format("air", 23))
    wait_until(lambda: intake.values("air", "air_temperature") == [21.0, 22.0, 23.0])
    path.write_text(ROW.format("air", 24))
    wait_until(lambda: intake.values("air", "air_temperature")[-1] == 24.0)
    assert [down for _, down, _ in intake.media][:2] == [True, False]


def test_bad_lines_are_counted_and_told_once(tmp_path, intake, run, wait_until):
    path = tmp_path / "log.jsonl"
    path.touch()
    source = run(air=probe(path))
    append(path, '{"time": 1}\n{"time": 2}\n{"a":1,"a":2}\n' + "x" * 9000 + "\n" + ROW.format("air", 25))
    wait_until(lambda: intake.readings)
    counts = source.tallies["air"].counts()
    assert counts["bad-row"] == 3
    assert counts["duplicate-key"] == 1
    assert sorted(kind for _, kind, _ in intake.faults) == ["garbled", "implausible"]


def test_trial_returns_the_last_reading_that_stands_in_the_file(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(ROW.format("air", 20) + ROW.format("air", 21) + "torn")
    (source,) = sources({"air": probe(path), "gone": probe(path)}, {})
    assert source.try_once(1.0) == [
        Sample("air", "air_temperature", 21.0, AT_MS),
        Failure("gone", "unreachable", f"no air_temperature in the last lines of {path}"),
    ]
    (source,) = sources({"air": probe(tmp_path / "none")}, {})
    assert source.try_once(1.0) == [Failure("air", "unreachable", f"file {tmp_path}/none: No such file or directory")]
