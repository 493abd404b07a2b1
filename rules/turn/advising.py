"""When a chamber's adviser is asked, and with which situation: wherever an alarm turned or ten minutes passed."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial

import numpy as np

from rules.advice import advisory
from rules.advice.done import changed_ms, owed
from rules.advice.looks import LOOK_MS, looks_at, news_since_ms
from rules.advice.standing import Standing
from rules.advice.state import AdviceState
from rules.advice.steady import LEAST_HOURS, SWING_MS
from rules.advice.worth import held_against, is_due
from rules.alarms import alarms
from rules.climate.course import Presents
from rules.climate.hours import SWINGING, Climate
from rules.climate.situate import is_saturated, situation_at
from rules.climate.situation import Situation
from rules.climate.view import View
from rules.keeper.devices import dried_ms
from rules.settings import Chamber, Settings
from rules.terms.condition_changes import Harm
from rules.terms.events import DAY_MS, AlarmEvent, Event
from rules.trade.alarm_kinds import ALARMS, QUESTIONS
from rules.turn.state import EngineState
from rules.turn.together import Together


def advise(
    settings: Settings,
    state: EngineState,
    views: dict[str, View],
    before: Mapping[str | None, dict[str, alarms.AlarmRecord]],
    told: Sequence[Event],
    presents: Presents,
) -> list[Event]:
    """Let each chamber's adviser look wherever an alarm turned or ten minutes have passed."""
    events: list[Event] = []
    turned = [event for event in told if isinstance(event, AlarmEvent)]
    of_chamber: dict[str | None, list[AlarmEvent]] = {}
    for event in turned:
        of_chamber.setdefault(event.chamber, []).append(event)
    together, climate = Together(settings, state, presents, before, turned), Climate(state.places)
    for name, view in views.items():
        mine, stood = of_chamber.get(name, []), before.get(name, {})
        adviser = known = state.advice.get(name, AdviceState())
        set_ = state.keeper.devices.get(name, ())
        owes = owed(adviser, settings.chambers[name], set_)
        if not mine and not stood and not owes.after(int(view.at_ms[0])) and not adviser.awaited:
            continue
        standing = _told_standing(stood)
        blind = np.isnan(view.temperature.value) & np.isnan(view.humidity.value)
        places, turned_ms = _occasions(view, mine), {event.at_ms for event in mine}
        instants, met = view.at_ms[places].tolist(), 0
        for end, stands in _stood(instants, mine, standing):
            asked = not QUESTIONS.issuperset(row.alarm for row in stands.values())  # those are the digest's alone
            while met < end:
                index, at_ms = places[met], instants[met]
                met += 1
                if is_due(adviser, at_ms):
                    adviser = held_against(adviser, situation_at(view, index, settings.pressure_pa))
                owing = owes.at(at_ms)
                if not asked and not owing:
                    if not owes.after(at_ms):
                        met = bisect_left(instants, adviser.awaited[0].due_ms, met, end) if adviser.awaited else end
                    continue
                looks = looks_at(settings.telling, adviser, stands, at_ms, blind=bool(blind[index]))
                since_ms = news_since_ms(settings.telling, adviser, stands, at_ms) if looks and not blind[index] else None
                if since_ms is not None:
                    looks = heard_ms(state, view, index) > since_ms or bool(together.besides(name, at_ms))
                if not looks and at_ms not in turned_ms:
                    continue
                if not owing and not together.moved(name, at_ms) and nothing_to_say(view, index, stands):
                    continue
                harm = tuple(presents.harms(name, at_ms).values())
                seen = situation_at(view, index, settings.pressure_pa)
                situation = for_adviser(settings, state, seen, adviser, together, climate, harm)
                now = [event for event in mine if event.at_ms == at_ms and event.priority == "wake"]
                worse = any(event.change in ("worsened", "escalated") for event in now)
                moves = partial(climate.moves, name, at_ms)
                adviser, spoken = advisory.consider(
                    settings, name, adviser, situation, stands, state.origin, moves, worse=worse
                )
                owes = owed(adviser, settings.chambers[name], set_)
                events += spoken
        if adviser is not known:
            state.advice[name] = adviser
    return events


def heard_ms(state: EngineState, view: View, index: int) -> int:
    """Return when anything was last heard up to an instant on which a chamber's advice may turn: a reading of its own, a
    believed one of its room, a word of the keeper."""
    newest = [int(view.room_read_ms[index]), view.memory.heard_ms or 0, state.spoken_ms or 0]
    for item in view.heard:
        said_ms = item.judged.at_ms
        newest += said_ms[: said_ms.searchsorted(view.at_ms[index], "right")][-1:].tolist()
    return max(newest)


