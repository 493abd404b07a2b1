"""The cause of what stands, with what the advice remembers: the fitted model, what was looked at, what was done."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

from rules.advice.branches import LOOKS
from rules.advice.cause import FELL_K, Cause, heats_itself, reason_of, thermostat_of
from rules.advice.devices import Move, allowed
from rules.advice.goal import Goal, goal_of
from rules.advice.heat import STOP_COOLS_MS, heat_comes_first, needs_no_mat
from rules.advice.model import ChamberModel, cooling_h, model_from_json, prior_model
from rules.advice.put_back import room_is_warmed
from rules.advice.search import GIVES_WATER
from rules.advice.standing import Standing, climate_stands, dryness_harms, stands
from rules.advice.state import AdviceState
from rules.advice.verification import RELAPSES_MS, WATER_GIVES_PCT, WATERS, Follows, in_vain_so_far
from rules.advice.weak_mat import weak_mat
from rules.climate.situation import Situation
from rules.climate.thermostat import FALLS_K_H, State
from rules.keeper.devices import heater_since_ms, present_knobs
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.trade import practice
from rules.trade.acts import ACTS
from rules.trade.alarm_kinds import ALARMS

CHECK_AGAIN_MS = 12 * HOUR_MS
"""The same check is not asked for again sooner; judgement."""
UNREAD_MS = 90 * MINUTE_MS
"""So long what is advised may wait for its letter. Own estimate."""
UNANSWERED_MS = 6 * HOUR_MS
"""So long a check that nobody answers keeps the next help back where nothing harms yet: within the day, so that the letter of a
morning or an evening has both. Judgement."""
GOES_ON_MS = 2 * HOUR_MS
"""What was done and has not stopped it, or not ended what still wakes, is asked for once more after this, where nothing else is
left; judgement."""
SOAKED_PCT = 95.0  # own estimate
HARMS_ON_MS = 3 * HOUR_MS
"""So long after it was given some water has reached the air: where the dryness harms still, it was too little. Own estimate."""
COOLS_FOR_MS = 3 * HOUR_MS
"""So long a box cools after its heat; what falls later is a thermostat's swing, or its room. Own estimate."""
PLUG_ASKED_MS = 2 * DAY_MS
"""So long the plug that may be out is asked for before anything else of the heat; judgement."""
OUT_MS = 5 * DAY_MS
"""So long after a heater was told to be unplugged, and nobody answered, cold asks for its plug first: a hot spell lasts days.
Judgement."""
HEATER_SOUND_MS = 7 * DAY_MS
"""So long a heater that the keeper has looked at is not suspected again for being weak; judgement."""

LID_SOUND_MS = 3 * DAY_MS
"""So long a lid that was looked at is not suspected again for what water does not give; judgement."""
AIRED_HOLDS_MS = 8 * HOUR_MS
"""So long a room that has not cooled a box is not let in again: a hot room is cooler by night at the earliest. Judgement."""
WRAPPED_MS, WATTS_TOLD_MS, FOAM_LOOKED_MS, PROBE_LOOKED_MS = 3 * DAY_MS, 7 * DAY_MS, 3 * DAY_MS, 3 * DAY_MS
"""So long nobody is asked anew to wrap the box, told anew how many watts it takes, asked anew for a look at foam or humidity
probe; judgement."""
LOOK_HOLDS_MS = 20 * HOUR_MS
"""So long the lid is as it was seen to be; judgement."""


def model_of(chamber: Chamber, state: AdviceState) -> ChamberModel:
    """Return the fitted model, or what geometry says where there is none or it is of another version."""
    if state.model is None:
        return prior_model(chamber)
    try:
        return model_from_json(state.model)
    except ValueError:
        return prior_model(chamber)


def follows_room(chamber: Chamber, state: AdviceState) -> Follows:
    """Return how the box goes with its room."""
    heater = chamber.devices.heater
    return Follows(cooling_h(model_of(chamber, state))[0], held=heater is not None and heater.thermostat)


