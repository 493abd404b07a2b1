"""When an adviser says nothing: what was done is still at work, or the same was told a short while ago."""

from __future__ import annotations

from collections.abc import Mapping

from rules.advice.branches import LOOKS
from rules.advice.contradiction import overturned
from rules.advice.planned import Plan
from rules.advice.put_back import WARMS_ROOM
from rules.advice.recalled import GOES_ON_MS, HARMS_ON_MS, heat_first
from rules.advice.standing import Standing, climate_stands, dryness_harms, wakes_dry
from rules.advice.state import AdviceState, OpenAdvice
from rules.advice.tried import in_vain, is_next_try, stood_already
from rules.advice.verification import WATER_GIVES_PCT, WATERS, in_vain_so_far, is_seen, not_read_since
from rules.climate.situation import Situation
from rules.settings import Chamber
from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade import practice
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE, HarmKind

EMERGENCIES = ("heat", "heater-failed", "cold", "together")
TAKES_BACK = ("turn-up", "room-back", "place-back", "close-again", "centre")
"""What was changed on advice and is put back once that is over, and a set point off the middle: told once."""
UNASKED = ("probe", "no-humidity", "plug-in", *TAKES_BACK)
"""What is told though no climate alarm stands."""
STORED_K = 1.0
"""What an unplugged mat still gives off may warm the box by so much; own estimate."""
COOLS_K_H = 2.0
"""What was done against heat is at work while the temperature falls so fast."""
WARMED_K, WARMS_K_H, WARMS_FOR_MS = 0.2, 0.4, 2 * HOUR_MS
"""What was done against cold is at work while it is warmer by so much than when it was done, and still gets warmer so fast;
for so long nothing else is asked for. More than a probe's noise; own estimate."""
REPEAT_AFTER_MS = 12 * HOUR_MS
"""The same check or wipe, or to leave it be, is not told again sooner than this. Own estimate."""
PROBES = frozenset({"check-probe", "replace-probe", "compare-leap"})
PROBE_AGAIN_MS = DAY_MS
"""Who has looked at a probe is not sent to it again sooner: another one comes by post. Judgement."""
IN_VAIN_AGAIN_MS = 22 * HOUR_MS
"""What is known not to be enough is asked for once a day while it gets no worse, at about the same hour. Judgement."""
DONE_AGAIN_MS = 4 * HOUR_MS
"""The same against cold that no dead heater explains, once it was done and while it gets no worse, and whatever asks for a
warmer room: as often as what nobody answers. Own estimate."""


def at_work(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing], *, worse: bool = False
) -> bool:
    """Return whether a done change is still at work on an alarm that stands: look again later, unless heat comes first or it
    has just become `worse`."""
    now, t = state.open, situation.temperature_c
    if now is None or now.done_ms is None or is_seen(now, situation):
        return False
    if climate_stands(standing) and not_read_since(now, situation):
        return True  # whatever is more urgent by the clock alone, nothing is known of what was done
    if worse or not climate_stands(standing):
        return not worse and now.branch in UNASKED
    if overturned(now.keys, standing):
        return False
    if now.branch == "heat":
        slope = situation.temperature_slope_k_h
        falls = slope is not None and slope <= -COOLS_K_H
        return t is not None and (falls or t <= (now.done_c or now.start_c or practice.HEAT_FIRST_C) + STORED_K)
    wakes = any(row.condition == "active" and row.priority == "wake" for row in standing.values())
    if wakes and now.urgency != "wake" and now.branch not in ("probe", "plug-in"):
        # A failing heater must not wait until a vent has had its effect; what the vent was opened for must.
        return stood_already(now, situation, standing)
    if _fails_since(now, standing) or _leaves_it_cold(now, situation, standing):
        return False  # what was done for the water says nothing of a heater that failed since, nor foam of the heat it lacks
    asked = now.branch == "eyes" or (now.branch == "cell" and not now.lid_wet)
    if asked and (situation.lid_seen_wet or situation.lid_wets):
        return False  # the look that it asked for has found what it did not know
    harmful = {key: row for key, row in standing.items() if row.level == "harmful"}
    if in_vain_so_far(state, situation, harmful):
        return False  # water and foam take half a day to show what they do; what gets more harmful meanwhile has not that long
    if _stays_dry(now, situation, standing):
        return False
    return not heat_first(chamber, state, situation, standing)


