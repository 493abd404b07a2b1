"""Everything that is looked for in a chamber or a room. One file per check; its line here names the alarms that it may raise.

A check is a function from a `View` to verdicts. It may keep a memory only in the view's `PlaceMemory`, and what it says may
depend only on instants up to the one that it speaks of.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from rules.checks import (
    bands,
    heat,
    leaving,
    lid_dew,
    lid_open,
    lid_unsure,
    moisture_lost,
    probe_unproven,
    probes,
    swapped,
    swings,
    tonight,
    water,
)  # fmt: skip
from rules.checks.verdict import Verdict
from rules.climate.view import View
from rules.trade.alarm_kinds import ALARMS, AlarmKind


@dataclass(frozen=True, slots=True)
class Check:
    """One check and the alarms whose rows in `ALARMS` it answers for; `rooms`: whether it looks at rooms too."""

    look: Callable[[View], Iterator[Verdict]]
    alarms: tuple[str, ...]
    rooms: bool = False


CHECKS: tuple[Check, ...] = (
    Check(bands.temperature, ("temperature-high", "temperature-low")),
    Check(heat.runaway, ("heater-runaway",)),
    Check(heat.failed, ("heater-failed",)),
    Check(swings.check, ("temperature-swings",)),
    Check(bands.dryness, ("humidity-low",)),
    Check(bands.dampness, ("humidity-high", "damp")),
    Check(lid_open.check, ("lid-open",)),
    Check(moisture_lost.check, ("moisture-lost",)),
    Check(lid_dew.check, ("lid-dew",)),
    Check(lid_unsure.check, ("lid-unsure",)),
    Check(tonight.check, ("lid-drip-tonight",)),
    Check(leaving.check, ("temperature-leaving", "humidity-leaving")),
    Check(water.check, ("mister-stuck",)),
    Check(probes.blind, ("blind",)),
    Check(probes.check, ("probe-stale", "probe-fault"), rooms=True),
    Check(probe_unproven.check, ("probe-unproven",)),
    Check(swapped.check, ("probes-swapped",)),
    Check(probes.disagreement, ("probes-disagree",), rooms=True),
    Check(probes.calibration, ("probe-calibration",), rooms=True),
)


def unpaired(checks: Iterable[Check], kinds: Mapping[str, AlarmKind]) -> list[str]:
    """Return the alarms that have no check, several, or no row; a line or broker is told by its source, not looked for."""
    checked = Counter(alarm for check in checks for alarm in check.alarms)
    wanted = Counter(alarm for alarm, kind in kinds.items() if kind.subject != "medium")
    return sorted({*(checked - wanted), *(wanted - checked)})


if unpaired(CHECKS, ALARMS):
    raise LookupError(f"not one line of CHECKS and one row of ALARMS each: {', '.join(unpaired(CHECKS, ALARMS))}")
