"""A humidity probe that has stood at its top for a week: whether it still works cannot be told from what it says.

In air that is truly full of water a sound probe, a soaked one and a dead one say the same, and a second one beside them no
more. One look is worth more than any rule: out of the wet air it must come down. So it is a question, asked once in the
digest, and answered by any reading that is lower.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.judging import Heard
from rules.climate.view import View
from rules.climate.wetness import DRY_AGAIN_PCT, SATURATED_PCT
from rules.climate.windows import newest_at
from rules.terms.events import DAY_MS

PROVEN_FOR_MS = 7 * DAY_MS
"""A probe that came down to drier air is taken to work for so long. Own estimate."""
NEVER_MS = 10**15  # bookkeeping


def check(view: View) -> Iterator[Verdict]:
    """Nobody can say whether a humidity probe of this chamber still works."""
    if view.chamber is None:
        return
    wet = dict(view.memory.wet_since_ms)
    for name in view.settings.probes_at(view.place):
        heard = next((one for one in view.heard if one.probe == name and one.quantity == "relative_humidity"), None)
        if name in view.keeper.out_of_service:
            wet.pop(name, None)
        elif heard is None and name not in wet:
            continue
        yield _one_probe(view, name, heard, wet)
    view.memory.wet_since_ms = wet


def _one_probe(view: View, name: str, heard: Heard | None, wet: dict[str, int]) -> Verdict:
    since = np.full(len(view.at_ms), wet.get(name, NEVER_MS))
    if heard is not None and (name in wet or (heard.judged.value >= SATURATED_PCT).any()):
        since_of = _wet_since(heard.judged.at_ms, heard.judged.value, wet.pop(name, NEVER_MS))
        where = newest_at(heard.judged.at_ms, view.at_ms)
        since = np.where(where >= 0, since_of[np.maximum(where, 0)], since)
        if since_of[-1] < NEVER_MS:
            wet[name] = int(since_of[-1])
    zone = np.where(since == NEVER_MS, CLEAR, np.where(view.at_ms - PROVEN_FOR_MS >= since, OUTSIDE, EDGE)).astype(np.int8)

    def facts(index: int) -> Facts:
        if zone[index] == CLEAR:
            return Facts(because=f"{name} has come down below {DRY_AGAIN_PCT:.0f} %RH: it works")
        days = (view.at_ms[index] - since[index]) / DAY_MS
        return Facts(because=f"{name} has not read below {DRY_AGAIN_PCT:.0f} %RH for {days:.0f} days")

    return Verdict("probe-unproven", zone, view.passed_ms, Delays(0, 0, 0, 0), facts, name)


def _wet_since(at_ms: NDArray[np.int64], value: NDArray[np.float64], before_ms: int) -> NDArray[np.int64]:
    """Return per sample when the probe stood at its top for the first time since it last read drier air."""
    count = len(at_ms)
    dry, places = value < DRY_AGAIN_PCT, np.arange(count)
    last_dry = np.maximum.accumulate(np.where(dry, places, -1))
    next_top = np.minimum.accumulate(np.where(value >= SATURATED_PCT, places, count)[::-1])[::-1]
    first = np.append(next_top, count)[last_dry + 1]
    begun = np.where(first <= places, at_ms[np.minimum(first, count - 1)], NEVER_MS)
    return np.where(last_dry < 0, np.minimum(begun, before_ms), begun)
