"""Told in the evening: the lid will drip before dawn, as far as the room's last nights tell.

At nightfall the margin of now is lowered by how far the room is likely to fall (the median of the remembered nights, of which
there must be two) and held against the water that the lid then gathers.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

import numpy as np

from rules.checks.lid_dew import HARMFUL_SHARE
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, OUTSIDE, Delays
from rules.climate.memory import Evening
from rules.climate.nights import REMEMBERED, night_of
from rules.climate.view import View
from rules.climate.windows import merged_instants
from rules.physics.condensate import condensation_flux_g_m2h, drip_load_g_m2
from rules.physics.vapour import saturation_vapour_pressure_pa
from rules.terms.local_time import local_ms

WET_HOURS = 6.0  # of a night that the room is near its lowest, own estimate
NIGHTS_NEEDED = 2  # own estimate




def check(view: View) -> Iterator[Verdict]:
    """Drip tonight: decided once at nightfall, ends at eight in the morning."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus" or chamber.room is None or view.memory.belief is None:
        return
    night, inside = night_of(local_ms(view.settings.zone, view.at_ms))
    zone = np.full(len(night), CLEAR, np.int8)
    evenings = {view.memory.evening.night: view.memory.evening} if view.memory.evening else {}
    for number_ in merged_instants([night[inside]]).tolist():
        where = np.flatnonzero(inside & (night == number_))
        if number_ not in evenings:
            evenings[number_] = view.memory.evening = _decided(view, int(where[0]), number_)
        if evenings[number_].drips:
            zone[where] = OUTSIDE

    def facts(index: int) -> Facts:
        evening = evenings.get(int(night[index]))
        if evening is None:  # the night is over: the alarm returns
            return Facts(number(float(view.margin[index])), 0.0, "K")
        because = (
            f"the room fell by about {evening.fall_mk / 1000:.1f} K in recent nights; the lid would then be"
            f" {-evening.margin_mk / 1000:.1f} K below the dew point and gather about {evening.load_g_m2:.0f} g/m2 by dawn"
        )
        return Facts(number(evening.margin_mk / 1000), 0.0, "K", 6 * 3600.0, because)

    credit = view.passed_ms
    yield Verdict("lid-drip-tonight", zone, credit, Delays(0, 0, 0, 0), facts)


def _decided(view: View, index: int, night: int) -> Evening:
    """The forecast at nightfall; no forecast without two remembered nights and a present margin."""
    assert view.chamber is not None and view.memory.belief is not None
    falls = [old.dusk_mk - old.least_mk for old in view.room_nights if old.number < night][-REMEMBERED:]
    margin, dew = float(view.margin[index]), float(view.dew_point[index])
    if len(falls) < NIGHTS_NEEDED or np.isnan(margin):
        return Evening(night, False, 0, 0, 0.0)
    fall_k = median(falls) / 1000.0
    then = margin - (1.0 - view.memory.belief.mean) * fall_k
    load = float(view.condensate[index])
    if then < 0:
        load += WET_HOURS * float(condensation_flux_g_m2h(saturation_vapour_pressure_pa(dew), dew + then))
    drips = load >= HARMFUL_SHARE * drip_load_g_m2(view.chamber.lid.tilt_deg)
    already_wet = margin < view.chamber.lid_dew.caution_margin_k - view.chamber.lid_dew.deadband
    return Evening(night, drips and not already_wet, round(fall_k * 1000), round(then * 1000), round(load, 1))
