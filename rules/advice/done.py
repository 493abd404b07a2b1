"""A keeper's word that concerns the advice: done, by how much; and what the settings are since then."""

from __future__ import annotations

from dataclasses import replace

from rules.advice.model import model_from_json
from rules.advice.set_point import LOWERED_K, lowered_k
from rules.advice.state import AdviceState, KnobChange, OpenAdvice, heater_since_ms
from rules.climate.situation import Situation
from rules.climate.thermostat import ToldHeater
from rules.settings import Chamber, Lid, Settings
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent
from rules.terms.words import AdviceDone, Calibrated, ModelFitted
from rules.trade import practice

WETTEST = 2.0
"""Ground is never remembered as wetter than this against the first day: granules dry again, and only the next step counts."""


def told_lid(chamber: Chamber, state: AdviceState) -> Lid:
    """Return the lid after what the keeper said to have done: its temperature must be estimated with the foam it has now."""
    foam_mm = state.told_knobs.get("foam")
    if foam_mm is None:
        return chamber.lid
    return chamber.lid.model_copy(update={"build": "insulated", "insulation_mm": foam_mm, "temperature_factor": None})


def told_heater(chamber: Chamber, state: AdviceState) -> ToldHeater | None:
    """Return the heater after what the keeper said to have done; None where there is none."""
    heater, knobs = chamber.devices.heater, state.told_knobs
    if heater is None:
        return None
    return ToldHeater(
        plugged=knobs.get("heater_plugged", 1.0) > 0.0, thermostat=heater.thermostat,
        setpoint_c=knobs.get("setpoint", heater.setpoint_c) if heater.thermostat else None,
        since_ms=heater_since_ms(state),
    )


def owes(state: AdviceState) -> bool:
    """Return whether the adviser must be asked although nothing stands and nothing is open: a heater waits to be plugged in
    or turned up again."""
    return state.open is not None or state.told_knobs.get("heater_plugged", 1.0) == 0.0 or lowered_k(state) > LOWERED_K


def knows(state: AdviceState, advisory: str) -> bool:
    """Return whether `done` can be said of this advisory: it is open, or it was the last one."""
    return any(item is not None and item.advisory == advisory for item in (state.open, state.last))


def hear(
    settings: Settings, chamber_id: str, state: AdviceState, word: AdviceDone | ModelFitted | Calibrated, situation: Situation,
    origin: str
) -> tuple[AdviceState, list[AdviceEvent]]:
    """Return the state after a keeper's word (or the daily fit) that concerns this chamber's advice."""
    if isinstance(word, ModelFitted):
        try:
            model_from_json(word.model)
        except ValueError:
            return state, []  # a model of another version: the one before stays
        return replace(state, model=dict(word.model)), []
    if isinstance(word, Calibrated):
        return replace(state, metrology_until_ms=situation.at_ms + 24 * HOUR_MS), []
    for name in ("open", "last"):
        item: OpenAdvice | None = getattr(state, name)
        if item is not None and item.advisory == word.advisory and item.done_ms is None:
            return _done(state, name, item, word, situation), []
    return state, []


def _done(state: AdviceState, name: str, item: OpenAdvice, word: AdviceDone, situation: Situation) -> AdviceState:
    """Return the state in which the advised changes are the devices' settings, scaled by the amount that was really done."""
    at_ms = situation.at_ms
    first = item.moves[0].amount if item.moves else 0.0
    share = 1.0 if word.amount is None or not first else max(0.0, word.amount / first)
    knobs, changes, judged = dict(state.told_knobs), list(state.changes), dict(state.judge_from_ms)
    if any(move.act == "plug-in" for move in item.moves):
        knobs["heater_plugged"] = 1.0
        changes.append(KnobChange(at_ms, "heater_plugged", 1.0))
    for place, move in enumerate(item.moves):
        delta = move.delta * (share if place == 0 else 1.0)
        judged[move.knob] = at_ms + practice.WAIT_S[move.knob] * 1000
        key = "watts" if move.unit == "W" else "setpoint" if move.knob == "heater" else move.knob
        if move.value is None:
            continue
        value = round(move.value - move.delta + delta, 4)
        if key == "water":
            value = min(value, WETTEST)
        knobs[key] = float(round(value)) if key == "vents" else value
        changes.append(KnobChange(at_ms, key, knobs[key]))
    stopped = "heater:stop" in item.keys
    if stopped:
        knobs["heater_plugged"] = 0.0
        changes.append(KnobChange(at_ms, "heater_plugged", 0.0))
    shortest = 15 * MINUTE_MS if item.branch == "heat" else 30 * MINUTE_MS
    wait_ms = max((practice.WAIT_S[move.knob] * 1000 for move in item.moves), default=shortest)
    done = replace(
        item, done_ms=at_ms, done_share=share, look_again_ms=at_ms + wait_ms, done_c=situation.temperature_c,
    )
    state = replace(state, told_knobs=knobs, changes=changes[-500:], judge_from_ms=judged)
    if stopped:
        reached = [c for c in (item.start_c, situation.temperature_c) if c is not None]
        state = replace(state, stopped_c=max(reached, default=None), stopped_at_ms=[*state.stopped_at_ms, at_ms][-10:])
    if "heater:check" in item.keys:
        state = replace(state, heater_seen_ms=at_ms)
    return replace(state, open=done) if name == "open" else replace(state, last=done)
