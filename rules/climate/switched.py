"""A lone temperature probe that goes up and down with the heat: what heats it switches off by itself, the box is not so warm.

A thermostat that still switches keeps what its own sensor feels. Where the air swung by less all day and a probe now goes
kelvins above its band, down and up again within minutes, it is the probe that has moved: onto the mat, beneath a lamp, into
the sun. It is no proof: what follows is a question, no blame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.legs import Leg, Legs
from rules.climate.memory import PlaceMemory
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

TURN_K = 1.5
"""It has turned once it comes back by so much: noise, people and most thermostats do less. Own estimate."""
LEAST_K, WIDER = 2.5, 2.0
"""So wide each leg is at least, and so many times as wide as any of the day before. Own estimates."""
QUICK_MS = 20 * MINUTE_MS
"""Nobody feels a mat, pulls its plug, waits for the box to cool and plugs it in again within so long. Judgement."""
SLOW_MS = 4 * HOUR_MS
"""What takes longer is a room's day, no swing. Own estimate."""
KNOWN_MS = DAY_MS // 2
"""So long it must have been seen to know how it swings. Judgement."""
STILL_MS = HOUR_MS
"""It has ended when it has been still for so long, and for twice as long as it took to turn. Judgement."""
BEYOND_K = 2.0
"""What has risen so much further than its tops is warm in truth as well. Own estimate."""

_AT_ONCE = 256
"""So many values are looked through first, then eight times as many, for the next turn. Bookkeeping."""

Floats = NDArray[np.float64]


def switched_k(
    memory: PlaceMemory, at_ms: NDArray[np.int64], value: Floats, high_c: float | None, changed_ms: int | None
) -> Floats:
    """Return by how much the temperature goes up and down as no air of this box does, K, at each instant; NaN: it does not.

    `memory`: of the place before them; how it went is remembered there. `high_c`: the top of its band. `changed_ms`: when the
    keeper last told of a change of its heater, degC and ms.
    """
    found, known = np.full(len(at_ms), np.nan), np.flatnonzero(~np.isnan(value))
    if high_c is None or not len(known):
        return found
    taken_ms, told, heat = at_ms[known], value[known], value[known].tolist()
    legs = memory.legs or Legs(int(taken_ms[0]), [], _begun(int(taken_ms[0]), heat[0]))
    goes, past, row = False, None, 0  # whether its ways are such as no air of it goes: so until it turns again
    while row < len(heat):
        if legs.past is past and not goes and legs.lies_ms is None:
            legs, row = _to_its_turn(legs, taken_ms, told, row)
            if row == len(heat):
                break
        legs = _after(legs, int(taken_ms[row]), heat[row])
        if legs.past is not past:
            goes, past = bool(_ways(legs, high_c)[0]), legs.past
        if goes or legs.lies_ms is not None:
            legs = _judged(legs, int(taken_ms[row]), high_c, changed_ms)
            found[known[row]] = np.nan if legs.lies_ms is None else max(leg.size_k for leg in legs.past[-2:])
        row += 1
    memory.legs = legs
    return found


def _begun(at_ms: int, value_c: float) -> Leg:
    return Leg(at_ms, value_c, at_ms, value_c)


def _to_its_turn(legs: Legs, at_ms: NDArray[np.int64], value: Floats, row: int) -> tuple[Legs, int]:
    """Return the legs before the next value, of those from `row` on, with which it turns, and that value's place."""
    way, size, turned = 1.0 if legs.rises else -1.0, _AT_ONCE, False
    while row < len(value) and not turned:
        ways = way * value[row : row + size]
        furthest = np.maximum.accumulate(np.concatenate(([way * legs.now.to_c], ways)))
        turns = furthest[1:] - ways >= TURN_K
        place = int(turns.argmax())
        turned = bool(turns[place])
        count = place if turned else len(ways)
        first = int(furthest[: count + 1].argmax())
        if first:
            reached = row + first - 1
            legs = replace(legs, now=replace(legs.now, to_ms=int(at_ms[reached]), to_c=float(value[reached])))
        row, size = row + count, 8 * size
    return legs, row


def _after(legs: Legs, at_ms: int, value_c: float) -> Legs:
    leg, way = legs.now, 1.0 if legs.rises else -1.0
    if way * (value_c - leg.to_c) > 0.0:
        return replace(legs, now=replace(leg, to_ms=at_ms, to_c=value_c))
    if way * (leg.to_c - value_c) < TURN_K:
        return legs
    past = [one for one in legs.past if leg.to_ms - one.to_ms <= 2 * DAY_MS]
    return replace(legs, past=[*past, leg], now=Leg(leg.to_ms, leg.to_c, at_ms, value_c), rises=not legs.rises)


def _ways(legs: Legs, high_c: float) -> tuple[list[Leg], float]:
    """Return the last legs that went above its band and back as no air of it does, and how wide the next one is at least; none:
    it is not known to go so. Twice the slow way proves as much as once within minutes."""
    for count, back_ms in ((2, QUICK_MS), (4, SLOW_MS)):
        last = legs.past[-count:]
        if not legs.rises or len(last) < count or last[0].to_ms - legs.since_ms < KNOWN_MS:
            break
        least_k, tops = _least_k(legs.past[:-count], last[0].to_ms), [leg.to_c for leg in last[::2]]
        wide = min(leg.size_k for leg in last) >= least_k and min(tops) > high_c
        if wide and max(leg.took_ms for leg in last[1:]) <= back_ms:
            return last, least_k
    return [], 0.0


def _least_k(before: list[Leg], at_ms: int) -> float:
    swings = [leg.size_k for leg in before if leg.took_ms <= SLOW_MS and at_ms - leg.to_ms < DAY_MS]
    return max(LEAST_K, WIDER * max(swings, default=0.0))


def _judged(legs: Legs, at_ms: int, high_c: float, changed_ms: int | None) -> Legs:
    if legs.lies_ms is None:
        ways, least_k = _ways(legs, high_c)
        if not ways or legs.now.size_k < least_k:
            return legs
        top_ms = ways[0].to_ms
        return legs if changed_ms is not None and changed_ms > top_ms - SLOW_MS else replace(legs, lies_ms=top_ms)
    lately = [leg for leg in legs.past if leg.to_ms >= legs.lies_ms]
    still_ms = max(STILL_MS, 2 * max(leg.took_ms for leg in lately[1:]))
    beyond = legs.rises and legs.now.to_c > max(leg.to_c for leg in lately) + BEYOND_K
    if not beyond and at_ms - legs.now.to_ms <= still_ms and (changed_ms is None or changed_ms <= legs.lies_ms):
        return legs
    before = [leg for leg in legs.past if leg.to_ms < legs.lies_ms]  # what it did since is no habit of the air
    return replace(legs, lies_ms=None, past=before, now=_begun(legs.now.to_ms, legs.now.to_c))
