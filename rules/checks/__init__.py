"""Everything that is looked for in a chamber or a room. One file per check; add a file and its name here.

A check is a function from a `View` to verdicts. It may keep a memory only in the view's `PlaceMemory`, and what it says may
depend only on instants up to the one that it speaks of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rules.checks import bands, heat, leaving, lid_dew, lid_open, probes, tonight, water
from rules.checks.verdict import Verdict
from rules.climate.view import View

Check = Callable[[View], Iterator[Verdict]]

CHAMBER_CHECKS: tuple[Check, ...] = (
    bands.temperature,
    heat.runaway,
    heat.failed,
    bands.dryness,
    bands.dampness,
    lid_open.check,
    lid_dew.check,
    tonight.check,
    leaving.check,
    water.check,
    probes.blind,
)
PROBE_CHECKS: tuple[Check, ...] = (probes.check, probes.disagreement, probes.calibration)
