"""An edit of the config ends an alarm that its new limits made wrong, and leaves every other alarm to its delays."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from rules.alarms.band_edits import limits_of
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import MINUTE_MS, AlarmEvent, Batch, Reading
from rules.turn.advance import EngineState, advance, dump_state, load_state

NOW = 1_760_000_040_000


def watch_with(*, site: str = "shelf", interval_s: int = 60, **chamber: Any) -> Settings:
    return Settings(
        site=Site(name=site), zone=ZoneInfo("UTC"), rooms={}, chambers={"nest": Chamber(**chamber)},
        probes={"air": Probe(place="nest", interval=interval_s * 1000)}, telling=Telling(),
    )  # fmt: skip


def lived(
    settings: Settings, state: EngineState | None, begin: int, values: list[float]
) -> tuple[EngineState, list[AlarmEvent]]:
    """Live one reading a minute from minute `begin` on; return the state and what was said of the temperature."""
    rows = [
        Reading(NOW + (begin + n) * MINUTE_MS, "air", "air_temperature", value + n % 3 / 100, NOW + (begin + n) * MINUTE_MS)
        for n, value in enumerate(values)
    ]
    advanced = advance(settings, state, Batch.of(rows), NOW + (begin + len(values)) * MINUTE_MS)
    alarms = [event for event in advanced.events if isinstance(event, AlarmEvent) and event.alarm == "temperature-high"]
    return load_state(dump_state(advanced.state)), alarms


def falling() -> tuple[EngineState, int]:
    """Return a state in which the chamber was too warm and is back by less than the deadband, and the minute."""
    state, told = lived(watch_with(), None, 0, [28.9] * 30 + [27.8] * 10)
    assert [event.change for event in told] == ["raised"]
    return state, 40


@pytest.mark.parametrize("other", [
    {"site": "another name"}, {"title": "Nest"}, {"humidity": HumidityBand(low=72.0)}, {"air_ml": 5000.0},
    {"temperature": TemperatureBand(low=23.5)}, {"temperature": TemperatureBand(target=26.0)}, {"interval_s": 90},
])  # fmt: skip
def test_an_edit_of_something_else_clears_nothing(other: dict[str, Any]) -> None:
    state, minute = falling()
    state, told = lived(watch_with(**other), state, minute, [27.8] * 20)
    assert [event.change for event in told] == ["recovering"]
    assert state.alarms.records["nest/temperature-high"].condition == "active"
    _, told = lived(watch_with(**other), state, minute + 20, [27.2] * 20)
    assert [(event.change, "config" in event.reason) for event in told] == [("returned", False)]


def test_an_edit_of_its_own_limit_ends_it_at_once() -> None:
    state, minute = falling()
    _, told = lived(watch_with(temperature=TemperatureBand(high=28.5)), state, minute, [27.8] * 3)
    assert [(event.change, event.reason) for event in told] == [("returned", "config edited")]


def test_two_edits_one_after_the_other_are_both_seen() -> None:
    state, minute = falling()
    moved = watch_with(temperature=TemperatureBand(high=28.5))
    state = advance(moved, state, Batch(), NOW + minute * MINUTE_MS).state  # nothing was heard under the new limit yet
    _, told = lived(watch_with(temperature=TemperatureBand(high=28.5), title="Nest"), state, minute, [27.8] * 3)
    assert [(event.change, event.reason) for event in told] == [("returned", "config edited")]


def test_each_side_has_its_own_digest() -> None:
    before, after = limits_of(watch_with(), "nest"), limits_of(watch_with(temperature=TemperatureBand(high=28.5)), "nest")
    assert {alarm for alarm in before if before[alarm] != after[alarm]} == {"temperature-high", "*"}


def test_the_probes_of_the_chamber_itself_count_and_no_others() -> None:
    before = watch_with()
    name, probe = next((name, probe) for name, probe in before.probes.items() if probe.place == "nest")
    slower = before.model_copy(update={"probes": before.probes | {name: probe.model_copy(update={"interval": 90_000})}})
    other = before.model_copy(update={"probes": before.probes | {"new": probe.model_copy(update={"place": "elsewhere"})}})
    digests = [limits_of(settings, "nest") for settings in (before, slower, other)]
    assert [alarm for alarm in digests[0] if digests[0][alarm] != digests[1][alarm]] == ["*"]
    assert digests[2] == digests[0]
