"""The demo finds each trouble, is quiet otherwise, never contradicts itself, and its store replays to the same events."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.demo.broker import program
from daemon.demo.closing import closing, found_after_ms, written_after_ms
from daemon.demo.scene import TROUBLES
from daemon.demo.stage import CONFIG_NAME, Shown, show
from daemon.desk.replay import from_store, replayed
from daemon.store.outbox_rows import counts
from daemon.store.reader import HistoryReader

START_MS = 1_768_176_000_000  # Monday 2026-01-12, midnight UTC
DAYS = 3.3
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shown, str]:
    stream = io.StringIO()
    shown = show(tmp_path_factory.mktemp("demo"), START_MS, DAYS, stream)
    return shown, stream.getvalue() + closing(shown, 1.0)


@pytest.fixture
def store(demo: tuple[Shown, str]) -> Iterator[HistoryReader]:
    with HistoryReader(load(demo[0].folder / CONFIG_NAME).store) as reader:
        yield reader


def hour_of(event: dict[str, Any]) -> float:
    return (datetime.fromisoformat(event["time"]).timestamp() * 1000 - START_MS) / HOUR_MS


def plain(shown: Shown) -> list[dict[str, Any]]:
    return [event.as_json() for event in shown.events]


def raised(shown: Shown) -> list[tuple[str | None, str, float]]:
    return [
        (event["chamber"], event["alarm"], hour_of(event))
        for event in plain(shown)
        if event["kind"] == "alarm" and event["change"] == "raised"
    ]


@pytest.mark.parametrize(("number", "within_h"), [(0, 0.8), (1, 0.6), (2, 0.8), (3, 2.5)])
def test_each_trouble_is_found_soon(demo: tuple[Shown, str], number: int, within_h: float) -> None:
    after_ms = found_after_ms(TROUBLES[number], demo[0])
    assert after_ms is not None
    assert 0 < after_ms <= within_h * HOUR_MS


def test_how_long_a_letter_took_is_told_as_the_letters_came(demo: tuple[Shown, str]) -> None:
    shown, text = demo
    first = {}
    for event in plain(shown):
        if event["kind"] == "letter" and event["to"] == "keeper":
            for number, trouble in enumerate(TROUBLES):
                about = any(one.get("alarm") in trouble.alarms and one["chamber"] == trouble.chamber for one in event["about"])
                if about and trouble.begin_h <= hour_of(event) < trouble.end_h:
                    first.setdefault(number, hour_of(event) - trouble.begin_h)
    told = [written_after_ms(trouble, shown) for trouble in TROUBLES]
    assert [None if ms is None else ms / HOUR_MS for ms in told] == [pytest.approx(first[one]) for one in range(len(TROUBLES))]
    minutes = round(60 * first[1])
    assert f"{f'{minutes} min' if minutes < 120 else f'{minutes / 60:.1f} h'}  the big nest's heat mat fails" in text


def test_the_keeper_does_nothing_twice(demo: tuple[Shown, str]) -> None:
    repairs = [line for line in demo[1].replace("\n        ", " ").splitlines() if "plugs the heater in" in line]
    assert len(repairs) == 1


def test_nothing_is_raised_where_nothing_is_wrong(demo: tuple[Shown, str]) -> None:
    troubled = {"big-nest": (18.5, 60.0), "small-nest": (57.8, 80.0)}  # from the first trouble to the end of its aftermath
    told = [each for each in raised(demo[0]) if each[1] != "lid-unsure"]  # a question for the digest, no trouble
    elsewhere = [each for each in told if not troubled[each[0]][0] <= each[2] < troubled[each[0]][1]]
    assert elsewhere == []


def test_no_advice_contradicts_itself_or_stands_beside_another(demo: tuple[Shown, str]) -> None:
    opposite = {"more": {"less", "stop"}, "less": {"more"}, "stop": {"more"}, "open": {"close"}, "close": {"open"}}
    standing: dict[str, str] = {}
    for event in plain(demo[0]):
        if event["kind"] != "advice":
            continue
        if event["status"] == "given":
            assert event["chamber"] not in standing, "a second advisory beside the first"
            standing[event["chamber"]] = event["advisory"]
        assert standing[event["chamber"]] == event["advisory"].removesuffix(f".{event['revision']}")
        if event["status"] in ("resolved", "withdrawn", "verified"):
            del standing[event["chamber"]]
        turns = {(action["device"], action["change"]) for action in event["actions"]}
        assert not [(device, turn) for device, turn in turns if any((device, no) in turns for no in opposite.get(turn, ()))]


def test_what_the_keeper_did_is_looked_at_again(demo: tuple[Shown, str]) -> None:
    verified = [event for event in plain(demo[0]) if event["kind"] == "advice" and event["status"] == "verified"]
    assert {event["chamber"] for event in verified} == {"big-nest", "small-nest"}
    assert any("when I looked again" in event["reason"] for event in verified)


def test_the_chambers_are_well_in_the_end(store: HistoryReader) -> None:
    body = store.last_state()
    assert body is not None
    records = json.loads(body[0])["alarms"]["records"].values()
    assert [(record["chamber"], record["alarm"]) for record in records if record["condition"] != "normal"] == []


def test_everything_was_delivered_and_every_letter_is_a_file(demo: tuple[Shown, str], store: HistoryReader) -> None:
    shown, text = demo
    letters = list((shown.folder / "letters").glob("*.txt"))
    assert counts(store.connection) == {}
    assert len(letters) == shown.letters == text.count("@ Letter") == len(list(store.events(kinds=["letter"])))
    assert all(letter.read_text().startswith("Subject: ") for letter in letters)


@pytest.mark.skipif(program() is None, reason="no broker on this machine")
def test_the_broker_hands_on_every_event(demo: tuple[Shown, str], store: HistoryReader) -> None:
    published = len([event for event in store.events() if event["kind"] != "letter"])
    assert demo[0].mqtt_messages is not None
    assert demo[0].mqtt_messages >= published


def test_a_newcomer_is_told_what_to_look_at_and_what_to_try(demo: tuple[Shown, str]) -> None:
    text = demo[1]
    assert "DO THIS FIRST" in text
    assert "What went wrong, and how long until it was an alarm on every screen and in a letter, be it the digest:" in text
    assert f"dewlid replay {demo[0].folder / CONFIG_NAME} --store" in text
    assert max(len(line) for line in text.splitlines()) <= 180


def test_on_a_terminal_no_line_is_written_behind_the_bar() -> None:
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "daemon.cli", "demo", "--days", "0.9"]
    done = subprocess.Popen(command, cwd=Path(__file__).parents[2], stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL)
    os.close(theirs)
    written = b""
    with contextlib.suppress(OSError):  # the terminal's other end is closed
        while octets := os.read(ours, 65536):
            written += octets
    os.close(ours)
    assert done.wait(30) == 0
    pieces = re.split(r"[\r\n]+", written.decode())
    bars = [piece for piece in pieces if piece.startswith("demo [")]
    assert len(bars) > 3
    assert [bar for bar in bars if not re.fullmatch(r"demo \[#*\.*\] +\d+ % *", bar)] == []
    assert any("@ Letter:" in piece for piece in pieces)


# ---------------------------------------------------------------- live and replay


@pytest.mark.parametrize("at_once", [97, 4001, None])
def test_the_replay_of_the_store_gives_every_event_of_the_live_run(
    demo: tuple[Shown, str], store: HistoryReader, at_once: int | None
) -> None:
    settings = settings_of(load(demo[0].folder / CONFIG_NAME))
    again = [event for step in replayed(settings, from_store(store, settings, 0, at_once)) for event in step.events]
    live = list(store.events())
    assert [event.id for event in again] == [event["id"] for event in live]
    assert json.loads(json.dumps([event.as_json() for event in again])) == live


def test_since_tells_only_the_later_events_but_knows_the_earlier(demo: tuple[Shown, str], store: HistoryReader) -> None:
    settings = settings_of(load(demo[0].folder / CONFIG_NAME))
    since_ms = START_MS + 50 * HOUR_MS
    again = [event.id for step in replayed(settings, from_store(store, settings, since_ms)) for event in step.events]
    assert again == [event["id"] for event in store.events(since_ms)]
    assert again


def test_a_folder_that_is_not_empty_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from daemon import cli

    (tmp_path / "mine").write_text("keep")
    assert cli.main(["demo", "--out", str(tmp_path)]) == 73
    assert "the folder is not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
