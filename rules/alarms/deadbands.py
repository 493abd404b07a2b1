"""Proposes a deadband and delays from a chamber's own noise, with what they would cost in missed and late alarms.

The record is replayed through the very hysteresis that watches it, placed where it is worst: hovering on the limit. A true
excursion is laid over it for the missed-alarm rate and the detection delay. It only proposes; the config stays the keeper's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rules.climate.hysteresis import Delays, Walk, walk, zones
from rules.settings.bands import Band
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

DAYS_NEEDED = 7.0  # own estimate
RAISES_PER_DAY = 0.5
"""As many raises per day are borne from a value that hovers on its limit. Own estimate."""
MEDIAN_MS = 30 * MINUTE_MS  # own estimate
DELAYS_MS: tuple[tuple[int, int], ...] = tuple(
    (on * MINUTE_MS, off * MINUTE_MS) for on, off in ((1, 1), (2, 5), (5, 5), (10, 10), (15, 30), (30, 30))
)
"""On-delays and off-delays that are tried. The off-delay is never the shorter one: that loses true alarms. Own estimate."""
FACTORS = (1.0, 1.5, 2.0, 3.0, 5.0)
"""Deadbands that are tried, as multiples of the smallest sensible one. Own estimate."""
PLACES = 24
"""So many places in the record bear the true excursion. Bookkeeping."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What a record's values do by themselves. `spread` and `fast` in the record's unit; `quantum` 0: none seen."""

    days: float
    interval_ms: int
    quantum: float
    fast: float
    """1.4826 times the median absolute deviation from the running median over 30 min."""
    fast_for_s: float | None
    """Correlation time of that fast part, s; None: shorter than the interval."""
    spread: float
    """Standard deviation of the whole record."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One setting and what it would do: `missed` is the share of true excursions that raise nothing; `late_s` None: all."""

    deadband: float
    on_ms: int
    off_ms: int
    raises_per_day: float
    missed: float
    late_s: float | None


@dataclass(frozen=True, slots=True)
class Proposal:
    """All trials, the one that is advised (None: none is good enough), and what today's setting does."""

    noise: Noise
    present: Trial
    trials: tuple[Trial, ...]
    advised: Trial | None
    text: str


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: the setting of today, how large and how long a true excursion is, how late it may be found."""

    deadband: float
    on_ms: int
    off_ms: int
    excursion: float
    """How far beyond the limit a true excursion goes, in the record's unit: limit to harmful level."""
    excursion_for_ms: int = HOUR_MS
    find_within_ms: int = 30 * MINUTE_MS
    unit: str = ""
    upper: bool = True
    """Whether it is an upper edge."""
    deadband_at_most: float = float("inf")
    """A larger one would leave the band no room to clear in."""


def question_of(band: Band, edge: Literal["low", "high"], unit: str) -> Question | None:
    """Return the question for one edge of a band as it is set today; None: the band has no such edge."""
    limit = getattr(band, edge)
    if limit is None:
        return None
    harmful = getattr(band, f"harmful_{edge}")
    excursion = 3 * band.deadband if harmful is None else abs(harmful - limit)
    width = float("inf") if band.low is None or band.high is None else (band.high - band.low) / 2.5
    room = min(width, float("inf") if harmful is None else excursion)
    return Question(
        band.deadband, band.on_delay, band.off_delay, excursion, unit=unit, upper=edge == "high", deadband_at_most=room,
    )


