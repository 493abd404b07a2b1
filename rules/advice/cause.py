"""Cause and authority before any advice: is only the temperature wrong, can venting dry at all, who is at its limit.

Everything here is arithmetic on one `Situation` and the chamber's settings; `rules.trade.practice` holds what follows from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from rules.advice.coupled import case_of
from rules.advice.goal import Goal, garden_ml, goal_of
from rules.advice.standing import Standing, dryness_harms, stands
from rules.advice.weak_mat import WeakMat
from rules.climate.situation import LEAPS_K_H, Situation
from rules.climate.thermostat import (
    BELOW_K,
    CYCLES_K,
    FALLS_K_H,
    FAULT_K,
    RISES_K_H,
    ROOM_LIFT_K,
    SLOW_BOX_H,
    SURE_LIFT_K,
    State,
    in_its_swing,
    state_of,
)
from rules.keeper.devices import foam_since_ms, heater_since_ms
from rules.physics.condensate import SETTLED_G_M2
from rules.physics.vapour import saturation_vapour_pressure_pa
from rules.settings import Chamber
from rules.terms.events import HOUR_MS
from rules.trade import practice
from rules.trade.airy_chambers import AIRY_CELLS
from rules.trade.garden_sizes import founds_shut, size_class
from rules.trade.practice import Band, Cell

FELL_K = 1.5
"""A dew point that has fallen so far by itself, seven points of humidity, is looked into at the lid first. Own estimate."""
COOLER_K, STILL_COOLER_K = 1.0, 0.3
"""So much cooler a room must be to be of use, and to be so still: else the advice would turn with the noise. Own estimates."""
LEAST_FALL_K_H = 0.15
"""From hour to hour a probe's noise moves the mean by less. Own estimate."""
STORES_MS = HOUR_MS
"""So long after it was unplugged a mat and what it has warmed may hold the box's temperature. Own estimate."""


@dataclass(frozen=True, kw_only=True)
class Cause:
    """The reasoned present of one chamber: derived figures, the cell of the table, the facts and the coupled case."""

    goal: Goal
    temperature: Band
    humidity: Band
    lid_wet: bool
    lid_known: bool
    cell: Cell
    humidity_at_target_pct: float | None
    """RH*: the humidity that the same vapour would give at the target temperature."""
    humidity_floor_pct: float | None
    """RH_floor: the humidity that the room's air would give in the chamber."""
    facts: frozenset[str] = field(default_factory=frozenset)
    case: str | None = None
    thermostat: State | None = None
    """What the heater's thermostat does; None: there is no heater."""
    setpoint_c: float | None = None
    temperature_c: float | None = None
    weak: WeakMat | None = None
    """What its mat gives and what it takes, where that is too weak for its room."""

    @cached_property
    def never(self) -> tuple[practice.Never, ...]:
        """What the cell warns of, as far as the facts bear it out."""
        return self.borne_out(self.cell.never)

    def borne_out(self, rows: Iterable[practice.Never]) -> tuple[practice.Never, ...]:
        """Return the warnings whose facts hold."""
        return tuple(row for row in rows if self.facts.issuperset(row.when))

    @property
    def thirsty(self) -> bool:
        """Whether water leads: it is dry under a dry lid, and would be so at the right temperature too."""
        star = self.humidity_at_target_pct
        return self.humidity == "low" and not self.lid_wet and (star is None or star < self.goal.low_pct)

    @cached_property
    def forbidden(self) -> frozenset[str]:
        """What is not to be advised in this cell, whatever it would do."""
        return frozenset().union(*(row.against for row in self.never if not row.about_order))


def humidity_at_target_pct(situation: Situation, target_c: float) -> float | None:
    """Return RH*, %RH: the present vapour brought to `target_c`, at most 100; None if temperature or humidity is not known.

    RH* = RH e_s(T) / e_s(T_target): constant vapour pressure, so a ventilated chamber (exact for one; a wet one refills).
    """
    t, rh = situation.temperature_c, situation.relative_humidity_pct
    if t is None or rh is None:
        return None
    return min(100.0, rh * saturation_vapour_pressure_pa(t) / saturation_vapour_pressure_pa(target_c))


