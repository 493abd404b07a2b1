"""The lid is open or ajar: humidity collapses within two minutes while the temperature hardly moves, and stays down.

A collapse of 20 %RH with no recovery is drying and a way out for the ants. The step is looked for between the newest value and
the highest of the two minutes before; the chamber counts as open until half of the loss is back.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, HARM, UNSEEN, Delays
from rules.climate.view import View
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade.garden_sizes import size_class

STEP_PCT = 20.0  # own estimate: with the lid off the air of 1.5 to 60 l is the room's within 0.5 to 1.1 minutes
WITHIN_MS = 150_000  # two minutes and the slack of one slow poll, own estimate


def check(view: View) -> Iterator[Verdict]:
    """Open lid: outside after a quarter of an hour, harmful then for a small garden, after an hour for a large one."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    value = view.humidity.value
    was = view.recent.humidity.mean(view.at_ms, WITHIN_MS + 2 * MINUTE_MS, WITHIN_MS)
    dropped = (was - value >= STEP_PCT) & view.humidity.counts
    fell_from = view.memory.fell_from_m
    if fell_from is None and not dropped.any():
        zone = np.where(np.isnan(value), UNSEEN, CLEAR).astype(np.int8)
        level = np.full(len(value), _height(view.memory.fell_last_m))
    else:
        zone, level = _episodes(view, value, was, dropped)
    small = size_class(view.garden_ml) in "AB"
    delays = Delays(15 * MINUTE_MS, 5 * MINUTE_MS, 15 * MINUTE_MS if small else HOUR_MS, 5 * MINUTE_MS)

    def facts(index: int) -> Facts:
        now = float(value[index])
        height = level[index]
        because = f"humidity fell from about {height:.0f} to {now:.0f} %RH within two minutes and has not come back"
        if zone[index] == CLEAR:
            because = f"humidity is back at {now:.0f} %RH; it had fallen from about {height:.0f} %RH"
        return Facts(number(now), number(float(level[index])), "%RH", 1800.0 if small else 3 * 3600.0, because)

    yield Verdict("lid-open", zone, view.credit_humidity_ms, delays, facts)


def _episodes(view: View, value, was, dropped):  # type: ignore[no-untyped-def]
    """Walk from collapse to recovery; the height before the fall is remembered across stretches."""
    fell_from = None if view.memory.fell_from_m is None else _height(view.memory.fell_from_m)
    last = _height(view.memory.fell_last_m)
    zone = np.full(len(value), CLEAR, np.int8)
    level = np.full(len(value), np.nan)
    for index, (now, before, fall) in enumerate(zip(value.tolist(), was.tolist(), dropped.tolist(), strict=True)):
        if now != now:
            zone[index] = UNSEEN
        elif fell_from is None and fall:
            fell_from = last = round(before, 3)
        elif fell_from is not None and now > fell_from - STEP_PCT / 2:
            fell_from = None
        if fell_from is not None and now == now:
            zone[index] = HARM
        level[index] = last
    view.memory.fell_from_m = None if fell_from is None else round(fell_from * 1000)
    view.memory.fell_last_m = None if last != last else round(last * 1000)
    return zone, level


def _height(thousandths: int | None) -> float:
    return float("nan") if thousandths is None else thousandths / 1000.0
