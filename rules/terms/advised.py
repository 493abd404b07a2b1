"""What an advisory is made of: what to change, what the chamber will be then, and when it passes a mark if nobody helps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to change: `device` by `amount` `unit` in the direction `change`, in words in `text`."""

    device: Literal["heater", "fan", "mister", "vent", "lid", "room", "probe", "water", "garden", "waste", "leaves"]
    change: Literal["more", "less", "hold", "open", "close", "stop", "insulate", "wipe", "move", "check"]
    amount: float | None
    unit: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the chamber will be if the advice is followed: value and standard uncertainty at a time from now.

    Twice of it is what letters tell after `±`, made to hold what comes in 95 of 100 cases; once of it holds two in three.
    """

    after_ms: int
    temperature_c: float
    temperature_u_k: float
    relative_humidity_pct: float
    relative_humidity_u_pct: float
    dew_margin_k: float | None
    dew_margin_u_k: float | None

    @property
    def tells(self) -> bool:
        """Whether it is narrow enough to tell a keeper anything; a band is four kelvins and twenty points wide. Judgement."""
        return 2.0 * self.temperature_u_k <= 5.0 and 2.0 * self.relative_humidity_u_pct <= 30.0


@dataclass(frozen=True, slots=True)
class Reach:
    """When a chamber passes a mark if nothing comes to help: from when the advice was found, likely, at the earliest, late."""

    chamber: str
    mark_c: float
    after_ms: int
    early_ms: int
    late_ms: int


def answer_name(advisory: str, revision: int) -> str:
    """Return what the keeper calls one wording of an advisory when saying that it is done: `nest-2`, then `nest-2.2`."""
    return advisory if revision == 1 else f"{advisory}.{revision}"


Effect = Literal["works", "too little", "no effect", "more than expected", "cannot tell"]
