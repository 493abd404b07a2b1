"""What should be told now, without memory of what was told: the branch, the actions, their size and their reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from rules.advice.balance import by_night, present_of
from rules.advice.branches import BRANCHES, LOOKS, own_branch, with_look
from rules.advice.cause import STORES_MS, Cause
from rules.advice.cold import cold, cold_comes_first, plug_back, warming
from rules.advice.devices import Move, allowed, moves_for
from rules.advice.emergency import MOST_ACTIONS, Urgent
from rules.advice.heat import heat, needless_mat, over_by_itself
from rules.advice.leapt import leapt
from rules.advice.model import cooling_h
from rules.advice.planned import Plan, action_of, fitting, plain, single, sized
from rules.advice.put_back import close_again, place_back, room_back, shut_again, stays_cooled, taking_back
from rules.advice.recalled import (
    again_ms,
    asked_lately,
    cause_of,
    heat_calls,
    is_unasked,
    looks_due,
    looks_that_lead,
    may_be_out,
    model_of,
    turned_by_feel,
    waits,
)
from rules.advice.search import (
    GIVES_WATER,
    HALF_WAY,
    HELPS_SHARE,
    Miss,
    Solution,
    dried,
    foremost,
    solve,
    standing_misses,
    with_foam,
)
from rules.advice.set_point import (
    centred,
    cold_by_morning,
    dimmed,
    has_failed,
    kept_out,
    left_out,
    plug_in,
    turn_up,
    turns_for_days,
)
from rules.advice.standing import Standing, climate_stands, dryness_harms, stands, wakes_dry
from rules.advice.state import AdviceState
from rules.advice.steady import may_be_a_peak
from rules.advice.unseen import NOT_BY_FIGURES, WHY_LOOK, blind, look_before_drying, without_humidity
from rules.advice.water import first_water, no_less_water, watered_too
from rules.advice.worth import anew, watered_pct
from rules.climate.situation import Situation
from rules.climate.thermostat import FALLS_K_H
from rules.keeper.devices import heater_since_ms, present_knobs
from rules.settings import Chamber
from rules.terms.advised import Action
from rules.trade import practice
from rules.trade.acts import ACTS
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import Never, Step

COOLS_FAST_K_H = -2.0
"""Air that cools so fast gets damper by ten points an hour, at the same vapour. By the saturation curve."""
_HEAT = ("temperature-high", "temperature-low")
UNSEEN_SWING_K = 1.0
"""By more than this no set point is moved on a moment's figure before two hours have shown how wide it swings; judgement."""


