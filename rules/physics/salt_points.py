"""Correcting a probe: saturated salts as fixed points, equilibrium, offset and gain with their uncertainty, comparison.

A correction is `corrected = gain * raw + offset`. All uncertainties are standard ones (JCGM 100:2008).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Literal

import numpy as np

from rules.physics.saturation import Array, OutOfRange
from rules.physics.vapour import log_slope_per_k
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

SaltName = Literal["lithium-chloride", "magnesium-chloride", "sodium-bromide", "sodium-chloride", "potassium-chloride",
                   "potassium-sulphate"]
Sample = tuple[int, float, float]
"""Instant ms, relative humidity %RH, temperature degC."""


@dataclass(frozen=True, slots=True)
class Salt:
    """A saturated salt solution: RH over it as a polynomial in degC, its stated uncertainty at 15, 20, 25, 30 degC."""

    formula: str
    coefficients: tuple[float, ...]
    stated_pct: tuple[float, float, float, float]
    soak_for_ms: int
    advice: str


# Greenspan 1977, J. Res. NBS 81A, 89-96, table 1 (coefficients) and table 2 (uncertainties, from memory). Sodium bromide:
# the cubic through its table values 60.68, 59.14, 57.57, 56.03. Lithium chloride with the linear term positive: the
# minus that is sometimes printed gives 10.98 at 20 degC against 11.31 in the table. Potassium nitrate is left out on
# purpose: its published values differ by 1.0 to 1.7 %RH. Soak times and advice: common practice, no source.
SALTS: dict[SaltName, Salt] = {
    "lithium-chloride": Salt(
        "LiCl", (11.2323, 0.00824245, -2.14890e-4), (0.35, 0.31, 0.27, 0.24), 8 * HOUR_MS, "draws water from a humid room"),
    "magnesium-chloride": Salt(
        "MgCl2", (33.6686, -0.00797397, -1.08988e-3), (0.21, 0.18, 0.16, 0.14), 8 * HOUR_MS, "good low point"),
    "sodium-bromide": Salt(
        "NaBr", (64.52, -0.193, -0.0054, 8e-5), (0.51, 0.44, 0.40, 0.38), 8 * HOUR_MS, "needs a steady temperature"),
    "sodium-chloride": Salt(
        "NaCl", (75.5164, 0.0398321, -2.65459e-3, 2.848e-5), (0.18, 0.14, 0.12, 0.11), 8 * HOUR_MS, "first point: table salt"),
    "potassium-chloride": Salt(
        "KCl", (88.6190, -0.193340, 8.99706e-4), (0.33, 0.29, 0.26, 0.25), 8 * HOUR_MS, "check between the two points"),
    "potassium-sulphate": Salt(
        "K2SO4", (98.7792, -0.0590502), (0.63, 0.53, 0.45, 0.40), DAY_MS, "second point of a two-point calibration"),
}
_STATED_AT_C = (15.0, 20.0, 25.0, 30.0)  # the columns of Greenspan 1977

SLOPE_PCT_H = 0.1  # own estimate
SLOPE_K_H = 0.2  # own estimate
WINDOW_MS = 2 * HOUR_MS
RESIDUAL_PCT = 1.5
"""A two-point correction that misses a third salt by more than this condemns the probe; common practice, no source."""


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A known humidity and its standard uncertainty, %RH."""

    relative_humidity_pct: float
    u_pct: float


def salt_point(salt: SaltName, temperature_c: float, u_difference_k: float = 0.1) -> FixedPoint:
    """Relative humidity over a saturated salt solution.

    Parameters
    ----------
    salt : one of `SALTS`
    temperature_c : t, degC, valid 15 to 30
    u_difference_k : standard uncertainty of the temperature difference between probe and solution, K

    Returns
    -------
    RH, %RH, and its standard uncertainty, %RH

    Raises
    ------
    OutOfRange : outside 15 to 30 degC, where the stated uncertainty is not known here; KeyError : unknown salt

    Notes
    -----
    Polynomial in t; the stated uncertainty is taken as rectangular limits, since its distribution is not given, and
    joined with RH k(t) u_difference (6 % of the reading per kelvin).

    References
    ----------
    Greenspan 1977, J. Res. National Bureau of Standards 81A, 89-96, tables 1 and 2.

    Examples
    --------
    >>> round(salt_point("sodium-chloride", 25.0).relative_humidity_pct, 1)
    75.3
    """
    if not _STATED_AT_C[0] <= temperature_c <= _STATED_AT_C[-1]:
        raise OutOfRange("temperature_c", temperature_c, "15 to 30 degC")
    facts = SALTS[salt]
    rh = 0.0
    for coefficient in reversed(facts.coefficients):
        rh = rh * temperature_c + coefficient
    stated = float(np.interp(temperature_c, _STATED_AT_C, facts.stated_pct)) / sqrt(3.0)
    return FixedPoint(rh, hypot(stated, rh * log_slope_per_k(float(temperature_c)) * u_difference_k))


