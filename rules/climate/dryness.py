"""When the air dries a garden: the humidity edge in its temperature band, the vapour pressure deficit above it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.physics.vapour import saturation_vapour_pressure_pa, saturation_vapour_pressure_pa_or_nan
from rules.settings.bands import TemperatureBand
from rules.trade.garden_sizes import DRIES_AT_C

Floats = NDArray[np.float64]


def dries_like_pct(deficit_pa: Floats) -> Floats:
    """Return the humidity, %RH, that leaves such a deficit at the temperature that dryness is told for."""
    return 100.0 * (1.0 - deficit_pa / saturation_vapour_pressure_pa(DRIES_AT_C))


def raised_by_warmth_pct(edge_pct: Floats | float, band: TemperatureBand, air_c: Floats | float) -> Floats:
    """Return a dryness edge, %RH, at this air temperature.

    Inside the temperature band it is the keeper's; above the band's high edge it keeps the deficit that it has there, so that
    warm air is dry at a humidity that looks right.
    """
    warmest = saturation_vapour_pressure_pa(_warmest_c(band))
    return np.asarray(100.0 - (100.0 - edge_pct) * warmest / np.fmax(saturation_vapour_pressure_pa_or_nan(air_c), warmest))


def dry_deficit_pa(edge_pct: float, band: TemperatureBand) -> float:
    """Return the vapour pressure deficit, Pa, from which on it is too dry for this edge at any temperature."""
    return (1.0 - edge_pct / 100.0) * saturation_vapour_pressure_pa(_warmest_c(band))


def _warmest_c(band: TemperatureBand) -> float:
    return float(TemperatureBand.model_fields["high"].default) if band.high is None else band.high
