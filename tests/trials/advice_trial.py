"""The advice on trial: random chambers in twenty kinds of trouble, advised by the program and by one rule per symptom.

`python tests/trials/advice_trial.py [--chambers 200] [--seed 1]` prints the table. A case is a chamber in a situation whose
measured figures raise an alarm after the situation has settled. Advisers see only what probes say; the keeper does what is
said, within a tenth of the amount. A case is feasible if any of many settings of its devices brings the truth into the band.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import Any

import numpy as np
from advice_scenes import standing as standing_alarm
from chamber_truth import (
    STEP_S,
    Array,
    Box,
    Knobs,
    Room,
    State,
    magnus_dew_c,
    magnus_pa,
    random_box,
    room_now,
    started,
    step,
    taken,
)

from rules.advice.advisory import AdviceState, consider
from rules.advice.done import Begun
from rules.advice.done import done as book
from rules.advice.standing import Standing
from rules.climate.situation import Situation
from rules.keeper.devices import changed, lid_now
from rules.keeper.state import KeeperState
from rules.physics.lid_factor import FactorBelief, learn_from_measurement, prior_factor
from rules.settings import Chamber, Devices, Fan, Heater, Mister, Settings, Site, Telling, Vents
from rules.settings import Room as RoomSettings
from rules.terms.events import HOUR_MS

SETTLE_H = 20
ROUND_H = 4
ROUNDS = 24
LOOK_H = 0.25
"""Who has unplugged a heater is told to look again so soon."""
JUDGED_H = 24
START_MS = 1_770_000_000_000
BAND = {"t": (24.0, 28.0), "rh": (70.0, 90.0)}
SENSOR = {"t": 0.3, "rh": 2.0, "margin": 0.3}
"""Stated limits of error of the probes: the truth counts as in band within them."""
HARMFUL = {"hot": 30.0, "cold": 20.0, "dry": 60.0}

# name, room degC, room %RH, set point, vents, fan min/h, mist share, wetness factor, foam
SITUATIONS: tuple[tuple[str, float, float, float, int, float, float, float, float], ...] = (
    ("winter air, all vents open", 20.0, 30.0, 26.0, 3, 0.0, 0.0, 1.0, 0.0),
    ("winter air and a fan", 20.0, 32.0, 26.0, 1, 5.0, 0.0, 1.0, 0.0),
    ("dry ground", 21.0, 40.0, 26.0, 1, 0.0, 0.0, 0.3, 0.0),
    ("set point too high, dry", 21.0, 40.0, 29.5, 1, 0.0, 0.0, 0.6, 0.0),
    ("set point too high", 22.0, 50.0, 29.0, 0, 0.0, 0.0, 1.0, 0.0),
    ("set point too high, wet", 22.0, 50.0, 29.0, 0, 0.0, 1.0, 2.5, 0.0),
    ("set point too low", 20.0, 45.0, 22.5, 1, 0.0, 0.0, 1.0, 0.0),
    ("set point too low, wet", 18.0, 55.0, 22.5, 0, 0.0, 0.5, 2.0, 0.0),
    ("set point too low, dry", 19.0, 35.0, 22.5, 2, 0.0, 0.0, 0.6, 0.0),
    ("cold room, bare lid", 16.0, 45.0, 26.0, 0, 0.0, 0.0, 1.5, 0.0),
    ("cool room, wet box", 19.0, 50.0, 26.0, 0, 0.0, 0.5, 2.5, 0.0),
    ("over-misted", 22.0, 50.0, 26.0, 1, 0.0, 4.0, 1.5, 0.0),
    ("humid summer room", 25.0, 78.0, 26.0, 1, 0.0, 0.5, 2.0, 0.0),
    ("humid summer, fan on", 25.0, 80.0, 26.0, 1, 10.0, 0.0, 1.5, 0.0),
    ("warm room, heater needless", 26.0, 50.0, 29.5, 1, 0.0, 0.0, 1.0, 0.0),
    ("warm dry room", 24.0, 30.0, 27.0, 2, 2.0, 0.0, 0.7, 0.0),
    ("foam, wet, no opening", 20.0, 50.0, 26.0, 0, 0.0, 1.0, 3.0, 20.0),
    ("mild night", 21.0, 45.0, 25.5, 1, 0.0, 0.2, 1.3, 0.0),
    ("hot and dry by the fan", 23.0, 35.0, 29.5, 1, 8.0, 0.0, 1.0, 0.0),
    ("cool and parched", 19.0, 30.0, 23.0, 3, 5.0, 0.0, 0.8, 0.0),
)


@dataclass
class Cases:
    """Every chamber in every situation, as columns."""

    box: Box
    knobs: Knobs
    room: Room
    state: State
    chambers: list[Chamber]
    situation: Array
    belief: list[FactorBelief]
    most_power: Array
    """The share of its power that the heater can give: a mat without a thermostat runs all the time at what it has."""


@dataclass
class Seen:
    """Averages of the truth over a stretch and its extremes."""

    air_c: Array
    humidity_pct: Array
    margin_k: Array
    lid_c: Array
    hottest_c: Array
    coldest_c: Array
    driest_pct: Array


@dataclass
class Result:
    """How one adviser did, case by case."""

    in_band: Array
    harmed: Array
    actions: Array
    last: Seen
    steps_h: list[Seen] = field(default_factory=list)


def made(chambers: int, seed: int) -> Cases:
    """Return the settled cases."""
    rng = np.random.default_rng(seed)
    one = random_box(rng, chambers)
    rows = np.repeat(np.arange(chambers), len(SITUATIONS))
    kind = np.tile(np.arange(len(SITUATIONS)), chambers)
    box = taken(one, rows)
    table = np.array([row[1:] for row in SITUATIONS])[kind]
    count = len(rows)
    litres = box.volume_m3 * 1000.0
    room = Room(table[:, 0] + rng.normal(0, 0.4, count), np.clip(table[:, 1] + rng.normal(0, 3, count), 15, 90),
        rng.uniform(0, 0.8, count))
    power = np.where(box.thermostat, 1.0, np.clip((table[:, 2] - table[:, 0]) / 17.0, 0.02, 1.0))
    knobs = Knobs(table[:, 2].copy(), power, np.ones(count), table[:, 3].copy(), table[:, 4].copy(), table[:,
        5] * litres / 8.0, table[:, 7].copy())
    box.wet_m2 = box.wet_m2 * table[:, 6]
    state = started(box, room)
    seen = moved(box, knobs, room, state, SETTLE_H)
    told = [told_chamber(box, knobs, i, rng) for i in range(count)]
    belief = []
    for i, chamber in enumerate(told):
        first = prior_factor(chamber.lid)
        room_c, _ = room_now(room, state.hour % 24.0)
        if rows[i] % 5 < 2:  # the keeper once measured the lid by hand
            first = learn_from_measurement(first, seen.lid_c[i] + rng.normal(0, 0.3), room_c[i], seen.air_c[i], 0.4)
        belief.append(first)
    return Cases(box, knobs, room, state, told, kind, belief, power.copy())


def told_chamber(box: Box, knobs: Knobs, i: int, rng: np.random.Generator) -> Chamber:
    """Return the chamber as its keeper would write it down."""
    thermostat = bool(box.thermostat[i])
    rated = float(round(box.heater_w[i], 1))
    heater = Heater(
        watts=max(0.5, rated if thermostat else float(round(rated * knobs.power[i], 1))), thermostat=thermostat,
        setpoint_c=float(knobs.setpoint_c[i]) if thermostat and rng.random() < 0.8 else None,
    )
    devices = Devices(
        heater=heater, fan=Fan(minutes_per_hour=float(knobs.fan_min_h[i])), vents=Vents(count=3, open=int(knobs.vents[i])),
        mister=Mister(ml_per_day=float(round(knobs.mist_ml_d[i], 2)), max_ml_per_day=60.0), can_insulate_lid=True,
        wet_granules=True,
    )
    lid = {"build": "insulated", "insulation_mm": float(knobs.foam_mm[i])} if knobs.foam_mm[i] else {}
    return Chamber(air_ml=float(box.volume_m3[i] * 1e6), devices=devices, lid=lid, room="study", garden={"volume_ml": 500.0})


def moved(
    box: Box, knobs: Knobs, room: Room, state: State, hours: float, look: Callable[[Seen, Seen], None] | None = None
) -> Seen:
    """Move the truth on and return what was there, averaged over the last hour, and its extremes (ten-minute means).

    `look` is called each quarter of an hour with what is there now and was there at the last one.
    """
    steps = round(hours * 3600 / STEP_S)
    hot, cold, dry = -np.inf, np.inf, np.inf
    sums: list[Any] = [0.0] * 4
    mean_c, mean_pct = state.air_c.copy(), state.humidity_pct.copy()
    last = min(steps, round((hours if hours <= ROUND_H or hours == JUDGED_H else 1) * 3600 / STEP_S))
    was = _now(state)
    for index in range(steps):
        step(box, knobs, room, state)
        if look is not None and (index + 1) % round(LOOK_H * 3600 / STEP_S) == 0 and index + 1 < steps:
            now = _now(state)
            look(now, was)
            was = now
        humidity = state.humidity_pct
        mean_c, mean_pct = mean_c + (state.air_c - mean_c) / 15.0, mean_pct + (humidity - mean_pct) / 15.0
        hot, cold, dry = np.maximum(hot, mean_c), np.minimum(cold, mean_c), np.minimum(dry, mean_pct)
        if index >= steps - last:
            for place, value in enumerate((state.air_c, humidity, state.margin_k, state.lid_c)):
                sums[place] = sums[place] + value / last
    return Seen(sums[0], sums[1], sums[2], sums[3], hot, cold, dry)


def _now(state: State) -> Seen:
    air_c, humidity = state.air_c.copy(), state.humidity_pct.copy()
    return Seen(air_c, humidity, state.margin_k.copy(), state.lid_c.copy(), air_c, air_c, humidity)


def measured(cases: Cases, lids: list[Any], seen: Seen, before: Seen | None, hour: float,
    rng: np.random.Generator) -> list[Situation]:
    """Return what the program would know of every case now; `before`: what was there at the last look, for the slope."""
    box, count = cases.box, len(cases.chambers)
    room_c, room_pa = room_now(cases.room, hour % 24.0)
    t = seen.air_c + box.probe_offset_k + rng.normal(0, 0.05, count)
    rh = np.clip(seen.humidity_pct + box.probe_offset_pct + rng.normal(0, 0.4, count), 5, 99.9)
    room_t, room_h = room_c + rng.normal(0, 0.15, count), 100.0 * room_pa / magnus_pa(room_c) + rng.normal(0, 1.0, count)
    factor = np.array([belief.mean for belief in lids])
    u_factor = np.array([belief.u_factor for belief in lids])
    estimate = room_t + factor * (t - room_t)
    lid = np.where(box.lid_probe, seen.lid_c + rng.normal(0, 0.15, count), estimate)
    dew = magnus_dew_c(rh / 100.0 * magnus_pa(t))
    u_margin = np.where(box.lid_probe, 0.34, np.sqrt((u_factor * (t - room_t)) ** 2 + 0.27**2))
    slope = 0.0 * t if before is None else (seen.air_c - before.air_c) / LOOK_H
    return [_situation(cases, i, (t, rh, lid, dew, u_margin, room_t, room_h, slope), hour) for i in range(count)]


def _situation(cases: Cases, i: int, figures: tuple[Array, ...], hour: float) -> Situation:
    t, rh, lid, dew, u_margin, room_t, room_h, slope = (float(column[i]) for column in figures)
    has_room, has_lid = bool(cases.box.room_probe[i]), bool(cases.box.room_probe[i] or cases.box.lid_probe[i])
    margin = lid - dew
    wet = 0.5 * (1.0 - float(np.tanh(0.8 * margin / u_margin)))
    return Situation(
        at_ms=START_MS + round(hour * HOUR_MS), chamber="north", temperature_c=t, relative_humidity_pct=rh, dew_point_c=dew,
        absolute_humidity_g_m3=None, vapour_pressure_deficit_pa=None, lid_temperature_c=lid if has_lid else None,
        lid_source=("measured" if cases.box.lid_probe[i] else "estimated") if has_lid else None,
        dew_margin_k=margin if has_lid else None, probability_wet=wet if has_lid else None, condensate_g_m2=0.0,
        room_temperature_c=room_t if has_room else None, room_relative_humidity_pct=room_h if has_room else None,
        room_dew_point_c=float(magnus_dew_c(np.array(room_h / 100.0 * magnus_pa(np.array(room_t))))) if has_room else None,
        u_temperature_k=0.17, u_relative_humidity_pct=1.2, u_dew_point_k=0.3, u_dew_margin_k=u_margin if has_lid else None,
        temperature_slope_k_h=slope, humidity_slope_pct_h=0.0, room_slope_k_h=0.0, garden_ml=500.0,
    )


def standing_of(now: Situation, before: dict[str, Standing]) -> dict[str, Standing]:
    """Return the alarms by band, deadband and how sure it is."""
    t, rh = now.temperature_c or 0.0, now.relative_humidity_pct or 0.0

    def beyond(name: str, miss: float, back: float) -> bool:
        return miss > (-back if name in before else 0.0)

    found = {
        "temperature-high": beyond("temperature-high", t - 28.0, 0.5), "temperature-low": beyond("temperature-low",
            24.0 - t, 0.5),
        "humidity-low": beyond("humidity-low", 70.0 - rh, 3.0), "humidity-high": beyond("humidity-high", rh - 90.0, 3.0),
        "lid-dew": now.dew_margin_k is not None
        and beyond("lid-dew", 0.5 - now.dew_margin_k - 1.28 * (now.u_dew_margin_k or 0.0), 0.5),
    }
    return {name: standing_alarm(name) for name, stands in found.items() if stands}


# ---------------------------------------------------------------- the program's adviser


class Program:
    """The advice of `rules.advice.advisory`, done as told, within a tenth."""

    def __init__(self, cases: Cases) -> None:
        self.states = [AdviceState() for _ in cases.chambers]
        self.told = [KeeperState(devices={"north": []}) for _ in cases.chambers]
        self.watches = [
            Settings(site=Site(), zone=UTC, rooms={"study": RoomSettings()}, chambers={"north": chamber}, probes={},
                telling=Telling())
            for chamber in cases.chambers
        ]

    def lids(self, cases: Cases) -> list[FactorBelief]:
        """Return the belief in each lid's factor: after foam was told, the factor of the foamed lid."""
        out = []
        for i, belief in enumerate(cases.belief):
            lid = lid_now(self.told[i], "north", cases.chambers[i])
            if lid == cases.chambers[i].lid:
                out.append(belief)
                continue
            shift = prior_factor(lid).mean / prior_factor(cases.chambers[i].lid).mean
            out.append(FactorBelief(belief.weights, min(belief.mean * shift, 0.95), belief.standard_deviation * shift))
        return out

    def __call__(
        self, cases: Cases, now: list[Situation], standing: list[dict[str, Standing]], rng: np.random.Generator,
        among: Array | None = None,
    ) -> Array:
        done = np.zeros(len(now))
        for i, situation in enumerate(now):
            if among is not None and not among[i]:
                continue
            now_set = replace(situation, changes=tuple(self.told[i].devices["north"]))
            state, events = consider(self.watches[i], "north", self.states[i], now_set, standing[i], "trial")
            last = events[-1] if events else None
            if last is not None and last.status in ("given", "updated") and state.open is not None:
                share = float(rng.uniform(0.9, 1.1)) if state.open.moves else 1.0
                acts = [f"{a.device}:{a.change}" for a in last.actions]
                _do(cases, i, [(m.knob, m.delta * (share if k == 0 else 1.0), m.unit) for k,
                    m in enumerate(state.open.moves)], acts)
                amount = None if not state.open.moves else state.open.moves[0].amount * share
                state, changes = book(state, state.open, amount, Begun(situation.at_ms))
                self.told[i] = changed(self.told[i], "north", changes)
                done[i] = len(last.actions)
            self.states[i] = state
        return done


