"""What comes before the decision table, whatever caused it: the form of such an answer, and one step for each device."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rules.advice.devices import Move
from rules.terms.advised import Reach
from rules.trade import practice
from rules.trade.acts import ACTS

MOST_ACTIONS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Urgent:
    """What comes first: acts in order, words that take the place of an act's own, sized moves, what never, what to know."""

    branch: Literal["heat", "heater-failed", "cold", "together", "warming"]
    acts: tuple[str, ...]
    words: Mapping[str, str]
    moves: tuple[Move, ...] = ()
    turns_k: Mapping[str, float] = field(default_factory=dict)
    """By act, how far a dial is turned of which nobody knows where it stands, K: no move, nor is where it ends known."""
    never: tuple[practice.Never, ...]
    notes: tuple[str, ...]
    reaches: tuple[Reach, ...] = ()
    boxes: tuple[str, ...] = ()
    limits_harm: bool = False
    follows: bool = False


def one_a_device(acts: Sequence[str]) -> tuple[str, ...]:
    """Return the first acts in order, one for each device: a device gets at most one change per message."""
    out: dict[str, str] = {}
    for act in acts:
        device = "power" if act == "check-power" else ACTS[act].device
        out.setdefault("vent" if device == "fan" else device, act)
    if "warm-now" in acts:
        out = {device: act for device, act in out.items() if act not in ("wrap-bottle", "wrap-box")}  # it says so already
    return tuple(out.values())[:MOST_ACTIONS]
