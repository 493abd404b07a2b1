"""What was done on advice is put back once what it was for is over: nobody else remembers it.

Vents and fan stand more open than the keeper's config says, and it is misted less, only by what was advised and done, or by who
did it and wrote nothing. A room that was cooled, or a box that was carried out of the heat, stands in the cold next, and one
that was warmed in the heat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf

from rules.advice.balance import at_rest, present_of
from rules.advice.cause import Cause
from rules.advice.devices import Move, allowed, dial, moves_for
from rules.advice.goal import Goal
from rules.advice.model import ChamberModel
from rules.advice.planned import Plan, action_of, plain, single
from rules.advice.search import setting_of
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.climate.thermostat import NO_LIFT_K, RISES_K_H, SURE_LIFT_K
from rules.keeper.devices import present_knobs
from rules.keeper.state import DeviceChange
from rules.physics.condensate import SETTLED_G_M2
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import practice
from rules.trade.acts import ACTS, TRY_MAT
from rules.trade.practice import Never, Step

PUTS_BACK = {"close-vents": ("vents", 1.0), "fan-less": ("fan", 1.0), "mist-more": ("mister", -1.0)}
"""The acts that take back what dries, with the knob of each and which way that was turned for it."""
COOLS_ROOM = frozenset({"no-sun", "cool-room", "cool-pack", "shade-box", "find-source", "move-box"})
WARMS_ROOM = frozenset({"warm-room", "warm-place", "warm-now"})
LOOKED, LOOKED_MS = frozenset({"check-heater", "swap-heater"}), 12 * HOUR_MS
"""So long after a look at its heat was asked for a room is warmed for heat that has failed, not for a mat that is too weak;
judgement."""
TOO_WEAK = frozenset({"wrap-box", "stronger-mat"})
"""What is asked where the look has found a mat that gives all it has: its room is needed warm as long as it is cold outside."""
LEAST_COOLER_K = 1.0
"""No keeper sets a room finer, and no less shows what a mat gives. Own estimate."""
NOT_COLD = Never("Do not wait until it is cold.")
NOT_WATER = "Do not water it against what was opened."
OPENS, SHUTS = frozenset({"open-vents", "air-now", "air-if-cooler"}), frozenset({"close-vents", "shut-again", "shut-aired"})
BACK = frozenset({"place-back", "place-cooler"})
LEFT = OPENS | SHUTS | WARMS_ROOM | BACK
COOL_SIDE_K = 0.4
"""So far below its aim a box has no use for a cooled room any more, and so far above it what was asked for that is over: there
the mean of its hours may be where the moment is below. Own estimate."""
BACK_AFTER_MS, COOLED_MS = 3 * HOUR_MS, 5 * DAY_MS
"""So long after it was asked for a room is not let warm again at once, nor any more: a hot spell lasts days. Judgement."""
LEADS_MS = 2 * HOUR_MS
"""So long it comes before what else stands. Judgement."""
STANDS_MS = DAY_MS
"""So long it is asked for where nobody answers and nothing else stands: a morning's letter comes within it. Judgement."""
OPEN_FOR_MS = 12 * HOUR_MS
"""So long it stays open at least: a lid that dries with the warmth of the day is wet again by night. Judgement."""


def opened(chamber: Chamber, changes: Sequence[DeviceChange]) -> frozenset[str]:
    """Return the acts that take back what stands more open, or mists less, than the keeper's config says."""
    before, now = present_knobs(chamber, ()), present_knobs(chamber, changes)
    return frozenset(
        act for act, (knob, way) in PUTS_BACK.items() if way * (now.get(knob, 0.0) - before.get(knob, 0.0)) > 0.0
    )


def room_is_cooled(state: AdviceState) -> bool:
    """Return whether it was asked to cool the room, or to carry the box out of the heat, and not to take that back: who does it
    and writes nothing has done it too."""
    return _last_ms(state, COOLS_ROOM) > _last_ms(state, WARMS_ROOM | {"room-back"})


