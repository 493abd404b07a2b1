"""A server's clock that is set back lives through some hours again: what they held stays. Seen through `advance`."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch, Reading
from rules.turn.advance import EngineState, advance

START_MS = 502_500 * HOUR_MS
SHELF = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={}, telling=Telling(), chambers={"nest": Chamber()},
    probes={"p": Probe(place="nest", interval=MINUTE_MS)},
)  # fmt: skip


def watched(state: EngineState | None, from_ms: int, until_ms: int, step_ms: int = 0) -> EngineState:
    """Return the state after a reading in each minute, all in one batch."""
    rows = [Reading(at_ms, "p", "air_temperature", 25.0, at_ms) for at_ms in range(from_ms, until_ms, MINUTE_MS)]
    return advance(SHELF, state, Batch.of(rows, [], step_ms), until_ms).state


def test_hours_that_are_lived_through_again_keep_what_they_held() -> None:
    state = watched(None, START_MS, START_MS + 4 * HOUR_MS)
    state = watched(state, START_MS + 2 * HOUR_MS, START_MS + 4 * HOUR_MS, step_ms=-2 * HOUR_MS)
    counts = [state.places["nest"].hours["temperature_c"][str(502_500 + hour)].count for hour in (1, 2, 3)]
    assert counts == [60, 120, 120]
