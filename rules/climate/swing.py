"""Where a figure swings about one place, as a thermostat makes it: what it is at is the mean of hours, not the moment.

A mat that switches on and off moves the air by some kelvins and its humidity by ten points within the hour or two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.hours import Hourly, hours_between, hours_with
from rules.climate.view import Lasting, View
from rules.physics.saturation import Value
from rules.terms.events import MINUTE_MS

Floats = NDArray[np.float64]
HOURS = 3
"""A mat's thermostat switches within half an hour to two hours: three hold a whole swing; own estimate."""
PULSE_MS = 30 * MINUTE_MS
"""The mat of a small box, whose air is light, switches on and off within so long; own estimate."""
SWING_SHARE = 0.35
"""Wide swings move the means of whole hours by up to a third of their width; a steady rise moves them by two. Own estimate."""


@dataclass(frozen=True, slots=True)
class Swinging:
    """What is a swing of one quantity, in its own unit; own estimates."""

    drift: float
    """Hours whose means differ by more than this, and by more than a share of the swing, do not swing about one place."""
    beyond: float
    """A moment that lies further outside the swing of the last hours is news; a little more than a probe's noise."""
    switched: float
    """An hour in which it moves by less is not switched by a thermostat."""

    def holds(self, value: Value, least: Value, most: Value, drift: Value) -> NDArray[np.bool_]:
        """Return where a value is a part of the swing of the hours before it."""
        one_place = drift <= np.maximum(self.drift, SWING_SHARE * (most - least))
        return np.asarray(one_place & (value >= least - self.beyond) & (value <= most + self.beyond))


HEAT, DAMP = Swinging(0.8, 0.3, 0.7), Swinging(4.0, 2.0, 3.0)
"""In kelvins and in points of humidity. Own estimates."""


def mean_of_swing(view: View, name: Hourly, value: Floats, swinging: Swinging) -> Floats:
    """Return the mean of the last whole hours at each instant that is a part of their swing, NaN at all others."""
    numbers, place = view.hours_met, view.hour_place
    first = int(numbers[0]) - HOURS
    table = hours_between(hours_with(view, name, value), first, int(numbers[-1]))
    before = (numbers - first)[:, None] - np.arange(1, HOURS + 1)
    mean, low, high = table.mean[before], table.lowest[before], table.highest[before]
    switched = ((high - low) > swinging.switched).all(axis=1)
    if not switched.any():
        return np.full(len(place), np.nan)
    least, most, drift = (row[place] for row in (low.min(axis=1), high.max(axis=1), np.ptp(mean, axis=1)))
    part = switched[place] & swinging.holds(value, least, most, drift)
    return np.where(part, mean.mean(axis=1)[place], np.nan)


def lasting(view: View) -> Lasting:
    """Return what lasts at each instant, worked out once for a view: what comes back with each pulse of the heat dries no
    garden, and what is dry on its mean does. Not of the mean of hours, by which a true drying would be told late."""
    if not view.lasting:
        view.lasting.append(_lasting(view))
    return view.lasting[0]


def _lasting(view: View) -> Lasting:
    temperature, humidity = view.temperature.value, view.humidity.value
    swing = mean_of_swing(view, "relative_humidity_pct", humidity, DAMP)
    if np.isnan(swing).all():
        return Lasting(temperature, humidity, swing)
    warm, damp = (one.mean(view.at_ms, PULSE_MS, 0) for one in (view.recent.temperature, view.recent.humidity))
    part = ~np.isnan(swing + warm + damp)
    return Lasting(np.where(part, warm, temperature), np.where(part, damp, humidity), np.where(part, swing, np.nan))
