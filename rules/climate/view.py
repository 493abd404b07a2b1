"""What is seen of one place in one stretch: all its samples at once, for the checks.

A *place* is a chamber or a room. Its *instants* are the times at which one of its own probes was heard, and, where none was
for a minute, the full minutes in between (with slow probes not each of them); so silence is looked at as often as speech. All
arrays of a `View` run over them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.consensus import (
    Seen,
    credit,
    farther_out,
    finest_step,
    seen,
    told_step,
)
from rules.climate.judging import (
    Floats,
    Heard,
    Instants,
)
from rules.climate.leap import leapt_k
from rules.climate.lid_course import condensate_g_m2, lagged_lid_c, seen_wet, wets_as_seen
from rules.climate.memory import Hour, Night, PlaceMemory, ProbeMemory, Said, Tail
from rules.climate.quality import GOOD, TESTS
from rules.climate.seldom import SELDOM_MS, Readings
from rules.climate.switched import switched_k
from rules.climate.thermostat import ToldHeater, Usual, told_heater
from rules.climate.windows import Recent, Signal, distinct, passed_since, recent
from rules.keeper.devices import foam_since_ms, lid_now
from rules.keeper.state import KeeperState, garden_ml
from rules.physics import lid_factor, vapour
from rules.settings import Chamber, Settings
from rules.settings.bands import HumidityBand
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.quantities import Quantity

K_PER_PCT = 0.2
"""What a percent of humidity is of dew point, K: by the formula of WMO-No. 8, annex 4.B, at 26 degC and 75 %RH. That it does
for all is an own estimate."""
ROOM_FRESH_MS = 30 * MINUTE_MS  # a room moves slowly: its last good reading stands at least this long, own estimate


@dataclass(frozen=True, slots=True)
class Lasting:
    """Temperature and humidity as they dry a garden: of the last half hour, where the moment is a part of a swing."""

    temperature_c: Floats
    humidity_pct: Floats
    swing_pct: Floats
    """The mean humidity of that swing's hours; NaN: the moment is no part of one."""