def humidity_floor_pct(situation: Situation) -> float | None:
    """Return RH_floor, %RH: what the room's air gives at the chamber's temperature; None if one of them is not known."""
    t, room_c, room_pct = situation.temperature_c, situation.room_temperature_c, situation.room_relative_humidity_pct
    if t is None or room_c is None or room_pct is None:
        return None
    return min(100.0, room_pct * saturation_vapour_pressure_pa(room_c) / saturation_vapour_pressure_pa(t))


def reason_of(
    chamber: Chamber, situation: Situation, standing: Mapping[str, Standing], knobs: Mapping[str, float],
    *, remembered: frozenset[str] = frozenset(), lid_was_wet: bool = False, was_aired: bool = False,
    heater_sound: bool = False, heater_since_ms: int | None = None, tau_h: float | None = None,
    weak_in: Callable[[Goal], WeakMat | None] = lambda goal: None,
) -> Cause:
    """Return the cause of what stands; `knobs` are the devices' present settings as `rules.advice.devices` keeps them.

    `remembered`: facts that only the advice knows. `lid_was_wet`: an open advisory already called the lid wet, so it stays wet
    until the margin is surely positive. `was_aired`: an open advisory lets the room's air in, so the room counts as cooler
    until it plainly is not. `heater_sound`: the keeper has lately looked at the heater, so one that is weak is not suspected
    again. `heater_since_ms`: when the keeper last changed it. `tau_h`: with which time constant the chamber cools, at its
    early end. `weak_in`: what its mat gives, if that may be all it can.
    """
    goal = goal_of(chamber, situation)
    temperature = _temperature_band(goal, chamber, situation, standing)
    humidity = _humidity_band(goal, chamber, situation, standing)
    wet, known = _lid(situation, standing, lid_was_wet) if goal.dryness_matters else (False, False)
    star, floor = humidity_at_target_pct(situation, goal.temperature_c), humidity_floor_pct(situation)
    thermostat = thermostat_of(chamber, situation, knobs, heater_since_ms, tau_h)
    facts = _device_facts(chamber, knobs, remembered)
    looked, switched = "heater-looked" in remembered, "thermostat" in facts
    setpoint_c = knobs.get("setpoint") if switched else None
    facts |= _heater_facts(thermostat, situation, goal, setpoint_c, heater_sound, looked=looked, switched=switched)
    facts |= {"dial-again"} if _raised_before(chamber, situation, thermostat, setpoint_c) else set()
    weak = weak_in(goal)
    if not _explains_cold(weak, thermostat, switched):
        weak = None
    elif temperature == "low":
        facts = facts - {"heater-suspect", "heater-fault", "falls-freely"} | {"heater-weak", "heater-too-weak"}
        facts |= set() if "watts-told" in facts else {"watts-untold"}
    facts |= _air_facts(situation, goal, floor, was_aired, "heater" in facts)
    facts |= _state_facts(chamber, situation, standing, goal, wet, known)
    facts |= {"foam-doubted"} if wet and _foam_doubted(situation, knobs) else set()
    facts = facts - {"lid-by-estimate"} if not wet or "shut-in" in facts else facts
    facts |= {"lid-proven"} if wet and "lid-by-estimate" not in facts else set()
    facts |= set() if "lid-looked" in remembered else _vapour_facts(situation, standing)
    if goal.dryness_matters:
        cell = practice.cell_of(temperature, humidity, wet)
    else:
        damp = temperature == "ok" and humidity == "high"
        cell = AIRY_CELLS[chamber.role] if damp else practice.cell_of(temperature, "ok", False)
    case = case_of(cell, facts, goal, situation, star, standing)
    return Cause(
        goal=goal, temperature=temperature, humidity=humidity, lid_wet=wet, lid_known=known, cell=cell,
        humidity_at_target_pct=star, humidity_floor_pct=floor, facts=frozenset(facts), case=case,
        thermostat=thermostat, setpoint_c=setpoint_c, temperature_c=situation.temperature_c, weak=weak,
    )


