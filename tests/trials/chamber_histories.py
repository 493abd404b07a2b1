"""Days of a simulated chamber for the tests of the fit: one-minute steps, probes with noise and offsets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.advice.fit import STEP_MS, History
from rules.advice.model import BUFFER, COOLING, EVAPORATION, EXCHANGE, FAN, LID, LIFT, PA_PER_G_M3, VENT, ChamberModel

Array = NDArray[np.float64]
MINUTES = 10


def _magnus_pa(t: float) -> float:
    return float(611.2 * np.exp(17.62 * t / (243.12 + t)))  # WMO-No. 8, annex 4.B


def true_logs(prior: ChamberModel, rng: np.random.Generator) -> Array:
    """Return logarithms of a chamber's true parameters, drawn from the prior."""
    root = np.linalg.cholesky(np.array(prior.covariance) + 1e-12 * np.eye(len(prior.mean)))
    return np.asarray(np.array(prior.mean) + root @ rng.standard_normal(len(prior.mean)))


def history_of(logs: Array, air_ml: float, rng: np.random.Generator, days: int = 14, doses: int = 20) -> History:
    """Return what a chamber with these parameters would have shown, its vents, fan and heater changed now and then."""
    p, count = np.exp(logs), days * 144
    hours = np.arange(count) / 6.0
    room = 20.0 + 1.5 * np.sin(hours / 24.0 * 2.0 * np.pi) + _walk(rng, count, 0.05)
    room_pct = np.clip(45.0 + 8.0 * np.sin(hours / 72.0 * 2.0 * np.pi) + _walk(rng, count, 0.1), 20.0, 80.0)
    vents = np.repeat(rng.integers(0, 4, count // 72), 72).astype(float)
    fan = np.repeat(rng.choice([0.0, 0.0, 0.02, 0.1], count // 36), 36)
    power = np.repeat(rng.uniform(0.2, 0.6, count // 24), 24) * min(1.0, 16.0 / p[LIFT])
    mist = np.zeros(count)
    mist[rng.choice(count, doses, replace=False)] = 6.0 * 0.3 if doses else 0.0
    t, e = _course(p, room, room_pct, vents, fan, power, mist / (air_ml / 1e6) * PA_PER_G_M3)
    saturation = 611.2 * np.exp(17.62 * t / (243.12 + t))
    humidity = 100.0 * e / saturation
    off_k, off_pct, room_k, room_off = rng.uniform(-1.0, 1.0, 4) * np.array([0.3, 2.0, 0.3, 2.0])
    lid = room + 0.42 * (t - room) + rng.uniform(-0.3, 0.3)
    return History(
        np.arange(count) * STEP_MS, t + off_k + rng.normal(0, 0.05, count),
        np.clip(humidity + off_pct + rng.normal(0, 0.3, count), 1.0, 100.0), room + room_k, room_pct + room_off, lid,
        vents, fan, power, mist, humidity > 99.0,
    )


def _walk(rng: np.random.Generator, count: int, step: float) -> Array:
    walk = np.cumsum(rng.normal(0.0, step, count))
    return np.asarray(walk - walk.mean())


def _course(
    p: Array, room: Array, room_pct: Array, vents: Array, fan: Array, power: Array, mist_pa_h: Array
) -> tuple[Array, Array]:
    t, e = float(room[0]) + 5.0, 0.7 * _magnus_pa(24.0)
    out_t, out_e, dt = [], [], 1.0 / 60.0
    for i in range(len(room)):
        out_t.append(t)
        out_e.append(e)
        room_pa = room_pct[i] / 100.0 * _magnus_pa(room[i])
        loss = p[EXCHANGE] + p[VENT] * vents[i] + p[FAN] * fan[i]
        for _ in range(MINUTES):
            t += dt * p[COOLING] * (room[i] + p[LIFT] * power[i] - t)
            lid_pa = _magnus_pa(room[i] + 0.42 * (t - room[i]))
            rate = loss + p[EVAPORATION]
            feed = loss * room_pa + p[EVAPORATION] * _magnus_pa(t) + mist_pa_h[i] / p[BUFFER]
            if e > lid_pa:
                rate, feed = rate + p[LID], feed + p[LID] * lid_pa
            e = feed / rate + (e - feed / rate) * float(np.exp(-rate * dt))
    return np.array(out_t), np.array(out_e)
