"""Is a reading to be believed? QARTOD-style flags for one series, vectorised, the same however the stream is cut.

Flags (IOOS QARTOD Temperature/Salinity manual v2.0, doi 10.7289/V5V40SD4): 1 good, 2 not evaluated, 3 suspect, 4 fail. A
suspect sample freezes delays, a failed one is not seen at all; neither raises nor clears a climate alarm.

Thresholds: step 3 K and 10 %RH between consecutive minutes after WMO CBS ET-AWS-1 Doc. 9(2) 2002; the others are proposals
of our own, supported by what capacitive probes do in wet air (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Series
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.quantities import FACTS, Quantity

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Mark = Callable[[NDArray[np.bool_], int, str], None]

GOOD, NOT_EVALUATED, SUSPECT, FAIL = 1, 2, 3, 4
NAMES = {GOOD: "good", NOT_EVALUATED: "suspect", SUSPECT: "suspect", FAIL: "fail"}

TESTS = (
    "",
    "first",
    "gross-range",
    "sentinel",
    "domain",
    "spike",
    "rate",
    "flat-line",
    "saturated",
    "wetted",
)
_CODE = {name: code for code, name in enumerate(TESTS)}

SPIKE = {"air_temperature": 3.0, "relative_humidity": 10.0, "surface_temperature": 5.0}  # per minute between samples
RATE = {"air_temperature": 1.0, "relative_humidity": 10.0, "surface_temperature": 3.0}  # per minute, two steps running
SENTINELS = {  # what common digital probes say when they have nothing to say: common practice, from memory
    "air_temperature": (85.0, -127.0, -45.0),
    "relative_humidity": (-6.0, 255.0),
    "surface_temperature": (85.0, -127.0),
}
SATURATED_PCT = 99.0
SATURATED_AFTER_MS = 30 * MINUTE_MS
DRY_AGAIN_PCT = 97.0
WETTED_AT_MOST_MS = 3 * HOUR_MS
MOST_STEP = {"air_temperature": 12.0, "relative_humidity": 45.0, "surface_temperature": 20.0}
"""However long the time between two samples, the air of a box moves no further at once; own estimate."""
BEYOND_BELIEVED_MS = HOUR_MS
"""An extreme that a probe jumped to is believed when it has wandered there for so long: a broken one stands. Own estimate."""
FLAT_FAIL_AFTER = 3
AGREE = {"air_temperature": 1.5, "relative_humidity": 6.0, "surface_temperature": 3.0}
"""So near to it a second probe of the place bears an extreme out: the errors of two cheap probes; own estimate."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One series' samples of a stretch: believed values (NaN where failed), flags, and which test decided."""

    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int8]
    test: NDArray[np.int8]


def fresh_for_ms(interval_ms: int) -> int:
    """Return how long a reading stands for the present: three intervals, at least two minutes."""
    return max(3 * interval_ms, 2 * MINUTE_MS)


def judge(
    memory: Series,
    quantity: Quantity,
    at_ms: NDArray[np.int64],
    raw: NDArray[np.float64],
    interval_ms: int,
    flat: Flat | None,
    second: NDArray[np.float64] | None = None,
) -> tuple[Series, Judged]:
    """Return the series' memory after these samples and their flags.

    `flat`: how long the whole probe has said exactly the same, and how long it may; None: no such test. `second`: what another
    probe of the place said last, per sample (NaN: nothing fresh); it bears out what is extreme.
    """
    count = len(raw)
    flag = np.full(count, GOOD, np.int8)
    test = np.zeros(count, np.int8)

    def mark(where: NDArray[np.bool_], grade: int, name: str) -> None:
        if not where.any():
            return
        where = where & (flag < grade) if grade != NOT_EVALUATED else where & (flag == GOOD)
        flag[where] = grade
        test[where] = _CODE[name]

    memory = replace(memory)
    facts = FACTS[quantity]
    raw = np.where(np.isfinite(raw), raw, np.nan)
    borne_out = np.zeros(count, bool) if second is None else np.abs(raw - second) <= AGREE[quantity]
    beyond = (raw < facts.domain_low) | (raw > facts.domain_high)
    if beyond.any() or memory.beyond_since_ms is not None:
        mark(_unled(memory, quantity, at_ms, raw, beyond, interval_ms) & ~borne_out, SUSPECT, "domain")
    _neighbours(memory, quantity, at_ms, raw, interval_ms, mark)
    if quantity == "relative_humidity":
        _wet(memory, at_ms, raw, borne_out, mark)
    if flat is not None:
        age = at_ms - flat.since_ms
        if quantity == "relative_humidity":
            age = np.where(raw >= SATURATED_PCT, 0, age)
        mark(age >= flat.may_for_ms, SUSPECT, "flat-line")
        mark(age >= FLAT_FAIL_AFTER * flat.may_for_ms, FAIL, "flat-line")
    sentinel = np.zeros(count, bool)
    for said in SENTINELS[quantity]:
        sentinel |= raw == said
    mark(sentinel, FAIL, "sentinel")
    mark((raw < facts.gross_low) | (raw > facts.gross_high) | np.isnan(raw), FAIL, "gross-range")
    value = np.where(flag == FAIL, np.nan, raw)
    _remember(memory, at_ms, raw, flag, test)
    return memory, Judged(at_ms, value, flag, test)