def _temperature_band(goal: Goal, chamber: Chamber, situation: Situation, standing: Mapping[str, Standing]) -> Band:
    value, back = situation.temperature_c, 0.0 if situation.by_mean else chamber.temperature.deadband
    if value is None:
        return "ok"
    high_edge = goal.high_c - (back if stands(standing, "temperature-high", "heater-runaway") else 0.0)
    low_edge = goal.low_c + (back if stands(standing, "temperature-low", "heater-failed") else 0.0)
    # A lid that was opened to feed lets cold air in for minutes: until a second reading or its alarm says so it is not cold.
    leaps = situation.pace_k_h < -LEAPS_K_H and not stands(standing, "temperature-low", "heater-failed")
    return "high" if value > high_edge else "low" if value < low_edge and not leaps else "ok"


def _humidity_band(goal: Goal, chamber: Chamber, situation: Situation, standing: Mapping[str, Standing]) -> Band:
    value, back = situation.relative_humidity_pct, 0.0 if situation.by_mean else chamber.humidity.deadband
    if value is None:
        return "ok"
    high_edge = goal.high_pct - (back if stands(standing, "humidity-high", "damp", "mister-stuck") else 0.0)
    low_edge = goal.low_pct + (back if stands(standing, "humidity-low") else 0.0)  # dry by warmth alone: cooling answers it
    soon = value + situation.climbs_pct_h  # within the hour: what climbs into its band by itself lacks nothing but that time
    if soon < low_edge and goal.dryness_matters:
        return "low"  # food and waste chambers are dry on purpose: workers choose the driest place for waste
    return "high" if value > high_edge else "ok"


def _lid(situation: Situation, standing: Mapping[str, Standing], was_wet: bool) -> tuple[bool, bool]:
    margin = situation.dew_margin_k
    if situation.lid_seen_wet or situation.lid_wets:
        return True, margin is not None
    if margin is None:
        return stands(standing, "lid-dew"), False
    if stands(standing, "lid-drip-tonight"):
        return True, True
    wet = margin <= 0.0 and (situation.probability_wet is None or situation.probability_wet >= 0.5)
    return wet or ((was_wet or stands(standing, "lid-dew")) and margin < practice.DRY_LID_MARGIN_K), True


def _device_facts(chamber: Chamber, knobs: Mapping[str, float], remembered: frozenset[str]) -> set[str]:
    devices = chamber.devices
    checks = {
        "fan": devices.fan is not None, "no-fan": devices.fan is None, "fan-on": knobs.get("fan", 0.0) > 0.0,
        "mister": devices.mister is not None,
        "mist-on": knobs.get("mister", 0.0) >= 0.05, "vents-open": knobs.get("vents", 0.0) > 0.0,
        "vents-shut": knobs.get("vents", 0.0) < devices.vents.count, "granules": devices.wet_granules,
        "can-insulate": devices.can_insulate_lid and knobs.get("foam", 0.0) < 30.0,
        "unplugged": devices.heater is not None and knobs.get("heater_plugged", 1.0) == 0.0,
        "thermostat": devices.heater is not None and devices.heater.thermostat,
        "heater": devices.heater is not None and knobs.get("heater_plugged", 1.0) > 0.0,
        "mat-below": devices.heater is not None and devices.heater.mount == "below",
        "bare": not chamber.garden.covered,
        "all-shut": knobs.get("vents", 0.0) == 0.0 and knobs.get("fan", 0.0) == 0.0,
        "watered": "dry-harms" in remembered or not devices.wet_granules or knobs.get("water", 1.0) > 1.0,
    }
    return {*remembered, *(name for name, holds in checks.items() if holds)}


