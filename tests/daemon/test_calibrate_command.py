"""`dewlid calibrate`: from readings in the store to a correction that the engine uses."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import time_machine

from daemon.cli import main
from daemon.commands import calibrate
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.store.spool import Spool
from rules.physics.salt_points import SaltName, salt_point
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch
from rules.turn.advance import advance, dump_state
from rules.turn.present import present
from rules.turn.state import EngineState

CONFIG = """
[site]
time_zone = "Europe/Berlin"
state_folder = "{folder}"
[chamber.nest]
[room.study]
[probe.air]
kind = "mqtt-topic"
place = "nest"
broker = "home"
interval = "1min"
topics = {{ air_temperature = "nest/t", relative_humidity = "nest/h" }}
[probe.trusted]
kind = "mqtt-topic"
place = "study"
broker = "home"
interval = "1min"
accuracy_humidity_pct = 1
topics = {{ air_temperature = "study/t", relative_humidity = "study/h" }}
[broker.home]
host = "127.0.0.1"
"""
ZONE = ZoneInfo("Europe/Berlin")
START_MS = round(datetime(2027, 5, 1, 20, 0, tzinfo=ZONE).timestamp() * 1000)
OFFSET, GAIN = 2.4, 0.96
"""What the probe is wrong by: it reads (true - offset) / gain."""


class Bench:
    """A probe on a bench, its readings in a store."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.config, self.capsys = folder, folder / "dewlid.toml", capsys
        self.config.write_text(CONFIG.format(folder=folder))
        self.settings = settings_of(load(self.config))
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.state: EngineState | None = None
        self.now_ms = START_MS
        self.spread = np.random.default_rng(3)

    def lie(self, hours: float, true_pct: float, *, from_pct: float | None = None, drift_pct_h: float = 0.0) -> None:
        """Let the probe lie in air that comes to a humidity with a time constant of an hour, in 23 degC."""
        count = round(hours * 60)
        at_ms = self.now_ms + MINUTE_MS * np.arange(1, count + 1)
        passed_h = (at_ms - self.now_ms) / HOUR_MS
        air = true_pct + ((from_pct or true_pct) - true_pct) * np.exp(-passed_h) + drift_pct_h * passed_h
        read = np.round((air - OFFSET) / GAIN + 0.03 * self.spread.standard_normal(count), 2)
        warm = np.round(23.0 + 0.02 * self.spread.standard_normal(count), 2)
        columns = (warm, read, warm, air + 0.05 * self.spread.standard_normal(count))
        names = tuple((probe, what) for probe in ("air", "trusted") for what in ("air_temperature", "relative_humidity"))
        self.record(
            Batch(
                series=names,  # type: ignore[arg-type]
                series_index=np.tile(np.arange(4, dtype=np.int32), count), taken_ms=np.repeat(at_ms, 4),
                at_ms=np.repeat(at_ms, 4), value=np.column_stack(columns).ravel(),
            )
        )  # fmt: skip

    def over(self, salt: SaltName, hours: float, from_pct: float) -> str:
        """Let it lie over a salt and return how the keeper writes that."""
        begin = datetime.fromtimestamp(self.now_ms / 1000, ZONE)
        self.lie(hours, salt_point(salt, 23.0).relative_humidity_pct, from_pct=from_pct)
        end = datetime.fromtimestamp(self.now_ms / 1000, ZONE)
        return f"{salt}@{begin:%Y-%m-%dT%H:%M}/{end:%Y-%m-%dT%H:%M}"

    def record(self, batch: Batch) -> None:
        stamps = [*batch.taken_ms[-1:].tolist(), *(item.taken_ms for item in batch.items)]
        self.now_ms = max(self.now_ms, *stamps)
        advanced = advance(self.settings, self.state, batch, self.now_ms + 1)
        self.state = advanced.state
        history = History.open(self.folder / "dewlid.sqlite3", now_ms=self.now_ms)
        history.record(batch, advanced.events, dump_state(self.state))
        history.close()

    def take_words(self) -> int:
        words, _ = self.spool.waiting(self.now_ms + 1000)
        self.record(Batch.of(items=[each.word for each in words]))
        self.spool.done(words)
        return len(words)

    def say(self, *words: str, status: int = 0) -> str:
        with time_machine.travel((self.now_ms + 1000) / 1000, tick=False):
            assert main(["calibrate", "air", "--config", str(self.config), *words]) == status
        told = self.capsys.readouterr()
        assert "Traceback" not in told.err
        return told.err if status in (64, 65) and told.err else told.out


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Bench]:
    monkeypatch.setenv("USER", "keeper")
    yield Bench(tmp_path, capsys)