def harms_on(item: OpenAdvice, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether dry air does harm still, so long after water was given that some of it has reached the air: it is time
    to look at what came of it, and to give more."""
    watered = item.done_ms is not None and any(move.knob in WATERS and move.delta > 0.0 for move in item.moves)
    if not watered or not dryness_harms(standing) or not_read_since(item, situation):
        return False
    return situation.at_ms - (item.done_ms or 0) >= HARMS_ON_MS


def _stays_dry(item: OpenAdvice, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether dry air wakes the keeper still, though water was given so long ago that some of it would show by now: what
    else keeps water there is not kept back until all of it would."""
    rh, begun = situation.relative_humidity_pct, item.start_pct if item.begun_pct is None else item.begun_pct
    waited = item.done_ms is not None and situation.at_ms - item.done_ms >= GOES_ON_MS
    shows = rh is None or begun is None or rh >= begun + WATER_GIVES_PCT
    return waited and wakes_dry(standing) and not shows


def _fails_since(item: OpenAdvice, standing: Mapping[str, Standing]) -> bool:
    """Return whether heat or cold began after something else than the heater was changed, and cannot wait for the morning."""
    begun = [row for row in standing.values() if row.condition == "active" and (row.since_ms or 0) > (item.done_ms or 0)]
    grave = any(ALARMS[row.alarm].harm in ("heat", "cold") and row.priority in ("today", "wake") for row in begun)
    return grave and item.branch == "cell" and all(move.knob != "heater" for move in item.moves)


def _leaves_it_cold(item: OpenAdvice, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether it is too warm or too cold after the time in which a turned heater shows what it does, and what was done
    left the heater as it is: foam and water need longer, and their own next step waits for that."""
    if item.branch != "cell" or any(move.knob == "heater" for move in item.moves):
        return False
    waited_ms = situation.at_ms - (item.done_ms or situation.at_ms)
    stands_still = any(row.condition == "active" and ALARMS[row.alarm].harm in ("heat", "cold") for row in standing.values())
    return stands_still and waited_ms >= practice.WAIT_S["heater"] * 1000


def hushed(state: AdviceState, wanted: Plan, situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether a plan must wait because something was just closed."""
    if state.open is not None:
        return False
    last = state.last
    if wanted.branch == "heat":  # never held back, but what was just done is not asked for again within the hour
        same = last is not None and last.done_ms is not None and last.keys == wanted.keys and "heater:stop" not in last.keys
        return last is not None and same and situation.at_ms - last.told_ms < HOUR_MS
    if wanted.branch in ("heater-failed", "cold") and _warms_on(last, situation):
        return True  # the next step against it would be asked for each half hour
    told_ms = state.repeated_ms.get(" ".join(wanted.acts))
    once = not wanted.moves or wanted.branch in TAKES_BACK
    wakes = wanted.branch in EMERGENCIES and any(row.priority == "wake" for row in standing.values())
    # Who has done it, and it still gets lethal, needs more than the alarm.
    again_ms = HOUR_MS if wakes or in_vain_so_far(state, situation, standing) else REPEAT_AFTER_MS
    again_ms = PROBE_AGAIN_MS if PROBES.issuperset(wanted.acts) else again_ms
    further = last is not None and last.done_ms is not None and not WARMS_ROOM.isdisjoint(wanted.acts)
    if further:  # a room that was warmed can be warmed more
        again_ms = min(again_ms, HOUR_MS if _goes_away(situation, standing) else DONE_AGAIN_MS)
    again = once and told_ms is not None and situation.at_ms - told_ms < again_ms
    raised = [row for row in climate_stands(standing) if (row.since_ms or 0) > (told_ms or 0)]
    again &= not any(row.alarm in LOOKS or wanted.branch in TAKES_BACK for row in raised)  # another trouble is no repetition
    if wanted.branch == "cold" and last is not None and set(wanted.keys) <= set(last.keys):  # wrapped with a bottle or without
        again |= is_next_try(state, situation, standing) and situation.at_ms - last.told_ms < DONE_AGAIN_MS
    lasts = wanted.branch == "cell" and in_vain(state, standing) and is_next_try(state, situation, standing)
    if lasts and last is not None and not any(row.priority == "wake" for row in standing.values()):
        again |= situation.at_ms - last.told_ms < IN_VAIN_AGAIN_MS
    quiet = state.quiet_until_ms is not None and situation.at_ms < state.quiet_until_ms
    return again or (quiet and _is_same_trouble(last, wanted) and not _goes_away(situation, standing))


def _warms_on(last: OpenAdvice | None, situation: Situation) -> bool:
    """Return whether it has become warmer since the last step against cold was done, and gets warmer still."""
    t, slope = situation.temperature_c, situation.temperature_slope_k_h
    if last is None or last.branch not in ("heater-failed", "cold") or last.done_ms is None or last.done_c is None:
        return False
    if t is None or slope is None or t <= practice.LETHAL_COLD_C or situation.at_ms - last.done_ms > WARMS_FOR_MS:
        return False
    return t >= last.done_c + WARMED_K and slope >= WARMS_K_H


def _is_same_trouble(last: OpenAdvice | None, wanted: Plan) -> bool:
    """Return whether a plan is about what was just closed: another trouble is told at once."""
    if last is None or last.branch in EMERGENCIES or wanted.branch in EMERGENCIES:
        return last is not None and last.branch in EMERGENCIES and wanted.branch in EMERGENCIES
    cell = None if wanted.cause is None else wanted.cause.cell.number
    return last.branch == wanted.branch and cell in (None, last.cell)


def _goes_away(situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether what stands is on its way out of its band, by more than noise."""
    slope_h: dict[HarmKind, float | None] = {
        "heat": situation.temperature_slope_k_h, "cold": situation.temperature_slope_k_h,
        "dryness": situation.humidity_slope_pct_h,
    }  # fmt: skip
    kinds = {ALARMS[row.alarm].harm for row in standing.values() if row.condition == "active"}
    rows = [(BEARABLE[kind], slope or 0.0) for kind, slope in slope_h.items() if kind in kinds]
    return any(row.worse * slope > row.noise_h for row, slope in rows)
