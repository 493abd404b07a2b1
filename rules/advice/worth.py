"""How wide a chamber's predictions must be stated so that what comes lies within them: by its own past ones.

A prediction counts where what was advised was done soon after and nothing was changed until its time. Adaptive conformal
inference (Gibbs and Candes 2021, NeurIPS 34, from memory): each one that missed what was stated widens the next of its
quantity and horizon by a step, each one that held narrows them by a nineteenth of it, so that in the long run one in twenty
misses, whatever the chamber does. It needs one number for each, and no model of the errors.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from math import exp, log, sqrt

import numpy as np

from rules.advice.put_back import COOLED_MS, COOLS_ROOM, WARMS_ROOM
from rules.advice.recalled import asked_lately
from rules.advice.state import AdviceState, Awaited, OpenAdvice, Worth
from rules.climate.situation import Situation
from rules.terms.advised import Prediction
from rules.terms.events import HOUR_MS, MINUTE_MS

STEP = 0.3
"""How much one that missed widens the next, as a logarithm: a third. Judgement."""
MISSES = 0.05
HORIZONS_H = (1.0, 6.0, 24.0)  # bookkeeping
FIRST = {"temperature": (1.25, 1.0, 0.9), "humidity": (1.4, 1.1, 1.0), "watered": (1.4, 1.2, 1.1)}
"""What a chamber begins with after an action, by horizon: the 95 % quantile of past errors over what would have been stated, in
simulated chambers of a foreign make (split conformal prediction). Own estimate."""
ALONE = {"temperature": (0.95, 0.95, 1.2), "humidity": (0.65, 0.85, 1.1)}
"""The same where nothing is changed, by the first halves of a half-heated house (TRH-database, Tampere University) and an
office (Numenta Anomaly Benchmark): what is stated then holds the box's own past moves already. Own estimate."""
NARROWEST, WIDEST = log(0.5), log(4.0)
DONE_WITHIN_MS, LOOKED_WITHIN_MS = 90 * MINUTE_MS, HOUR_MS
"""What was done later than the first was not predicted; what is looked at later than the second was not seen. Judgement."""


WATERED = {6.0: 4.0, 24.0: 8.0}
"""By how many points what water gives is less at first where the room's air dries it again, after so many hours: 54 promises
in dry boxes of a foreign make were all too high, after a day by 14 on the mean. Own estimate."""
UNSIZED = {
    COOLS_ROOM: {"temperature": (-1.0, -1.5, -2.0), "humidity": (4.0, 3.0, 0.0)},
    WARMS_ROOM: {"temperature": (0.2, 0.7, 1.0)},
    frozenset({"check-lid", "find-leak"}): {"humidity": (5.0, 6.0, 6.0)},
}
"""What acts bring that no model sizes, K and points, by horizon: a cooler or warmer room, a lid found open. What was predicted
without them was missed by one and a half times as much, in 70 chambers of foreign make. Own estimate."""
EVEN_FROM_NOTHING = 1.0 / sqrt(3.0)
"""What lies evenly between nothing and twice as much has this part of it as its standard deviation (JCGM 100)."""
FOLLOWS = 0.5
"""How far the next promise follows what the last one missed by; judgement."""
MOST_PCT = 30.0  # own estimate
GAVE_MORE_PCT = 5.0
"""Half of what a promise was exceeded by, for more water than the least to be too much. Own estimate."""


def awaited(predictions: Sequence[Prediction], told_ms: int, *, watered: bool) -> list[Awaited]:
    """Return what is to be held against what comes, in the order in which it comes; `watered`: water is given."""
    humidity = humidity_of(watered=watered)
    found = []
    for row in predictions:
        hours, due_ms = f"{row.after_ms / HOUR_MS:g}", told_ms + row.after_ms
        found += [
            Awaited(due_ms, f"temperature {hours}", row.temperature_c, row.temperature_u_k),
            Awaited(due_ms, f"{humidity} {hours}", row.relative_humidity_pct, row.relative_humidity_u_pct),
        ]
    return found