def _do(cases: Cases, i: int, moves: list[tuple[str, float, str]], acts: list[str]) -> None:
    k = cases.knobs
    for knob, delta, unit in moves:
        if knob == "heater" and unit == "W":
            k.power[i] = np.clip(k.power[i] + delta / cases.box.heater_w[i], 0.0, cases.most_power[i])
        elif knob == "heater":
            k.setpoint_c[i] += delta
        elif knob == "vents":
            k.vents[i] = np.clip(round(k.vents[i] + delta), 0, 3)
        elif knob == "fan":
            k.fan_min_h[i] = np.clip(k.fan_min_h[i] + delta, 0.0, 60.0)
        elif knob == "mister":
            k.mist_ml_d[i] = max(0.0, k.mist_ml_d[i] + delta)
        elif knob == "foam":
            k.foam_mm[i] += delta
        elif knob == "water" and delta < 0:
            cases.box.wet_m2[i] *= 0.7
        elif knob == "water":
            ml = 10.0 * (cases.box.volume_m3[i] / 0.01) ** (2.0 / 3.0) * (1.0 if delta < 0.6 else 2.0)
            cases.state.granules_m2[i] += ml * cases.box.granule_m2_ml[i]
    if "lid:wipe" in acts:
        cases.state.lid_film_g[i] = 0.0
    if "heater:stop" in acts:
        k.plugged[i] = 0.0
    elif acts == ["heater:more"]:
        k.plugged[i] = 1.0