def cause_of(chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> Cause:
    """Return the cause with what the advice remembers: the told settings, a lid called wet, mist that did not last, a heater
    that was looked at in this very trouble, what was done last and has not stopped it."""
    now, seen_ms, failed = state.open, state.heater_seen_ms, standing.get("heater-failed")
    # One that has failed anew since it was looked at is another trouble.
    looked = seen_ms is not None and situation.at_ms - seen_ms < CHECK_AGAIN_MS
    looked = looked and (failed is None or failed.since_ms is None or failed.since_ms <= (seen_ms or 0))
    unheated = _unheated(state, standing)
    looked = looked and not (unheated and (state.unheated_ms or 0) > (seen_ms or 0))
    due = looks_due(state, situation, standing)
    leads = _before_water(state, due, situation, standing)
    asks = _lid_asked(state, situation, standing)
    told = {
        "mist-useless": state.mist_failures >= 2, "water-useless": state.water_failures >= 2,
        "water-fades": len(state.relapsed_ms) >= 2 and situation.at_ms - state.relapsed_ms[-1] < RELAPSES_MS,
        "heater-looked": looked, "heat-unseen": unheated, "heater-suspect": unheated,
        "tried": in_vain_so_far(state, situation, standing), "unanswered": _unanswered(state, situation.at_ms, standing),
        "mat-needless": needs_no_mat(chamber, situation, standing, goal_of(chamber, situation)),
        "room-warmed": room_is_warmed(state, situation.at_ms),
        "wakes": any(row.priority == "wake" for row in climate_stands(standing)), "dry-harms": dryness_harms(standing),
        "water-rose": _water_rose(situation),
        "look-due": bool(leads),
        "stop-in-vain": _stop_in_vain(state, situation.at_ms), "water-unanswered": _water_unanswered(state, situation.at_ms),
        "lid-looked": _lid_looked(situation, standing), "lid-by-estimate": _lid_by_estimate(state, situation, standing),
        **asks, "lid-doubted": asks["lid-doubted"] or (bool(due) and not leads),  # what waits for it no longer, it goes beside
        "probe-looked": _told_lately(state, "check-probe", situation.at_ms, PROBE_LOOKED_MS),
        "probe-compared": _told_lately(state, "compare-dry", situation.at_ms, PROBE_LOOKED_MS),
        "foam-looked": _told_lately(state, "check-foam", situation.at_ms, FOAM_LOOKED_MS),
        **_aired_in_vain(state, situation.at_ms),
        "wrapped": _told_lately(state, "wrap-box", situation.at_ms, WRAPPED_MS),
        "watts-told": _told_lately(state, "stronger-mat", situation.at_ms, WATTS_TOLD_MS),
        "heater-swapped": looked and state.checked_ms.get("swap-heater", situation.at_ms) <= (seen_ms or 0),
    }
    knobs, model = present_knobs(chamber, situation.changes), model_of(chamber, state)
    return reason_of(
        chamber, situation, standing, knobs,
        remembered=frozenset(name for name, holds in told.items() if holds),
        lid_was_wet=now is not None and now.lid_wet, was_aired=now is not None and "vent:open" in now.keys,
        heater_sound=seen_ms is not None and not unheated and situation.at_ms - seen_ms < HEATER_SOUND_MS,
        heater_since_ms=heater_since_ms(situation.changes), tau_h=cooling_h(model)[1],
        weak_in=partial(weak_mat, chamber, situation, knobs, model),
    )


def _unheated(state: AdviceState, standing: Mapping[str, Standing]) -> bool:
    """Return whether more heat was given in this very cold, and none was seen to come."""
    given_ms = state.unheated_ms
    cold = (row for row in climate_stands(standing) if ALARMS[row.alarm].harm == "cold")
    return given_ms is not None and any(row.since_ms is None or row.since_ms <= given_ms for row in cold)


def _told_lately(state: AdviceState, act: str, at_ms: int, for_ms: int) -> bool:
    """Return whether an act was told, and is not what is open now: that is told as long as it waits."""
    waits = state.open is not None and state.open.done_ms is None and act in state.open.acts
    return not waits and at_ms - state.checked_ms.get(act, at_ms - for_ms) < for_ms


def again_ms(cause: Cause) -> int:
    """Return how long after it what moves a miss by itself is asked for once more."""
    return CHECK_AGAIN_MS if cause.facts.isdisjoint(("tried", "wakes")) else GOES_ON_MS


def asked_lately(state: AdviceState, act: str, at_ms: int, within_ms: int = CHECK_AGAIN_MS) -> bool:
    """Return whether it was asked for; what stands in advice that is open still is asked for by that, told anew or not."""
    now = state.open
    if now is not None and now.done_ms is None and act in now.acts:
        return False
    return at_ms - state.checked_ms.get(act, -within_ms) < within_ms


def _unanswered(state: AdviceState, at_ms: int, standing: Mapping[str, Standing]) -> bool:
    """Return whether a check that stands in open advice was asked for so long ago, in whatever wording, that who has looked and
    found nothing, and writes nothing, needs the next help beside it."""
    now = state.open
    if now is None or now.done_ms is not None:
        return False
    checks = {act for act in now.acts if ACTS[act].change in ("check", "move")}
    told_ms = [wording.told_ms for wording in (*now.earlier, now) if not checks.isdisjoint(wording.acts)]
    harms = any(row.level == "harmful" for row in climate_stands(standing))
    return bool(told_ms) and at_ms - min(told_ms) >= (GOES_ON_MS if harms else UNANSWERED_MS)


def asked_still(state: AdviceState, acts: Collection[str], at_ms: int) -> dict[str, int]:
    """Return when each check was last asked for, without those that another wording takes the place of so soon that no letter
    may have told them."""
    now = state.open
    if now is None or now.done_ms is not None or at_ms - now.told_ms > UNREAD_MS:
        return state.checked_ms
    gone = {act for act in now.acts if act not in acts and state.checked_ms.get(act) == now.told_ms}
    return {act: asked_ms for act, asked_ms in state.checked_ms.items() if act not in gone}


def looks_due(state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> list[str]:
    """Return the alarms that ask for a look at the lid which nobody has taken since they were raised: who is not answered
    asks on, however long."""
    rows = (row for row in standing.values() if row.alarm in LOOKS and row.condition == "active" and not situation.visiting)
    looked_ms = situation.lid_looked_ms
    return [row.alarm for row in rows if looked_ms is None or row.since_ms is None or looked_ms < row.since_ms]


def looks_that_lead(
    state: AdviceState, cause: Cause, due: Collection[str], situation: Situation, standing: Mapping[str, Standing]
) -> list[str]:
    """Return those of the looks that are due before which nothing else is advised: not what nobody has answered for long in a
    box that is too warm or too cold, or it is told of its lid alone for days; in one that is neither, none once the dryness
    harms; and none before heat that has failed."""
    if cause.temperature == "ok":
        return _before_water(state, due, situation, standing)
    return [] if stands(standing, "heater-failed") else _young(due, situation, standing, CHECK_AGAIN_MS)


def _before_water(
    state: AdviceState, due: Collection[str], situation: Situation, standing: Mapping[str, Standing]
) -> list[str]:
    """Return the looks that are due before any water: what is lost through a lid that stands open would be given in vain. Once
    dry air does harm they go beside it, lid first: a wet wall dries again, a dead garden does not come back; nor do they lead
    anew at each turn of the heater that brings it back for a while."""
    now, since = state.open, [row.since_ms or situation.at_ms for row in standing.values() if row.alarm in due]
    told = () if now is None or now.done_ms is not None else (now, *now.earlier)
    if any(move.act in GIVES_WATER for wording in told if wording.told_ms > max(since, default=0) for move in wording.moves):
        return []
    return [] if dryness_harms(standing) else list(due)


def _young(due: Collection[str], situation: Situation, standing: Mapping[str, Standing], for_ms: int) -> list[str]:
    """Return the looks that are due not for so long."""
    rows = (row for row in standing.values() if row.since_ms is None or row.since_ms > situation.at_ms - for_ms)
    return [row.alarm for row in rows if row.alarm in due]


def _water_rose(situation: Situation) -> bool:
    """Return whether the air came near saturation by itself, no warmer and unwatered: then water stands somewhere."""
    rh, fall_k = situation.relative_humidity_pct, situation.vapour_fall_k
    given = any(row.knob in WATERS and situation.at_ms - row.at_ms < DAY_MS for row in situation.changes)
    return rh is not None and rh >= SOAKED_PCT and fall_k is not None and fall_k <= -FELL_K and not given


def _lid_looked(situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether somebody looked at the lid lately, and since it is too dry: who wiped it before may have left it ajar."""
    looked_ms, dry = situation.lid_looked_ms, standing.get("humidity-low")
    if looked_ms is None or situation.at_ms - looked_ms >= CHECK_AGAIN_MS:
        return False
    return dry is None or dry.since_ms is None or looked_ms >= dry.since_ms - HOUR_MS


def _lid_by_estimate(state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether nobody has ever measured this lid or looked at it lately, nor been asked to and left it unanswered: then
    it is wet as it is described, and how it is described is often wrong."""
    if situation.lid_source != "estimated" or situation.lid_seen_wet or stands(standing, "lid-drip-tonight"):
        return False
    looked = situation.lid_looked_ms is not None and situation.at_ms - situation.lid_looked_ms < LOOK_HOLDS_MS
    return not looked and not _told_lately(state, "look-lid", situation.at_ms, FOAM_LOOKED_MS)


def _lid_asked(state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> dict[str, bool]:
    """Return why the lid is asked for still: what was once a reason for it is one until the keeper has looked, or it is moister
    than then; before all water not where dry air does harm."""
    now, rh = state.open, situation.relative_humidity_pct
    answered = now is None or now.done_ms is not None or (situation.lid_looked_ms or 0) >= now.given_ms
    if now is None or answered or rh is None or now.start_pct is None or rh > now.start_pct:
        return {"lid-doubted": _watered_in_vain(state, situation)}
    asks = "check-lid" in now.acts
    beside = dryness_harms(standing) or not practice.WATER.isdisjoint(now.keys)
    return {"vapour-lost": asks and not beside, "lid-doubted": (asks and beside) or _watered_in_vain(state, situation)}


def _watered_in_vain(state: AdviceState, situation: Situation) -> bool:
    """Return whether it is as dry as before it was watered, long ago, and nobody has been asked to look where it goes."""
    last, rh, looked_ms = state.last, situation.relative_humidity_pct, state.checked_ms.get("check-lid")
    if last is None or last.done_ms is None or last.start_pct is None or rh is None:
        return False
    watered = any(move.act == "water" for move in last.moves)
    waited = situation.at_ms - last.done_ms >= practice.WAIT_S["water"] * 1000
    asked = looked_ms is not None and situation.at_ms - looked_ms < LID_SOUND_MS
    return watered and waited and rh < last.start_pct + WATER_GIVES_PCT and not asked


def heat_first(chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether the heat branch holds for this chamber now."""
    changes = situation.changes
    thermostat = thermostat_of(chamber, situation, present_knobs(chamber, changes), heater_since_ms(changes))
    return heat_calls(state, situation, standing, thermostat, goal_of(chamber, situation))


def heat_calls(
    state: AdviceState, situation: Situation, standing: Mapping[str, Standing], thermostat: State | None, goal: Goal
) -> bool:
    """Return whether the heat branch holds, with what was asked of the keeper and answered."""
    felt, asked = _mat_felt(state, situation, standing), _stop_asked(state)
    return heat_comes_first(situation, standing, thermostat, goal, felt, asked)


def waits(state: AdviceState, cause: Cause, knob: str, at_ms: int) -> bool:
    """Return whether what was done at a knob is to be judged first; not so its water where it dries on all the same, nor for
    long where it harms still."""
    dries_on = cause.thirsty and "tried" in cause.facts and knob in ("water", "vents")
    harms_on = cause.thirsty and "dry-harms" in cause.facts and knob in WATERS
    early_ms = practice.WAIT_S[knob] * 1000 - HARMS_ON_MS if harms_on else 0
    return not dries_on and state.judge_from_ms.get(knob, 0) - early_ms > at_ms


def turned_by_feel(state: AdviceState, knobs: Mapping[str, float], move: Move, at_ms: int) -> bool:
    """Return whether a dial of unknown setting was told to be turned within half a day, by another amount or in a letter that
    another has followed: "3 K down" told five times, to who does it and writes nothing, is 15 K."""
    if move.knob != "heater" or move.watts_share or "setpoint" in knobs:
        return False
    now = state.open
    before = [] if now is None else [wording for wording in now.earlier if at_ms - wording.told_ms < CHECK_AGAIN_MS]
    earlier = [one for wording in before for one in wording.moves if one.knob == "heater"]
    open_still = [] if now is None or now.done_ms is not None else [one for one in now.moves if one.knob == "heater"]
    return bool(earlier or open_still) and all(one.delta != move.delta for one in open_still)


def _stop_asked(state: AdviceState) -> bool:
    """Return whether the heater was told to be unplugged, and nobody has said that it is."""
    now = state.open
    return now is not None and now.branch == "heat" and now.done_ms is None and "heater:stop" in now.keys


def _aired_in_vain(state: AdviceState, at_ms: int) -> dict[str, bool]:
    """Return whether the room's air was let in lately and did not cool the box, or may, and whether it still comes in."""
    vain = state.aired_in_vain_ms is not None and at_ms - state.aired_in_vain_ms < AIRED_HOLDS_MS
    shut = _told_lately(state, "shut-aired", at_ms, AIRED_HOLDS_MS)
    return {"aired-in-vain": vain, "airs": not vain, "stands-aired": vain and not shut}


def _stop_in_vain(state: AdviceState, at_ms: int) -> bool:
    """Return whether it was told so long ago to unplug the heater that who did it and wrote nothing would see it cool."""
    now = state.open
    if now is None or not _stop_asked(state):
        return False
    told_ms = (wording.told_ms for wording in (now, *now.earlier) if "heater:stop" in wording.keys)
    return at_ms - min(told_ms) >= STOP_COOLS_MS


def _water_unanswered(state: AdviceState, at_ms: int) -> bool:
    """Return whether water was told to be given so long ago that it would show, and nobody has said that it was."""
    now = state.open
    moves = [] if now is None or now.done_ms is not None else [move for move in now.moves if move.act in GIVES_WATER]
    return now is not None and any(at_ms - now.told_ms >= practice.WAIT_S[move.knob] * 1000 for move in moves)


def may_be_out(state: AdviceState, at_ms: int) -> Literal["", "once", "again"]:
    """Return whether the heater was told to be unplugged lately, that is over, and nobody has said whether it was done.

    Who pulls a plug in the heat and writes nothing has a cold box next. Asked for two days, then it is looked at otherwise:
    told to look at plug and socket, who has left a sticking relay out plugs it in again.
    `again`: it ran away once more after that was asked, and is not plugged in a second time before the day is over.
    """
    ended_ms, told_ms = max(state.by_itself_ms, default=None), state.checked_ms.get("plug-back")
    known_ms = max(state.heater_seen_ms or 0, state.heated_ms or 0)
    if ended_ms is None or at_ms - ended_ms >= OUT_MS or known_ms >= ended_ms:
        return ""
    if told_ms is not None and told_ms < ended_ms and at_ms - told_ms < OUT_MS:
        return "again" if at_ms - ended_ms < DAY_MS else "once"
    return "once" if told_ms is None or at_ms - told_ms < PLUG_ASKED_MS else ""


def seen_heated(state: AdviceState, situation: Situation) -> AdviceState:
    """Return the state that knows a plug to be in which may have been out: hours later something holds the box far above its
    room, and that is its heater."""
    ended_ms = max(state.by_itself_ms, default=None)
    if ended_ms is None or situation.at_ms - ended_ms < COOLS_FOR_MS or not heats_itself(situation):
        return state
    return replace(state, heated_ms=situation.at_ms)


def is_unasked(state: AdviceState, at_ms: int) -> bool:
    """Return whether nobody was asked yet for the plug that may be out since the heat was over, as it cools after it."""
    told = state.open is not None and state.open.done_ms is None and "plug-again" in state.open.acts
    ended_ms = max(state.by_itself_ms, default=0)
    return told or (state.checked_ms.get("plug-again", 0) < ended_ms and at_ms - ended_ms < COOLS_FOR_MS)


def overdue(cause: Cause, acts: Sequence[str]) -> bool:
    """Return whether what cannot wait is not among these acts: the help that an unanswered check keeps back, and a hand on the
    mat of a box that is too hot."""
    helps = {step.act for order in practice.AIDS.values() for step in order if ACTS[step.act].change != "check"}
    unfelt = allowed(practice.FEEL_HOT, cause) and all(ACTS[act].device != "heater" for act in acts)
    return unfelt or ("unanswered" in cause.facts and helps.isdisjoint(acts))


def _mat_felt(state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether the keeper has looked at the heat since it is too warm, and it gets no cooler all the same."""
    hot, seen_ms = standing.get("temperature-high"), state.heater_seen_ms
    if hot is None or hot.since_ms is None or seen_ms is None:
        return False
    waited = practice.WAIT_S["none"] * 1000 <= situation.at_ms - seen_ms < CHECK_AGAIN_MS
    return waited and hot.since_ms <= seen_ms and (situation.temperature_slope_k_h or 0.0) > FALLS_K_H
