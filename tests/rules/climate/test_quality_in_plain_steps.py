"""The flags of a series, and how long a probe may stand still, against the same rules written once more: sample by sample, in
minutes, with the published and stated figures written out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest

from rules.climate.memory import Series
from rules.climate.quality import TESTS, Beside, Flat, judge
from rules.terms.events import MINUTE_MS
from rules.terms.quantities import QUANTITIES, Quantity

GOOD, FIRST, SUSPECT, FAIL = 1, 2, 3, 4
# Step 3 K and 10 %RH between consecutive minutes: WMO CBS ET-AWS-1 Doc. 9(2) 2002; the rest as the rules state it.
SPIKE = {"air_temperature": 3.0, "relative_humidity": 10.0, "surface_temperature": 5.0}
AT_ONCE = {"air_temperature": 16.0, "relative_humidity": 45.0, "surface_temperature": 20.0}
FAST = {"air_temperature": 1.0, "relative_humidity": 10.0, "surface_temperature": 3.0}
LEAPT = {"air_temperature": 25.0, "relative_humidity": 60.0, "surface_temperature": 60.0}  # within 15 minutes
NEAR = {"air_temperature": 1.5, "relative_humidity": 6.0, "surface_temperature": 3.0}
LIKELY = {"air_temperature": (5.0, 45.0), "relative_humidity": (15.0, 104.0), "surface_temperature": (5.0, 75.0)}
POSSIBLE = {"air_temperature": (-40.0, 80.0), "relative_humidity": (0.0, 104.0), "surface_temperature": (-40.0, 80.0)}
NOTHING = {"air_temperature": (85.0, -127.0, -45.0), "relative_humidity": (-6.0, 255.0), "surface_temperature": (85.0, -127.0)}
BOTTOM = {"air_temperature": -math.inf, "relative_humidity": 1.0, "surface_temperature": -math.inf}
COARSE = {"air_temperature": 0.5, "relative_humidity": 1.0, "surface_temperature": 0.5}


@dataclass
class Plain:
    """One series, judged sample by sample."""

    quantity: Quantity
    fresh_min: float
    grain: float
    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    jumped: list[bool] = field(default_factory=list)
    racing_since: float | None = None
    beyond_since: float | None = None
    beyond_first = 0.0
    believed = unseen = far = erratic = False

    def judge(self, at: float, value: float, second: float, flat: tuple[float, float] | None) -> tuple[int, str]:
        value = value if math.isfinite(value) else math.nan
        found = [self._extreme(at, value, second), *self._beside_the_last(at, value)]
        if flat is not None and at - flat[0] >= flat[1]:
            found.append((FAIL if at - flat[0] >= 3 * flat[1] else SUSPECT, "flat-line"))
        low, high = POSSIBLE[self.quantity]
        found += [(FAIL, "sentinel")] if value in NOTHING[self.quantity] else []
        found += [(FAIL, "gross-range")] if math.isnan(value) or value < low or value > high else []
        flag, test = GOOD, ""
        for grade, name in found:
            flag, test = (grade, name) if grade > flag else (flag, test)
        back_and_forth = self._goes_back_and_forth(at, value)
        jumps = flag >= SUSPECT and test in ("spike", "domain", "sentinel", "gross-range")
        self.jumped.append(jumps or back_and_forth)
        lately = [now and not before for before, now in zip([False, *self.jumped], self.jumped, strict=False)][-24:]
        self.erratic = sum(lately) >= 5 or (self.erratic and sum(lately) > 1)
        self.times.append(at)
        self.values.append(value)
        return (max(flag, SUSPECT), "erratic") if self.erratic else (flag, test)

    def _limit(self, gap_min: float) -> float:
        return min(SPIKE[self.quantity] * max(gap_min, 1.0), AT_ONCE[self.quantity])

    def _extreme(self, at: float, value: float, second: float) -> tuple[int, str]:
        low, high = LIKELY[self.quantity]
        if not (value < low or value > high):
            self.beyond_since = None
            return GOOD, ""
        if self.beyond_since is None:
            near = bool(self.times) and at - self.times[-1] <= self.fresh_min and not math.isnan(self.values[-1])
            led = near and abs(value - self.values[-1]) <= self._limit(at - self.times[-1])
            self.beyond_since, self.beyond_first, self.believed, self.unseen = at, value, led, not near
            self.far = near and at - self.times[-1] <= 15 and abs(value - self.values[-1]) > LEAPT[self.quantity]
        bottom = value < BOTTOM[self.quantity]  # there a dead input hums, and a sound one stands for months
        denied = not math.isnan(second) and not abs(value - second) <= NEAR[self.quantity]
        wanders = value != self.beyond_first and at - self.beyond_since >= 60 and not bottom
        self.believed |= wanders and not denied and not self.far
        if self.believed or abs(value - second) <= NEAR[self.quantity]:
            return GOOD, ""
        may_stand = bottom or self.grain >= COARSE[self.quantity]
        blamed = not self.unseen or (at - self.beyond_since >= 6 * 60 and not may_stand)
        return SUSPECT, "domain" if blamed else "begins-extreme"

    def _beside_the_last(self, at: float, value: float) -> list[tuple[int, str]]:
        if not self.times or at - self.times[-1] > self.fresh_min:
            found = [(FIRST, "first")]
        else:
            limit = self._limit(at - self.times[-1])
            far = abs(value - self.values[-1]) > limit
            far_before = len(self.times) < 2 or abs(value - self.values[-2]) > limit
            found = [(SUSPECT, "spike")] if far and far_before else []
        pace, before = self._paces(at, value)
        races = pace * before >= 0 and min(abs(pace), abs(before)) > FAST[self.quantity] and self._knows_two(at)
        self.racing_since = (at if self.racing_since is None else self.racing_since) if races else None
        return [*found, (SUSPECT, "rate")] if self.racing_since is not None and at - self.racing_since < 2 else found

    def _knows_two(self, at: float) -> bool:
        return len(self.times) > 1 and at - self.times[-2] <= 2 * self.fresh_min

    def _paces(self, at: float, value: float) -> tuple[float, float]:
        if len(self.times) < 2:
            return 0.0, 0.0
        one = (value - self.values[-1]) / max(at - self.times[-1], 0.5)
        return one, (self.values[-1] - self.values[-2]) / max(self.times[-1] - self.times[-2], 0.5)

    def _goes_back_and_forth(self, at: float, value: float) -> bool:
        pace, before = self._paces(at, value)
        if not self._knows_two(at) or not pace * before < 0:
            return False
        air_goes = SPIKE[self.quantity] * math.sqrt(max((at - self.times[-2]) / 10.0, 1.0))
        return min(abs(value - self.values[-1]), abs(self.values[-1] - self.values[-2])) > air_goes


def drawn(seed: int, quantity: Quantity) -> tuple[list[float], list[float], list[float]]:
    """A series with all that befalls a probe, on a grid on which limits are met exactly: times, values, what another says."""
    draw = np.random.default_rng(seed)
    low, high = LIKELY[quantity]
    middle = 50.0 if quantity == "relative_humidity" else 25.0
    steps = np.array([0.0, 0.25, 1.0, 1.0, 0.0, 0.0, 0.75, 2.5]) * SPIKE[quantity]
    steps += np.array([0.0, 0.0, 0.0, 0.25, FAST[quantity], FAST[quantity] + 0.25, 0.0, 0.0])
    gaps, often = [1.0, 0.25, 0.5, 2.0, 3.0, 3.25, 5.0, 6.0, 30.0, 90.0, 400.0], [0.7, 0.07, 0.07, *[0.02] * 8]
    at, value, now, values, times, seconds = 0.0, middle, 0.0, [], [], []
    lively, way, stands, moves = draw.random(), 1.0, int(draw.choice([0, 0, 16])), int(draw.choice([1, 2, 3, 99]))
    begins = 0.75 if quantity == "relative_humidity" and draw.random() < 0.4 else low - 2.0
    for index in range(90):
        at += 30.0 if index < stands else float(draw.choice(gaps, p=often))
        kind = draw.random()
        if index < stands:  # it begins in an extreme
            now = begins - (0.25 if index == moves else 0.0)
        elif kind < 0.12 * lively:
            now = float(draw.choice([*NOTHING[quantity], math.nan, math.inf, *POSSIBLE[quantity], low, high]))
        elif kind < 0.3 * lively:
            value = now = float(draw.choice([low - 0.25, low - 2.0, high - 0.25, middle, low + 1.0, min(high + 0.25, 94.0)]))
        elif kind < 0.55:
            way = way if draw.random() < 0.6 else -way
            now = value = value + way * float(draw.choice(steps))
        else:
            now = value
        if abs(value - middle) > 45.0 or (quantity == "relative_humidity" and value > 95.0):
            value = now = middle
        times.append(at)
        values.append(now)
        seconds.append(now + float(draw.choice([0.0, NEAR[quantity], NEAR[quantity] + 0.25, math.nan, math.nan])))
    return times, values, seconds


def plainly(
    quantity: Quantity, interval_min: float, times: Sequence[float], values: Sequence[float], seconds: Sequence[float],
    flat: tuple[float, float] | None, grain: float,
) -> list[tuple[int, str]]:
    plain = Plain(quantity, max(3 * interval_min, 2.0), grain)
    return [plain.judge(at, *rest, flat) for at, *rest in zip(times, values, seconds, strict=True)]


@pytest.mark.parametrize("quantity", QUANTITIES)
@pytest.mark.parametrize(("interval_min", "flat"), [(1.0, None), (0.25, (20.0, 30.0)), (10.0, None)])
def test_every_flag_is_the_one_of_the_plain_steps_however_the_series_is_cut(
    quantity: Quantity, interval_min: float, flat: tuple[float, float] | None
) -> None:
    seen: set[str] = set()
    for seed in range(40):
        times, values, seconds = drawn(seed, quantity)
        grain = (0.1, 0.499, 0.5, 0.999, 1.0)[seed % 5]
        expected = plainly(quantity, interval_min, times, values, seconds, flat, grain)
        at_ms = np.round(np.array(times) * MINUTE_MS).astype(np.int64)
        raw, second, memory, found, believed = np.array(values), np.array(seconds), Series(), [], []
        for begin in range(0, 90, (90, 1, 7)[seed % 3]):
            part = slice(begin, begin + (90, 1, 7)[seed % 3])
            standing = None if flat is None else Flat(*(np.full(len(at_ms[part]), one * MINUTE_MS, np.int64) for one in flat))
            said = Beside(second[part], at_ms[part], np.full(len(at_ms[part]), NEAR[quantity]))
            memory, told = judge(
                memory, quantity, at_ms[part], raw[part], round(interval_min * MINUTE_MS), standing, said,
                grain_m=np.full(len(at_ms[part]), round(1000 * grain)),
            )
            found += [(int(flag), TESTS[code]) for flag, code in zip(told.flag, told.test, strict=True)]
            believed += told.value.tolist()
        assert found == expected, seed
        assert [math.isnan(value) for value in believed] == [flag == FAIL for flag, _ in expected]
        assert all(value == said for value, said in zip(believed, values, strict=True) if not math.isnan(value))
        assert memory.samples == 90 and memory.not_good == sum(flag >= SUSPECT for flag, _ in expected)
        assert (memory.flag, memory.test) == expected[-1]
        seen |= {test for _, test in expected}
    never = {"saturated", "wetted"} | (set() if flat else {"flat-line"})
    assert seen == set(TESTS) - never