# ---------------------------------------------------------------- one rule per symptom


class Naive:
    """Too warm: colder. Too cold: warmer. Too dry: mist more. Too humid: air it. Lid wet: heat it dry. All at once."""

    def __init__(self, cases: Cases) -> None:
        self.cases = cases

    def lids(self, cases: Cases) -> list[FactorBelief]:
        """Return the same beliefs as at first: it lays no foam."""
        return cases.belief

    def __call__(
        self, cases: Cases, now: list[Situation], standing: list[dict[str, Standing]], rng: np.random.Generator
    ) -> Array:
        done = np.zeros(len(now))
        for i, names in enumerate(standing):
            litres = cases.box.volume_m3[i] * 1000.0
            moves: list[tuple[str, float, str]] = []
            unit, one = ("K", 1.0) if cases.box.thermostat[i] else ("W", 0.06 * cases.box.heater_w[i])
            if "temperature-high" in names:
                moves.append(("heater", -one, unit))
            if "temperature-low" in names or ("lid-dew" in names and "temperature-high" not in names):
                moves.append(("heater", one, unit))
            if "humidity-low" in names:
                moves.append(("mister", litres / 8.0, "ml/d"))
            if "humidity-high" in names:
                moves += [("fan", 2.0, "min/h"), ("vents", 1.0, "openings")]
            _do(cases, i, moves, [])
            done[i] = len(moves)
        return done


