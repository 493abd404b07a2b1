"""What is known of one chamber at one instant, each figure with its standard uncertainty; None where it is not known."""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign
from typing import Any, Literal

from rules.climate.past_moves import Moves
from rules.climate.room_ahead import RoomAhead
from rules.keeper.state import DeviceChange
from rules.physics.vapour import log_slope_per_k
from rules.terms.condition_changes import Harm

LEAPS_K_H = 3.0
"""What is faster than this may be a leap, which does not go on: a door, a draught, the sun. Own estimate."""
CLIMBS_PCT_H = 3.0
"""Below this a climb may be a probe's resolution and a thermostat's swing. Own estimate."""


@dataclass(frozen=True, slots=True)
class Swing:
    """How one figure moved to and fro over the last whole hours, in its own unit."""

    mean: float
    least: float
    most: float
    drift: float
    """Between the hours' own means: small while it swings about one place."""
    hours: int


@dataclass(frozen=True, slots=True)
class MatDay:
    """What a heat mat did in the last 24 whole hours, by its own probe and beside the chamber's air."""

    heats: Literal["always", "by turns", "never"]
    share: float
    """Of the time in which it heats at most, 0 to 1: a mat that is switched often does not reach its full heat."""
    least_c: float
    most_c: float
    air_c: float
    """Mean of the chamber's air over the same hours."""


@dataclass(frozen=True, slots=True)
class Beside:
    """Another chamber of the room that gets hot or cold at the same time."""

    chamber: str
    title: str
    harm: Literal["heat", "cold"]
    temperature_c: float | None
    time_constant_h: float
    """In which its lead over the room falls to 37 %: the smaller, the sooner it is cold."""
    spread: float
    """Factor of the time constant's uncertainty."""
    slope_k_h: float | None = None
    """How fast its temperature moves."""
    left_s: float | None = None
    """How long the rest lasts of what its garden bears; None: it is not used up at this course."""


