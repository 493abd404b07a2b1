"""The lid is below the dew point, surely enough; harmful when the water on it nears what falls."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, HARM, HARM_EDGE, OUTSIDE, UNSEEN, Delays, zones
from rules.climate.place_uncertainty import margin_u_k
from rules.climate.swing import HEAT, mean_of_swing
from rules.climate.view import View
from rules.physics.condensate import drip_load_g_m2
from rules.terms.events import DAY_MS

SURE = 0.9
"""How sure it must be that the margin is below the limit: a poor probe needs a lower margin. Own judgement."""
HARMFUL_SHARE = 0.5
"""Share of what drips at which the water on the lid is harmful: the first drops fall before the last. Own judgement."""
# Own estimate.
LOOK_BELOW_K = 4.0  # margins above this are dry for any probe that deserves the name; their uncertainty is not computed
SETTLED_G_M2 = 10.0
"""A film that the eye sees; own estimate."""


SIGHTING_HOLDS_MS = DAY_MS
"""A lid wets and dries with the day; what was seen yesterday says nothing of today. Judgement."""


def seen_lately(view: View, holds_ms: int = SIGHTING_HOLDS_MS) -> NDArray[np.bool_]:
    """Return where the keeper has looked at the lid so short a time before that it holds."""
    seen_ms = view.memory.lid_seen_ms
    if seen_ms is None:
        return np.zeros(len(view.at_ms), bool)
    return np.asarray((view.at_ms >= seen_ms) & (view.at_ms < seen_ms + holds_ms))


def _dried_since(view: View, dried: NDArray[np.bool_], off_delay_ms: int) -> NDArray[np.bool_]:
    """Return where the lid has surely dried, for the alarm's off-delay at a stretch, after it was last looked at: what was seen
    is over then, or each trough of the heat's swing would bring it back."""
    memory = view.memory
    wet = np.maximum.accumulate(np.where(dried, -1, np.arange(len(dried))))
    begun = view.at_ms[np.minimum(wet + 1, len(dried) - 1)]
    if memory.lid_dry_since_ms is not None:
        begun = np.where(wet < 0, memory.lid_dry_since_ms, begun)
    memory.lid_dry_since_ms = int(begun[-1]) if dried[-1] else None
    over = dried & (view.at_ms - np.maximum(begun, memory.lid_seen_ms or 0) >= off_delay_ms)
    first = int(np.argmax(over)) if over.any() else len(over)
    earlier = memory.lid_dried_ms is not None and memory.lid_dried_ms >= (memory.lid_seen_ms or 0)
    if first < len(over) and not earlier:
        memory.lid_dried_ms = int(view.at_ms[first])
    return np.ones(len(over), bool) if earlier else np.arange(len(over)) >= first


def check(view: View) -> Iterator[Verdict]:
    """Wet lid: the margin is below its limit surely enough."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    band = chamber.lid_dew
    near = view.margin < LOOK_BELOW_K
    surely = np.array(view.margin)
    if near.any():
        surely[near] += NormalDist().inv_cdf(SURE) * margin_u_k(view, np.flatnonzero(near))
    zone = zones(surely, band.caution_margin_k, None, band.deadband, upper=False)
    filmed = view.condensate >= SETTLED_G_M2
    if (zone == OUTSIDE).any() or filmed.any():
        # What settles at a peak of the heat's swing dries before the next, where its mean is dry; a film outlasts its troughs.
        mean = mean_of_swing(view, "dew_margin_k", view.margin, HEAT) + (surely - view.margin)
        zone[(zone == OUTSIDE) & (mean >= band.caution_margin_k) & ~filmed] = EDGE
        zone[(zone == CLEAR) & ~np.isnan(mean) & filmed] = EDGE
    drips_at = drip_load_g_m2(chamber.lid.tilt_deg)
    harmful = HARMFUL_SHARE * drips_at
    zone[(zone >= OUTSIDE) & (view.condensate >= 0.8 * harmful)] = HARM_EDGE
    zone[(zone >= OUTSIDE) & (view.condensate >= harmful)] = HARM
    unknown = np.isnan(view.margin)
    zone[unknown] = UNSEEN
    holds = seen_lately(view)
    if view.memory.lid_seen == "dry":
        zone[holds & unknown] = CLEAR
    else:  # what was seen holds until the margin says that it has surely dried
        dried = view.margin - (surely - view.margin) > band.caution_margin_k
        zone[holds & (zone < OUTSIDE) & ~dried & ~_dried_since(view, dried, band.off_delay)] = OUTSIDE

    def facts(index: int) -> Facts:
        margin, load = float(view.margin[index]), float(view.condensate[index])
        if unknown[index]:
            return Facts(None, None, "K", None, f"you saw {view.memory.lid_seen or 'nothing'} on it")
        because = (
            f"lid {view.lid[index]:.1f} degC, dew point {view.dew_point[index]:.1f} degC: margin {margin:+.1f} K;"
            f" water on the lid about {load:.0f} of {drips_at:.0f} g/m2"
        )
        return Facts(number(margin), band.caution_margin_k, "K", None, because)

    delays = Delays(band.on_delay, band.off_delay, band.on_delay, band.off_delay)
    # While the lid is below the dew point, water gathers: nothing of that eases.
    yield Verdict("lid-dew", zone, view.credit_humidity_ms, delays, facts, worsening=lambda: view.margin < 0)
