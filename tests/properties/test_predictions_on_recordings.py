"""What is stated of the next hours, where nothing is done, held against what real rooms did: 19 of 20 must come true."""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, Batch
from rules.turn.advance import advance
from rules.turn.present import ahead

DATA = Path(__file__).parents[1] / "data"
COLUMNS = (("air", "air_temperature"), ("air", "relative_humidity"))
LOOKS_EVERY_H, KNOWN_AFTER_H = 7, 24  # seven: at every hour of the day in turn
OFFICE_PCT = 60.0
"""Nobody measured it there: only its temperature is judged."""


def recorded(name: str) -> np.ndarray:
    """Return instant, temperature and humidity of a recording, an hour apart."""
    with (DATA / f"{name}.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["room_c"] and row.get("room_pct", "none")]
    return np.array([
        (datetime.fromisoformat(row["time"]).timestamp() * 1000, float(row["room_c"]), float(row.get("room_pct", OFFICE_PCT)))
        for row in rows
    ])  # fmt: skip


def foretold(rows: np.ndarray) -> dict[tuple[str, float], np.ndarray]:
    """Return by quantity and hours ahead what came beyond what was stated, with its standard uncertainty; shape (2, count)."""
    found = defaultdict[tuple[str, float], list[tuple[float, float]]](list)
    settings = Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
        chambers={"nest": Chamber(room="study")}, probes={"air": Probe(place="nest", interval="1h")},
    )  # fmt: skip
    came, state = {int(at_ms): (t, rh) for at_ms, t, rh in rows}, None
    for begin in range(0, len(rows), LOOKS_EVERY_H):
        part = rows[begin : begin + LOOKS_EVERY_H]
        at_ms = np.repeat(part[:, 0].astype(np.int64), 2)
        batch = Batch(COLUMNS, np.tile(np.arange(2, dtype=np.int32), len(part)), at_ms, at_ms, part[:, 1:].ravel(), ())
        state = advance(settings, state, batch, int(at_ms[-1]) + 1).state
        for row in ahead(settings, state, "nest") if begin >= KNOWN_AFTER_H else ():
            t, rh = came.get(int(at_ms[-1]) + row.after_ms, (None, None))
            if t is not None and rh is not None:
                hours = row.after_ms / HOUR_MS
                found["temperature", hours].append((t - row.temperature_c, row.temperature_u_k))
                found["humidity", hours].append((rh - row.relative_humidity_pct, row.relative_humidity_u_pct))
    return {key: np.array(each).T for key, each in found.items()}


@pytest.mark.parametrize(
    ("name", "quantities"), [("half_heated_house", ("temperature", "humidity")), ("office_year", ("temperature",))]
)
def test_what_is_stated_of_the_next_hours_holds_in_real_rooms_neither_too_seldom_nor_always(
    name: str, quantities: tuple[str, ...]
) -> None:
    """The second half of each recording, from which no figure of the rules was taken. A step between two readings an hour apart
    was told as a pace of four times as much, and a pace of humidity went on for a day: 22 points were missed on the mean after
    24 hours, and 74 % of what was stated held where it moved by 5."""
    rows = recorded(name)
    for (quantity, hours), (missed, u) in foretold(rows[len(rows) // 2 :]).items():
        if quantity in quantities and hours in (1.0, 6.0):
            assert len(missed) > 200
            assert 0.92 <= float(np.mean(np.abs(missed) <= 2.0 * u)) < 0.995, hours


def test_what_is_stated_of_the_next_hours_holds_in_the_first_weeks_of_a_house_too() -> None:
    """Its first three weeks, in which it was heated by hand and hardly anything of it is known yet."""
    found = foretold(recorded("half_heated_house")[: 21 * 24])
    for quantity in ("temperature", "humidity"):
        holds = [np.abs(missed) <= 2.0 * u for missed, u in (found[quantity, 1.0], found[quantity, 6.0])]
        assert all(len(row) > 60 and np.mean(row) >= 0.92 for row in holds)
        assert np.mean(np.concatenate(holds)) < 1.0