@dataclass(frozen=True, kw_only=True)
class Situation:
    """The present of a chamber as the rules believe it. Temperatures degC, humidity %RH, `u_` standard uncertainties."""

    at_ms: int
    chamber: str
    temperature_c: float | None
    relative_humidity_pct: float | None
    dew_point_c: float | None
    absolute_humidity_g_m3: float | None
    vapour_pressure_deficit_pa: float | None
    lid_temperature_c: float | None
    lid_source: str | None
    """`measured`, `estimated` or `learned`; None: not known (no lid probe and no room probe)."""
    dew_margin_k: float | None
    probability_wet: float | None
    """Probability that the lid is below the dew point."""
    condensate_g_m2: float
    room_temperature_c: float | None
    room_relative_humidity_pct: float | None
    room_dew_point_c: float | None
    u_temperature_k: float | None
    u_relative_humidity_pct: float | None
    u_dew_point_k: float | None
    u_dew_margin_k: float | None
    temperature_slope_k_h: float | None
    """Over the last 15 minutes; None: not enough good readings."""
    humidity_slope_pct_h: float | None
    room_slope_k_h: float | None
    garden_ml: float | None
    leapt_k: float | None = None
    """By how much its one probe leapt within minutes as no air of a box does; None: it did not, or has come back."""
    switched_k: float | None = None
    """By how much it goes up and down within minutes as no air of this box did before; None: it does not."""
    mat_temperature_c: float | None = None
    """What a probe on the heat mat reads."""
    usual_c: float | None = None
    """Mean of the last day's hours around which the heater holds the air; None: they do not agree, or too few are known."""
    usual_peak_c: float | None = None
    usual_trough_c: float | None = None
    usual_range_k: float | None = None
    """How far the air swings within an hour: more than a little means that the thermostat switches."""
    hourly_trend_k_h: float | None = None
    """From the mean of the hour before last to that of the last one."""
    room_high_c: float | None = None
    """The highest of the room in the last day; of a heated chamber only."""
    room_lately_c: float | None = None
    """The same of the last hours, by which a large box lags its room."""
    usual_lead_k: float | None = None
    """How far the air usually lies over its room, of a mat that nothing switches."""
    temperature_swing: Swing | None = None
    """Over the last whole hours since a setting was changed; None: too few of them are known."""
    humidity_swing: Swing | None = None
    margin_swing: Swing | None = None
    mat_day: MatDay | None = None
    """What the mat's own probe shows of its last day; None: it has none, or not every hour is known."""
    moves: tuple[Moves, ...] = ()
    """How far temperature, humidity and margin moved by themselves over the last days; empty: not asked for."""
    room_ahead: RoomAhead | None = None
    """How its room goes on by its own last days; None: not one of them is known."""
    earlier_humidity_slope_pct_h: float | None = None
    """The humidity's slope ten minutes before: whether it fell at one go is judged only when it does not come back."""
    latest_slope_k_h: float | None = None
    """The temperature's slope of the last minutes."""
    vapour_fall_k: float | None = None
    """How far the dew point has fallen below its last day's mean by itself: nothing was changed, cooled or dried so; negative:
    how far it has risen, and nothing was warmed so."""
    settling: bool = False
    """Something was changed so short a time ago that the swing since is not known."""
    by_mean: bool = False
    """Temperature and humidity are means over their swing: an edge needs no deadband then."""
    temperature_read_ms: int | None = None
    """When its newest believed reading came, also where that is too old to be believed any more."""
    humidity_read_ms: int | None = None
    lid_seen_wet: bool = False
    lid_wets: bool = False
    """Whether water was seen on it within the day, in air no more humid than now, and nothing tells how warm it is: wiped or
    not, it is wet again soon."""
    """The keeper saw water on the lid, and it has not dried since."""
    dry_looks: int = 0
    """How often in a row, and lately, the keeper saw the lid dry; how many of these looks its alarm contradicted."""
    dry_against: int = 0
    dry_doubted: bool = False
    """Water was last seen, and lately, on a lid that is dry by these figures however it is built: the humidity may read low."""
    lid_looked_ms: int | None = None
    """When the keeper last had the lid in hand or before the eyes."""
    visiting: bool = False
    """The keeper has announced work in the tank."""
    taken_out: tuple[str, ...] = ()
    """Air probes that the keeper has taken out of use."""
    changes: tuple[DeviceChange, ...] = ()
    """What the keeper told of the devices' settings, in order of time."""
    saturated: bool = False
    """The humidity probe is at its top and not to be believed as air humidity."""
    harm: tuple[Harm, ...] = ()
    """What is used up of what such a garden bears, by kind of harm; what is healing has no time left. An own estimate."""
    besides: tuple[Beside, ...] = ()
    """The chambers of the room that get hot or cold with it: one cause moves them all."""
    outside: tuple[str, ...] = ()
    """Alarms whose limit its figures are beyond, whether they stand already or their on-delay still runs."""
    lacking: tuple[str, ...] = ()
    """What is missing for a full judgement, in words: `no room probe`, `humidity probe not believed`, ..."""

    def but(self, **others: Any) -> Situation:
        """Return it with some other figures; with sixty of them `dataclasses.replace` takes twenty times as long."""
        assert others.keys() <= vars(self).keys()
        one = object.__new__(Situation)
        vars(one).update(vars(self), **others)
        return one

    @property
    def may_lie(self) -> bool:
        """Return whether a second thermometer must tell first whether it is as warm as its one probe says."""
        return self.leapt_k is not None or self.switched_k is not None

    @property
    def pace_k_h(self) -> float:
        """The temperature's slope as far as it goes on, K/h: of a leap what the last minutes bear out."""
        slope, latest = self.temperature_slope_k_h or 0.0, self.latest_slope_k_h
        if abs(slope) <= LEAPS_K_H or latest is None:
            return slope
        return copysign(min(abs(slope), max(latest if slope > 0.0 else -latest, 0.0)), slope)

    @property
    def usual_k_h(self) -> float:
        """Within how much an hour's mean moves on usual days, K: twice its spread; 0 where that was not asked for."""
        return 2.0 * self.moves[0].within(1.0, usual=True) if self.moves else 0.0

    @property
    def climbs_pct_h(self) -> float:
        """How fast its vapour rises, in points of humidity per hour at its own temperature, as by a lid that was shut; 0 where
        it does not plainly. Air that only cools gets damper, and has no more water than before."""
        slope, rh, t = self.humidity_slope_pct_h, self.relative_humidity_pct, self.temperature_c
        if slope is None or rh is None or t is None:
            return 0.0
        climbs = slope + rh * float(log_slope_per_k(t)) * (self.temperature_slope_k_h or 0.0)
        return climbs if climbs >= CLIMBS_PCT_H else 0.0