def stays_cooled(state: AdviceState, at_ms: int) -> bool:
    """Return whether a room was cooled lately and is so still, as far as anybody has said: what is asked to be taken back, and
    not done, is not."""
    now = state.open
    asked = now is not None and now.done_ms is None and "room-back" in now.acts
    return (room_is_cooled(state) or asked) and at_ms - _last_ms(state, COOLS_ROOM) < COOLED_MS


def room_is_warmed(state: AdviceState, at_ms: int) -> bool:
    """Return whether it was asked lately to warm the room, or to carry the box to a warmer one, and not to take that back."""
    return at_ms - _last_ms(state, WARMS_ROOM) >= BACK_AFTER_MS and stays_warmed(state, at_ms)


def stays_warmed(state: AdviceState, at_ms: int) -> bool:
    """Return whether a room was warmed lately, or the box carried to a warmer one, and nobody was asked to take that back."""
    return _warmed(state) and at_ms - _last_ms(state, WARMS_ROOM) < COOLED_MS


def _warmed(state: AdviceState) -> bool:
    return _last_ms(state, WARMS_ROOM) > _last_ms(state, COOLS_ROOM | {"place-back"})


def taken_back_until_ms(state: AdviceState, chamber: Chamber, changes: Sequence[DeviceChange]) -> int:
    """Return up to when it may be asked to take back a cooled or warmed room, or a vent that may stand open; 0: nothing of it
    was asked for, or it is taken back."""
    heater, vents = chamber.devices.heater, chamber.devices.vents
    open_ = vents.count > vents.open and may_stand_open(state, changes)
    warmed = heater is not None and _warmed(state) and _heat_had_failed(state)
    asked = {COOLS_ROOM: room_is_cooled(state), OPENS: open_, WARMS_ROOM: warmed}
    return max((_last_ms(state, acts) + COOLED_MS for acts, stays in asked.items() if stays), default=0)


def _heat_had_failed(state: AdviceState) -> bool:
    """Return whether it was asked to warm the room for heat that had failed, not for a mat that is too weak."""
    looked_ms = _last_ms(state, LOOKED)
    return _last_ms(state, WARMS_ROOM) - looked_ms <= LOOKED_MS and _last_ms(state, TOO_WEAK) < looked_ms


def _asks(state: AdviceState, act: str, at_ms: int, for_ms: float = LEADS_MS) -> bool:
    """Return whether it is asked for just now: told, it leads until it is read or done, and not for long."""
    now = state.open
    return now is not None and now.done_ms is None and act in now.acts and at_ms - _last_ms(state, frozenset({act})) < for_ms


