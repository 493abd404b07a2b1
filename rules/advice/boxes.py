"""Several boxes of one room in the same trouble: which has the least time left, who tells it for all, when marks are passed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from math import inf, log
from typing import Literal

from rules.advice.model import ChamberModel, cooling_h
from rules.climate.situation import Beside, Situation
from rules.climate.thermostat import FALLS_K_H
from rules.settings import Chamber
from rules.trade import practice
from rules.trade.acts import ACTS

LEAD_K, SEEN_SPREAD = 2.0, 1.3
"""Over so much of a lead the pace of a quarter of an hour tells how a box cools, within this factor; own estimates."""
LEAST_AHEAD_K = 0.3
"""A mark so near the end is not told: when it is reached, if ever, nobody knows. Own estimate."""
_NAMED = 4
"""So many boxes are told whose turn it is; how the others stand is told of each below. Judgement."""
MARKS_C = (practice.LETHAL_COLD_C, 10.0)
"""Marks to which the time is told: growth has long stopped (own estimate); it kills (Mueller et al. 2011)."""


def moved_with(situation: Situation, harm: Literal["heat", "cold"]) -> list[Beside]:
    """Return the other chambers of the room that get hot or cold with this one."""
    return [beside for beside in situation.besides if beside.harm == harm]


def names(situation: Situation, boxes: Sequence[Beside]) -> tuple[str, ...]:
    """Return the chambers that a plan speaks for, in this order; none where it is its own alone."""
    found = [one.chamber for one in boxes]
    return () if not set(found) - {situation.chamber} else tuple(dict.fromkeys([*found, situation.chamber]))


def told_by_another(besides: Sequence[Beside], situation: Situation, model: ChamberModel) -> bool:
    """Return whether another chamber tells it for all: the one with the smallest heat store."""
    return any((one.time_constant_h, one.chamber) < (cooling_h(model)[0], situation.chamber) for one in besides)


def in_order(
    situation: Situation, harm: Literal["heat", "cold"], chamber: Chamber, model: ChamberModel
) -> list[Beside]:
    """Return all chambers that get hot or cold, this one included: that with the least time left at the head, then that which
    is cold first."""
    tau_h, _, late_h = cooling_h(model)
    title, slope = chamber.title or situation.chamber, situation.temperature_slope_k_h
    left_s = next((one.left_s for one in situation.harm if one.kind == harm), None)
    mine = Beside(situation.chamber, title, harm, situation.temperature_c, tau_h, late_h / tau_h, slope, left_s)
    return sorted([mine, *moved_with(situation, harm)], key=lambda one: (
        inf if one.left_s is None else one.left_s, *_how_late(one, situation), one.time_constant_h, one.chamber,
    ))  # fmt: skip


def in_turn(acts: Sequence[str], order: Sequence[Beside], each: Collection[str]) -> dict[str, str]:
    """Return the words of the first of these acts that is done to `each` box, with whose turn it is; none where it is one."""
    first = next((act for act in acts if act in each), None)
    if first is None or len(order) < 2:
        return {}
    turns, text = ", then ".join(one.title for one in order[:_NAMED]), ACTS[first].text
    turns += f", then the other {len(order) - _NAMED}" if len(order) > _NAMED else ""
    return {first: f"One box after the other, first {turns}: {text[0].lower()}{text[1:]}"}


def _how_late(one: Beside, situation: Situation) -> tuple[int, float]:
    """Return how many marks a chamber has left, and the hours until the next at the room of now: once warmed, it can wait."""
    t, room = one.temperature_c, situation.room_temperature_c
    ahead = [mark for mark in MARKS_C if t is None or mark < t]
    if t is None or not ahead or one.harm == "heat":
        return len(ahead), 0.0
    end = ahead[0] - 1.0 if room is None else min(room, ahead[0] - 1.0)
    return len(ahead), pace_h(one, room)[0] * log((t - end) / (ahead[0] - end))


def pace_h(one: Beside, room_c: float | None) -> tuple[float, float, float]:
    """Return the time constant with which a chamber cools, h, and between which ones it may lie.

    Where it plainly falls, its own pace tells it: a box full of wet ground falls several times slower than its walls say.
    """
    tau_h, t, slope = one.time_constant_h, one.temperature_c, one.slope_k_h
    if t is None or room_c is None or slope is None or slope > FALLS_K_H or t - room_c < LEAD_K:
        return tau_h, tau_h / one.spread, tau_h * one.spread
    seen_h = (t - room_c) / -slope
    return seen_h, min(seen_h / SEEN_SPREAD, tau_h / one.spread), max(seen_h * SEEN_SPREAD, tau_h * one.spread)


def marks_ahead(now_c: float, end_c: float, marks_c: Iterable[float] = MARKS_C) -> list[tuple[float, float]]:
    """Return the marks on the way from now to an end, down or up, each with how many time constants it takes to get there."""
    lead_k = now_c - end_c
    shares = [(mark, (mark - end_c) / lead_k) for mark in marks_c if abs(mark - end_c) > LEAST_AHEAD_K and lead_k]
    return [(mark, log(1.0 / share)) for mark, share in shares if 0.0 < share < 1.0]
