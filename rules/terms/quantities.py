"""Each measured quantity once: its unit, what a probe may plausibly say, and how foreign units become ours."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

Quantity = Literal["air_temperature", "relative_humidity", "surface_temperature"]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)


@dataclass(frozen=True, slots=True)
class QuantityFacts:
    """What holds for a quantity wherever it is measured.

    `gross_low`/`gross_high` bound what a working probe can say (outside: fail); `domain_low`/`domain_high` bound what a
    fungus shelf can be (outside: suspect). Sources: RH gross range WMO CBS ET-AWS-1 Doc. 9(2) 2002 (0 to 104 %); the
    temperature gross range is the span that common digital probes share, from memory of their data sheets (-40 to 85 degC).
    """

    unit: str
    senml_unit: str
    label: str
    gross_low: float
    gross_high: float
    domain_low: float
    domain_high: float
    decimals: int


FACTS: dict[Quantity, QuantityFacts] = {  # what is refused at all, and what a fungus shelf may have: own estimates
    "air_temperature": QuantityFacts("degC", "Cel", "air temperature", -40.0, 80.0, 5.0, 45.0, 1),
    "relative_humidity": QuantityFacts("%RH", "%RH", "relative humidity", 0.0, 104.0, 15.0, 104.0, 0),
    "surface_temperature": QuantityFacts("degC", "Cel", "surface temperature", -40.0, 80.0, 5.0, 75.0, 1),
}

DRIEST_PCT = 1.0
"""Air is counted no drier: a probe that errs by 1 to 2 %RH says below it no more than that it is dry, and at 0 there is no dew
point. Own estimate."""

_TO_CELSIUS: dict[str, Callable[[float], float]] = {  # the degrees by definition
    "Cel": lambda value: value,
    "degC": lambda value: value,
    "°C": lambda value: value,
    "C": lambda value: value,
    "K": lambda value: value - 273.15,
    "degF": lambda value: (value - 32.0) / 1.8,
    "°F": lambda value: (value - 32.0) / 1.8,
    "F": lambda value: (value - 32.0) / 1.8,
}
_TO_PERCENT: dict[str, Callable[[float], float]] = {
    "%RH": lambda value: value,
    "%": lambda value: value,
    "/": lambda value: value * 100.0,  # the ratio of the SenML units registry, RFC 8428 section 12.1
}


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Return the unit names in which a value of this quantity may arrive; the first one is ours (SenML, RFC 8428)."""
    return tuple(_TO_PERCENT if quantity == "relative_humidity" else _TO_CELSIUS)


def in_our_unit(quantity: Quantity, value: float, unit: str) -> float:
    """Return `value` in degC or %RH; raises ValueError naming the units that are allowed for this quantity."""
    table = _TO_PERCENT if quantity == "relative_humidity" else _TO_CELSIUS
    if unit not in table:
        raise ValueError(
            f"unit {unit!r} is not a unit of {FACTS[quantity].label}; allowed: {', '.join(units_of(quantity))}"
        )
    return table[unit](value)
