"""What a lid does over a stretch: its temperature follows with its own lag, and water gathers on it and dries."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import PlaceMemory
from rules.climate.windows import passed_since
from rules.physics import condensate, lid_factor, vapour
from rules.settings import Chamber
from rules.terms.events import DAY_MS, MINUTE_MS
from rules.trade import practice

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]

LONGEST_STEP_MS = 30 * MINUTE_MS  # what the lid did in a longer gap is not made up, bookkeeping
AS_HUMID_PCT = 3.0
"""Air that is drier by less than this is as humid as it was: what a cheap probe is unsure of. Own estimate."""
PIECE = 512
"""So many instants are worked out at once: a lid that is dry all along them costs nothing. Bookkeeping."""


def lagged_lid_c(memory: PlaceMemory, at_ms: Instants, steady: Floats, time_constant_s: float) -> Floats:
    """Return the lid's estimate, which lags behind; only known instants count, so that a cut in a gap changes nothing."""
    out = np.full(len(at_ms), np.nan)
    known = np.flatnonzero(~np.isnan(steady))
    if len(known):
        first = memory.lid_ms if memory.lid_ms is not None else int(at_ms[known[0]])
        passed_s = passed_since(at_ms[known], first) / 1000.0
        out[known] = lid_factor.lagged_lid_series_c(memory.lid_c, steady[known], passed_s, time_constant_s)
    return out


def condensate_g_m2(
    memory: PlaceMemory, chamber: Chamber | None, at_ms: Instants, dew_point: Floats, lid_c: Floats, measured: NDArray[np.bool_]
) -> Floats:
    """Return the water on the lid, g/m2: what the flux brings and takes, never below nothing, never above what falls.

    What the eye has seen on an estimated lid goes no faster than is sure: in a foreign simulation it hung for seven hours more.
    """
    load, loads = memory.condensate_g_m2, np.zeros(len(at_ms))
    wets = lid_c < dew_point
    if chamber is None or (load == 0.0 and not wets.any()):
        return loads
    first = memory.instant_ms if memory.instant_ms is not None else int(at_ms[0])
    passed_s = np.minimum(passed_since(at_ms, first), LONGEST_STEP_MS) / 1000.0
    most, held = condensate.drip_load_g_m2(chamber.lid.tilt_deg), hangs_by_eye(memory)
    for here in (slice(begin, begin + PIECE) for begin in range(0, len(at_ms), PIECE)):
        if load == 0.0 and not wets[here].any():
            continue  # a dry lid stays dry until then
        flux = _flux_g_m2h(dew_point[here], lid_c[here], measured[here])
        slowly = flux
        if held:
            coldest = np.where(measured[here], lid_c[here], lid_c[here] - practice.DRY_LID_MARGIN_K)
            slowly = np.minimum(_flux_g_m2h(dew_point[here], coldest, measured[here]), 0.0)
        loads[here] = condensate.load_series_g_m2(load, np.where(flux < 0.0, slowly, flux), passed_s[here], most)
        if held and (dry := np.flatnonzero(loads[here] <= 0.0)).size:  # from where it has surely dried it dries as reckoned
            held, rest = False, slice(here.start + int(dry[0]), here.stop)
            loads[rest] = condensate.load_series_g_m2(0.0, flux[dry[0] :], passed_s[rest], most)
        load = float(loads[here][-1])
    return loads


def _flux_g_m2h(dew_point: Floats, lid_c: Floats, measured: NDArray[np.bool_]) -> Floats:
    vapour_pa = vapour.saturation_vapour_pressure_pa_or_nan(dew_point)
    flux = condensate.condensation_flux_g_m2h(vapour_pa, lid_c)
    if measured.any():  # a measured lid is warmed by its latent heat already
        flux = np.where(measured, condensate.condensation_flux_g_m2h(vapour_pa, lid_c, None), flux)
    return np.asarray(np.nan_to_num(flux, nan=0.0))


def hangs_by_eye(memory: PlaceMemory) -> bool:
    """Return whether the water that the keeper saw on the lid has not surely dried since."""
    seen_ms, dried_ms = memory.lid_seen_ms, memory.lid_dried_ms
    return memory.lid_seen in condensate.SEEN_G_M2 and seen_ms is not None and (dried_ms is None or dried_ms < seen_ms)


def seen_wet(memory: PlaceMemory, at_ms: Instants, margin: Floats, water_g_m2: Floats) -> NDArray[np.bool_]:
    """Return where the lid is wet by the keeper's eyes, whatever the estimate says: from the look until what hung there has
    dried, for a day where nobody knows how warm the lid is."""
    seen_ms = memory.lid_seen_ms
    if seen_ms is None or not hangs_by_eye(memory):
        return np.zeros(len(at_ms), bool)
    known = ~np.isnan(margin)
    over = np.logical_or.accumulate((at_ms > seen_ms) & known & (water_g_m2 <= 0.0))
    if over.any():
        memory.lid_dried_ms = int(at_ms[np.argmax(over)])
    return np.asarray((at_ms >= seen_ms) & ~over & (known | (at_ms < seen_ms + DAY_MS)))


def wets_as_seen(
    memory: PlaceMemory, laid_ms: int | None, at_ms: Instants, margin: Floats, humidity_pct: Floats
) -> NDArray[np.bool_]:
    """Return where the air is about as humid as when water was seen on a lid of which nothing tells how warm it is: within a
    day, and without foam laid since (`laid_ms`). What was wiped off then comes back."""
    seen_ms, seen_pct = memory.lid_seen_ms, memory.lid_seen_pct
    if seen_ms is None or seen_pct is None or memory.lid_seen not in condensate.SEEN_G_M2:
        return np.zeros(len(at_ms), bool)
    bare = laid_ms is None or laid_ms < seen_ms
    within = (at_ms >= seen_ms) & (at_ms < seen_ms + DAY_MS)
    return np.asarray(bare & within & np.isnan(margin) & (humidity_pct >= seen_pct - AS_HUMID_PCT))
