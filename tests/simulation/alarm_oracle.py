"""An independent judge of alarms: what must be the case and what must not, from plain tables and the stored readings.

It knows nothing of the rules' code. It is written after the life cycle of an alarm (IEC 62682, OPC UA Part 9) and the time
base of delays: only good readings count, a gap counts for nothing, doubt never clears. Where a reading is in doubt it demands
nothing; where several readings in a row are beyond doubt it demands a certain state. All times are time since boot, ms.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

PERIOD_MS = 600_000
FRESH_MS = 3 * PERIOD_MS
SECOND_MS = 11 * PERIOD_MS // 10
"""So long a figure lasts at least, that a second reading, if it is a little late, has said it too; a promise of the program."""

# change: condition before -> condition after
LEGAL: dict[str, dict[str, str]] = {
    "raised": {"normal": "active", "unknown": "active"},
    "escalated": {"active": "active", "held": "active"},
    "worsened": {"active": "active", "held": "held"},
    "eased": {"active": "active"},
    "recovering": {"active": "active"},
    "relapsed": {"active": "active"},
    "returned": {"active": "normal", "held": "normal"},
    "held": {"active": "held"},
    "resumed": {"held": "active", "unknown": "normal"},
    "unknown": {"normal": "unknown", "held": "unknown", "active": "unknown"},
    "stale": {"active": "active", "held": "held"},
    "closed": dict.fromkeys(("normal", "active", "held", "unknown"), "normal"),
}
STAYS = (
    "acknowledged", "shelved", "unshelved", "suppressed", "unsuppressed", "chattering", "latched", "reset", "updated",
    "unacknowledged",
)  # fmt: skip
DROPS_ACKNOWLEDGEMENT = ("raised", "escalated", "worsened", "unshelved", "unacknowledged")


@dataclass
class Standing:
    """One alarm as its events tell it."""

    condition: str = "normal"
    occurrence: int = 0
    acknowledged: bool = False
    at_ms: int = 0


@dataclass(frozen=True)
class Limits:
    """One side of one band: where it begins, where it is harmful, and the delays."""

    upper: bool
    limit: float
    harmful: float
    deadband: float
    on_ms: int
    off_ms: int
    harm_ms: int

    def beyond(self, value: float, limit: float) -> bool:
        return value > limit if self.upper else value < limit

    def clear(self, value: float) -> bool:
        """Well inside: back past the deadband."""
        return not self.beyond(value, self.limit - self.deadband if self.upper else self.limit + self.deadband)


QUIET_FOR = 25
"""So many readings; a promise of the program."""


@dataclass
class Series:
    """The stored readings of one probe's one quantity: times, values, and which are beyond doubt."""

    at_ms: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    clean: list[bool] = field(default_factory=list)
    sure: list[bool] = field(default_factory=list)

    def add(self, at_ms: int, value: float, clean: bool) -> None:
        # The first readings after a gap or a fault are judged by their neighbours: in doubt.
        near = len(self.at_ms) >= 2 and at_ms - self.at_ms[-2] <= 4 * PERIOD_MS
        # One that has jumped there and back more than once may be doubted as a whole until it has been quiet for as long.
        lately = [*self.value[-QUIET_FOR:], value]
        jumps = sum(abs(after - before) > 10.0 for before, after in pairwise(lately))
        self.sure.append(clean and near and all(self.clean[-2:]) and jumps <= 2)
        self.at_ms.append(at_ms)
        self.value.append(value)
        self.clean.append(clean)

    def between(self, after_ms: int, until_ms: int) -> Iterator[tuple[float, bool, bool]]:
        """Yield value, clean, sure of the readings in (after, until]."""
        span = slice(bisect_right(self.at_ms, after_ms), bisect_right(self.at_ms, until_ms))
        return zip(self.value[span], self.clean[span], self.sure[span], strict=True)


def life_faults(events: Sequence[Mapping[str, Any]], standing: dict[str, Standing]) -> list[str]:
    """Return what is illegal about these alarm events (in order of record) after what stood before."""
    found = []
    for event in events:
        key = "/".join(str(event.get(part) or "") for part in ("chamber", "alarm", "probe", "medium"))
        one = standing.setdefault(key, Standing())
        change, after = event["change"], event["condition"]
        wanted = one.condition if change in STAYS else LEGAL.get(change, {}).get(one.condition)
        occurrence = one.occurrence + (change == "raised")
        faults = {
            f"{change} in {one.condition} leads to {after}": wanted != after,
            f"occurrence {event['occurrence']} after {one.occurrence}": event["occurrence"] != occurrence,
            "a level without a standing alarm, or none with one": (event["level"] is None) == (after in ("active", "held")),
            "harmful is not what was escalated to": change == "escalated" and event["level"] != "harmful",
            "the acknowledgement was dropped": one.acknowledged and not event["acknowledged"]
            and change not in DROPS_ACKNOWLEDGEMENT,
            "acknowledged by nobody": event["acknowledged"] and not one.acknowledged and change != "acknowledged",
        }  # fmt: skip
        found += [f"{event['id']} at {event['time']}: {text}" for text, wrong in faults.items() if wrong]
        one.condition, one.occurrence, one.acknowledged = after, event["occurrence"], event["acknowledged"]
    return found