@dataclass(frozen=True, slots=True)
class View:
    """All that the checks may look at for one chamber or room over one stretch."""

    settings: Settings
    place: str
    chamber: Chamber | None
    memory: PlaceMemory
    probes: Mapping[str, ProbeMemory]
    heard: tuple[Heard, ...]
    faults: Mapping[str, tuple[tuple[int, str], ...]]
    at_ms: Instants
    hour: Instants
    """The number of the hour of each instant; then the different ones, and the place of each instant's among them."""
    hours_met: Instants
    hour_place: NDArray[np.intp]
    passed_ms: Instants
    """How long after the one before each instant is."""
    interval_ms: int
    """How often the fastest of the air probes here speaks."""
    credit_ms: Instants
    credit_humidity_ms: Instants
    temperature: Seen
    humidity: Seen
    dew_point: Floats
    vapour_deficit_pa: Floats
    room_temperature: Floats
    room_humidity: Floats
    room_read_ms: Instants
    room_dew_point: Floats
    lid: Floats
    lid_estimate: Floats
    lid_measured: NDArray[np.bool_]
    mat: Floats
    """What a probe on the heat mat reads; NaN: none is there or none is believed."""
    changed_ms: int | None
    """When the keeper last said to have changed anything at the chamber."""
    lid_checked_ms: int | None
    """When the keeper last said to have done what asked for a look at the lid."""
    margin: Floats
    condensate: Floats
    lid_seen_wet: NDArray[np.bool_]
    """Where the lid is wet by the keeper's eyes."""
    lid_wets: NDArray[np.bool_]
    """Where it is wet again, wiped or not, as it was seen to be in such air."""
    recent: Recent
    leapt_k: Floats
    """By how much its temperature may be told too high since its one probe leapt; NaN: nothing speaks against it."""
    switched_k: Floats
    """By how much it goes up and down as no air of this box does, where its one probe lies on the heat; NaN: it does not."""
    heater: ToldHeater | None
    """The chamber's heater as the keeper last said; None: it has none."""
    keeper: KeeperState
    room_nights: tuple[Night, ...]
    room_recent: Signal | None
    room_hours: Mapping[str, Hour]
    """The whole hours of the room's temperature, this stretch included."""
    hours: dict[str, dict[str, Hour]] = field(default_factory=dict)
    """Whole hours of the figures that were asked for (`rules.climate.hours`)."""
    usual: dict[int, Usual] = field(default_factory=dict)
    """The usual swing before the hours that were asked for, by number of the hour (`rules.climate.heating`)."""
    lasting: list[Lasting] = field(default_factory=list)
    """What lasts of temperature and humidity, once it was asked for (`rules.climate.swing`)."""
    thermostat: list[NDArray[np.int8]] = field(default_factory=list)
    """What the thermostat does at each instant, once it was asked for (`rules.climate.heating`)."""

    @property
    def visiting(self) -> bool:
        """Whether the keeper has announced work in the tank."""
        return self.place in self.keeper.visits

    @property
    def taken_out(self) -> tuple[str, ...]:
        """The air probes here that the keeper has taken out of use."""
        return tuple(name for name in self.settings.probes_at(self.place) if name in self.keeper.out_of_service)

    @property
    def two_readings_ms(self) -> int:
        """How long a figure must last, so that a second reading has said it too, if it is a little late."""
        return round(1.1 * self.interval_ms)

    @property
    def garden_ml(self) -> float | None:
        """The size of the chamber's garden; None: not known, or no chamber."""
        return None if self.chamber is None else garden_ml(self.keeper, self.place, self.chamber)

    @property
    def humidity_band(self) -> HumidityBand:
        """The chamber's humidity band for the size that its garden has now."""
        assert self.chamber is not None
        return self.chamber.humidity_for(self.garden_ml)

    def step(self, name: str, quantity: Quantity) -> Floats:
        """Return by which steps a probe tells a quantity, as far as it was heard, per instant."""
        return told_step(name, quantity, self.probes, self.heard, self.at_ms)

    def finest_step(self, quantity: Quantity) -> Floats:
        """Return the steps of the air probe here that tells a quantity in the smallest ones."""
        return finest_step(self.settings.probes_at(self.place), quantity, self.probes, self.heard, self.at_ms)

    @property
    def lid_looked_ms(self) -> int | None:
        """When the keeper last had the lid in hand or before the eyes: a check that is done, a look, work in the tank."""
        looks = (self.lid_checked_ms, self.memory.lid_seen_ms, self.memory.visited_ms)
        return max((at_ms for at_ms in looks if at_ms is not None), default=None)


@dataclass(frozen=True, slots=True)
class Around:
    """What a chamber's view needs from outside the chamber: its room's figures per instant, and faults."""

    room_temperature: Floats
    room_humidity: Floats
    room_read_ms: Instants
    """When the newest believed reading of its room came."""
    room_nights: tuple[Night, ...] = ()
    room_recent: Signal | None = None
    room_hours: Mapping[str, Hour] = field(default_factory=dict)
    faults: Mapping[str, tuple[tuple[int, str], ...]] = field(default_factory=dict)
    changed_ms: int | None = None
    """When anything was last changed at the chamber, as the keeper said."""
    lid_checked_ms: int | None = None


def _wanted_c(chamber: Chamber) -> float:
    band = chamber.temperature
    return 0.5 * ((24.0 if band.low is None else band.low) + (28.0 if band.high is None else band.high))


