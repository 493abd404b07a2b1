"""Which alarms exist, and how a condition's change is handed from the bands and checks to the alarm life cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Consequence = Literal["minor", "serious", "severe"]
To = Literal["active", "harmful", "eased", "recovering", "relapsed", "normal", "held", "resumed", "unknown", "seen"]


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """What is fixed for an alarm by its kind: its words for the keeper and how bad it is if ignored."""

    label: str
    consequence: Consequence
    subject: Literal["climate", "lid", "probe", "medium", "site"]
    quiet_on_visit: bool = False


# Consequences follow the trade's order lethal heat > drying > drip > cool > damp; common practice, no source.
ALARMS: dict[str, AlarmKind] = {
    "temperature-high": AlarmKind("too warm", "severe", "climate"),
    "temperature-low": AlarmKind("too cool", "serious", "climate"),
    "humidity-low": AlarmKind("too dry", "serious", "climate", quiet_on_visit=True),
    "humidity-high": AlarmKind("too humid", "minor", "climate", quiet_on_visit=True),
    "lid-dew": AlarmKind("lid is wet", "serious", "lid", quiet_on_visit=True),
    "heater-runaway": AlarmKind("heater is running away", "severe", "climate"),
    "heater-failed": AlarmKind("heat is failing", "serious", "climate"),
    "lid-open": AlarmKind("lid is open or ajar", "severe", "lid", quiet_on_visit=True),
    "lid-drip-tonight": AlarmKind("lid will drip before dawn", "serious", "lid"),
    "temperature-leaving": AlarmKind("temperature will leave its band", "minor", "climate"),
    "humidity-leaving": AlarmKind("humidity will leave its band", "minor", "climate", quiet_on_visit=True),
    "mister-stuck": AlarmKind("water keeps coming", "serious", "climate"),
    "probe-stale": AlarmKind("probe is silent", "minor", "probe"),
    "probe-fault": AlarmKind("probe is not believed", "minor", "probe"),
    "probes-disagree": AlarmKind("two probes disagree", "minor", "probe"),
    "probe-calibration": AlarmKind("humidity check is due", "minor", "probe"),
    "blind": AlarmKind("nothing can be seen of this chamber", "serious", "climate"),
    "medium-down": AlarmKind("a line or broker is down", "minor", "medium"),
}


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


def identity(chamber: str | None, alarm: str, probe: str | None = None) -> str:
    """Return the one name of an alarm: chamber (or `site`), alarm and, for probe alarms, the probe; never its limits."""
    return "/".join(part for part in (chamber or "site", alarm, probe) if part)
