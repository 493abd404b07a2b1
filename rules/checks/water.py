"""Water keeps coming: a mister or fogger that does not stop."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.view import View
from rules.terms.events import MINUTE_MS

NEAR_SATURATION_PCT = 97.0  # own estimate
DEW_POINT_RISE_K_H = 0.5  # own estimate


def check(view: View) -> Iterator[Verdict]:
    """Mister stuck: air near saturation and its dew point still rising, not merely because a wet box is being warmed."""
    if view.chamber is None or view.chamber.devices.mister is None:
        return
    value = view.humidity.value
    rising = view.recent.dew_point.slope_k_h(view.at_ms, 15 * MINUTE_MS)
    warming = view.recent.temperature.slope_k_h(view.at_ms, 15 * MINUTE_MS)
    stuck = (value > NEAR_SATURATION_PCT) & (rising - np.fmax(warming, 0.0) > DEW_POINT_RISE_K_H)
    zone = np.where(stuck, OUTSIDE, np.where(value < NEAR_SATURATION_PCT - 2, CLEAR, EDGE)).astype(np.int8)
    zone[np.isnan(value)] = UNSEEN

    def facts(index: int) -> Facts:
        because = f"{value[index]:.0f} %RH and the dew point still rises by {rising[index]:.1f} K per hour"
        return Facts(number(float(value[index])), NEAR_SATURATION_PCT, "%RH", None, because)

    yield Verdict(
        "mister-stuck",
        zone,
        view.credit_humidity_ms,
        Delays(30 * MINUTE_MS, 15 * MINUTE_MS, 30 * MINUTE_MS, 15 * MINUTE_MS),
        facts,
    )