def plan(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Plan | None:
    """Return what should be told now; None where there is nothing to do or all that could be done waits for its effect."""
    found = without_search(chamber, state, situation, standing)
    return searched(chamber, state, situation, found) if isinstance(found, Cause) else found


def without_search(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Plan | Cause | None:
    """Return what should be told now where no search is needed for it, else the cause whose cell must be searched."""
    if situation.temperature_c is None:
        return blind(chamber, state, situation, standing)
    due = looks_due(state, situation, standing)
    cause = cause_of(chamber, state, situation, standing)
    found = _first(chamber, state, situation, standing, cause, looks_that_lead(state, cause, due, situation, standing))
    if not isinstance(found, Plan) or found.branch in BRANCHES:
        return found
    harms, keeps_heat = dryness_harms(standing), "lethal-heat" in cause.facts or "air-now" in found.acts  # a lid that is shut
    if due and not found.follows and not keeps_heat:
        steps = with_look(found.acts, found.actions)
        acts, actions = tuple(act for act, _ in steps), tuple(row for _, row in steps)
        moves, first = tuple(move for move in found.moves if move.act in acts), BRANCHES["moisture-lost"].never
        found = replace(found, acts=acts, actions=actions, moves=moves, never=(*found.never, *(() if harms else (first,))))
    return watered_too(chamber, state, situation, found, cause) if harms else found


def _first(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing], cause: Cause,
    due: Sequence[str],
) -> Plan | Cause | None:
    """Return what comes first; `due`: the alarms that ask for a look at the lid before anything that can wait."""
    if heat_calls(state, situation, standing, cause.thermostat, cause.goal):
        return _urgent(cause, heat(cause, state, situation, chamber, model_of(chamber, state)))
    if (question := leapt(cause, situation)) is not None:
        return question
    if cause.thermostat == "unplugged" and "thermostat" in cause.facts and left_out(state, situation):
        return kept_out(state, situation, cause)
    if cause.thermostat == "unplugged":
        thirsts = cause.thirsty and cause.temperature == "ok"
        again = plug_in(chamber, state, situation, cause, standing)
        if again is not None:
            water = first_water(chamber, state, situation, cause) if thirsts else None
            return _plugged(chamber, state, situation, cause, again, water, standing)
        dry = cause.thirsty and (dryness_harms(standing) or wakes_dry(standing))
        if not dry and not _hot_unplugged(cause, situation):
            return None  # it cools; what harms or wakes meanwhile is answered all the same
    if (shut := shut_again(chamber, state, situation, cause)) is not None:
        return shut
    active = {row.alarm for row in standing.values() if row.condition == "active"} - set(LOOKS) | set(due)
    own = own_branch(active, cause, lambda act: asked_lately(state, act, situation.at_ms))
    if own is not None:
        return plain(own[0], cause, *own[1:])
    if (unplug := needless_mat(cause, situation)) is not None:
        return unplug
    back = warming(cause, situation, standing, partial(model_of, chamber, state), state)
    if back is not None:
        return _urgent(cause, back)
    asks = _plug_asked(chamber, state, situation, standing, cause)
    if asks is not None:
        return asks
    alone = not climate_stands(standing)
    back_again = room_back(state, situation, cause, alone=alone) or place_back(state, situation, cause, alone=alone)
    if back_again is not None:
        return back_again
    if cold_comes_first(cause, situation, standing):
        knobs = present_knobs(chamber, situation.changes)
        return _urgent(cause, cold(cause, situation, standing, chamber, knobs, model_of(chamber, state)))
    again = turn_up(chamber, situation, cause) if not climate_stands(standing) else None
    if again is not None:
        return single("turn-up", cause, again, "Do not wait until it is cold.")
    shut = None if climate_stands(standing) else close_again(chamber, situation, cause, model_of(chamber, state))
    if shut is not None:
        return shut
    swings = "temperature-swings" in active and not climate_stands(standing)
    if swings and (move := centred(situation, cause)) is not None:
        return single("centre", cause, move, "Do not turn it further before you have seen a day of it.")
    if situation.relative_humidity_pct is None or situation.saturated:
        return without_humidity(chamber, state, situation, cause)
    if (look := look_before_drying(chamber, cause, situation)) is not None:
        act, within_ms = look
        asked = not allowed(Step(act), cause) or asked_lately(state, act, situation.at_ms, within_ms)
        return None if asked else plain("eyes", cause, (act,), NOT_BY_FIGURES, WHY_LOOK[act])
    return None if cause.cell.number == 9 or _can_wait(cause, situation, standing) else cause


def _plug_asked(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing], cause: Cause
) -> Plan | None:
    """Return the call for a plug that may be out, because nobody has said whether it was pulled; None: none may be."""
    hot = any(ALARMS[row.alarm].harm == "heat" or row.alarm == "heater-runaway" for row in climate_stands(standing))
    hot &= (situation.temperature_c or 0.0) > cause.goal.temperature_c  # below it the alarm only has not run out yet
    over = state if hot else over_by_itself(state, situation.at_ms)
    out = may_be_out(over, situation.at_ms)
    if not out:
        return None
    mat = None if "thermostat" in cause.facts else dimmed(chamber, state, situation, cause)
    sticks = out == "again" and mat is None  # with less power a mat that nothing switches does not run away
    return plug_back(
        cause, situation, state, again=sticks, unswitched=mat,
        cools=not hot and not situation.by_mean and is_unasked(over, situation.at_ms),
    )


def _hot_unplugged(cause: Cause, situation: Situation) -> bool:
    """Return whether it stays too warm long after its heater was unplugged: then the room heats, or something in it."""
    out_ms, slope = heater_since_ms(situation.changes), situation.temperature_slope_k_h
    stored = out_ms is None or situation.at_ms - out_ms < STORES_MS
    return cause.temperature == "high" and not stored and slope is not None and slope > FALLS_K_H


