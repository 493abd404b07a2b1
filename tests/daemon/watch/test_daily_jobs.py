"""What is done beside the engine: the daily fit, the hourly calendar, and what would quiet a chattering alarm."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from chamber_histories import history_of, true_logs

from daemon.clock import StreamClock, SystemClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.fit.process import fit_all, job_of
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch import daily_jobs
from daemon.watch.daily_jobs import keep_learning
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume
from daemon.watch.timetable import Polling
from rules.advice.fit import History as Past
from rules.advice.fit import fit
from rules.advice.model import model_from_json, prior_model
from rules.physics.lid_factor import prior_factor
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AlarmEvent, Batch, Reading
from rules.terms.words import OutOfService, Visit
from rules.turn.advance import advance, dump_state

CONFIG = """
[site]
state_folder = "{folder}"
calendar_file = "{folder}/care.ics"
[room.study]
[chamber.nest]
room = "study"
[chamber.nest.devices.vents]
count = 3
[probe.air]
kind = "mqtt-topic"
place = "nest"
broker = "home"
topics = {{ air_temperature = "nest/t", relative_humidity = "nest/h" }}
interval = "10min"
[probe.study-air]
kind = "mqtt-topic"
place = "study"
broker = "home"
topics = {{ air_temperature = "study/t", relative_humidity = "study/h" }}
interval = "10min"
[broker.home]
host = "127.0.0.1"
"""
NOW_MS = SystemClock().wall_ms() // HOUR_MS * HOUR_MS
"""A full hour: what swings is known by whole hours, so at another minute an alarm may come twice instead of three times."""
SERIES = tuple((probe, what) for probe in ("air", "study-air") for what in ("air_temperature", "relative_humidity"))


class House:
    def __init__(self, folder: Path) -> None:
        self.configuration = load_text(CONFIG.format(folder=folder))
        self.settings, self.folder = settings_of(self.configuration), folder
        self.history = History.open(self.configuration.store, now_ms=NOW_MS)

    def fill(self, columns: np.ndarray, step_ms: int, *, items: tuple[Any, ...] = ()) -> None:
        """Record rows of (chamber T, RH, room T, RH) that end now, and the state of an engine that begins now."""
        at_ms = NOW_MS - step_ms * np.arange(len(columns), 0, -1)
        batch = Batch(
            series=SERIES, series_index=np.tile(np.arange(4, dtype=np.int32), len(columns)),  # type: ignore[arg-type]
            taken_ms=np.repeat(at_ms, 4), at_ms=np.repeat(at_ms, 4), value=columns.ravel(), items=items,
        )  # fmt: skip
        begin = advance(self.settings, None, Batch(), NOW_MS)
        self.history.record(batch, begin.events, dump_state(begin.state))

    def run(self) -> None:
        clock = SystemClock()
        self.inbox = Inbox(StreamClock(clock))
        spool = Spool(self.folder / "spool")
        spool.prepare()
        setting = Setting(self.settings, {})
        self.engine = Engine(setting, self.history, self.inbox, spool, resume(self.settings, self.history))
        self.polling = Polling(self.inbox)
        keep_learning(self.polling, self.engine, self.inbox, self.configuration, self.settings)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    result = House(tmp_path)
    yield result
    result.history.close()


def truth(seed: int, house: House) -> np.ndarray:
    """Two weeks of a simulated chamber: its temperature and humidity, and the room's."""
    rng, chamber = np.random.default_rng(seed), house.settings.chambers["nest"]
    logs = true_logs(prior_model(chamber), rng)
    past = history_of(logs, chamber.air_ml, rng, days=14, doses=0)
    return np.column_stack([past.temperature_c, past.humidity_pct, past.room_c, past.room_pct])


def test_the_fit_runs_in_a_process_of_its_own_and_comes_as_a_word(house: House, wait_until: Callable[..., Any]) -> None:
    columns = truth(3, house)
    house.fill(np.round(columns, 2), 10 * MINUTE_MS)
    house.run()
    house.inbox.chore("model-fit")
    house.engine.turn()
    wait_until(lambda: house.engine.turn() and _model(house), "the fitted model", timeout_s=120)
    model = model_from_json(_model(house) or {})
    assert model.source == "fitted"
    assert model.samples > 1000
    words = [json.loads(row[0]) for row in house.history._connection.execute("SELECT body FROM item WHERE sort = 'word'")]
    assert [(word["word"], word["chamber"], word["by"]) for word in words] == [("model-fitted", "nest", "dewlid")]


def _model(house: House) -> dict[str, Any] | None:
    adviser = house.engine._state.advice.get("nest") if house.engine._state else None
    return None if adviser is None else adviser.model


def test_the_fit_finds_what_the_rules_find_on_the_same_history(house: House) -> None:
    chamber = house.settings.chambers["nest"]
    columns = truth(4, house)
    house.fill(columns, 10 * MINUTE_MS)
    found = model_from_json(fit_all(job_of(house.configuration.store, house.settings, NOW_MS))["nest"])
    t, humidity, room, room_pct = columns.T
    at_ms, none = NOW_MS - 10 * MINUTE_MS * np.arange(len(columns), 0, -1), np.zeros(len(columns))
    lid = room + prior_factor(chamber.lid).mean * (t - room)
    past = Past(at_ms, t, humidity, room, room_pct, lid, none, none, none, none, humidity > 99.0)
    direct = fit(past, prior_model(chamber), chamber.air_ml, NOW_MS)
    assert found.mean == pytest.approx(direct.mean, abs=0.02)
    assert found.identified == direct.identified
    assert found.samples == direct.samples