def place_back(state: AdviceState, situation: Situation, cause: Cause, *, alone: bool) -> Plan | None:
    """Return the call to take back a warmer place or room where it is too warm, or soon, and not by a heater that is in doubt,
    or where nothing stands any more (`alone`) of the heat that had failed; None: it is of use still.

    Of a mat that no lift over its room shows to heat nobody knows whether it does: its room is let cool by no more than the box
    bears without it, and that shows it.
    """
    asks = any(_asks(state, act, situation.at_ms, STANDS_MS if alone else LEADS_MS) for act in BACK)
    if not (asks or "room-warmed" in cause.facts) or not cause.facts.isdisjoint(("heater-doubt", "heats-itself")):
        return None
    t, room_c, goal = situation.temperature_c or 0.0, situation.room_temperature_c, cause.goal
    mat, soon = "heater" in cause.facts, "thermostat" not in cause.facts and hot_in_an_hour(situation, goal)
    hot = soon or cause.temperature == "high"
    warmest_c = max((one for one in (room_c, situation.room_high_c) if one is not None), default=None)
    heats = warmest_c is None or t - warmest_c >= NO_LIFT_K  # a large box lags a room that cools by hours
    warmed_ms, tried_ms = _last_ms(state, WARMS_ROOM), _last_ms(state, frozenset({"place-cooler"}))
    weak = "heater-at-limit" in cause.facts or _too_weak(cause, situation)
    failed = mat and not weak and _heat_had_failed(state)
    due = asks or ((heats or tried_ms < warmed_ms) and t >= goal.temperature_c - COOL_SIDE_K)
    if not hot and (not (alone and failed and due) or room_c is None or cause.temperature == "low"):
        return None
    never = practice.NO_COVER_HOT if hot else NOT_COLD
    # Who has warmed nothing has nothing to put back: what harms by now is answered for him too.
    also = tuple(step.act for step in (Step("cool-room", when=("very-hot",)), practice.FEEL_HOT) if allowed(step, cause))
    if heats or not mat:
        return plain("place-back", cause, ("place-back", *also), never)
    ahead_k = 0.0 if situation.room_ahead is None or hot else min(0.0, *situation.room_ahead.change_k)
    less_k = dial(t + ahead_k - (goal.temperature_c if hot else goal.low_c + goal.inside_k))
    if less_k < LEAST_COOLER_K:
        return None  # it cools by so much by itself
    text = ACTS["place-cooler"].text.format(less_k) + ("" if hot else TRY_MAT)
    asks_less = plain("place-back", cause, ("place-cooler", *also), never)
    return replace(asks_less, actions=(action_of("place-cooler", text), *map(action_of, also)))


def _too_weak(cause: Cause, situation: Situation) -> bool:
    """Return whether the most that its mat was seen to give may not hold it in the coldest hour of its room ahead, though that
    is warmed."""
    room_c, gives_k, ahead = situation.room_temperature_c, situation.usual_lead_k, situation.room_ahead
    if room_c is None or gives_k is None or gives_k < SURE_LIFT_K or ahead is None:
        return False
    falls_k = min(change_k - u_k for change_k, u_k in zip(ahead.change_k, ahead.u_k, strict=True))
    return room_c + falls_k + gives_k < cause.goal.low_c + cause.goal.inside_k


def hot_in_an_hour(situation: Situation, goal: Goal) -> bool:
    """Return whether it is too warm within the hour, past its aim as it goes up with the warmth of the morning."""
    t, slope_k_h = situation.temperature_c, 0.0 if situation.by_mean else situation.temperature_slope_k_h or 0.0
    return t is not None and t > goal.temperature_c and slope_k_h >= RISES_K_H and t + slope_k_h > goal.high_c


def may_stand_open(state: AdviceState, changes: Sequence[DeviceChange]) -> bool:
    """Return whether it was asked to open vents or lid, not to shut them since, and nobody has said how the vents stand."""
    opened_ms = _last_ms(state, OPENS)
    told = any(one.knob == "vents" and one.at_ms >= opened_ms for one in changes)
    return opened_ms > _last_ms(state, SHUTS) and not told


def _last_ms(state: AdviceState, acts: frozenset[str]) -> int:
    return max((max(state.checked_ms.get(act, 0), state.left_ms.get(act, 0)) for act in acts), default=0)


def room_back(state: AdviceState, situation: Situation, cause: Cause, *, alone: bool) -> Plan | None:
    """Return the call to let a room warm again that was cooled against heat, once its box is on the cool side of its band and
    no warm room holds it; None: not yet.

    What is asked stands until it is done or warm again; where something else stands too (not `alone`), it leads for a while.
    """
    t, room_c, aim_c = situation.temperature_c, situation.room_temperature_c, cause.goal.temperature_c
    asks = _asks(state, "room-back", situation.at_ms, inf if alone else LEADS_MS)
    lately = room_is_cooled(state) and BACK_AFTER_MS <= situation.at_ms - _last_ms(state, COOLS_ROOM) < COOLED_MS
    if t is None or t <= practice.LETHAL_COLD_C or not (asks or lately):
        return None
    if t > aim_c + (COOL_SIDE_K if asks else -COOL_SIDE_K) or (room_c is not None and room_c >= aim_c):
        return None
    return plain("room-back", cause, ("room-back",), NOT_COLD)


