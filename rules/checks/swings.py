"""A thermostat that lets the air swing past an edge of its band, hour after hour: its mean is right, and it is not well set.

The peaks and troughs of a swing about the right place raise no alarm of their own (`rules.climate.swing`), or each cycle would
ring; but a garden that is past its band for a quarter of the day has a trouble that the keeper can end once and for all. It is
told in the digest: nothing about it is urgent. A swing that only touches one edge and has room at the other is told too: a
probe lags what it measures, so the air goes further than it says, and half a turn of the dial ends it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.swing import HEAT
from rules.climate.view import View

HOURS, OUT_HOURS, FEW_HOURS = 24, 8, 2
"""Of the hours of a day so many must have been out, and so few before it counts as over. Own estimate."""
OUT_K = 0.3
"""An hour is out that leaves its band by more, with its mean inside: what a probe is sure of. Own estimate."""
ASIDE_K = 1.0
"""Whose swing has so much more room at its other edge is out as soon as it passes the one: half of it is the least that a dial
shows. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """The thermostat swings too widely."""
    chamber, heater = view.chamber, view.heater
    if chamber is None or heater is None or not heater.thermostat:
        return
    low, high = chamber.temperature.low, chamber.temperature.high
    if low is None or high is None:
        return
    numbers, back = view.hours_met, view.hour_place
    first = int(numbers[0]) - HOURS
    table = hours_between(hours_with(view, "temperature_c", view.temperature.value), first, int(numbers[-1]))
    under_k, over_k = low - table.lowest, table.highest - high
    aside = (np.abs(under_k - over_k) >= ASIDE_K) & (table.highest - table.lowest > HEAT.switched)
    inside = (table.mean >= low) & (table.mean <= high)
    out = inside & (np.maximum(under_k, over_k) > np.where(aside, 0.0, OUT_K))
    passed = np.concatenate(([0], np.cumsum(out)))
    count = (passed[numbers - first] - passed[numbers - first - HOURS])[back]
    zone = np.where(count >= OUT_HOURS, OUTSIDE, np.where(count > FEW_HOURS, EDGE, CLEAR)).astype(np.int8)

    def facts(index: int) -> Facts:
        end = int(view.hour[index]) - first
        day = slice(end - HOURS, end)
        if not out[day].any():
            return Facts(because="it keeps its band")
        least, most = float(np.min(table.lowest[day][out[day]])), float(np.max(table.highest[day][out[day]]))
        hours = f"in {int(count[index])} of the last {HOURS} hours"
        return Facts(number(most - least), None, "K", None, f"it went from {least:.1f} to {most:.1f} degC and back, {hours}")

    yield Verdict("temperature-swings", zone, view.passed_ms, Delays(0, 0, 0, 0), facts)
