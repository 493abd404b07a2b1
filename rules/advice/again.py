"""Whether a search would find what an earlier one found: nothing that decides has changed by more than what is known of it.

Most looks at a lasting trouble are such: it comes back each day at the same hours to what was searched then. What waits on time
alone (a knob whose effect is waited for, a check that was asked for) is among what must be the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rules.advice.cause import Cause
from rules.advice.recalled import CHECK_AGAIN_MS, again_ms, asked_lately
from rules.advice.standing import Standing, climate_stands
from rules.advice.state import AdviceState, OpenAdvice, Searched
from rules.advice.steady import may_be_a_peak
from rules.advice.tried import stands_still
from rules.climate.situation import Situation
from rules.terms.events import DAY_MS, HOUR_MS

ANEW_MS, SETTLED_ANEW_MS = 3 * HOUR_MS, 7 * DAY_MS
"""So long a search answers others, and so long one that was made where advice has stood for hours and waits for the keeper. Own
judgement: a room's days and a garden change within weeks."""
STEADY_FOR_MS = 6 * HOUR_MS
"""So long advice does not turn away from what is right still, nor for a day back to what it was before, unless an alarm was
raised since. Judgement."""
KEPT = 8
"""So many searches are remembered: as many as a trouble has faces in a day. Own estimate."""
LEAST_K, LEAST_PCT = 0.1, 0.5
"""A change below this moves no advice, however good the probe; own judgement."""
ROOM_K, ROOM_PCT, SLOPE_K_H, SLOPE_PCT_H = 0.5, 3.0, 0.5, 4.0
"""So well a room and a slope need to be known; own judgement."""


def searched_at(state: AdviceState, situation: Situation, cause: Cause, standing: Mapping[str, Standing]) -> Searched:
    """Return what decides over a search at this instant, with how much each figure may move."""
    now, s = state.open, situation
    waiting = (knob for knob, from_ms in state.judge_from_ms.items() if from_ms > s.at_ms)
    asked = {
        f"{act} asked within {within_ms // HOUR_MS} h" for within_ms in (CHECK_AGAIN_MS, again_ms(cause))
        for act in state.checked_ms if asked_lately(state, act, s.at_ms, within_ms)
    }
    settled = now is not None and now.done_ms is None and s.at_ms - now.told_ms >= STEADY_FOR_MS
    stands = (f"{key} {row.condition} {row.priority}" for key, row in standing.items())
    figures = (
        (s.temperature_c, max(s.u_temperature_k or 0.0, LEAST_K)),
        (s.relative_humidity_pct, max(s.u_relative_humidity_pct or 0.0, LEAST_PCT)),
        (s.dew_margin_k, max(s.u_dew_margin_k or 0.0, LEAST_K)),
        (s.room_temperature_c, ROOM_K), (s.room_relative_humidity_pct, ROOM_PCT), (s.temperature_slope_k_h, SLOPE_K_H),
        (s.humidity_slope_pct_h, SLOPE_PCT_H),
    )  # fmt: skip
    return Searched(
        at_ms=s.at_ms,
        told="" if now is None else f"{now.name} {now.done_ms}",
        cause=f"{cause.cell.number} {cause.case} {cause.lid_wet} {cause.setpoint_c} {cause.thermostat}",
        holds=[
            *sorted(cause.facts), *sorted(waiting), *sorted(stands), *sorted(asked),
            *(["a peak, perhaps"] if may_be_a_peak(cause, s) else []),
            f"{len(s.changes)} changes, garden {s.garden_ml} ml",
        ],
        figures=[value for value, _ in figures],
        moves=[move for _, move in figures],
        good_for_ms=SETTLED_ANEW_MS if settled else ANEW_MS,
    )


def is_again(searches: Sequence[Searched], now: Searched) -> bool:
    """Return whether one of the last searches answers this one too."""
    return any(_answers(before, now) for before in reversed(searches))


def _answers(before: Searched, now: Searched) -> bool:
    if now.at_ms - before.at_ms >= before.good_for_ms:
        return False
    if (before.told, before.cause, before.holds) != (now.told, now.cause, now.holds):
        return False
    return all(
        was == value or (was is not None and value is not None and abs(value - was) <= move)
        for was, value, move in zip(before.figures, now.figures, before.moves, strict=True)
    )


def remembered(searches: Sequence[Searched], now: Searched) -> list[Searched]:
    """Return the searches with one more, of those that told nothing since the same was told."""
    good = (one for one in searches if one.told == now.told and now.at_ms - one.at_ms < one.good_for_ms)
    return [*good, now][-KEPT:]


def may_stand(
    now: OpenAdvice, wanted: list[str], asks: set[str], situation: Situation, standing: Mapping[str, Standing]
) -> bool:
    """Return whether what was told stands though another step would be told now: nothing was raised since, and what stands is
    no worse than when that other one was told within a day, or than at first where what was told lately is among what its cell
    `asks` for: at the edge of two cells both are right, and so is either phase of a swing."""
    told = [each for each in now.earlier if each.keys == wanted and situation.at_ms - each.told_ms < DAY_MS]
    told += [now] if asks.issuperset(now.keys) and situation.at_ms - now.told_ms < STEADY_FOR_MS else []
    raised = any(row.since_ms is None or row.since_ms > now.told_ms for row in climate_stands(standing))
    return wanted != now.keys and not raised and any(stands_still(each, situation, standing) for each in told)
