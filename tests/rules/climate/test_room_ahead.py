"""A room's own last days as its forecast, in an office that was recorded for a year, against "it stays as it is"."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from rules.climate.room_ahead import room_ahead_of

KEPT_H = 120
OFFICE = Path(__file__).parents[2] / "data" / "office_year.csv"


def office() -> np.ndarray:
    # Numenta anomaly benchmark, ambient temperature of an office: hourly, with a failing system in it
    with OFFICE.open(encoding="utf-8") as file:
        return np.array([float(row["room_c"]) for row in csv.DictReader(file)])


@pytest.mark.parametrize("ahead_h", [3, 6, 12, 18])
def test_it_tells_a_recorded_office_better_than_that_it_stays_as_it_is_and_knows_how_well(ahead_h: int) -> None:
    course, rows = office(), []
    for now in range(KEPT_H, len(course) - ahead_h, 7):
        ahead = room_ahead_of(course[now - KEPT_H : now])
        assert ahead is not None
        rows.append((course[now + ahead_h] - course[now], ahead.change_k[ahead_h], ahead.u_k[ahead_h]))
    came, told, u = np.array(rows).T
    assert np.mean((came - told) ** 2) < np.mean(came**2)
    assert 0.90 <= np.mean(np.abs(came - told) <= 2.0 * u) <= 0.98


def test_a_day_that_comes_back_each_day_is_known_from_two_and_nothing_is_made_of_what_is_not_known() -> None:
    hours = np.arange(KEPT_H)
    sine = 20.0 + 2.0 * np.sin(hours / 24.0 * 2.0 * np.pi)
    sine[: KEPT_H - 48] = np.nan
    ahead = room_ahead_of(sine)
    assert ahead is not None
    assert ahead.change_k[6] == pytest.approx(2.0 * 2.0 / 2.5, abs=0.05), "two days are believed by four fifths"
    assert ahead.change_k[24] == pytest.approx(0.0, abs=0.05)
    assert room_ahead_of(np.full(KEPT_H, np.nan)) is None


def test_one_day_alone_is_stated_wider_than_five_like_it() -> None:
    week = np.tile(20.0 + np.sin(np.arange(24) / 24.0 * 2.0 * np.pi), 5)
    one = week.copy()
    one[:-24] = np.nan
    few, many = room_ahead_of(one), room_ahead_of(week)
    assert few is not None and many is not None
    assert few.u_k[12] > 2.0 * many.u_k[12]