# ---------------------------------------------------------------- judging


def copied(cases: Cases) -> Cases:
    """Return the cases with their own truth, so that each adviser starts from the same."""
    rows = np.arange(len(cases.chambers))
    return Cases(
        taken(cases.box, rows), taken(cases.knobs, rows), cases.room, taken(cases.state, rows), cases.chambers, cases.situation,
        cases.belief, cases.most_power,
    )


def tried(cases: Cases, make: Callable[[Cases], Any], seed: int) -> Result:
    """Return how an adviser does over the rounds, and the truth of the last day."""
    cases, rng = copied(cases), np.random.default_rng(seed)
    adviser = make(cases)
    seen = moved(cases.box, cases.knobs, cases.room, cases.state, ROUND_H)
    standing: list[dict[str, Standing]] = [{} for _ in cases.chambers]
    actions, harmed = np.zeros(len(standing)), np.zeros(len(standing), bool)
    looks = np.random.default_rng(seed + 1)

    def look(now: Seen, was: Seen) -> None:
        """Ask again for those whose heater is out: they are told to stay, not to come back in four hours."""
        out = cases.knobs.plugged == 0.0
        if out.any():
            found = measured(cases, adviser.lids(cases), now, was, cases.state.hour, looks)
            alarms = [standing_of(one, before) for one, before in zip(found, standing, strict=True)]
            actions[out] += adviser(cases, found, alarms, looks, out)[out]

    for _ in range(ROUNDS):
        now = measured(cases, adviser.lids(cases), seen, None, cases.state.hour, rng)
        standing = [standing_of(one, was) for one, was in zip(now, standing, strict=True)]
        actions += adviser(cases, now, standing, rng)
        after = moved(cases.box, cases.knobs, cases.room, cases.state, ROUND_H, look)
        harmed |= _harmed(seen, after)
        seen = after
    last = moved(cases.box, cases.knobs, cases.room, cases.state, JUDGED_H)
    return Result(in_band(last), harmed, actions, last)


