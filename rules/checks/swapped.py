"""A heated box with wet ground that reads colder and drier than its room: the two probes hang in each other's place."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.view import View
from rules.terms.events import HOUR_MS, MINUTE_MS

COLDER_K = 1.0
DRIER_PCT = 10.0
"""More than two sound probes differ by, and more than a box that has lost its heat or its water can fall below its room: it
comes to rest at the room's temperature, and its ground still gives. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """Chamber and room are told the wrong way round."""
    if view.chamber is None or view.chamber.role != "fungus" or view.heater is None:
        return
    colder = view.room_temperature - view.temperature.value
    drier = view.room_humidity - view.humidity.value
    unlike = (colder > COLDER_K) & (drier > DRIER_PCT)
    still = (colder > 0.0) & (drier > 0.0)
    zone = np.where(unlike, OUTSIDE, np.where(still, EDGE, CLEAR)).astype(np.int8)
    zone[np.isnan(colder) | np.isnan(drier)] = UNSEEN

    def facts(index: int) -> Facts:
        here = f"{view.temperature.value[index]:.1f} degC and {view.humidity.value[index]:.0f} %RH"
        room = f"{view.room_temperature[index]:.1f} degC and {view.room_humidity[index]:.0f} %RH"
        return Facts(number(float(view.temperature.value[index])), None, "degC", None, f"it reads {here}, its room {room}")

    delays = Delays(HOUR_MS, 20 * MINUTE_MS, HOUR_MS, 20 * MINUTE_MS)
    yield Verdict("probes-swapped", zone, view.credit_humidity_ms, delays, facts)