def _can_wait(cause: Cause, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether nothing is to be said yet: humid air under a dry lid does no harm until it is known how it swings, and is
    the mist of a moment while it is told of dry air; what is damp because it cools fast has no more water than before; and dry
    air that is back within its limit and gets no drier needs nothing but time."""
    rh, slope = situation.relative_humidity_pct, situation.humidity_slope_pct_h
    back = rh is not None and rh >= cause.goal.low_pct and slope is not None and slope >= 0.0
    damp = situation.settling or stands(standing, "humidity-low")
    cools = not situation.by_mean and (situation.temperature_slope_k_h or 0.0) <= COOLS_FAST_K_H
    cools &= cause.temperature == "ok" and cause.humidity == "high" and not situation.lid_seen_wet
    return cools or (cause.cell.number == 11 and damp) or (cause.cell.number == 7 and back)


def _urgent(cause: Cause, urgent: Urgent | None) -> Plan | None:
    if urgent is None or not urgent.acts:
        return None
    moves = {move.act: move for move in urgent.moves}
    actions = tuple(
        Action(ACTS[act].device, ACTS[act].change, *_amount(act, moves, urgent.turns_k), urgent.words.get(act, ACTS[act].text))
        for act in urgent.acts
    )
    return Plan(
        branch=urgent.branch, cause=cause, actions=actions, acts=urgent.acts, moves=urgent.moves,
        never=fitting(cause.borne_out(urgent.never), urgent.acts, urgent.moves), notes=urgent.notes,
        reaches=urgent.reaches, boxes=urgent.boxes, limits_harm=urgent.limits_harm, follows=urgent.follows,
    )


def _amount(act: str, moves: Mapping[str, Move], turns_k: Mapping[str, float]) -> tuple[float | None, str | None]:
    if act in turns_k:
        return turns_k[act], "K"
    return (moves[act].amount, moves[act].unit) if act in moves else (None, None)


def _plugged(
    chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause, move: Move, water: Move | None,
    standing: Mapping[str, Standing],
) -> Plan:
    """Return how it is plugged in again, after the water where it is too dry."""
    time_constant_h = cooling_h(model_of(chamber, state))[0]
    alone = not has_failed(state, situation.at_ms)  # it can be left alone with it: nothing else needs to warm the box
    hot_days = (situation.room_high_c or 0.0) > cause.goal.high_c and cause.temperature != "low"  # the next one needs it cool
    cooled = stays_cooled(state, situation.at_ms) and "warm-side" not in cause.facts and not hot_days
    back = ("room-back",) if cooled else ()
    also = ("warm-now",) if "lethal-cold" in cause.facts else back if alone or cause.temperature != "low" else ("warm-place",)
    first = () if water is None else (water,)
    return Plan(
        branch="plug-in", cause=cause, acts=(*(move.act for move in first), "plug-in", *also)[:MOST_ACTIONS],
        wakes=cold_by_morning(situation, cause.goal.harmful_low_c, time_constant_h) or (bool(first) and wakes_dry(standing)),
        actions=(*map(sized, first), Action("heater", "more", None, None, move.text), *map(action_of, also))[:MOST_ACTIONS],
        moves=(*first, move),
        never=(
            Never("Do not leave it alone before you have seen the temperature hold."),
            Never("Do not turn it up to catch up faster."),
        ),
    )


def searched(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Plan | None:
    """Return the smallest set of changes of this cell that will do; None where nothing should be changed."""
    knobs = present_knobs(chamber, situation.changes)
    steps = [step for step in cause.cell.order if allowed(step, cause)]
    lead = _leading_check(steps, state, situation.at_ms)
    moves = [
        move for step in steps if not waits(state, cause, ACTS[step.act].knob, situation.at_ms)
        and not (lead and ACTS[lead].device == ACTS[step.act].device) for move in moves_for(step, chamber, cause, knobs)
        if not (may_be_a_peak(cause, situation) and move.knob == "heater" and abs(move.delta) > UNSEEN_SWING_K)
        and not turned_by_feel(state, knobs, move, situation.at_ms)
        and not (move.knob == "heater" and move.delta < 0.0 and may_be_out(state, situation.at_ms))  # out, it cools no further
    ]
    refills = cause.humidity != "low" and situation.climbs_pct_h > 0.0
    asks = (lead is not None and "water-useless" in cause.facts) or (lead == "compare-dry" and "wakes" not in cause.facts)
    asks &= "unanswered" not in cause.facts
    if asks or "look-due" in cause.facts or refills:
        moves = [move for move in moves if move.act not in GIVES_WATER]  # in vain twice, by a lid that may be ajar, or needless
    moves = no_less_water(moves, state, cause, situation.at_ms)
    turns = [move for move in moves if move.knob == "heater"]
    kept = turns_for_days(chamber, situation, cause.goal, turns)
    moves = [move for move in moves if move in kept or move not in turns]
    back = taking_back(chamber, situation, cause) if cause.thirsty else []
    back = [move for move in back if not waits(state, cause, move.knob, situation.at_ms)]
    moves = [*back, *(move for move in moves if all(move.act != one.act for one in back))]
    present = present_of(model_of(chamber, state), chamber, situation, knobs)
    if "night-ahead" in cause.facts and (situation.dew_margin_k or 0.0) > 0.0:
        present = by_night(present, practice.NIGHT_FALL_K)
    rank = {step.act: place for place, step in enumerate(cause.cell.order)}
    gains = {name: gain.mean for name, gain in state.gains.items()}
    room = MOST_ACTIONS - (1 if lead else 0)
    together = companions(cause, knobs, chamber)
    if back:
        together |= dict.fromkeys(("water", "mist-more"), frozenset(move.act for move in back))
    worst = foremost(cause, float(present.temperature_c[0]), situation.relative_humidity_pct or 0.0)
    worst = None if turns and not kept and worst in _HEAT else worst  # its day brings it back
    solution = solve(present, cause, moves, rank, gains, room, together, worst)
    helps = solution.moved < HALF_WAY and (lead is None or not cause.facts.isdisjoint(("unanswered", "very-hot")))
    aid = _aid(worst, lead, cause, state, situation.at_ms) if helps else None
    solution = with_foam(solution, moves, room) if cause.lid_wet and not cause.lid_known else solution
    if aid is not None and worst in _HEAT and len(solution.winner.moves) == room:
        solution = solve(present, cause, moves, rank, gains, room - 1, together, worst)
    solution = dried(solution, cause, partial(watered_pct, state.worth, dry_air="dry-air" in cause.facts))
    heated = lead == "feel-mat" or any(move.knob == "heater" for move in solution.winner.moves)  # it is told of its heat
    beside = None if heated else _feel(cause, state, situation.at_ms)
    beside = _wipe(cause, state, situation.at_ms) if beside is None and lead != "look-lid" else beside
    return _assembled(cause, state, steps, [act for act in (lead, aid) if act], beside, solution, knobs, situation.at_ms)


def companions(cause: Cause, knobs: Mapping[str, float], chamber: Chamber) -> dict[str, frozenset[str]]:
    """Return acts that need company: heat in a wet box goes with foam, heat in dry cold with closing or water."""
    if cause.lid_wet and knobs.get("foam", 0.0) < 10.0:
        if chamber.devices.can_insulate_lid:
            return {"heat-up": frozenset({"insulate-lid"})}
        return {"heat-up": frozenset({"mist-less", "wet-less", "close-vents"})}
    if cause.cell.number == 1:
        partners = frozenset({"close-vents", "fan-less", "water", "insulate-lid", "mist-more"})
        return {"heat-up": partners}
    return {}


def _leading_check(steps: list[Step], state: AdviceState, at_ms: int) -> str | None:
    """Return the check that comes before any change, unless it was asked for within half a day."""
    for step in steps:
        act = ACTS[step.act]
        if act.knob != "none":
            return None
        if act.change in ("check", "move") and not asked_lately(state, step.act, at_ms):
            return step.act
    return None


def _wipe(cause: Cause, state: AdviceState, at_ms: int) -> str | None:
    """Return the wipe where water hangs on the lid and nobody was asked lately to take it away: what dries the air leaves it
    hanging for days, for it falls before the lid is warm enough to give it back."""
    due, now = cause.lid_wet and cause.temperature == "ok" and "water-hangs" in cause.facts, state.open
    still = now is not None and now.done_ms is None and any("wipe-lid" in wording.acts for wording in (now, *now.earlier))
    asked = not still and asked_lately(state, "wipe-lid", at_ms)
    return "wipe-lid" if due and not asked and allowed(Step("wipe-lid"), cause) else None


def _feel(cause: Cause, state: AdviceState, at_ms: int) -> str | None:
    """Return the hand on the mat where it is so hot that this belongs beside all that cools, unless it was asked for lately."""
    return "feel-mat" if allowed(practice.FEEL_HOT, cause) and not asked_lately(state, "feel-mat", at_ms) else None


def _aid(worst: Miss | None, lead: str | None, cause: Cause, state: AdviceState, at_ms: int) -> str | None:
    """Return what else than the check that leads moves the worst miss: of what was not asked for lately what waits, then what
    was asked longest ago."""
    if worst is None:
        return None
    held = [step.act for step in practice.AIDS[worst] if allowed(step, cause) and step.act != lead]
    held = [act for act in held if ACTS[act].change != "check" or "unanswered" not in cause.facts]
    free = (act for act in held if not asked_lately(state, act, at_ms, again_ms(cause)))
    still = state.open.acts if state.open is not None and state.open.done_ms is None else ()
    return min(free, key=lambda act: 0 if act in still else state.checked_ms.get(act, 0), default=None)


def findable_keys(state: AdviceState, cause: Cause, at_ms: int) -> tuple[set[str], set[str]]:
    """Return all keys that a search in this cell may find, and those of them that may come with an amount: not what waits for
    its effect or was asked for lately."""
    steps = (*cause.cell.order, *(step for order in practice.AIDS.values() for step in order))
    acts = {step.act: ACTS[step.act] for step in steps if allowed(step, cause)}
    within_ms = again_ms(cause)
    free = [
        act for name, act in acts.items()
        if not (asked_lately(state, name, at_ms, within_ms) if act.knob == "none" else waits(state, cause, act.knob, at_ms))
    ]
    found, sized = ({f"{act.device}:{act.change}" for act in free if act.knob != "none" or not of} for of in (False, True))
    return found | {f"{action.device}:{action.change}" for _, action in _leave_be(cause)}, sized


def _assembled(
    cause: Cause, state: AdviceState, steps: list[Step], lead: Sequence[str], beside: str | None, solution: Solution,
    knobs: Mapping[str, float], at_ms: int,
) -> Plan | None:
    moves = solution.winner.moves
    chosen = [(move.act, sized(move)) for move in moves]
    for place, first in enumerate(lead):
        later = solution.moved >= HELPS_SHARE and ACTS[first].change in ("more", "less")
        if len(chosen) < MOST_ACTIONS:
            chosen.insert(len(chosen) if later else place, (first, action_of(first)))
    used = {action.device for _, action in chosen} | ({ACTS[beside].device} if beside else set())
    unmet = [name for name in solution.unmet if name in standing_misses(cause)]
    left = solution.worst is None and cause.temperature != "ok"
    unmet = [name for name in unmet if not (left and name in _HEAT)]
    will_do = solution.worst == "temperature-low" and bool(moves) and solution.moved >= HALF_WAY and not unmet
    needless = {"warm-room"} if will_do else {"warm-room", "cool-room"} if left else set[str]()
    for step in [*steps, *(step for name in unmet for step in practice.AIDS[name] if allowed(step, cause))]:
        act = ACTS[step.act]
        asked = asked_lately(state, step.act, at_ms) or step.act in needless
        inside = step.act == "look-lid" not in lead  # foam lies on its outside
        if len(chosen) < MOST_ACTIONS and act.knob == "none" and (inside or act.device not in used) and not asked:
            text = cause.weak.text if step.act == "stronger-mat" and cause.weak is not None else None
            chosen.append((step.act, action_of(step.act, text)))
            used.add(act.device)
    if beside is not None:  # no knob is turned by it: it goes beside two that are
        chosen.append((beside, action_of(beside)))
    chosen = chosen or _leave_be(cause)
    if not chosen:
        return None
    acts = tuple(act for act, _ in chosen)
    return Plan(
        branch="cell", cause=cause, actions=tuple(action for _, action in chosen), acts=acts, moves=moves,
        solution=solution, knobs=knobs, never=fitting(cause.never, acts, moves), anew=anew(state, acts, at_ms),
    )


def _leave_be(cause: Cause) -> list[tuple[str, Action]]:
    """Return the advice to do nothing where that is the right thing: humid air under a lid that is known to be dry."""
    if cause.cell.number != 11 or not cause.lid_known:
        return []
    text = "Leave it as it is: it is more humid than your band, but humid air under a dry lid is what the garden likes"
    return [("mist-less", Action("water", "hold", None, None, text))]
