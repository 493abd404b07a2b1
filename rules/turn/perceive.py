"""From a stretch of readings to what is seen of every place and which conditions turned."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial
from operator import attrgetter
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules.advice.done import changed_ms
from rules.advice.state import AdviceState
from rules.alarms import alarms
from rules.alarms.state import AlarmRecord
from rules.checks import CHECKS
from rules.checks.verdict import Facts, Verdict
from rules.climate.beside import Second
from rules.climate.consensus import instants, looks_unasked, seen, unasked_every_ms
from rules.climate.course import Course, Zones, outside_at
from rules.climate.hours import hours_after
from rules.climate.hysteresis import OUTSIDE, UNSEEN, Moving, Walk, rests, walk
from rules.climate.judging import Column, Heard, hear, newer
from rules.climate.memory import Night, PlaceMemory, ProbeMemory, Series
from rules.climate.nights import last_nights, nights_after
from rules.climate.quality import fresh_for_ms
from rules.climate.quality_events import quality_events
from rules.climate.situate import situation_at
from rules.climate.stillness import stood
from rules.climate.stream import Stretch
from rules.climate.view import ROOM_FRESH_MS, Around, View, look, remembered
from rules.climate.windows import Signal, temperature_signal
from rules.harm import follow as harm
from rules.harm.account import standing
from rules.physics.lid_factor import FactorBelief, learn_from_measurement
from rules.settings import Settings
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import HOUR_MS, MINUTE_MS, Event, MediumFault, ProbeFault
from rules.terms.quantities import Quantity
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import HarmKind
from rules.turn.advising import may_be_asked
from rules.turn.state import EngineState

LEARN_EVERY_MS = 6 * HOUR_MS  # how often a lid probe teaches the lid's factor, own estimate
# Own estimate.
SETTLING_MS = 5 * MINUTE_MS  # after a pause: so long a probe may need to be heard again before it counts as unseen
UNSEEN_FACTS = Facts(because="it can no longer be seen: no believed reading")


@dataclass(frozen=True, slots=True)
class Perceived:
    """What a stretch showed: views and courses of chambers, what turned in time's order, and what is told of the probes."""

    views: dict[str, View]
    courses: dict[str, Course]
    changes: list[ConditionChange]
    quality: list[Event]


def perceive(
    settings: Settings, state: EngineState, stretch: Stretch, also_ms: tuple[int, ...], *, every_view: bool = False
) -> Perceived:
    """Judge the readings, look at every place that has instants in this stretch, and walk its checks.

    Unless `every_view` is asked for, only those are handed on that the adviser may still ask for: with many quiet chambers the
    next view takes the place of the one before in memory, which is much faster than to touch fresh memory for each (measured:
    a day of a thousand chambers in 345 MiB and 6.0 s with it, in 600 MiB and 6.6 s without).
    """
    keep_all = every_view or bool(also_ms) or not alarms.nothing_due(state.alarms, stretch.until_ms)
    heard, events = _hear(settings, state, stretch)
    faults, changes = _faults(settings, stretch)
    views: dict[str, View] = {}
    courses: dict[str, Course] = {}
    rooms = _Rooms({}, {})
    at_place: dict[str, list[Heard]] = {}
    for item in heard:
        at_place.setdefault(settings.probes[item.probe].place, []).append(item)
    everywhere = bool(also_ms) or looks_unasked(settings, stretch.from_ms, stretch.until_ms)
    places = (*settings.rooms, *settings.chambers)
    stands = alarms.all_standing(state.alarms)
    for place in places if everywhere else sorted(at_place, key=settings.order_of.__getitem__):
        view = _view(settings, state, place, at_place, stretch, also_ms, faults, rooms)
        if view is not None:
            turned, accounts, zones = _walk(state, view)
            _keep(settings, state, view, zones)
            changes += turned
            if view.chamber is None:
                rooms.met(view)
            elif keep_all or may_be_asked(settings, state, place, _alarms(turned, stands.get(place, {})), stretch.from_ms):
                views[place] = view
            if view.chamber is not None:
                courses[place] = Course.of(view, {kind: account.at for kind, account in accounts.items()}, zones)
    for name, told in faults.items():
        memory = state.probes[name]
        garbled_ms = max((at for at, fault in told if fault != "unreachable"), default=memory.garbled_ms)
        state.probes[name] = replace(memory, fault=told[-1][1], garbled_ms=garbled_ms)
    return Perceived(views, courses, sorted(changes, key=attrgetter("at_ms")), events)


