"""Breaks a probe of real and made recordings in six ways and tells which fault was found, and after how long; and how often
healthy probes of many steps and intervals are blamed.

    make faults

A table: fault by recording. The probe breaks in the middle of its recording; a second one in the same air goes on.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from healthy_air import MADE, Air, Logger, blames, days_of, measured, raised, told, with_gaps
from numpy.typing import NDArray

from rules.climate.quality import AGREE
from rules.climate.wetness import DRY_AGAIN_PCT

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
LOGGERS = [Logger(interval_s, step, step) for interval_s, step in product((60, 900, 3600), (0.01, 0.1, 0.5, 1.0))]
BLAMES_A_MONTH = 0.2
"""What the project promises at most."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What becomes of the readings from the breaking on (`draw` for what chance does), what tells it, and within which time."""

    breaks: Callable[[Air, Air, np.random.Generator], Air]
    alarms: tuple[str, ...]
    within_h: Callable[[Logger], float]
    may_be_right: bool = False
    """Whether it may be true in air that is full of water, where a sound probe says the same. No rule can find it there: its
    time runs from when it is wrong, and where it never is, the keeper must have been asked to prove the probe."""


def _stuck(air: Air, _other: Air, _draw: np.random.Generator) -> Air:
    return Air(air.at_ms, np.full(len(air.at_ms), air.temperature_c[0]), np.full(len(air.at_ms), air.humidity_pct[0]))


def _saturated(air: Air, _other: Air, _draw: np.random.Generator) -> Air:
    return Air(air.at_ms, air.temperature_c, np.full(len(air.at_ms), 100.0))


def _drifted(air: Air, _other: Air, _draw: np.random.Generator) -> Air:
    """One percent a day of what it shows, which ends at 100: what takes months in a box, within days."""
    shown = np.minimum(air.humidity_pct, 100.0)
    return Air(air.at_ms, air.temperature_c, np.clip(shown - (air.at_ms - air.at_ms[0]) / DAY_MS, 0.0, 100.0))


def _swapped(air: Air, other: Air, _draw: np.random.Generator) -> Air:
    """It hangs elsewhere: in the air of another recording."""
    return Air(air.at_ms, other.temperature_c, other.humidity_pct)


def _spiky(air: Air, _other: Air, draw: np.random.Generator) -> Air:
    hit = draw.random(len(air.at_ms)) < 0.3
    return Air(air.at_ms, air.temperature_c + hit * draw.choice((-25.0, 25.0), len(air.at_ms)), air.humidity_pct)


def _silent(air: Air, _other: Air, _draw: np.random.Generator) -> Air:
    return Air(air.at_ms[:0], air.temperature_c[:0], air.humidity_pct[:0])


def _samples(count: float, at_least_h: float) -> Callable[[Logger], float]:
    return lambda logger: max(count * logger.interval_s / 3600, at_least_h)


FAULTS = {
    "stuck": Fault(_stuck, ("probe-fault", "probes-disagree"), _samples(40, 40.0), may_be_right=True),
    "saturated": Fault(_saturated, ("probe-fault", "probes-disagree"), _samples(8, 1.0), may_be_right=True),
    "drifted": Fault(_drifted, ("probes-disagree", "probe-fault"), _samples(8, 11 * 24.0)),
    "swapped": Fault(_swapped, ("probes-disagree", "probe-fault"), _samples(8, 24.0)),
    "spiky": Fault(_spiky, ("probe-fault", "probes-disagree"), _samples(40, 12.0)),
    "silent": Fault(_silent, ("probe-stale",), _samples(4.1, 0.1)),
}  # within: the figures of tests/rules/checks/test_probe_blame.py, with a second probe beside; drift and swap: own estimate


ELSEWHERE = {"fungus_box": "office", "office": "fungus_box", "salt_box": "office", "cave": "office", "room": "outside",
             "outside": "room"}  # fmt: skip
"""Where a swapped probe hangs."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What became of one fault in one recording, in hours since the probe broke."""

    found_h: float | None
    wrong_h: float | None
    """From when on it may be found; None: never in this recording."""
    asked: bool
    """Whether the question whether it works stood when it broke, or came within the fault's time."""

    def in_time(self, within_h: float) -> bool:
        """Return whether it was found in time, or the keeper asked where nobody could find it."""
        if self.wrong_h is None:
            return self.asked
        return self.found_h is not None and self.found_h <= self.wrong_h + within_h

    def __str__(self) -> str:
        if self.wrong_h is None:
            return "asked" if self.asked else "not asked"
        return "never" if self.found_h is None else f"{self.found_h:.1f}"