def _neighbours(memory: Series, quantity: Quantity, at_ms: Instants, raw: Floats, interval_ms: int, mark: Mark) -> None:
    """Spike and rate: a sample far from both of the two before it is a spike until the next one agrees with it."""
    one_ms, one = _shifted(at_ms, raw, memory.last_ms, memory.last_raw)
    two_ms, two = _shifted(one_ms, one, memory.before_ms, memory.before_raw)
    fresh = fresh_for_ms(interval_ms)
    gap_one, gap_two = at_ms - one_ms, at_ms - two_ms
    mark((one_ms < 0) | (gap_one > fresh), NOT_EVALUATED, "first")
    limit = _step_limit(quantity, gap_one)
    far_one = np.abs(raw - one) > limit
    far_two = (np.abs(raw - two) > limit) | (two_ms < 0)
    mark(far_one & far_two & (one_ms >= 0) & (gap_one <= fresh), SUSPECT, "spike")
    rate_one = (raw - one) / np.maximum(gap_one / MINUTE_MS, 0.5)
    rate_before = (one - two) / np.maximum((one_ms - two_ms) / MINUTE_MS, 0.5)
    racing = (np.abs(rate_one) > RATE[quantity]) & (np.abs(rate_before) > RATE[quantity]) & (rate_one * rate_before > 0)
    mark(racing & (two_ms >= 0) & (gap_two <= 2 * fresh), SUSPECT, "rate")


def _step_limit(quantity: Quantity, gap_ms: Instants) -> Floats:
    """Return how far two samples may be apart: by the minute at first, but no further than air moves at once."""
    return np.minimum(SPIKE[quantity] * np.maximum(gap_ms / MINUTE_MS, 1.0), MOST_STEP[quantity])


def _unled(
    memory: Series, quantity: Quantity, at_ms: Instants, raw: Floats, beyond: NDArray[np.bool_], interval_ms: int
) -> NDArray[np.bool_]:
    """Return where an extreme is not believed: it was jumped to, and it has not wandered there for an hour yet."""
    doubted = np.zeros(len(raw), bool)
    before_ms, before = memory.last_ms, memory.last_raw
    for index in range(len(raw)):
        instant, value = int(at_ms[index]), float(raw[index])
        if not beyond[index]:
            memory.beyond_since_ms = None
        else:
            if memory.beyond_since_ms is None:
                memory.beyond_since_ms, memory.beyond_raw = instant, value
                near = before_ms is not None and instant - before_ms <= fresh_for_ms(interval_ms) and before is not None
                limit = _step_limit(quantity, np.array([instant - (before_ms or 0)]))[0]
                memory.beyond_believed = bool(near and abs(value - (before or 0.0)) <= limit)
            moved = value != memory.beyond_raw and instant - memory.beyond_since_ms >= BEYOND_BELIEVED_MS
            memory.beyond_believed = memory.beyond_believed or moved
            doubted[index] = not memory.beyond_believed
        before_ms, before = instant, _finite(value)
    return doubted


def _shifted(at_ms: Instants, value: Floats, before_ms: int | None, before: float | None) -> tuple[Instants, Floats]:
    """Return the series moved by one sample, with the remembered sample in front (-1 and NaN where there is none)."""
    first_ms = -1 if before_ms is None else before_ms
    first = np.nan if before is None else before
    return np.concatenate(([first_ms], at_ms[:-1])), np.concatenate(([first], value[:-1]))


