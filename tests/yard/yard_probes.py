"""What probes make of the truth: lag, bias, noise, steps of resolution, drift, steps, silence, wetting, and being swapped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from yard_air import humidity_pct


@dataclass
class Probe:
    """One probe's own faults. `trouble` is set by what befalls it."""

    name: str
    quantities: tuple[str, ...]
    lag_s: float
    bias_c: float
    bias_pct: float
    noise_c: float
    noise_pct: float
    resolution: float
    missing: float
    drift_c_d: float = 0.0
    drift_pct_d: float = 0.0
    step_pct: float = 0.0
    silent: bool = False
    wet: bool = False
    felt: tuple[float, float] | None = None

    def feel(self, temperature_c: float, pct: float, step_s: float) -> None:
        """Let a minute of the truth work on it."""
        if self.felt is None:
            self.felt = (temperature_c, pct)
        share = 1.0 - np.exp(-step_s / self.lag_s)
        t, h = self.felt
        self.felt = (t + (temperature_c - t) * share, h + (pct - h) * share)

    def reads(self, rng: np.random.Generator, day: float) -> dict[str, float]:
        """Return what it says now; nothing when it is silent."""
        assert self.felt is not None
        noise = rng.normal(0.0, 1.0, 3)
        if self.silent or rng.random() < self.missing:
            return {}
        t = self.felt[0] + self.bias_c + self.drift_c_d * day + self.noise_c * noise[0]
        pct = self.felt[1] + self.bias_pct + self.drift_pct_d * day + self.step_pct + self.noise_pct * noise[1]
        pct = 99.4 + 0.3 * noise[2] if self.wet else pct
        said = {"air_temperature": t, "surface_temperature": t, "relative_humidity": float(np.clip(pct, 1.0, 100.0))}
        return {q: round(round(said[q] / self.resolution) * self.resolution, 3) for q in self.quantities}


def probes_of(rng: np.random.Generator, room_probe: bool, lid_probe: bool) -> dict[str, Probe]:
    """Return the probes of one chamber, within and around what their makers state (0.3 K, 2 to 3 %RH; common practice)."""
    both = ("air_temperature", "relative_humidity")
    names = [("air", both)] + ([("room-air", both)] if room_probe else [])
    names += [("lid", ("surface_temperature",))] if lid_probe else []
    return {
        name: Probe(
            name, quantities, float(rng.uniform(30, 400)), float(rng.uniform(-0.3, 0.3)), float(rng.uniform(-2, 2)),
            float(rng.uniform(0.01, 0.08)), float(rng.uniform(0.05, 0.5)), float(rng.choice([0.01, 0.1])),
            float(rng.choice([0.0, 0.01, 0.05])), float(rng.normal(0, 0.01)), float(rng.normal(0, 0.1)),
        )
        for name, quantities in names
    }  # fmt: skip


UNITS = {"air_temperature": "degC", "surface_temperature": "degC", "relative_humidity": "%"}


def room_pct(temperature_c: float, vapour_g_m3: float) -> float:
    """Return the room's humidity as its probe would see it."""
    return float(min(humidity_pct(temperature_c, vapour_g_m3), 100.0))