def turn_faults(event: Mapping[str, Any], at_ms: int, series: Series, limits: Limits) -> list[str]:
    """Return why this change of a band's alarm, at this time, was not warranted by the readings."""
    change, harmful = event["change"], event["level"] == "harmful"

    def wrong(for_ms: int, condition: Any) -> bool:
        return any(sure and condition(value) for value, _, sure in series.between(at_ms - for_ms, at_ms))

    if change == "raised" and not harmful and wrong(limits.on_ms, lambda value: not limits.beyond(value, limits.limit)):
        return ["raised, but a good reading within the on-delay was inside"]
    if change in ("raised", "escalated") and harmful and wrong(
        limits.harm_ms, lambda value: not limits.beyond(value, limits.harmful)
    ):
        return ["harmful, but a good reading within its delay was not"]
    if change == "returned":
        # A frozen probe looks well for two hours; so what looks like a reading counts here, whatever is known of it.
        good = [value for value, _, _ in series.between(at_ms - limits.off_ms - PERIOD_MS, at_ms) if -20 < value < 60]
        if wrong(limits.off_ms - 1, lambda value: not limits.clear(value)):
            return ["returned, but a good reading within the off-delay was not well inside"]
        if len(good) * 2 * PERIOD_MS < limits.off_ms:
            return [f"returned on {len(good)} good readings"]
    inside_ms = max(limits.on_ms, limits.off_ms)
    if change == "recovering" and wrong(inside_ms - 1, lambda value: limits.beyond(value, limits.limit)):
        return ["recovering, but a good reading before it was outside"]
    if change == "held" and wrong(FRESH_MS - 1, lambda value: True):
        return ["held, though it was seen"]
    return []


def state_faults(
    changes: Sequence[tuple[int, str, str | None]], series: Series, limits: Limits, breaks: Sequence[int], what: str
) -> list[str]:
    """Return where the alarm did not stand (or stood) although readings beyond doubt demanded it.

    `changes`: time, condition and level after each event of this alarm; `breaks`: when the daemon began anew, the clock stood
    still or the config changed: delays begin anew there.
    """
    times = [at for at, _, _ in changes]
    found = []
    bad_ms = harm_ms = well_ms = last_ms = None
    for at_ms, value, sure in zip(series.at_ms, series.value, series.sure, strict=True):
        broken = last_ms is None or at_ms - last_ms > 1.5 * PERIOD_MS
        if not broken and last_ms is not None:
            broken = bisect_left(breaks, last_ms) != bisect_right(breaks, at_ms)
        last_ms = at_ms
        if broken or not sure:
            bad_ms = harm_ms = well_ms = None
            continue
        beyond, harm = limits.beyond(value, limits.limit), limits.beyond(value, limits.harmful)
        bad_ms = (bad_ms if bad_ms is not None else at_ms) if beyond else None
        harm_ms = (harm_ms if harm_ms is not None else at_ms) if harm else None
        well_ms = (well_ms if well_ms is not None else at_ms) if limits.clear(value) else None
        index = bisect_right(times, at_ms) - 1
        condition, level = changes[index][1:] if index >= 0 else ("normal", None)
        if bad_ms is not None and at_ms - bad_ms >= max(limits.on_ms, SECOND_MS) and condition != "active":
            found.append(f"{what}: {value} for {(at_ms - bad_ms) // 60_000} min at {at_ms}, but it is {condition}")
        if harm_ms is not None and at_ms - harm_ms >= limits.harm_ms and level != "harmful":
            found.append(f"{what}: harmful {value} for {(at_ms - harm_ms) // 60_000} min at {at_ms}, but its level is {level}")
        if well_ms is not None and at_ms - well_ms >= limits.off_ms and condition != "normal":
            found.append(f"{what}: {value} well inside for {(at_ms - well_ms) // 60_000} min at {at_ms}, but it is {condition}")
    return found
