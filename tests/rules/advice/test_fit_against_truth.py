"""The fitted model against a truth with other equations: what it predicts of a step that it has not seen."""

from __future__ import annotations

import numpy as np
import pytest
from advice_scenes import devices, situation
from chamber_truth import STEP_S, Box, Knobs, State, magnus_pa, random_box, room_now, started, step
from chamber_truth import Room as TrueRoom

from rules.advice.balance import STRUCTURE_SHARE, Setting, course, present_of
from rules.advice.fit import STEP_MS, History, fit
from rules.advice.model import prior_model
from rules.advice.room_day import COURSE_H
from rules.settings import Chamber, Vents

BOXES, DAYS = 16, 7
MINUTES = round(STEP_MS / 1000 / STEP_S)


def truth(seed: int) -> tuple[Box, Knobs, TrueRoom, State, dict[str, list]]:
    """Return boxes after a week in a room with its nights, their vents and fan changed twice a day, and their record."""
    rng = np.random.default_rng(seed)
    box = random_box(rng, BOXES)
    one = np.ones(BOXES)
    box.thermostat[:] = True
    knobs = Knobs(26.0 - box.thermostat_offset_k, one.copy(), one.copy(), one.copy(), 0.0 * one, 0.0 * one, 0.0 * one)
    room = TrueRoom(20.5 * one, 48.0 * one, 1.5 * one)
    state, record = started(box, room), {name: [] for name in ("t", "rh", "room", "room_rh", "lid", "vents", "fan")}
    for index in range(DAYS * 144):
        if index % 72 == 0:
            knobs.vents, knobs.fan_min_h = rng.integers(0, 3, BOXES).astype(float), rng.choice([0.0, 0.0, 2.0], BOXES)
            room.humidity_pct = np.clip(room.humidity_pct + rng.normal(0, 3, BOXES), 30, 65)
        sums = np.zeros((3, BOXES))
        for _ in range(MINUTES):
            step(box, knobs, room, state)
            sums += np.array([state.air_c, state.humidity_pct, state.lid_c]) / MINUTES
        room_c, room_pa = room_now(room, state.hour % 24.0)
        row = (sums[0], sums[1], room_c, 100.0 * room_pa / magnus_pa(room_c), sums[2], knobs.vents.copy(),
            knobs.fan_min_h / 60.0)
        for name, value in zip(record, row, strict=True):
            record[name].append(value)
    return box, knobs, room, state, record


def history(record: dict[str, list], i: int, rng: np.random.Generator) -> History:
    column = {name: np.array([row[i] for row in rows]) for name, rows in record.items()}
    count = len(column["t"])
    return History(
        STEP_MS * np.arange(count, dtype=np.int64), column["t"] + rng.normal(0, 0.05, count),
        np.clip(column["rh"] + rng.normal(0, 0.3, count), 1, 100), column["room"], column["room_rh"],
        column["lid"] + rng.normal(0, 0.2), column["vents"], column["fan"], np.full(count, np.nan), np.zeros(count),
        column["rh"] > 99.0,
    )


def predicted(model, chamber: Chamber, now, knobs: dict[str, float], vents: float) -> tuple[float, float]:
    """Return the predicted humidity 12 hours after the vents are set, and its standard uncertainty."""
    present = present_of(model, chamber, now, knobs)
    column = {"heat_k": 0.0, "power": 1.0, "vents": vents, "fan_share": knobs["fan"] / 60.0, "mist_ml_d": 0.0, "foam_mm": 0.0,
              "wetness": 1.0}
    then = course(present, Setting(**{name: np.array([value]) for name, value in column.items()}))[COURSE_H.index(12.0)]
    mean = float(then.humidity_pct[0] @ present.weight)
    return mean, float(np.sqrt((then.humidity_pct[0] - mean) ** 2 @ present.weight))


@pytest.fixture(scope="module")
def errors() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return errors of prior and fit, and the fit's stated uncertainty, for opening all three vents."""
    rng = np.random.default_rng(5)
    box, knobs, room, state, record = truth(5)
    nows, told = [], [row[-1].copy() for row in record.values()]
    for i in range(BOXES):
        t, rh, room_c, room_rh, lid = (float(np.mean([row[i] for row in rows[-3:]])) for rows in list(record.values())[:5])
        nows.append(situation(t, rh, room_c, room_rh, factor=(lid - room_c) / (t - room_c)))
    vents_before = knobs.vents.copy()
    room_c, room_pa = room_now(room, state.hour % 24.0)
    room = TrueRoom(room_c, 100.0 * room_pa / magnus_pa(room_c), 0.0 * room_c)  # the room stays as it is: only the step counts
    knobs.vents = np.full(BOXES, 3.0)
    seen = np.zeros(BOXES)
    for minute in range(12 * 60):
        step(box, knobs, room, state)
        seen += state.humidity_pct / 60.0 if minute >= 11 * 60 else 0.0
    by_prior, by_fit, stated = [], [], []
    for i in range(BOXES):
        chamber = Chamber(air_ml=float(box.volume_m3[i] * 1e6), devices=devices(vents=Vents(count=3,
            open=int(vents_before[i]))))
        prior = prior_model(chamber)
        fitted = fit(history(record, i, rng), prior, chamber.air_ml, 0)
        assert fitted.source == "fitted"
        settings = {"vents": float(vents_before[i]), "fan": float(told[6][i] * 60.0), "setpoint": 26.0}
        for model, out in ((prior, by_prior), (fitted, by_fit)):
            mean, u = predicted(model, chamber, nows[i], settings, 3.0)
            out.append(mean - seen[i])
        missed = STRUCTURE_SHARE * (mean - nows[i].relative_humidity_pct)
        stated.append(np.sqrt(u**2 + missed**2 + nows[i].u_relative_humidity_pct**2))
    return np.array(by_prior), np.array(by_fit), np.array(stated)


def test_the_fit_foretells_a_step_better_than_geometry_does(errors):
    by_prior, by_fit, _ = errors
    assert np.sqrt(np.mean(by_fit**2)) < 0.75 * np.sqrt(np.mean(by_prior**2))
    assert np.median(np.abs(by_fit)) < 3.0


def test_the_stated_uncertainty_of_a_foretold_step_is_honest(errors):
    _, by_fit, stated = errors
    assert np.mean(np.abs(by_fit) <= 2.0 * stated) >= 0.9
