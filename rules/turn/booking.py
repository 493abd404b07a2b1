"""A word that advice was done: what was told is booked once, as the keeper's and as done, and its amount may be corrected."""

from __future__ import annotations

from dataclasses import replace

from rules.advice import done
from rules.advice.state import OpenAdvice
from rules.advice.steady import steadied
from rules.advice.text import in_keepers_unit
from rules.keeper.devices import changed, without
from rules.keeper.refusal import KEPT, answer
from rules.keeper.said import known_ids, superseded
from rules.keeper.state import DeviceChange
from rules.settings import Settings
from rules.terms.events import WordEvent
from rules.terms.words import AdviceDone
from rules.trade.acts import WIPES
from rules.turn.advising import standing_of
from rules.turn.present import advised_on
from rules.turn.state import EngineState
from rules.turn.taken_back import told_by, wiped


def booked(settings: Settings, state: EngineState, word: AdviceDone, at_ms: int) -> WordEvent:
    """Book what was told under a name, of the open advisory of a chamber or the one before it, and answer the word."""
    for name, adviser in state.advice.items():
        told = done.told_as(adviser, word.advisory)
        if told is not None:
            accepted, text = _booked(settings, state, name, told, word, at_ms)
            text = in_keepers_unit(text, settings.site.temperature_unit)
            still = done.still_asked(state.advice[name], told) is not None
            return answer(state.origin, word, accepted, text, name, advisory=told.advisory, asks_still=still)
    # In order of the chambers: that in which they came into the state depends on how the stream was cut.
    known = [told.name for _, adviser in sorted(state.advice.items()) for _, told in done.wordings(adviser)]
    text = f"unknown_advice: there is no advice {word.advisory!r}; there are: {', '.join(known) or 'none'}"
    return answer(state.origin, word, False, text)


def _booked(
    settings: Settings, state: EngineState, name: str, told: OpenAdvice, word: AdviceDone, at_ms: int
) -> tuple[bool, str]:
    adviser, first = state.advice[name], done.corrects(state.advice[name], told, word.amount, at_ms)
    if told.done_ms is not None and first is None:
        later = "" if word.amount is None else "; an amount can be corrected until its effect is judged"
        return True, f"done_before: {word.advisory} was told as done before; nothing is changed by it{later}"
    chamber = settings.chambers[name]
    why = done.why_no_amount(told, word.amount) or done.why_not_left_out(told, chamber, left_out=word.left_out)
    if why is not None:
        return False, f"{why}{KEPT}"
    if first is None:
        begun = _begun(settings, state, name, at_ms)
    else:
        begun, adviser = done.begun_before(told, first.done_ms), done.taken_back(adviser, first.word_id)
        told = done.told_as(adviser, told.name) or told
        state.keeper = superseded(without(state.keeper, first.word_id), first.word_id)
    still = done.still_asked(adviser, told)
    if not WIPES.isdisjoint(told.acts):
        lid = state.places[name]
        state.places[name] = (
            wiped(lid, word.word_id, begun.at_ms, known_ids(state.keeper)) if first is None
            else told_by(lid, first.word_id, word.word_id)
        )  # fmt: skip
    adviser = done.remembered(adviser, told, word.word_id, begun.at_ms, known_ids(state.keeper))
    vents = chamber.devices.vents.count
    state.advice[name], changes = done.done(adviser, told, word.amount, begun, vents, left_out=word.left_out)
    _told(state, name, changes, word)
    others = [other for other in told.event.boxes if other != name and other in settings.chambers]
    for other in others:
        _told(state, other, done.done_along(told, begun.at_ms, settings.chambers[other].devices.vents.count), word)
    along = [settings.chambers[other].title or other for other in others]
    return True, done.booked_text(told, word.amount, along, still, left_out=word.left_out)


def _begun(settings: Settings, state: EngineState, name: str, at_ms: int) -> done.Begun:
    seen, looked_at = state.places[name].present, advised_on(settings, state, name)
    steady = None if looked_at is None else steadied(settings.chambers[name], looked_at, standing_of(state, name))
    return done.begun_at(at_ms, None if seen is None else seen.temperature_c, steady)


def _told(state: EngineState, name: str, changes: list[DeviceChange], word: AdviceDone) -> None:
    state.keeper = changed(state.keeper, name, [replace(change, word_id=word.word_id) for change in changes])