def awaiting(state: AdviceState, told: OpenAdvice, at_ms: int) -> AdviceState:
    """Return the state after something was done: only what was predicted of it, and just before, can still come true."""
    return replace(state, awaited=told.awaited if at_ms - told.told_ms <= DONE_WITHIN_MS else [])


def is_due(state: AdviceState, at_ms: int) -> bool:
    """Return whether something that was predicted can be looked at now."""
    return bool(state.awaited) and at_ms >= state.awaited[0].due_ms


def held_against(state: AdviceState, situation: Situation) -> AdviceState:
    """Return the state after what was due is held against what came; what nobody saw in its time counts for nothing."""
    rh = situation.relative_humidity_pct
    came = {"temperature": situation.temperature_c, "humidity": rh, "watered": rh}
    worth = dict(state.worth)
    for row in state.awaited:
        value = came[row.of.partition(" ")[0]]
        if row.due_ms <= situation.at_ms < row.due_ms + LOOKED_WITHIN_MS and value is not None:
            missed_by, waters = value - row.value, row.of.startswith(humidity_of(watered=True))
            before = worth.get(row.of, Worth())
            worth[row.of] = _after(before, missed_by if waters else 0.0, holds=abs(missed_by) <= 2.0 * row.u)
    later = [row for row in state.awaited if row.due_ms > situation.at_ms]
    return replace(state, worth=worth, awaited=later, searches=[])  # by what water gave, another plan may be the best


def _after(worth: Worth, missed_by: float, *, holds: bool) -> Worth:
    wider = worth.wider + STEP * (-MISSES if holds else 1.0 - MISSES)
    shift = min(max(worth.shift + FOLLOWS * missed_by, -MOST_PCT), MOST_PCT)
    return Worth(min(max(wider, NARROWEST), WIDEST), worth.told + 1, worth.held + holds, shift)


def humidity_of(*, watered: bool) -> str:
    """Return as what a humidity is known: what comes of water that is given fares otherwise than what comes of the rest."""
    return "watered" if watered else "humidity"


def watered_pct(worth: Mapping[str, Worth], after_h: float, *, dry_air: bool) -> float:
    """Return how many points less than worked out are promised so many hours after water is given, as past promises fared.

    What no promise has reached yet is taken to be missed by as much as the horizon before it.
    """
    less, before = [0.0], 0.0
    for hours in HORIZONS_H:
        known = worth.get(f"watered {hours:g}")
        before = -known.shift if known is not None else before
        less.append(before + (WATERED.get(hours, 0.0) if dry_air else 0.0))
    return float(np.interp(after_h, (0.0, *HORIZONS_H), less))


def gave_more(worth: Mapping[str, Worth]) -> bool:
    """Return whether water gave plainly more here than was promised of it, after an hour or later."""
    return any(row.shift >= GAVE_MORE_PCT for of, row in worth.items() if of.startswith(humidity_of(watered=True)))


def anew(state: AdviceState, acts: Sequence[str], at_ms: int) -> tuple[str, ...]:
    """Return those of these acts that no model sizes and that were not asked for within days."""
    return tuple(act for act in acts if any(act in row for row in UNSIZED) and not asked_lately(state, act, at_ms, COOLED_MS))


def brought(acts: Collection[str], quantity: str, after_h: float) -> float:
    """Return what the acts among these that no model sizes bring to a quantity so many hours after, K or points."""
    rows = [row[quantity] for names, row in UNSIZED.items() if quantity in row and not names.isdisjoint(acts)]
    return sum(float(np.interp(after_h, HORIZONS_H, row)) for row in rows)


def factor(worth: Mapping[str, Worth] | None, quantity: str, after_h: float) -> float:
    """Return what the stated uncertainty of a quantity so many hours ahead is multiplied by; None: nothing is changed."""
    begins = (ALONE if worth is None else FIRST)[quantity]
    known = {} if worth is None else worth
    wider = [known.get(f"{quantity} {hours:g}", Worth()).wider for hours in HORIZONS_H]
    return float(exp(np.interp(log(after_h or HORIZONS_H[0]), np.log(HORIZONS_H), np.log(begins) + wider)))
