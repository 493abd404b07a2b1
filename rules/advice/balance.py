"""What follows from a change: the chamber's model tied to its present, and its course after many changes at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rules.advice.model import (
    BUFFER,
    COOLING,
    EVAPORATION,
    EXCHANGE,
    FAN,
    LID,
    LIFT,
    NORMAL,
    PA_PER_G_M3,
    VENT,
    Array,
    ChamberModel,
    draws_of,
    evaporation_given_rest,
    lid_factor_with_foam,
)
from rules.advice.room_day import COURSE_H, RoomDay, room_day
from rules.climate.situation import Situation
from rules.physics.lid_factor import prior_factor
from rules.physics.saturation import saturation_pressures_or_nan, saturation_temperatures
from rules.settings import Chamber
from rules.trade.bearable import BEARABLE
from rules.trade.practice import ROOM_BELOW_HEATED_K, ROOM_BELOW_K

STRUCTURE_SHARE = 0.25
"""Share of a predicted change that one mixed volume may miss, as standard uncertainty: seen against a finer simulation with
walls, films and a sorbing ground of their own. Own estimate."""
THERMOSTAT_NEAR_K = 2.0
"""A course that would end this near the set point ends at it; judgement."""
OVERSHOOTS_K = 1.5
"""So far past its set point an ordinary on/off thermostat lets the air rise; common practice, no source."""
SWING_SLACK_K = 0.3
"""No swing is quite as wide as the one before; own estimate."""
OVERSHOOT_H = 0.5
"""So long a rise past the set point goes on by what the mat has stored; common practice, no source."""
MOVES_K_H, DAY_K_H = 0.4, 1.5
"""A slope that goes on: more than a probe's noise makes, and more than a day, with its sun, moves what only follows its room;
that one is in the room's own forecast. Own estimates."""
MAT_MAY = 1.65
"""A mat lifts its box by at most so much more than size and build let expect: two of `rules.physics.mat_ends.LOSS_SPREAD`.
Own estimate."""
SELF_LIFT_K = 0.2
"""A garden with ants warms its box a little; about 0.5 W for 5 l (own estimate)."""


@dataclass(frozen=True, slots=True)
class Present:
    """The model's draws tied to what is seen now: each draw's evaporation is the one that explains the present humidity."""

    model: Array
    weight: Array
    temperature_c: Array
    vapour_pa: Array
    room_c: Array
    room_pa: Array
    factor: Array
    lid_offset_k: Array
    source_pa_h: Array
    wetted: Array
    """The evaporation that water on dry ground gives back, 1/h: what geometry says, or what is seen where that is more."""
    mist_share: Array
    """The share of what is misted now that the air can be seen to take."""
    rest_c: Array
    free_c: Array
    most_c: Array
    day: RoomDay
    heater_k: Array
    """What the heater lifts it now over its room, by the model: a mat without thermostat, as it is dimmed."""
    thermostat: bool
    volume_m3: float
    knobs: Mapping[str, float]
    below_k: float = 0.0
    above_k: float = 0.0
    """How far a thermostat's swing goes to either side of its mean, where it is the mean that is judged."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Many candidate settings of the knobs at once; every array has one entry per candidate."""

    heat_k: Array
    power: Array
    vents: Array
    fan_share: Array
    mist_ml_d: Array
    foam_mm: Array
    wetness: Array


@dataclass(frozen=True, slots=True)
class Outcome:
    """Predicted climate; shape (candidates, draws)."""

    temperature_c: Array
    humidity_pct: Array
    margin_k: Array
    coldest_c: Array
    """Of the day around it, as its room takes it up and down; of one instant the same as `temperature_c`."""
    warmest_c: Array


def e_s(temperature_c: Array) -> Array:
    """Return the saturation vapour pressure over water, Pa, held within -20 to 60 degC so that no draw leaves the formula."""
    return saturation_pressures_or_nan(np.clip(temperature_c, -20.0, 60.0))


