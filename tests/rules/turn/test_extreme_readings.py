"""Whatever a probe says, step by step or at once, the rules go on: no reading may end the watch."""

from __future__ import annotations

from datetime import UTC

import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, Reading
from rules.turn.advance import advance

NOW = 1_800_000_000_000


def shelf() -> Settings:
    probes = {"air": Probe(place="nest", interval="1min"), "hall": Probe(place="hall", interval="1min")}
    return Settings(
        site=Site(), zone=UTC, rooms={"hall": Room()}, chambers={"nest": Chamber(room="hall", devices={"heater": {}})},
        probes=probes, telling=Telling(),
    )


@pytest.mark.parametrize("end_c", [-20.0, -19.9, 60.0])
@pytest.mark.parametrize("end_pct", [-1.0, 0.0, 0.5, 1.0, 104.0])
def test_a_course_to_the_edge_of_what_a_probe_can_say_is_gone_through(end_c: float, end_pct: float) -> None:
    readings = []
    for minute in range(240):
        share = min(1.0, minute / 150)
        at_ms = NOW + minute * 60_000
        for probe in ("air", "hall"):
            readings.append(Reading(at_ms, probe, "air_temperature", 25.0 + share * (end_c - 25.0), at_ms))
            readings.append(Reading(at_ms, probe, "relative_humidity", 80.0 + share * (end_pct - 80.0), at_ms))
    done = advance(shelf(), None, Batch.of(readings), NOW + 240 * 60_000)
    assert {event.alarm for event in done.events if event.kind == "alarm"} & {"temperature-low", "temperature-high"}