def thermostat_of(
    chamber: Chamber, situation: Situation, knobs: Mapping[str, float], heater_since_ms: int | None = None,
    tau_h: float | None = None,
) -> State | None:
    """Return what the chamber's thermostat does now; None where it has no heater."""
    heater, s = chamber.devices.heater, situation
    if heater is None:
        return None
    found = state_of(
        knobs.get("heater_plugged", 1.0) > 0.0, air_c=s.temperature_c, slope_k_h=s.temperature_slope_k_h,
        room_c=s.room_temperature_c, room_slope_k_h=s.room_slope_k_h, mat_c=s.mat_temperature_c,
        setpoint_c=knobs.get("setpoint") if heater.thermostat else None, usual_c=s.usual_c, peak_c=s.usual_peak_c,
        trough_c=s.usual_trough_c, range_k=s.usual_range_k, trend_k_h=s.hourly_trend_k_h, room_high_c=s.room_high_c,
        room_lately_c=s.room_lately_c, lead_k=s.usual_lead_k, high_c=chamber.temperature.high, low_c=chamber.temperature.low,
        since_ms=None if heater_since_ms is None else s.at_ms - heater_since_ms, tau_h=tau_h,
    )
    always = not heater.thermostat and knobs.get("watts", 1.0) > 0.0  # nothing switches it off, however warm the room is
    return "unknown" if found == "resting" and always else found


def _heater_facts(
    thermostat: State | None, situation: Situation, goal: Goal, setpoint_c: float | None, sound: bool, *, looked: bool,
    switched: bool,
) -> set[str]:
    """Return what the thermostat's state means for advice. `heater-idle`: off, so turning it down gives nothing back.

    What falls as a box without heat is looked at before any set point is moved, also where a slow one may still be held. Where
    nothing switches a mat that was looked at, it is its room that falls.
    """
    t, room = situation.temperature_c, situation.room_temperature_c
    cold = t is not None and t < goal.low_c
    facts = {
        "resting": {"heater-idle"}, "warming": {"heater-warming"}, "stuck": {"heater-fault", "heater-doubt"},
        "dead": {"heater-fault", "heater-suspect", "heater-weak"},
        "at-limit": {"heater-at-limit", "heater-weak"}
        | (set() if sound or situation.mat_temperature_c is not None else {"heater-suspect"}),
    }.get(thermostat or "", set())
    facts = facts | ({"heater-seen"} if sound else set())
    if thermostat == "regulating" and in_its_swing(t, situation.usual_peak_c, setpoint_c):
        facts |= {"heater-regulates"}
    if thermostat == "unknown" and t is not None and t < goal.low_c - 1.5 and not sound and not _gives_as_ever(situation):
        facts = facts | {"heater-suspect"}
    if thermostat in ("unknown", "regulating", "at-limit") and cold and _falls_freely(situation, setpoint_c):
        facts = facts | ({"falls-freely"} if switched or not looked else set()) | (set() if looked else {"heater-suspect"})
    if thermostat == "unknown" and setpoint_c is not None and t is not None and t > setpoint_c + FAULT_K:
        facts = facts | {"heater-doubt"}  # stuck, or off in a warm room: only the mat tells
    if thermostat is None and cold:
        facts = facts | {"heater-weak"}
    if thermostat in (None, "unplugged", "resting") and heats_itself(situation):
        facts = facts | {"heats-itself"}
    elif _rises(situation) and t is not None and room is not None and t - room > SURE_LIFT_K:
        facts = facts | {"rises-alone"}  # no room so much cooler makes it do so
    if cold and t is not None and room is not None and abs(t - room) < 1.0:
        facts = facts | {"room-no-warmer"}
    return facts


def _raised_before(chamber: Chamber, situation: Situation, thermostat: State | None, setpoint_c: float | None) -> bool:
    """Return whether a box that is held below its dial was so before, and its dial was turned up for it: then the probe may be
    what drifts."""
    t, heater = situation.temperature_c, chamber.devices.heater
    if t is None or heater is None or setpoint_c is None or thermostat != "regulating" or t > setpoint_c - BELOW_K:
        return False
    told = [heater.setpoint_c, *(row.value for row in situation.changes if row.knob == "setpoint")][-2:]
    return len(told) > 1 and told[0] is not None and setpoint_c > told[0]


