"""A humidity probe that stands at an end of its scale: whether it still works cannot be told from what it says.

In air that is truly full of water a sound probe, a soaked one and a dead one say the same, and a second one beside them no
more; so do a sound one over silica gel and a dead one at 0 %RH. One look is worth more than any rule: in the room's air it must
leave its end. So it is a question, asked once in the digest, and answered by any reading that is not of that end.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.judging import Heard
from rules.climate.view import View
from rules.climate.wetness import DRY_AGAIN_PCT, SATURATED_PCT
from rules.climate.windows import newest_at
from rules.terms.events import DAY_MS
from rules.terms.quantities import DRIEST_PCT

NEVER_MS = 10**15  # bookkeeping
DAMP_PCT = 3.0
"""A probe that reads more has left the bottom of its scale: twice what it errs by there. Own estimate."""


@dataclass(frozen=True, slots=True)
class End:
    """One end of the scale. `sign` 1: the top. It is reached at `at_pct` and left at `left_pct`; who left it is taken to work
    for `proven_for_ms`."""

    sign: int
    at_pct: float
    left_pct: float
    proven_for_ms: int
    said: str


TOP = End(1, SATURATED_PCT, DRY_AGAIN_PCT, 7 * DAY_MS, "below")
"""Wet air is the rule in a fungus chamber: a week. Own estimate."""
BOTTOM = End(-1, DRIEST_PCT, DAMP_PCT, DAY_MS, "above")
"""No fungus lives in such air: a day. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """Nobody can say whether a humidity probe of this chamber still works."""
    if view.chamber is None:
        return
    wet, dry = dict(view.memory.wet_since_ms), dict(view.memory.dry_since_ms)
    for name in view.settings.probes_at(view.place):
        heard = next((one for one in view.heard if one.probe == name and one.quantity == "relative_humidity"), None)
        if name in view.keeper.out_of_service:
            wet.pop(name, None)
            dry.pop(name, None)
        elif heard is None and name not in wet and name not in dry:
            continue
        yield _one_probe(view, name, heard, wet, dry)
    view.memory.wet_since_ms, view.memory.dry_since_ms = wet, dry


def _one_probe(view: View, name: str, heard: Heard | None, wet: dict[str, int], dry: dict[str, int]) -> Verdict:
    zones, ages = [], []
    for end, stands in ((TOP, wet), (BOTTOM, dry)):
        since = _since(view, name, heard, stands, end)
        ages.append(view.at_ms - since)
        zones.append(np.where(since == NEVER_MS, CLEAR, np.where(ages[-1] >= end.proven_for_ms, OUTSIDE, EDGE)))
    zone = np.maximum(*zones).astype(np.int8)

    def facts(index: int) -> Facts:
        if zone[index] == CLEAR:
            return Facts(because=f"{name} has left the end of its scale: it works")
        which = int(zones[1][index] > zones[0][index])
        end, days = (TOP, BOTTOM)[which], ages[which][index] / DAY_MS
        for_days = f"{days:.0f} day" + ("" if round(days) == 1 else "s")
        return Facts(because=f"{name} has not read {end.said} {end.left_pct:.0f} %RH for {for_days}")

    return Verdict("probe-unproven", zone, view.passed_ms, Delays(0, 0, 0, 0), facts, name)


def _since(view: View, name: str, heard: Heard | None, stands: dict[str, int], end: End) -> NDArray[np.int64]:
    """Return per instant since when the probe has stood at this end, and remember it."""
    since = np.full(len(view.at_ms), stands.get(name, NEVER_MS))
    if heard is None or (name not in stands and not (end.sign * heard.judged.value >= end.sign * end.at_pct).any()):
        return since
    since_of = _stood_since(heard.judged.at_ms, heard.judged.value, stands.pop(name, NEVER_MS), end)
    where = newest_at(heard.judged.at_ms, view.at_ms)
    if since_of[-1] < NEVER_MS:
        stands[name] = int(since_of[-1])
    return np.where(where >= 0, since_of[np.maximum(where, 0)], since)


def _stood_since(at_ms: NDArray[np.int64], value: NDArray[np.float64], before_ms: int, end: End) -> NDArray[np.int64]:
    """Return per sample when the probe stood at its end for the first time since it last read anything else."""
    count, said = len(at_ms), end.sign * value
    left, places = said < end.sign * end.left_pct, np.arange(count)
    last_left = np.maximum.accumulate(np.where(left, places, -1))
    next_end = np.minimum.accumulate(np.where(said >= end.sign * end.at_pct, places, count)[::-1])[::-1]
    first = np.append(next_end, count)[last_left + 1]
    begun = np.where(first <= places, at_ms[np.minimum(first, count - 1)], NEVER_MS)
    return np.where(last_left < 0, np.minimum(begun, before_ms), begun)
