"""How fast a garden grows, fitted to the keeper's entries, and what follows: cover off, next basin, space.

The fit is a Bayesian line through the logarithm of the volume (exponential growth) or through its logit in the basin
(logistic growth), with the genus' rule of thumb as the prior of the rate, so that one entry gives an honest wide answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules.keeper.state import GardenEntry
from rules.terms.events import DAY_MS

Genus = Literal["Atta", "Acromyrmex"]

# Doubling time in days and the relative standard uncertainty of the rate. Atta fed indoors: 1 l after 8 to 14 months,
# then doubling every 6 to 10 weeks if given space. Acromyrmex: slower, mature at a few litres. Both rules of thumb:
# common practice, no source; wide spread.
DOUBLING_D: dict[Genus, float] = {"Atta": 56.0, "Acromyrmex": 112.0}
RATE_SPREAD = 0.7
MATURE_ML: dict[Genus, float] = {"Atta": 200_000.0, "Acromyrmex": 4_000.0}
"""Acromyrmex stays at a few litres (from memory); Atta has no cap indoors but the one that its keeper sets: 200 l is
only where the plan ends."""
ENTRY_SPREAD = 0.2
"""Relative standard uncertainty of one estimate of a garden's volume by eye; common practice, no source."""
FITTED_FOR_DUR_MS = 150 * DAY_MS
COVER_SHARE, ROOM_SHARE, FULL_SHARE = 1 / 3, 0.65, 0.9
"""Cover off at about a third of the basin, more room at 60 to 70 %, full at nine tenths; common practice, no source."""
READY_BEFORE_DUR_MS = 21 * DAY_MS
"""The next basin is ready three weeks before the garden may be full; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Growth:
    """A fitted line: `level` + `rate_d` * days since `at_ms`, in ln(ml), or in the logit of the basin's share.

    `u_level`, `u_rate_d` and `correlation` give its uncertainty (standard); `by_rule`: the rate is the rule of thumb's.
    """

    at_ms: int
    basin_ml: float | None
    level: float
    rate_d: float
    u_level: float
    u_rate_d: float
    correlation: float
    entries: int
    by_rule: bool

    def _line(self, at_ms: int) -> tuple[float, float]:
        days = (at_ms - self.at_ms) / DAY_MS
        cross = 2.0 * days * self.correlation * self.u_level * self.u_rate_d
        variance = self.u_level**2 + (days * self.u_rate_d) ** 2 + cross
        return self.level + self.rate_d * days, math.sqrt(max(variance, 0.0))

    def garden_ml(self, at_ms: int, sigmas: float = 0.0) -> float:
        """Return the garden's volume at an instant, ml; `sigmas` standard uncertainties above it."""
        line, u_line = self._line(at_ms)
        value = line + sigmas * u_line
        if self.basin_ml is None:
            return math.exp(min(value, 700.0))
        return self.basin_ml / (1.0 + math.exp(-max(min(value, 700.0), -700.0)))

    def doubling_d(self) -> float | None:
        """Return the days to double while there is room, None where it does not grow."""
        return math.log(2.0) / self.rate_d if self.rate_d > 1e-6 else None


@dataclass(frozen=True, slots=True)
class When:
    """When a size is reached: 16 %, 50 % and 84 % of the belief; None: not within ten years."""

    earliest_ms: int | None
    likely_ms: int | None
    latest_ms: int | None


def fit(entries: Sequence[GardenEntry], genus: Genus, basin_ml: float | None) -> Growth | None:
    """Return the growth fitted to the entries of the last 150 days, None without an entry above zero.

    Parameters
    ----------
    entries : sizes by the keeper, ml, each above 0 to count
    genus : decides the rule of thumb that the rate starts from
    basin_ml : volume of the basin, ml; with six or more entries below it, the logistic curve is tried too

    Notes
    -----
    Conjugate normal regression with known measurement spread (at least 20 %, more where the entries scatter more).
    The logistic curve is taken only if it explains the entries clearly better (Akaike, difference above 4).
    """
    used = _recent([entry for entry in entries if entry.garden_ml > 0])
    if not used:
        return None
    days = np.array([(entry.at_ms - used[-1].at_ms) / DAY_MS for entry in used])
    volume = np.log(np.array([entry.garden_ml for entry in used]))
    straight = _regress(days, volume, ENTRY_SPREAD * np.ones(len(used)), genus)
    plain = _growth(used, None, straight)
    if basin_ml is None or len(used) < 6:
        return plain
    share = np.minimum(np.exp(volume) / basin_ml, 0.98)  # an estimate by eye may say more than full
    curved = _growth(used, basin_ml, _regress(days, np.log(share / (1 - share)), ENTRY_SPREAD / (1 - share), genus))
    return curved if _misfit(plain, used) - _misfit(curved, used) > 4.0 else plain


def _recent(entries: Sequence[GardenEntry]) -> list[GardenEntry]:
    ordered = sorted(entries, key=lambda entry: entry.at_ms)
    return [entry for entry in ordered if entry.at_ms >= ordered[-1].at_ms - FITTED_FOR_DUR_MS]


