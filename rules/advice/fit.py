"""The fit of a chamber's balance to its own history: what the data can tell, with what certainty, and what they cannot.

Output-error fit in windows of some hours: the balance is simulated from each window's own start, so that an intervention, a
gap or a slow drift of a probe spoils one window and not the rest. The start is free (its best value is projected out). Gauss
and Newton on the logarithms of the parameters, with the prior as further data, Huber weights against readings that the model
cannot explain, and the covariance widened by the correlation of what is left over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from rules.advice.model import (
    BUFFER,
    COOLING,
    EVAPORATION,
    EXCHANGE,
    FAN,
    LID,
    LIFT,
    NAMES,
    PA_PER_G_M3,
    VENT,
    Array,
    ChamberModel,
)
from rules.physics.saturation import saturation_pressures_or_nan

STEP_MS = 600_000
"""Readings are averaged to ten minutes: air and its thermostat's cycles are faster, all that is fitted is slower.
Own estimate."""
WINDOW = 36
"""Steps of a window: six hours. Own estimate."""
LEAST_WINDOWS = 8  # own estimate
HUBER = 1.5  # robust regression, Huber 1964, Ann. Math. Stat. 35:73; the figure from memory
TOGETHER, LEAST_SIGMA = 6.0, 0.5  # own estimate
IDENTIFIED_SHARE = 0.5
"""A parameter is called known from the data when its spread fell to half of the prior's or below. Own estimate."""
MOIST = (EXCHANGE, VENT, FAN, EVAPORATION, LID)
OFFSETS = 3
"""Unknown constant offsets of the probes: moisture: chamber and room humidity, points, and the lid, K; heat: the difference of
the two thermometers, K (the last one). They are not fitted, since no amount of data tells them from the parameters, but what
they do to each parameter is added to the covariance (a consider covariance, Schmidt 1966)."""
OFFSET_SPREAD = {"moist": (1.4, 1.4, 0.4), "heat": (1.0, 1.0, 0.25)}
"""Limits of 2 %RH and 0.3 K (1.4 points of humidity at 75 %RH) over sqrt(3), joined; the lid as estimated.
By JCGM 100 from the stated accuracies."""
MOST_SPREAD = 1.5
"""What is known of a parameter is never called worse than this many times its prior spread. Own estimate."""
STRUCTURE = 0.02
"""Standard uncertainty of every logarithm for what one well-mixed volume leaves out; judgement."""


@dataclass(frozen=True, slots=True)
class History:
    """A chamber's history on the ten-minute grid, as columns; NaN where not known. Settings as they were at each instant.

    `power_share`: mean heater power over the step as a share of the rated one; NaN: not known, as behind a thermostat whose
    switching nobody sees. `mist_ml_h`: known doses. `wetness`: ground wetted against what it was at first.
    """

    at_ms: NDArray[np.int64]
    temperature_c: Array
    humidity_pct: Array
    room_c: Array
    room_pct: Array
    lid_c: Array
    vents: Array
    fan_share: Array
    power_share: Array
    mist_ml_h: Array
    disturbed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Windows:
    """Whole windows without gap or disturbance; shape (steps, windows)."""

    t: Array
    e: Array
    room_c: Array
    room_pa: Array
    room_saturation: Array
    saturation: Array
    lid_pa: Array
    vents: Array
    fan: Array
    power: Array
    mist_pa_h: Array


def _e_s(t: Array) -> Array:
    return saturation_pressures_or_nan(np.clip(t, -20.0, 60.0))


def _windows(history: History, air_ml: float, need: tuple[str, ...]) -> _Windows:
    usable = ~history.disturbed
    for name in need:
        usable &= np.isfinite(getattr(history, name))
    count = len(history.at_ms) // WINDOW
    cut = count * WINDOW
    rows = np.arange(cut).reshape(count, WINDOW)
    even = np.array([np.all(np.diff(history.at_ms[row]) == STEP_MS) for row in rows]) if count else np.zeros(0, bool)
    rows = rows[even & usable[rows].all(axis=1)] if count else rows
    grid = rows.T

    def column(values: Array) -> Array:
        return np.asarray(values[grid], float)

    t = column(history.temperature_c)
    saturation = _e_s(t)
    humidity, room_pct = column(history.humidity_pct), column(history.room_pct)
    room_c, lid_c = column(history.room_c), column(history.lid_c)
    return _Windows(
        t, humidity / 100.0 * saturation, room_c, room_pct / 100.0 * _e_s(room_c), _e_s(room_c), saturation,
        np.where(np.isfinite(lid_c), _e_s(np.where(np.isfinite(lid_c), lid_c, 20.0)), np.inf), column(history.vents),
        column(history.fan_share), column(history.power_share), column(history.mist_ml_h) / (air_ml / 1e6) * PA_PER_G_M3,
    )


