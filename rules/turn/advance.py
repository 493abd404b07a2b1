"""The one way through: `advance`, from a batch of the stream to what must be said.

`advance` is a pure function and cut invariant: the same stream, cut into batches anywhere, gives the same events with the same
ids and the same state. An instant is closed only when `now_ms` is later than it, so everything that happens at one instant is
seen together. Inside a stretch all samples are judged at once; only where something turns is there a walk.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter
from typing import Annotated

import numpy as np
from pydantic import BeforeValidator, TypeAdapter

from rules.alarms import alarms
from rules.alarms.band_edits import edited, limits_of
from rules.alarms.life import Told
from rules.care import care
from rules.climate.consensus import looks_unasked
from rules.climate.course import Presents
from rules.climate.hours import Climate, oldest_hour, pruned
from rules.climate.memory import PlaceMemory, ProbeMemory
from rules.climate.situation import Situation
from rules.climate.stream import Rows, Stretch, joined, kept, stretches, unwatched
from rules.keeper import devices, presence
from rules.keeper.devices import lid_now
from rules.physics.lid_factor import prior_factor
from rules.settings import Settings
from rules.telling import telling
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import DAY_MS, AlarmEvent, Batch, Event, Item, Pause, SystemEvent
from rules.terms.words import Spoken, Word
from rules.turn.advising import advise
from rules.turn.calibration import ignore_impossible
from rules.turn.corrections import apply_word
from rules.turn.perceive import LEARN_EVERY_MS, perceive
from rules.turn.state import EngineState, shifted
from rules.turn.taken_back import journalled
from rules.turn.upgrade import upgraded
from rules.turn.verdict import in_words

_STATE: TypeAdapter[EngineState] = TypeAdapter(Annotated[EngineState, BeforeValidator(upgraded)])
IDS_KEPT_FOR_MS = 90 * DAY_MS
"""So long after a word last came in its id is remembered. A file that cannot be removed from the spool comes in every minute,
and a word by MQTT may be minutes old: what has not come for so long comes no more (own estimate, with much to spare)."""

__all__ = ["Advanced", "EngineState", "advance", "dump_state", "load_state"]


@dataclass(frozen=True, slots=True)
class Advanced:
    """What became of the state, what must be said, in order of time, and the present of each chamber that was looked at."""

    state: EngineState
    events: list[Event]
    present: dict[str, Situation]
    """By chamber, at its newest instant; whoever says how it is now says it from here."""


def dump_state(state: EngineState) -> bytes:
    """Return the state as JSON."""
    return _STATE.dump_json(state)


def load_state(text: bytes) -> EngineState:
    """Return the state that `dump_state` wrote, today or years ago; raises pydantic.ValidationError if it is none."""
    return _STATE.validate_json(text)


def advance(settings: Settings, state: EngineState | None, batch: Batch, now_ms: int) -> Advanced:
    """Return the state after a batch and the events it gave; the state handed in is not changed.

    `now_ms`: everything before this instant is closed. It must not be earlier than in the call before; to hear of an instant
    at once, call with a later one.
    """
    stepped = state is not None and batch.clock_step_ms != 0
    state = replace(state) if state is not None else _beginning(batch, now_ms)
    events: list[Event] = []
    if stepped:
        state, told = _stepped(settings, state, batch.clock_step_ms)
        events += told
    looked: set[str] = set()
    state.probes, state.places, state.advice = dict(state.probes), dict(state.places), dict(state.advice)
    rows, items = joined(state.waiting, batch, state.closed_ms)
    events += _configured(settings, state)
    if impossible := ignore_impossible(settings, state):
        events += _told(settings, state, impossible, state.closed_ms, state.closed_ms)
    pauses = unwatched(items, state.closed_ms, now_ms)
    rows, items, waiting = kept(rows, items, now_ms)
    if now_ms > state.closed_ms and (len(rows.taken_ms) or items or not _rests(settings, state, now_ms)):
        items = _once(state, items)
        for stretch in stretches(rows, items, state.closed_ms, now_ms, _borders(settings, state, rows, items, now_ms), pauses):
            events += _stretch(settings, state, stretch, looked)
    state.closed_ms, state.waiting = max(now_ms, state.closed_ms), waiting
    seen = ((name, state.places[name].present) for name in sorted(looked, key=settings.order_of.__getitem__))
    return Advanced(state, events, {name: situation for name, situation in seen if situation is not None})


def _beginning(batch: Batch, now_ms: int) -> EngineState:
    """Return the state before anything: it begins with the first that was heard, or with the pause that comes before that."""
    begins = (item.begin_ms if isinstance(item, Pause) else item.taken_ms for item in batch.items)
    first = min([*batch.taken_ms[:1].tolist(), *begins, now_ms])
    return EngineState(origin=np.base_repr(first, 36).lower(), closed_ms=first)


def _stepped(settings: Settings, state: EngineState, step_ms: int) -> tuple[EngineState, list[Event]]:
    """Close what waits under the old clock, then move every remembered instant: durations hold."""
    last = max([state.closed_ms, *(at + 1 for at in state.waiting.taken_ms), *(b["taken_ms"] + 1 for b in state.waiting.items)])
    done = advance(settings, state, Batch(), last)
    moved: EngineState = shifted(done.state, step_ms)
    told = SystemEvent(
        id=f"{moved.origin}.system.clock-step.{moved.closed_ms}",
        at_ms=moved.closed_ms,
        chamber=None,
        what="clock-step",
        text=f"the server's clock was set by {step_ms / 1000:+.0f} s; delays and alarms go on undisturbed",
    )
    moved.telling = telling.configured(settings, moved.telling, moved.closed_ms)
    return moved, [*done.events, *_told(settings, moved, [told], moved.closed_ms, moved.closed_ms)]


def _meet(settings: Settings, state: EngineState) -> None:
    """Remember what the config has and the state has not seen yet."""
    for name in settings.probes:
        if name not in state.probes:
            state.probes[name] = ProbeMemory(since_ms=state.closed_ms)
    for name in (*settings.rooms, *settings.chambers):
        if name not in state.places:
            state.places[name] = PlaceMemory(since_ms=state.closed_ms)


def _configured(settings: Settings, state: EngineState) -> list[Event]:
    """Notice an edited config: limits that moved are looked at anew, alarms of what is gone are closed."""
    if state.config_print == settings.fingerprint:
        return []
    _meet(settings, state)
    first, state.config_print = not state.config_print, settings.fingerprint
    for name in settings.chambers:
        memory, limits = state.places[name], limits_of(settings, name)
        walks = memory.walks if first else edited(memory.walks, memory.limits, limits)
        state.places[name] = replace(memory, walks=walks, limits=limits)
    state.keeper = devices.configured(settings, state.keeper, state.closed_ms)
    _know_lids(settings, state)
    if first:
        return []
    state.alarms, events = alarms.configured(settings, state.alarms, state.keeper, state.closed_ms, state.origin)
    state.care = care.replan(settings, state.care, state.keeper, state.closed_ms)
    for gone in set(state.places) - set(settings.rooms) - set(settings.chambers):
        del state.places[gone]
    for gone in set(state.probes) - set(settings.probes):
        del state.probes[gone]
    state.advice = {name: kept_ for name, kept_ in state.advice.items() if name in settings.chambers}
    state.telling = telling.configured(settings, state.telling, state.closed_ms)
    return _told(settings, state, list(events), state.closed_ms, state.closed_ms)


def _know_lids(settings: Settings, state: EngineState) -> None:
    """Begin a new belief in the factor of each lid that is another one now: edited, or told to have been changed."""
    for name, chamber in settings.chambers.items():
        lid = lid_now(state.keeper, name, chamber)
        memory, lid_print = state.places[name], lid.model_dump_json()
        if memory.lid_print != lid_print:
            state.places[name] = replace(memory, belief=prior_factor(lid), lid_print=lid_print, lessons=[])


def _rests(settings: Settings, state: EngineState, until_ms: int) -> bool:
    """Return whether nothing turns before an instant to which nothing came: no place is looked at unasked, no hour ends, and of
    what was told, planned or owed nothing begins, ends or falls due. Most turns of a daemon are such."""
    from_ms = state.closed_ms
    return (
        not looks_unasked(settings, from_ms, until_ms)
        and oldest_hour(from_ms) == oldest_hour(until_ms)
        and alarms.nothing_due(state.alarms, until_ms)
        and care.nothing_due(state.care, until_ms)
        and telling.nothing_due(state.telling, until_ms)
        and not any(from_ms <= border < until_ms for border in presence.borders(state.keeper, ()))
    )


def _once(state: EngineState, items: list[Item]) -> list[Item]:
    """Drop words that were taken before: a word is taken once, for as long as it comes."""
    fresh: list[Item] = []
    for taken_ms, together in groupby(items, key=attrgetter("taken_ms")):
        taken = dict(state.words_taken_ms)
        for item in together:
            if not isinstance(item, Spoken) or item.word_id not in taken:
                fresh.append(item)
            if isinstance(item, Spoken):
                taken[item.word_id] = taken_ms
        state.words_taken_ms = {name: last_ms for name, last_ms in taken.items() if taken_ms - last_ms <= IDS_KEPT_FOR_MS}
    return fresh


def _borders(settings: Settings, state: EngineState, rows: Rows, items: list[Item], now_ms: int) -> tuple[int, ...]:
    """Instants at which a stretch must end: something the keeper told begins or ends, a probe tells a quantity for the first
    time, a lid probe teaches."""
    borders = [*presence.borders(state.keeper, items), *_first_told(state, rows)]
    lids = {name for name, probe in settings.probes.items() if probe.role == "lid"}
    if lids:
        heard = [row.last_ms for name in lids for row in state.probes[name].series.values() if row.last_ms is not None]
        of_lids = np.isin(rows.series, [code for code, (name, _) in enumerate(rows.names) if name in lids])
        stamps = np.sort(np.concatenate((np.array(heard, np.int64), rows.taken_ms[of_lids])))
        at_ms = np.arange(-(-state.closed_ms // LEARN_EVERY_MS) * LEARN_EVERY_MS, now_ms, LEARN_EVERY_MS)
        teaches = np.searchsorted(stamps, at_ms, "right") > np.searchsorted(stamps, at_ms - DAY_MS)
        for border in at_ms[teaches].tolist():  # what is learned holds from right after the instant on
            borders += (border, border + 1)
    return tuple(borders)


def _first_told(state: EngineState, rows: Rows) -> list[int]:
    """Return when each quantity comes in that its probe has not told before: within a stretch no probe begins to tell one."""
    new = [
        code
        for code, (name, quantity) in enumerate(rows.names)
        if name in state.probes and quantity not in state.probes[name].series
    ]
    if not new:
        return []
    first_ms = np.full(len(rows.names), state.closed_ms)
    first_ms[rows.series[::-1]] = rows.taken_ms[::-1]  # of rows of one series the last that is assigned stays
    begins: list[int] = first_ms[new].tolist()
    return begins


# ---------------------------------------------------------------- one stretch


def _stretch(settings: Settings, state: EngineState, stretch: Stretch, looked: set[str]) -> list[Event]:
    """Go through one stretch and note which chambers were looked at."""
    at_ms = stretch.from_ms
    if any(isinstance(item, Pause) for item in stretch.first):
        _resume(state, at_ms)
    spoken = [item for item in stretch.first if isinstance(item, Spoken)]
    heard = presence.follow(settings, state.keeper, spoken, at_ms, state.origin)
    state.keeper, words = heard.state, heard.words
    state.spoken_ms = at_ms if spoken or heard.turned else state.spoken_ms
    events: list[Event] = [*heard.events]
    for word in words:
        events += apply_word(settings, state, word, at_ms)
    if words:
        _know_lids(settings, state)
    places = dict(state.places)
    perceived = perceive(settings, state, stretch, also_ms=(at_ms,) if spoken else ())
    looked.update(perceived.courses)
    presents = Presents(places, perceived.courses)
    events += perceived.quality
    stimuli: list[ConditionChange | Word] = [*words, *perceived.changes]
    before = alarms.all_standing(state.alarms)
    state.alarms, told = alarms.follow(
        settings, state.alarms, state.keeper, stimuli, at_ms, stretch.until_ms, state.origin, turned=heard.turned
    )
    events += _with_present(presents, told, perceived.changes)
    state.care, cared = care.follow(
        settings, state.care, heard, at_ms, stretch.until_ms, state.origin, Climate(state.places), presents,
        in_words(before) if words else {},
    )  # fmt: skip
    events += cared
    if spoken:
        journalled(state, events)
    state.care = care.happened(state.care, events, words, state.origin)
    events += advise(settings, state, perceived.views, before, told, presents)
    if oldest_hour(at_ms) != oldest_hour(stretch.until_ms):
        for name, place in state.places.items():  # rooms too, and places that were silent
            state.places[name] = replace(place, hours=pruned(place.hours, stretch.until_ms))
    return _told(settings, state, events, at_ms, stretch.until_ms, presents)


def _with_present(presents: Presents, told: list[Told], changes: list[ConditionChange]) -> list[Told]:
    """Give every alarm the value of its event's instant, for those who read it; what turned has it from its check. Advice goes
    by the alarms as they stand, which know none of it after the stretch either."""
    turned = {(change.chamber, change.alarm, change.probe, change.at_ms) for change in changes if change.value is not None}
    return [
        presents.told(event, event.at_ms)
        if isinstance(event, AlarmEvent) and (event.chamber, event.alarm, event.probe, event.at_ms) not in turned
        else event
        for event in told
    ]


def _resume(state: EngineState, at_ms: int) -> None:
    """Nobody watched: start the clock of every silence anew, and let the first minutes settle."""
    state.paused_ms = at_ms
    for name, memory in state.probes.items():
        state.probes[name] = replace(memory, since_ms=at_ms)
    for name, place in state.places.items():
        state.places[name] = replace(place, instant_ms=at_ms, heard_ms=at_ms)


def _told(
    settings: Settings, state: EngineState, events: list[Event], from_ms: int, until_ms: int, presents: Presents | None = None
) -> list[Event]:
    """Put the events in order and add the letters that are owed for them."""
    events = sorted(events, key=attrgetter("at_ms"))
    presents, away = presents or Presents(state.places), state.keeper.away
    state.telling, letters = telling.tell(settings, state.telling, events, from_ms, until_ms, state.origin, presents, away=away)
    return sorted([*events, *letters], key=attrgetter("at_ms")) if letters else events
