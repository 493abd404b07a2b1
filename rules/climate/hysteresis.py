"""A condition's memory: two levels, a deadband and delays in observed time, walked zone by zone.

The value's place relative to its limits is first reduced to a zone per instant (vectorised, by the caller); this module then
walks only the stretches in which the zone stays the same. Delays count *observed* time: `credit_ms` is what an instant adds
since the one before, 0 where the newest sample is suspect, so neither a gap nor a doubtful sample raises or clears anything.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules.terms.condition_changes import To

# Zones, from well inside to harmful. UNSEEN is no place on that line.
UNSEEN, CLEAR, EDGE, OUTSIDE, HARM_EDGE, HARM = -1, 0, 1, 2, 3, 4

HELD_AT_MOST_MS = 24 * 3_600_000  # after a day unseen nobody knows: own estimate


Moving = Callable[[], NDArray[np.bool_]]
"""Where the value moves the other way than a turn would say; asked only where the turn is due."""


@dataclass
class Walk:
    """Where one condition stands; the `*_for_ms` count observed time, None: not running."""

    phase: Literal["normal", "active", "held", "unknown"] = "normal"
    harmful: bool = False
    bad_for_ms: int | None = None
    harm_for_ms: int | None = None
    clear_for_ms: int | None = None
    ease_for_ms: int | None = None
    inside_for_ms: int | None = None
    recovering: bool = False
    """It stands, and its value has come back within the limit, though by less than the deadband."""
    held_ms: int | None = None
    edited: bool = False
    ever_seen: bool = False


@dataclass(frozen=True, slots=True)
class Delays:
    """Observed time that a change must last before it counts."""

    on_ms: int
    off_ms: int
    harm_ms: int
    ease_ms: int


@dataclass(frozen=True, slots=True)
class Turn:
    """The condition turned at instant number `index`."""

    index: int
    to: To
    harmful: bool
    edited: bool = False


def zones(
    value: NDArray[np.float64],
    limit: NDArray[np.float64] | float,
    harmful: NDArray[np.float64] | float | None,
    deadband: float,
    upper: bool,
) -> NDArray[np.int8]:
    """Return the zone of each value against one edge; NaN is UNSEEN, `harmful=None` means there is no harmful level."""
    sign = 1.0 if upper else -1.0
    beyond = sign * (value - limit)
    zone = np.where(beyond > 0, OUTSIDE, np.where(beyond > -deadband, EDGE, CLEAR)).astype(np.int8)
    if harmful is not None:
        worse = sign * (value - harmful)
        zone[(worse > -deadband) & (beyond > 0)] = HARM_EDGE
        zone[worse > 0] = HARM
    zone[np.isnan(value)] = UNSEEN
    return zone


def walk(
    state: Walk, zone: NDArray[np.int8], credit_ms: NDArray[np.int64], at_ms: NDArray[np.int64], delays: Delays,
    worsening: Moving | None = None, returning: Moving | None = None,
) -> tuple[Walk, list[Turn]]:
    """Return the condition's state after these instants and each turn it took on the way.

    Where it is `worsening` nothing eases, recovers or ends: that waits until the value does not get worse. Where it is
    `returning` nothing begins, though its time counts: it is raised at the instant at which it stays away after all.
    """
    if not len(zone) or rests(state, zone):
        return state, []
    state = copy(state)
    if _nothing_can_turn(state, zone):
        return state, []
    spent = np.cumsum(credit_ms)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(zone)) + 1, [len(zone)]))
    turns: list[Turn] = []
    for begin, end, here in zip(starts[:-1].tolist(), starts[1:].tolist(), zone[starts[:-1]].tolist(), strict=True):
        if CLEAR <= here <= EDGE and state.phase == "normal" and not state.edited:
            _forget_counts(state)
            state.ever_seen = True
            continue
        _stretch(state, here, begin, end, credit_ms, spent, at_ms, delays, turns, worsening, returning)
    return state, turns


def rests(state: Walk, zone: NDArray[np.int8]) -> bool:
    """Return whether nothing of a condition changes, the commonest case of all: no counter runs, and it is normal and all is
    inside, or it cannot be known and nothing is seen."""
    if state.bad_for_ms is None and state.harm_for_ms is None and state.clear_for_ms is None and state.ease_for_ms is None:
        if state.phase == "normal":
            return state.ever_seen and not state.edited and _is_inside(zone)
        return state.phase == "unknown" and state.inside_for_ms is None and bool(zone.max() == UNSEEN)
    return False


def _is_inside(zone: NDArray[np.int8]) -> bool:
    if len(zone) == 1:
        return CLEAR <= int(zone[0]) <= EDGE
    return bool(zone.min() >= CLEAR) and bool(zone.max() <= EDGE)


def _nothing_can_turn(state: Walk, zone: NDArray[np.int8]) -> bool:
    """The common quiet case: normal and every instant well inside. Keeps the counters as the long way would leave them."""
    if state.phase != "normal" or state.edited or not _is_inside(zone):
        return False
    _forget_counts(state)
    state.ever_seen = True
    return True


def _forget_counts(state: Walk) -> None:
    state.bad_for_ms = state.harm_for_ms = state.clear_for_ms = state.ease_for_ms = state.inside_for_ms = None


def _stretch(
    state: Walk,
    zone: int,
    begin: int,
    end: int,
    credit_ms: NDArray[np.int64],
    spent: NDArray[np.int64],
    at_ms: NDArray[np.int64],
    delays: Delays,
    turns: list[Turn],
    worsening: Moving | None,
    returning: Moving | None,
) -> None:
    if zone == UNSEEN:
        _unseen(state, begin, end, at_ms, turns)
        return
    if state.phase in ("held", "unknown"):
        _seen_again(state, begin, turns)
    state.ever_seen = True
    if state.edited:
        _edited(state, zone, begin, turns)
    counted = {
        "bad_for_ms": (zone >= OUTSIDE, delays.on_ms),
        "harm_for_ms": (zone == HARM, delays.harm_ms),
        "clear_for_ms": (zone == CLEAR, delays.off_ms),
        "ease_for_ms": (zone <= OUTSIDE, delays.ease_ms),
        "inside_for_ms": (zone <= EDGE, max(delays.on_ms, delays.off_ms)),
    }
    reached: dict[str, int] = {}
    for name, (running, needed) in counted.items():
        before = getattr(state, name)
        if not running:
            setattr(state, name, None)
            continue
        base = 0 if before is None else before + int(credit_ms[begin])
        setattr(state, name, base + int(spent[end - 1] - spent[begin]))
        if base + int(spent[end - 1] - spent[begin]) >= needed:
            first = begin + int(np.searchsorted(spent[begin:end], spent[begin] + needed - base))
            for_the_worse = name in _FOR_THE_WORSE
            waits = returning if for_the_worse else worsening
            free = first if waits is None or (state.phase == "active") == for_the_worse else _first_not(waits(), first, end)
            if free < end:
                reached[name] = free
    _turn(state, zone, reached, turns)
    if state.phase != "active":
        state.clear_for_ms = state.inside_for_ms = None
        state.recovering = False
    if not state.harmful:
        state.ease_for_ms = None


_FOR_THE_WORSE = ("bad_for_ms", "harm_for_ms")


def _first_not(waits: NDArray[np.bool_], first: int, end: int) -> int:
    free = np.flatnonzero(~waits[first:end])
    return first + int(free[0]) if len(free) else end


def _turn(state: Walk, zone: int, reached: dict[str, int], turns: list[Turn]) -> None:
    """Take the turns that a stretch of one zone allows, earliest first."""
    if state.phase == "normal":
        candidates = [(reached[name], name) for name in ("harm_for_ms", "bad_for_ms") if name in reached]
        if not candidates:
            return
        index, name = min(candidates, key=lambda candidate: candidate[0])  # of two at once the harmful one, which stands first
        state.phase, state.harmful, state.recovering = "active", name == "harm_for_ms", False
        turns.append(Turn(index, "harmful" if state.harmful else "active", state.harmful))
    if state.phase != "active":
        return
    harm_index = reached.get("harm_for_ms")
    if state.recovering and "bad_for_ms" in reached and (harm_index is None or reached["bad_for_ms"] < harm_index):
        state.recovering = False
        turns.append(Turn(reached["bad_for_ms"], "relapsed", False))
    if not state.harmful and "harm_for_ms" in reached:
        state.harmful, state.recovering = True, False
        turns.append(Turn(reached["harm_for_ms"], "harmful", True))
    eased_index = 0
    if state.harmful and "ease_for_ms" in reached and zone != CLEAR:
        state.harmful, eased_index = False, reached["ease_for_ms"]
        turns.append(Turn(eased_index, "eased", False))
    if zone == EDGE and "inside_for_ms" in reached and not state.harmful and not state.recovering:
        state.recovering = True
        turns.append(Turn(max(reached["inside_for_ms"], eased_index), "recovering", False))
    if zone == CLEAR and "clear_for_ms" in reached:
        state.phase, state.harmful = "normal", False
        turns.append(Turn(reached["clear_for_ms"], "normal", False))


def _unseen(state: Walk, begin: int, end: int, at_ms: NDArray[np.int64], turns: list[Turn]) -> None:
    """Nothing is seen: an active condition is held, never cleared; after a day it is unknown."""
    if state.phase == "active":
        state.phase, state.held_ms = "held", int(at_ms[begin])
        turns.append(Turn(begin, "held", state.harmful))
    elif state.phase == "normal":
        state.phase = "unknown"
        if state.ever_seen:
            turns.append(Turn(begin, "unknown", False))
    _forget_counts(state)
    if state.phase == "held" and state.held_ms is not None:
        late = begin + int(np.searchsorted(at_ms[begin:end], state.held_ms + HELD_AT_MOST_MS))
        if late < end:
            state.phase, state.held_ms = "unknown", None
            turns.append(Turn(late, "unknown", state.harmful))
            state.harmful = False


def _seen_again(state: Walk, begin: int, turns: list[Turn]) -> None:
    if state.phase == "held":
        state.phase, state.held_ms = "active", None
        turns.append(Turn(begin, "resumed", state.harmful))
    else:
        state.phase = "normal"
        if state.ever_seen:
            turns.append(Turn(begin, "seen", False))


def _edited(state: Walk, zone: int, begin: int, turns: list[Turn]) -> None:
    """The limits were edited: an alarm that they made wrong ends at once, by the edit and not by a return."""
    state.edited = False
    if state.phase == "active" and zone <= EDGE:
        state.phase, state.harmful = "normal", False
        turns.append(Turn(begin, "normal", False, edited=True))
    elif state.phase == "active" and state.harmful and zone <= OUTSIDE:
        state.harmful = False
        turns.append(Turn(begin, "eased", False, edited=True))