def _moist_course(w: _Windows, logs: Array, start: Array) -> tuple[Array, Array]:
    """Return the simulated vapour pressure as the probe would show it and its response to the start.

    Shapes: `logs` (8 parameters and 3 offsets, sets), result (steps, windows, sets).
    """
    p, dt = np.exp(logs[: len(NAMES)]), STEP_MS / 3.6e6
    shown, room_off, lid_off = logs[-3] / 100.0, logs[-2] / 100.0, np.exp(-0.06 * logs[-1])
    e, phi = start - shown * w.saturation[0][:, None], np.ones_like(start)
    out, responses = [start], [phi]
    for i in range(len(w.t) - 1):
        mid = [0.5 * (column[i] + column[i + 1])[:, None] for column in (w.room_pa, w.saturation)]
        mid[0] = mid[0] - room_off * w.room_saturation[i][:, None]
        loss = p[EXCHANGE] + p[VENT] * w.vents[i][:, None] + p[FAN] * w.fan[i][:, None]
        lid_pa = w.lid_pa[i][:, None] * lid_off  # 6 % of its vapour pressure per kelvin
        rate, feed = loss + p[EVAPORATION], loss * mid[0] + p[EVAPORATION] * mid[1] + w.mist_pa_h[i][:, None] / p[BUFFER]
        wet = e > lid_pa
        rate = rate + np.where(wet, p[LID], 0.0)
        feed = feed + np.where(wet, p[LID] * np.where(wet, lid_pa, 0.0), 0.0)
        kept = np.exp(-rate * dt)
        e = feed / rate + (e - feed / rate) * kept
        phi = phi * kept
        out.append(e + shown * w.saturation[i + 1][:, None])
        responses.append(phi)
    return np.array(out), np.array(responses)


def _heat_course(w: _Windows, logs: Array, start: Array) -> tuple[Array, Array]:
    """Return the simulated temperature and its response to the start, for known heater power."""
    p, dt = np.exp(logs[: len(NAMES)]), STEP_MS / 3.6e6
    t, phi = start, np.ones_like(start)
    out, responses = [t], [phi]
    kept = np.exp(-p[COOLING] * dt)[None, :]
    for i in range(len(w.t) - 1):
        aim = 0.5 * (w.room_c[i] + w.room_c[i + 1])[:, None] + p[LIFT] * w.power[i][:, None] + logs[-1]
        t, phi = aim + (t - aim) * kept, phi * kept
        out.append(t)
        responses.append(phi)
    return np.array(out), np.array(responses)


Course = Callable[[_Windows, Array, Array], tuple[Array, Array]]


@dataclass
class _Fit:
    """A running Gauss-Newton fit of some of the parameters."""

    windows: _Windows
    course: Course
    observed: Array
    scale: Array
    which: tuple[int, ...]
    mean: Array
    prior_mean: Array
    precision: Array

    def residuals(self, logs: Array) -> Array:
        """Return residuals in points or kelvin for sets of parameters (11, sets), starts projected out."""
        start = np.repeat(self.observed[0][:, None], logs.shape[1], axis=1)
        course, response = self.course(self.windows, logs, start)
        left = (self.observed[:, :, None] - course) / self.scale[:, :, None]
        weight = response / self.scale[:, :, None]
        shift = (left * weight).sum(axis=0) / np.maximum((weight**2).sum(axis=0), 1e-12)
        return np.asarray(left - weight * shift)

    def linearised(self) -> tuple[Array, Array]:
        """Return the residuals and their derivatives by the fitted logarithms."""
        step = 0.02
        sets = np.repeat(self.mean[:, None], len(self.which) + 1, axis=1)
        for column, index in enumerate(self.which):
            sets[index, column + 1] += step
        all_residuals = self.residuals(sets)
        base = all_residuals[:, :, 0]
        jacobian = (all_residuals[:, :, 1:] - base[:, :, None]) / step
        return base, jacobian