def tried(fault: Fault, logger: Logger, air: Air, other: Air, at: int) -> Cell:
    """Break a probe and return when it was told that something is wrong with it."""
    draw = np.random.default_rng(5)
    one, after = logger.hear(air), air.at_ms[at]
    later = slice(at, None)
    sound, ill = _part(one, one.at_ms < after), logger.hear(fault.breaks(_part(air, later), _part(other, later), draw))
    both = Air(
        np.concatenate((sound.at_ms, ill.at_ms)), np.concatenate((sound.temperature_c, ill.temperature_c)),
        np.concatenate((sound.humidity_pct, ill.humidity_pct)),
    )  # fmt: skip
    events = told({"one": (logger, both), "two": (logger, one)})
    times = [at_ms for alarm in fault.alarms for at_ms, name in raised(events, alarm) if at_ms >= after and name != "two"]
    until_ms = after + fault.within_h(logger) * HOUR_MS
    asked = [e for e in events if e.kind == "question" and e.probe == "one" and e.at_ms <= until_ms]
    return Cell(
        (min(times) - int(after)) / HOUR_MS if times else None,
        _wrong_h(ill, _part(one, one.at_ms >= after)) if fault.may_be_right else 0.0,
        bool(asked) and asked[-1].condition == "active",
    )


def _wrong_h(ill: Air, sound: Air) -> float | None:
    """Return from when on it is wrong: at once, but in air at its top when it is further away than two cheap probes err."""
    if sound.humidity_pct[0] < DRY_AGAIN_PCT:
        return 0.0
    wrong = np.abs(ill.temperature_c - sound.temperature_c) > AGREE["air_temperature"]
    wrong |= np.abs(ill.humidity_pct - sound.humidity_pct) > AGREE["relative_humidity"]
    return (sound.at_ms[np.argmax(wrong)] - sound.at_ms[0]) / HOUR_MS if wrong.any() else None


def _part(air: Air, where: NDArray[np.bool_] | slice) -> Air:
    return Air(air.at_ms[where], air.temperature_c[where], air.humidity_pct[where])


def recordings(days: float) -> dict[str, Air]:
    """Return the recordings that faults are put into, of one length and one pace."""
    made = {name: MADE[name](np.random.default_rng(11), days, 900) for name in ("fungus_box", "office", "salt_box", "cave")}
    real = {name: _part(air, slice(round(days * 24))) for name, air in measured().items()}
    return made | real


def told_faults(air: dict[str, Air]) -> int:
    """Print after how many hours each fault was found in each recording; returns how many were too late."""
    late = 0
    print(f"{'hours until found':26}" + "".join(f"{name:>12}" for name in air))
    for name, fault in FAULTS.items():
        for pace in (Logger(900, 0.1, 0.1), Logger(3600, 0.5, 1.0)):
            cells = []
            for place, healthy in air.items():
                logger = pace if place in MADE else Logger(3600, pace.step_k, pace.step_pct)  # the measured ones are hourly
                cell = tried(fault, logger, healthy, air[ELSEWHERE[place]], len(healthy.at_ms) // 2)
                in_time = cell.in_time(fault.within_h(logger))
                late += not in_time
                cells.append(f"{cell}{'' if in_time else '!'}")
            print(f"{name:10}{pace.interval_s:5} s {pace.step_k:4} K" + "".join(f"{cell:>12}" for cell in cells), flush=True)
    return late


def told_blames() -> int:
    """Print how often healthy probes of each interval and step were blamed; returns for how many more than is promised."""
    above = 0
    print(f"\n{'healthy':16}{'blames':>8}{'months':>8}{'a month':>9}  in")
    for logger in LOGGERS:
        draw = np.random.default_rng(8)
        pace_s = min(logger.interval_s, 900)
        made = {name: make(np.random.default_rng(7), days_of(logger), pace_s) for name, make in MADE.items()}
        heard = {name: with_gaps(logger.hear(one), draw) for name, one in made.items()}
        heard |= {name: logger.hear(one) for name, one in measured().items() if logger.interval_s == 3600}
        blamed = {name: blames(logger, one) for name, one in heard.items()}
        count, months = sum(blamed.values()), sum((one.at_ms[-1] - one.at_ms[0]) / (30 * DAY_MS) for one in heard.values())
        where = ", ".join(f"{name} {number}" for name, number in blamed.items() if number)
        too_many = count >= BLAMES_A_MONTH * months
        above += too_many
        rate = f"{count / months:9.2f}{'!' if too_many else ' '}"
        print(f"{logger.interval_s:5} s {logger.step_k:5} K {count:8}{months:8.1f}{rate} {where}", flush=True)
    return above


def main() -> int:
    """Print both tables; 1 where a promise is not kept."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "").parse_args()
    worse = told_faults(recordings(24.0)) + told_blames()
    print(f"{worse} worse than promised (!)")
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
