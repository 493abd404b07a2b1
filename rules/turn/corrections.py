"""The keeper's words that change what is seen: probes out of use, visits, corrections, and what the lid looked like."""

from __future__ import annotations

from dataclasses import replace

from rules.climate.hours import Climate
from rules.climate.memory import Correction, PlaceMemory
from rules.climate.place_uncertainty import temperature_u_k
from rules.physics.lid_factor import learn_from_measurement, learn_from_sighting
from rules.physics.uncertainty import dew_margin_uncertainty_k, humidity_standard_uncertainty_pct
from rules.physics.vapour import dew_point_c
from rules.settings import Settings
from rules.terms.events import HOUR_MS, MINUTE_MS, WordEvent
from rules.terms.quantities import Quantity
from rules.terms.words import Calibrated, LidMeasured, LidSeen, ModelFitted, OutOfService, Visit, Word
from rules.turn.state import EngineState

NEAR_MS = 30 * MINUTE_MS


def apply_word(settings: Settings, state: EngineState, word: Word, at_ms: int) -> list[WordEvent]:
    """Change what the state believes of the world by one word; words of others (alarms, care, advice) are not for here."""
    if isinstance(word, OutOfService):
        memory = state.probes.get(word.probe)
        if memory is not None:
            state.probes[word.probe] = replace(memory, out_until_ms=at_ms + word.for_ms if word.for_ms else None)
        return []  # the alarm life answers
    if isinstance(word, Visit):
        if word.chamber in settings.chambers:
            memory_of = state.places[word.chamber]
            state.places[word.chamber] = replace(memory_of, visit_until_ms=at_ms + word.for_ms, fell_from_m=None)
        return []
    if isinstance(word, Calibrated):
        return [_correct(settings, state, word, at_ms)]
    if isinstance(word, LidMeasured | LidSeen):
        return [_lid(settings, state, word, at_ms)]
    if isinstance(word, ModelFitted):
        return [
            _answer(
                state, word, at_ms, word.chamber, word.chamber in settings.chambers, "the daily fit of this chamber's model"
            )
        ]
    return []


def _answer(state: EngineState, word: Word, at_ms: int, chamber: str | None, accepted: bool, text: str) -> WordEvent:
    return WordEvent(
        id=f"{state.origin}.word.{word.word_id}", at_ms=at_ms, chamber=chamber, word=word.word, accepted=accepted, text=text
    )


def _correct(settings: Settings, state: EngineState, word: Calibrated, at_ms: int) -> WordEvent:
    memory = state.probes.get(word.probe)
    if memory is None:
        known = ", ".join(sorted(settings.probes))
        return _answer(state, word, at_ms, None, False, f"there is no probe {word.probe!r}; there are: {known}")
    corrections = dict(memory.corrections)
    corrections[word.quantity] = Correction(at_ms, word.gain, word.offset, word.standard_uncertainty)
    state.probes[word.probe] = replace(memory, corrections=corrections)
    place = settings.probes[word.probe].place
    state.places[place] = _restarted(state.places[place], word.quantity)
    return _answer(
        state,
        word,
        at_ms,
        place if place in settings.chambers else None,
        True,
        f"{word.probe} {word.quantity} is corrected from now on: times {word.gain:.4f}, plus {word.offset:+.2f}",
    )


def _restarted(memory: PlaceMemory, quantity: Quantity) -> PlaceMemory:
    """Return a place's memory without what was seen before the step of a correction: slopes and trends begin anew (C16)."""
    nothing: list[int | None] = [None] * len(memory.tail.at_ms)
    if quantity == "relative_humidity":
        tail = replace(memory.tail, humidity_m=nothing, dew_point_mk=[*nothing])
    elif quantity == "air_temperature":
        tail = replace(memory.tail, temperature_mk=nothing, dew_point_mk=[*nothing])
    else:
        return memory
    leaving = "humidity-leaving" if quantity == "relative_humidity" else "temperature-leaving"
    return replace(memory, tail=tail, guesses={name: old for name, old in memory.guesses.items() if name != leaving})