def in_band(seen: Seen, slack: float = 1.0, humid_is_right: bool = True) -> Array:
    """Return which cases lie in all three bands, within the probes' limits of error times `slack`.

    `humid_is_right`: air above its band under a lid that is dry by 0.5 K is right, not a fault (practice, cell 11: gardens are
    moved to 98 %RH where it is offered; Roces & Kleineidam 2000).
    """
    t_low, t_high = BAND["t"][0] - slack * SENSOR["t"], BAND["t"][1] + slack * SENSOR["t"]
    rh_low, rh_high = BAND["rh"][0] - slack * SENSOR["rh"], BAND["rh"][1] + slack * SENSOR["rh"]
    t, rh = seen.air_c, seen.humidity_pct
    return np.asarray(
        (t >= t_low) & (t <= t_high) & (rh >= rh_low) & ((rh <= rh_high) | (humid_is_right & (seen.margin_k >= 0.5)))
        & (seen.margin_k >= -slack * SENSOR["margin"])
    )


def _harmed(before: Seen, after: Seen) -> Array:
    """Return where a quantity was driven past its harmful limit, further than it was before (0.5 K, 2 points of grace)."""
    hot = (after.hottest_c > HARMFUL["hot"] + 0.5) & (after.hottest_c > before.hottest_c + 0.5)
    cold = (after.coldest_c < HARMFUL["cold"] - 0.5) & (after.coldest_c < before.coldest_c - 0.5)
    dry = (after.driest_pct < HARMFUL["dry"] - 2.0) & (after.driest_pct < before.driest_pct - 2.0)
    return np.asarray(hot | cold | dry)


