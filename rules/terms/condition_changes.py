"""How a condition's change is handed from the checks to the alarm life cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

To = Literal["active", "harmful", "eased", "recovering", "relapsed", "normal", "held", "resumed", "unknown", "seen"]


@dataclass(frozen=True, slots=True)
class ConditionChange:
    """One change of the condition behind one alarm, after hysteresis and delays.

    `to`: `active` (outside), `harmful` (straight or from active), `eased` (harmful to outside), `recovering` (it stands,
    but the value is back within the limit by less than the deadband), `relapsed` (outside again after that), `normal`
    (returned, delays met), `held` (was active, now cannot be seen), `resumed` (seen again, still bad; level as `level`),
    `unknown` (cannot be seen and was not active, or held too long), `seen` (seen again and normal). `seconds_left`: time to
    harm where it can be estimated. `because`: one line of numbers for the keeper. `config` marks a change made by an edited
    band alone.
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