def test_what_was_not_believed_or_disturbed_is_left_out_of_the_fit(house: House) -> None:
    from daemon.fit.history import Grid, Sources, history_of
    from daemon.store.reader import HistoryReader
    from rules.turn.advance import load_state

    columns = truth(5, house)
    columns[500, 0] = 55.0  # a value that no fungus shelf has
    begin_ms = NOW_MS - 14 * DAY_MS
    house.fill(columns, 10 * MINUTE_MS, items=(
        Visit(taken_ms=begin_ms + 2 * DAY_MS, word_id="v1", chamber="nest", for_ms=HOUR_MS),
        OutOfService(taken_ms=begin_ms + 4 * DAY_MS, word_id="o1", probe="air", for_ms=2 * HOUR_MS),
    ))  # fmt: skip
    with HistoryReader(house.configuration.store) as reader:
        state = load_state((reader.last_state() or (b"", 0))[0])
        grid = Grid(reader, state, {"air", "study-air"}, NOW_MS)
        past = history_of(grid, Sources("nest", house.settings.chambers["nest"], ("air",), ("study-air",), ()))
    day = 144
    assert np.isnan(past.temperature_c[500])
    assert past.disturbed[2 * day : 2 * day + 18].all()
    assert not past.disturbed[day : 2 * day][columns[day : 2 * day, 1] < 99.0].any()
    assert np.isnan(past.temperature_c[4 * day + 1 : 4 * day + 12]).all()
    assert np.isfinite(past.temperature_c[4 * day + 13 : 4 * day + 30]).all()
    assert past.temperature_c[100] == pytest.approx(columns[100, 0])


def test_too_little_history_gives_no_model_and_no_trouble(house: House) -> None:
    columns = truth(6, house)
    house.fill(columns[:100], 10 * MINUTE_MS)
    assert fit_all(job_of(house.configuration.store, house.settings, NOW_MS)) == {}


def test_a_chamber_without_a_room_probe_is_not_fitted(house: House, tmp_path: Path) -> None:
    alone = settings_of(load_text(CONFIG.format(folder=tmp_path).replace('room = "study"\n', "")))
    assert job_of(house.configuration.store, alone, NOW_MS)["chambers"] == {}


def test_a_fit_that_fails_is_logged_and_harms_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from daemon.fit.process import fitted

    job = {"store": str(tmp_path / "none"), "now_ms": 0, "chambers": {"nest": {}}}
    assert fitted(job) == {}
    assert "daily fit of the chambers' models failed" in capsys.readouterr().out  # the log of a test goes to stdout


def test_the_calendar_is_written_beside_the_engine_when_the_config_names_it(
    house: House, wait_until: Callable[..., Any]
) -> None:
    house.fill(np.tile([25.5, 80.0, 20.0, 50.0], (3, 1)), MINUTE_MS)
    house.run()
    wait_until(lambda: house.engine.turn() and (house.folder / "care.ics").exists(), "the calendar")
    assert "BEGIN:VEVENT" in (house.folder / "care.ics").read_text()
    assert {"model-fit", "calendar"} <= set(house.polling._triggers)


def test_an_alarm_that_begins_to_chatter_is_told_with_a_proposal(house: House, wait_until: Callable[..., Any]) -> None:
    noise = np.random.default_rng(5)
    temperature = np.round(27.6 + 0.1 * noise.standard_normal(9 * 1440), 2)
    house.fill(np.column_stack([temperature, *(np.full(len(temperature), v) for v in (80.0, 20.0, 50.0))]), MINUTE_MS)
    house.run()
    told: list[tuple[str, str]] = []
    house.engine.tell = lambda what, text: told.append((what, text))  # type: ignore[method-assign]
    for warm in [27.0, 28.6] * 4:
        _live(house, warm)
    wait_until(lambda: told, "the proposal")
    assert told[0][0] == "chattering"
    assert "temperature-high came and went three times within 6 h. A proposal from the last 14 days" in told[0][1]
    assert "[chamber.nest.temperature]" in told[0][1]


def _live(house: House, temperature_c: float) -> None:
    """Let half an hour pass, in steps of a minute, as the engine's events tell of it."""
    begin = house.engine._state
    assert begin is not None
    rows = [
        Reading(at_ms, "air", "air_temperature", temperature_c, at_ms)
        for at_ms in range(begin.closed_ms + MINUTE_MS, begin.closed_ms + 31 * MINUTE_MS, MINUTE_MS)
    ]
    advanced = advance(house.settings, begin, Batch.of(rows), rows[-1].taken_ms + 1)
    house.engine._state = advanced.state
    house.engine.noticed(advanced.events, rows[-1].taken_ms)


def test_only_an_alarm_that_begins_to_chatter_starts_a_thread(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    house.fill(np.tile([25.5, 80.0, 20.0, 50.0], (3, 1)), MINUTE_MS)
    house.run()
    begun: list[str] = []
    monkeypatch.setattr(daily_jobs, "_beside", lambda name, act: begun.append(name))
    state = advance(house.settings, house.engine._state, Batch(), NOW_MS + DAY_MS)
    changes = {event.change for event in state.events if isinstance(event, AlarmEvent)}
    house.engine.noticed(state.events, NOW_MS)
    assert changes
    assert begun == []
