"""The door for any world: `dewlid replay CONFIG - --json`, a line in, events out, through the real command line."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from adapters.simulated_shelf import cycle_start, simulate

ROOT = Path(__file__).parents[3]
SHELF = ROOT / "sample_config" / "simulated-shelf.toml"
MARCH_MS = cycle_start(1_774_656_000_000)
UNITS = {"air_temperature": "degC", "relative_humidity": "%RH", "surface_temperature": "degC"}
WARM = {"time": "2026-03-28T12:00:00Z", "probe": "big-air", "quantity": "air_temperature", "value": 25.1, "unit": "degC"}
NOON = {"now": "2026-03-28T12:01:00Z"}


def loop(lines: Iterable[Any], *options: str) -> tuple[int, list[dict[str, Any]], str]:
    text = "".join((line if isinstance(line, str) else json.dumps(line)) + "\n" for line in lines)
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "replay", str(SHELF), "-", "--json", *options],
        input=text, capture_output=True, text=True, cwd=ROOT, check=False, timeout=300,
    )  # fmt: skip
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr


def stamp(at_ms: int) -> str:
    return f"{np.datetime64(at_ms, 'ms')}Z"


def shelf(days: float, every_min: int) -> list[dict[str, Any]]:
    """Return the lines of the simulated shelf, with an instant every so many minutes."""
    batch = simulate(MARCH_MS, days, interval_s=120)
    lines: list[dict[str, Any]] = []
    due_ms = int(batch.taken_ms[0]) + every_min * 60_000
    for index, taken_ms, value in zip(batch.series_index.tolist(), batch.taken_ms.tolist(), batch.value.tolist(), strict=True):
        while taken_ms >= due_ms:
            lines.append({"now": stamp(due_ms)})
            due_ms += every_min * 60_000
        probe, quantity = batch.series[index]
        lines.append({"time": stamp(taken_ms), "probe": probe, "quantity": quantity, "value": value, "unit": UNITS[quantity]})
    return [*lines, {"now": stamp(int(batch.taken_ms[-1]) + 1)}]


def test_the_loop_tells_what_a_replay_of_the_same_readings_tells(tmp_path: Path) -> None:
    lines = shelf(1.5, 10)
    status, told, err = loop(lines)
    (tmp_path / "shelf.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines if "now" not in line))
    command = [sys.executable, "-m", "daemon.cli", "replay", str(SHELF), str(tmp_path / "shelf.jsonl"), "--json"]
    whole = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True)
    assert (status, err) == (0, "")
    assert [event for event in told if "closed" not in event] == [json.loads(line) for line in whole.stdout.splitlines()]
    assert [event["closed"] for event in told if "closed" in event] == [
        line["now"].replace(".000Z", "Z") for line in lines if "now" in line
    ]


def test_every_instant_is_answered_before_the_next_line_is_awaited() -> None:
    command = [sys.executable, "-m", "daemon.cli", "replay", str(SHELF), "-", "--json"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for minute in (1, 2, 3):
            now = f"2026-03-28T12:0{minute}:00Z"
            reading = WARM | {"time": f"2026-03-28T12:0{minute - 1}:30Z"}
            process.stdin.write(f"{json.dumps(reading)}\n{json.dumps({'now': now})}\n")
            process.stdin.flush()
            while (answer := json.loads(process.stdout.readline())) != {"closed": now}:
                assert answer["time"] < now
        process.stdin.close()
        assert process.wait(60) == 0


def test_what_lies_at_or_behind_an_instant_waits_for_the_next() -> None:
    visit = {"time": "2026-03-28T12:01:00Z", "word": {"word": "visit", "chamber": "big-nest"}}
    status, told, _ = loop([visit, WARM, NOON, {"now": "2026-03-28T12:02:00Z"}])
    at = [next(iter(event)) if "closed" in event else event["kind"] for event in told]
    assert status == 0
    assert "word" in at[at.index("closed") :]
    assert "word" not in at[: at.index("closed")]


def test_only_a_now_ahead_of_everything_begins_another_watch() -> None:
    readings = [WARM | {"time": f"2026-03-28T12:{minute:02}:00Z", "value": 31.0 + minute % 3 / 50} for minute in range(40)]
    end = {"now": "2026-03-28T12:45:00Z"}

    def ids(*lines: dict[str, Any]) -> list[str]:
        status, told, err = loop([*lines, end])
        assert (status, err) == (0, "")
        return [event["id"] for event in told if "closed" not in event]

    plain = ids(*readings)
    assert len(plain) > 3
    assert ids({"now": readings[0]["time"]}, *readings) == plain
    assert ids(readings[0], {"now": "2026-03-28T12:00:30Z"}, *readings[1:]) == plain
    earlier = ids({"now": "2026-03-28T11:00:00Z"}, *readings)
    assert not set(earlier) & set(plain) and any("probe-stale" in name for name in earlier)


def test_a_keepers_word_is_heard_and_answered() -> None:
    size = {"word": "garden", "chamber": "big-nest", "at_ms": 1_774_699_205_000, "garden_ml": 400.0}
    status, told, _ = loop([
        WARM, {"time": "2026-03-28T12:00:10Z", "word": size},
        {"time": "2026-03-28T12:00:20Z", "word": {"word": "advice-done", "advisory": "big-nest-9"}}, NOON,
    ])  # fmt: skip
    answers = [event for event in told if event.get("kind") == "word"]
    assert status == 0
    assert [event["accepted"] for event in answers] == [True, False]
    assert "there is no advice 'big-nest-9'" in answers[1]["text"]


def test_the_chambers_are_fitted_daily_only_when_asked() -> None:
    lines = shelf(3.0, 60)
    fits = {}
    for options in ((), ("--learn",)):
        status, told, err = loop(lines, *options)
        assert (status, err) == (0, "")
        fits[options] = [event for event in told if event.get("kind") == "word" and "daily fit" in event["text"]]
    assert fits[()] == []
    assert {event["chamber"] for event in fits[("--learn",)]} == {"big-nest", "small-nest"}
    assert all(event["accepted"] for event in fits[("--learn",)])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("{", "not JSON"),
        ("[1]", "is not a JSON object; write {\"time\",\"probe\""),
        ('{"probe": "big-air"}', "lacks time, quantity, value, unit"),
        (WARM | {"probe": "attic"}, "the config has no probe 'attic'; it has: big-air, big-lid"),
        (WARM | {"quantity": "wind"}, "unknown quantity 'wind'; allowed: air_temperature"),
        (WARM | {"unit": "bar"}, "unit 'bar' is not a unit of air temperature; allowed: Cel, degC"),
        (WARM | {"value": "25"}, "is not a number"),
        (WARM | {"time": "noon"}, "'noon' is no RFC 3339 time, such as 2026-03-01T06:30:00Z"),
        (WARM | {"time": "2026-03-28T12:00:00"}, "says no offset from UTC; add Z or +01:00"),
        ({"now": "2026-03-28T11:00:00Z"}, "everything before 2026-03-28T12:01:00Z is judged already"),
        (WARM | {"time": "2026-03-28T12:00:59Z"}, "everything before 2026-03-28T12:01:00Z is judged already"),
        (WARM | {"time": "2027-03-30T12:02:00Z"}, "more than a year from 2026-03-28T12:01:00Z in a line before"),
        ({"now": "2126-03-28T12:02:00Z"}, "is it right"),
        ({"time": "2026-03-28T12:02:00Z", "word": "done"}, '"word" is \'done\'; it must be an object'),
        ({"time": "2026-03-28T12:02:00Z", "word": {"word": "dance"}}, "no such word; allowed: 'acknowledge'"),
        ({"time": "2026-03-28T12:02:00Z", "word": {"word": "visit", "chamber": "a", "for_ms": -1}}, "for_ms: found"),
        (
            {"time": "2026-03-28T12:02:00Z", "word": {"word": "model-fitted", "chamber": "big-nest", "model": {}}},
            "model-fitted is a word of the daemon",
        ),
        ('{"now": "2026-03-28T12:02:00Z", "now": "2026-03-28T12:03:00Z"}', "twice"),
        ('{"value": NaN}', "NaN is not a number that JSON knows"),
    ],
)  # fmt: skip
def test_a_line_that_cannot_be_taken_ends_the_loop_with_its_number_and_what_to_do(line: Any, said: str) -> None:
    status, told, err = loop([WARM, NOON, "", line, WARM])
    assert status == 65
    assert told[-1] == {"closed": NOON["now"]}
    assert err.startswith("dewlid: standard input, line 4: ")
    assert said in err


def test_an_empty_stream_is_no_error_but_a_torn_or_endless_line_and_readings_that_nobody_judged_are() -> None:
    assert loop([]) == (0, [], "")
    assert loop([WARM, NOON, '{"now": "2026-03-'])[0] == 65
    assert "line 1: 65538 bytes; at most 65536 are taken" in loop(["x" * 200_000])[2]
    status, _, err = loop([NOON, WARM | {"time": "2026-03-28T12:01:00Z"}])
    assert (status, "1 readings and words behind the last instant were not judged" in err) == (65, True)


def test_the_example_for_contributors_runs_as_it_stands(tmp_path: Path) -> None:
    """Its config is one of the samples; the box cools, and the program says so and what to do."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    example = text.split("```python\n", 1)[1].split("```", 1)[0]
    assert len(example.splitlines()) <= 20
    (tmp_path / "loop.py").write_text(example, encoding="utf-8")
    environment = {"PATH": str(Path(sys.executable).parent), "PYTHONPATH": str(ROOT)}
    config = str(ROOT / "sample_config" / "broker-only.toml")
    command = [sys.executable, str(tmp_path / "loop.py"), config]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True, env=environment)
    assert "Check the heat" in done.stdout


@pytest.mark.parametrize("arguments", [["-"], ["-", "-", "--json"], ["-", "some.csv", "--json"], ["some.csv", "--learn"]])
def test_the_door_stands_alone_and_speaks_json(arguments: list[str]) -> None:
    command = [sys.executable, "-m", "daemon.cli", "replay", str(SHELF), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, stdin=subprocess.DEVNULL)
    assert (done.returncode, done.stdout) == (64, "")
    assert "dewlid replay CONFIG - --json [--learn]" in done.stderr
