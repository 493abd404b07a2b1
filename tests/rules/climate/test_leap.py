"""A lone probe that leaps: what is doubted and what is not, and what ends the doubt (attack from outside)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.climate.leap import leapt_k
from rules.climate.memory import PlaceMemory, Tail
from rules.climate.windows import recent
from rules.terms.events import MINUTE_MS

Row = tuple[float, float, float]
CALM: list[Row] = [(5.0 * step, 25.5 + 0.3 * (step % 3), 85.0) for step in range(9)]  # to the 40th minute


def doubted(rows: list[Row], cuts: tuple[int, ...] = ()) -> list[float | None]:
    """Return by how much the temperature is doubted at each of these minutes (with degC and %RH), however they are cut."""
    memory, tail, found = PlaceMemory(since_ms=0), Tail(), []
    for part in np.split(np.array(rows), cuts):
        at_ms = np.rint(part[:, 0] * MINUTE_MS).astype(np.int64)
        tail, signals = recent(tail, at_ms, part[:, 1], part[:, 2], part[:, 2], {})
        doubt = leapt_k(memory, at_ms, part[:, 1], part[:, 2], signals.temperature, at_ms)
        found += [None if one != one else round(one, 1) for one in doubt.tolist()]
        last_ms = int(at_ms[-1])
        memory = replace(memory, instant_ms=last_ms, seen_ms=last_ms, humidity_seen_ms=last_ms)
        memory.temperature_c, memory.relative_humidity_pct = part[-1, 1:].tolist()
    return found


def after(*rows: Row) -> list[float | None]:
    return doubted([*CALM, *rows])[len(CALM) :]


def test_four_kelvin_more_in_air_as_humid_as_before_is_doubted_and_no_calm_box_is():
    assert doubted(CALM) == [None] * 9
    assert after((45.0, 29.8, 85.0), (50.0, 29.8, 84.0), (300.0, 29.9, 84.0)) == pytest.approx([4.0, 4.0, 4.0], abs=0.4)


def test_what_leaps_within_three_minutes_need_not_leap_so_far():
    """2.6 K from one reading to the next, of a probe that speaks when something has changed: four letters in 80 minutes, each
    with another step (attack from outside)."""
    assert after((43.0, 28.2, 84.0), (46.0, 28.4, 84.0)) == pytest.approx([2.4, 2.4], abs=0.4)
    assert after((45.0, 28.2, 84.0), (48.0, 28.4, 84.0)) == [None, None]
    assert after((55.0, 29.8, 85.0), (65.0, 29.8, 85.0)) == [None, None]  # of which nobody can tell how fast it came


def test_a_slow_probe_on_a_mat_rises_for_minutes_and_is_doubted_all_the_same():
    """"Unplug" four minutes after "compare", for a probe on its mat (attack from outside)."""
    assert None not in after((43.0, 28.8, 83.0), (46.0, 30.5, 78.0), (50.0, 33.4, 70.0), (60.0, 34.5, 60.0), (75.0, 35.0, 50.0))


@pytest.mark.parametrize(("celsius", "damp"), [
    (28.4, 85.0),  # 2.7 K: the steepest of strong mats
    (29.8, 67.0),  # the same water in warmer air: the sun, a lamp, a mat
    (29.8, 93.0),  # a lid that was shut again
])  # fmt: skip
def test_what_some_heat_or_a_shut_lid_does_is_not_doubted(celsius, damp):
    assert after((45.0, celsius, damp), (50.0, celsius, damp)) == [None, None]


def test_a_box_that_comes_back_from_a_moment_with_its_lid_off_is_not_doubted():
    assert after((45.0, 21.5, 84.0), (50.0, 25.5, 84.0)) == [None, None]


def test_what_rises_by_kelvins_an_hour_is_not_doubted():
    assert after(*((45.0 + 5.0 * step, 26.0 + 0.8 * step, 85.0) for step in range(12))) == [None] * 12


@pytest.mark.parametrize(("later", "stays"), [
    ((60.0, 27.5, 85.0), False),  # hung back: more than half of it within minutes
    ((60.0, 28.3, 85.0), True),
    ((80.0, 31.5, 80.0), True), ((80.0, 32.0, 80.0), False),  # two kelvins more are heat, whatever leapt before
    ((46.0 + 7 * 24 * 60.0, 29.8, 85.0), False), ((44.0 + 7 * 24 * 60.0, 29.8, 85.0), True),
])  # fmt: skip
def test_the_doubt_ends_where_it_comes_back_at_once_goes_on_or_is_a_week_old(later, stays):
    assert (after((45.0, 29.8, 85.0), (50.0, 29.8, 85.0), (55.0, 29.8, 85.0), later)[-1] is not None) is stays


def test_a_slow_fall_as_of_a_box_without_heat_ends_no_doubt():
    rows = [(45.0, 29.8, 85.0), *((50.0 + 5.0 * step, 29.8 - 0.2 * step, 85.0) for step in range(24))]
    assert None not in after(*rows)


@pytest.mark.parametrize("cut", range(1, 14))
def test_a_cut_anywhere_changes_nothing(cut):
    rows = [*CALM, (45.0, 29.6, 85.0), (50.0, 29.9, 85.0), (55.0, 29.9, 85.0), (60.0, 26.0, 85.0), (65.0, 25.9, 85.0)]
    whole = doubted(rows)
    assert whole[9] is not None and whole[-1] is None
    assert doubted(rows, (cut,)) == whole
