"""The chamber's heat and moisture balance as a grey box: parameters with covariance, and what follows from a change.

Two states, air temperature T and vapour pressure e (Pa; at one total pressure equal vapour pressures mean equal mixing ratios):

    dT/dt = (T_rest - T) / tau
    de/dt = -N (e - e_room) + G (e_s(T) - e) - L max(0, e - e_s(T_lid)) + M

N = exchange + vent x open vents + fan x share of time, G evaporation, L condensation on the lid, M misting, all per hour and
all divided by the moisture buffer factor k of substrate and garden. From temperature and humidity alone only 1/tau and the
ratios N/k, G/k, L/k can be known: k needs one known dose of water, watts one known power. So the parameters are these ratios.
Every parameter is positive and is kept as its natural logarithm; the covariance is that of the logarithms.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from math import exp, log, sqrt
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from rules.physics.lid_heat import FOAM_W_MK, heat_balance
from rules.physics.mat_ends import LOSS_SPREAD, loss_w_k
from rules.settings import Chamber, Lid

Array = NDArray[np.float64]
NAMES = ("exchange", "vent", "fan", "evaporation", "lid", "cooling", "lift", "buffer")
"""Per hour and over k: exchange, vent (each), fan (running), evaporation, lid. cooling: 1/tau, 1/h. lift: full heater over the
room, K. buffer: k."""
EXCHANGE, VENT, FAN, EVAPORATION, LID, COOLING, LIFT, BUFFER = range(8)
PA_PER_G_M3 = 0.4615 * 299.0
"""Vapour pressure of 1 g/m3 at 26 degC: R_w T, Pa; within 1 % over 22 to 30 degC.
0.4615 J/(g K): gas constant of water vapour, IAPWS."""
DRAWS = 96  # bookkeeping


@dataclass
class ChamberModel:
    """A chamber's parameters: logarithms, their covariance, where they are from and what the data cannot tell."""

    mean: list[float]
    covariance: list[list[float]]
    source: str = "prior"
    fitted_ms: int | None = None
    samples: int = 0
    residual_pct: float | None = None
    identified: dict[str, bool] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def value(self, index: int) -> float:
        """Return one parameter's median in its own unit."""
        return float(np.exp(self.mean[index]))

    def interval(self, index: int) -> tuple[float, float]:
        """Return its 95 % interval."""
        half = 1.96 * sqrt(max(self.covariance[index][index], 0.0))
        return float(np.exp(self.mean[index] - half)), float(np.exp(self.mean[index] + half))


def cooling_h(model: ChamberModel) -> tuple[float, float, float]:
    """Return the time constant with which the chamber cools, h, and between which ones it may lie (one standard deviation)."""
    tau_h, spread = 1.0 / model.value(COOLING), exp(model.covariance[COOLING][COOLING] ** 0.5)
    return tau_h, tau_h / spread, tau_h * spread


_MODEL = TypeAdapter(ChamberModel)


def model_as_json(model: ChamberModel) -> dict[str, Any]:
    """Return the model as a JSON object."""
    body: dict[str, Any] = _MODEL.dump_python(model, mode="json")
    return body


def model_from_json(body: dict[str, Any]) -> ChamberModel:
    """Return the model that `model_as_json` wrote; pydantic's ValidationError says what is wrong with any other object."""
    model = _MODEL.validate_python(body)
    if len(model.mean) != len(NAMES) or np.shape(model.covariance) != (len(NAMES), len(NAMES)):
        raise ValueError(f"a chamber model has {len(NAMES)} parameters and their covariance, not {len(model.mean)}")
    return model


def prior_model(chamber: Chamber) -> ChamberModel:
    """Return what geometry alone says, before there is data; factors of two to three, stated as such.

    Basis: heat loss by `rules.physics.mat_ends`; evaporation bound 10 m/h at a film of 3 W/m2K, halved by self-cooling, over
    half the floor; loose plastic boxes change their air 0.5 to 5 times an hour (common practice, no source); buffer 10 to 300.
    """
    litres = chamber.air_ml / 1000.0
    floor_m2 = (litres / 1000.0) ** (2.0 / 3.0)
    volume_m3 = litres / 1000.0
    conductance = loss_w_k(chamber.air_ml, chamber.lid)
    tau_h = 1.9 * (litres / 10.0) ** 0.3
    heater, fan = chamber.devices.heater, chamber.devices.fan
    watts = heater.watts if heater is not None else 6.0 * conductance
    flow = fan.flow_m3_h if fan is not None and fan.flow_m3_h is not None else 30.0 * volume_m3
    known_flow = fan is not None and fan.flow_m3_h is not None
    median = (0.8, 0.9, flow / volume_m3, 5.0 * 0.5 * floor_m2 / volume_m3, 6.2 * floor_m2 / volume_m3)
    spread = (0.9, 0.7, 0.4 if known_flow else 0.9, 0.9, 0.5)
    return _from_physical(median, spread, tau_h, watts / conductance)


