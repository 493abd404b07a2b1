"""A look of the adviser that is left out because nothing can come of it would have told and changed nothing."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, Batch, ProbeFault, Reading
from rules.terms.words import AdviceDone
from rules.turn import advising
from rules.turn.advance import advance, dump_state

START_MS, DAYS, PIECE_MS = 1_769_990_400_000, 7, 12 * HOUR_MS
BOX = {
    "room": "loft", "garden": {"volume_ml": 300.0},
    "devices": {"heater": {"watts": 12.0, "setpoint_c": 26.0}, "mister": {}, "vents": {"count": 4, "open": 1}},
}
SHELF = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("UTC"), rooms={"loft": Room()},
    chambers={"north": Chamber(**BOX), "south": Chamber(**BOX)},
    probes={
        name: Probe(place=name.partition("-")[0], interval="30min") for name in ("north-a", "north-b", "south-a", "loft-a")
    },
    telling=Telling(),
)  # fmt: skip


def walk(random: Random) -> list[list[float]]:
    """Return temperature and humidity of north, south and loft every half hour: they tend to what is drawn every 36 hours,
    which is the usual in three of five cases. South is as warm as north, and a little before it."""
    usual, spans = (26.0, 80.0, 26.0, 80.0, 21.0, 50.0), (5.0, 20.0, 5.0, 20.0, 6.0, 15.0)
    values, aims, rows = [*usual], [*usual], []
    for half_hour in range(DAYS * 48):
        if half_hour % 72 == 71:
            aims = [u + (random.random() > 0.6) * random.uniform(-s, s) for u, s in zip(usual, spans, strict=True)]
        values = [v + 0.1 * (aim - v) + random.gauss(0.0, s / 80.0) for v, aim, s in zip(values, aims, spans, strict=True)]
        values[2] = values[0] + 0.2 * (aims[0] - values[0])
        rows.append([round(min(value, 99.9), 1) for value in values])
    return rows


def lived(seed: int) -> tuple[list[Batch], list[object], bytes]:
    """Return what two boxes and a keeper, who does every other thing, said in pieces; what they were told; and the state."""
    random, state, batches, events = Random(seed), None, [], []
    rows, asked = walk(random), []
    for begin_ms, end_ms in pairwise(range(START_MS, START_MS + DAYS * 24 * HOUR_MS + 1, PIECE_MS)):
        items = [AdviceDone(taken_ms=begin_ms + 1, word_id=f"w{begin_ms}", advisory=name) for name in asked[-1:]]
        items += [ProbeFault(at, "north-b", "garbled", "rubbish") for at in range(begin_ms, end_ms, 30 * MINUTE_MS)]
        readings = []
        for at_ms in range(begin_ms, end_ms, 30 * MINUTE_MS):
            row = rows[(at_ms - START_MS) // (30 * MINUTE_MS)]
            silent = (None, "relative_humidity", "air_temperature")[(at_ms - START_MS) // (40 * HOUR_MS) % 3]
            for place, probe in enumerate(("north-a", "south-a", "loft-a")):
                for quantity, value in zip(("air_temperature", "relative_humidity"), row[2 * place :][:2], strict=True):
                    if (probe, quantity) != ("south-a", silent):
                        readings.append(Reading(at_ms, probe, quantity, value, at_ms))
        batches.append(Batch.of(readings, items=items))
        done = advance(SHELF, state, batches[-1], end_ms)
        state, events = done.state, events + done.events
        asked = [one.advisory for one in done.events if isinstance(one, AdviceEvent) and random.random() < 0.5]
    return batches, events, dump_state(state)


@pytest.mark.parametrize("seed", range(2))
def test_events_and_state_are_the_same_with_every_look(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    asked, left_out = advising.nothing_to_say, []

    def counted(*args) -> bool:
        left_out.append(asked(*args))
        return left_out[-1]

    monkeypatch.setattr(advising, "nothing_to_say", counted)
    batches, events, state = lived(seed)
    assert sum(left_out) > 100 and sum(isinstance(one, AdviceEvent) for one in events) > 10
    monkeypatch.setattr(advising, "nothing_to_say", lambda *_: False)
    every, after = [], None
    for number, batch in enumerate(batches):
        done = advance(SHELF, after, batch, START_MS + (number + 1) * PIECE_MS)
        after, every = done.state, every + done.events
    assert events == every and state == dump_state(after)
