"""Telling a wetted humidity probe, stuck near 100 %, from air that is truly wet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules.physics.salt_points import Sample
from rules.physics.saturation import Array
from rules.terms.events import HOUR_MS, MINUTE_MS

TOP_PCT = 99.0
PINNED_FOR_MS = 2 * HOUR_MS
RISE_WITHIN_MS = 30 * MINUTE_MS
RISE_K = 0.4
SHARE_OF_DIP = 0.2

Verdict = Literal["free", "wet-air", "wetted", "undecided"]


@dataclass(frozen=True, slots=True)
class Saturation:
    """What a probe near its top is: `free` (not there), `wet-air`, `wetted` (water on the probe) or `undecided`."""

    verdict: Verdict
    pinned_for_ms: int
    because: str

    @property
    def believed(self) -> bool:
        """Return whether the humidity may be taken as the air's: not when the probe is wet or cannot be told from it."""
        return self.verdict in ("free", "wet-air")


def saturation_of_probe(samples: Sequence[Sample], top_pct: float = TOP_PCT) -> Saturation:
    """Judge the latest readings of one probe, (ms, %RH, degC) in order of time.

    Air obeys d RH/dT = -k RH, 6 points per kelvin, until walls and garden give water after: when the temperature rises by
    0.4 K within half an hour, wet air dips by 2.4 points, or by a good part of it. A wetted probe stays at its top. So
    two hours at 99 %RH or more with such a rise and less than a fifth of the dip mean a wetted probe. Without a rise
    it is undecided: wet air and a wet probe then look alike. Thresholds: judgement, no source.
    """
    rows = np.array([row for row in samples if row[1] == row[1] and row[2] == row[2]], np.float64).reshape(-1, 3)
    below = np.flatnonzero(rows[:, 1] < top_pct)
    run = rows[below[-1] + 1 if below.size else 0 :]
    pinned_for_ms = int(run[-1, 0] - run[0, 0]) if len(run) else 0
    if pinned_for_ms < PINNED_FOR_MS:
        return _after_a_short_run(rows, pinned_for_ms)
    rise_k, dip_pct = _largest_rise(run)
    if rise_k < RISE_K:
        return Saturation("undecided", pinned_for_ms, f"at its top for {pinned_for_ms / HOUR_MS:.1f} h at a steady temperature")
    expected_pct = 6.0 * rise_k
    if dip_pct < SHARE_OF_DIP * expected_pct:
        return Saturation(
            "wetted", pinned_for_ms,
            f"{rise_k:.1f} K warmer within half an hour, yet only {max(dip_pct, 0.0):.1f} of {expected_pct:.1f} %RH less",
        )
    return Saturation("wet-air", pinned_for_ms, f"{rise_k:.1f} K warmer, {dip_pct:.1f} %RH less, as air does")


def _after_a_short_run(rows: Array, pinned_for_ms: int) -> Saturation:
    if len(rows) and pinned_for_ms > 0:
        return Saturation("wet-air", pinned_for_ms, "near its top, not for long")
    return Saturation("free", pinned_for_ms, "below its top")


def _largest_rise(run: Array) -> tuple[float, float]:
    """Return the largest rise of temperature within half an hour, K, and the fall of humidity that came with it."""
    starts = np.searchsorted(run[:, 0], run[:, 0] - RISE_WITHIN_MS)
    rises = run[:, 2] - run[starts, 2]
    at = int(np.argmax(rises))
    return float(rises[at]), float(run[starts[at], 1] - run[at, 1])
