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
class Truth:
    """The course of one world from some minute on; a row for each sample, a column for each keeper."""

    temperature_c: Array
    humidity_pct: Array
    film_g_m2: Array
    dry_pct: float
    harm_pct: float

    @staticmethod
    def of(week: Week, from_minute: int) -> Truth:
        """Return what happened from then on."""
        first = from_minute // SAMPLE_MIN
        dry_pct, harm_pct = next(row[1:] for row in DRY_PCT if week.kept.garden_ml < row[0])
        courses = (np.array(x[first:]) for x in (week.temperature_c, week.humidity_pct, week.film_g_m2))
        return Truth(*courses, dry_pct, harm_pct)

    def column(self, number: int) -> Truth:
        """Return the course of one keeper."""
        one = [number]
        courses = (self.temperature_c[:, one], self.humidity_pct[:, one], self.film_g_m2[:, one])
        return Truth(*courses, self.dry_pct, self.harm_pct)

    @property
    def warm_enough(self) -> Array:
        """Where the temperature is in band."""
        return (self.temperature_c >= BAND_C[0] - SLACK_K) & (self.temperature_c <= BAND_C[1] + SLACK_K)

    @property
    def wet_lid(self) -> Array:
        """Where a film stands on the lid."""
        return self.film_g_m2 > WET_G_M2

    @property
    def in_band(self) -> Array:
        """Where nothing is amiss."""
        humid = (self.humidity_pct <= DAMP_PCT + SLACK_PCT) | ~self.wet_lid
        return self.warm_enough & (self.humidity_pct >= self.dry_pct - SLACK_PCT) & humid & ~self.wet_lid

    @property
    def climate_in_band(self) -> Array:
        """Where temperature and humidity are in band, whatever the lid does."""
        return self.warm_enough & (self.humidity_pct >= self.dry_pct - SLACK_PCT)

    @property
    def harmful(self) -> Array:
        """Where it does harm within hours."""
        hot_or_cold = (self.temperature_c > HARM_C[1]) | (self.temperature_c < HARM_C[0])
        return hot_or_cold | (self.humidity_pct < self.harm_pct) | (self.film_g_m2 > HARM_FILM_G_M2)
