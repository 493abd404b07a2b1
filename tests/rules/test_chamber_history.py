from __future__ import annotations

import numpy as np
import pytest
from advice_scenes import devices

from rules.advice.fit import STEP_MS
from rules.advice.state import KnobChange
from rules.chamber_history import Series, averaged, held, history_of_record
from rules.settings import Chamber, Heater

START_MS = 1_770_000_000_000 // STEP_MS * STEP_MS
HOUR = 6


def series(values, every_ms=60_000, from_ms=START_MS):
    return Series(from_ms + every_ms * np.arange(len(values), dtype=np.int64), np.array(values, float))


def history(chamber, changes=(), visits=(), hours=12, **figures):
    return history_of_record(chamber, changes, visits, figures, START_MS, START_MS + hours * HOUR * STEP_MS)


def test_readings_are_averaged_to_ten_minutes_and_a_gap_stays_a_gap():
    values = [20.0 + (i % 10) for i in range(20)]
    grid = START_MS + STEP_MS * np.arange(4, dtype=np.int64)
    means = averaged(series(values), grid)
    assert means[:2] == pytest.approx([24.5, 24.5]) and np.isnan(means[2:]).all()


def test_a_setting_holds_from_the_instant_at_which_it_was_told():
    grid = START_MS + STEP_MS * np.arange(6, dtype=np.int64)
    changes = [KnobChange(int(grid[4]), "vents", 3.0), KnobChange(int(grid[2]), "vents", 0.0), KnobChange(int(grid[1]),
        "fan", 5.0)]
    assert held(changes, "vents", 1.0, grid).tolist() == [1.0, 1.0, 0.0, 0.0, 3.0, 3.0]


def test_what_no_probe_measures_is_not_known_and_visits_are_left_out():
    chamber = Chamber(devices=devices())
    visit = (START_MS + 6 * STEP_MS, START_MS + 8 * STEP_MS)
    found = history(chamber, visits=[visit], temperature_c=series([25.0] * 720))
    assert np.isfinite(found.temperature_c).all() and np.isnan(found.room_c).all()
    assert found.disturbed.nonzero()[0].tolist() == [6, 7, 8, 9, 10]
    assert np.isnan(found.power_share).all()  # behind a thermostat


def test_a_heater_without_a_thermostat_has_known_power():
    chamber = Chamber(devices=devices(heater=Heater(watts=10.0, thermostat=False)))
    half = KnobChange(START_MS + 6 * STEP_MS, "watts", 5.0)
    found = history(chamber, [half, KnobChange(START_MS + 12 * STEP_MS, "heater_plugged", 0.0)], hours=3)
    assert found.power_share.tolist() == [1.0] * 6 + [0.5] * 6 + [0.0] * 6
