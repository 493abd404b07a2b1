"""A lid that nothing measures, in a room that nobody measures: what one look has shown holds as long as the air is as humid."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event, Reading
from rules.terms.words import AdviceDone, LidSeen, TakeBack, Word
from rules.turn.advance import EngineState, advance, dump_state, load_state

BEGIN_MS = 1_774_500_000_000
SHELF = Settings(
    site=Site(), zone=ZoneInfo("Europe/Berlin"), rooms={"study": Room()}, telling=Telling(),
    chambers={"north": Chamber(
        room="study", garden={"volume_ml": 400.0, "basin_ml": 1000.0},
        devices={"vents": {"count": 2}, "heater": {"watts": 15.0, "thermostat": True, "setpoint_c": 25.5}, "fan": {},
            "can_insulate_lid": True, "wet_granules": True},
    )},
    probes={"air": Probe(place="north", interval="5min")},
)  # fmt: skip


def lived(
    state: EngineState | None, begin_ms: int, hours: float, percent: float, *words: Word
) -> tuple[EngineState, list[Event]]:
    readings = []
    for minute in range(0, round(60 * hours), 5):
        at_ms, wobble = begin_ms + minute * MINUTE_MS + 1, 0.05 * (minute // 5 % 4)
        readings += [
            Reading(at_ms, "air", "air_temperature", 25.5 + wobble, at_ms),
            Reading(at_ms, "air", "relative_humidity", percent + 4.0 * wobble, at_ms),
        ]
    advanced = advance(SHELF, state, Batch.of(readings, words), begin_ms + round(hours * HOUR_MS))
    return load_state(dump_state(advanced.state)), advanced.events


def answered(seen: str, after_pct: float, hours: float = 3.0, *, back: bool = False) -> list[str]:
    """Return what is asked for in the hours after a look at the lid that was told as done, with the lid wiped."""
    state, _ = lived(None, BEGIN_MS, 9.0, 94.0)
    now_ms = BEGIN_MS + 9 * HOUR_MS
    opened = state.advice["north"].open
    assert opened is not None and opened.acts[0] == "look-lid"
    words = [
        LidSeen(taken_ms=now_ms, word_id="eye", chamber="north", at_ms=now_ms, seen=seen),
        *([TakeBack(taken_ms=now_ms, word_id="back", said="eye")] if back else []),
        AdviceDone(taken_ms=now_ms, word_id="hand", advisory=opened.name),
    ]
    _, events = lived(state, now_ms, hours, after_pct, *words)
    return [action.text for one in events if isinstance(one, AdviceEvent) for action in one.actions]


def test_what_the_look_has_shown_is_answered_at_once_though_the_lid_is_wiped() -> None:
    """Drops were seen and wiped off each morning, and for three days nobody was told to lay foam on that lid (foreign
    simulation)."""
    assert any("of foam on the lid" in text for text in answered("droplets", 94.0, hours=0.5))


@pytest.mark.parametrize(("seen", "back"), [("dry", False), ("droplets", True)])
def test_nothing_is_laid_on_a_lid_that_was_dry_or_for_a_look_that_is_taken_back(seen: str, back: bool) -> None:
    assert not any("of foam on the lid" in text for text in answered(seen, 94.0, back=back))


@pytest.mark.parametrize(("after_pct", "wets"), [(92.0, True), (88.0, False)])
def test_it_holds_as_long_as_the_air_is_as_humid(after_pct: float, wets: bool) -> None:
    state, _ = lived(None, BEGIN_MS, 9.0, 94.0)
    now_ms, opened = BEGIN_MS + 9 * HOUR_MS, state.advice["north"].open
    assert opened is not None
    words = [
        LidSeen(taken_ms=now_ms, word_id="eye", chamber="north", at_ms=now_ms, seen="droplets"),
        AdviceDone(taken_ms=now_ms, word_id="hand", advisory=opened.name),
    ]
    state, _ = lived(state, now_ms, 1.0, after_pct, *words)
    seen = state.places["north"].present
    assert seen is not None and (seen.lid_wets, seen.lid_seen_wet) == (wets, False)
    assert "north/lid-dew" not in state.alarms.records or not state.alarms.records["north/lid-dew"].open  # it is just wiped
    state, events = lived(state, now_ms + HOUR_MS, 3.5, after_pct)
    raised = [one.reason for one in events if isinstance(one, AlarmEvent) and (one.alarm, one.change) == ("lid-dew", "raised")]
    assert bool(raised) is wets and all("as humid as then" in (reason or "") for reason in raised)
