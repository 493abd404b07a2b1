from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from rules.care.growth import DOUBLING_D, fit, milestones, space_plan, when
from rules.keeper.state import GardenEntry
from rules.terms.events import DAY_MS

START = int(datetime(2027, 3, 1, tzinfo=UTC).timestamp() * 1000)


def doubling(
    first_ml: float, every_d: float, count: int, step_d: int = 7, noise: float = 0.0, seed: int = 1
) -> list[GardenEntry]:
    errors = np.random.default_rng(seed).normal(0.0, noise, count) if noise else np.zeros(count)
    return [
        GardenEntry(START + n * step_d * DAY_MS, first_ml * 2 ** (n * step_d / every_d) * math.exp(errors[n]))
        for n in range(count)
    ]


def saturating(basin_ml: float, count: int, rate_d: float, first: float) -> list[GardenEntry]:
    return [
        GardenEntry(START + n * 7 * DAY_MS, basin_ml / (1 + (1 / first - 1) * math.exp(-rate_d * n * 7))) for n in range(count)
    ]


def test_nothing_entered_gives_no_growth() -> None:
    assert fit([], "Atta", 600.0) is None
    assert fit([GardenEntry(START, 0.0)], "Atta", 600.0) is None


# Rules of thumb: doubling every 6 to 10 weeks for Atta, common practice, no source.
def test_one_entry_grows_by_the_rule_of_thumb_of_its_genus_and_says_so() -> None:
    for genus in ("Atta", "Acromyrmex"):
        growth = fit([GardenEntry(START, 50.0)], genus, None)
        assert growth is not None
        assert growth.by_rule
        assert growth.doubling_d() == pytest.approx(DOUBLING_D[genus])
        assert growth.garden_ml(START) == pytest.approx(50.0)


@pytest.mark.parametrize("every_d", [20.0, 45.0, 120.0])
def test_clean_entries_over_four_months_give_their_own_doubling_time(every_d: float) -> None:
    growth = fit(doubling(20.0, every_d, 18), "Atta", None)
    assert growth is not None
    assert not growth.by_rule
    assert growth.doubling_d() == pytest.approx(every_d, rel=0.06)  # what the prior still pulls


def test_the_uncertainty_covers_the_truth_about_as_often_as_it_says() -> None:
    inside = []
    for seed in range(200):
        growth = fit(doubling(20.0, 50.0, 10, noise=0.2, seed=seed), "Atta", None)
        assert growth is not None
        inside.append(abs(growth.rate_d - math.log(2) / 50.0) < growth.u_rate_d)
    # 68 % expected for one standard uncertainty; binomial spread of 200 tries is 3.3 points; the prior and the floor on
    # the scatter widen it.
    assert 0.60 < np.mean(inside) < 0.85


def test_more_entries_make_the_day_of_the_full_basin_more_certain() -> None:
    widths = []
    for count in (3, 6, 12):
        entries = doubling(20.0, 50.0, count, noise=0.1)
        growth = fit(entries, "Atta", None)
        assert growth is not None
        full = when(growth, 540.0, entries[-1].at_ms)
        assert full.earliest_ms is not None
        assert full.latest_ms is not None
        widths.append(full.latest_ms - full.earliest_ms)
    assert widths[0] > widths[1] > widths[2]


def test_growth_that_slows_in_its_basin_is_seen_as_such() -> None:
    growth = fit(saturating(600.0, 22, 0.03, 0.2), "Atta", 600.0)
    assert growth is not None
    assert growth.basin_ml == 600.0
    assert abs(growth.rate_d - 0.03) < growth.u_rate_d  # the rule of thumb pulls a little
    assert growth.garden_ml(START + 175 * DAY_MS) == pytest.approx(600 / (1 + 4 * math.exp(-0.03 * 175)), rel=0.02)
    assert growth.garden_ml(START + 2000 * DAY_MS) <= 600.0


def test_free_growth_is_not_bent_by_a_large_basin() -> None:
    growth = fit(doubling(20.0, 50.0, 12, noise=0.05), "Atta", 5_000.0)
    assert growth is not None
    assert growth.basin_ml is None


def test_the_basin_is_reached_on_the_day_that_the_doubling_says() -> None:
    entries = doubling(30.0, 40.0, 20)
    growth = fit(entries, "Atta", None)
    assert growth is not None
    reached = when(growth, entries[-1].garden_ml * 2, entries[-1].at_ms).likely_ms
    assert reached is not None
    assert (reached - entries[-1].at_ms) / DAY_MS == pytest.approx(40.0, abs=2.5)


def test_cover_basin_and_readiness_come_in_the_order_of_growth() -> None:
    entries = doubling(60.0, 40.0, 8)
    growth = fit(entries, "Atta", 1_000.0)
    assert growth is not None
    marks = milestones(growth, 1_000.0, covered=True, at_ms=entries[-1].at_ms)
    assert marks.cover_off is not None
    assert marks.full is not None
    assert marks.cover_off.likely_ms is not None
    assert marks.full.likely_ms is not None
    assert marks.basin_ready_ms is not None
    assert marks.cover_off.likely_ms < marks.basin_ready_ms < marks.full.likely_ms
    assert marks.full.earliest_ms is not None
    assert marks.basin_ready_ms <= marks.full.earliest_ms - 21 * DAY_MS


def test_a_garden_already_past_the_mark_has_reached_it_now() -> None:
    growth = fit([GardenEntry(START, 900.0)], "Atta", 900.0)
    assert growth is not None
    marks = milestones(growth, 900.0, covered=True, at_ms=START)
    assert marks.cover_off is not None
    assert (marks.cover_off.likely_ms, marks.basin_ready_ms) == (START, START)


def test_a_shrinking_garden_fills_nothing() -> None:
    entries = [GardenEntry(START + n * 7 * DAY_MS, 400.0 * 0.8**n) for n in range(10)]
    growth = fit(entries, "Atta", 1_000.0)
    assert growth is not None
    assert growth.doubling_d() is None
    assert when(growth, 900.0, entries[-1].at_ms).likely_ms is None


def test_without_a_basin_there_are_no_milestones() -> None:
    growth = fit([GardenEntry(START, 50.0)], "Atta", None)
    assert growth is not None
    assert milestones(growth, None, covered=True, at_ms=START).full is None


def test_the_space_plan_grows_marks_its_rules_of_thumb_and_keeps_acromyrmex_small() -> None:
    entries = doubling(200.0, 60.0, 12)
    for genus, largest in (("Atta", 200_000.0), ("Acromyrmex", 4_000.0)):
        growth = fit(entries, genus, None)
        assert growth is not None
        rows = space_plan(growth, genus, 2_000.0, entries[-1].at_ms)
        assert [row.months for row in rows] == [1, 3, 6, 12, 24, 36]
        assert [row.by_rule for row in rows] == [False, False, False, True, True, True]
        assert all(row.low_ml <= row.likely_ml <= row.high_ml for row in rows)
        assert [row.likely_ml for row in rows] == sorted(row.likely_ml for row in rows)
        assert rows[-1].likely_ml <= largest
        assert rows[-1].basins == math.ceil(rows[-1].likely_ml / 1_800.0)


def test_only_the_last_150_days_shape_the_fit() -> None:
    old = [GardenEntry(START - (400 - n * 7) * DAY_MS, 500.0 / 1.3**n) for n in range(10)]
    recent = doubling(20.0, 50.0, 12)
    assert fit([*old, *recent], "Atta", None) == fit(recent, "Atta", None)
