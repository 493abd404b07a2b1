"""A heater that gives what it can and is too weak for its room: how that is known, and how many watts it would take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

from rules.advice.goal import Goal
from rules.advice.model import COOLING, LIFT, NAMES, ChamberModel, cooling_h
from rules.climate.situation import Situation
from rules.climate.thermostat import ROOM_LIFT_K, SLOW_BOX_H, heat_k
from rules.settings import Chamber

GIVES_SHARE = 0.6
"""A lift of this share of what size and build let expect is all that the mat has: two standard deviations of that estimate
(`rules.physics.mat_ends.LOSS_SPREAD`). Own estimate."""
PLAINLY = 1.1
"""So much more than it has it must need; own estimate."""


@dataclass(frozen=True, slots=True)
class WeakMat:
    """What a mat that is on all the time gives here, and what it takes to hold the band."""

    watts: float
    gives_k: float
    needs_w: float
    hold_c: float
    room_c: float
    seen: bool
    """Whether its lift is seen; else it was never more than what a garden and some light give too."""

    @property
    def text(self) -> str:
        """What it comes to and what it takes, for a mat that a thermostat switches."""
        return (
            f"Leave the heater on: its {self.watts:g} W lift the box by about {self.gives_k:.0f} K, and that is all it has. To "
            f"hold {self.hold_c:.1f} °C in a room of {self.room_c:.0f} °C takes about {self.needs_w:g} W: get a mat of that "
            "size, on a thermostat and with a cut-out of its own, or a warmer room"
        )


def weak_mat(
    chamber: Chamber, situation: Situation, knobs: Mapping[str, float], model: ChamberModel, goal: Goal
) -> WeakMat | None:
    """Return what a cold box's mat gives where that is all it can, or so little that it is not seen; None otherwise.

    What it gives is its lead over the room and what it would gain yet (`heat_k`); what it may give comes from the fitted
    chamber, else from size and build. The room is that of the coldest hour ahead.
    """
    heater, t, room = chamber.devices.heater, situation.temperature_c, situation.room_temperature_c
    slope_k_h = situation.temperature_slope_k_h or 0.0
    if heater is None or t is None or room is None or t >= goal.low_c + goal.inside_k:
        return None
    watts = knobs.get("watts", heater.watts)
    if not watts or knobs.get("heater_plugged", 1.0) == 0.0:
        return None
    likely_h, _, late_h = cooling_h(model)
    slowest_h = late_h if model.identified.get(NAMES[COOLING]) else max(late_h, SLOW_BOX_H)
    may_k = model.value(LIFT) * watts / heater.watts
    seen = heat_k(t - room, slope_k_h, slowest_h) >= max(GIVES_SHARE * may_k, ROOM_LIFT_K)
    gave_more = watts >= heater.watts and (situation.usual_lead_k is None or situation.usual_lead_k >= ROOM_LIFT_K)
    if not seen and (may_k >= ROOM_LIFT_K or gave_more):  # one that was turned down on advice needs no look, but its watts back
        return None
    gives_k, hold_c = float(heat_k(t - room, slope_k_h, likely_h)) if seen else may_k, goal.low_c + goal.inside_k
    coldest_c = room + (0.0 if situation.room_ahead is None else min(*situation.room_ahead.change_k, 0.0))
    needs_w = watts / gives_k * (hold_c - coldest_c)
    if needs_w < PLAINLY * watts:
        return None
    return WeakMat(watts, gives_k, ceil(2.0 * needs_w) / 2.0, hold_c, coldest_c, bool(seen))