def test_without_more_it_guides_and_states_the_soak_times(bench: Bench) -> None:
    told = bench.say()
    salts = ("sodium-chloride      NaCl   soak 8 h", "potassium-sulphate   K2SO4  soak 24 h")
    for part in ("never done", "dewlid out-of-service air", *salts):
        assert part in told


def test_one_salt_gives_an_offset_that_the_engine_uses_and_the_history_keeps(bench: Bench) -> None:
    salt = bench.over("sodium-chloride", 12, from_pct=50.0)
    told = json.loads(bench.say("--salt", salt, "--json"))
    raw = (salt_point("sodium-chloride", 23.0).relative_humidity_pct - OFFSET) / GAIN
    assert told["gain"] == 1.0
    assert told["offset"] == pytest.approx(75.37 - raw, abs=0.1)
    assert 0.05 < told["standard_uncertainty"] < 1.0
    assert bench.take_words() == 1
    bench.lie(0.2, 75.37)
    assert bench.state is not None
    assert present(bench.settings, bench.state)["nest"].relative_humidity_pct == pytest.approx(75.37, abs=0.2)
    shown = bench.say()
    assert "Humidity check of air: due 2027-07-3" in shown
    assert "sodium-chloride at 23.0 degC: read 76.0" in shown


def test_two_salts_give_offset_and_gain_and_a_third_one_checks_them(bench: Bench) -> None:
    low = bench.over("sodium-chloride", 12, from_pct=50.0)
    high = bench.over("potassium-sulphate", 30, from_pct=75.0)
    middle = bench.over("potassium-chloride", 12, from_pct=97.0)
    told = json.loads(bench.say("--salt", low, "--salt", high, "--salt", middle, "--json"))
    assert told["gain"] == pytest.approx(GAIN, abs=0.005)
    assert told["offset"] == pytest.approx(OFFSET, abs=0.4)
    assert abs(told["residual"]) < 0.3
    assert told["taken"]


def test_a_probe_that_is_bent_is_condemned_and_not_corrected(bench: Bench) -> None:
    low = bench.over("sodium-chloride", 12, from_pct=50.0)
    high = bench.over("potassium-sulphate", 30, from_pct=75.0)
    bench.lie(12, salt_point("potassium-chloride", 23.0).relative_humidity_pct + 4.0)
    begin = datetime.fromtimestamp((bench.now_ms - 12 * HOUR_MS) / 1000, ZONE)
    told = bench.say("--salt", low, "--salt", high, "--salt", f"potassium-chloride@{begin:%Y-%m-%dT%H:%M}", status=65)
    assert "bent or spoilt" in told
    assert bench.spool.waiting(0) == ([], [])


def test_before_equilibrium_it_says_what_is_lacking_and_when_to_look_again(bench: Bench) -> None:
    bench.lie(3, 75.4, from_pct=50.0)
    told = bench.say("--salt", "sodium-chloride@20:00", status=75)
    assert "not at rest: soaked 3.0 h of 8 h" in told
    assert "Look again at 2027-05-02 04:01" in told  # the first reading came a minute after
    bench.lie(9, 75.4, drift_pct_h=0.5)
    assert "humidity still drifts by +0.5" in bench.say("--salt", "sodium-chloride@2027-05-01T20:00", status=75)
    assert bench.spool.waiting(0) == ([], [])