_PRIOR_BUFFER, _BUFFER_SPREAD = 50.0, 1.0  # own estimate
_OF_BUFFER = (1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, -1.0)  # by definition: every rate but two is over the buffer
_BY_BUFFER = [[_BUFFER_SPREAD**2 * one * other for other in _OF_BUFFER] for one in _OF_BUFFER]


def _from_physical(median: tuple[float, ...], spread: tuple[float, ...], tau_h: float, lift_k: float) -> ChamberModel:
    mean = [log(value / _PRIOR_BUFFER) for value in median] + [-log(tau_h), log(lift_k), log(_PRIOR_BUFFER)]
    own = [s * s for s in spread] + [0.4**2, LOSS_SPREAD**2, 0.0]
    covariance = [row.copy() for row in _BY_BUFFER]
    for place, variance in enumerate(own):
        covariance[place][place] += variance
    notes = ["No fit yet: these figures come from the chamber's size and build and are good to a factor of two or three."]
    return ChamberModel(
        mean=mean, covariance=covariance, identified=dict.fromkeys(NAMES, False), notes=notes,
    )


def _halton(count: int, base: int) -> list[float]:
    out = []
    for index in range(1, count + 1):
        share, value, rest = 1.0, 0.0, index
        while rest:
            share /= base
            value += share * (rest % base)
            rest //= base
        out.append(value)
    return out


def _normal_points(count: int, dimensions: int) -> Array:
    """Return evenly spread standard normal points: a Halton sequence, so that the same question has the same answer."""
    normal = NormalDist()
    primes = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)
    columns = [[normal.inv_cdf(share) for share in _halton(count, base)] for base in primes[:dimensions]]
    points = np.array(columns).T
    return np.asarray((points - points.mean(axis=0)) / points.std(axis=0))


NORMAL = _normal_points(DRAWS, 12)
"""Columns 0 to 7: the parameters; 8: lid; 9: room temperature; 10: room humidity; 11: humidity slope."""


def draws_of(model: ChamberModel) -> Array:
    """Return parameter draws, shape (DRAWS, 8), in their own units (not logarithms); not to be written to."""
    return _drawn(tuple(model.mean), tuple(map(tuple, model.covariance)))[0]


def evaporation_given_rest(model: ChamberModel) -> tuple[Array, float]:
    """Return, for each draw, the mean of log evaporation given its other parameters, and the standard deviation."""
    return _drawn(tuple(model.mean), tuple(map(tuple, model.covariance)))[1:]


@lru_cache(maxsize=64)  # a model is fitted once a day and asked at each search
def _drawn(means: tuple[float, ...], covariances: tuple[tuple[float, ...], ...]) -> tuple[Array, Array, float]:
    covariance, mean = np.array(covariances), np.array(means)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = np.exp(mean + NORMAL[:, : len(NAMES)] @ root.T)
    others = [i for i in range(len(NAMES)) if i not in (EVAPORATION, COOLING, LIFT)]
    block = covariance[np.ix_(others, others)] + 1e-9 * np.eye(len(others))
    gain = np.linalg.solve(block, covariance[others, EVAPORATION])
    centre = mean[EVAPORATION] + (np.log(draws[:, others]) - mean[others]) @ gain
    variance = covariance[EVAPORATION, EVAPORATION] - float(gain @ covariance[others, EVAPORATION])
    for figures in (draws, centre):
        figures.flags.writeable = False
    return draws, centre, sqrt(max(variance, 1e-4))


def lid_factor_with_foam(factor: Array, foam_now_mm: Array | float, foam_then_mm: Array | float) -> Array:
    """Return the lid's temperature factor after its foam is changed; foam 0.035 W/mK.

    f = H / (H + U), H the lid's inner conductance to air and walls and U that from its inner face to the room, both by the
    enclosure balance of `rules.physics.lid_heat`; what the walls take stays in f itself, so only (H + U_now) / (H + U_then)
    is used.
    """
    bare = heat_balance(Lid())
    inner, bare_resistance = bare.inner_w_m2k, 1.0 / bare.outer_w_m2k
    u_now = 1.0 / (bare_resistance + np.asarray(foam_now_mm) / 1000.0 / FOAM_W_MK)
    u_then = 1.0 / (bare_resistance + np.asarray(foam_then_mm) / 1000.0 / FOAM_W_MK)
    return np.asarray(np.minimum(factor * (inner + u_now) / (inner + u_then), np.maximum(factor, 0.92)))
