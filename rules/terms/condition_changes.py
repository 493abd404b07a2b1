"""How a condition's change is handed from the checks to the alarm life cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

To = Literal[
    "active", "harmful", "eased", "recovering", "relapsed", "normal", "held", "resumed", "unknown", "seen", "worse", "judged",
]
Worse = Literal["priority", "time", "mark"]


@dataclass(frozen=True, slots=True)
class Harm:
    """What one kind of harm has used up of what such a garden bears, and how long the rest lasts at the present course."""

    kind: Literal["heat", "cold", "dryness", "water"]
    used: float
    left_s: float | None
    """None: at this course not all is ever used up."""
    early_left_s: float | None
    """The same where the trend is as steep as it may be."""
    consequence: Literal["minor", "serious", "severe"]
    acute: bool
    """The value of now alone would use up all within hours, not only the long time that it has lasted."""
    going_away: bool
    """It is on its way beyond what harms."""
    carried: bool = False
    """Nothing is seen: judged by the last course that was."""
    at_ms: int = 0
    """When it was judged."""
    held_rank: int = -1
    """The rank that it was judged before, which is not given up yet: the value still gets worse, or has only just stopped."""
    mark_left_s: float | None = None
    """Time until the value passes its next mark where the trend is as steep as it may be; None: it passes none."""


@dataclass(frozen=True, slots=True)
class ConditionChange:
    """One change of the condition behind one alarm, after hysteresis and delays.

    `to`: `active` (outside), `harmful` (straight or from active), `eased` (harmful to outside), `recovering` (it stands,
    but the value is back within the limit by less than the deadband), `relapsed` (outside again after that), `normal`
    (returned, delays met), `held` (was active, now cannot be seen), `resumed` (seen again, still bad; level as `level`),
    `unknown` (cannot be seen and was not active, or held too long), `seen` (seen again and normal), `worse` and `judged` (the
    account of harm took a step: for the worse as `worse` says, or another that is no news). `seconds_left`: time to harm where
    it can be estimated. `because`: one line of numbers for the keeper. `config` marks a change made by an edited band alone.
    """

    at_ms: int
    chamber: str | None
    alarm: str
    to: To
    level: Literal["outside", "harmful"] | None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    probe: str | None = None
    medium: str | None = None
    seconds_left: float | None = None
    because: str = ""
    config: bool = False
    harm: Harm | None = None
    worse: Worse | None = None
    mark: float | None = None
    raised_from: float | None = None
    """The limit as it is written, where warmth raises it; None: nothing does."""
