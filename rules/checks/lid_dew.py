"""The lid is below the dew point, surely enough; harmful when the water on it nears what falls."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import HARM, HARM_EDGE, OUTSIDE, UNSEEN, Delays, zones
from rules.climate.place_uncertainty import margin_u_k
from rules.climate.view import View
from rules.physics.condensate import drip_load_g_m2

LOOK_BELOW_K = 4.0  # margins above this are dry for any probe that deserves the name; their uncertainty is not computed


def check(view: View) -> Iterator[Verdict]:
    """Wet lid: the margin is below its limit with the probability that the keeper asks for."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    band = chamber.lid_dew
    near = view.margin < LOOK_BELOW_K
    surely = np.array(view.margin)
    if near.any():
        surely[near] += NormalDist().inv_cdf(band.probability) * margin_u_k(view, np.flatnonzero(near))
    zone = zones(surely, band.caution_margin_k, None, band.deadband, upper=False)
    drips_at = drip_load_g_m2(band, chamber.lid.tilt_deg)
    heavy = view.condensate >= band.drip_alarm_share * drips_at
    zone[(zone >= OUTSIDE) & (view.condensate >= 0.8 * band.drip_alarm_share * drips_at)] = HARM_EDGE
    zone[(zone >= OUTSIDE) & heavy] = HARM
    zone[np.isnan(view.margin)] = UNSEEN

    def facts(index: int) -> Facts:
        margin, load = float(view.margin[index]), float(view.condensate[index])
        because = (
            f"lid {view.lid[index]:.1f} degC, dew point {view.dew_point[index]:.1f} degC: margin {margin:+.1f} K;"
            f" water on the lid about {load:.0f} of {drips_at:.0f} g/m2"
        )
        return Facts(number(margin), band.caution_margin_k, "K", None, because)

    delays = Delays(band.on_delay, band.off_delay, band.on_delay, band.off_delay)
    # While the lid is below the dew point, water gathers: nothing of that eases.
    yield Verdict("lid-dew", zone, view.credit_humidity_ms, delays, facts, worsening=lambda: view.margin < 0)
