"""What is known now is read from the state alone, and reading it changes nothing."""

from __future__ import annotations

from datetime import UTC

import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, Reading
from rules.turn.advance import EngineState, advance, dump_state
from rules.turn.present import present

START_MS = 1_750_000_020_000
WATCH = Settings(
    site=Site(), zone=UTC, rooms={"study": Room()},
    chambers={"tank": Chamber(room="study"), "empty": Chamber()},
    probes={"air": Probe(place="tank", interval=10_000), "room": Probe(place="study", interval=10_000)},
    telling=Telling(),
)  # fmt: skip


def lived(minutes: int, silent_min: int = 0) -> EngineState:
    state = None
    for n in range(minutes * 6):
        at = START_MS + n * 10_000
        values = [("air", "air_temperature", 26.0), ("air", "relative_humidity", 85.0), ("room", "air_temperature", 20.0)]
        rows = [Reading(at, probe, quantity, value + n * 1e-3, at) for probe, quantity, value in values]  # type: ignore[arg-type]
        state = advance(WATCH, state, Batch.of(rows), at + 1).state
    assert state is not None
    return advance(WATCH, state, Batch(), state.closed_ms + silent_min * 60_000).state


def test_the_last_believed_values_and_what_follows_from_them_are_known() -> None:
    situation = present(WATCH, lived(20))["tank"]
    assert situation.temperature_c == pytest.approx(26.119)
    assert situation.relative_humidity_pct == pytest.approx(85.119)
    assert situation.room_temperature_c == pytest.approx(20.119)
    # 23.4 degC: dew point at 26 degC and 85 %RH by the Magnus formula with the coefficients of Alduchov & Eskridge 1996
    assert situation.dew_point_c == pytest.approx(23.4, abs=0.15)
    assert situation.lid_source == "estimated"
    assert situation.dew_margin_k is not None
    assert situation.dew_margin_k < 0


def test_reading_the_present_changes_nothing_and_says_the_same_twice() -> None:
    state = lived(20)
    before = dump_state(state)
    assert present(WATCH, state) == present(WATCH, state)
    assert dump_state(state) == before


def test_what_was_silent_for_long_is_not_known() -> None:
    situation = present(WATCH, lived(20, silent_min=60))["tank"]
    assert situation.temperature_c is None
    assert situation.dew_margin_k is None


def test_a_chamber_without_a_probe_has_no_situation() -> None:
    assert set(present(WATCH, lived(2))) == {"tank"}