def _alarms(turned: Iterable[ConditionChange], stands: Mapping[str, AlarmRecord]) -> set[str]:
    """Return the alarms of a place that turned or stand."""
    return {change.alarm for change in turned} | {record.alarm for record in stands.values()}


def _faults(settings: Settings, stretch: Stretch) -> tuple[dict[str, tuple[tuple[int, str], ...]], list[ConditionChange]]:
    """Return when each probe had which fault, and the changes of lines and brokers."""
    faults: dict[str, tuple[tuple[int, str], ...]] = {}
    changes: list[ConditionChange] = []
    for fault in stretch.faults:
        if isinstance(fault, ProbeFault) and fault.probe in settings.probes:
            told = (max(fault.taken_ms, stretch.from_ms), fault.fault)
            faults[fault.probe] = (*faults.get(fault.probe, ()), told)
        elif isinstance(fault, MediumFault):
            changes.append(_medium(fault, stretch.from_ms))
    return faults, changes


def _hear(settings: Settings, state: EngineState, stretch: Stretch) -> tuple[list[Heard], list[Event]]:
    heard: list[Heard] = []
    events: list[Event] = []
    if not len(stretch.rows.taken_ms):
        return heard, events
    spoken, before, out = stretch.rows.columns(), dict(state.probes), state.keeper.out_of_service
    for probe, columns in sorted(spoken.items()):
        if probe not in settings.probes:
            continue
        seconds = {quantity: _seconds(settings, before, out, spoken, probe, quantity) for quantity in columns}
        memory, judged = hear(settings, probe, state.probes[probe], columns, seconds)
        if probe not in out:
            for item in judged:
                memory.series[item.quantity], told = quality_events(settings, item, state.origin)
                events += told
            heard += judged
        state.probes[probe] = memory
    return heard, events


def _seconds(
    settings: Settings,
    probes: Mapping[str, ProbeMemory],
    out: Container[str],
    spoken: Mapping[str, Mapping[Quantity, Column]],
    probe: str,
    quantity: Quantity,
) -> list[Second]:
    """Return what the other probes of a probe's place and role said, before this stretch and in it."""
    mine, found = settings.probes[probe], []
    for name in settings.probes_at(mine.place, mine.role):
        if name != probe and name not in out:
            one = _second(probes[name], spoken.get(name, {}), quantity, settings.probes[name].interval)
            found += [one] if one else []
    return found


def _second(memory: ProbeMemory, spoken: Mapping[Quantity, Column], quantity: Quantity, interval_ms: int) -> Second | None:
    """Return what a probe said before this stretch and in it, a humidity with its air's temperature; None: nothing."""
    series = memory.series.get(quantity, Series())
    said = [one for one in ((series.before_ms, series.before_raw), (series.last_ms, series.last_raw)) if one[0] is not None]
    taken, value = np.array([at for at, _ in said], np.int64), np.array([np.nan if raw is None else raw for _, raw in said])
    column = newer(series, spoken[quantity]) if quantity in spoken else None
    if column is not None:
        taken, value = np.concatenate((taken, column.taken_ms)), np.concatenate((value, column.value))
    if not len(taken):
        return None
    humidity = quantity == "relative_humidity"
    air = _second(memory, spoken, "air_temperature", interval_ms) if humidity else None
    stands = cache(partial(stood, series, len(said), taken, value, interval_ms, humidity))
    return Second(taken, value, fresh_for_ms(interval_ms), air, stands)


def _medium(fault: MediumFault, from_ms: int) -> ConditionChange:
    return ConditionChange(
        max(fault.taken_ms, from_ms),
        None,
        "medium-down",
        "active" if fault.down else "normal",
        "outside" if fault.down else None,
        medium=fault.medium,
        because=fault.detail,
    )


