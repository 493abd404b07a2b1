"""A band will be left within two hours, told only while such forecasts have lately been better than "it stays as it is".

Every ten minutes the slope of half an hour is drawn on for an hour, damped; an hour later that guess is held against what came.
Only when the last two dozen guesses beat persistence clearly may the next one be told.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import limits
from rules.checks.verdict import Facts, Verdict, number
from rules.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.observe import View
from rules.quantities import Quantity
from rules.settings import Band
from rules.state import Guesses
from rules.windows import Signal, passed_since

EVERY_MS = 10 * MINUTE_MS
AHEAD_MS = HOUR_MS
DAMPING = 0.7
REMEMBERED = 24
NEEDED = 12
CLEARLY_BETTER = 0.64  # mean squared error against persistence: 0.8 of its root
WARN_HOURS = 2.0


def check(view: View) -> Iterator[Verdict]:
    """Temperature and humidity on their way out of the band."""
    if view.chamber is None or view.chamber.role != "fungus":
        return
    band = view.chamber.temperature
    yield _one(view, "temperature-leaving", band, view.recent.temperature, view.temperature.value, view.credit_ms, "degC")
    wet = view.chamber.humidity
    yield _one(view, "humidity-leaving", wet, view.recent.humidity, view.humidity.value, view.credit_humidity_ms, "%RH")


def _one(view: View, alarm: str, band: Band, signal: Signal, value, credit, unit: str) -> Verdict:  # type: ignore[no-untyped-def]
    guesses = view.memory.guesses.setdefault(alarm, Guesses())
    slots = view.at_ms // EVERY_MS
    turns = np.flatnonzero(passed_since(slots, guesses.slot if guesses.slot is not None else int(slots[0]) - 1))
    guesses.slot = int(slots[-1])
    zone = np.full(len(slots), guesses.zone, np.int8)
    told = [(-1, guesses.told)]
    if len(turns):
        now = signal.mean(view.at_ms[turns], 5 * MINUTE_MS, 0)
        slope = signal.slope_k_h(view.at_ms[turns], 25 * MINUTE_MS)
        edges = _edges(view, band, turns)
        steps = []
        for row, index in enumerate(turns.tolist()):
            step, guesses.told = _step(guesses, int(view.at_ms[index]), float(now[row]), float(slope[row]), edges[row])
            steps.append(step)
            told.append((index, guesses.told))
        zone[turns[0] :] = np.repeat(np.array(steps, np.int8), np.diff(turns, append=len(slots)))
        guesses.zone = steps[-1]
    zone[_calibrated_lately(view, "air_temperature" if alarm == "temperature-leaving" else "relative_humidity")] = CLEAR
    zone[np.isnan(value)] = UNSEEN
    if view.chamber is not None and alarm == "humidity-leaving":
        zone[(zone == OUTSIDE) & view.visiting] = EDGE

    def facts(index: int) -> Facts:
        hours, edge, error = [foretold for at, foretold in told if at <= index][-1]
        now = float(value[index])
        because = (
            f"{now:.1f} {unit} now; {edge:.1f} {unit} in about {hours:.1f} h if it goes on (give or take {error:.1f} {unit})"
        )
        return Facts(number(now), round(edge, 3), unit, None, because)

    return Verdict(alarm, zone, credit, Delays(10 * MINUTE_MS, 20 * MINUTE_MS, 10 * MINUTE_MS, 20 * MINUTE_MS), facts)


def _calibrated_lately(view: View, quantity: Quantity) -> NDArray[np.bool_]:
    """Return where a probe of this place was corrected within a day: a step of the instrument is no trend (case C16)."""
    lately = np.zeros(len(view.at_ms), bool)
    for name in view.watch.probes_at(view.place):
        correction = view.probes[name].corrections.get(quantity)
        if correction is not None:
            lately |= view.at_ms - correction.at_ms < DAY_MS
    return lately


def _edges(view: View, band: Band, turns: NDArray[np.intp]) -> list[tuple[float, float]]:
    sides = []
    for side, missing in (("low", -np.inf), ("high", np.inf)):
        edge = limits(view, band, side)
        sides.append(
            np.full(len(turns), missing if edge is None else edge) if not isinstance(edge, np.ndarray) else edge[turns]
        )
    return list(zip(sides[0].tolist(), sides[1].tolist(), strict=True))


def _step(guesses: Guesses, at_ms: int, now: float, slope: float, edge: tuple[float, float]) -> tuple[int, list[float]]:
    """Settle the guesses that are due, make a new one, and return the zone with [hours, edge, error] of the last warning."""
    if now != now:
        guesses.due_ms, guesses.guess_m, guesses.was_m = [], [], []
        return CLEAR, guesses.told
    while guesses.due_ms and guesses.due_ms[0] <= at_ms:
        due, guess, was = guesses.due_ms.pop(0), guesses.guess_m.pop(0), guesses.was_m.pop(0)
        if at_ms - due < EVERY_MS:
            real = round(now * 1000)
            guesses.error2.append((guess - real) ** 2)
            guesses.stay_error2.append((was - real) ** 2)
            del guesses.error2[:-REMEMBERED], guesses.stay_error2[:-REMEMBERED]
    if slope != slope:
        return CLEAR, guesses.told
    guesses.due_ms.append(at_ms + AHEAD_MS)
    guesses.guess_m.append(round((now + slope * DAMPING) * 1000))
    guesses.was_m.append(round(now * 1000))
    low, high = edge
    if not low < now < high or abs(slope) < 1e-3:
        return CLEAR, guesses.told
    ahead = high if slope > 0 else low
    hours = (ahead - now) / (slope * DAMPING)
    if hours > WARN_HOURS or not _trusted(guesses):
        return (EDGE if hours <= 1.5 * WARN_HOURS else CLEAR), guesses.told
    error = (sum(guesses.error2) / len(guesses.error2)) ** 0.5 / 1000
    if error > abs(ahead - now) / 2:  # the edge must stand clear of the forecast's own error
        return EDGE, guesses.told
    return OUTSIDE, [hours, ahead, error]


def _trusted(guesses: Guesses) -> bool:
    return len(guesses.error2) >= NEEDED and sum(guesses.error2) < CLEARLY_BETTER * sum(guesses.stay_error2)
