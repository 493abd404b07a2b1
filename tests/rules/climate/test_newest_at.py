"""The newest of many times at many instants: found without a search where both go on alike, from wherever they begin."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from rules.climate.windows import WORTH_A_LOOK, Signal, newest_at

MANY = 2 * WORTH_A_LOOK


def by_hand(times: list[int], instants: list[int]) -> list[int]:
    return [sum(time <= at for time in times) - 1 for at in instants]


@pytest.mark.parametrize(("begin", "lack"), [*product([-400, -30, -6, -5, -1, 0, 3, 5, 30, 400], [0, 1, 40])])
def test_times_that_go_on_alike_are_found_also_where_the_first_instants_come_before_them(begin: int, lack: int) -> None:
    times, instants = [*range(0, 5 * (MANY - lack), 5)], [*range(begin, begin + 5 * MANY, 5)]
    assert newest_at(np.array(times), np.array(instants)).tolist() == by_hand(times, instants)


@pytest.mark.parametrize("seed", range(20))
def test_times_that_go_on_otherwise_are_searched_for(seed: int) -> None:
    draw = np.random.default_rng(seed)
    times = np.cumsum(draw.integers(1, 4, MANY))
    instants = np.cumsum(draw.integers(1, 4, MANY)) - 60
    if seed % 2:
        instants = np.concatenate((np.arange(-20, 0), times[:-10]))  # one time of them is missed further on
        instants[70] += 3
        instants = np.sort(instants)
    assert newest_at(times, instants).tolist() == by_hand(times.tolist(), instants.tolist())


def test_a_mean_before_anything_was_read_is_not_known() -> None:
    at_ms = np.arange(MANY, dtype=np.int64) * 60_000
    signal = Signal.of(at_ms, np.arange(MANY) * 1000, np.ones(MANY, bool))
    ten_minutes_ago = signal.mean(at_ms, 11 * 60_000, 10 * 60_000)
    assert np.isnan(ten_minutes_ago[:10]).all()
    assert ten_minutes_ago[10:].tolist() == [float(minute) for minute in range(MANY - 10)]
