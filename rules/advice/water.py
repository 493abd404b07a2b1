"""Water beside what comes first, and how much of it: neither waits for the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rules.advice.cause import Cause
from rules.advice.devices import Move, moves_for
from rules.advice.planned import Plan, sized
from rules.advice.recalled import waits
from rules.advice.search import GIVES_WATER
from rules.advice.state import AdviceState
from rules.advice.worth import gave_more
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.settings import Chamber
from rules.trade.acts import ACTS

DRY_TOO = "Its air is so dry besides that it does harm, and warmth alone dries it further."


def watered_too(chamber: Chamber, state: AdviceState, situation: Situation, plan: Plan, cause: Cause) -> Plan:
    """Return what comes before dry air that does harm too, with its water where a cold box is warmed: neither waits for the
    other, and water that evaporates cools by less than what warms it."""
    dry = cause.thirsty and cause.temperature == "low" and cause.facts.isdisjoint(("look-due", "water-useless"))
    water = first_water(chamber, state, situation, cause, but=plan.acts) if dry else None
    if water is None or any(water.does & row.against for row in plan.never):
        return plan
    return replace(
        plan, acts=(*plan.acts, water.act), actions=(*plan.actions, sized(water)), moves=(*plan.moves, water),
        notes=(*plan.notes, DRY_TOO),
    )


def first_water(
    chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause, but: Sequence[str] = ()
) -> Move | None:
    """Return the least change that gives or keeps water here, by the order of the cell, beside others; None: there is none.

    Vents that were opened against the heat come before all.
    """
    knobs, at_ms = present_knobs(chamber, situation.changes), situation.at_ms
    steps = [step for step in cause.cell.order if ACTS[step.act].device in ("water", "mister", "vent", "fan")]
    if knobs.get("vents", 0.0) > present_knobs(chamber, ()).get("vents", 0.0):
        steps.sort(key=lambda step: step.act != "close-vents")
    free = (step for step in steps if step.act not in but and not waits(state, cause, ACTS[step.act].knob, at_ms))
    found = (move for step in free for move in no_less_water(moves_for(step, chamber, cause, knobs), state, cause, at_ms))
    return next(found, None)


def no_less_water(moves: list[Move], state: AdviceState, cause: Cause, at_ms: int) -> list[Move]:
    """Return the moves without less water than was told and nobody has said to have given, as long as it is too dry; nor as
    much, where that would show by now: who gave it and wrote nothing must give more."""
    now = state.open
    if now is not None and now.done_ms is None and cause.thirsty:
        beyond = 1e-9 if "water-unanswered" in cause.facts else -1e-9
        least = {move.knob: move.delta + beyond for move in now.moves if move.act in GIVES_WATER}
        most = {move.knob: move.delta for move in moves}  # each knob's moves come with growing amounts
        moves = [move for move in moves if move.delta >= min(least.get(move.knob, move.delta), most[move.knob])]
    judged_ms, gave = state.judge_from_ms.get("water"), gave_more(state.worth)
    if judged_ms is not None and judged_ms <= at_ms and not gave:
        return moves
    return _least(moves, 2 if judged_ms is None and not gave and "dry-harms" in cause.facts else 1)


def _least(moves: list[Move], count: int) -> list[Move]:
    """Return the moves with the least water alone, where none was given yet or seen at work, or it gave more than it promised:
    what a leaky box does not feel makes a tight one wet for a day. Twice as much, by its forecast, where dry air harms first.
    """
    least = [move for move in moves if move.act == "water"][:count]
    return [move for move in moves if move.act != "water" or move in least]