def look(
    settings: Settings,
    place: str,
    memory: PlaceMemory,
    probes: Mapping[str, ProbeMemory],
    keeper: KeeperState,
    heard: list[Heard],
    at_ms: Instants,
    around: Around,
) -> View:
    """Return the view of a place over these instants; `view.memory` holds the place's memory before them, but for the tail."""
    chamber = settings.chambers.get(place)
    air = settings.probes_at(place)
    interval_ms = min((settings.probes[name].interval for name in air), default=MINUTE_MS)
    hour = at_ms // HOUR_MS
    hours_met, hour_place = distinct(hour)
    passed_ms = passed_since(at_ms, int(at_ms[0]) if memory.instant_ms is None else memory.instant_ms)
    temperature = seen(settings, air, "air_temperature", probes, keeper.out_of_service, heard, at_ms)
    if chamber is not None:
        temperature = farther_out(temperature, _wanted_c(chamber))
    humidity = seen(settings, air, "relative_humidity", probes, keeper.out_of_service, heard, at_ms)
    dew_point = vapour.dew_point_c_or_nan(temperature.value, humidity.value)
    tail, signals = recent(
        memory.tail,
        at_ms,
        np.where(temperature.counts, temperature.value, np.nan),
        np.where(humidity.counts, humidity.value, np.nan),
        np.where(humidity.counts, dew_point, np.nan),
        _told_seldom(settings, place, memory.tail, at_ms, temperature, humidity, dew_point, probes, heard),
    )
    guesses = {key: old.copied() for key, old in memory.guesses.items()}
    memory = copy(memory)
    memory.tail, memory.walks, memory.guesses, memory.harm = tail, dict(memory.walks), guesses, dict(memory.harm)
    memory.twins = {key: replace(old) for key, old in memory.twins.items()}
    lid_c, estimate, measured = _lid(settings, place, memory, probes, keeper, heard, at_ms, temperature.value, around)
    heater = None if chamber is None else told_heater(chamber, keeper.devices.get(place, ()))
    margin, water = lid_c - dew_point, condensate_g_m2(memory, chamber, at_ms, dew_point, lid_c, measured)
    return View(
        settings=settings,
        place=place,
        chamber=chamber,
        memory=memory,
        probes=probes,
        heard=tuple(heard),
        faults=around.faults,
        at_ms=at_ms,
        hour=hour,
        hours_met=hours_met,
        hour_place=hour_place,
        passed_ms=passed_ms,
        interval_ms=interval_ms,
        credit_ms=credit(passed_ms, temperature.counts, interval_ms),
        credit_humidity_ms=credit(passed_ms, humidity.counts, interval_ms),
        temperature=temperature,
        humidity=humidity,
        dew_point=dew_point,
        vapour_deficit_pa=vapour.vapour_pressure_deficit_pa_or_nan(temperature.value, humidity.value),
        room_temperature=around.room_temperature,
        room_humidity=around.room_humidity,
        room_read_ms=around.room_read_ms,
        room_dew_point=_room_dew_point(chamber, around),
        lid=lid_c,
        lid_estimate=estimate,
        lid_measured=measured,
        mat=_mat(settings, place, probes, keeper, heard, at_ms),
        changed_ms=around.changed_ms,
        lid_checked_ms=around.lid_checked_ms,
        margin=margin,
        condensate=water,
        lid_seen_wet=seen_wet(memory, at_ms, margin, water),
        lid_wets=wets_as_seen(memory, foam_since_ms(keeper.devices.get(place, ())), at_ms, margin, humidity.value),
        recent=signals,
        leapt_k=_leapt_k(air, memory, at_ms, temperature, humidity.value, signals.temperature),
        switched_k=_switched_k(air, memory, at_ms, temperature.value, chamber, heater),
        heater=heater,
        keeper=keeper,
        room_nights=around.room_nights,
        room_recent=around.room_recent,
        room_hours=around.room_hours,
    )


def _told_seldom(
    settings: Settings, place: str, tail: Tail, at_ms: Instants, temperature: Seen, humidity: Seen, dew_point: Floats,
    probes: Mapping[str, ProbeMemory], heard: Sequence[Heard],
) -> dict[str, Readings]:
    """Return the readings of those figures of a place that no probe there tells within each of a slope's means."""
    quantities: tuple[Quantity, Quantity] = ("air_temperature", "relative_humidity")
    seldom = [settings.told_every_ms.get((place, quantity), 0) > SELDOM_MS for quantity in quantities]
    if not any(seldom):
        return {}
    heat, damp = (finest_step(settings.probes_at(place), quantity, probes, heard, at_ms) for quantity in quantities)
    of = {
        "temperature": (seldom[0], temperature.value, temperature.read_ms, heat),
        "humidity": (seldom[1], humidity.value, humidity.read_ms, damp),
        "dew_point": (seldom[1], dew_point, humidity.read_ms, heat + K_PER_PCT * damp),
    }
    return {
        figure: Readings.remembered(tail.said.get(figure, Said())).went_on(at_ms, value, read_ms, step)
        for figure, (is_seldom, value, read_ms, step) in of.items()
        if is_seldom
    }


def _leapt_k(
    air: tuple[str, ...], memory: PlaceMemory, at_ms: Instants, temperature: Seen, damp: Floats, lately: Signal
) -> Floats:
    """Return where the one probe that tells a temperature here may lie; beside a second one that one tells."""
    if len(air) != 1:
        return np.full(len(at_ms), np.nan)
    return leapt_k(memory, at_ms, temperature.value, damp, lately, temperature.read_ms)


