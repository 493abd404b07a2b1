"""A lone probe that lies on its mat goes up and down with it: what is told from a box that is so warm (attack from outside)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.climate.memory import PlaceMemory
from rules.climate.switched import switched_k
from rules.terms.events import MINUTE_MS

Row = tuple[float, float]


def told(rows: list[Row], cuts: tuple[int, ...] = (), changed_min: float | None = None) -> list[float | None]:
    """Return the width of the swing that is doubted at each of these minutes (with degC), however they are cut."""
    memory, found = PlaceMemory(since_ms=0), []
    for part in np.split(np.array(rows), cuts):
        at_ms = np.rint(part[:, 0] * MINUTE_MS).astype(np.int64)
        memory = replace(memory)
        changed_ms = None if changed_min is None else round(changed_min * MINUTE_MS)
        found += switched_k(memory, at_ms, part[:, 1], 28.0, changed_ms).tolist()
    return [None if one != one else round(one, 1) for one in found]


def course(*ways: tuple[float, float], by_min: float = 2.0, since: float = 25.5) -> list[Row]:
    """Return a straight course from point to point (minutes, degC) after two days that swing by a kelvin an hour."""
    at, wave = np.arange(0.0, 2880.0, 10.0), 0.5 * np.sin(np.arange(0.0, 2880.0, 10.0) / 60.0 * 2.0 * np.pi)
    points = [(2880.0, since), *((2880.0 + minute, celsius) for minute, celsius in ways)]
    fine = np.arange(2880.0, points[-1][0] + 0.1, by_min)
    later = np.interp(fine, *zip(*points, strict=True))
    return [*zip(at.tolist(), (25.5 + wave).tolist(), strict=True), *zip(fine.tolist(), later.tolist(), strict=True)]


ON_THE_MAT = ((15.0, 34.0), (27.0, 27.0), (45.0, 34.0), (57.0, 27.0), (75.0, 34.0))


def last(*ways: tuple[float, float], **more: float) -> float | None:
    return told(course(*ways, **more))[-1]


def test_what_goes_above_its_band_down_within_minutes_and_up_again_is_doubted_from_its_second_rise():
    assert last(*ON_THE_MAT[:2], (28.0, 28.5)) is None
    assert last(*ON_THE_MAT[:2], (35.0, 30.9)) == pytest.approx(8.5, abs=0.6)
    assert last(*ON_THE_MAT) == pytest.approx(7.0, abs=1.0)


def test_of_what_goes_slowly_the_third_rise_tells():
    """A probe that speaks once an hour sees of each swing a point (attack from outside)."""
    slow = ((60.0, 33.8), (180.0, 26.2), (360.0, 34.8), (540.0, 26.3))
    assert last(*slow, (600.0, 28.5), by_min=60.0) is None
    assert last(*slow, (660.0, 31.4), by_min=60.0) == pytest.approx(8.5, abs=0.1)


@pytest.mark.parametrize("ways", [
    ((60.0, 33.0), (180.0, 26.0), (240.0, 33.0)),  # a plug that was pulled, and put in again
    ((15.0, 27.8), (27.0, 24.5), (45.0, 27.8)),  # within its band
    ((240.0, 34.0), (400.0, 25.5)),  # the sun of a day
    tuple((720.0 * turn, 33.0 if turn % 2 else 25.5) for turn in range(1, 8)),  # of one day after the other
    ((5.0, 21.0), (30.0, 25.5), (120.0, 25.5), (125.0, 21.0), (150.0, 25.5)),  # fed twice, with the lid off
    ((30.0, 29.5), (40.0, 28.0), (60.0, 29.5)),  # a dial that was turned up
])  # fmt: skip
def test_what_a_box_does_in_truth_is_not_doubted(ways):
    assert last(*ways) is None


def test_a_box_that_always_swung_so_is_not_doubted():
    wide = [(10.0 * step, 25.5 + 2.0 * (step % 3)) for step in range(400)]
    assert set(told(wide)) == {None}


def test_what_was_seen_for_too_short_a_time_to_know_how_it_swings_is_not_doubted():
    rows = [(minute - 2500.0, celsius) for minute, celsius in course(*ON_THE_MAT) if minute >= 2500.0]
    assert told(rows)[-1] is None


def test_whoever_has_just_turned_the_heater_makes_it_swing():
    rows = course(*ON_THE_MAT)
    assert told(rows, changed_min=2880.0)[-1] is None
    assert told(rows, changed_min=2000.0)[-1] is not None


def test_it_is_over_once_it_is_still_for_an_hour_or_goes_on_far_beyond_its_tops():
    assert last(*ON_THE_MAT, (85.0, 25.5), (140.0, 25.5)) is not None
    assert last(*ON_THE_MAT, (85.0, 25.5), (150.0, 25.5)) is None
    assert last(*ON_THE_MAT, (85.0, 36.3)) is None


def test_it_is_doubted_again_when_it_does_so_again():
    again = [(minute + 600.0, celsius) for minute, celsius in ON_THE_MAT]
    assert last(*ON_THE_MAT, (85.0, 25.5), (600.0, 25.5), *again) is not None


@pytest.mark.parametrize("cut", [1, 100, *range(286, 330, 3)])
def test_a_cut_anywhere_changes_nothing(cut):
    rows = course(*ON_THE_MAT, (85.0, 25.5), (160.0, 25.5))
    whole = told(rows)
    assert None not in whole[288 + 20 : 288 + 37] and whole[-1] is None
    assert told(rows, (cut,)) == whole