def _known(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def present_of(model: ChamberModel, chamber: Chamber, situation: Situation, knobs: Mapping[str, float]) -> Present:
    """Return the draws tied to the present; ValueError where temperature or humidity is not known."""
    t, rh = situation.temperature_c, situation.relative_humidity_pct
    if t is None or rh is None:
        raise ValueError("a chamber's course cannot be predicted without its temperature and humidity")
    draws = draws_of(model)
    count = len(draws)
    here_c = np.full(count, t)
    vapour = min(rh, 99.5) / 100.0 * e_s(here_c)
    room_c, room_pa = _room(chamber, situation, t, float(vapour[0]), count)
    factor = _factor(situation, chamber, here_c, room_c)
    offset = NORMAL[:, 8] * 0.7 * _known(situation.u_dew_margin_k, 0.6)
    rest, free, most = _temperatures(draws, chamber, situation, here_c, room_c, knobs)
    seen = (here_c, vapour, room_c, room_pa, factor)
    draws, weight, source, wetted, share = _tied(model, draws, situation, chamber, knobs, seen)
    heater = chamber.devices.heater
    return Present(
        draws, weight, here_c, vapour, room_c, room_pa, factor, offset, source, wetted, share, rest, free, most,
        room_day(situation.room_ahead, draws),
        draws[:, LIFT] * (0.0 if heater is None else knobs.get("watts", heater.watts) / heater.watts),
        heater is not None and heater.thermostat, chamber.air_ml / 1e6, dict(knobs), *_swing(situation),
    )


def _swing(situation: Situation) -> tuple[float, float]:
    """Return how far the swing goes below and above the mean, K; nothing where the moment is judged."""
    swing = situation.temperature_swing
    if swing is None or not situation.by_mean:
        return 0.0, 0.0
    return max(swing.mean - swing.least, 0.0), max(swing.most - swing.mean, 0.0)


def _room(chamber: Chamber, situation: Situation, t: float, vapour: float, count: int) -> tuple[Array, Array]:
    """Return room temperature and vapour pressure by draw; wide where no room probe tells."""
    below = ROOM_BELOW_K if chamber.devices.heater is None else ROOM_BELOW_HEATED_K
    room = np.minimum(t - below + 2.0 * NORMAL[:, 9], t + 1.0)
    if situation.room_temperature_c is not None:
        room = np.full(count, situation.room_temperature_c)
    if situation.room_relative_humidity_pct is not None:
        return room, situation.room_relative_humidity_pct / 100.0 * e_s(room)
    share = np.clip(48.0 + 12.0 * NORMAL[:, 10], 20.0, 90.0) / 100.0
    return room, np.minimum(share * e_s(room), max(vapour, 300.0))


def _factor(situation: Situation, chamber: Chamber, here_c: Array, room_c: Array) -> Array:
    lid, given = situation.lid_temperature_c, chamber.lid.temperature_factor
    lift = here_c - room_c
    if lid is not None and situation.room_temperature_c is not None and abs(float(lift[0])) > 1.0:
        return np.clip((lid - room_c) / lift, 0.05, 0.98)
    belief = prior_factor(chamber.lid)
    middle = belief.mean if given is None else given
    return np.asarray(np.clip(middle + belief.u_factor * NORMAL[:, 8], 0.1, 0.95))


def _temperatures(
    draws: Array, chamber: Chamber, situation: Situation, here_c: Array, room_c: Array, knobs: Mapping[str, float]
) -> tuple[Array, Array, Array]:
    """Return where the temperature goes if nothing changes, the least without heat and the most with all of it."""
    slope, heater = situation.pace_k_h, chamber.devices.heater
    by_day = situation.room_ahead is not None and (heater is None or not heater.thermostat)
    least = DAY_K_H if by_day else max(MOVES_K_H, situation.usual_k_h)
    moving = slope if abs(slope) > least else _lagging(situation) if by_day else 0.0
    free = room_c + SELF_LIFT_K
    rest = np.clip(here_c + moving * 0.7 / draws[:, COOLING], free - 0.5, here_c + 12.0)
    if heater is not None and not heater.thermostat and moving < 0.0:
        lift = draws[:, LIFT] * knobs.get("watts", heater.watts) / heater.watts
        rest = np.where(rest - free > MAT_MAY * lift, free + lift, rest)  # nothing holds it above what its mat can
    if heater is None and situation.temperature_slope_k_h is not None and moving == 0.0:
        return here_c, here_c.copy(), here_c.copy()  # held by what is not known: the sun, a lamp, the room below
    if heater is None or knobs.get("heater_plugged", 1.0) == 0.0:
        return np.where(np.abs(here_c - free) < 6.0, np.where(moving == 0.0, here_c, rest), free), here_c.copy(), here_c.copy()
    most = np.maximum(free + draws[:, LIFT], rest)
    held_c = _held_c(situation, knobs)
    turns = here_c + max(moving, 0.0) * OVERSHOOT_H
    if heater.thermostat and held_c is not None and moving != 0.0:
        held = np.clip(held_c, free, most)
        rest = held if _swings(situation, knobs) else _caught(rest, turns, held, held_c)
    elif heater.thermostat and moving > 0.0:  # it switches somewhere, though nobody told where
        rest = np.minimum(rest, turns)
    return rest, free, most


def _lagging(situation: Situation) -> float:
    """Return how fast a box still comes after its room, K/h: as slowly as the slower of both, and not at all where they part.

    What its room did is not in the forecast of what that will do, nor is it the sun, which moves the box alone.
    """
    slope, room_slope = _known(situation.temperature_slope_k_h, 0.0), _known(situation.room_slope_k_h, 0.0)
    return float(np.sign(slope) * min(abs(slope), abs(room_slope))) if slope * room_slope > 0.0 else 0.0


def _held_c(situation: Situation, knobs: Mapping[str, float]) -> float | None:
    """Return about what a thermostat holds the air: what the day shows, else what its dial is set to."""
    return situation.usual_c if situation.usual_c is not None else knobs.get("setpoint")


def _swings(situation: Situation, knobs: Mapping[str, float]) -> bool:
    """Return whether this moment is a part of the thermostat's swing, so that its slope tells nothing of where it goes.

    By the peaks and troughs of its day; where those are not known, only what is warmer than its set point by no more than a
    mat overshoots: what is colder may have failed.
    """
    t, held_c = situation.temperature_c, _held_c(situation, knobs)
    if t is None or held_c is None:
        return False
    peak, trough = situation.usual_peak_c, situation.usual_trough_c
    if situation.usual_c is None or peak is None or trough is None:
        return 0.0 <= t - held_c <= OVERSHOOTS_K
    return trough - SWING_SLACK_K <= t <= peak + SWING_SLACK_K


def _caught(rest: Array, turns_c: Array, held: Array, setpoint: float) -> Array:
    """Return where a moving temperature ends with a thermostat: a rise at the set point, or, past that, where it soon turns.

    A heater that heats on has its own branch, before any forecast. A fall is not said to be caught from afar: it may have
    failed.
    """
    rest = np.where(np.abs(rest - setpoint) < THERMOSTAT_NEAR_K, held, rest)
    return np.minimum(rest, np.maximum(held, turns_c))


def _loss_rate(draws: Array, vents: Array, fan_share: Array) -> Array:
    return draws[:, EXCHANGE] + draws[:, VENT] * vents + draws[:, FAN] * fan_share


def _tied(
    model: ChamberModel, draws: Array, situation: Situation, chamber: Chamber, knobs: Mapping[str, float],
    now: tuple[Array, Array, Array, Array, Array],
) -> tuple[Array, Array, Array, Array, Array]:
    """Return draws whose evaporation explains the present balance, their weights, the source left, `wetted`, `mist_share`."""
    here_c, vapour, room_c, room_pa, factor = now
    saturation = e_s(here_c)
    heater = chamber.devices.heater
    swings = heater is not None and heater.thermostat and _swings(situation, knobs)
    slope = 0.0 if swings else float(np.clip(_known(situation.humidity_slope_pct_h, 0.0), -8.0, 8.0))
    loss = _loss_rate(draws, np.full(1, knobs.get("vents", 0.0)), np.full(1, knobs.get("fan", 0.0) / 60.0))
    centre, spread = evaporation_given_rest(model)
    dies_down = np.minimum(BEARABLE["dryness"].damping_h * (loss + np.exp(centre)), 1.0)  # however slowly it comes to rest
    change, lost = slope * (0.5 + 0.3 * NORMAL[:, 11]) / 100.0 * saturation * dies_down, loss * (vapour - room_pa)
    lid_pa = e_s(room_c + factor * (here_c - room_c))
    to_lid = draws[:, LID] * np.maximum(vapour - lid_pa, 0.0)
    given = mist_rate(knobs.get("mister", 0.0), chamber.air_ml / 1e6, draws)
    needed = change + lost + to_lid
    mist = np.minimum(given, 0.8 * np.maximum(needed, 0.0))
    tied, room_to_rise = draws.copy(), np.maximum(saturation - vapour, 0.015 * saturation)
    tied[:, EVAPORATION] = np.maximum((needed - mist) / room_to_rise, 0.02 * np.exp(centre))
    misfit = (np.log(tied[:, EVAPORATION]) - centre) / max(spread, 0.3)
    weight = np.exp(-0.5 * np.minimum(misfit**2, 60.0)) + 1e-6
    source = needed - mist - tied[:, EVAPORATION] * room_to_rise
    return tied, weight / weight.sum(), source, np.maximum(tied[:, EVAPORATION], np.exp(centre)), mist / np.maximum(given, 1e-9)


def by_night(present: Present, fall_k: float) -> Present:
    """Return the same chamber in its room of tonight, colder by `fall_k`; the room's vapour stays, up to saturation."""
    room_c = present.room_c - fall_k
    return replace(
        present, room_c=room_c, room_pa=np.minimum(present.room_pa, 0.97 * e_s(room_c)),
        free_c=np.minimum(present.free_c, room_c + SELF_LIFT_K), most_c=present.most_c - fall_k,
        day=room_day(None, present.model),
    )


def mist_rate(ml_per_day: Array | float, volume_m3: float, draws: Array) -> Array:
    """Return the rise of vapour pressure by misting, Pa/h, over the buffer."""
    return np.asarray(np.asarray(ml_per_day) / 24.0 / volume_m3 * PA_PER_G_M3 / draws[:, BUFFER])


def _rest_temperature(present: Present, setting: Setting, room_k: Array) -> Array:
    """Return the temperature that each candidate settles at, by draw, in a room that much warmer than now.

    What follows its room goes with it; a thermostat holds the air as long as it is neither at its limit nor warmed by its room.
    """
    base, free, most = present.rest_c, present.free_c, present.most_c
    if present.thermostat:
        least = np.minimum(free, base) + room_k
        return np.clip(base + setting.heat_k[:, None], least, np.maximum(np.maximum(most + room_k, base), least))
    lead = base - present.room_c
    of_mat = np.where(lead > MAT_MAY * present.heater_k, present.heater_k, lead)  # what is more is a room's that fell faster
    lift = lead + of_mat * (setting.power[:, None] - 1.0)
    foam_now = present.knobs.get("foam", 0.0)
    kept = 1.0 + 0.12 * (np.minimum(setting.foam_mm, 20.0) - min(foam_now, 20.0))[:, None] / 20.0
    volume_factor = 0.0035 * present.model[:, BUFFER]
    now = _loss_rate(present.model, np.full(1, present.knobs.get("vents", 0.0)), np.full(1, present.knobs.get("fan",
        0.0) / 60.0))
    then = _rates(present, setting)
    warmer = present.room_c + lift * kept * (1.0 + volume_factor * now) / (1.0 + volume_factor * then)
    # A room that has become hotter than its box hides what the mat adds: less of it is still less heat.
    return np.where(base > present.room_c, warmer, base + present.heater_k * (setting.power[:, None] - 1.0)) + room_k


def _rates(present: Present, setting: Setting) -> Array:
    m = present.model
    return np.asarray(m[:, EXCHANGE] + m[:, VENT] * setting.vents[:, None] + m[:, FAN] * setting.fan_share[:, None])


@dataclass(frozen=True, slots=True)
class _Terms:
    loss: Array
    gain: Array
    lid: Array
    mist: Array
    factor: Array


def _terms(present: Present, setting: Setting) -> _Terms:
    m, now_ml_d = present.model, present.knobs.get("mister", 0.0)
    now, mist = (mist_rate(ml_d, present.volume_m3, m) for ml_d in (now_ml_d, setting.mist_ml_d[:, None]))
    taken = np.maximum(mist - now * (1.0 - present.mist_share), mist * present.mist_share)  # of more all, of less its share
    return _Terms(
        loss=_rates(present, setting),
        gain=np.where(
            setting.wetness[:, None] > 1.0, m[:, EVAPORATION] + present.wetted * (setting.wetness[:, None] - 1.0),
            m[:, EVAPORATION] * setting.wetness[:, None],
        ),
        lid=np.broadcast_to(m[:, LID], (len(setting.vents), len(m))),
        mist=taken + present.source_pa_h,
        factor=lid_factor_with_foam(present.factor[None, :], present.knobs.get("foam", 0.0), setting.foam_mm[:, None]),
    )


def _aims(present: Present, terms: _Terms, saturation: Array, lid_pa: Array) -> tuple[Array, Array]:
    """Return the vapour pressure aimed at under a dry lid and a wet one, by the saturation pressures of air and lid."""
    feed = terms.loss * present.room_pa + terms.gain * saturation + terms.mist
    rate = terms.loss + terms.gain
    return feed / rate, (feed + terms.lid * lid_pa) / (rate + terms.lid)


def _outcome(present: Present, temperature: Array, saturation: Array, vapour: Array, lid_c: Array) -> Outcome:
    humidity = np.clip(100.0 * vapour / saturation, 1.0, 100.0)
    margin = lid_c + present.lid_offset_k - saturation_temperatures(np.maximum(vapour, 50.0))
    return moment(np.broadcast_to(temperature, humidity.shape), humidity, margin)


def moment(temperature_c: Array, humidity_pct: Array, margin_k: Array) -> Outcome:
    """Return the climate of one instant."""
    return Outcome(temperature_c, humidity_pct, margin_k, temperature_c, temperature_c)


def at_rest(present: Present, setting: Setting) -> Outcome:
    """Return where each candidate has come after a day, and how cold and warm it gets in that day."""
    day = present.day
    temperature, coldest, warmest = (
        _rest_temperature(present, setting, room_k) for room_k in (day.course_k[-1], day.lowest_k, day.highest_k)
    )
    terms, room_c = _terms(present, setting), present.room_c + day.course_k[-1]
    lid_c = room_c + terms.factor * (temperature - room_c)
    saturation, lid_pa = e_s(temperature), e_s(lid_c)
    dry, wet = _aims(present, terms, saturation, lid_pa)
    vapour = np.clip(np.where(dry > lid_pa, wet, dry), 50.0, 0.995 * saturation)
    return replace(_outcome(present, temperature, saturation, vapour, lid_c), coldest_c=coldest, warmest_c=warmest)


def course(present: Present, setting: Setting) -> list[Outcome]:
    """Return the climate at each instant of `COURSE_H`, for a few candidates: exact steps of the linear balance.

    The temperatures of all instants are known beforehand, so what depends on them alone is worked out at one go.
    """
    room_k = present.day.course_k
    terms, rest, room_c = _terms(present, setting), _rest_temperature(present, setting, room_k), present.room_c + room_k
    steps_h = np.diff(COURSE_H)
    kept = np.exp(-present.model[:, COOLING] * steps_h[:, None])
    temperature = np.empty_like(rest)
    temperature[0] = present.temperature_c
    for index, aim_c in enumerate((rest[:-1] + rest[1:]) / 2.0):
        temperature[index + 1] = aim_c + (temperature[index] - aim_c) * kept[index]
    middle, room_middle = (temperature[:-1] + temperature[1:]) / 2.0, (room_c[:-1] + room_c[1:]) / 2.0
    saturation, saturation_middle = e_s(temperature), e_s(middle)
    lid_pa = e_s(room_middle + terms.factor * (middle - room_middle))
    aims = [np.clip(aim, 50.0, 0.995 * saturation_middle) for aim in _aims(present, terms, saturation_middle, lid_pa)]
    rate, most = terms.loss + terms.gain, 0.995 * saturation
    shares = [np.exp(-one * steps_h[:, None, None]) for one in (rate, rate + terms.lid)]
    vapour = np.empty_like(temperature)
    vapour[0] = present.vapour_pa
    for index in range(len(steps_h)):
        wets = vapour[index] > lid_pa[index]
        aim, share = (np.where(wets, wet[index], dry[index]) for dry, wet in (aims, shares))
        vapour[index + 1] = np.minimum(aim + (vapour[index] - aim) * share, most[index + 1])
    lid_c = room_c + terms.factor * (temperature - room_c)
    whole = _outcome(present, temperature, saturation, vapour, lid_c)
    return [moment(*figures) for figures in zip(whole.temperature_c, whole.humidity_pct, whole.margin_k, strict=True)]
