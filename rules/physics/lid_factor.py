"""The lid's inner temperature: measured, learned or estimated, following the room with its own lag.

The temperature factor f (ISO 13788) places the lid between room (0) and chamber (1). What is known of f is a density on
a grid: from the build at first, then sharpened by measurements of the lid and by sightings of droplets.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, isfinite, sqrt
from typing import Literal

import numpy as np

from rules.physics.lid_heat import heat_balance, lid_time_constant_s, temperature_factor_by_resistance
from rules.physics.saturation import Array, Value
from rules.settings import Lid

__all__ = [
    "FactorBelief", "LidTemperature", "believed_lid", "lag_weight", "lagged_lid_series_c",
    "learn_from_measurement", "learn_from_sighting", "lid_time_constant_s", "prior_factor", "prior_if_bare",
    "steady_lid_temperature_c",
]

GRID_POINTS = 81  # bookkeeping
_GRID = np.linspace(0.0, 1.0, GRID_POINTS)
_CONDITIONS_SPREAD = 0.03
"""How far f itself moves with room, draught and load (0.33 to 0.37 over 18 to 24 degC by the enclosure model). Own estimate."""
_FADING = 0.01
"""How much older knowledge blurs with one good measurement, so that a changed box is followed and the belief never
grows surer than about 0.025. Against five months of a measured cold wall surface, measurements taken as independent
claimed 0.005 and were off by 0.02."""
_BLUNDER = 0.02
"""Share left to a measurement that is wrong altogether: wrong spot, reflection, mistyped. Judgement, no source."""
_MISSEEN: dict[str, tuple[float, float]] = {"dry": (0.05, 0.05), "mist": (0.05, 0.05), "droplets": (0.25, 0.05)}
"""Chance to see this on a lid above, and to miss it on a lid below the dew point. Old droplets outlast their cause, so
they prove less than fresh mist. Judgement, no source."""

_OTHERWISE, _ANYHOW = 0.4, 0.1
"""Where a wet lid is seen that would be dry as told: how likely it is bare, and built in any other way: foam was never laid, or
lies beside the box. Judgement, no source."""

Seen = Literal["dry", "mist", "droplets"]


@dataclass
class FactorBelief:
    """What is known of the temperature factor: probability on 81 points from 0 to 1, and where it comes from."""

    weights: list[float]
    mean: float
    standard_deviation: float
    measurements: int = 0
    sightings: int = 0

    @property
    def learned(self) -> bool:
        """Return whether anything but the build has informed it."""
        return self.measurements + self.sightings > 0

    @property
    def u_factor(self) -> float:
        """Return the standard uncertainty of f to count with now: never below how far f itself moves (0.03)."""
        return max(self.standard_deviation, _CONDITIONS_SPREAD)

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """Return the central interval that holds this share of the belief."""
        cumulative = np.cumsum(self.weights)
        low, high = np.interp([(1.0 - share) / 2.0, (1.0 + share) / 2.0], cumulative, _GRID)
        return float(low), float(high)


def _belief(density: Array, measurements: int = 0, sightings: int = 0) -> FactorBelief:
    weights = density / density.sum()
    mean = float(weights @ _GRID)
    deviation = sqrt(float(weights @ (_GRID - mean) ** 2))
    return FactorBelief([float(weight) for weight in weights], mean, deviation, measurements, sightings)


def prior_factor(lid: Lid) -> FactorBelief:
    """Belief in the lid's temperature factor from its build alone.

    Parameters
    ----------
    lid : the chamber's lid; a given `temperature_factor` wins over the build

    Returns
    -------
    density of f on 81 points, mean and standard deviation

    Raises
    ------
    nothing: the settings are bounded

    Notes
    -----
    Even between the enclosure model less 0.04 and the resistance model, at least +-0.08 wide, lower by 0.3 per vent
    share for the draught of openings (judgement), edges softened by 0.02, and 0.5 % over all of 0 to 1 so that evidence
    can always win. 3 mm acrylic, cold walls: 0.43 +- 0.07. A given factor: normal, +-0.03.
    The vents leave the plate between them at its temperature (fin length of the pane 7 mm); they take area from it.

    References
    ----------
    `rules.physics.lid_heat`; JCGM 100:2008, 4.3.7.

    Examples
    --------
    >>> 0.40 < prior_factor(Lid()).mean < 0.46
    True
    """
    floor = 0.005 / GRID_POINTS
    if lid.temperature_factor is not None:
        known = np.exp(-0.5 * ((_GRID - lid.temperature_factor) / _CONDITIONS_SPREAD) ** 2)
        return _belief(known / known.sum() + floor)
    by_enclosure, by_resistance = heat_balance(lid).lid_factor, temperature_factor_by_resistance(lid)
    middle = 0.5 * (by_enclosure - 0.04 + by_resistance)
    half = max(0.5 * abs(by_resistance - by_enclosure + 0.04), 0.08)
    low, high = middle - half - 0.3 * lid.vent_share, middle + half
    density = _normal_below((_GRID - low) / 0.02) * _normal_below((high - _GRID) / 0.02)
    return _belief(density / density.sum() + floor)


def prior_if_bare(lid: Lid) -> FactorBelief:
    """Return the belief in the factor of the same lid without foam or second pane."""
    return prior_factor(lid.model_copy(update={"build": "single", "insulation_mm": 0.0, "temperature_factor": None}))


def _normal_below(deviations: Array) -> Array:
    return np.array([0.5 * erfc(-deviation / sqrt(2.0)) for deviation in deviations.tolist()])


# ---------------------------------------------------------------- temperature and lag


def steady_lid_temperature_c(room_c: Value, chamber_c: Value, factor: float) -> Value:
    """Return the lid's inner temperature in steady state, degC: T_room + f (T_chamber - T_room), ISO 13788."""
    return room_c + factor * (chamber_c - room_c)