def test_waiting_looks_again_until_it_is_at_rest(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    waited: list[float] = []

    def later(seconds: float) -> None:
        waited.append(seconds)
        bench.lie(4, 75.37)

    bench.lie(3, 75.37, from_pct=50.0)
    monkeypatch.setattr(calibrate, "sleep", later)
    told = bench.say("--salt", "sodium-chloride@2027-05-01T20:00", "--wait")
    assert len(waited) == 2
    steps = [told.index(part) for part in ("not at rest: soaked 3.0 h", "not at rest: soaked 7.0 h", "at rest after 11.0 h")]
    assert steps == sorted(steps)
    assert "air is corrected from now on" in told


def test_a_correction_far_beyond_what_the_probe_may_be_off_by_is_asked_about(bench: Bench) -> None:
    """Makers state 2 to 5 %RH (common practice, no source); the probe of this config says nothing of its own: 2 %RH."""
    begin = datetime.fromtimestamp(bench.now_ms / 1000, ZONE)
    bench.lie(12, 75.4 - 15.0)
    salt = f"sodium-chloride@{begin:%Y-%m-%dT%H:%M}"
    told = bench.say("--salt", salt, status=65)
    assert "is far from what the probe may be off by, 2 %RH: sure?" in told
    assert bench.spool.waiting(0) == ([], [])
    assert "is corrected from now on" in bench.say("--salt", salt, "--yes")
    assert bench.take_words() == 1


def test_a_dry_run_corrects_nothing(bench: Bench) -> None:
    salt = bench.over("sodium-chloride", 12, from_pct=50.0)
    told = bench.say("--salt", salt, "--dry-run")
    assert "offset" in told
    assert "Nothing is corrected: this was a dry run." in told
    assert bench.spool.waiting(0) == ([], [])


def test_beside_a_trusted_probe_its_uncertainty_is_taken_over(bench: Bench) -> None:
    bench.lie(6, 85.0, from_pct=60.0)
    told = json.loads(bench.say("--against", "trusted", "--from", "20:00", "--json"))
    assert told["gain"] == pytest.approx(GAIN, abs=0.01)
    assert told["offset"] == pytest.approx(OFFSET, abs=0.8)
    assert told["standard_uncertainty"] >= 1.0 / np.sqrt(3.0) - 0.01
    assert "against trusted" in told["method"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--salt", "sugar@20:00"), "write SALT@FROM or SALT@FROM/TO with one of lithium-chloride"),
        (("--salt", "sodium-chloride"), "since when does the probe lie in it?"),
        (("--salt", "sodium-chloride@soon"), "is no date and time"),
        (("--salt", "sodium-chloride@2027-04-01T20:00"), "at most four days"),
        (("--salt", "sodium-chloride@20:00", "--temperature", "40"), "15 to 30 degC is allowed"),
        (("--against", "trusted"), "--from: since when"),
        (("--against", "air", "--from", "20:00"), "says nothing about itself"),
        (("--against", "lid", "--from", "20:00"), "There is no probe lid. Probes: air, trusted."),
        (("--against", "trusted", "--from", "2027-05-02T07:58"), "at least 20 are needed"),
        (("--against", "trusted", "--from", "20:00", "--salt", "sodium-chloride@20:00"), "not both at once"),
    ],
)
def test_bad_input_is_refused_by_name(bench: Bench, words: tuple[str, ...], said: str) -> None:
    bench.lie(12, 75.4, from_pct=50.0)
    called_wrongly = said in ("--from: since when", "not both at once")
    assert said in bench.say(*words, status=64 if called_wrongly else 65)
    assert bench.spool.waiting(0) == ([], [])
