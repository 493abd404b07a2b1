"""What advice aims at in a chamber: its band, with the edges that the keeper left open, and the middle to go to."""

from __future__ import annotations

from dataclasses import dataclass

from rules.climate.situation import Situation
from rules.settings import Chamber
from rules.trade.garden_sizes import YOUNG, size_class


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What advice aims at and the band around it; all values degC, %RH, K."""

    temperature_c: float
    low_c: float
    high_c: float
    harmful_low_c: float
    harmful_high_c: float
    humidity_pct: float
    low_pct: float
    high_pct: float
    harmful_low_pct: float
    margin_k: float
    inside_k: float = 0.6
    inside_pct: float = 3.5
    """How far inside the band a change must end so that its alarm clears: a little more than the deadband."""
    dryness_matters: bool = True


def young(situation: Situation, chamber: Chamber) -> bool:
    """Return whether the garden is small enough to have no reserve (below 200 ml, or of unknown size)."""
    return size_class(garden_ml(situation, chamber)) in YOUNG


def garden_ml(situation: Situation, chamber: Chamber) -> float | None:
    """Return the garden's volume, ml: what was last said, else the config's figure."""
    return situation.garden_ml if situation.garden_ml is not None else chamber.garden.volume_ml


def goal_of(chamber: Chamber, situation: Situation) -> Goal:
    """Return the aim and its band; an edge that the keeper left open is set where nothing reaches it."""
    heat, damp = chamber.temperature, chamber.humidity_for(garden_ml(situation, chamber))
    low_c, high_c = _edge(heat.low, 0.0), _edge(heat.high, 45.0)
    low_pct, high_pct = _edge(damp.low, 0.0), min(_edge(damp.high, 100.0), 100.0)
    aim_c = min(max(_edge(heat.target, (low_c + high_c) / 2), low_c + 0.3), high_c - 0.3)
    aim_pct = damp.target if damp.target is not None else (85.0 if young(situation, chamber) else 80.0)
    return Goal(
        temperature_c=aim_c, low_c=low_c, high_c=high_c,
        harmful_low_c=_edge(heat.harmful_low, low_c - 4.0), harmful_high_c=_edge(heat.harmful_high, high_c + 2.0),
        humidity_pct=min(max(aim_pct, low_pct + 1.0), high_pct - 1.0), low_pct=low_pct, high_pct=high_pct,
        harmful_low_pct=_edge(damp.harmful_low, low_pct - 10.0), margin_k=chamber.lid_dew.caution_margin_k,
        inside_k=min(heat.deadband + 0.1, (high_c - low_c) / 4.0),
        inside_pct=min(damp.deadband + 0.5, (high_pct - low_pct) / 4.0),
        dryness_matters=chamber.role == "fungus",
    )


def _edge(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value