def noise_of(at_ms: NDArray[np.int64], value: NDArray[np.float64]) -> Noise:
    """Return what the values of a record do by themselves; at least two samples, in order of time."""
    gaps = np.diff(at_ms)
    interval_ms = max(1, int(np.median(gaps)))
    observed_ms = float(np.minimum(gaps, 2 * interval_ms).sum())
    rest = value - _running_median(value, max(3, MEDIAN_MS // interval_ms))
    steps = np.diff(np.unique(np.round(value, 6)))
    quantum = float(steps.min()) if len(steps) and steps.min() >= 1e-3 else 0.0
    return Noise(
        days=observed_ms / DAY_MS,
        interval_ms=interval_ms,
        quantum=quantum,
        fast=float(1.4826 * np.median(np.abs(rest - np.median(rest)))),
        fast_for_s=_correlation_s(rest, gaps, interval_ms),
        spread=float(np.std(value)),
    )


def _running_median(value: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    half = width // 2
    windows = sliding_window_view(np.pad(value, half, mode="edge"), 2 * half + 1)
    parts = [np.median(windows[begin : begin + 4096], axis=1) for begin in range(0, len(value), 4096)]
    return np.concatenate(parts)


def _correlation_s(rest: NDArray[np.float64], gaps: NDArray[np.int64], interval_ms: int) -> float | None:
    near = gaps <= 1.5 * interval_ms
    variance = float(np.mean(rest * rest))
    if not near.any() or variance <= 0:
        return None
    correlation = float(np.mean((rest[:-1] * rest[1:])[near])) / variance
    return -interval_ms / 1000 / float(np.log(correlation)) if 0.0 < correlation < 1.0 else None


def propose(at_ms: NDArray[np.int64], value: NDArray[np.float64], question: Question) -> Proposal:
    """Return the advice for one edge of one band, from good samples in order of time; ValueError: too few of them."""
    noise = noise_of(at_ms, value) if len(at_ms) > 1 else None
    if noise is None or noise.days < DAYS_NEEDED:
        days = 0.0 if noise is None else noise.days
        raise ValueError(f"{days:.1f} days of good samples are too few: the advice needs {DAYS_NEEDED:g} days; come back later")
    record = _Record(at_ms, (value - np.median(value)) * (1.0 if question.upper else -1.0), noise)
    present = record.trial(question.deadband, question.on_ms, question.off_ms, question)
    trials = tuple(
        record.trial(deadband, on_ms, off_ms, question)
        for on_ms, off_ms in DELAYS_MS
        if on_ms >= 2 * noise.interval_ms
        for deadband in _deadbands(noise)
        if deadband <= question.deadband_at_most
    )
    advised = _best(trials, question)
    return Proposal(noise, present, trials, advised, _said(present, advised, question))


def _deadbands(noise: Noise) -> Sequence[float]:
    least = max(2 * noise.quantum, 3 * noise.fast, 1e-6)
    step = noise.quantum or 10.0 ** np.floor(np.log10(least) - 1)
    return sorted({round(float(np.ceil(round(least * factor / step, 6)) * step), 6) for factor in FACTORS})


def _best(trials: Sequence[Trial], question: Question) -> Trial | None:
    good = [trial for trial in trials if _is_good(trial, question)]
    return min(good, key=lambda trial: (trial.on_ms, trial.off_ms, trial.deadband), default=None)


def _is_good(trial: Trial, question: Question) -> bool:
    quick = trial.missed == 0.0 and trial.late_s is not None and trial.late_s * 1000 <= question.find_within_ms
    return quick and trial.raises_per_day <= RAISES_PER_DAY


def _said(present: Trial, advised: Trial | None, question: Question) -> str:
    now = f"now: {_setting(present, question.unit)} gives {_effect(present)}"
    if advised is None:
        return (
            f"{now}. No setting is both quiet and quick enough here: the noise is too large for a limit so near. Move the limit"
            " or the probe, or look for what swings (a thermostat that cycles through the limit)."
        )
    if _is_good(present, question):
        return f"{now}. It may stay as it is."
    return f"{now}. Advised: {_setting(advised, question.unit)}, which gives {_effect(advised)}."


def _setting(trial: Trial, unit: str) -> str:
    minutes = f"{trial.on_ms / MINUTE_MS:g} min on, {trial.off_ms / MINUTE_MS:g} min off"
    return f"deadband {trial.deadband:g} {unit}".rstrip() + f", {minutes}"


def _effect(trial: Trial) -> str:
    late = "nothing found" if trial.late_s is None else f"found after {trial.late_s / 60:.0f} min"
    return f"{trial.raises_per_day:.1f} raises a day while hovering on the limit, {trial.missed:.0%} missed, {late}"


class _Record:
    """A record around zero, ready to be replayed."""

    def __init__(self, at_ms: NDArray[np.int64], value: NDArray[np.float64], noise: Noise) -> None:
        self.at_ms = at_ms
        self.value = value
        self.noise = noise
        gaps = np.diff(at_ms, prepend=at_ms[0])
        self.credit_ms = np.minimum(gaps, 2 * noise.interval_ms)

    def trial(self, deadband: float, on_ms: int, off_ms: int, question: Question) -> Trial:
        delays = Delays(on_ms, off_ms, on_ms, off_ms)
        raises = len(self._raised(self.value, slice(None), deadband, delays))
        found = self._found_ms(deadband, delays, question)
        late = [one / 1000 for one in found if one is not None]
        missed = 1 - len(late) / len(found) if found else 0.0
        late_s = float(np.mean(late)) if late else None
        return Trial(deadband, on_ms, off_ms, raises / self.noise.days, missed, late_s)

    def _raised(self, value: NDArray[np.float64], part: slice, deadband: float, delays: Delays) -> list[int]:
        zone = zones(value, 0.0, None, deadband, True)
        _, turns = walk(Walk(), zone, self.credit_ms[part], self.at_ms[part], delays)
        return [turn.index for turn in turns if turn.to == "active"]

    def _found_ms(self, deadband: float, delays: Delays, question: Question) -> list[int | None]:
        """How long after its start each excursion is found: the noise, well inside before, goes beyond the limit."""
        starts = np.linspace(0, len(self.at_ms) - 1, PLACES + 2).astype(int)[1:-1]
        return [self._one_found_ms(int(start), deadband, delays, question) for start in starts]

    def _one_found_ms(self, start: int, deadband: float, delays: Delays, question: Question) -> int | None:
        begin_ms = int(self.at_ms[start])
        end = int(np.searchsorted(self.at_ms, begin_ms + question.excursion_for_ms))
        local = self.value[start:end] - np.median(self.value[start:end])
        raised = self._raised(local + question.excursion, slice(start, end), deadband, delays)
        return int(self.at_ms[start + raised[0]]) - begin_ms if raised else None