def _variance(sigma: float) -> float:
    """Return the variance that one ten-minute residual is given against the prior.

    Residuals hang together for about an hour and hold what one mixed volume leaves out, so that six of them count as one, and
    none as better than half a point: else a mountain of like data would outvote the prior where the model is too simple.
    """
    return TOGETHER * max(sigma, LEAST_SIGMA) ** 2


def _solve(fit: _Fit, spread: tuple[float, ...]) -> tuple[Array, Array, float]:
    """Return the fitted logarithms, their covariance and the noise, by damped Gauss-Newton with Huber weights."""
    which = np.array(fit.which)
    sigma = 1.0
    for _ in range(12):
        base, jacobian = fit.linearised()
        flat, slopes = base.ravel(), jacobian.reshape(-1, len(which))
        sigma = max(1.4826 * float(np.median(np.abs(flat))), 1e-6)
        weight = np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(flat), 1e-12)) / _variance(sigma)
        normal = (slopes * weight[:, None]).T @ slopes + fit.precision
        pull = -(slopes * weight[:, None]).T @ flat - fit.precision @ (fit.mean - fit.prior_mean)[which]
        step = np.clip(np.linalg.solve(normal, pull), -0.7, 0.7)
        fit.mean[which] += step
        if np.abs(step).max() < 1e-3:
            break
    fitted = fit.which
    fit.which = (*fitted, *range(len(NAMES), len(NAMES) + OFFSETS))
    base, jacobian = fit.linearised()
    covariance = _covariance(base, jacobian, fit.precision, sigma, np.array(spread))
    return fit.mean[which], covariance + STRUCTURE**2 * np.eye(len(which)), sigma


def _covariance(base: Array, jacobian: Array, precision: Array, sigma: float, spread: Array) -> Array:
    """Return the covariance of a robust fit whose residuals hang together within a window, with the offsets considered.

    Windows are independent of each other; within one, residuals follow from the same disturbance, so each window's score is
    one observation (White 1980; Liang & Zeger 1986 for clusters).
    """
    count, fitted = base.shape[1], len(precision)
    clipped = np.clip(base, -HUBER * sigma, HUBER * sigma) / _variance(sigma)
    scores = np.einsum("tw,twp->wp", clipped, jacobian[:, :, :fitted])
    slopes = jacobian.reshape(-1, jacobian.shape[2])
    weight = np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(base.ravel()), 1e-12)) / _variance(sigma)
    cross = (slopes[:, :fitted] * weight[:, None]).T @ slopes
    bread = np.linalg.inv(cross[:, :fitted] + precision)
    meat = scores.T @ scores * count / max(count - fitted, 1) + precision
    shift = bread @ cross[:, fitted:] * spread
    return np.asarray(bread @ meat @ bread + shift @ shift.T)


def fit(history: History, prior: ChamberModel, air_ml: float, at_ms: int) -> ChamberModel:
    """Return the chamber's model after its history, or the prior with a note of what is lacking.

    Vapour needs temperature, humidity and the room's climate; cooling and lift need the room's temperature and known heater
    power. Everything that the data cannot tell keeps the prior's spread, and its name stands in `identified` as False.
    """
    model = ChamberModel(
        mean=list(prior.mean), covariance=[list(row) for row in prior.covariance], source="prior", fitted_ms=at_ms,
        identified=dict.fromkeys(NAMES, False), notes=[],
    )
    moist = _windows(history, air_ml, ("temperature_c", "humidity_pct", "room_c", "room_pct"))
    heat = _windows(history, air_ml, ("temperature_c", "room_c", "power_share"))
    if moist.t.shape[1] >= LEAST_WINDOWS:
        _fit_part(model, prior, moist, _moist_course, _moist_which(moist))
    else:
        model.notes.append("Moisture not fitted: it takes two days with chamber and room temperature and humidity.")
    if heat.t.shape[1] >= LEAST_WINDOWS:
        _fit_part(model, prior, heat, _heat_course, (COOLING, LIFT))
    else:
        model.notes.append("Heat not fitted: it takes two days of known heater power; behind a thermostat it is not known.")
    _name_what_is_known(model, prior, moist)
    return model


