"""What is told where a box is not seen: its temperature or humidity is missed or not believed, or its lid is wet by figures
alone."""

from __future__ import annotations

from collections.abc import Mapping

from rules.advice.cause import Cause
from rules.advice.devices import Move, allowed, moves_for
from rules.advice.emergency import MOST_ACTIONS
from rules.advice.planned import Plan, action_of, sized
from rules.advice.recalled import waits
from rules.advice.standing import Standing, lost_from_sight, probes_stand
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.keeper.devices import damped_ms, present_knobs
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import practice
from rules.trade.practice import Never, Step

LOOKED_AT_MS, COMES_BACK_MS = 2 * DAY_MS, 4 * HOUR_MS
"""A probe that is missed so soon after somebody has looked at it is not sound, but within the second a link that was lost comes
back by itself, or by that look; judgement."""
DRY_LOOKS = 3
"""So often in a row seen dry, a lid is not dried by figures alone; judgement."""
LOOK_AGAIN_MS, COMPARE_AGAIN_MS = 20 * HOUR_MS, 7 * DAY_MS  # judgement

NOT_BY_FIGURES = Never("Do not wipe, air or dry it by figures alone.")
_SEEN_DRY = (
    "You have seen this lid dry again and again. Where the eye and a computed dew point differ, the eye is right: a probe that "
    "creeps upwards makes a lid wet that is dry."
)
WHY_LOOK = {
    "look-lid": "By the air under it this lid is likely wet, but how warm it is nobody has measured: only the eye can tell.",
    "look-first": _SEEN_DRY, "compare-humidity": _SEEN_DRY,
}
"""Why a lid is looked at before it is dried, by the look."""


def blind(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Plan | None:
    """Return the call to look at the probe, and once somebody has looked in vain, to another one; before it what was asked for
    when it was last seen to get cold, or to be heated on."""
    seen = probes_stand(standing)
    if not seen:
        return None
    named = sorted({row.probe for row in seen if row.probe})
    last, act = state.last, "check-probe"
    look: str | None = f"Check the probe{' ' if named else ''}{' and '.join(named)}: cable, power, water on it"
    looked_ms = last.done_ms if last is not None and last.branch == "probe" else None
    first, wakes = _last_seen(chamber, situation, standing)
    if looked_ms is not None and situation.at_ms - looked_ms < COMES_BACK_MS and not wakes:
        return None
    if looked_ms is not None and situation.at_ms - looked_ms < LOOKED_AT_MS:
        act, look = "replace-probe", None
    texts = (*_put_back(situation), *((look,) if named or not situation.taken_out else ()))
    room_c = situation.room_temperature_c
    room = () if room_c is None or "stop-heater" in first else (f"Its room is at {room_c:.0f} °C: without heat it goes there.",)
    actions = (*map(action_of, first), *(action_of(act, text) for text in texts))
    unproven = Never("Change nothing at heater, vents or mister on the strength of a probe that is not believed.")
    return Plan(
        branch="probe", cause=None, actions=actions[:MOST_ACTIONS], acts=(*first, act), wakes=wakes,
        never=() if first else (unproven,), notes=(practice.UNSEEN_GOES_ON, *room) if first else (),
    )


def _last_seen(
    chamber: Chamber, situation: Situation, standing: Mapping[str, Standing]
) -> tuple[tuple[str, ...], bool]:
    """Return what the trouble asks for in which a box was seen last, and whether it wakes: a box without heat goes to where its
    room is, and that of a room as cold as what kills cannot wait."""
    held = {row.alarm for row in lost_from_sight(standing)}
    heated = chamber.devices.heater is not None and present_knobs(chamber, situation.changes).get("heater_plugged", 1.0) > 0.0
    if "heater-runaway" in held and heated:
        return ("stop-heater",), True
    if not held - {"heater-runaway"}:
        return (), False
    room_c = situation.room_temperature_c
    return ("check-heater" if heated else "warm-place",), room_c is not None and room_c <= practice.LETHAL_COLD_C


def _put_back(situation: Situation) -> tuple[str, ...]:
    """Return what comes first where the keeper has taken out the probe that is missed: who did that need not look for it."""
    if not situation.taken_out:
        return ()
    they = "it" if len(situation.taken_out) == 1 else "them"
    return (f"Put the probe {' and '.join(situation.taken_out)} back when you are done with {they}, or hang another one there",)


def without_humidity(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Plan | None:
    """Return what the temperature alone allows, and the call to look at the humidity probe: a soaked one and a soaked box look
    the same from outside, so what hangs on the lid is asked with it, and dried where it was seen."""
    lid = "wipe-lid" if cause.lid_wet else "look-lid"
    soaked = (cause.lid_wet or situation.saturated) and allowed(Step(lid), cause)
    acts = [lid, "check-probe"] if soaked else ["check-probe"]
    moves: list[Move] = []
    if cause.temperature != "ok":
        step = Step("heat-down" if cause.temperature == "high" else "heat-up",
            at_most=1.0 if cause.temperature == "low" else None)
        if cause.temperature == "low" and "heater-suspect" in cause.facts:
            acts.insert(0, "check-heater")
        elif not waits(state, cause, "heater", situation.at_ms):
            options = moves_for(step, chamber, cause, present_knobs(chamber, situation.changes))
            wanted = abs(cause.goal.temperature_c - (situation.temperature_c or 0.0))
            moves = [m for m in options if abs(m.lifts_k) <= wanted + 0.25][-1:] or options[:1]
    back = _put_back(situation)
    words = {"check-probe": back[0]} if back else {}
    actions = tuple(sized(m) for m in moves) + tuple(action_of(act, words.get(act)) for act in acts)
    return Plan(
        branch="no-humidity", cause=cause, actions=actions[:MOST_ACTIONS], moves=tuple(moves),
        acts=(tuple(m.act for m in moves) + tuple(acts))[:MOST_ACTIONS],
        never=(
            Never("Do not mist, dry or air the box by a humidity figure that is not believed.", practice.AIR | practice.WATER),
        ),
    )


def look_before_drying(chamber: Chamber, cause: Cause, situation: Situation) -> tuple[str, int] | None:
    """Return the look that comes before a wet lid is dried, and for how long it is not asked for again; None: it is wet by more
    than figures. One of which nobody knows how warm it is, is wet as it was seen; one that was dry at each look is so by its
    probe alone, unless it was made damper since."""
    if not cause.lid_wet or cause.temperature != "ok" or situation.lid_seen_wet or situation.lid_wets:
        return None
    if not cause.lid_known:
        return "look-lid", LOOK_AGAIN_MS
    given_ms = damped_ms(chamber, situation.changes)
    since = given_ms is not None and given_ms >= (situation.lid_looked_ms or given_ms)
    if situation.dry_looks < DRY_LOOKS or since:
        return None
    return ("compare-humidity", COMPARE_AGAIN_MS) if situation.dry_against else ("look-first", LOOK_AGAIN_MS)
