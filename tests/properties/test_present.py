"""What `advance` hands out, what the stored state says and what the probes last said are one present, however it is cut."""

from __future__ import annotations

from datetime import UTC

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from rules.climate.situation import Situation
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, Reading
from rules.turn.advance import EngineState, advance, dump_state, load_state
from rules.turn.present import present

MINUTE_MS = 60_000
START_MS = 1_761_436_800_000
SHELF = Settings(
    site=Site(), zone=UTC, rooms={"loft": Room()},
    chambers={"north": Chamber(room="loft"), "south": Chamber(room="loft"), "bare": Chamber()},
    probes={
        "north-air": Probe(place="north", interval="1min"), "south-air": Probe(place="south", interval="1min"),
        "loft-air": Probe(place="loft", interval="5min"),
    },
    telling=Telling(),
)  # fmt: skip


@st.composite
def a_stream(draw) -> list[Reading]:
    """Some hours of a slow course in each place; a probe may fall silent and speak again."""
    readings = []
    for probe, quantity, begin in (
        ("north-air", "air_temperature", 26.0), ("north-air", "relative_humidity", 80.0),
        ("south-air", "air_temperature", 25.0), ("south-air", "relative_humidity", 78.0), ("loft-air", "air_temperature", 20.0),
    ):  # fmt: skip
        slope_per_min = draw(st.floats(-0.004, 0.004))
        silent = draw(st.tuples(st.integers(0, 200), st.integers(0, 60)))
        every = 5 if probe == "loft-air" else 1
        readings += [
            Reading(at_ms, probe, quantity, round(begin + slope_per_min * n + n % 3 / 10, 2), at_ms)  # type: ignore[arg-type]
            for n in range(0, draw(st.integers(30, 200)), every)
            if not silent[0] <= n < sum(silent)
            for at_ms in [START_MS + n * MINUTE_MS + draw(st.integers(0, 2)) * 1000]
        ]
    return sorted(readings, key=lambda row: row.taken_ms)


@given(a_stream(), st.lists(st.integers(1, 210 * 60), max_size=5))
@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_the_present_is_the_same_handed_out_stored_and_cut(stream: list[Reading], cuts_s: list[int]) -> None:
    end_ms = START_MS + 215 * MINUTE_MS
    ends = sorted({*(START_MS + cut * 1000 for cut in cuts_s), end_ms})
    handed, state = _lived(stream, ends)
    assert handed == present(SHELF, state)
    assert present(SHELF, load_state(dump_state(state))) == handed
    once, _ = _lived(stream, [end_ms])
    assert once == handed


@given(a_stream(), st.integers(1, 210))
@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_the_present_is_what_the_probe_said_last(stream: list[Reading], minute: int) -> None:
    now_ms = START_MS + minute * MINUTE_MS + 2_001
    handed, _ = _lived(stream, [now_ms])
    for place in ("north", "south"):
        said = [row for row in stream if row.probe == f"{place}-air" and row.taken_ms < now_ms]
        for quantity, value, read_ms in (
            ("air_temperature", lambda it: it.temperature_c, lambda it: it.temperature_read_ms),
            ("relative_humidity", lambda it: it.relative_humidity_pct, lambda it: it.humidity_read_ms),
        ):
            mine = [row for row in said if row.quantity == quantity]
            newest = mine[-1] if mine else None
            if newest is None or now_ms - newest.taken_ms > 30 * MINUTE_MS:
                assert place not in handed or value(handed[place]) is None
            elif sum(now_ms - row.taken_ms <= 4 * MINUTE_MS for row in mine) > 2:  # a probe that begins again must settle
                assert value(handed[place]) == pytest.approx(newest.value)
                assert read_ms(handed[place]) == newest.taken_ms
    assert "bare" not in handed


def _lived(stream: list[Reading], ends_ms: list[int]) -> tuple[dict[str, Situation], EngineState]:
    state, begin_ms = None, START_MS
    handed: dict[str, Situation] = {}
    for end_ms in ends_ms:
        rows = [row for row in stream if begin_ms <= row.taken_ms < end_ms]
        advanced = advance(SHELF, state, Batch.of(rows), end_ms)
        state, begin_ms = advanced.state, end_ms
        handed |= advanced.present
    assert state is not None
    return handed, state