def _view(
    settings: Settings,
    state: EngineState,
    place: str,
    at_place: dict[str, list[Heard]],
    stretch: Stretch,
    also_ms: tuple[int, ...],
    faults: dict[str, tuple[tuple[int, str], ...]],
    rooms: _Rooms,
) -> View | None:
    chamber = settings.chambers.get(place)
    if place not in settings.probes_by_place:
        return None
    memory, own = state.places[place], at_place.get(place, [])
    at_ms = instants(memory, own, stretch.from_ms, stretch.until_ms, unasked_every_ms(settings.fastest_ms[place]), also_ms)
    if not len(at_ms):
        return None
    room = chamber.room if chamber is not None else None
    names = settings.probes_at(room) if room else ()
    heard = at_place.get(room, []) if room else []
    out, adviser = state.keeper.out_of_service, state.advice.get(place, AdviceState())
    room_t = seen(settings, names, "air_temperature", state.probes, out, heard, at_ms, ROOM_FRESH_MS)
    room_h = seen(settings, names, "relative_humidity", state.probes, out, heard, at_ms, ROOM_FRESH_MS)
    around = Around(
        room_t.value,
        room_h.value,
        np.maximum(room_t.read_ms, room_h.read_ms),
        rooms.nights_of(state, room) if room else (),
        rooms.recent_of(state, room) if room else None,
        state.places[room].hours.get("temperature_c", {}) if room else {},
        faults,
        changed_ms(adviser, state.keeper.devices.get(place, ())),
        adviser.lid_checked_ms,
    )
    return look(settings, place, memory, state.probes, state.keeper, own, at_ms, around)


@dataclass(slots=True)
class _Rooms:
    """What the chambers of a stretch need from its rooms, which are looked at first."""

    recent: dict[str, Signal]
    nights: dict[str, tuple[Night, ...]]

    def met(self, view: View) -> None:
        """Take in a room's view."""
        self.recent[view.place] = view.recent.temperature
        self.nights[view.place] = tuple(nights_after(view))

    def recent_of(self, state: EngineState, room: str) -> Signal:
        """Return a room's temperature as a slow signal, from its tail where it was silent."""
        return self.recent[room] if room in self.recent else temperature_signal(state.places[room].tail)

    def nights_of(self, state: EngineState, room: str) -> tuple[Night, ...]:
        """Return a room's nights up to and with this stretch."""
        return self.nights.get(room, tuple(state.places[room].nights))


def _walk(state: EngineState, view: View) -> tuple[list[ConditionChange], dict[HarmKind, harm.Followed], Zones]:
    """Walk every check of a place and hand on the turns as changes of condition, what its accounts of harm say, and where its
    figures are to the limits that they passed."""
    changes: list[ConditionChange] = []
    zones: dict[str, NDArray[np.int8]] = {}
    accounts = harm.follow(view)
    settling = state.paused_ms is not None and int(view.at_ms[0]) < state.paused_ms + SETTLING_MS
    for check in CHECKS:
        for verdict in check.look(view) if check.rooms or view.chamber is not None else ():
            if verdict.alarm not in check.alarms:
                raise LookupError(f"a check that answers for {', '.join(check.alarms)} must not speak of {verdict.alarm}")
            key = verdict.alarm if verdict.probe is None else f"{verdict.alarm}/{verdict.probe}"
            memory = view.memory.walks.get(key) or Walk()
            row = ALARMS[verdict.alarm]
            account = harm.NOTHING if row.harm is None else accounts.get(row.harm, harm.NOTHING)
            if not rests(memory, verdict.zone):
                keep = None
                if settling and state.paused_ms is not None:
                    keep = np.flatnonzero((verdict.zone != UNSEEN) | (view.at_ms >= state.paused_ms + SETTLING_MS))
                if row.continuous and verdict.zone.max() >= OUTSIDE:
                    zones[verdict.alarm] = verdict.zone
                view.memory.walks[key], turned = _turned(view, verdict, memory, keep, account)
                changes += turned
            if account.steps:
                changes += _weighed(view, verdict, account)
    return changes, accounts, zones