def _switched_k(
    air: tuple[str, ...], memory: PlaceMemory, at_ms: Instants, value: Floats, chamber: Chamber | None,
    heater: ToldHeater | None,
) -> Floats:
    if len(air) != 1 or chamber is None or heater is None:
        return np.full(len(at_ms), np.nan)
    return switched_k(memory, at_ms, value, chamber.temperature.high, heater.since_ms)


def _room_dew_point(chamber: Chamber | None, around: Around) -> Floats:
    if chamber is None:
        return np.full(len(around.room_temperature), np.nan)
    return vapour.dew_point_c_or_nan(around.room_temperature, around.room_humidity)


def remembered(view: View) -> PlaceMemory:
    """Return the place's memory after the stretch: the next stretch and the room's chambers go on from it."""
    known_t = np.flatnonzero(~np.isnan(view.temperature.value))
    known_h = np.flatnonzero(~np.isnan(view.humidity.value))
    newest = copy(view.memory)
    newest.instant_ms = int(view.at_ms[-1])
    newest.heard_ms = max((int(item.judged.at_ms[-1]) for item in view.heard), default=view.memory.heard_ms)
    if len(known_t):
        newest.temperature_c, newest.seen_ms = float(view.temperature.value[known_t[-1]]), int(view.at_ms[known_t[-1]])
    if len(known_h):
        newest.relative_humidity_pct = float(view.humidity.value[known_h[-1]])
        newest.humidity_seen_ms = int(view.at_ms[known_h[-1]])
    known_lid = np.flatnonzero(~np.isnan(view.lid_estimate))
    if len(known_lid):
        newest.lid_c, newest.lid_ms = float(view.lid_estimate[known_lid[-1]]), int(view.at_ms[known_lid[-1]])
    newest.condensate_g_m2 = float(view.condensate[-1])
    return newest


def _lid(
    settings: Settings,
    place: str,
    memory: PlaceMemory,
    probes: Mapping[str, ProbeMemory],
    keeper: KeeperState,
    heard: list[Heard],
    at_ms: Instants,
    chamber_c: Floats,
    around: Around,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the lid's inner temperature (measured where a lid probe speaks, else the estimate), the estimate with the lid's
    own lag, and where it is measured."""
    chamber = settings.chambers.get(place)
    if chamber is None or memory.belief is None:
        nothing = np.full(len(at_ms), np.nan)
        return nothing, nothing, np.zeros(len(at_ms), bool)
    steady = lid_factor.steady_lid_temperature_c(around.room_temperature, chamber_c, memory.belief.mean)
    estimate = lagged_lid_c(memory, at_ms, steady, lid_factor.lid_time_constant_s(lid_now(keeper, place, chamber)))
    names = settings.probes_at(place, "lid")
    if not names:
        return estimate, estimate, np.zeros(len(at_ms), bool)
    measured = seen(settings, names, "surface_temperature", probes, keeper.out_of_service, heard, at_ms).value
    return np.where(np.isnan(measured), estimate, measured), estimate, ~np.isnan(measured)


def _mat(
    settings: Settings, place: str, probes: Mapping[str, ProbeMemory], keeper: KeeperState, heard: list[Heard], at_ms: Instants
) -> Floats:
    names = settings.probes_at(place, "heater-surface")
    if not names:
        return np.full(len(at_ms), np.nan)
    return seen(settings, names, "surface_temperature", probes, keeper.out_of_service, heard, at_ms).value


def failing_test(view: View, probe: str, index: int, quantity: Quantity | None = None) -> str:
    """Return the test that a probe's newest sample at an instant did not pass, empty if it passed all."""
    series = view.probes[probe].series
    wanted = [name for name in series if quantity in (None, name)]
    for name in wanted:
        item = next((h for h in view.heard if h.probe == probe and h.quantity == name), None)
        newest, flag = series[name].test, series[name].flag
        if item is not None:
            where = int(np.searchsorted(item.judged.at_ms, view.at_ms[index], "right")) - 1
            newest, flag = item.before.test, item.before.flag
            if where >= 0:
                newest, flag = TESTS[int(item.judged.test[where])], int(item.judged.flag[where])
        if flag > GOOD:
            return newest
    return ""
