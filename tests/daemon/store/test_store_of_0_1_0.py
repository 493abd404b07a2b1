"""A store that the program of version 0.1.0 wrote goes on under this one, with all that its keeper had told."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from daemon.cli import main
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.watch.resume import resume
from rules.keeper.devices import lid_now, present_knobs, told_knobs
from rules.settings import Settings
from rules.terms.events import DAY_MS, MINUTE_MS, Batch, LetterEvent, Reading, SystemEvent, WordEvent
from rules.terms.words import AdviceDone, Away
from rules.turn.advance import EngineState, advance, dump_state, load_state

DATA = Path(__file__).parents[2] / "data"
CLOSED_MS = 1_809_004_207_001
FIRST_AWAY, SECOND_AWAY = (1_809_003_720_000, 1_809_626_400_000), (1_811_577_600_000, 1_812_477_600_000)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    shutil.copyfile(DATA / "store-0.1.0.sqlite3", tmp_path / "dewlid.sqlite3")
    path = tmp_path / "dewlid.toml"
    path.write_text((DATA / "store-0.1.0.toml").read_text().replace("{folder}", str(tmp_path)))
    path.chmod(0o600)
    return path


@pytest.fixture
def begun(config: Path) -> tuple[Settings, EngineState]:
    settings, history = settings_of(load(config)), History.open(config.parent / "dewlid.sqlite3", now_ms=CLOSED_MS)
    begin = resume(settings, history)
    history.close()
    assert not begin.memory_lost
    return settings, advance(settings, begin.state, Batch(), CLOSED_MS + 1).state


def test_all_that_was_told_is_there_once(begun: tuple[Settings, EngineState]) -> None:
    settings, state = begun
    keeper, nest = state.keeper, settings.chambers["nest"]
    assert {name: visit.until_ms for name, visit in keeper.visits.items()} == {"nest": 1_809_018_004_000}
    assert [(out.until_ms, out.reason) for out in keeper.out_of_service.values()] == [(1_809_867_605_000, "salt check")]
    assert [(one.begins, one.ends, one.stage) for one in keeper.absences] == [(*FIRST_AWAY, "begun"), (*SECOND_AWAY, "planned")]
    assert [entry.garden_ml for entry in keeper.gardens["nest"]] == [480.0]
    assert told_knobs(keeper.devices["nest"]) == {"setpoint": 25.0, "vents": 2.0} and keeper.devices.get("twin", []) == []
    assert present_knobs(nest, keeper.devices["nest"])["watts"] == 15.0 and lid_now(keeper, "nest", nest) == nest.lid
    assert load_state(dump_state(state)) == state


def test_alarms_and_advice_go_on_with_their_numbers(begun: tuple[Settings, EngineState]) -> None:
    _, state = begun
    standing = {key: (one.condition, one.occurrence) for key, one in state.alarms.records.items() if one.open}
    assert {"nest/temperature-high", "twin/temperature-high", "twin/heater-runaway"} <= set(standing)
    assert {occurrence for _, occurrence in standing.values()} == {1}
    assert state.alarms.records["nest/temperature-high"].acknowledged
    nest, twin = state.advice["nest"].open, state.advice["twin"].open
    assert nest is not None and twin is not None
    assert (nest.name, nest.done_ms, twin.name, twin.done_ms) == ("nest-1", 1_809_001_801_000, "twin-1", None)


def test_the_absence_that_the_old_program_lost_to_a_second_one_holds_again(begun: tuple[Settings, EngineState]) -> None:
    """Its letters went to the absent keeper: the second absence, planned while the first one ran, had ended the first."""
    settings, state = begun
    assert state.keeper.away
    readings = []
    for minute in range(1, 40):
        at_ms = CLOSED_MS + DAY_MS + minute * MINUTE_MS
        for probe, celsius in (("air", 35.0), ("twin-air", 35.0)):
            readings.append(Reading(at_ms, probe, "air_temperature", celsius + 0.01 * (minute % 5), at_ms))
            readings.append(Reading(at_ms, probe, "relative_humidity", 78.0 + 0.1 * (minute % 3), at_ms))
    hot = advance(settings, state, Batch.of(readings), readings[-1].taken_ms + 1)
    urgent = [one for one in hot.events if isinstance(one, LetterEvent) and one.urgent]
    assert urgent and {one.to for one in urgent} <= {"stand-in", "second"} and "stand-in" in {one.to for one in urgent}
    later = advance(settings, hot.state, Batch(), SECOND_AWAY[1] + 1)
    turned = [(one.at_ms, one.what, one.id.split(".", 1)[1]) for one in later.events
              if isinstance(one, SystemEvent) and one.what.startswith("away")]
    assert turned == [
        (FIRST_AWAY[1], "away-ended", "away.3"), (SECOND_AWAY[0], "away-begun", "away.4"),
        (SECOND_AWAY[1], "away-ended", "away.5"),
    ]  # fmt: skip


def test_words_about_what_was_told_and_advised_then_are_answered(begun: tuple[Settings, EngineState]) -> None:
    settings, state = begun
    now = CLOSED_MS + 5
    done = AdviceDone(taken_ms=now, word_id="a", advisory="twin-1")
    back = Away(taken_ms=now + 1, word_id="b", from_ms=now + 1, to_ms=now + 1)
    answered = advance(settings, state, Batch.of(items=[done, back]), now + 2)
    assert [one.accepted for one in answered.events if isinstance(one, WordEvent)] == [True, True]
    assert answered.state.keeper.absences == []
    assert answered.state.advice["twin"].open is not None and answered.state.advice["twin"].open.done_ms == now


def test_why_says_of_the_old_store_what_is_missing_and_not_what_is_there(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["why", "nest", "--config", str(config)]) != 0
    said = capsys.readouterr().err
    assert "Nothing was read in nest since this version watches it" in said and "no air probe" not in said


def test_the_desk_reads_the_old_store_before_the_daemon_has_opened_it(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "--config", str(config)]) == 0
    assert "Probe study-air is out of service" in capsys.readouterr().out
