"""A band will be left within two hours, told only while such forecasts have lately been better than "it stays as it is".

Every ten minutes the slope of half an hour is drawn on for an hour, damped; an hour later that guess is held against what came.
Only when the last two dozen guesses beat persistence clearly, and what was so expected of this band, told or not, has mostly
come true, is the next one told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import limits
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.memory import Guesses
from rules.climate.view import View
from rules.climate.windows import Signal, passed_since, thousandths
from rules.settings.bands import Band
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.terms.quantities import Quantity

Floats = NDArray[np.float64]

EVERY_MS = 10 * MINUTE_MS  # own estimate
AHEAD_MS = HOUR_MS
DAMPING = 0.7  # own estimate
REMEMBERED = 24  # own estimate
NEEDED = 12  # own estimate
CLEARLY_BETTER = 0.64  # mean squared error against persistence: 0.8 of its root, own estimate
WARN_HOURS = 2.0  # own estimate
MOSTLY = 0.7
"""So many of the last expectations must have come true, and so likely must it be, by the guesses' spread, this time.
Own estimate."""
EXPECTED = 12  # own estimate
SPREADS = 0.52 * 2.0**0.5  # the 70th percentile of a normal law, whose spread grows from one hour to two, by definition


def check(view: View) -> Iterator[Verdict]:
    """Temperature and humidity on their way out of the band."""
    if view.chamber is None or view.chamber.role != "fungus":
        return
    band = view.chamber.temperature
    yield _one(view, "temperature-leaving", band, view.recent.temperature, view.temperature.value, view.credit_ms, "degC")
    wet = view.humidity_band
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
        steps, warnings = _guess(guesses, view.at_ms[turns], now, slope, *_edges(view, band, turns))
        told += [(int(turns[row]), warning) for row, warning in warnings]
        zone[turns[0] :] = np.repeat(np.array(steps, np.int8), np.diff(turns, append=len(slots)))
        guesses.zone, guesses.told = steps[-1], told[-1][1]
    zone[_calibrated_lately(view, "air_temperature" if alarm == "temperature-leaving" else "relative_humidity")] = CLEAR
    zone[np.isnan(value)] = UNSEEN
    if view.chamber is not None and alarm == "humidity-leaving":
        zone[(zone == OUTSIDE) & view.visiting] = EDGE

    def facts(index: int) -> Facts:
        hours, edge, error = [predicted for at, predicted in told if at <= index][-1]
        now = float(value[index])
        because = (
            f"{now:.1f} {unit} now; {edge:.1f} {unit} in about {hours:.1f} h if it goes on (give or take {error:.1f} {unit})"
        )
        return Facts(number(now), round(edge, 3), unit, None, because)

    def has_left() -> NDArray[np.bool_]:
        """What has come as it was told is not over by that."""
        low, high = _edges(view, band, np.arange(len(slots)))
        gone: NDArray[np.bool_] = (value <= low) | (value >= high)
        return gone

    delays = Delays(10 * MINUTE_MS, 20 * MINUTE_MS, 10 * MINUTE_MS, 20 * MINUTE_MS)
    return Verdict(alarm, zone, credit, delays, facts, worsening=has_left)


def _calibrated_lately(view: View, quantity: Quantity) -> NDArray[np.bool_]:
    """Return where a probe of this place was corrected within a day: a step of the instrument is no trend (case C16)."""
    lately = np.zeros(len(view.at_ms), bool)
    for name in view.settings.probes_at(view.place):
        correction = view.probes[name].corrections.get(quantity)
        if correction is not None:
            lately |= view.at_ms - correction.at_ms < DAY_MS
    return lately


_OPEN = (("low", -np.inf), ("high", np.inf))


def _edges(view: View, band: Band, turns: NDArray[np.intp]) -> tuple[Floats, Floats]:
    low, high = (_at(limits(view, band, side), missing, turns) for side, missing in _OPEN)
    return low, high


def _at(edge: Floats | float | None, missing: float, turns: NDArray[np.intp]) -> Floats:
    if isinstance(edge, np.ndarray):
        return edge[turns]
    return np.full(len(turns), missing if edge is None else edge)


def _guess(
    guesses: Guesses, at_ms: NDArray[np.int64], now: Floats, slope: Floats, low: Floats, high: Floats
) -> tuple[list[int], list[tuple[int, list[float]]]]:
    """Settle the guesses that are due at each turn and make a new one; return the zones, and by turn what is warned of:
    [hours, edge, error]."""
    ahead = np.where(slope > 0, high, low)
    moving = (low < now) & (now < high) & (np.abs(slope) >= 1e-3)
    hours = np.divide(ahead - now, slope * DAMPING, out=np.full(len(now), np.inf), where=moving)
    steps = np.where(hours <= 1.5 * WARN_HOURS, EDGE, CLEAR).tolist()
    warnings = []
    record = _Record(guesses)
    seen, slopes = (~np.isnan(now)).tolist(), (~np.isnan(slope)).tolist()
    left, soon = (~((low < now) & (now < high))).tolist(), (hours <= WARN_HOURS).tolist()
    turns = zip(at_ms.tolist(), thousandths(now).tolist(), thousandths(now + slope * DAMPING).tolist(), strict=True)
    for row, (instant, real, guess) in enumerate(turns):
        if not seen[row]:
            record.forget()
            continue
        record.settle(instant, real)
        record.hold(instant, left[row])
        if slopes[row]:
            record.waiting.append((instant + AHEAD_MS, guess, real))
        if soon[row] and record.trusted():
            error = record.error()
            apart = abs(ahead[row] - now[row])
            beyond = abs(slope[row]) * DAMPING * WARN_HOURS - apart
            # The edge must stand clear of the forecast's own error, and be passed by more than that.
            if error <= apart / 2 and beyond >= SPREADS * error and record.expect(instant):
                steps[row] = OUTSIDE
                warnings.append((row, [float(hours[row]), float(ahead[row]), error]))
    record.keep(guesses)
    return steps, warnings


class _Record:
    """The guesses that wait for their hour, and how good the last ones were, while a stretch is walked."""

    def __init__(self, guesses: Guesses) -> None:
        self.waiting = deque(zip(guesses.due_ms, guesses.guess_m, guesses.was_m, strict=True))
        self.error2 = deque(guesses.error2, REMEMBERED)
        self.stay_error2 = deque(guesses.stay_error2, REMEMBERED)
        self.leaves_by_ms = guesses.leaves_by_ms
        self.came = deque(guesses.came, EXPECTED)

    def forget(self) -> None:
        """Drop what waits: the figure is not seen."""
        self.waiting.clear()
        self.leaves_by_ms = None

    def expect(self, at_ms: int) -> bool:
        """Expect the band to be left in time, and return whether something was expected before and has mostly come true."""
        if self.leaves_by_ms is None:
            self.leaves_by_ms = at_ms + round(WARN_HOURS * HOUR_MS)
        return len(self.came) > 0 and sum(self.came) >= MOSTLY * len(self.came)

    def hold(self, at_ms: int, left: bool) -> None:
        """Hold what is expected against what came."""
        if self.leaves_by_ms is not None and (left or at_ms > self.leaves_by_ms):
            self.came.append(int(left))
            self.leaves_by_ms = None

    def settle(self, at_ms: int, real_m: int) -> None:
        """Hold the guesses that are due against what came; one whose hour was missed is dropped."""
        while self.waiting and self.waiting[0][0] <= at_ms:
            due_ms, guess_m, was_m = self.waiting.popleft()
            if at_ms - due_ms < EVERY_MS:
                self.error2.append((guess_m - real_m) ** 2)
                self.stay_error2.append((was_m - real_m) ** 2)

    def trusted(self) -> bool:
        """Return whether the last guesses beat persistence clearly."""
        return len(self.error2) >= NEEDED and sum(self.error2) < CLEARLY_BETTER * sum(self.stay_error2)

    def error(self) -> float:
        """Return the root mean square error of the last guesses, in the figure's unit."""
        return (sum(self.error2) / len(self.error2)) ** 0.5 / 1000  # type: ignore[no-any-return]

    def keep(self, guesses: Guesses) -> None:
        """Write it all back."""
        guesses.due_ms, guesses.guess_m, guesses.was_m = ([row[column] for row in self.waiting] for column in range(3))
        guesses.error2, guesses.stay_error2 = [*self.error2], [*self.stay_error2]
        guesses.leaves_by_ms, guesses.came = self.leaves_by_ms, [*self.came]