def lag_weight(elapsed_s: float, time_constant_s: float) -> float:
    """Return the share of the old temperature that is left after this time: exp(-t/tau), exact for any step."""
    return exp(-max(elapsed_s, 0.0) / time_constant_s)


def lagged_lid_series_c(
    previous_c: float | None, steady_c: Array, elapsed_s: Array, time_constant_s: float
) -> Array:
    """Return `lagged_lid_temperature_c` sample by sample; `elapsed_s[i]` is the time since the sample before i.

    Where `steady_c` is NaN the answer is NaN and the time adds up until the next number. Any cut of the series gives
    the same bits if the last finite value, and the time since then, are handed on.
    """
    lids = np.full(steady_c.size, np.nan)
    known = np.flatnonzero(~np.isnan(steady_c))
    if not known.size:
        return lids
    steady = steady_c[known].tolist()
    last_c = previous_c if previous_c is not None and isfinite(previous_c) else steady[0]
    waited_s = np.add.reduceat(elapsed_s[: known[-1] + 1], np.concatenate(([0], known[:-1] + 1))).tolist()
    weights = {waited: lag_weight(waited, time_constant_s) for waited in set(waited_s)}  # nearly all steps are equally long
    shares = map(weights.__getitem__, waited_s)
    lids[known] = [last_c := now_c + (last_c - now_c) * share for now_c, share in zip(steady, shares, strict=True)]
    return lids


@dataclass(frozen=True, slots=True)
class LidTemperature:
    """The lid's inner temperature, its standard uncertainty and where it comes from; None: it cannot be known."""

    temperature_c: float | None
    u_k: float | None
    source: Literal["measured", "learned", "estimated"] | None


def believed_lid(
    belief: FactorBelief,
    measured_c: float | None,
    u_measured_k: float,
    estimated_c: float | None,
    span_k: float | None,
) -> LidTemperature:
    """Return what to believe of the lid: its own probe wins; else the (lagged) estimate; nothing without a room probe.

    `span_k` is chamber minus room temperature: the factor's uncertainty counts by it. The share that the air probes
    add is not in `u_k`; the dew margin has it (`rules.physics.uncertainty`), where it partly cancels.
    """
    if measured_c is not None and isfinite(measured_c):
        return LidTemperature(measured_c, u_measured_k, "measured")
    if estimated_c is None or span_k is None or not isfinite(estimated_c):
        return LidTemperature(None, None, None)
    source: Literal["learned", "estimated"] = "learned" if belief.learned else "estimated"
    return LidTemperature(estimated_c, abs(span_k) * belief.u_factor, source)


