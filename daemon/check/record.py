"""What the record of the last hours tells of each probe: when it last spoke, its noise, its pauses, how it was judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC

import numpy as np
from numpy.typing import NDArray

from adapters.wording.figures import Style, span
from daemon.check.finding import Finding, reading_told
from daemon.config.configuration import Configuration, duration_text
from daemon.store.errors import HistoryError
from daemon.store.reader import HistoryReader
from rules.climate.quality import fresh_for_ms
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.terms.quantities import FACTS, Quantity

LOOK_BACK_MS = 3 * HOUR_MS
"""So long the last word of the slowest probe holds, one that speaks once an hour."""
_ENOUGH = 20
_NOISY = {"air_temperature": 0.3, "relative_humidity": 2.0, "surface_temperature": 0.5}
"""Standard deviation from one reading to the next above which a probe is worth a look; common practice, no source."""


@dataclass(slots=True)
class Heard:
    """One series of the last hours."""

    quantity: Quantity
    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]

    @property
    def noise(self) -> float:
        """Scatter from one reading to the next: robust, so that a step or a lid that is opened does not count."""
        return float(1.4826 * np.median(np.abs(np.diff(self.value))) / np.sqrt(2.0))

    @property
    def longest_ms(self) -> int:
        """The longest pause between two readings."""
        return int(np.max(np.diff(self.at_ms)))


@dataclass(slots=True)
class Record:
    """What the store holds of each probe; empty where there is no store."""

    now_ms: int
    heard: dict[str, list[Heard]] = field(default_factory=dict)
    judged: dict[tuple[str, str | None], dict[str, object]] = field(default_factory=dict)

    def last_ms(self, probe: str) -> int | None:
        """Return when the last reading of a probe was taken."""
        return max((int(one.at_ms[-1]) for one in self.heard.get(probe, ())), default=None)

    def fresh(self, probe: str, interval_ms: int) -> bool:
        """Return whether a daemon reads this probe right now."""
        last_ms = self.last_ms(probe)
        return last_ms is not None and 0 <= self.now_ms - last_ms <= fresh_for_ms(interval_ms)


def read_record(configuration: Configuration, now_ms: int) -> Record:
    """Return the record of the last hours; an empty one when the store is not there or cannot be read."""
    record = Record(now_ms)
    try:
        with HistoryReader(configuration.store) as reader:
            rows = reader.readings(now_ms - LOOK_BACK_MS)
            for number, (probe, quantity) in enumerate(rows.series):
                mine = rows.series_index == number
                if mine.any() and probe in configuration.probe:
                    record.heard.setdefault(probe, []).append(Heard(quantity, rows.taken_ms[mine], rows.value[mine]))
            for event in reader.events(now_ms - DAY_MS, kinds=["quality"]):
                record.judged[event["probe"], event["quantity"]] = event
    except HistoryError:
        return record
    return record


def of_record(configuration: Configuration, record: Record) -> list[Finding]:
    """Return what the record tells of each probe that it knows."""
    known = [name for name in configuration.probe if name in record.heard]
    return [finding for name in known for finding in _of_probe(configuration, name, record)]


def _of_probe(configuration: Configuration, name: str, record: Record) -> Iterator[Finding]:
    interval_ms = configuration.probe[name].interval
    heard = record.heard[name]
    last_ms = record.last_ms(name) or record.now_ms
    style = Style(configuration.site.temperature_unit, UTC)
    told = [f"{reading_told(one.quantity, float(one.value[-1]), style)}{_scatter(one)}" for one in heard]
    count = sum(len(one.at_ms) for one in heard)
    age = span(max(0, record.now_ms - last_ms) / 1000) if record.now_ms - last_ms >= MINUTE_MS else "a moment"
    found = f"last heard {age} ago: {', '.join(told)}; {count} readings in three hours"
    if not record.fresh(name, interval_ms):
        yield Finding(
            "warning", f"record of {name}", found, "since then it was silent, or dewlid was not running",
            "if dewlid runs (systemctl status dewlid), look at cable, power and battery of the probe",
        )
    else:
        yield Finding("ok", f"record of {name}", found)
    for one in heard:
        if len(one.value) >= _ENOUGH:
            yield from _of_series(name, one, interval_ms)
    yield from _as_judged(name, record)


def _scatter(one: Heard) -> str:
    return f" (noise {one.noise:.2f})" if len(one.value) >= _ENOUGH else ""


def _of_series(name: str, one: Heard, interval_ms: int) -> Iterator[Finding]:
    facts = FACTS[one.quantity]
    if one.noise > _NOISY[one.quantity]:
        yield Finding(
            "warning", f"record of {name}", f"its {facts.label} scatters by {one.noise:.2f} from one reading to the next",
            "a loose plug, a long cable beside mains, or a probe in the jet of a fan or heater",
            "move cable and probe; if it is its nature, state it honestly: accuracy_temperature_k, accuracy_humidity_pct",
        )  # fmt: skip
    if float(np.ptp(one.value)) == 0.0 and one.at_ms[-1] - one.at_ms[0] >= HOUR_MS:
        yield Finding(
            "warning", f"record of {name}", f"its {facts.label} has been exactly {one.value[-1]:g} for more than an hour",
            "a real probe moves a little: it may be frozen, or what sends it repeats an old value",
            "breathe on it: it must react within a minute; if not, restart or replace it",
        )  # fmt: skip
    if one.longest_ms > 3 * interval_ms:
        usual_ms = int(np.median(np.diff(one.at_ms)))
        slow = usual_ms > 1.5 * interval_ms
        wanted = duration_text(-(-usual_ms // 10_000) * 10_000)
        yield Finding(
            "warning", f"record of {name}",
            f"it paused up to {span(one.longest_ms / 1000)}; usually a reading comes every {usual_ms / 1000:.0f} s",
            f"its interval in the config is {duration_text(interval_ms)}, and three times that without a word counts as silent",
            f'write interval = "{wanted}" in [probe.{name}]' if slow else "look at its radio link, battery or cable",
        )  # fmt: skip


def _as_judged(name: str, record: Record) -> Iterator[Finding]:
    for (probe, quantity), event in record.judged.items():
        if probe == name and event.get("flag") != "good":
            what = str(quantity or "reading").replace("_", " ")
            yield Finding(
                "warning", f"record of {name}", f"its {what} was last judged {event['flag']} ({event.get('test')})",
                str(event.get("detail") or "its readings are not fully believed"),
                "`dewlid why CHAMBER` tells more; compare it with another probe side by side",
            )  # fmt: skip