def _wet(memory: Series, at_ms: Instants, raw: Floats, borne_out: NDArray[np.bool_], mark: Mark) -> None:
    """Saturation: at its top for half an hour a probe is wet or engulfed, and for a while after it still reads high.

    Where a second probe says the same it is the air that is wet."""
    if not (raw >= SATURATED_PCT).any() and memory.top_since_ms is None and memory.wet_until_ms is None:
        return
    saturated = np.zeros(len(raw), bool)
    wetted = np.zeros(len(raw), bool)
    for index, (instant, value) in enumerate(zip(at_ms.tolist(), raw.tolist(), strict=True)):
        if value >= SATURATED_PCT:
            memory.top_since_ms = instant if memory.top_since_ms is None else memory.top_since_ms
            if instant - memory.top_since_ms >= SATURATED_AFTER_MS:
                saturated[index] = True
                memory.wet_until_ms = instant + WETTED_AT_MOST_MS
            continue
        memory.top_since_ms = None
        if memory.wet_until_ms is not None and value < DRY_AGAIN_PCT:
            # Ten more minutes after it has come down: polymer films give water back slowly.
            memory.wet_until_ms = min(memory.wet_until_ms, instant + 10 * MINUTE_MS)
        if memory.wet_until_ms is not None:
            if instant < memory.wet_until_ms:
                wetted[index] = True
            else:
                memory.wet_until_ms = None
    mark(wetted & ~borne_out, SUSPECT, "wetted")
    mark(saturated & ~borne_out, FAIL, "saturated")


def _remember(
    memory: Series, at_ms: NDArray[np.int64], raw: NDArray[np.float64], flag: NDArray[np.int8], test: NDArray[np.int8]
) -> None:
    if len(raw) > 1:
        memory.before_ms, memory.before_raw = int(at_ms[-2]), _finite(raw[-2])
    else:
        memory.before_ms, memory.before_raw = memory.last_ms, memory.last_raw
    memory.last_ms, memory.last_raw = int(at_ms[-1]), _finite(raw[-1])
    memory.samples += len(raw)
    memory.not_good += int(np.count_nonzero(flag >= SUSPECT))
    memory.flag, memory.test = int(flag[-1]), TESTS[int(test[-1])]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# ---------------------------------------------------------------- the probe that stands still


@dataclass(frozen=True, slots=True)
class Stillness:
    """One series per sample: since when it has said the same, and its calm and resolution as learned until then."""

    since_ms: Instants
    calm_for_ms: Instants
    grain_m: Instants


@dataclass(frozen=True, slots=True)
class Flat:
    """A whole probe per sample: since when it has said the same, and how long it may."""

    since_ms: Instants
    may_for_ms: Instants


def stillness(memory: Series, at_ms: Instants, raw: Floats) -> Stillness:
    """Return how long the series has been exactly the same, its longest calm and its resolution, per sample."""
    before = memory.last_raw
    changed = np.empty(len(raw), bool)
    changed[0] = before is None or raw[0] != before
    np.not_equal(raw[1:], raw[:-1], out=changed[1:])
    start = np.where(changed, at_ms, 0)
    first_ms = memory.same_since_ms if memory.same_since_ms is not None else int(at_ms[0])
    if not changed[0]:
        start[0] = first_ms
    since = np.maximum.accumulate(start)
    ended = np.where(changed, at_ms - np.concatenate(([first_ms], since[:-1])), 0)
    calm = np.maximum.accumulate(np.maximum(np.where(ended <= CALM_AT_MOST_MS, ended, 0), memory.calm_for_ms))
    grains = np.rint(np.where(np.abs(raw) < 1e6, raw, 0.0) * 1000.0).astype(np.int64)
    grain = np.gcd.accumulate(np.concatenate(([memory.grain_m], grains)))[1:]
    return Stillness(since, calm, grain)


CALM_AT_MOST_MS = 48 * HOUR_MS
FLAT_SAMPLES = 12


def may_stand_ms(temperature: Stillness, humidity: Stillness, interval_ms: int) -> Instants:
    """Return how long a probe may say exactly the same: by its resolution, its own calm so far, and in samples.

    By resolution: what air in a house did within five months, thinned and rounded (TRH-database, room and wall): it stood
    for 7 h in steps of 0.1 K and 0.1 %RH, 19 h in 0.1 K and 1 %RH, 35 h in 1 K and 1 %RH, 95 h in 1 K and 5 %RH.
    A probe that is read often and has never stood long is doubted much sooner: after four times its own calm.
    """
    coarse_t, coarse_h = temperature.grain_m >= 500, humidity.grain_m >= 1_000
    hours = np.where(humidity.grain_m >= 5_000, 96, np.where(coarse_t & coarse_h, 36, np.where(coarse_t | coarse_h, 20, 8)))
    calm = np.minimum(temperature.calm_for_ms, humidity.calm_for_ms)
    by_calm = np.maximum(4 * np.maximum(calm, FLAT_SAMPLES * interval_ms), hours * HOUR_MS // 4)
    may = np.minimum(hours * HOUR_MS, by_calm)
    longest: Instants = np.maximum(np.maximum(may, calm), FLAT_SAMPLES * interval_ms)
    return longest