# ---------------------------------------------------------------- learning


def learn_from_measurement(
    belief: FactorBelief, lid_c: float, room_c: float, chamber_c: float, u_k: float
) -> FactorBelief:
    """Belief in the temperature factor after one measurement of the lid's inner surface.

    Parameters
    ----------
    belief : before
    lid_c, room_c, chamber_c : degC, at the same time and in about steady state
    u_k : standard uncertainty of the measured lid temperature, K, valid above 0

    Returns
    -------
    belief after; the same one if a value is not finite

    Raises
    ------
    nothing

    Notes
    -----
    Bayes on the grid, after a blur of at most 0.01 for what may have changed. Normal error with u^2 = u_k^2 +
    (0.03 (T_chamber - T_room))^2, since f moves with conditions, and 2 % for a blunder. With room and chamber alike it
    teaches nothing, by itself. From a lid probe take one value an hour: closer ones repeat each other.

    References
    ----------
    JCGM 101:2008, 6.1 (Bayes' theorem); ISO 13788:2012 for f.
    """
    if not all(map(isfinite, (lid_c, room_c, chamber_c, u_k))) or u_k <= 0.0:
        return belief
    span_k = chamber_c - room_c
    variance = u_k**2 + (_CONDITIONS_SPREAD * span_k) ** 2
    blurred = _blurred(np.array(belief.weights), _FADING**2 * min(1.0, (0.06 * span_k) ** 2 / variance))
    likelihood = np.exp(-0.5 * (room_c + _GRID * span_k - lid_c) ** 2 / variance) + _BLUNDER
    return _belief(blurred * likelihood, belief.measurements + 1, belief.sightings)


def _blurred(weights: Array, variance: float) -> Array:
    """Return the density spread by one step of diffusion, nothing lost at the ends."""
    aside = variance * (GRID_POINTS - 1) ** 2 / 2.0
    wider = np.pad(weights, 1, mode="edge")
    return (1.0 - 2.0 * aside) * weights + aside * (wider[:-2] + wider[2:])


def learn_from_sighting(
    belief: FactorBelief, seen: Seen, dew_point_c: float, room_c: float, chamber_c: float, u_margin_k: float,
    otherwise: FactorBelief | None = None, *, old_water: bool = True,
) -> FactorBelief:
    """Belief in the temperature factor after the keeper has looked at the lid.

    Parameters
    ----------
    belief : before
    seen : `dry`, `mist` or `droplets`
    dew_point_c, room_c, chamber_c : degC, when it was seen
    u_margin_k : standard uncertainty of the dew margin without the share of the factor itself, K
    otherwise : belief in the factor of the lid if it is not built as told; None: it is
    old_water : whether there may be droplets from before

    Returns
    -------
    belief after; the same one if a value is not finite

    Raises
    ------
    nothing

    Notes
    -----
    Bayes on the grid; for each f the lid is wet with probability Phi((T_d - T_lid)/u). A fresh mist or a dry lid is
    misjudged in 5 % of cases, old droplets outlast their cause in 25 % (judgement). A lid that is seen wet though it is more
    likely dry may be built otherwise than told.

    References
    ----------
    JCGM 101:2008, 6.1.
    """
    if not all(map(isfinite, (dew_point_c, room_c, chamber_c, u_margin_k))):
        return belief
    margins_k = room_c + _GRID * (chamber_c - room_c) - dew_point_c
    wet = _normal_below(-margins_k / max(u_margin_k, 0.05))
    when_above, missed = _MISSEEN["mist" if seen == "droplets" and not old_water else seen]
    weights = np.array(belief.weights)
    if otherwise is not None and seen != "dry" and float(weights @ wet) < 0.5:
        told = 1.0 - _OTHERWISE - _ANYHOW
        weights = told * weights + _OTHERWISE * np.array(otherwise.weights) + _ANYHOW / GRID_POINTS
    likelihood = wet * (1.0 - missed) + (1.0 - wet) * when_above
    if seen == "dry":
        likelihood = wet * missed + (1.0 - wet) * (1.0 - when_above)
    return _belief(weights * likelihood, belief.measurements, belief.sightings + 1)