def needs_advice(cases: Cases, seed: int) -> Array:
    """Return which cases raise an alarm at all."""
    cases, rng = copied(cases), np.random.default_rng(seed)
    seen = moved(cases.box, cases.knobs, cases.room, cases.state, 1)
    return np.array([bool(standing_of(one, {})) for one in measured(cases, cases.belief, seen, None, cases.state.hour, rng)])


def feasible(cases: Cases, tries: int, seed: int, hours: int = 16) -> Array:
    """Return which cases any of `tries` random settings of the devices brings into the strict band."""
    rng, count = np.random.default_rng(seed), len(cases.chambers)
    found, rows = np.zeros(count, bool), np.arange(count)
    for _ in range(tries):
        open_rows = rows[~found]
        if not len(open_rows):
            break
        box, state, room = taken(cases.box, open_rows), taken(cases.state, open_rows), taken(cases.room, open_rows)
        knobs, n = taken(cases.knobs, open_rows), len(open_rows)
        knobs.setpoint_c = 25.5 - rng.uniform(-1.5, 1.5, n) + rng.uniform(-1.0, 0.5, n)
        knobs.power = np.where(box.thermostat, 1.0, cases.most_power[open_rows] * rng.uniform(0.0, 1.0, n))
        knobs.plugged = np.ones(n)
        knobs.vents, knobs.foam_mm = rng.integers(0, 4, n).astype(float), rng.choice([0.0, 10.0, 30.0], n)
        knobs.fan_min_h = rng.choice([0.0, 0.0, 1.0, 3.0, 10.0], n)
        knobs.mist_ml_d = rng.choice([0.0, 0.0, 1.0, 3.0], n) * box.volume_m3 * 125.0
        ml = 10.0 * (box.volume_m3 / 0.01) ** (2.0 / 3.0)
        state.granules_m2 = rng.choice([0.0, 0.0, 1.0, 2.0, 4.0], n) * ml * box.granule_m2_ml
        box.wet_m2 = box.wet_m2 * rng.choice([1.0, 1.0, 0.7, 0.5], n)
        state.lid_film_g, state.wall_film_g = 0.0 * state.lid_film_g, 0.3 * state.wall_film_g
        moved(box, knobs, room, state, hours)
        found[open_rows] = in_band(moved(box, knobs, room, state, ROUND_H), 0.0)
    return found


