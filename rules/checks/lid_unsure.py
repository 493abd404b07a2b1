"""Whether the lid is wet is a toss-up, or nothing tells: one look at it is worth more than any estimate.

Of the last twelve whole hours, half must have been unsure: the mean margin neither surely dry nor surely wet by its
uncertainty, and no film by the estimate for which it is told as wet; or not known at all though the air is humid; or dry only
as it was told: by foam or a second pane that no look and no measurement has borne out, where it would be wet without. It is a
question, not an alarm: asked once in the digest, and open until it is answered, or until nothing has been unsure for half a
day. A look holds for most of a day.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rules.checks.lid_dew import LOOK_BELOW_K, SURE, UNMEASURED_G_M2
from rules.checks.verdict import Facts, Verdict
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.memory import Hour
from rules.climate.place_uncertainty import margin_u_k
from rules.climate.situate import is_saturated
from rules.climate.view import View
from rules.climate.windows import passed_since
from rules.keeper.devices import lid_now
from rules.physics.lid_factor import prior_if_bare
from rules.settings.bands import LidDewBand
from rules.terms.events import HOUR_MS

HOURS = 12  # own estimate
UNSURE_HOURS = 6  # own estimate
ASK_AGAIN_MS = 20 * HOUR_MS
"""A daily look keeps it quiet, though it is never at quite the same hour. Own estimate."""
WETS_ABOVE_PCT = 70.0
"""Drier air wets no lid in a room where people live: 26 degC and 70 %RH have a dew point of 20 degC. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """Nobody can say whether the lid is wet."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    numbers = view.hour
    known = _unsure_hours(view, numbers, chamber.lid_dew)
    view.memory.lid_unsure_hours = known[known >= numbers[-1] - HOURS].tolist()
    unsure = np.searchsorted(known, numbers) - np.searchsorted(known, numbers - HOURS)
    seen_ms = view.memory.lid_seen_ms
    asked = np.ones(len(unsure), bool) if seen_ms is None else view.at_ms >= seen_ms + ASK_AGAIN_MS
    zone = np.where(unsure >= UNSURE_HOURS, OUTSIDE, np.where(unsure > 0, EDGE, CLEAR)).astype(np.int8)
    zone[~asked] = CLEAR

    def facts(index: int) -> Facts:
        why = "nothing tells how warm it is" if np.isnan(view.margin[index]) else "dry and wet are both likely by its estimate"
        if view.margin[index] >= chamber.lid_dew.caution_margin_k and _bare_factor(view) is not None:
            why = "it is dry if it is built as told, and wet if it is not"
        return Facts(None, None, None, None, f"in {int(unsure[index])} of the last {HOURS} hours; {why}")

    yield Verdict("lid-unsure", zone, view.passed_ms, Delays(0, 0, 0, 0), facts)


def _bare_factor(view: View) -> float | None:
    """Return the factor that the lid has without the foam or second pane that it is told to have and that nothing has borne out
    yet; None: there is no such doubt."""
    lid, belief = lid_now(view.keeper, view.place, view.settings.chambers[view.place]), view.memory.belief
    if lid.build == "single" or belief is None or belief.learned or lid.temperature_factor is not None:
        return None
    return prior_if_bare(lid).mean


def _unsure_hours(view: View, numbers: NDArray[np.int64], band: LidDewBand) -> NDArray[np.int64]:
    """Return the numbers of the hours that were unsure when they were over, those of this stretch added, in their order."""
    before = numbers[0] if view.memory.instant_ms is None else view.memory.instant_ms // HOUR_MS
    begun = np.flatnonzero(passed_since(numbers, before))
    if not len(begun):
        return np.array(view.memory.lid_unsure_hours, np.int64)
    margin = _mean_before(hours_with(view, "dew_margin_k", view.margin), numbers[begun])
    humidity = _mean_before(hours_with(view, "relative_humidity_pct", view.humidity.value), numbers[begun])
    soaked = np.isnan(humidity) & [is_saturated(view, int(index)) for index in begun]
    blind = np.isnan(margin) & (soaked | (humidity >= WETS_ABOVE_PCT))
    sure = np.full(len(begun), np.nan)
    near = np.flatnonzero(np.abs(margin) < LOOK_BELOW_K)
    if len(near):
        sure[near] = NormalDist().inv_cdf(SURE) * margin_u_k(view, begun[near])
    told = (margin + sure < band.caution_margin_k) & (view.condensate[begun] >= UNMEASURED_G_M2)
    either_way = (margin + sure >= 0.0) & (margin - sure <= 0.0) & ~told
    bare = _bare_factor(view)
    if bare is not None and view.memory.belief is not None:
        warmth = _mean_before(hours_with(view, "temperature_c", view.temperature.value), numbers[begun])
        either_way |= margin - (view.memory.belief.mean - bare) * (warmth - view.room_temperature[begun]) <= 0.0
    return np.union1d(np.array(view.memory.lid_unsure_hours, np.int64), (numbers[begun] - 1)[blind | either_way])


def _mean_before(table: dict[str, Hour], numbers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the mean of the whole hour before each of these, NaN where it is not known."""
    if not len(numbers):
        return np.empty(0)
    first = int(numbers.min()) - 1
    return np.asarray(hours_between(table, first, int(numbers.max())).mean[numbers - 1 - first])
