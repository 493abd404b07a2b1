"""A probe's correction: taken over, dropped where it cannot be, and what has to begin anew whenever one steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rules.advice import done
from rules.advice.state import AdviceState
from rules.climate.memory import Correction, PlaceMemory
from rules.keeper.refusal import answer, why_no_correction
from rules.keeper.said import known_ids
from rules.settings import Settings
from rules.terms.events import Event, SystemEvent, WordEvent
from rules.terms.quantities import QUANTITIES, Quantity
from rules.terms.words import Calibrated
from rules.turn.state import EngineState


def calibrated(settings: Settings, state: EngineState, word: Calibrated, at_ms: int) -> WordEvent:
    """Take a correction over, and keep those before it that the keeper may still want back."""
    memory = state.probes.get(word.probe)
    if memory is None:
        known = ", ".join(sorted(settings.probes))
        return answer(state.origin, word, False, f"there is no probe {word.probe!r}; there are: {known}")
    made = Correction(at_ms, word.gain, word.offset, word.standard_uncertainty, word.word_id)
    takeable, before = known_ids(state.keeper), memory.corrections.get(word.quantity)
    former = [*memory.former.get(word.quantity, ()), *([] if before is None else [before])]
    first = next((number for number, one in enumerate(former) if one.word_id in takeable), len(former))
    corrected(settings, state, word.probe, word.quantity, [*former[max(first - 1, 0) :], made], at_ms)
    place = settings.probes[word.probe].place
    text = f"{word.probe} {word.quantity} is corrected from now on: times {word.gain:.4f}, plus {word.offset:+.2f}"
    return answer(state.origin, word, True, text, place if place in settings.chambers else None)


def corrected(
    settings: Settings, state: EngineState, probe: str, quantity: Quantity, made: Sequence[Correction], at_ms: int
) -> None:
    """Let a probe be corrected by the last of these from now on, by nothing where there is none; those before it are kept."""
    memory = state.probes[probe]
    others = {name: one for name, one in memory.corrections.items() if name != quantity}
    now = {str(quantity): made[-1]} if made else {}
    state.probes[probe] = replace(
        memory, corrections=others | now, former=memory.former | {str(quantity): list(made[:-1])}
    )
    place = settings.probes[probe].place
    state.places[place] = _restarted(state.places[place], quantity)
    if place in settings.chambers:
        state.advice[place] = done.calibrated(state.advice.get(place, AdviceState()), at_ms)


def ignore_impossible(settings: Settings, state: EngineState) -> list[Event]:
    """Drop corrections that an older program took and no judgement survives, and tell of it."""
    told: list[Event] = []
    for probe, memory in [each for each in state.probes.items() if each[1].corrections]:
        why = {
            name: why_no_correction(name, one.gain, one.offset, one.standard_uncertainty)
            for name in QUANTITIES
            if (one := memory.corrections.get(name)) is not None
        }
        if any(why.values()):
            left = {str(name): memory.corrections[name] for name, reason in why.items() if reason is None}
            state.probes[probe] = replace(memory, corrections=left)
            reasons = " ".join(reason for reason in why.values() if reason is not None)
            text = f"The correction of {probe} is ignored: its readings are taken as they come. {reasons}"
            ident = f"{state.origin}.correction-ignored.{probe}"
            told.append(SystemEvent(id=ident, at_ms=state.closed_ms, chamber=None, what="correction-ignored", text=text))
    return told


def _restarted(memory: PlaceMemory, quantity: Quantity) -> PlaceMemory:
    """Return a place's memory without what was seen before the step of a correction: slopes and trends begin anew (C16)."""
    nothing: list[int | None] = [None] * len(memory.tail.at_ms)
    if quantity == "relative_humidity":
        gone, tail = "humidity", replace(memory.tail, humidity_m=nothing, dew_point_mk=[*nothing])
    elif quantity == "air_temperature":
        gone, tail = "temperature", replace(memory.tail, temperature_mk=nothing, dew_point_mk=[*nothing])
    else:
        return memory
    tail.said = {figure: said for figure, said in tail.said.items() if figure not in (gone, "dew_point")}
    guesses = {name: old for name, old in memory.guesses.items() if name != f"{gone}-leaving"}
    return replace(memory, tail=tail, guesses=guesses)
