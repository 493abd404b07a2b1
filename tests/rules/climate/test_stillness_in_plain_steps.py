"""How long a probe has said the same and how long it may, against the same rules written once more, reading by reading."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from rules.climate.memory import Series
from rules.climate.stillness import Stillness, channel_may_stand_ms, keep, may_stand_ms, remembered, stillness
from rules.terms.events import HOUR_MS, MINUTE_MS

WEEK_MIN = 7 * 24 * 60


@dataclass
class Stands:
    """What is known of one series after a reading, in minutes and thousandths."""

    since: int
    value_since: int
    last_at: int
    last: float
    calm: int = 0
    grain: int = 5000  # no probe that one buys is coarser
    moves: int = 0
    stood: int = 0
    stood_squared: int = 0
    least: float = math.inf
    most: float = -math.inf

    def hear(self, at: int, value: float, fresh_min: float) -> None:
        if value != self.last:
            self.value_since = at
        if at - self.last_at > fresh_min:
            self.since = at  # nobody knows what it did meanwhile
        elif value != self.last:
            if at > self.since:
                stood = at - self.since
                self.calm = max(self.calm, stood) if stood <= WEEK_MIN else self.calm
                self.moves += 1
                self.stood += min(stood, WEEK_MIN)
                self.stood_squared += min(stood, WEEK_MIN) ** 2
            self.since = at
        self.grain = math.gcd(self.grain, round(abs(value) * 1000))
        self.least, self.most = min(self.least, value), max(self.most, value)
        self.last_at, self.last = at, value


def drawn(seed: int, interval_min: int) -> tuple[list[int], list[float]]:
    """A probe of some resolution that stands and moves, with gaps that are just none and just one, and with days of calm."""
    draw = np.random.default_rng(seed)
    grain = float(draw.choice([0.1, 0.5, 1.0, 0.01]))
    times, values, at, value = [], [], 0, 100
    for _ in range(70):
        at += int(draw.choice([1, 3, 4], p=[0.9, 0.05, 0.05])) * interval_min
        value += int(draw.choice([0, 1, -2], p=[0.7, 0.2, 0.1]))
        times.append(at)
        values.append(round(grain * value, 3))
        if draw.random() < 0.02 and interval_min >= 600:
            at += 2 * interval_min
    return times, values


@pytest.mark.parametrize("interval_min", [1, 10, 1440])
def test_what_is_learned_of_a_probe_is_what_the_plain_steps_learn_however_it_is_cut(interval_min: int) -> None:
    longest = 0
    for seed in range(40):
        times, values = drawn(seed, interval_min)
        plain, memory, step = Stands(times[0], times[0], times[0], values[0]), Series(), (70, 1, 6)[seed % 3]
        for begin in range(0, 70, step):
            part = slice(begin, begin + step)
            at_ms = np.array(times[part], np.int64) * MINUTE_MS
            found = stillness(memory, at_ms, np.array(values[part]), interval_min * MINUTE_MS, seed % 2 == 0)
            for index, (at, value) in enumerate(zip(times[part], values[part], strict=True)):
                plain.hear(at, value, max(3 * interval_min, 2))
                learned = [found.since_ms[index], found.calm_for_ms[index], found.grain_m[index], found.moves[index]]
                spent = [found.stood_min[index], found.stood_min2[index]]
                assert learned == [plain.since * MINUTE_MS, plain.calm * MINUTE_MS, plain.grain, plain.moves], (seed, index)
                assert found.value_since_ms[index] == plain.value_since * MINUTE_MS, (seed, index)
                assert spent == [plain.stood, plain.stood_squared], (seed, index)
                assert (found.least[index], found.most[index]) == (plain.least, plain.most), (seed, index)
                assert found.at_top[index] == (seed % 2 == 0 and value >= 99.0)
                longest = max(longest, at - plain.since)
            memory.last_ms, memory.last_raw = int(at_ms[-1]), values[part][-1]
            keep(memory, found)
            kept = remembered(memory, at_ms[-1:] + HOUR_MS, seed % 2 == 0)
            assert all(getattr(kept, name)[0] == getattr(found, name)[-1] for name in Stillness.__slots__)
    assert longest > WEEK_MIN or interval_min < 1440


# ---------------------------------------------------------------- how long it may stand


def probe(grain: float, moves: int = 0, calm_min: int = 0, stood: tuple[int, ...] = (), steps: int = 2) -> Stillness:
    ends = (20.0, 20.0 + steps * grain)
    figures = (0, 0, calm_min * MINUTE_MS, round(grain * 1000), *ends, moves, sum(stood), sum(one**2 for one in stood), False)
    return Stillness(*(np.array([one]) for one in figures))


def may_h(temperature: Stillness | None, humidity: Stillness | None, interval_min: float = 1.0) -> float:
    (may,) = may_stand_ms(temperature, humidity, round(interval_min * MINUTE_MS)) / HOUR_MS
    return float(may)


# By resolution: what air in a house did within five months (TRH-database, see there), rounded up: temperature and humidity
# together, or alone. One that has never moved may three times that, and two days at least.
RESOLUTIONS = [
    (0.1, 0.1, 8), (0.4, 0.9, 8), (0.1, 1.0, 20), (0.5, 0.1, 20), (0.1, 4.0, 20), (0.5, 1.0, 36), (1.0, 4.9, 36),
    (0.1, 5.0, 96), (1.0, 5.0, 96), (0.1, None, 30), (0.4, None, 30), (0.5, None, 168), (1.0, None, 168), (None, 0.1, 24),
    (None, 0.9, 24), (None, 1.0, 60), (None, 1.9, 60), (None, 2.0, 178), (None, 5.0, 178),
]  # fmt: skip


@pytest.mark.parametrize(("step_k", "step_pct", "hours"), RESOLUTIONS)
def test_a_probe_may_stand_by_its_resolution_and_three_times_as_long_while_it_is_new(
    step_k: float | None, step_pct: float | None, hours: int
) -> None:
    def known(moves: int, calm_min: int) -> float:
        return may_h(*(None if step is None else probe(step, moves, calm_min) for step in (step_k, step_pct)))

    assert known(0, 0) == known(11, 10) == max(3 * hours, 48)
    assert known(12, 60 * hours) == hours  # four times its calm is more
    assert known(12, 10 * hours) == hours * 4 / 6
    assert known(12, 1) == hours / 4  # a quarter of it at least


@pytest.mark.parametrize(
    ("calm_min", "stood", "interval_min", "hours"),
    [
        (50, (), 1.0, 20 / 6), (10, (), 1.0, 2.0), (50, (), 5.0, 4.0),  # twelve readings are an hour, and four times that
        (1200, (), 1.0, 20.0),  # as long as it ever stood, whatever its resolution says
        (50, (100, 100), 1.0, 6 * (100 - 0.5) / 60),  # six times as long as it is wont to stand, less half a reading
        (50, (50, 100), 10.0, 8.0),  # (50^2 + 100^2) / (50 + 100) = 83.3 minutes, as one finds it at any time
        (50, (), 60.0, 12.0),  # twelve readings at least
        (50, (60,), 130.0, 26.0),
    ],
)
def test_a_probe_that_is_known_may_stand_by_its_own_calm_its_habit_and_twelve_readings(
    calm_min: int, stood: tuple[int, ...], interval_min: float, hours: float
) -> None:
    fine = probe(0.1, 12, calm_min, stood)
    restless = probe(0.1, 12, max(calm_min, 5 * calm_min), (10_000,) if stood else ())
    assert may_h(fine, restless, interval_min) == pytest.approx(hours, abs=0.001)  # the livelier of the two counts
    assert may_h(restless, fine, interval_min) == pytest.approx(hours, abs=0.001)


CHANNELS = [one for one in RESOLUTIONS if None in one[:2]]


@pytest.mark.parametrize(("step_k", "step_pct", "hours"), CHANNELS)
def test_one_quantity_may_stand_beside_the_other_for_what_it_was_seen_to_do(
    step_k: float | None, step_pct: float | None, hours: int
) -> None:
    step, humidity = step_k or step_pct or 0.0, step_k is None

    def may(told_beside: bool, interval_min: int = 1, **known: int) -> float:
        found = channel_may_stand_ms(probe(step, **known), humidity, np.array([told_beside]), interval_min * MINUTE_MS)
        return float(found[0]) / HOUR_MS

    for_ever = 1e6
    assert may(False, steps=0) > for_ever and may(False, moves=11, steps=5) > for_ever  # who hardly moved yet
    assert may(False, moves=500, steps=1) > for_ever  # to and fro between two steps
    assert may(False, moves=12, steps=2) == hours
    assert may(False, moves=12, steps=2, calm_min=hours * 60) == 4 * hours  # as four times its own calm
    assert may(True) == may(True, moves=12, steps=2) == hours / 4
    assert may(True, calm_min=hours * 60) == hours  # never sooner than it stood before
    assert may(True, interval_min=6000) == 12 * 100


def test_a_quantity_that_never_moved_teaches_nothing_and_one_that_did_is_enough() -> None:
    assert may_h(probe(0.1, 12, 50, (200,)), probe(0.1, 0, 0)) == pytest.approx(6 * 199.5 / 60, abs=0.001)
    assert may_h(probe(0.1, 0, 0), probe(0.1, 12, 50)) == pytest.approx(20 / 6)
    assert may_h(probe(0.1, 3, 50), probe(0.1, 11, 50)) == 48.0


def test_to_and_fro_between_two_coarse_steps_a_quantity_goes_in_the_stillest_air() -> None:
    """In a cave a probe of 1 K and 5 %RH flickered at a border for an hour, then was called frozen after four days."""
    still, flickers = probe(5.0, 0, 0), probe(1.0, 40, 10, (10,) * 40, steps=1)
    assert may_h(flickers, still) == may_h(probe(1.0, 0, 10), still) == 3 * 96
    assert may_h(probe(1.0, 40, 10, (10,) * 40), still) == 96 / 4
    assert may_h(probe(0.1, 40, 10, (10,) * 40, steps=1), probe(0.1, 0, 0)) == 2.0


def test_what_is_no_number_of_a_probe_tells_nothing_of_its_resolution() -> None:
    at_ms, said = np.arange(5) * MINUTE_MS, np.array([25.0, np.inf, np.nan, 1e9, 25.5])
    assert stillness(Series(), at_ms, said, MINUTE_MS, False).grain_m.tolist() == [5000, 5000, 5000, 5000, 500]


def test_a_quantity_that_moved_a_few_times_on_the_border_of_two_steps_is_no_lively_one() -> None:
    """In a mine a thermometer went to and fro for twenty minutes, then stood: the humidity beside it tells how calm it is."""
    assert may_h(probe(0.1, 3, 20, (20,)), probe(0.1, 12, 600)) == 10.0
    assert may_h(probe(0.1, 12, 600), probe(0.1, 11, 20, (20,))) == 10.0
    both_new = may_h(probe(0.5, 2, 6000, (6000,)), probe(1.0, 11, 60, (60,)))
    assert both_new == pytest.approx(6 * 5999.5 / 60, abs=0.001)


def test_how_it_stood_at_another_instant_is_as_its_newest_reading_there_left_it() -> None:
    at_ms = np.array([0, 5, 9], np.int64) * MINUTE_MS
    here = stillness(Series(), at_ms, np.array([25.0, 25.5, 26.1]), 10 * MINUTE_MS, False)
    before = remembered(Series(moves=7, grain_m=2), at_ms[:1], False)
    found = here.at(np.array([-1, 0, 1, 2]), before)
    assert found.moves.tolist() == [7, 0, 1, 2] and found.grain_m.tolist() == [2, 5000, 500, 100]
