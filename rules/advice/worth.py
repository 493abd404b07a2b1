"""How wide a chamber's predictions must be stated so that what comes lies within them: by its own past ones.

A prediction counts where what was advised was done soon after and nothing was changed until its time. Adaptive conformal
inference (Gibbs and Candes 2021, NeurIPS 34, from memory): each one that missed what was stated widens the next of its
quantity and horizon by a step, each one that held narrows them by a nineteenth of it, so that in the long run one in twenty
misses, whatever the chamber does. It needs one number for each, and no model of the errors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import exp, log

import numpy as np

from rules.advice.state import AdviceState, Awaited, OpenAdvice, Worth
from rules.climate.situation import Situation
from rules.terms.advised import Prediction
from rules.terms.events import HOUR_MS, MINUTE_MS

STEP = 0.3
"""How much one that missed widens the next, as a logarithm: a third. Judgement."""
MISSES = 0.05
HORIZONS_H = (1.0, 6.0, 24.0)  # bookkeeping
FIRST = {"temperature": (1.4, 1.1, 1.2), "humidity": (1.9, 1.1, 1.2)}
"""What a chamber begins with after an action, by horizon: the 95 % quantile of past errors over what would have been stated, in
simulated chambers of a foreign make (split conformal prediction). Own estimate."""
ALONE = {"temperature": (0.75, 1.2, 1.8), "humidity": (0.65, 1.05, 1.35)}
"""The same where nothing is changed, by 25 days of a half-heated house (TRH-database, Tampere University): what is stated then
holds the box's own past moves already. Own estimate."""
NARROWEST, WIDEST = log(0.5), log(4.0)
DONE_WITHIN_MS, LOOKED_WITHIN_MS = 90 * MINUTE_MS, HOUR_MS
"""What was done later than the first was not predicted; what is looked at later than the second was not seen. Judgement."""


def awaited(predictions: Sequence[Prediction], told_ms: int) -> list[Awaited]:
    """Return what is to be held against what comes, in the order in which it comes."""
    found = []
    for row in predictions:
        hours, due_ms = f"{row.after_ms / HOUR_MS:g}", told_ms + row.after_ms
        found += [
            Awaited(due_ms, f"temperature {hours}", row.temperature_c, row.temperature_u_k),
            Awaited(due_ms, f"humidity {hours}", row.relative_humidity_pct, row.relative_humidity_u_pct),
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
    came = {"temperature": situation.temperature_c, "humidity": situation.relative_humidity_pct}
    worth = dict(state.worth)
    for row in state.awaited:
        value = came[row.of.partition(" ")[0]]
        if row.due_ms <= situation.at_ms < row.due_ms + LOOKED_WITHIN_MS and value is not None:
            worth[row.of] = _after(worth.get(row.of, Worth()), holds=abs(value - row.value) <= 2.0 * row.u)
    return replace(state, worth=worth, awaited=[row for row in state.awaited if row.due_ms > situation.at_ms])


def _after(worth: Worth, *, holds: bool) -> Worth:
    wider = worth.wider + STEP * (-MISSES if holds else 1.0 - MISSES)
    return Worth(min(max(wider, NARROWEST), WIDEST), worth.told + 1, worth.held + holds)


def factor(worth: Mapping[str, Worth] | None, quantity: str, after_h: float) -> float:
    """Return what the stated uncertainty of a quantity so many hours ahead is multiplied by; None: nothing is changed."""
    begins = (ALONE if worth is None else FIRST)[quantity]
    known = {} if worth is None else worth
    wider = [known.get(f"{quantity} {hours:g}", Worth()).wider for hours in HORIZONS_H]
    return float(exp(np.interp(log(after_h or HORIZONS_H[0]), np.log(HORIZONS_H), np.log(begins) + wider)))