def _kept(moving: Moving, keep: NDArray[np.intp]) -> NDArray[np.bool_]:
    return moving()[keep]


def _turned(
    view: View,
    verdict: Verdict,
    memory: Walk,
    keep: NDArray[np.intp] | None,
    account: harm.Followed,
) -> tuple[Walk, list[ConditionChange]]:
    moving: list[Moving | None] = [None if each is None else cache(each) for each in (verdict.worsening, verdict.returning)]
    zone, credit_ms, at_ms = verdict.zone, verdict.credit_ms, view.at_ms
    if keep is not None:
        zone, credit_ms, at_ms = zone[keep], credit_ms[keep], at_ms[keep]
        moving = [None if each is None else partial(_kept, each, keep) for each in moving]
    after, turns = walk(memory, zone, credit_ms, at_ms, verdict.delays, *moving)
    changes = []
    for turn in turns:
        if turn.to in ("seen", "unknown") and not ALARMS[verdict.alarm].continuous:
            continue
        index = turn.index if keep is None else int(keep[turn.index])
        facts = verdict.facts(index) if turn.to not in ("held", "unknown") else UNSEEN_FACTS
        level: Literal["outside", "harmful"] | None
        level = None if turn.to in ("normal", "seen", "unknown") else ("harmful" if turn.harmful else "outside")
        changes.append(
            ConditionChange(
                int(view.at_ms[index]),
                view.place,
                verdict.alarm,
                turn.to,
                level,
                facts.value,
                facts.limit,
                facts.unit,
                verdict.probe,
                view.settings.probes[verdict.probe].medium or None if verdict.probe else None,
                facts.seconds_left,
                facts.because,
                turn.edited,
                account.at(index),
                raised_from=facts.raised_from,
            )
        )
    return after, changes


_STEPS = {
    "mark": "a mark is crossed", "time": "half of the time that was left is gone",
    "priority": "it is more urgent now", None: "it is judged anew",
}


def _weighed(view: View, verdict: Verdict, account: harm.Followed) -> list[ConditionChange]:
    """Return the steps of an alarm's account of harm as changes; whether the alarm stands is for the alarms to know."""
    changes = []
    for step in account.steps:
        facts = UNSEEN_FACTS if step.harm.carried else verdict.facts(step.index)
        changes.append(
            ConditionChange(
                int(view.at_ms[step.index]), view.place, verdict.alarm, step.to, None, facts.value, facts.limit, facts.unit,
                because=f"{_STEPS[step.worse]}: {facts.because}", harm=step.harm, worse=step.worse, mark=step.mark,
                raised_from=facts.raised_from,
            )
        )
    return changes


def _keep(settings: Settings, state: EngineState, view: View, zones: Zones) -> None:
    """Remember the place: its present, hours or nights, and what a lid probe teaches."""
    memory = remembered(view)
    memory.hours = hours_after(view)
    if view.chamber is not None:
        harms, outside = standing(memory.harm, int(view.at_ms[-1])), outside_at(zones, -1)
        memory.present = situation_at(view, len(view.at_ms) - 1, settings.pressure_pa, harms, outside)
        memory.belief = _taught(view, memory)
    else:
        memory.nights = last_nights(nights_after(view))
    state.places[view.place] = memory


def _taught(view: View, memory: PlaceMemory) -> FactorBelief | None:
    """A lid probe teaches the factor once in a border's time, so that the estimate is good when the probe is lost."""
    on_border = int(view.at_ms[0]) % LEARN_EVERY_MS == 0  # every border is an instant and begins a stretch
    if memory.belief is None or not on_border or not view.lid_measured[0]:
        return memory.belief
    chamber_c, room_c = float(view.temperature.value[0]), float(view.room_temperature[0])
    if not chamber_c - room_c > 2.0:
        return memory.belief
    return learn_from_measurement(memory.belief, float(view.lid[0]), room_c, chamber_c, 0.3)
