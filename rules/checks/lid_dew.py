"""The lid is below the dew point, surely enough, and gathers more than a haze; harmful when the water on it nears what falls.

Where no probe tells how cool the room is, it is told as likely in air that makes such a lid rain beside most rooms: in foreign
chambers without a room probe films hung from the first night to the digest that asked about them, and came back by night.

Misting by hand leaves a box near its dew point for hours, and a few grams on the lid that dry again: 109 alarms in 468 calm
days of foreign chambers whose lids had less than 3 g/m2. What gathers in earnest is told some tenths of an hour later for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hours import Hourly, hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, HARM, HARM_EDGE, OUTSIDE, UNSEEN, Delays, zones
from rules.climate.lid_course import AS_HUMID_PCT
from rules.climate.place_uncertainty import margin_u_k
from rules.climate.swing import HEAT, mean_of_swing
from rules.climate.view import View
from rules.physics.condensate import SETTLED_G_M2, condensation_flux_g_m2h, drip_load_g_m2
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import practice

Floats = NDArray[np.float64]

SURE = 0.9
"""How sure it must be that the margin is below the limit: a poor probe needs a lower margin. Own judgement."""
HARMFUL_SHARE = 0.5
"""Share of what drips at which the water on the lid is harmful: the first drops fall before the last. Own judgement."""
# Own estimate.
LOOK_BELOW_K = 4.0  # margins above this are dry for any probe that deserves the name; their uncertainty is not computed
UNMEASURED_G_M2 = 20.0
"""What is a film (`SETTLED_G_M2`) where no probe measures the lid; drops that fall begin at some tens of g/m2
(`drip_load_g_m2`). Own estimate."""
SOON_H = 1.0
"""So far ahead what gathers or dries is counted. Own estimate."""
FILMS_MS = 3 * HOUR_MS
"""So long after it was wiped a lid that water was seen on carries a film again, at 10 g/m2 an hour. Own estimate."""
LIKELY_HOURS = 6
"""What is likely is judged over so many whole hours: a look inside or a swing of the heat makes no film. Own estimate."""
SIGHTING_HOLDS_MS = DAY_MS
"""A lid wets and dries with the day; what was seen yesterday says nothing of today. Judgement."""


def seen_lately(view: View, holds_ms: int = SIGHTING_HOLDS_MS) -> NDArray[np.bool_]:
    """Return where the keeper has looked at the lid so short a time before that it holds: what was dry, in no damper air."""
    seen_ms, seen_pct = view.memory.lid_seen_ms, view.memory.lid_seen_pct
    if seen_ms is None:
        return np.zeros(len(view.at_ms), bool)
    holds = (view.at_ms >= seen_ms) & (view.at_ms < seen_ms + holds_ms)
    if view.memory.lid_seen == "dry" and seen_pct is not None:
        holds &= ~(view.humidity.value >= seen_pct + AS_HUMID_PCT)
    return np.asarray(holds)


def surely_k(view: View) -> Floats:
    """Return below what the margin lies, surely enough."""
    near = view.margin < LOOK_BELOW_K
    surely = np.array(view.margin)
    if near.any():
        surely[near] += NormalDist().inv_cdf(SURE) * margin_u_k(view, np.flatnonzero(near))
    return surely


def more_than_haze(view: View, surely: Floats) -> NDArray[np.bool_]:
    """Return where in an hour more hangs on the lid than misting leaves there: by the margin of a measured lid, by that which
    is sure of an estimated one, which errs by half of what it gathers."""
    measured, vapour_pa = view.lid_measured, saturation_vapour_pressure_pa_or_nan(view.dew_point)
    flux = condensation_flux_g_m2h(vapour_pa, view.dew_point + surely)
    if measured.any():
        flux = np.where(measured, condensation_flux_g_m2h(vapour_pa, view.lid, None), flux)
    return np.asarray(view.condensate + SOON_H * flux >= np.where(measured, SETTLED_G_M2, UNMEASURED_G_M2))


def _likely(view: View) -> NDArray[np.bool_]:
    """Return where a lid of which nothing tells how warm it is, and at which nobody has looked lately, rains rather than not:
    for hours in air more humid than it was seen dry in, and at its dew point as its build has it in such a room."""
    memory, chamber = view.memory, view.chamber
    assert chamber is not None
    likely = np.isnan(view.margin) & ~np.isnan(view.dew_point) & ~seen_lately(view)
    if memory.belief is None or view.settings.probes_at(chamber.room or "") or not likely.any():
        return np.zeros(len(likely), bool)
    warmth = _hours_before(view, "temperature_c", view.temperature.value)
    most_k = practice.ROOM_BELOW_K if chamber.devices.heater is None else practice.ROOM_BELOW_HEATED_K
    below_k = np.clip(warmth - practice.ROOM_C, practice.ROOM_BELOW_K, most_k)
    likely &= warmth - (1.0 - memory.belief.mean) * below_k <= _hours_before(view, "dew_point_c", view.dew_point)
    if memory.lid_seen == "dry" and memory.lid_seen_pct is not None:
        humidity = _hours_before(view, "relative_humidity_pct", view.humidity.value)
        likely &= humidity >= memory.lid_seen_pct + AS_HUMID_PCT
    return likely


def _hours_before(view: View, name: Hourly, value: Floats) -> Floats:
    """Return the mean of a figure over the last whole hours at each instant, NaN where one of them is not known."""
    numbers = view.hours_met
    first = int(numbers[0]) - LIKELY_HOURS
    mean = hours_between(hours_with(view, name, value), first, int(numbers[-1])).mean
    before = (numbers - first)[:, None] - np.arange(1, LIKELY_HOURS + 1)
    return np.asarray(np.mean(mean[before], axis=1)[view.hour_place])


def check(view: View) -> Iterator[Verdict]:
    """Wet lid: the margin is below its limit surely enough, and more than a haze hangs there or soon will."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    band = chamber.lid_dew
    surely = surely_k(view)
    zone = zones(surely, band.caution_margin_k, None, band.deadband, upper=False)
    if (zone == OUTSIDE).any():
        zone[(zone == OUTSIDE) & ~more_than_haze(view, surely)] = EDGE
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
    likely = _likely(view)
    zone[unknown] = np.where(likely, OUTSIDE, UNSEEN)[unknown]
    dried_ms = view.memory.lid_dried_ms or 0
    again = view.lid_wets & (view.at_ms >= dried_ms + FILMS_MS)
    zone[(view.lid_seen_wet | again) & (zone < OUTSIDE)] = OUTSIDE
    by_eye = seen_lately(view) & (view.memory.lid_seen == "dry") & (unknown | (view.condensate < SETTLED_G_M2))
    wiped = unknown & (view.at_ms >= dried_ms) & (view.at_ms < dried_ms + FILMS_MS)
    zone[by_eye | wiped] = CLEAR

    seen = view.memory.lid_seen or "nothing"

    def facts(index: int) -> Facts:
        margin, load = float(view.margin[index]), float(view.condensate[index])
        if again[index] and not view.lid_seen_wet[index]:
            return Facts(None, None, "K", None, f"you saw {seen} on it, and its air is as humid as then")
        if likely[index] and not wiped[index]:
            why = "in air as humid as its own of the last hours such a lid is wet beside most rooms, and none measures yours"
            return Facts(None, None, "K", None, f"likely, not surely: {why}")
        if unknown[index]:
            found = "it was wiped dry" if wiped[index] else "you saw it dry" if seen == "dry" else f"you saw {seen} on it"
            return Facts(None, None, "K", None, found)
        eye = "you saw it dry; " if by_eye[index] else f"you saw {seen} on it; " if view.lid_seen_wet[index] else ""
        because = (
            f"{eye}lid {view.lid[index]:.1f} degC, dew point {view.dew_point[index]:.1f} degC: margin {margin:+.1f} K;"
            f" water on the lid about {load:.0f} of {drips_at:.0f} g/m2"
        )
        return Facts(number(margin), band.caution_margin_k, "K", None, because)

    delays = Delays(band.on_delay, band.off_delay, band.on_delay, band.off_delay)
    credit_ms = np.where(view.lid_seen_wet | by_eye, view.passed_ms, view.credit_humidity_ms)  # the eye needs no humidity
    # While the lid is below the dew point, water gathers: nothing of that eases.
    yield Verdict("lid-dew", zone, credit_ms, delays, facts, worsening=lambda: (view.margin < 0) & ~by_eye)
