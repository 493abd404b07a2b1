"""A search that would find the same is not made: what is told stays the same, at a fraction of the searches."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.advice import advisory, plan
from rules.advice.again import ANEW_MS, is_again
from rules.advice.state import Searched
from rules.settings import Chamber, Devices, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling
from rules.terms.events import DAY_MS, MINUTE_MS, Batch, Event
from rules.turn.advance import advance

BEFORE = Searched(0, "nest-1 None", "5 c05 False", ["thermostat"], [25.0, 61.0, None], [0.2, 1.5, 0.3])


def test_a_figure_that_moved_within_its_uncertainty_is_the_same_and_beyond_it_is_not() -> None:
    assert is_again([BEFORE], replace(BEFORE, at_ms=MINUTE_MS, figures=[25.2, 59.6, None]))
    assert not is_again([BEFORE], replace(BEFORE, figures=[25.21, 61.0, None]))
    assert not is_again([BEFORE], replace(BEFORE, figures=[25.0, 62.51, None]))


@pytest.mark.parametrize("changed", [
    {"figures": [25.0, 61.0, 1.0]}, {"figures": [None, 61.0, None]}, {"told": "nest-1 5"}, {"told": "nest-2 None"},
    {"cause": "6 c06 False"}, {"holds": []}, {"at_ms": ANEW_MS},
])  # fmt: skip
def test_whatever_else_decides_asks_for_a_new_search(changed: dict[str, object]) -> None:
    assert is_again([BEFORE], replace(BEFORE, at_ms=ANEW_MS - 1))
    assert not is_again([BEFORE], replace(BEFORE, **changed))
    assert not is_again([], BEFORE)


SETTINGS = Settings(
    site=Site(), telling=Telling(), zone=ZoneInfo("Europe/Lisbon"), rooms={"study": Room()},
    chambers={
        "nest": Chamber(room="study", garden=Garden(volume_ml=400), devices=Devices(heater=Heater(watts=15), mister=Mister())),
    },
    probes={"air": Probe(place="nest", interval=MINUTE_MS), "room": Probe(place="study", interval=MINUTE_MS)},
)  # fmt: skip


def dry_days(days: int) -> Batch:
    """A box that is too dry by day and night, more so in the afternoon; nobody acts."""
    noise, minutes = np.random.default_rng(4), np.arange(0, days * 1440, 5)
    day = np.sin((minutes / 60 - 9) / 24 * 2 * np.pi)
    courses = (25.4 + 0.3 * np.sin(minutes / 40), 58 - 3 * day, 20.5 + day, 45 - 4 * day)
    spreads = (0.05, 0.4, 0.05, 0.3)
    columns = np.stack([
        course + noise.normal(0, spread, len(minutes)) for course, spread in zip(courses, spreads, strict=True)
    ], axis=1)  # fmt: skip
    names = tuple((probe, quantity) for probe in ("air", "room") for quantity in ("air_temperature", "relative_humidity"))
    taken_ms = 1_767_225_600_000 + MINUTE_MS * np.repeat(minutes, 4)
    return Batch(names, np.tile(np.arange(4, dtype=np.int32), len(minutes)), taken_ms, taken_ms, columns.ravel())


def told(batch: Batch, monkeypatch: pytest.MonkeyPatch, *, always: bool) -> tuple[list[Event], int]:
    searches = 0

    def counted(*args: object) -> object:
        nonlocal searches
        searches += 1
        return plan.searched(*args)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(advisory, "searched", counted)
        if always:
            patch.setattr(advisory, "is_again", lambda before, now: False)
        stepped = advance(SETTINGS, None, batch, int(batch.taken_ms[-1]))
    return stepped.events, searches


def test_what_is_told_of_dry_days_is_the_same_with_a_tenth_of_the_searches(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = dry_days(4)
    assert int(batch.taken_ms[-1] - batch.taken_ms[0]) > 3.9 * DAY_MS
    sparing, few = told(batch, monkeypatch, always=False)
    plain, many = told(batch, monkeypatch, always=True)
    assert [(event.at_ms, event.id) for event in sparing] == [(event.at_ms, event.id) for event in plain]
    assert any(event.kind == "advice" for event in plain)
    assert few <= many / 8
