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
FLAT_SUSPECT_MS = 2 * HOUR_MS
FLAT_FAIL_MS = 6 * HOUR_MS


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
    flat_since_ms: NDArray[np.int64] | None,
) -> tuple[Series, Judged]:
    """Return the series' memory after these samples and their flags.

    `flat_since_ms`: since when the whole probe has said exactly the same, per sample (see `flat_since`); None: no such test.
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
    mark((raw < facts.domain_low) | (raw > facts.domain_high), SUSPECT, "domain")
    _neighbours(memory, quantity, at_ms, raw, interval_ms, mark)
    if quantity == "relative_humidity":
        _wet(memory, at_ms, raw, mark)
    if flat_since_ms is not None:
        age = at_ms - flat_since_ms
        if quantity == "relative_humidity":
            age = np.where(raw >= SATURATED_PCT, 0, age)
        mark(age >= FLAT_SUSPECT_MS, SUSPECT, "flat-line")
        mark(age >= FLAT_FAIL_MS, FAIL, "flat-line")
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
    limit = SPIKE[quantity] * np.maximum(gap_one / MINUTE_MS, 1.0)
    far_one = np.abs(raw - one) > limit
    far_two = (np.abs(raw - two) > limit) | (two_ms < 0)
    mark(far_one & far_two & (one_ms >= 0) & (gap_one <= fresh), SUSPECT, "spike")
    rate_one = (raw - one) / np.maximum(gap_one / MINUTE_MS, 0.5)
    rate_before = (one - two) / np.maximum((one_ms - two_ms) / MINUTE_MS, 0.5)
    racing = (np.abs(rate_one) > RATE[quantity]) & (np.abs(rate_before) > RATE[quantity]) & (rate_one * rate_before > 0)
    mark(racing & (two_ms >= 0) & (gap_two <= 2 * fresh), SUSPECT, "rate")


def _shifted(at_ms: Instants, value: Floats, before_ms: int | None, before: float | None) -> tuple[Instants, Floats]:
    """Return the series moved by one sample, with the remembered sample in front (-1 and NaN where there is none)."""
    first_ms = -1 if before_ms is None else before_ms
    first = np.nan if before is None else before
    return np.concatenate(([first_ms], at_ms[:-1])), np.concatenate(([first], value[:-1]))


def _wet(memory: Series, at_ms: Instants, raw: Floats, mark: Mark) -> None:
    """Saturation: at its top for half an hour a probe is wet or engulfed, and for a while after it still reads high."""
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
    mark(wetted, SUSPECT, "wetted")
    mark(saturated, FAIL, "saturated")


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


def flat_since(memory: Series, at_ms: NDArray[np.int64], raw: NDArray[np.float64]) -> tuple[int, NDArray[np.int64]]:
    """Return since when the series has been exactly the same: now, and per sample."""
    before = memory.last_raw
    changed = np.empty(len(raw), bool)
    changed[0] = before is None or raw[0] != before
    np.not_equal(raw[1:], raw[:-1], out=changed[1:])
    start = np.where(changed, at_ms, 0)
    if not changed[0]:
        start[0] = memory.same_since_ms if memory.same_since_ms is not None else at_ms[0]
    since = np.maximum.accumulate(start)
    return int(since[-1]), since