def _moist_which(w: _Windows) -> tuple[int, ...]:
    """Return the parameters that these windows can say anything about."""
    present = {EXCHANGE: True, EVAPORATION: True, VENT: bool((w.vents > 0).any()), FAN: bool((w.fan > 0).any())}
    present |= {LID: bool((w.e > w.lid_pa).any()), BUFFER: bool((w.mist_pa_h > 0).any())}
    return tuple(index for index in (*MOIST, BUFFER) if present[index])


def _fit_part(model: ChamberModel, prior: ChamberModel, w: _Windows, course: Course, which: tuple[int, ...]) -> None:
    moist = course is _moist_course
    observed = w.e if moist else w.t
    scale = w.saturation / 100.0 if moist else np.ones_like(w.t)
    none = np.zeros(OFFSETS)
    precision = np.linalg.inv(np.array(prior.covariance)[np.ix_(which, which)])
    running = _Fit(w, course, observed, scale, which, np.append(model.mean, none), np.append(prior.mean, none), precision)
    mean, covariance, sigma = _solve(running, OFFSET_SPREAD["moist" if moist else "heat"])
    covariance = _lopsided(covariance)
    bound = MOST_SPREAD * np.sqrt(np.diag(np.array(prior.covariance)[np.ix_(which, which)]))
    shrink = np.minimum(1.0, bound / np.sqrt(np.diag(covariance)))
    _merge(model, which, mean, covariance * np.outer(shrink, shrink))
    model.source = "fitted"
    model.samples += int(observed.size)
    if moist:
        model.residual_pct = round(sigma, 3)


def _lopsided(covariance: Array) -> Array:
    """Return the covariance widened where a parameter could as well be near nothing.

    An offset shifts the parameter, not its logarithm: with relative deviation r the logarithm reaches down by -ln(1 - 1.96 r),
    further than up. The logarithm's spread is taken from the longer side, at most a factor of ten.
    """
    share = 1.96 * np.sqrt(np.diag(covariance))
    wide = -np.log(1.0 - np.minimum(share, 0.9)) / np.maximum(share, 1e-9)
    stretch = np.maximum(wide, 1.0)
    return np.asarray(covariance * np.outer(stretch, stretch))


def _merge(model: ChamberModel, which: tuple[int, ...], mean: Array, covariance: Array) -> None:
    """Put the fitted block in, and carry it over to the others by their prior regression (exact for a Gaussian)."""
    old, old_mean = np.array(model.covariance), np.array(model.mean)
    inside = list(which)
    rest = [i for i in range(len(NAMES)) if i not in inside]
    gain = np.linalg.solve(old[np.ix_(inside, inside)], old[np.ix_(inside, rest)]).T
    new, new_mean = old.copy(), old_mean.copy()
    new_mean[inside] = mean
    new_mean[rest] = old_mean[rest] + gain @ (mean - old_mean[inside])
    new[np.ix_(inside, inside)] = covariance
    new[np.ix_(rest, inside)] = gain @ covariance
    new[np.ix_(inside, rest)] = (gain @ covariance).T
    new[np.ix_(rest, rest)] = old[np.ix_(rest, rest)] - gain @ (old[np.ix_(inside, inside)] - covariance) @ gain.T
    model.mean = [float(x) for x in new_mean]
    model.covariance = [[float(x) for x in row] for row in new]


def _name_what_is_known(model: ChamberModel, prior: ChamberModel, moist: _Windows) -> None:
    for index, name in enumerate(NAMES):
        before, after = sqrt(prior.covariance[index][index]), sqrt(max(model.covariance[index][index], 0.0))
        model.identified[name] = after <= IDENTIFIED_SHARE * before and model.source == "fitted"
    if not (moist.mist_pa_h > 0).any():
        model.identified["buffer"] = False  # narrower than before, yet by geometry and not by these data
    if not model.identified["buffer"]:
        model.notes.append(
            "Amounts of water in ml are known only roughly: without one known dose of mist, history tells ratios alone."
        )
    if not model.identified["lift"]:
        model.notes.append("How far the heater can lift the temperature is known only from its watts and the box's size.")
    if moist.t.size and not (moist.e > moist.lid_pa).any():
        model.notes.append("The lid was never wet in this history: how fast it takes water is not known.")
