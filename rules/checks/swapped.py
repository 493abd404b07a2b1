"""A heated box with wet ground that reads colder and drier than its room, or holds far less vapour than a room that is damper
than rooms are: the two probes hang in each other's place."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.view import View
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan
from rules.terms.events import HOUR_MS, MINUTE_MS

COLDER_K = 1.0
DRIER_PCT = 10.0
"""More than two sound probes differ by, and more than a box that has lost its heat or its water can fall below its room: it
comes to rest at the room's temperature, and its ground still gives. Own estimate."""

DAMPEST_ROOM_PCT, VAPOUR_SHARE = 85.0, 0.8
"""No lived-in room stays damper than the first for an hour, and no box that is wet holds less than this share of its room's
vapour: so a swap is seen where the room is as warm as the box. Own estimates."""


def check(view: View) -> Iterator[Verdict]:
    """Chamber and room are told the wrong way round."""
    if view.chamber is None or view.chamber.role != "fungus" or view.heater is None:
        return
    colder = view.room_temperature - view.temperature.value
    drier = view.room_humidity - view.humidity.value
    vapour_pa = view.humidity.value * saturation_vapour_pressure_pa_or_nan(view.temperature.value)
    room_pa = view.room_humidity * saturation_vapour_pressure_pa_or_nan(view.room_temperature)
    damp = (view.room_humidity > DAMPEST_ROOM_PCT) & (vapour_pa < VAPOUR_SHARE * room_pa)
    unlike = ((colder > COLDER_K) & (drier > DRIER_PCT)) | damp
    still = (drier > 0.0) & ((colder > 0.0) | damp)
    zone = np.where(unlike, OUTSIDE, np.where(still, EDGE, CLEAR)).astype(np.int8)
    zone[np.isnan(colder) | np.isnan(drier)] = UNSEEN

    def facts(index: int) -> Facts:
        here = f"{view.temperature.value[index]:.1f} degC and {view.humidity.value[index]:.0f} %RH"
        room = f"{view.room_temperature[index]:.1f} degC and {view.room_humidity[index]:.0f} %RH"
        return Facts(number(float(view.temperature.value[index])), None, "degC", None, f"it reads {here}, its room {room}")

    delays = Delays(HOUR_MS, 20 * MINUTE_MS, HOUR_MS, 20 * MINUTE_MS)
    yield Verdict("probes-swapped", zone, view.credit_humidity_ms, delays, facts)
