"""Which reading may turn something now, and so is judged at once, before those that have waited longer."""

from __future__ import annotations

from bisect import bisect_left

from rules.settings import Settings
from rules.settings.bands import Band
from rules.terms.quantities import Quantity

_PRESSES_FOR = 3
"""So many readings of a probe press after it has crossed a limit: a lone one is a spike until others agree with it."""


class Crossings:
    """Remembers between which limits of its chamber each probe was last. It only orders the work: the rules alone judge."""

    def __init__(self, settings: Settings) -> None:
        self._limits: dict[tuple[str, Quantity], list[float]] = {}
        self._last: dict[tuple[str, Quantity], tuple[int, int]] = {}
        for name, probe in settings.probes.items():
            chamber = settings.chambers.get(probe.place)
            if chamber is not None and probe.role == "air":
                self._limits[name, "air_temperature"] = _limits(chamber.temperature)
                self._limits[name, "relative_humidity"] = _limits(chamber.humidity)

    def presses(self, probe: str, quantity: Quantity, value: float) -> bool:
        """Note a reading and return whether it is one of the first, or of the first beyond another limit."""
        key = probe, quantity
        limits = self._limits.get(key)
        if limits is None:
            return False
        zone = bisect_left(limits, value)
        last, count = self._last.get(key, (-1, 0))
        count = count + 1 if zone == last else 1
        self._last[key] = zone, count
        return count <= _PRESSES_FOR


def _limits(band: Band) -> list[float]:
    edges = band.harmful_low, band.low, band.high, band.harmful_high
    return sorted(each for each in edges if each is not None)