# ---------------------------------------------------------------- equilibrium


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """Whether a probe in a closed box over salt has come to rest, what it then reads, and if not, what is lacking."""

    settled: bool
    lacking: str
    soaked_for_ms: int
    wait_for_ms: int
    slope_pct_h: float | None
    slope_k_h: float | None
    relative_humidity_pct: float | None
    u_relative_humidity_pct: float | None
    temperature_c: float | None


def equilibrium(samples: Sequence[Sample], soak_for_ms: int = 8 * HOUR_MS) -> Equilibrium:
    """Return whether the samples since the box was closed end in equilibrium.

    Settled: soaked long enough, and over the last two hours humidity drifts less than 0.1 %RH/h and temperature less
    than 0.2 K/h, both by least squares (common practice, no source). The reading is then the mean of those two hours;
    its uncertainty is the scatter, not divided by the count, since a probe's noise wanders. Samples with NaN are left
    out; fewer than 20 in the window, or one gap above a quarter of it, is not settled.
    """
    rows = np.array([row for row in samples if row[1] == row[1] and row[2] == row[2]], np.float64).reshape(-1, 3)
    if len(rows) < 2:
        return Equilibrium(False, "no readings yet", 0, soak_for_ms, None, None, None, None, None)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    soaked_for_ms = int(rows[-1, 0] - rows[0, 0])
    last = rows[rows[:, 0] >= rows[-1, 0] - WINDOW_MS]
    hours = (last[:, 0] - last[-1, 0]) / HOUR_MS
    slope_pct_h, slope_k_h = _slope(hours, last[:, 1]), _slope(hours, last[:, 2])
    lacking = _lacking(soaked_for_ms, soak_for_ms, hours, slope_pct_h, slope_k_h)
    scatter = float(np.std(last[:, 1], ddof=1)) if len(last) > 1 else None
    wait_for_ms = max(soak_for_ms - soaked_for_ms, 30 * MINUTE_MS if lacking else 0)
    return Equilibrium(
        not lacking, lacking, soaked_for_ms, wait_for_ms, slope_pct_h, slope_k_h,
        float(np.mean(last[:, 1])), scatter, float(np.mean(last[:, 2])),
    )


def _slope(hours: Array, values: Array) -> float | None:
    centred = hours - hours.mean()
    spread = float(centred @ centred)
    return float(centred @ values) / spread if spread > 0.0 else None


def _lacking(
    soaked_for_ms: int, soak_for_ms: int, hours: Array,
    slope_pct_h: float | None, slope_k_h: float | None,
) -> str:
    if soaked_for_ms < soak_for_ms:
        return f"soaked {soaked_for_ms / HOUR_MS:.1f} h of {soak_for_ms / HOUR_MS:.0f} h"
    if len(hours) < 20 or float(np.max(np.diff(hours))) > WINDOW_MS / HOUR_MS / 4.0:
        return "too few readings in the last two hours"
    if slope_pct_h is None or abs(slope_pct_h) >= SLOPE_PCT_H:
        return f"humidity still drifts by {slope_pct_h or 0.0:+.2f} %RH per hour; less than {SLOPE_PCT_H:g} is needed"
    if slope_k_h is None or abs(slope_k_h) >= SLOPE_K_H:
        return f"temperature drifts by {slope_k_h or 0.0:+.2f} K per hour; less than {SLOPE_K_H:g} is needed"
    return ""