def _beyond(chamber: Chamber, move: Move) -> float:
    """Return how far past what the keeper's config says a move goes, the more the moister."""
    return ((move.value or 0.0) - present_knobs(chamber, ()).get(move.knob, 0.0)) * -PUTS_BACK[move.act][1]


def taking_back(chamber: Chamber, situation: Situation, cause: Cause) -> list[Move]:
    """Return the moves of a dry chamber that close again all that was opened, or more, and mist again as before."""
    acts, knobs = sorted(opened(chamber, situation.changes)), present_knobs(chamber, situation.changes)
    rows = [moves_for(Step(act), chamber, cause, knobs) for act in acts]
    mist = [move for moves in rows for move in moves if move.act == "mist-more" and _beyond(chamber, move) <= 0.0]
    return [move for moves in rows for move in moves if move.act != "mist-more" and _beyond(chamber, move) >= 0.0] + mist[-1:]


def shut_again(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Plan | None:
    """Return the call to shut what may stand open by the advice and without a word, once it is dry; None: nothing may.

    At once where the air is too dry: the lid is looked for in vain by who has opened a vent and forgotten it.
    """
    vents, rh, opened_ms = chamber.devices.vents, situation.relative_humidity_pct, _last_ms(state, OPENS)
    asks = _asks(state, "shut-again", situation.at_ms)
    lately = may_stand_open(state, situation.changes) and situation.at_ms - opened_ms < COOLED_MS
    if not (asks or lately) or vents.count <= vents.open or rh is None or not cause.goal.dryness_matters:
        return None
    still = 0 if cause.humidity == "low" else OPEN_FOR_MS
    if situation.at_ms - opened_ms < still or rh > cause.goal.humidity_pct or cause.temperature == "high" or cause.lid_wet:
        return None
    pinhole = "" if vents.open else "; leave a pinhole: the box must breathe"
    text = (
        "If you opened vents or the lid on advice, shut them again as they were before "
        f"({vents.open} of {vents.count} then open){pinhole}"
    )
    count = vents.count - vents.open
    move = Move(act="shut-again", knob="vents", delta=-count, value=vents.open, amount=count, unit="openings", effort=1.0,
        text=text)
    return single("close-again", cause, move, NOT_WATER, practice.WATER)


def close_again(chamber: Chamber, situation: Situation, cause: Cause, model: ChamberModel) -> Plan | None:
    """Return how what was opened is closed again, as far as the lid stays dry and the air in its band; None: not yet."""
    rh, margin, goal = situation.relative_humidity_pct, situation.dew_margin_k, cause.goal
    if not goal.dryness_matters or rh is None or rh > goal.humidity_pct or cause.temperature == "high":
        return None
    dry = margin is not None and margin >= goal.margin_k and situation.condensate_g_m2 < SETTLED_G_M2
    if cause.lid_wet or not (dry or margin is None):
        return None
    knobs = present_knobs(chamber, situation.changes)
    acts = opened(chamber, [one for one in situation.changes if situation.at_ms - one.at_ms >= OPEN_FOR_MS])
    rows = [move for act in sorted(acts) for move in moves_for(Step(act), chamber, cause, knobs)]
    for move in [row for row in reversed(rows) if _beyond(chamber, row) <= 0.0]:
        present = present_of(model, chamber, situation, knobs)
        then = at_rest(present, setting_of([(move,)], knobs, {}))
        damp, lid_k = (float(figure[0] @ present.weight) for figure in (then.humidity_pct, then.margin_k))
        if damp <= goal.high_pct - goal.inside_pct and (margin is None or lid_k >= goal.margin_k):
            if move.act == "mist-more":
                return single("close-again", cause, move, "Never spray the garden.")
            return single("close-again", cause, move, NOT_WATER, practice.WATER)
    return None
