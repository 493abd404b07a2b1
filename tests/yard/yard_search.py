"""The best that a bounded search over the same devices finds in the very world: settings before the trouble, and after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from yard_air import Array
from yard_chambers import Kept
from yard_devices import Controls
from yard_running import Week, run
from yard_scores import Truth
from yard_troubles import CALM, Kind, Trouble

TRIED = 48
"""Settings in each of the two rounds."""
NOTICED_MIN = 60
"""The searched keeper acts so long after the trouble began, and knows what it is."""


@dataclass
class Settings:
    """What one searched keeper does, a column each: two sets of settings and three habits."""

    before: Controls
    after: Controls
    wipes: Array
    waters_ml_d: Array
    less_water: Array
    unplugs: Array

    def picked(self, columns: Array) -> Settings:
        """Return these columns."""
        return Settings(
            _picked(self.before, columns), _picked(self.after, columns), self.wipes[columns], self.waters_ml_d[columns],
            self.less_water[columns], self.unplugs[columns],
        )  # fmt: skip


def _picked(k: Controls, columns: Array) -> Controls:
    return Controls(**{name: value[columns].copy() for name, value in vars(k).items()})


def search(kept: Kept, trouble: Trouble, seed: int, judged_from: int, *, habits: bool = True) -> tuple[Truth, Settings]:
    """Return the best course found and the settings that made it; without habits, settings alone."""
    rng = np.random.default_rng([seed, 3])
    first = _random_settings(kept, rng, TRIED)
    if not habits:
        first.wipes[:] = first.waters_ml_d[:] = first.less_water[:] = first.before.room_shift_k[:] = 0.0
    truth = _tried(kept, trouble, first, judged_from)
    best = np.argsort(_merit(truth))[::-1][: TRIED // 6]
    second = _nearby(kept, rng, first.picked(np.repeat(best, 6)))
    again = _tried(kept, trouble, second, judged_from)
    merits = _merit(truth), _merit(again)
    settings, found, column = (
        (first, truth, int(np.argmax(merits[0]))) if merits[0].max() > merits[1].max() else
        (second, again, int(np.argmax(merits[1])))
    )  # fmt: skip
    return found.column(column), settings.picked(np.array([column]))


def tuned(kept: Kept, seed: int) -> Controls:
    """Return settings that suit the chamber while nothing befalls it, to the halves and tens that a keeper sets."""
    found = search(kept, Trouble(CALM, kept, seed), seed, 24 * 60, habits=False)[1].before
    found.setpoint_c, found.foam_mm = np.round(found.setpoint_c * 2.0) / 2.0, np.round(found.foam_mm, -1)
    found.vents, found.mist_ml_d = np.round(found.vents), np.round(found.mist_ml_d, 1)
    found.fan_min_h = np.round(found.fan_min_h, 1)
    return found


def _merit(truth: Truth) -> Array:
    return truth.in_band.mean(axis=0) + 0.1 * truth.climate_in_band.mean(axis=0) - 2.0 * truth.harmful.mean(axis=0)


def _tried(kept: Kept, trouble: Trouble, s: Settings, judged_from: int) -> Truth:
    columns = len(s.wipes)
    week = Week(kept, trouble, s.before, columns, {})
    acts_at = trouble.onset + NOTICED_MIN if trouble.kind is not CALM else -1

    def each(week: Week) -> None:
        if week.minute == acts_at:
            _act(week, trouble.kind, s)
        if week.minute == acts_at + trouble.kind.cured_after_min and trouble.kind.cured_after_min:
            week.k.plugged = np.ones(columns)
        if week.minute % 1440 == 8 * 60:
            wet = s.wipes > 0
            week.box.lid_g = np.where(wet, 0.0, week.box.lid_g)
            week.box.granules_g = week.box.granules_g + s.waters_ml_d

    return Truth.of(run(week, each), judged_from)


def _act(week: Week, kind: Kind, s: Settings) -> None:
    """Repair what can be repaired and change to the settings for after."""
    for act in kind.cures:
        for column in range(week.columns):
            week.done(act, column)
    week.k = _picked(s.after, np.arange(week.columns))
    if kind.name in ("thermostat-stuck-on", "thermostat-sensor-fallen"):
        week.k.plugged = np.where(s.unplugs > 0, 0.0, 1.0)
    week.box.take_water(s.less_water)  # type: ignore[arg-type]


def _random_settings(kept: Kept, rng: np.random.Generator, n: int) -> Settings:
    before = _random_controls(kept, rng, n)
    after = _random_controls(kept, rng, n)
    same = rng.random(n) < 0.3
    for name in vars(after):
        setattr(after, name, np.where(same, getattr(before, name), getattr(after, name)))
    water = kept.litres**0.67 * rng.choice([0.0, 0.0, 0.5, 1.5, 4.0], n)
    return Settings(
        before, after, (rng.random(n) < 0.7).astype(float), water, rng.choice([0.0, 0.0, 0.3, 0.7], n),
        (rng.random(n) < 0.4).astype(float),
    )  # fmt: skip


def _random_controls(kept: Kept, rng: np.random.Generator, n: int) -> Controls:
    now = kept.controls
    mist = kept.litres**0.67 * rng.choice([0.0, 0.0, 0.2, 0.6, 1.5], n) if kept.has_mister else np.zeros(n)
    return Controls(
        setpoint_c=now.setpoint_c[0] + rng.uniform(-3.5, 3.5, n),
        power=np.ones(n) if kept.thermostat else rng.uniform(0.0, 1.0, n), plugged=np.ones(n),
        vents=rng.integers(0, kept.vents + 1, n) * (rng.random(n) < 0.6),
        fan_min_h=rng.choice([0.0, 0.0, 0.5, 2.0, 10.0], n) if kept.has_fan else np.zeros(n), mist_ml_d=mist,
        foam_mm=now.foam_mm[0] + rng.choice([0.0, 10.0, 20.0, 30.0], n), gap_m2=np.zeros(n),
        room_shift_k=rng.choice([0.0, 0.0, 0.0, -2.5, 2.5], n), room_shift_g_m3=np.zeros(n), covered=np.zeros(n),
    )  # fmt: skip


def _nearby(kept: Kept, rng: np.random.Generator, s: Settings) -> Settings:
    """Return settings near these; the first of each six stays as it was."""
    n = len(s.wipes)
    moves = (np.arange(n) % 6 > 0).astype(float)
    for k in (s.before, s.after):
        k.setpoint_c = k.setpoint_c + moves * rng.normal(0.0, 0.8, n)
        if not kept.thermostat:
            k.power = np.clip(k.power + moves * rng.normal(0.0, 0.12, n), 0.0, 1.0)
        k.vents = np.clip(k.vents + moves * rng.integers(-1, 2, n), 0, kept.vents)
        k.mist_ml_d = k.mist_ml_d * np.exp(moves * rng.normal(0.0, 0.5, n))
        k.fan_min_h = k.fan_min_h * np.exp(moves * rng.normal(0.0, 0.5, n))
        k.foam_mm = np.clip(k.foam_mm + moves * rng.choice([-10.0, 0.0, 0.0, 10.0], n), kept.controls.foam_mm[0], 40.0)
    s.waters_ml_d = s.waters_ml_d * np.exp(moves * rng.normal(0.0, 0.5, n))
    return s