# ---------------------------------------------------------------- offset and gain


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison: what the probe said and what was true, each with its standard uncertainty."""

    raw: float
    u_raw: float
    true: float
    u_true: float


@dataclass
class Correction:
    """corrected = gain * raw + offset, with the covariance of the two."""

    offset: float
    gain: float
    u_offset: float
    u_gain: float
    covariance: float
    method: str
    points: list[Point] = field(default_factory=list)

    def corrected(self, raw: float) -> float:
        """Return the corrected value."""
        return self.gain * raw + self.offset

    def standard_uncertainty_at(self, raw: float) -> float:
        """Return the standard uncertainty that the correction itself leaves at this raw value, JCGM 100 equation 13."""
        variance = self.u_offset**2 + (raw * self.u_gain) ** 2 + 2.0 * raw * self.covariance
        return sqrt(max(variance, 0.0))


def one_point(point: Point) -> Correction:
    """Return the offset that makes the probe right at one point; its gain stays 1 and is not tested by it."""
    return Correction(
        point.true - point.raw, 1.0, hypot(point.u_raw, point.u_true), 0.0, 0.0, "one point", [point]
    )


def two_point(low: Point, high: Point) -> Correction:
    """Offset and gain from two points.

    Parameters
    ----------
    low, high : comparisons; their raw values must lie 10 apart or more in the unit of the quantity

    Returns
    -------
    correction with uncertainties of offset and gain and their covariance

    Raises
    ------
    ValueError : if the raw values are too near to each other

    Notes
    -----
    gain g = (r2 - r1)/(x2 - x1), offset r1 - g x1. With s1^2 = u_r1^2 + g^2 u_x1^2 (s2 alike) and D = x2 - x1:
    u_g^2 = (s1^2 + s2^2)/D^2, u_o^2 = (x2^2 s1^2 + x1^2 s2^2)/D^2, cov = -(x2 s1^2 + x1 s2^2)/D^2.

    References
    ----------
    JCGM 100:2008, 5.1.2 and 5.2.2.

    Examples
    --------
    >>> fit = two_point(Point(73.3, 0.1, 75.3, 0.2), Point(94.3, 0.1, 97.3, 0.3))
    >>> round(fit.gain, 4), round(fit.corrected(73.3), 2)
    (1.0476, 75.3)
    """
    distance = high.raw - low.raw
    if abs(distance) < 10.0:
        raise ValueError(
            f"the two points read {low.raw:g} and {high.raw:g}: they must lie 10 apart or more, or the gain is a guess;"
            " take salts further apart"
        )
    gain = (high.true - low.true) / distance
    low_variance = low.u_true**2 + (gain * low.u_raw) ** 2
    high_variance = high.u_true**2 + (gain * high.u_raw) ** 2
    square = distance * distance
    return Correction(
        low.true - gain * low.raw,
        gain,
        sqrt((high.raw**2 * low_variance + low.raw**2 * high_variance) / square),
        sqrt((low_variance + high_variance) / square),
        -(high.raw * low_variance + low.raw * high_variance) / square,
        "two points",
        [low, high],
    )


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """What a correction leaves at a third point: the residual, its standard uncertainty, and whether it may stand."""

    residual: float
    u_residual: float
    acceptable: bool


def check_point(correction: Correction, point: Point, allowed: float = RESIDUAL_PCT) -> CheckPoint:
    """Return the residual of a correction at a point that it was not made from."""
    residual = correction.corrected(point.raw) - point.true
    u_residual = hypot(correction.standard_uncertainty_at(point.raw), correction.gain * point.u_raw, point.u_true)
    return CheckPoint(residual, u_residual, abs(residual) <= allowed)


# ---------------------------------------------------------------- against another probe


def paired(
    probe: Sequence[tuple[int, float]], reference: Sequence[tuple[int, float]], within_ms: int = MINUTE_MS
) -> list[tuple[float, float]]:
    """Return the probe's and the reference's values that were measured at most `within_ms` apart, nearest first choice."""
    instants = [at for at, _ in reference]
    pairs: list[tuple[float, float]] = []
    for at, value in probe:
        index = int(np.searchsorted(instants, at))
        near = [i for i in (index - 1, index) if 0 <= i < len(instants)]
        best = min(near, key=lambda i: abs(instants[i] - at), default=None)
        if best is None or abs(instants[best] - at) > within_ms:
            continue
        if value == value and reference[best][1] == reference[best][1]:
            pairs.append((value, reference[best][1]))
    return pairs


def by_comparison(pairs: Sequence[tuple[float, float]], u_reference: float, span_for_gain: float = 10.0) -> Correction:
    """Correction of a probe from readings beside a trusted one.

    Parameters
    ----------
    pairs : (probe, reference), same quantity and unit, at least 20
    u_reference : standard uncertainty of the reference, the same for all pairs
    span_for_gain : the gain is fitted only if the probe's values span this much; else it stays 1

    Returns
    -------
    correction; the reference's uncertainty goes whole into the offset, since it does not average out

    Raises
    ------
    ValueError : with fewer than 20 pairs

    Notes
    -----
    Least squares of reference on probe. Scatter enters by its standard error for an effective count of n/10, since
    readings side by side wander together (judgement).

    References
    ----------
    JCGM 100:2008, 4.3 and H.3.
    """
    if len(pairs) < 20:
        raise ValueError(
            f"{len(pairs)} readings of both probes at the same time; at least 20 are needed: let them lie together longer"
        )
    table = np.array(pairs, np.float64)
    raw, true = table[:, 0], table[:, 1]
    count = max(len(table) / 10.0, 2.0)
    middle = float(raw.mean())
    if float(np.ptp(raw)) < span_for_gain:
        offset = float((true - raw).mean())
        scatter = float((true - raw).std(ddof=1)) / sqrt(count)
        return Correction(offset, 1.0, hypot(scatter, u_reference), 0.0, 0.0, "comparison, offset only")
    centred = raw - middle
    gain = float(centred @ true / (centred @ centred))
    offset = float(true.mean()) - gain * middle
    scatter = float((true - gain * raw - offset).std(ddof=2))
    u_gain = scatter / (float(raw.std()) * sqrt(count))
    u_middle = hypot(scatter / sqrt(count), u_reference)
    return Correction(
        offset, gain, hypot(u_middle, middle * u_gain), u_gain, -middle * u_gain**2, "comparison, offset and gain"
    )


def due_ms(calibrated_ms: int | None, holds_for_ms: int) -> int | None:
    """Return when the next check is due; None: never calibrated, due now."""
    return None if calibrated_ms is None else calibrated_ms + holds_for_ms