def _explains_cold(weak: WeakMat | None, thermostat: State | None, switched: bool) -> bool:
    """Return whether the mat is too weak for its room, not dead and not set too low: one with a thermostat is on all the time,
    and gives what it can; one without is, or gives so little that nobody could tell."""
    if weak is None:
        return False
    return (thermostat == "at-limit" and weak.seen) if switched else thermostat != "unplugged" and thermostat is not None


def _falls_freely(situation: Situation, setpoint_c: float | None) -> bool:
    """Return whether it gets colder hour by hour, as the slowest box does without heat, and is below what the dial says.

    Told from the means of whole hours: a quarter of an hour falls within each swing of a thermostat.
    """
    t, room, pace_k_h = situation.temperature_c, situation.room_temperature_c, situation.hourly_trend_k_h
    switches = situation.by_mean and (situation.usual_range_k or 0.0) > CYCLES_K
    if t is None or pace_k_h is None or switches or (setpoint_c is not None and t >= setpoint_c):
        return False
    if _gives_as_ever(situation):
        return False
    return pace_k_h <= -LEAST_FALL_K_H and (room is None or pace_k_h <= -(t - room) / (2.0 * SLOW_BOX_H))


def _gives_as_ever(situation: Situation) -> bool:
    """Return whether a box is further above its room than on other days: a mat that nothing switches gives what it always gave,
    and its room fell."""
    t, room, lead_k = situation.temperature_c, situation.room_temperature_c, situation.usual_lead_k
    return t is not None and room is not None and lead_k is not None and t - room > lead_k


def _rises(situation: Situation) -> bool:
    """Return whether it gets plainly warmer; where a thermostat's cycle is judged by its mean, a part of it says nothing."""
    return not situation.by_mean and (situation.temperature_slope_k_h or 0.0) >= RISES_K_H


def heats_itself(situation: Situation) -> bool:
    """Return whether something else than its room heats a chamber: far warmer than that, also by day, and hardly falling.

    What is only still warm falls, the slowest box too.
    """
    t, room, slope = situation.temperature_c, situation.room_temperature_c, situation.temperature_slope_k_h or 0.0
    if t is None or room is None or t - room <= SURE_LIFT_K or t <= (situation.room_lately_c or 0.0):
        return False
    since_ms = heater_since_ms(situation.changes)
    stored = situation.room_high_c is not None and t <= situation.room_high_c + ROOM_LIFT_K
    stored |= since_ms is not None and situation.at_ms - since_ms < STORES_MS
    return slope > -(t - room) / (2.0 * SLOW_BOX_H) and (slope > -FALLS_K_H or not stored)


HOME_MOST_PCT, HEATED_K = 70.0, 1.0
"""Rooms where people live are seldom damper than the first, and a heated box is warmer than its room by the second: so air that
nobody measures still dries what is damper than its band. Own estimate."""


def _air_facts(situation: Situation, goal: Goal, floor: float | None, was_aired: bool, heated: bool) -> set[str]:
    t, rh, room = situation.temperature_c, situation.relative_humidity_pct, situation.room_temperature_c
    facts = {"airing-cools"} if t is None or room is None or room < t else set()
    if floor is not None and rh is not None:
        facts |= {"floor-dries"} if floor <= rh - practice.VENT_AUTHORITY_PCT else {"floor-wets"}
        facts |= {"dry-air"} if floor < goal.low_pct - practice.VENT_AUTHORITY_PCT else set()
    elif rh is not None and t is not None and rh > goal.high_pct and heated:
        cooler = t - HEATED_K if room is None else room
        most = HOME_MOST_PCT * saturation_vapour_pressure_pa(cooler) / saturation_vapour_pressure_pa(t)
        facts |= {"floor-dries"} if most <= rh - practice.VENT_AUTHORITY_PCT else set()
    if room is not None and t is not None:
        facts |= {"room-cooler"} if room < t - (STILL_COOLER_K if was_aired else COOLER_K) else {"room-warm"}
        facts |= {"room-warm"} if room > goal.high_c - 1.0 else set()
        facts |= {"room-cold"} if room < practice.LETHAL_COLD_C else set()
        facts |= {"room-below"} if room < goal.low_c else {"room-warms"} if room > t + COOLER_K else set()
    return facts


