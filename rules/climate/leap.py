"""A lone temperature probe that leaps: from one reading to the next its box is said to be kelvins warmer, its air as humid.

As much water as that takes would have to come with the heat, and no mat, sun or lamp brings any: they dry the air that they
warm. So it is the probe that fell, or what it tells that is wrong. It is no proof: what follows is a question, no blame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Leap, PlaceMemory
from rules.climate.windows import Signal
from rules.terms.events import DAY_MS, MINUTE_MS

LEAP_K, DRIER_PCT, DAMPER_PCT = 3.0, 3.0, 5.0
"""By so much from one reading to the next, in air that is no drier and no damper than this: a sixth more water in it at least.
A mat of three times the needed power gives 2.5 K in ten minutes, and dries the air by ten points; it gets damper where a lid
that was open is shut again, then warmth and water come back together. Own estimates."""
BACK_SHARE = 0.5
"""Who has hung a fallen probe back sees it fall at once by more of its leap than this; judgement."""
BEYOND_K = 2.0
"""What has risen so much further since is warm in truth as well: no swing of a thermostat is wider. Own estimate."""
LAGS_MS = 30 * MINUTE_MS
"""So long a slow probe that has fallen onto a mat still rises to what that has. Own estimate."""
HOLDS_MS = 7 * DAY_MS
"""So long a probe that was not seen to come back is doubted; judgement."""
AT_ONCE_K, AT_ONCE_MS = 2.0, 3 * MINUTE_MS
"""So much within so few minutes no mat warms air. Own estimate."""
HALF_AN_HOUR_MS, CALM_K = 30 * MINUTE_MS, 1.0
"""It leaps out of where it was for so long or from above that, give or take a thermostat's swing. Own estimates."""
SLOWEST_MS = 10 * MINUTE_MS
"""Of readings that are further apart nobody can tell how fast it went. Own estimate."""

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]


def leapt_k(
    memory: PlaceMemory, at_ms: Instants, value: Floats, damp: Floats, lately: Signal, read_ms: Instants
) -> Floats:
    """Return by how much the temperature may be told too high, K, at each instant, by it and the humidity there; NaN: nothing
    speaks against it.

    `memory`: of the place before them; the leap that it stands on is remembered there. `lately`: the last temperatures, for a
    box that only comes back from a moment with its lid off. `read_ms`: when each of the temperatures was read.
    """
    seen = memory.instant_ms is not None and memory.seen_ms == memory.instant_ms == memory.humidity_seen_ms
    rose = _step(memory.temperature_c if seen else None, value)
    damped = _step(memory.relative_humidity_pct if seen else None, damp)
    after_ms = np.diff(read_ms, prepend=read_ms[0] if memory.read_ms is None else memory.read_ms)
    far = (rose >= LEAP_K) | ((rose >= AT_ONCE_K) & (after_ms <= AT_ONCE_MS))
    far &= (after_ms > 0) & (after_ms <= SLOWEST_MS)
    memory.read_ms = int(read_ms[-1])
    leaps, doubt = far & (damped >= -DRIER_PCT) & (damped <= DAMPER_PCT), np.full(len(at_ms), np.nan)
    if leaps.any():
        leaps &= value - rose >= lately.mean(at_ms, HALF_AN_HOUR_MS, MINUTE_MS) - CALM_K
    if memory.leap is None and not leaps.any():
        return doubt
    rows = zip(at_ms.tolist(), value.tolist(), rose.tolist(), leaps.tolist(), strict=True)
    for index, (now_ms, now, rise, leap) in enumerate(rows):
        if leap and memory.leap is None:
            memory.leap = Leap(now_ms, now - rise, rise, now, now)
        elif memory.leap is not None and now == now:
            memory.leap = _after(memory.leap, now_ms, now)
        doubt[index] = np.nan if memory.leap is None else memory.leap.by_k
    return doubt


def _step(was: float | None, now: Floats) -> Floats:
    return np.diff(now, prepend=np.nan if was is None else was)


def _after(known: Leap, at_ms: int, now: float) -> Leap | None:
    is_back = known.last_c - now >= BACK_SHARE * known.by_k
    rises = at_ms - known.at_ms <= LAGS_MS
    top_c = max(now if rises else known.from_c + known.by_k, known.top_c or 0.0)
    if is_back or now > top_c + BEYOND_K or at_ms - known.at_ms > HOLDS_MS:
        return None
    return replace(known, last_c=now, top_c=top_c)
