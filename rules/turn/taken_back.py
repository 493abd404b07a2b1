"""What a word that is taken back had changed of what is believed of the world: that is as before it again.

The keeper's room has taken the word back and answered; alarms and routine forget it by themselves.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from rules.advice import done
from rules.climate.memory import LidLesson, PlaceMemory
from rules.keeper.devices import without
from rules.keeper.said import settled
from rules.physics.condensate import SEEN_G_M2
from rules.settings import Settings
from rules.terms.events import Event
from rules.terms.quantities import QUANTITIES
from rules.terms.words import TakeBack
from rules.turn.calibration import corrected
from rules.turn.state import EngineState


def taken_back(settings: Settings, state: EngineState, word: TakeBack, at_ms: int) -> None:
    """Forget what was booked and learned, how a probe was corrected and a lid judged by the word that is taken back."""
    state.keeper = without(state.keeper, word.said)
    for name, adviser in state.advice.items():
        state.advice[name] = done.taken_back(adviser, word.said)
    for name in settings.chambers:
        state.places[name] = _lid_before(state.places[name], word.said)
    for probe in settings.probes:
        for quantity in QUANTITIES:
            memory = state.probes[probe]
            now = memory.corrections.get(quantity)
            made = [*memory.former.get(quantity, ()), *([] if now is None else [now])]
            left = [one for one in made if one.word_id != word.said]
            if len(left) < len(made):
                corrected(settings, state, probe, quantity, left, at_ms)


def _lid_before(memory: PlaceMemory, word_id: str) -> PlaceMemory:
    """Return a place with its lid as it was believed to be before a word; the water that has settled since is there too."""
    number = next((number for number, one in enumerate(memory.lessons) if one.word_id == word_id), None)
    if number is None:
        return memory
    lesson = memory.lessons[number]
    water, dried_ms = 0.0, memory.lid_dried_ms
    if lesson.wiped_ms is not None:
        water, dried_ms = lesson.condensate_g_m2, lesson.dried_ms if dried_ms == lesson.wiped_ms else dried_ms
    elif lesson.seen_ms != memory.lid_seen_ms:
        assumed = SEEN_G_M2.get(memory.lid_seen)
        water = lesson.condensate_g_m2 if assumed is None else min(lesson.condensate_g_m2 - assumed, 0.0)
    return replace(
        memory, belief=lesson.belief, lid_seen=lesson.seen, lid_seen_ms=lesson.seen_ms, lid_seen_pct=lesson.seen_pct,
        lessons=memory.lessons[:number],
        dry_looks=lesson.dry_looks, dry_against=lesson.dry_against, condensate_g_m2=max(memory.condensate_g_m2 + water, 0.0),
        lid_dried_ms=dried_ms,
    )


def wiped(memory: PlaceMemory, word_id: str, at_ms: int, known: Collection[str]) -> PlaceMemory:
    """Return a place whose lid was wiped dry as a word told: nothing hangs there then, whatever was seen before."""
    lesson = LidLesson(
        word_id, memory.belief, memory.lid_seen, memory.lid_seen_ms, memory.condensate_g_m2, memory.dry_looks,
        memory.dry_against, memory.lid_dried_ms, at_ms,
        memory.lid_seen_pct,
    )  # fmt: skip
    lessons = [*(one for one in memory.lessons if one.word_id in known), lesson]
    return replace(memory, lessons=lessons, condensate_g_m2=0.0, lid_dried_ms=at_ms)


def told_by(memory: PlaceMemory, before: str, word_id: str) -> PlaceMemory:
    """Return a place in which what one word told of its lid is told by the one that corrects it."""
    lessons = [replace(one, word_id=word_id) if one.word_id == before else one for one in memory.lessons]
    return replace(memory, lessons=lessons)


def journalled(state: EngineState, events: list[Event]) -> None:
    """Let the keeper's room know how all rooms answered, and which words changed nothing."""
    felt = {one.word_id for adviser in state.advice.values() for one in adviser.before_done}
    felt |= {name for record in state.alarms.records.values() for name in (record.seen_by, record.shelved_by)}
    felt |= {doing.word_id for doing in state.care.doings}
    told = [said for said in state.keeper.said if said.word in ("acknowledge", "shelve", "advice-done", "care-done")]
    idle = {said.word_id for said in told if said.word_id not in felt}
    state.keeper = settled(state.keeper, events, idle, state.origin)
