"""The nights of a room: how far it falls, remembered for a week."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Night
from rules.climate.view import View
from rules.climate.windows import thousandths
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.local_time import local_ms

DUSK_MS = 20 * HOUR_MS  # 20:00 local time: late enough to know the evening, early enough to fetch foam, own estimate
NIGHT_DUR_MS = 12 * HOUR_MS  # own estimate
REMEMBERED = 7  # own estimate


def night_of(local: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the number of the night that each local instant belongs to, and whether it lies in it."""
    since_dusk = local - DUSK_MS
    return since_dusk // DAY_MS, since_dusk % DAY_MS < NIGHT_DUR_MS


def nights_after(view: View) -> list[Night]:
    """Return the room's nights with this stretch added, oldest first, not yet cut to the last ones."""
    value = view.temperature.value
    night, inside = night_of(local_ms(view.settings.zone, view.at_ms))
    nights = {old.number: old for old in view.memory.nights}
    usable = inside & ~np.isnan(value)
    for number in np.unique(night[usable]).tolist():
        figures = thousandths(value[usable & (night == number)])
        old = nights.get(number)
        dusk = old.dusk_mk if old else int(figures[0])
        least = min(int(figures.min()), old.least_mk) if old else int(figures.min())
        nights[number] = Night(number, dusk, least)
    return [nights[number] for number in sorted(nights)]


def last_nights(nights: list[Night]) -> list[Night]:
    """Return the nights that a forecast may look at, and the one that is going on."""
    return nights[-(REMEMBERED + 1) :]