def _regress(
    days: np.ndarray, value: np.ndarray, spread: np.ndarray, genus: Genus
) -> tuple[float, float, float, float, float]:
    """Return level, rate, their standard uncertainties and correlation, from the prior of the genus and the entries."""
    prior = math.log(2.0) / DOUBLING_D[genus]
    precision = np.diag([0.0, (RATE_SPREAD * prior) ** -2])
    design = np.stack([np.ones(len(days)), days], axis=1)
    weighted = design / (spread**2)[:, None]
    information = precision + design.T @ weighted
    covariance = np.linalg.inv(information)
    mean = covariance @ (precision @ np.array([0.0, prior]) + weighted.T @ value)
    scatter = float(np.sum(((value - design @ mean) / spread) ** 2)) / max(len(days) - 2, 1)
    covariance *= max(1.0, scatter if len(days) > 3 else 1.0)
    u_level, u_rate = math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1])
    return float(mean[0]), float(mean[1]), u_level, u_rate, float(covariance[0, 1]) / (u_level * u_rate)


def _growth(
    used: Sequence[GardenEntry], basin_ml: float | None, line: tuple[float, float, float, float, float]
) -> Growth:
    level, rate_d, u_level, u_rate_d, correlation = line
    span_d = (used[-1].at_ms - used[0].at_ms) / DAY_MS
    by_rule = len(used) < 3 or span_d < 14
    return Growth(used[-1].at_ms, basin_ml, level, rate_d, u_level, u_rate_d, correlation, len(used), by_rule)


def _misfit(growth: Growth, used: Sequence[GardenEntry]) -> float:
    return sum((math.log(entry.garden_ml / growth.garden_ml(entry.at_ms)) / ENTRY_SPREAD) ** 2 for entry in used)


def when(growth: Growth, target_ml: float, from_ms: int) -> When:
    """Return when the garden reaches a size, not before `from_ms`."""
    reached = [_reached(growth, target_ml, from_ms, sigmas) for sigmas in (1.0, 0.0, -1.0)]
    return When(*reached)


def _reached(growth: Growth, target_ml: float, from_ms: int, sigmas: float) -> int | None:
    """Bisect over ten years on the curve `sigmas` standard uncertainties above the likely one, by whole days."""
    low, high = 0, 3650
    if growth.garden_ml(from_ms, sigmas) >= target_ml:
        return from_ms
    if growth.garden_ml(from_ms + high * DAY_MS, sigmas) < target_ml:
        first = next((day for day in range(0, high, 7) if growth.garden_ml(from_ms + day * DAY_MS, sigmas) >= target_ml), None)
        if first is None:
            return None
        high = first
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if growth.garden_ml(from_ms + middle * DAY_MS, sigmas) >= target_ml else (middle, high)
    return from_ms + high * DAY_MS


@dataclass(frozen=True, slots=True)
class Milestones:
    """What the growth asks of the keeper; None where the basin is not known."""

    cover_off: When | None
    full: When | None
    basin_ready_ms: int | None
    """When the next basin must stand ready: three weeks before the garden may be full, at 65 % at the latest."""


def milestones(growth: Growth, basin_ml: float | None, covered: bool, at_ms: int) -> Milestones:
    """Return when the cover goes, when the basin is full and when the next one must be ready."""
    if basin_ml is None:
        return Milestones(None, None, None)
    full = when(growth, FULL_SHARE * basin_ml, at_ms)
    room = when(growth, ROOM_SHARE * basin_ml, at_ms).likely_ms
    early = None if full.earliest_ms is None else max(at_ms, full.earliest_ms - READY_BEFORE_DUR_MS)
    known = [instant for instant in (room, early) if instant is not None]
    cover = when(growth, COVER_SHARE * basin_ml, at_ms) if covered else None
    return Milestones(cover, full, min(known) if known else None)


@dataclass(frozen=True, slots=True)
class SpaceRow:
    """The garden to expect some months from now, and the basins of the present size that it fills."""

    months: int
    low_ml: float
    likely_ml: float
    high_ml: float
    basins: int | None
    by_rule: bool


def space_plan(
    growth: Growth, genus: Genus, basin_ml: float | None, at_ms: int, cap_ml: float | None = None
) -> list[SpaceRow]:
    """Return the space to plan for over three years.

    The fit holds for half a year; beyond that it is the genus' rule of thumb, and the row says so. Given room, growth is
    exponential until `cap_ml`, by default the mature size of the genus.
    """
    cap_ml = MATURE_ML[genus] if cap_ml is None else cap_ml
    rows = []
    for months in (1, 3, 6, 12, 24, 36):
        low, likely, high = (_expected(growth, genus, at_ms, months, cap_ml, sigmas) for sigmas in (-1.0, 0.0, 1.0))
        basins = None if basin_ml is None else max(1, math.ceil(likely / (FULL_SHARE * basin_ml)))
        rows.append(SpaceRow(months, low, likely, high, basins, growth.by_rule or months > 6))
    return rows


def _expected(growth: Growth, genus: Genus, at_ms: int, months: int, cap_ml: float, sigmas: float) -> float:
    """Growth from the present size with room given: the fitted rate for six months, then the rule's, up to the cap."""
    rule_d = math.log(2.0) / DOUBLING_D[genus]
    fitted_days, later_days = min(months, 6) * 30.4, max(months - 6, 0) * 30.4
    rate_d = max(growth.rate_d + sigmas * growth.u_rate_d, 0.0)
    later_d = max(rule_d * (1.0 + sigmas * RATE_SPREAD), 0.0)
    grown = min(rate_d * fitted_days + later_d * later_days, 50.0)
    expected = growth.garden_ml(at_ms, sigmas) * math.exp(grown)
    return min(expected, max(cap_ml, growth.garden_ml(at_ms)))
