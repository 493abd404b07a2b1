"""What counts: time in band, time past harmful, from the truth that no adviser sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from yard_air import Array
from yard_running import SAMPLE_MIN, Week

BAND_C, DAMP_PCT = (24.0, 28.0), 90.0
DRY_PCT = ((20.0, 80.0, 60.0), (200.0, 75.0, 60.0), (2000.0, 70.0, 60.0), (np.inf, 60.0, 50.0))
"""Up to which volume of the true garden, ml, air below which humidity is too dry, and does harm: what keepers are told that a
garden of this size wants. One edge for all called small gardens well in air that they are told to wet, and large ones dry."""
SLACK_K, SLACK_PCT = 0.3, 2.0
"""Within what the probes state, the truth counts as in band."""
WET_G_M2 = 10.0
"""A film that a keeper sees as mist; own estimate. Humid air under a lid drier than this is no fault."""
HARM_C, HARM_FILM_G_M2 = (20.0, 30.0), 200.0
"""Past these it does harm within hours: the harmful limits of the config, and half of what drips from a level lid."""


@dataclass(frozen=True)
class Airy:
    """What a chamber without a garden wants: its band, its damp edge whatever the lid does, and which temperatures do harm."""

    band_c: tuple[float, float]
    damp_pct: float
    harm_c: tuple[float, float]


AIRY = {
    "waste": Airy((10.0, 32.0), 70.0, (2.0, 36.0)),  # workers seek the driest place: Roemer et al. 2019; the rest own estimate
    "food": Airy((16.0, 32.0), 85.0, (10.0, 36.0)),  # common practice, no source
}


@dataclass(frozen=True)
class Truth:
    """The course of one world from some minute on; a row for each sample, a column for each keeper."""

    temperature_c: Array
    humidity_pct: Array
    film_g_m2: Array
    dry_pct: float
    harm_pct: float
    airy: Airy | None = None

    @staticmethod
    def of(week: Week, from_minute: int) -> Truth:
        """Return what happened from then on."""
        first = from_minute // SAMPLE_MIN
        dry_pct, harm_pct = next(row[1:] for row in DRY_PCT if week.kept.garden_ml < row[0])
        courses = (np.array(x[first:]) for x in (week.temperature_c, week.humidity_pct, week.film_g_m2))
        airy = AIRY.get(week.kept.use)
        return Truth(*courses, *((dry_pct, harm_pct) if airy is None else (0.0, 0.0)), airy)

    def column(self, number: int) -> Truth:
        """Return the course of one keeper."""
        one = [number]
        courses = (self.temperature_c[:, one], self.humidity_pct[:, one], self.film_g_m2[:, one])
        return Truth(*courses, self.dry_pct, self.harm_pct, self.airy)

    @property
    def warm_enough(self) -> Array:
        """Where the temperature is in band."""
        low, high = BAND_C if self.airy is None else self.airy.band_c
        return (self.temperature_c >= low - SLACK_K) & (self.temperature_c <= high + SLACK_K)

    @property
    def wet_lid(self) -> Array:
        """Where a film stands on the lid."""
        return self.film_g_m2 > WET_G_M2

    @property
    def in_band(self) -> Array:
        """Where nothing is amiss."""
        if self.airy is not None:
            return self.warm_enough & (self.humidity_pct <= self.airy.damp_pct + SLACK_PCT)
        humid = (self.humidity_pct <= DAMP_PCT + SLACK_PCT) | ~self.wet_lid
        return self.warm_enough & (self.humidity_pct >= self.dry_pct - SLACK_PCT) & humid & ~self.wet_lid

    @property
    def climate_in_band(self) -> Array:
        """Where temperature and humidity are in band, whatever the lid does."""
        return self.warm_enough & (self.humidity_pct >= self.dry_pct - SLACK_PCT)

    @property
    def harmful(self) -> Array:
        """Where it does harm within hours."""
        low, high = HARM_C if self.airy is None else self.airy.harm_c
        hot_or_cold = (self.temperature_c > high) | (self.temperature_c < low)
        if self.airy is not None:
            return hot_or_cold
        return hot_or_cold | (self.humidity_pct < self.harm_pct) | (self.film_g_m2 > HARM_FILM_G_M2)
