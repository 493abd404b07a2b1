"""What stands now, as far as advice cares: an alarm's record, or its last event."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from rules.terms.events import Condition, Level, Priority
from rules.trade.alarm_kinds import ALARMS


class Standing(Protocol):
    """One alarm that stands."""

    @property
    def alarm(self) -> str: ...
    @property
    def level(self) -> Level | None: ...
    @property
    def condition(self) -> Condition: ...
    @property
    def priority(self) -> Priority: ...
    @property
    def acknowledged(self) -> bool: ...
    @property
    def seconds_left(self) -> float | None: ...
    @property
    def probe(self) -> str | None: ...
    @property
    def since_ms(self) -> int | None: ...


def stands(standing: Mapping[str, Standing], *names: str) -> bool:
    """Return whether one of these alarms is active."""
    return any(row.alarm in names and row.condition == "active" for row in standing.values())


def climate_stands(standing: Mapping[str, Standing]) -> list[Standing]:
    """Return the standing alarms that advice answers."""
    return [row for row in standing.values() if ALARMS[row.alarm].answered == "climate" and row.condition == "active"]


def probes_stand(standing: Mapping[str, Standing]) -> list[Standing]:
    """Return the standing alarms that say that something is not seen or not believed."""
    return [row for row in standing.values() if ALARMS[row.alarm].answered == "probe" and row.condition == "active"]


def lost_from_sight(standing: Mapping[str, Standing]) -> list[Standing]:
    """Return the alarms of cold and of a runaway that stood when the chamber was last seen: nothing says that they ended."""
    held = (row for row in standing.values() if row.condition == "held")
    return [row for row in held if row.alarm == "heater-runaway" or ALARMS[row.alarm].harm == "cold"]


def _dry(standing: Mapping[str, Standing]) -> list[Standing]:
    return [row for row in standing.values() if row.condition == "active" and ALARMS[row.alarm].harm == "dryness"]


def dryness_harms(standing: Mapping[str, Standing]) -> bool:
    """Return whether dry air does harm already: then the water is to be looked after, whatever else goes its way."""
    return any(row.level == "harmful" for row in _dry(standing))


def wakes_dry(standing: Mapping[str, Standing]) -> bool:
    """Return whether it is dry air that wakes the keeper."""
    return any(row.priority == "wake" for row in _dry(standing))