def _lid(settings: Settings, state: EngineState, word: LidMeasured | LidSeen, at_ms: int) -> WordEvent:
    """Sharpen the belief in the lid's factor with what the keeper measured or saw."""
    chamber = settings.chambers.get(word.chamber)
    if chamber is None:
        known = ", ".join(sorted(settings.chambers))
        return _answer(state, word, at_ms, None, False, f"there is no chamber {word.chamber!r}; there are: {known}")
    if word.at_ms > at_ms + MINUTE_MS:
        return _answer(state, word, at_ms, word.chamber, False, "that time lies in the future; say when it was seen")
    if isinstance(word, LidSeen):
        _looked(state, word)
    climate = Climate(state.places)
    inside = _figure(state.places[word.chamber], climate, word.chamber, word.at_ms, at_ms, "temperature_c")
    room = _figure(state.places.get(chamber.room or ""), climate, chamber.room or "", word.at_ms, at_ms, "temperature_c")
    humidity = _figure(state.places[word.chamber], climate, word.chamber, word.at_ms, at_ms, "relative_humidity_pct")
    if inside is None or room is None or humidity is None:
        if isinstance(word, LidSeen):
            noted = f"noted: {word.seen}; it holds for a day, since without a room probe nothing more can be learned from it"
            return _answer(state, word, at_ms, word.chamber, True, noted)
        return _answer(
            state,
            word,
            at_ms,
            word.chamber,
            False,
            "nothing is learned: it needs the chamber's temperature and humidity and the room's temperature at that time",
        )
    memory = state.places[word.chamber]
    assert memory.belief is not None
    before = memory.belief
    if isinstance(word, LidMeasured):
        after = learn_from_measurement(before, word.lid_temperature_c, room, inside, word.standard_uncertainty_k)
    else:
        u_margin = _margin_u_without_factor(settings, state, word.chamber, inside, humidity, room)
        after = learn_from_sighting(before, word.seen, float(dew_point_c(inside, humidity)), room, inside, u_margin)
    state.places[word.chamber] = replace(memory, belief=after)
    return _answer(
        state,
        word,
        at_ms,
        word.chamber,
        True,
        f"lid temperature factor {before.mean:.2f} give or take {before.standard_deviation:.2f}"
        f" is now {after.mean:.2f} give or take {after.standard_deviation:.2f}",
    )


def _looked(state: EngineState, word: LidSeen) -> None:
    """Remember the newest sighting; a lid that is seen dry carries no water, whatever was estimated."""
    memory = state.places[word.chamber]
    if memory.lid_seen_ms is None or word.at_ms >= memory.lid_seen_ms:
        load = 0.0 if word.seen == "dry" else memory.condensate_g_m2
        state.places[word.chamber] = replace(memory, lid_seen=word.seen, lid_seen_ms=word.at_ms, condensate_g_m2=load)


def _figure(memory: PlaceMemory | None, climate: Climate, place: str, then_ms: int, now_ms: int, name: str) -> float | None:
    """Return a place's figure at a time: the newest one if it is near, else the mean of that hour."""
    if memory is None:
        return None
    newest, since = (
        (memory.temperature_c, memory.seen_ms)
        if name == "temperature_c"
        else (memory.relative_humidity_pct, memory.humidity_seen_ms)
    )
    if now_ms - then_ms <= NEAR_MS:
        return newest if since is not None and now_ms - since <= NEAR_MS else None
    end = (then_ms // HOUR_MS + 1) * HOUR_MS
    hours = climate.hours(place, name, HOUR_MS, end)  # type: ignore[arg-type]
    return hours.average() if hours is not None else None


def _margin_u_without_factor(
    settings: Settings, state: EngineState, chamber: str, inside: float, humidity: float, room: float
) -> float:
    """Return the standard uncertainty of the dew margin but for the factor's share, K: the factor is what is learned."""
    limits = min((settings.probes[name].accuracy_humidity_pct for name in settings.probes_at(chamber)), default=3.0)
    u_humidity = humidity_standard_uncertainty_pct(humidity, limits)
    u_t = temperature_u_k(settings, state.probes, chamber)
    u_room = temperature_u_k(settings, state.probes, settings.chambers[chamber].room or "")
    belief = state.places[chamber].belief
    factor = belief.mean if belief is not None else 0.5
    return float(dew_margin_uncertainty_k(inside, humidity, u_t, u_humidity, room, u_room, factor, 0.0))
