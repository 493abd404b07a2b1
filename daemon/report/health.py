"""How each probe does: its class by NAMUR NE 107, in words, with its last value and its age."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from adapters.wording.figures import Style, clean, span
from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import FAIL, SUSPECT, fresh_for_ms
from rules.settings import Settings
from rules.terms.quantities import FACTS, Quantity
from rules.turn.state import EngineState

Class = Literal["ok", "maintenance", "out-of-specification", "function-check", "failure"]
WORDS: dict[Class, str] = {
    "ok": "works", "maintenance": "check is due", "out-of-specification": "doubtful", "function-check": "taken out of use",
    "failure": "failed",
}  # fmt: skip
_FAILED = {"gross-range", "sentinel", "flat-line"}


@dataclass(frozen=True, slots=True)
class Health:
    """One series of one probe. `why` is empty where all is well."""

    probe: str
    place: str
    quantity: str
    ne107: Class
    value: str
    age: str
    why: str
    not_good: float | None
    """Share of all its readings that did not pass the tests; None: it never sent any."""
    checked: str


def health(settings: Settings, state: EngineState, at_ms: int, style: Style) -> list[Health]:
    """Return the health of every probe, in the config's order."""
    found = []
    for name, probe in settings.probes.items():
        memory = state.probes.get(name) or ProbeMemory(since_ms=at_ms)
        for quantity, series in memory.series.items() or [("", Series())]:
            ne107, why = _class(memory, series, quantity, probe.interval, probe.calibration_due, at_ms)
            out = state.keeper.out_of_service.get(name)
            if out is not None:
                ne107, why = "function-check", f"out of use for {span((out.until_ms - at_ms) / 1000)} more"
            correction = memory.corrections.get(quantity)
            checked = f"checked {span((at_ms - correction.at_ms) / 1000)} ago" if correction else "as delivered"
            age = span((at_ms - series.last_ms) / 1000) if series.last_ms is not None else "never"
            not_good = series.not_good / series.samples if series.samples else None
            value, quantity_label = _value(series, quantity, style), _label(quantity)
            found.append(Health(name, probe.place, quantity_label, ne107, value, age, why, not_good, checked))
    return found


def _label(quantity: str) -> str:
    return FACTS[quantity].label if quantity in FACTS else "nothing heard yet"


def _value(series: Series, quantity: str, style: Style) -> str:
    if series.last_raw is None or quantity not in FACTS:
        return "–"
    known: Quantity = quantity
    return style.quantity(series.last_raw, FACTS[known].unit)


def _class(
    memory: ProbeMemory, series: Series, quantity: str, interval_ms: int, check_ms: int, at_ms: int
) -> tuple[Class, str]:
    if series.last_ms is None or at_ms - series.last_ms > fresh_for_ms(interval_ms):
        fault = f"; it was {clean(memory.fault, 40)}" if memory.fault else ""
        return "failure", f"silent{fault}"
    if series.test and series.flag >= SUSPECT:
        failed = series.test in _FAILED and series.flag == FAIL
        return "failure" if failed else "out-of-specification", f"{series.test.replace('-', ' ')} test not passed"
    correction = memory.corrections.get(quantity)
    begun_ms = correction.at_ms if correction else memory.since_ms
    if quantity == "relative_humidity" and at_ms - begun_ms > check_ms:
        return "maintenance", f"last salt check or start was {span((at_ms - begun_ms) / 1000)} ago"
    return "ok", ""
