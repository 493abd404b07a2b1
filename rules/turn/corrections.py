"""The keeper's words that change what is believed: what was done, the daily fit, and what the lid looked like."""

from __future__ import annotations

from dataclasses import replace

from rules.advice import done
from rules.advice.state import AdviceState
from rules.alarms.alarms import standing
from rules.climate.hours import Climate
from rules.climate.memory import LidLesson, PlaceMemory
from rules.climate.place_uncertainty import temperature_u_k
from rules.keeper.refusal import answer
from rules.keeper.said import known_ids
from rules.physics.condensate import SEEN_G_M2
from rules.physics.lid_factor import learn_from_measurement, learn_from_sighting, prior_if_bare
from rules.physics.uncertainty import dew_margin_uncertainty_k, humidity_standard_uncertainty_pct
from rules.physics.vapour import dew_point_c_or_nan
from rules.settings import Settings
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, WordEvent
from rules.terms.words import AdviceDone, Calibrated, LidMeasured, LidSeen, ModelFitted, TakeBack, Visit, Word
from rules.turn.booking import booked
from rules.turn.calibration import calibrated
from rules.turn.state import EngineState
from rules.turn.taken_back import taken_back

NEAR_MS = 30 * MINUTE_MS  # own estimate
APART_MS = 6 * HOUR_MS
"""Looks that are nearer to each other are one; own estimate."""


def apply_word(settings: Settings, state: EngineState, word: Word, at_ms: int) -> list[WordEvent]:
    """Change what the state believes of the world by one word; words of others (keeper, alarms, care) are not for here."""
    if isinstance(word, Visit) and word.for_ms > 0:  # the keeper's room answers; one that is over explains no fall before it
        state.places[word.chamber] = replace(state.places[word.chamber], fell_from_m=None)
    if isinstance(word, AdviceDone):
        return [booked(settings, state, word, at_ms)]
    if isinstance(word, Calibrated):
        return [calibrated(settings, state, word, at_ms)]
    if isinstance(word, LidMeasured | LidSeen):
        return [_lid(settings, state, word, at_ms)]
    if isinstance(word, ModelFitted):
        return [_fitted(settings, state, word)]
    if isinstance(word, TakeBack):
        taken_back(settings, state, word, at_ms)
    return []


def _fitted(settings: Settings, state: EngineState, word: ModelFitted) -> WordEvent:
    accepted = word.chamber in settings.chambers
    if accepted:
        adviser = state.advice.get(word.chamber, AdviceState())
        state.advice[word.chamber] = done.fitted(adviser, word.model)
    return answer(state.origin, word, accepted, "the daily fit of this chamber's model", word.chamber)


def _lid(settings: Settings, state: EngineState, word: LidMeasured | LidSeen, at_ms: int) -> WordEvent:
    """Sharpen the belief in the lid's factor with what the keeper measured or saw."""
    chamber = settings.chambers.get(word.chamber)
    if chamber is None:
        known = ", ".join(sorted(settings.chambers))
        return answer(state.origin, word, False, f"there is no chamber {word.chamber!r}; there are: {known}")
    _remember(state, word)
    old_water = state.places[word.chamber].condensate_g_m2 > 0.0
    lately = isinstance(word, LidSeen) and at_ms - word.at_ms < DAY_MS
    climate = Climate(state.places)
    humidity = _figure(state.places[word.chamber], climate, word.chamber, word.at_ms, at_ms, "relative_humidity_pct")
    if isinstance(word, LidSeen) and lately:
        _looked(state, word, humidity)
        _bears_out(settings, state, word)
    inside = _figure(state.places[word.chamber], climate, word.chamber, word.at_ms, at_ms, "temperature_c")
    room = _figure(state.places.get(chamber.room or ""), climate, chamber.room or "", word.at_ms, at_ms, "temperature_c")
    if inside is None or room is None or humidity is None:
        if isinstance(word, LidSeen) and lately:
            noted = f"noted: {word.seen}; it holds for a day, since without a room probe nothing more can be learned from it"
            return answer(state.origin, word, True, noted, word.chamber)
        text = "nothing is learned: it needs the chamber's temperature and humidity and the room's temperature at that time"
        return answer(state.origin, word, False, text, word.chamber)
    memory = state.places[word.chamber]
    assert memory.belief is not None
    before, odd = memory.belief, ""
    if isinstance(word, LidMeasured):
        after = learn_from_measurement(before, word.lid_temperature_c, room, inside, word.standard_uncertainty_k)
    else:
        u_margin = _margin_u_without_factor(settings, state, word.chamber, inside, humidity, room)
        dew, bare = float(dew_point_c_or_nan(inside, humidity)), prior_if_bare(chamber.lid)
        after = learn_from_sighting(before, word.seen, dew, room, inside, u_margin, bare, old_water=old_water)
        if word.seen != "dry" and room + before.mean * (inside - room) > dew:
            odd = (
                "; as the lid is described it should have been dry: is it written right in the config, and is what was laid on"
                " it really there? Until you say otherwise what fits your look is used"
            )
    state.places[word.chamber] = replace(memory, belief=after)
    was, now = (f"{belief.mean:.2f} give or take {belief.standard_deviation:.2f}" for belief in (before, after))
    return answer(state.origin, word, True, f"lid temperature factor {was} is now {now}{odd}", word.chamber)


def _remember(state: EngineState, word: LidMeasured | LidSeen) -> None:
    """Keep what was believed of the lid, as long as the word may be taken back."""
    memory, known = state.places[word.chamber], known_ids(state.keeper)
    lesson = LidLesson(
        word.word_id, memory.belief, memory.lid_seen, memory.lid_seen_ms, memory.condensate_g_m2, memory.dry_looks,
        memory.dry_against, seen_pct=memory.lid_seen_pct,
    )
    lessons = [*(one for one in memory.lessons if one.word_id in known), lesson]
    state.places[word.chamber] = replace(memory, lessons=lessons)


def _looked(state: EngineState, word: LidSeen, humidity_pct: float | None) -> None:
    """Remember the newest sighting: one that is seen dry carries no water, one that is seen wet at least what the eye sees,
    whatever was estimated."""
    memory = state.places[word.chamber]
    if memory.lid_seen_ms is None or word.at_ms >= memory.lid_seen_ms:
        dry, rows = word.seen == "dry", standing(state.alarms, word.chamber)
        load = 0.0 if dry else max(memory.condensate_g_m2, SEEN_G_M2[word.seen])
        apart = memory.lid_seen_ms is None or word.at_ms - memory.lid_seen_ms >= APART_MS
        against = "lid-dew" in rows and rows["lid-dew"].open
        state.places[word.chamber] = replace(
            memory, lid_seen=word.seen, lid_seen_ms=word.at_ms, lid_seen_pct=humidity_pct, condensate_g_m2=load,
            dry_looks=dry * (memory.dry_looks + apart), dry_against=dry * (memory.dry_against + against),
        )


def _bears_out(settings: Settings, state: EngineState, word: LidSeen) -> None:
    """Believe a humidity at its top again, however it came there, by the water that the keeper has seen beside the probe."""
    if word.seen == "dry":
        return
    for name in settings.probes_at(word.chamber):
        probe = state.probes.get(name)
        if probe is not None and (told := probe.series.get("relative_humidity")) is not None and told.soaked:
            true = replace(told, soaked=False, steamed=True, wet_until_ms=None)
            state.probes[name] = replace(probe, series={**probe.series, "relative_humidity": true})


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
