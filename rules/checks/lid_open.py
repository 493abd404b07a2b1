"""The lid is open or ajar: humidity collapses within two minutes while the temperature hardly moves, and stays down.

A collapse of 20 %RH with no recovery is drying and a way out for the ants; air that got warmer has lost no vapour. The step
is looked for between the newest value and that of the two minutes before; the chamber counts as open until half of the loss is
back, or of the loss against its usual humidity where water had just been given, or until the keeper tells of what dries it, or
has had the lid in hand and hours have passed: what stays dry under a lid that is shut has no water.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import SUDDEN_K, comes_back
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, HARM, UNSEEN, Delays
from rules.climate.view import View
from rules.keeper.devices import dried_ms
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.trade.garden_sizes import size_class

Floats = NDArray[np.float64]

STEP_PCT = 20.0  # own estimate: with the lid off the air of 1.5 to 60 l is the room's within 0.5 to 1.1 minutes
WITHIN_MS = 150_000  # two minutes and the slack of one slow poll, own estimate
DRIES_MS = HOUR_MS
"""For so long a fall is that of the vents, the fan or the ground that the keeper tells of, who may tell it when it has fallen
already. Own estimate."""
LOOKED_MS = 2 * HOUR_MS
"""So long after the lid was shut the air of a box with wet ground has got back half of its loss. Own estimate."""


def check(view: View) -> Iterator[Verdict]:
    """Open lid: outside after a quarter of an hour, harmful then for a small garden, after an hour for a large one."""
    chamber = view.chamber
    if chamber is None or chamber.role != "fungus":
        return
    value = view.humidity.value
    before, now_c = (view.recent.humidity, view.recent.dew_point, view.recent.temperature), view.temperature.value
    was, dew, was_c = (figure.mean(view.at_ms, WITHIN_MS + 2 * MINUTE_MS, WITHIN_MS) for figure in before)
    # No lid that is opened warms the air above its room: a mat does that, or a probe that lies on it.
    heated = (now_c - was_c > SUDDEN_K) & ~(view.room_temperature > now_c)
    told_ms = dried_ms(chamber, view.keeper.devices.get(view.place, ()))
    own = np.zeros(len(value), bool) if told_ms is None else view.at_ms < told_ms + DRIES_MS
    dropped = (was - value >= STEP_PCT) & ~(dew - view.dew_point < SUDDEN_K) & ~heated & ~own & view.humidity.counts
    fell_from = view.memory.fell_from_m
    if fell_from is None and not dropped.any():
        zone = np.where(np.isnan(value), UNSEEN, CLEAR).astype(np.int8)
        level = np.full(len(value), _height(view.memory.fell_last_m))
    else:
        zone, level = _episodes(view, value, np.fmin(was, _usual(view, value)), dropped, own)
    how = "within two minutes" if view.interval_ms <= WITHIN_MS else "from one reading to the next"
    small = size_class(view.garden_ml) in "AB"
    on_ms = max(15 * MINUTE_MS, view.two_readings_ms)
    delays = Delays(on_ms, 5 * MINUTE_MS, on_ms if small else HOUR_MS, 5 * MINUTE_MS)

    def facts(index: int) -> Facts:
        now = float(value[index])
        height = level[index]
        because = f"humidity fell from about {height:.0f} to {now:.0f} %RH {how} and has not come back"
        if zone[index] == CLEAR:
            is_back = now > height - STEP_PCT / 2
            because = f"humidity {'is back at' if is_back else 'is'} {now:.0f} %RH; it had fallen from about {height:.0f} %RH"
            because += "" if is_back else ", and the lid has been seen to since"
        return Facts(number(now), number(float(level[index])), "%RH", 1800.0 if small else 3 * 3600.0, because)

    def returning() -> NDArray[np.bool_]:
        return comes_back(view, view.recent.humidity, level - STEP_PCT / 2 - value)

    yield Verdict("lid-open", zone, view.credit_humidity_ms, delays, facts, returning=returning)


def _usual(view: View, value: Floats) -> Floats:
    """Return the humidity that the box had in half of the hours of the day before; NaN: not known."""
    numbers, back = view.hours_met, view.hour_place
    begin = int(numbers[0]) - DAY_MS // HOUR_MS
    means = hours_between(hours_with(view, "relative_humidity_pct", value), begin, int(numbers[-1])).mean
    rows = [means[number - numbers[0] :][: DAY_MS // HOUR_MS] for number in numbers]
    return np.array([np.median(row[~np.isnan(row)]) if not np.isnan(row).all() else np.nan for row in rows])[back]


def _episodes(view: View, value, was, dropped, own):  # type: ignore[no-untyped-def]
    """Walk from collapse to recovery; the height before the fall is remembered across stretches."""
    fell_from = None if view.memory.fell_from_m is None else _height(view.memory.fell_from_m)
    fell_ms, looked_ms = view.memory.fell_ms, view.lid_looked_ms
    last = _height(view.memory.fell_last_m)
    zone = np.full(len(value), CLEAR, np.int8)
    level = np.full(len(value), np.nan)
    rows = zip(view.at_ms.tolist(), value.tolist(), was.tolist(), dropped.tolist(), own.tolist(), strict=True)
    for index, (at_ms, now, before, fall, mine) in enumerate(rows):
        looked = looked_ms is not None and (fell_ms or 0) <= looked_ms <= at_ms - LOOKED_MS
        if now != now:
            zone[index] = UNSEEN
        elif fell_from is None and fall:
            fell_from, fell_ms = round(before, 3), at_ms
            last = fell_from
        elif fell_from is not None and (mine or looked or now > fell_from - STEP_PCT / 2):
            fell_from = None
        if fell_from is not None and now == now:
            zone[index] = HARM
        level[index] = last
    view.memory.fell_from_m = None if fell_from is None else round(fell_from * 1000)
    view.memory.fell_ms = None if fell_from is None else fell_ms
    view.memory.fell_last_m = None if last != last else round(last * 1000)
    return zone, level


def _height(thousandths: int | None) -> float:
    return float("nan") if thousandths is None else thousandths / 1000.0