def nothing_to_say(view: View, index: int, stands: Mapping[str, Standing]) -> bool:
    """Return whether nothing can come of a look where no adviser owes anything and no room moves its chambers: no alarm of the
    climate stands, no thermostat swings too widely, and temperature and humidity are seen and believed, so that what does
    stand calls for no probe."""
    if any(ALARMS[row.alarm].answered == "climate" or row.alarm == "temperature-swings" for row in stands.values()):
        return False
    seen = not np.isnan(view.temperature.value[index]) and not np.isnan(view.humidity.value[index])
    return seen and not is_saturated(view, index)


def for_adviser(
    settings: Settings, state: EngineState, situation: Situation, adviser: AdviceState, together: Together, climate: Climate,
    harm: tuple[Harm, ...] | None = None,
) -> Situation:
    """Return the situation with the settings as told, the swings of the last hours since one was changed, and the chambers
    that are moved with it; `harm`: the accounts of harm as they stand then, None: as they are in the situation."""
    changes = tuple(state.keeper.devices.get(situation.chamber, ()))
    moved_ms, dried = changed_ms(adviser, changes), dried_ms(settings.chambers[situation.chamber], changes)
    since_ms = situation.at_ms - SWING_MS if moved_ms is None else max(moved_ms, situation.at_ms - SWING_MS)
    temperature, humidity, margin = (
        climate.swing(situation.chamber, name, since_ms, situation.at_ms) for name in SWINGING
    )
    settling = moved_ms is not None and (humidity is None or humidity.hours < LEAST_HOURS)
    return situation.but(
        changes=changes, temperature_swing=temperature, humidity_swing=humidity, margin_swing=margin,
        vapour_fall_k=climate.vapour_fall_k(situation) if dried is None or situation.at_ms - dried > DAY_MS else None,
        room_ahead=climate.room_ahead(_tells_the_days(settings.chambers[situation.chamber], situation), situation.at_ms),
        settling=settling, besides=together.besides(situation.chamber, situation.at_ms),
        harm=situation.harm if harm is None else harm,
    )


def _tells_the_days(chamber: Chamber, situation: Situation) -> str | None:
    """Return whose last days tell how it goes on: the room's, or where nobody measures it and nothing switches the heat, those
    of a box that is too warm itself, or it would be turned down by what only its noon asks for. Not of a box that is too cold:
    yesterday's noon promises warmth to a room that falls."""
    heater, high, harmful = chamber.devices.heater, chamber.temperature.high, chamber.temperature.harmful_high
    t, switched = situation.temperature_c, heater is not None and heater.thermostat
    if situation.room_temperature_c is not None or switched or t is None or high is None:
        return chamber.room
    return situation.chamber if high < t and (harmful is None or t < harmful) else chamber.room


def may_be_asked(settings: Settings, state: EngineState, chamber: str, alarms: Iterable[str], from_ms: int) -> bool:
    """Return whether a chamber's adviser may have to look at a stretch without words, in which no alarm changes by itself.

    `alarms`: those that turned there or stand; `from_ms`: where it begins.
    """
    adviser, set_ = state.advice.get(chamber, AdviceState()), state.keeper.devices.get(chamber, ())
    owing = owed(adviser, settings.chambers[chamber], set_).after(from_ms)
    return owing or bool(adviser.awaited) or not QUESTIONS.issuperset(alarms)


def _stood(
    instants: list[int], mine: Sequence[AlarmEvent], standing: dict[str, Standing]
) -> Iterator[tuple[int, dict[str, Standing]]]:
    """Yield what stands over each run of occasions, with the place where the run ends."""
    begin = 0
    for event in mine:
        place = bisect_left(instants, event.at_ms, begin)
        if place > begin:
            yield place, standing
        standing, begin = dict(standing), place
        _stand(standing, event)
    yield len(instants), standing


def _occasions(view: View, mine: Sequence[AlarmEvent]) -> list[int]:
    turned = np.flatnonzero(np.isin(view.at_ms, [event.at_ms for event in mine]))
    grid = np.flatnonzero(view.at_ms % LOOK_MS == 0)
    return np.union1d(turned, grid).tolist()  # type: ignore[no-any-return]


def standing_of(state: EngineState, chamber: str) -> dict[str, Standing]:
    """Return what stands for a chamber's adviser now: alarms that are open and that no other one explains."""
    return _told_standing(alarms.standing(state.alarms, chamber))


def _told_standing(records: Mapping[str, alarms.AlarmRecord]) -> dict[str, Standing]:
    return {key: record for key, record in records.items() if record.open and record.suppression in ("none", "shelved")}


def _stand(standing: dict[str, Standing], event: AlarmEvent) -> None:
    """Follow one alarm event: what stands, what is gone, what is hidden by design."""
    key = event.alarm if event.probe is None else f"{event.alarm}/{event.probe}"
    if event.condition in ("active", "held") and event.suppression in ("none", "shelved"):
        standing[key] = event
    else:
        standing.pop(key, None)