def _foam_doubted(situation: Situation, knobs: Mapping[str, float]) -> bool:
    """Return whether a wet lid speaks against the foam that it is told to have: long after it was laid, or as the eye sees."""
    laid_ms = foam_since_ms(situation.changes)
    if not knobs.get("foam", 0.0):
        return False
    return situation.lid_seen_wet if laid_ms is None else situation.at_ms - laid_ms >= practice.WAIT_S["foam"] * 1000


def _vapour_facts(situation: Situation, standing: Mapping[str, Standing]) -> set[str]:
    """Return whether the vapour goes as fast, or has gone as far, as it does from a lid that is not shut."""
    slopes, fall_k = (situation.humidity_slope_pct_h, situation.earlier_humidity_slope_pct_h), situation.vapour_fall_k
    fast = stands(standing, "lid-open") or any(slope is not None and slope < -30.0 for slope in slopes)
    facts = {"lid-doubted" if dryness_harms(standing) else "vapour-lost"} if fast else set()  # what harms waits for no look
    return facts | ({"lid-doubted"} if fall_k is not None and fall_k >= FELL_K else set())


def _state_facts(
    chamber: Chamber, situation: Situation, standing: Mapping[str, Standing], goal: Goal, wet: bool, known: bool
) -> set[str]:
    t, rh, lid = situation.temperature_c, situation.relative_humidity_pct, situation.lid_temperature_c
    size_ml = garden_ml(situation, chamber)
    shut_in = founds_shut(chamber.genus, chamber.garden.founding, size_ml)
    checks = {
        "hot": t is not None and t > goal.high_c, "very-hot": t is not None and t > practice.VERY_HOT_C, "lid-wet": wet,
        "lethal-heat": t is not None and t >= practice.HEAT_FIRST_C,
        "deadly-heat": t is not None and t >= practice.DEADLY_HEAT_C,
        "lethal-cold": t is not None and t <= practice.LETHAL_COLD_C,
        "gets-colder": t is not None and t < goal.low_c and (situation.temperature_slope_k_h or 0.0) <= FALLS_K_H,
        "warm-side": t is not None and t > goal.temperature_c + 0.5,
        "rises-hot": t is not None and t > goal.high_c and _rises(situation),
        "warms-on": t is not None and t > goal.high_c and (situation.temperature_slope_k_h or 0.0) >= -FALLS_K_H,
        "rises-out": t is not None and t > goal.temperature_c + 0.5 and _rises(situation),
        "humid-side": rh is not None and rh > goal.humidity_pct, "founding": size_class(size_ml) == "A",
        "saturated": situation.saturated, "room-unknown": situation.room_temperature_c is None,
        "shut-in": shut_in, "granules": shut_in,  # what she sits on is wetted, whether clay is written or not
        "visiting": situation.visiting, "lid-seen": situation.lid_seen_wet,
        "water-hangs": situation.lid_seen_wet or situation.condensate_g_m2 >= SETTLED_G_M2,
        "air-dry": (rh is None or (rh < goal.low_pct and goal.dryness_matters))
        and not (t is not None and t >= practice.HEAT_FIRST_C),  # not known counts as dry; drying takes hours, heat minutes
        "lid-unknown": not known, "dry-on-purpose": not goal.dryness_matters, "dry-doubted": situation.dry_doubted,
        "lid-wet-odd": wet and not situation.lid_seen_wet and lid is not None and t is not None and t - lid > 6.0,
    }
    facts = {name for name, holds in checks.items() if holds}
    facts |= {"heater-weak"} if stands(standing, "heater-failed") else set()
    return facts | ({"night-ahead"} if stands(standing, "lid-drip-tonight") else set())