@dataclass
class Report:
    """The results of a trial, case by case, and who counts."""

    cases: Cases
    wanted: Array
    feasible: Array
    program: Result
    naive: Result
    idle: Result

    @property
    def sighted(self) -> Array:
        """Return the feasible cases with a room probe: without one neither lid nor venting can be judged."""
        return np.asarray(self.feasible & self.cases.box.room_probe)

    def share(self, result: Result, among: Array, strict: bool = False) -> float:
        """Return which share of these cases ends in band; `strict`: humid air under a dry lid counts as out."""
        return float(in_band(result.last, humid_is_right=not strict)[among].mean())

    def lines(self) -> list[str]:
        """Return the table, one line for each situation, and the sums."""
        out = ["situation                      cases feasib  ours%  naive%   idle%  ours!  naive!   acts naive acts"]
        for kind, row in enumerate(SITUATIONS):
            here, every = self.sighted & (self.cases.situation == kind), self.wanted & (self.cases.situation == kind)
            if here.any():
                shares = "".join(f" {100 * self.share(one, here):7.1f}" for one in (self.program, self.naive, self.idle))
                harm = f" {self.program.harmed[every].sum():6d} {self.naive.harmed[every].sum():6d}"
                acts = f" {self.program.actions[here].mean():6.1f} {self.naive.actions[here].mean():6.1f}"
                out.append(f"{row[0]:30s} {every.sum():5d} {here.sum():6d}{shares}{harm}{acts}")
        return [*out, *self._sums()]

    def _sums(self) -> list[str]:
        blind = self.feasible & ~self.cases.box.room_probe
        counts = [int(rows.sum()) for rows in (self.wanted, self.feasible, self.sighted)]
        out = [f"all: {counts[0]} cases with an alarm, {counts[1]} feasible, {counts[2]} with a room probe"]
        for name, among, strict in (
            ("in band, room probe", self.sighted, False), ("strictly (RH at most 90 % even under a dry lid)", self.sighted,
                True),
            ("in band, no room probe", blind, False),
        ):
            figures = [100 * self.share(one, among, strict) for one in (self.program, self.naive, self.idle)]
            out.append(f"{name}: advice {figures[0]:.1f} %, naive {figures[1]:.1f} %, nothing done {figures[2]:.1f} %")
        harmed = [int(one.harmed[self.wanted].sum()) for one in (self.program, self.naive)]
        return [*out, f"driven past a harmful limit: advice {harmed[0]}, naive {harmed[1]}"]


def trial(chambers: int, seed: int, tries: int = 40) -> Report:
    """Return the figures of a whole trial."""
    cases = made(chambers, seed)
    wanted = needs_advice(cases, seed + 1)
    ours, naive, idle = (tried(cases, make, seed + 2) for make in (Program, Naive, Idle))
    for result in (ours, naive):
        result.harmed &= ~idle.harmed  # what would have come anyway is not the advice's doing
    can = (feasible(cases, tries, seed + 3) | ours.in_band | naive.in_band) & wanted
    return Report(cases, wanted, can, ours, naive, idle)


class Idle(Naive):
    """Does nothing: what the mere passing of time brings."""

    def __call__(
        self, cases: Cases, now: list[Situation], standing: list[dict[str, Standing]], rng: np.random.Generator
    ) -> Array:
        return np.zeros(len(now))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(*trial(options.chambers, options.seed).lines(), sep="\n")


if __name__ == "__main__":
    main()
