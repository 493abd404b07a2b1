"""What was done before and did not help: the next try wakes nobody while it gets no worse, and what is in vain is said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rules.advice.planned import Plan
from rules.advice.standing import Standing, climate_stands
from rules.advice.state import AdviceState, OpenAdvice
from rules.advice.text import UNMET, beyond_devices
from rules.advice.verification import gone_worse
from rules.climate.situation import Situation
from rules.terms.advised import Effect
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import IN_VAIN_HELPS, IN_VAIN_SAID

EMERGENCY_TRIED = ("heat", "heater-failed", "cold", "together")
IN_VAIN = 2
"""So many steps in a row without effect, or with too little, mean that what is at hand does not repair it; judgement."""
NOT_ENOUGH = ("no effect", "too little")
GOES_FASTER = (
    " The water goes faster than it is given. Nothing here repairs it: close every gap it can go through, cover the box or its "
    "garden, give it more wet clay than dries in a day, or move it into moister air."
)


def is_next_try(state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether all that would wake stood when the last step was done, and is no worse than when that was advised."""
    return state.last is not None and stood_already(state.last, situation, standing)


def stood_already(item: OpenAdvice, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether all that would wake stood when a step was done, and is no worse than when that was advised."""
    if item.done_ms is None:
        return False
    waking = [row for row in standing.values() if row.condition == "active" and row.priority == "wake"]
    if not all(row.since_ms is not None and row.since_ms <= item.done_ms for row in waking):
        return False
    worse = gone_worse(item.start_c, item.start_pct, situation)
    return not any(worse.get(ALARMS[row.alarm].harm or "", True) for row in waking)


def stands_still(told: OpenAdvice, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether what stands is no worse than when this was told, by a little more than noise: a wet lid is not, because
    its mat rests."""
    worse = gone_worse(told.start_c, told.start_pct, situation)
    return not any(worse.get(ALARMS[row.alarm].harm or "", False) for row in climate_stands(standing))


def bare_of_hope(wanted: Plan) -> Plan:
    """Return a plan without what is expected of it: what had no effect twice has refuted that."""
    return replace(wanted, solution=None)


def counted(state: AdviceState, said: Effect, worse: bool = False) -> AdviceState:
    """Return the state after a verdict: with one more step in vain, or with none where something helped.

    `worse`: it went on the bad way, which is the verdict on what comes before the table: nothing else was expected of that.
    """
    item = state.open
    in_vain = said in NOT_ENOUGH or (worse and item is not None and item.branch in EMERGENCY_TRIED)
    if item is None or (said == "cannot tell" and not in_vain):
        return state
    done = [] if item.done_ms is None else [item.done_ms]
    return replace(state, in_vain_ms=[*state.in_vain_ms, *done][-IN_VAIN:] if in_vain else [])


def in_vain(state: AdviceState, standing: Mapping[str, Standing]) -> bool:
    """Return whether what was done against what stands was not enough, step by step; what was done against an earlier trouble
    says nothing of this one."""
    since_ms = [row.since_ms for row in climate_stands(standing) if row.since_ms is not None]
    return bool(since_ms) and sum(done_ms >= min(since_ms) for done_ms in state.in_vain_ms) >= IN_VAIN


def in_vain_text(state: AdviceState, wanted: Plan, standing: Mapping[str, Standing]) -> str:
    """Return that what was done so far did not help, and what would; empty where that is not known or said anyway."""
    worst, emergency = None if wanted.solution is None else wanted.solution.worst, wanted.branch in EMERGENCY_TRIED
    if not (emergency or worst is not None) or (beyond_devices(wanted) and not emergency) or not in_vain(state, standing):
        return ""
    if worst is None:
        side = "cold" if wanted.branch != "heat" else "heat" if wanted.cause and wanted.cause.thermostat else "hot room"
        return IN_VAIN_SAID + IN_VAIN_HELPS[side]
    if worst == "humidity-low":
        return " What was done so far did not hold." + GOES_FASTER
    return f" What was done so far did not help enough: this is not repaired from here. What would: {UNMET[worst][1]}."
