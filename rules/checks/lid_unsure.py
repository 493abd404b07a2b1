"""Whether the lid is wet is a toss-up, or nothing tells: one look at it is worth more than any estimate.

Of the last twelve whole hours, half must have been unsure: the mean margin neither surely dry nor surely wet by its
uncertainty, or not known at all though the air is humid. A look holds for most of a day.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rules.checks.lid_dew import LOOK_BELOW_K, SURE
from rules.checks.verdict import Facts, Verdict
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.memory import Hour
from rules.climate.place_uncertainty import margin_u_k
from rules.climate.view import View
from rules.settings import LidDewBand
from rules.terms.events import HOUR_MS

HOURS = 12
UNSURE_HOURS = 6
ASK_AGAIN_MS = 20 * HOUR_MS
"""A daily look keeps it quiet, though it is never at quite the same hour."""
WETS_ABOVE_PCT = 70.0
"""Drier air wets no lid in a room where people live: 26 degC and 70 %RH have a dew point of 20 degC. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """Nobody can say whether the lid is wet."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    margin, humidity = (
        _last_hours(view, hours_with(view, "dew_margin_k", view.margin)),
        _last_hours(view, hours_with(view, "relative_humidity_pct", view.humidity.value)),
    )
    blind = np.isnan(margin) & (humidity >= WETS_ABOVE_PCT)
    unsure = (blind | _either_way(view, margin, chamber.lid_dew)).sum(axis=1)
    seen_ms = view.memory.lid_seen_ms
    asked = np.ones(len(unsure), bool) if seen_ms is None else view.at_ms >= seen_ms + ASK_AGAIN_MS
    zone = np.where(unsure >= UNSURE_HOURS, OUTSIDE, np.where(unsure > UNSURE_HOURS // 2, EDGE, CLEAR)).astype(np.int8)
    zone[~asked] = CLEAR

    def facts(index: int) -> Facts:
        why = "nothing tells how warm it is" if np.isnan(view.margin[index]) else "dry and wet are both likely by its estimate"
        return Facts(None, None, None, None, f"in {int(unsure[index])} of the last {HOURS} hours; {why}")

    yield Verdict("lid-unsure", zone, view.passed_ms(), Delays(0, 0, 0, 0), facts)


def _either_way(view: View, margin: NDArray[np.float64], band: LidDewBand) -> NDArray[np.bool_]:
    """Return which hours may have been dry or wet, by the uncertainty of the margin now."""
    near = np.flatnonzero((np.abs(margin) < LOOK_BELOW_K).any(axis=1) & ~np.isnan(view.margin))
    sure = np.full((len(margin), 1), np.nan)
    if len(near):
        sure[near, 0] = NormalDist().inv_cdf(SURE) * margin_u_k(view, near)
    return np.asarray((margin + sure >= band.caution_margin_k) & (margin - sure <= 0.0))


def _last_hours(view: View, table: dict[str, Hour]) -> NDArray[np.float64]:
    """Return for each instant the means of the whole hours before its own, NaN where they are not known."""
    numbers = view.at_ms // HOUR_MS
    first, last = int(numbers[0]) - HOURS, int(numbers[-1])
    means = hours_between(table, first, last).mean
    return np.asarray(means[(numbers - first)[:, None] - np.arange(1, HOURS + 1)[None, :]])
