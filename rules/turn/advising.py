"""When a chamber's adviser is asked, and with which situation: wherever an alarm turned, a word came, or ten minutes passed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from rules.advice import advisory
from rules.alarms import alarms
from rules.climate.hours import Climate, Hourly, swing_of
from rules.climate.situate import situation_at, situations_at
from rules.climate.situation import Situation
from rules.climate.stream import Stretch
from rules.climate.view import View
from rules.settings import Settings
from rules.terms.events import HOUR_MS, AlarmEvent, Event, WordEvent
from rules.terms.words import AdviceDone, Calibrated, ModelFitted, Word
from rules.turn.state import EngineState

SWING_MS = 3 * HOUR_MS
"""A mat's thermostat switches within half an hour to two hours: three hold a whole swing; own estimate."""
_SWINGING: tuple[Hourly, ...] = ("temperature_c", "relative_humidity_pct", "dew_margin_k")


def advise(
    settings: Settings,
    state: EngineState,
    views: dict[str, View],
    words: Sequence[Word],
    before: dict[str, dict[str, alarms.AlarmRecord]],
    told: Sequence[Event],
    stretch: Stretch,
) -> list[Event]:
    """Let each chamber's adviser look wherever an alarm turned, a word concerns it, or ten minutes have passed."""
    events: list[Event] = [_answer(state, word, stretch.from_ms) for word in words if isinstance(word, AdviceDone)]
    for name, view in views.items():
        mine = [event for event in told if isinstance(event, AlarmEvent) and event.chamber == name]
        adviser = state.advice.get(name, advisory.AdviceState())
        if not mine and not before[name] and not words and not advisory.owes(adviser):
            continue
        standing = _told_standing(before[name])
        adviser, heard_ = _hear_words(settings, state, name, view, adviser, words, stretch.from_ms)
        events += heard_
        occasions = _stood(view, mine, standing)
        met = [index for index, stands in occasions if stands]
        situations = dict(zip(met, situations_at(view, met, settings.pressure_pa), strict=True))
        for index, stands in occasions:
            if not stands and not advisory.owes(adviser):
                continue
            situation = situations.get(index) or situation_at(view, index, settings.pressure_pa)
            situation = with_swings(Climate(state.places), situation, adviser)
            adviser, spoken = advisory.consider(settings, name, adviser, situation, stands, state.origin)
            events += spoken
        state.advice[name] = adviser
    return events


def with_swings(climate: Climate, situation: Situation, adviser: advisory.AdviceState) -> Situation:
    """Return the situation with how its figures swung over the last whole hours, but not before a setting was changed."""
    changed_ms = advisory.changed_ms(adviser)
    since_ms = situation.at_ms - SWING_MS if changed_ms is None else max(changed_ms, situation.at_ms - SWING_MS)
    temperature, humidity, margin = (
        swing_of(climate.hours(situation.chamber, name, situation.at_ms - since_ms, situation.at_ms)) for name in _SWINGING
    )
    return replace(situation, temperature_swing=temperature, humidity_swing=humidity, margin_swing=margin)


def may_be_asked(state: EngineState, chamber: str, turned: bool) -> bool:
    """Return whether a chamber's adviser may have to look at a stretch without words, in which no alarm changes by itself."""
    adviser = state.advice.get(chamber)
    return turned or bool(alarms.standing(state.alarms, chamber)) or (adviser is not None and advisory.owes(adviser))


def _stood(
    view: View,
    mine: list[AlarmEvent],
    standing: dict[str, advisory.Standing],
) -> list[tuple[int, dict[str, advisory.Standing]]]:
    """Return each occasion with what then stands."""
    stood, turns = [], iter([*mine, None])
    turn = next(turns)
    for index in _occasions(view, mine):
        while turn is not None and turn.at_ms <= view.at_ms[index]:
            standing = dict(standing)
            _stand(standing, turn)
            turn = next(turns)
        stood.append((index, standing))
    return stood


def _answer(state: EngineState, word: AdviceDone, at_ms: int) -> WordEvent:
    """Say what becomes of a `done`: it is taken once, for the open advisory of a chamber or the one before it."""
    known = {
        item.advisory: (name, item.done_ms is not None)
        for name, adviser in sorted(state.advice.items())  # as they came into the state depends on how the stream was cut
        for item in (adviser.last, adviser.open)
        if item is not None
    }
    chamber, before = known.get(word.advisory, (None, False))
    text = f"{word.advisory} is done; what it does will be compared with what was predicted"
    if before:
        text = f"done_before: {word.advisory} was told as done before; nothing is changed by it"
    elif chamber is None:
        text = f"unknown_advice: there is no advice {word.advisory!r}; there are: {', '.join(known) or 'none'}"
    return WordEvent(
        id=f"{state.origin}.word.{word.word_id}",
        at_ms=at_ms,
        chamber=chamber,
        word=word.word,
        accepted=chamber is not None,
        text=text,
    )


def _occasions(view: View, mine: Sequence[AlarmEvent]) -> Iterable[int]:
    turned = np.flatnonzero(np.isin(view.at_ms, [event.at_ms for event in mine]))
    grid = np.flatnonzero(view.at_ms % 600_000 == 0)
    return np.union1d(turned, grid).tolist()  # type: ignore[no-any-return]


def _hear_words(
    settings: Settings,
    state: EngineState,
    name: str,
    view: View,
    adviser: advisory.AdviceState,
    words: Sequence[Word],
    at_ms: int,
) -> tuple[advisory.AdviceState, list[Event]]:
    events: list[Event] = []
    for word in words:
        if _concerns(settings, name, word):
            situation = situation_at(view, 0, settings.pressure_pa)
            adviser, spoken = advisory.hear(settings, name, adviser, word, situation, state.origin)  # type: ignore[arg-type]
            events += spoken
    return adviser, events


def _concerns(settings: Settings, chamber: str, word: Word) -> bool:
    if isinstance(word, Calibrated):
        return word.probe in settings.probes and settings.probes[word.probe].place == chamber
    return isinstance(word, AdviceDone) or (isinstance(word, ModelFitted) and word.chamber == chamber)


def standing_of(state: EngineState, chamber: str) -> dict[str, advisory.Standing]:
    """Return what stands for a chamber's adviser now: alarms that are open and that no other one explains."""
    return _told_standing(alarms.standing(state.alarms, chamber))


def _told_standing(records: Mapping[str, alarms.AlarmRecord]) -> dict[str, advisory.Standing]:
    return {key: record for key, record in records.items() if record.open and record.suppression in ("none", "shelved")}


def _stand(standing: dict[str, advisory.Standing], event: AlarmEvent) -> None:
    """Follow one alarm event: what stands, what is gone, what is hidden by design."""
    key = event.alarm if event.probe is None else f"{event.alarm}/{event.probe}"
    if event.condition in ("active", "held") and event.suppression in ("none", "shelved"):
        standing[key] = event
    else:
        standing.pop(key, None)
