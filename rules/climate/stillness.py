"""A probe that stands still: how long it has said exactly the same, and how long such a probe may."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Series
from rules.climate.quality import fresh_for_ms
from rules.climate.wetness import SATURATED_PCT
from rules.climate.windows import passed_since, thousandths
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Bools = NDArray[np.bool_]

CALM_AT_MOST_MS = 7 * DAY_MS
"""Longer stands teach nothing: coarse probes in caves stand for days, but one that stands longer may have been frozen.
Own estimate."""
FLAT_SAMPLES = 12  # own estimate
LEARNED_AFTER = 12
"""After so many moves it is known how often a probe moves. Own estimate."""
WANDERS_STEPS = 2
"""To and fro between two steps a quantity goes at their border however calm the air is. Own estimate."""
COARSE_M = 500
"""Finer steps, in thousandths, no air keeps to for long. Own estimate."""
NEWBORN_MS = 2 * DAY_MS
"""Before that it may stand so long, and three times as long as by its resolution: a cave or a box over salt is calm from the
first reading on. Own estimate."""
STANDS_AT_MOST = 6
"""So many times as long as it is wont to stand, as one finds it at any time: at random, that is once in 160 000 stands.
Own estimate."""


@dataclass(frozen=True, slots=True)
class Stillness:
    """One series per sample: since when it was heard to say the same, and has said so, gaps or not; and what was learned of it
    until then: its longest calm, its resolution, between what it ever went, how often it moved and how long it stood in
    between; and whether it is a humidity at its top."""

    since_ms: Instants
    value_since_ms: Instants
    calm_for_ms: Instants
    grain_m: Instants
    least: Floats
    most: Floats
    moves: Instants
    stood_min: Instants
    stood_min2: Instants
    at_top: Bools

    def at(self, where: NDArray[np.intp], before: Stillness) -> Stillness:
        """Return it at other instants: as its newest sample there (by index; below 0: the one before all) left it."""
        known, place = where >= 0, np.maximum(where, 0)
        return Stillness(*(np.where(known, getattr(self, name)[place], getattr(before, name)) for name in Stillness.__slots__))


def remembered(memory: Series, at_ms: Instants, humidity: bool) -> Stillness:
    """Return how a series stood at its last sample, for each of these instants."""
    count = len(at_ms)
    since = at_ms if memory.same_since_ms is None else np.full(count, memory.same_since_ms)
    value_since = since if memory.value_since_ms is None else np.full(count, memory.value_since_ms)
    least, most = _ends(memory)
    calm, grain, moves, stood, stood2 = (
        np.full(count, one) for one in (memory.calm_for_ms, memory.grain_m, memory.moves, memory.stood_min, memory.stood_min2)
    )
    top = humidity and memory.last_raw is not None and memory.last_raw >= SATURATED_PCT
    ends = np.full(count, least), np.full(count, most)
    return Stillness(since, value_since, calm, grain, *ends, moves, stood, stood2, np.full(count, top))


def stillness(memory: Series, at_ms: Instants, raw: Floats, interval_ms: int, humidity: bool) -> Stillness:
    """Return how long the series has been exactly the same, and what is learned of it, per sample.

    After a gap it begins anew: nobody knows what it did meanwhile. `value_since_ms` tells since when it has said this, gaps or
    not.
    """
    before_ms = int(at_ms[0]) if memory.last_ms is None else memory.last_ms
    gap = passed_since(at_ms, before_ms) > fresh_for_ms(interval_ms)
    changed = raw - np.concatenate(([np.nan if memory.last_raw is None else memory.last_raw], raw[:-1])) != 0.0
    first_ms = int(at_ms[0]) if memory.same_since_ms is None else memory.same_since_ms
    since = np.maximum.accumulate(np.concatenate(([first_ms], np.where(changed | gap, at_ms, 0))))
    value_ms = int(at_ms[0]) if memory.value_since_ms is None else memory.value_since_ms
    value_since = np.maximum.accumulate(np.where(changed, at_ms, value_ms))
    moved = changed & ~gap & (since[:-1] < at_ms)
    stood = np.where(moved, at_ms - since[:-1], 0)
    calm = np.maximum.accumulate(np.maximum(np.where(stood <= CALM_AT_MOST_MS, stood, 0), memory.calm_for_ms))
    said = np.where(np.abs(raw) < 1e6, raw, np.nan)
    grain = np.gcd.accumulate(np.concatenate(([memory.grain_m], thousandths(said))))[1:]
    least, most = _ends(memory)
    minutes = np.minimum(stood, CALM_AT_MOST_MS) // MINUTE_MS
    return Stillness(
        since[1:],
        value_since,
        calm,
        grain,
        np.fmin.accumulate(np.concatenate(([least], said)))[1:],
        np.fmax.accumulate(np.concatenate(([most], said)))[1:],
        memory.moves + np.cumsum(moved),
        memory.stood_min + np.cumsum(minutes),
        memory.stood_min2 + np.cumsum(minutes**2),
        raw >= (SATURATED_PCT if humidity else np.inf),
    )


def stood(memory: Series, known: int, at_ms: Instants, raw: Floats, interval_ms: int, humidity: bool) -> Stillness:
    """Return the same at instants of which the first `known` are those that the memory is of."""
    before = remembered(memory, at_ms, humidity)
    if known == len(at_ms):
        return before
    found = stillness(memory, at_ms[known:], raw[known:], interval_ms, humidity)
    return found.at(np.arange(len(at_ms)) - known, before)


def keep(memory: Series, found: Stillness) -> None:
    """Remember how a series stood at its newest sample."""
    memory.same_since_ms, memory.value_since_ms = int(found.since_ms[-1]), int(found.value_since_ms[-1])
    memory.calm_for_ms = int(found.calm_for_ms[-1])
    memory.grain_m, memory.moves = int(found.grain_m[-1]), int(found.moves[-1])
    memory.stood_min, memory.stood_min2 = int(found.stood_min[-1]), int(found.stood_min2[-1])
    least, most = float(found.least[-1]), float(found.most[-1])
    memory.least, memory.most = (least, most) if least <= most else (None, None)


def _ends(memory: Series) -> tuple[float, float]:
    return (np.nan, np.nan) if memory.least is None or memory.most is None else (memory.least, memory.most)


def may_stand_ms(temperature: Stillness | None, humidity: Stillness | None, interval_ms: int) -> Instants:
    """Return how long a probe of one or both quantities may say exactly the same: by its resolution, in samples, by its own
    calm so far, and by how often it moves.

    By resolution: what air in and around a house did within five months, thinned and rounded (TRH-database, room, wall and
    outdoors). Both together stood for 8 h in steps of 0.1 K and 0.1 %RH, 19 h in 0.1 K and 1 %RH, 35 h in 1 K and 1 %RH, 95 h
    in 1 K and 5 %RH; temperature alone 28 h in 0.1 K and 160 h in 1 K, humidity alone 24 h in 0.1, 47 h in 1 and 178 h in
    5 %RH. A probe that is read often and has never stood long is doubted much sooner: after four times its own calm.
    """
    known = [one for one in (temperature, humidity) if one is not None]
    hours = _hours_of_resolution(temperature, humidity)
    learned = np.logical_or.reduce([_moves_known(one) for one in known])
    calm = _livelier(known, [one.calm_for_ms for one in known])
    wont = _livelier(known, [one.stood_min2 * MINUTE_MS // np.maximum(one.stood_min, 1) for one in known])
    by_calm = np.maximum(4 * np.maximum(calm, FLAT_SAMPLES * interval_ms), hours * HOUR_MS // 4)
    by_habit = STANDS_AT_MOST * np.maximum(wont - interval_ms // 2, 0)
    may = np.where(learned, np.minimum(hours * HOUR_MS, by_calm), np.maximum(3 * hours * HOUR_MS, NEWBORN_MS))
    longest: Instants = np.maximum.reduce([may, by_habit, calm, np.full(len(may), FLAT_SAMPLES * interval_ms)])
    return longest


def channel_may_stand_ms(one: Stillness, humidity: bool, beside: Bools, interval_ms: int) -> Instants:
    """Return how long one quantity may say exactly the same while the other one of its probe lives.

    By time only a quantity may be convicted that was seen to wander over several of its steps: in coarse ones air that is
    buffered stands for weeks, or goes to and fro between two of them. `beside`: where another probe of the place has told
    meanwhile of more than these steps could hide; then a quarter of the time is enough.
    """
    never = np.iinfo(np.int64).max // 16
    hours_ms = (_hours_of_resolution(None, one) if humidity else _hours_of_resolution(one, None)) * HOUR_MS
    wont = one.stood_min2 * MINUTE_MS // np.maximum(one.stood_min, 1)
    by_habit = STANDS_AT_MOST * np.maximum(wont - interval_ms // 2, 0)
    alone = np.where(_wandered(one), np.maximum(hours_ms, 4 * one.calm_for_ms), never)
    may = np.where(beside, np.minimum(alone, hours_ms // 4), alone)
    longest: Instants = np.maximum.reduce([may, by_habit, one.calm_for_ms, np.full(len(may), FLAT_SAMPLES * interval_ms)])
    return longest


def _moves_known(one: Stillness) -> Bools:
    """Return where it is known how often a quantity moves; in coarse steps, to and fro at a border teaches nothing of it."""
    return (one.moves >= LEARNED_AFTER) & ((one.grain_m < COARSE_M) | _wandered(one))


def _wandered(one: Stillness) -> Bools:
    """Return where a quantity was seen to go over several of its steps."""
    return (one.moves >= LEARNED_AFTER) & (thousandths(one.most - one.least) >= WANDERS_STEPS * one.grain_m)


def _livelier(known: list[Stillness], stood_ms: list[Instants]) -> Instants:
    """Return how long the livelier of the quantities stands, of those whose moves are known; what moved a few times only, on
    the border of two steps, teaches no more than how long it may stand."""
    never = np.iinfo(np.int64).max // 16
    least = np.minimum.reduce(
        [np.where(_moves_known(one), stood, never) for one, stood in zip(known, stood_ms, strict=True)]
    )
    livelier: Instants = np.where(least < never, least, np.max(stood_ms, axis=0))
    return livelier


def _hours_of_resolution(temperature: Stillness | None, humidity: Stillness | None) -> Instants:
    if humidity is None:
        assert temperature is not None
        return np.where(temperature.grain_m >= 500, 168, 30)
    if temperature is None:
        return np.where(humidity.grain_m >= 2_000, 178, np.where(humidity.grain_m >= 1_000, 60, 24))
    coarse_t, coarse_h = temperature.grain_m >= 500, humidity.grain_m >= 1_000
    return np.where(humidity.grain_m >= 5_000, 96, np.where(coarse_t & coarse_h, 36, np.where(coarse_t | coarse_h, 20, 8)))
