"""A pace is what the readings bear out: of readings an hour apart, a step took the hour between them."""

from __future__ import annotations

from datetime import UTC

import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch, Reading
from rules.turn.advance import advance
from rules.turn.present import present

BEGIN_MS = 1_768_158_000_000


@pytest.mark.parametrize("apart_min", [1, 5, 10, 30, 60])
def test_a_box_that_warms_by_six_tenths_an_hour_is_told_so_however_seldom_it_is_read(apart_min: int) -> None:
    """Read once an hour it warmed by 2.4 K/h for a quarter of an hour after each reading (recorded office and house)."""
    settings = Settings(
        site=Site(), zone=UTC, rooms={"den": Room()}, telling=Telling(), chambers={"nest": Chamber(room="den")},
        probes={
            "air": Probe(place="nest", interval=f"{apart_min}min"), "den-air": Probe(place="den", interval=f"{apart_min}min"),
        },
    )  # fmt: skip
    readings = [
        Reading(at_ms, probe, "air_temperature", warm_c + 0.6 * minute / 60.0, at_ms)
        for minute in range(0, 6 * 60 + 1, apart_min) for at_ms in (BEGIN_MS + minute * MINUTE_MS,)
        for probe, warm_c in (("air", 25.0), ("den-air", 20.0))
    ]  # fmt: skip
    state = advance(settings, None, Batch.of(readings), BEGIN_MS + 6 * HOUR_MS + 1).state
    seen = present(settings, state)["nest"]
    assert seen.temperature_slope_k_h == pytest.approx(0.6, abs=0.1)
    assert seen.room_slope_k_h == pytest.approx(0.6, abs=0.1)


@pytest.mark.parametrize("goes_on", [True, False], ids=["goes on", "leapt"])
def test_a_leap_of_two_kelvin_is_no_pace_and_a_box_that_gets_hot_as_fast_has_one(goes_on: bool) -> None:
    """A box was 2.5 K warmer at one go, and stayed so; by the slope of its quarter of an hour it was to be 4 K warmer still an
    hour later, and 8 K after six (foreign simulation)."""
    settings = Settings(
        site=Site(), zone=UTC, rooms={"den": Room()}, telling=Telling(), chambers={"nest": Chamber(room="den")},
        probes={"air": Probe(place="nest", interval="1min")},
    )  # fmt: skip
    warmer = [(minute - 120) / 15.0 * 2.5 if goes_on else 2.5 * (minute > 122) for minute in range(136)]
    at_ms = [BEGIN_MS + minute * MINUTE_MS for minute in range(136)]
    readings = [
        Reading(each, "air", "air_temperature", 25.0 + max(more, 0.0), each) for each, more in zip(at_ms, warmer, strict=True)
    ]
    seen = present(settings, advance(settings, None, Batch.of(readings), at_ms[-1] + 1).state)["nest"]
    assert seen.temperature_slope_k_h == pytest.approx(10.0, abs=2.0)
    assert seen.pace_k_h == pytest.approx(10.0 if goes_on else 0.0, abs=2.0)
