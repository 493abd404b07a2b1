"""Advice: one full solve with its uncertainty, and one fit of the model to fourteen days of a chamber's history."""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

import numpy as np
from measure import Row, at_most, main

sys.path.insert(0, str(Path(__file__).parents[1] / "trials"))

from advice_scenes import alarms, devices, settings_of, situation
from chamber_histories import history_of, true_logs

from rules.advice.advisory import AdviceState, consider
from rules.advice.fit import fit
from rules.advice.model import prior_model
from rules.settings import Chamber

# Chamber and room, temperature and humidity: trouble of every direction, from the decision table.
SCENES = [
    (22.0, 62.0, 20.0, 30.0), (22.0, 75.0, 17.0, 50.0), (22.0, 92.0, 16.0, 50.0), (26.0, 62.0, 21.0, 30.0),
    (26.0, 95.0, 20.0, 50.0), (29.0, 60.0, 21.0, 40.0), (29.0, 85.0, 21.0, 50.0), (29.0, 95.0, 20.0, 50.0),
]  # fmt: skip
ROUNDS = 9


def rows() -> list[Row]:
    """Return the slowest scene's median, and the slowest fit's."""
    scenes = [_solve_ms(*scene) for scene in SCENES]
    fits = [_fit_ms(seed) for seed in range(3)]
    return [
        at_most("advice", "one full solve with uncertainty, slowest of eight scenes", max(scenes), "ms", 50.0),
        at_most("advice", "one model fit over 14 days, slowest of three chambers", max(fits), "ms", 500.0),
    ]


def _solve_ms(temperature_c: float, humidity_pct: float, room_c: float, room_pct: float) -> float:
    chamber = Chamber(devices=devices(setpoint_c=temperature_c))
    settings = settings_of(chamber)
    now = situation(temperature_c, humidity_pct, room_c, room_pct)
    standing = alarms(now, chamber)
    taken = []
    for _ in range(ROUNDS):
        begun_s = time.perf_counter()
        _, events = consider(settings, "north", AdviceState(), now, standing, "bench")
        taken.append(time.perf_counter() - begun_s)
        assert events
    return 1e3 * statistics.median(taken)


def _fit_ms(seed: int) -> float:
    chamber = Chamber(devices=devices())
    prior, random = prior_model(chamber), np.random.default_rng(seed)
    history = history_of(true_logs(prior, random), chamber.air_ml, random)
    taken = []
    for _ in range(5):
        begun_s = time.perf_counter()
        fit(history, prior, chamber.air_ml, int(history.at_ms[-1]))
        taken.append(time.perf_counter() - begun_s)
    return 1e3 * statistics.median(taken)


if __name__ == "__main__":
    main(rows)
