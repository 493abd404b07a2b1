"""The walk by stretches against the same rules written once more, instant by instant, in the plainest way."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.climate.hysteresis import CLEAR, EDGE, HARM, HARM_EDGE, HELD_AT_MOST_MS, OUTSIDE, UNSEEN, Delays, Walk, walk, zones

MINUTE = 60_000
Told = tuple[int, str, bool, bool]


def plainly(state: Walk, zone: list[int], credit: list[int], at_ms: list[int], delays: Delays) -> tuple[Walk, list[Told]]:
    state, told = replace(state), []
    for index, (now, gained, at) in enumerate(zip(zone, credit, at_ms, strict=True)):
        if now == UNSEEN:
            told += [(index, *turn) for turn in _unseen(state, at)]
        else:
            told += [(index, *turn) for turn in _seen(state, now, gained, delays)]
    return state, told


def _unseen(state: Walk, at_ms: int) -> list[tuple[str, bool, bool]]:
    told = []
    if state.phase == "active":
        state.phase, state.held_ms = "held", at_ms
        told.append(("held", state.harmful, False))
    elif state.phase == "normal":
        state.phase = "unknown"
        told += [("unknown", False, False)] if state.ever_seen else []
    state.bad_for_ms = state.harm_for_ms = state.clear_for_ms = state.ease_for_ms = state.inside_for_ms = None
    if state.phase == "held" and state.held_ms is not None and at_ms >= state.held_ms + HELD_AT_MOST_MS:
        told.append(("unknown", state.harmful, False))
        state.phase, state.held_ms, state.harmful = "unknown", None, False
    return told


def _seen(state: Walk, zone: int, gained: int, delays: Delays) -> list[tuple[str, bool, bool]]:
    told: list[tuple[str, bool, bool]] = []
    if state.phase == "held":
        state.phase, state.held_ms = "active", None
        told.append(("resumed", state.harmful, False))
    elif state.phase == "unknown":
        state.phase = "normal"
        told += [("seen", False, False)] if state.ever_seen else []
    state.ever_seen = True
    if state.edited and state.phase == "active" and zone <= EDGE:
        state.phase, state.harmful = "normal", False
        told.append(("normal", False, True))
    elif state.edited and state.phase == "active" and state.harmful and zone <= OUTSIDE:
        state.harmful = False
        told.append(("eased", False, True))
    state.edited = False
    state.bad_for_ms = _counted(state.bad_for_ms, zone in (OUTSIDE, HARM_EDGE, HARM), gained)
    state.harm_for_ms = _counted(state.harm_for_ms, zone == HARM, gained)
    state.clear_for_ms = _counted(state.clear_for_ms, zone == CLEAR, gained)
    state.ease_for_ms = _counted(state.ease_for_ms, zone in (CLEAR, EDGE, OUTSIDE), gained)
    state.inside_for_ms = _counted(state.inside_for_ms, zone in (CLEAR, EDGE), gained)
    told += _turned(state, zone, delays)
    if state.phase != "active":
        state.clear_for_ms, state.inside_for_ms, state.recovering = None, None, False
    if not state.harmful:
        state.ease_for_ms = None
    return told


def _counted(before: int | None, running: bool, gained: int) -> int | None:
    return None if not running else 0 if before is None else before + gained


def _turned(state: Walk, zone: int, delays: Delays) -> list[tuple[str, bool, bool]]:
    harm = state.harm_for_ms is not None and state.harm_for_ms >= delays.harm_ms
    if state.phase == "normal" and harm:
        state.phase, state.harmful, state.recovering = "active", True, False
        return [("harmful", True, False)]
    if state.phase == "normal" and state.bad_for_ms is not None and state.bad_for_ms >= delays.on_ms:
        state.phase, state.harmful, state.recovering = "active", False, False
        return [("active", False, False)]
    if state.phase == "active" and not state.harmful and harm:
        state.harmful, state.recovering = True, False
        return [("harmful", True, False)]
    if state.phase == "active" and state.clear_for_ms is not None and state.clear_for_ms >= delays.off_ms:
        state.phase, state.harmful = "normal", False
        return [("normal", False, False)]
    return _better_or_not(state, zone, delays) if state.phase == "active" else []


def _better_or_not(state: Walk, zone: int, delays: Delays) -> list[tuple[str, bool, bool]]:
    told: list[tuple[str, bool, bool]] = []
    if state.recovering and state.bad_for_ms is not None and state.bad_for_ms >= delays.on_ms:
        state.recovering = False
        told.append(("relapsed", False, False))
    if state.harmful and state.ease_for_ms is not None and state.ease_for_ms >= delays.ease_ms and zone != CLEAR:
        state.harmful = False
        told.append(("eased", False, False))
    inside = state.inside_for_ms is not None and state.inside_for_ms >= max(delays.on_ms, delays.off_ms)
    if inside and zone == EDGE and not state.harmful and not state.recovering:
        state.recovering = True
        told.append(("recovering", False, False))
    return told


@st.composite
def streams(draw: st.DrawFn) -> tuple[list[int], list[int], list[int]]:
    """Runs of zones, with time that is observed or not, and gaps up to more than a day."""
    place = st.sampled_from([UNSEEN, CLEAR, EDGE, OUTSIDE, HARM_EDGE, HARM])
    runs = draw(st.lists(st.tuples(place, st.integers(1, 9)), max_size=14))
    zone = [now for now, length in runs for _ in range(length)]
    long = {"min_size": len(zone), "max_size": len(zone)}
    credit = draw(st.lists(st.sampled_from([0, 30_000, MINUTE, MINUTE, 2 * MINUTE]), **long))
    gaps = draw(st.lists(st.sampled_from([MINUTE, MINUTE, 2 * MINUTE, 13 * 60 * MINUTE]), **long))
    return zone, credit, np.cumsum(gaps, dtype=np.int64).tolist()


DELAYS = st.builds(Delays, *(st.sampled_from([0, MINUTE, 3 * MINUTE, 5 * MINUTE]) for _ in range(4)))


EASED_BEFORE = ([HARM, OUTSIDE, OUTSIDE, EDGE, EDGE], [0, 0, MINUTE, 0, MINUTE], [MINUTE * n for n in range(1, 6)])
"""It eases in one zone and recovers in the next, where the time to ease has run once more: found by this test."""


@example(([], [], []), EASED_BEFORE, Delays(0, 0, 0, MINUTE), False)
@given(streams(), streams(), DELAYS, st.booleans())
@settings(max_examples=300, deadline=None)
def test_stretches_turn_where_plain_steps_turn_and_remember_the_same(
    first: tuple[list[int], list[int], list[int]], second: tuple[list[int], list[int], list[int]], delays: Delays, edited: bool
) -> None:
    state, plain = Walk(), Walk()
    for zone, credit, at_ms in (first, second):
        state, turns = walk(state, np.array(zone, np.int8), np.array(credit, np.int64), np.array(at_ms, np.int64), delays)
        plain, told = plainly(plain, zone, credit, at_ms, delays)
        assert [(turn.index, turn.to, turn.harmful, turn.edited) for turn in turns] == told
        assert asdict(state) == asdict(plain)
        state, plain = replace(state, edited=edited), replace(plain, edited=edited)


VALUES = st.floats(18.0, 33.0) | st.just(float("nan")) | st.sampled_from([28.0, 27.5, 30.0, 29.5, 24.0, 24.5, 20.0, 20.5])


@given(st.lists(VALUES, max_size=40), st.booleans(), st.booleans())
@settings(max_examples=300, deadline=None)
def test_each_value_stands_in_the_zone_that_its_limits_give(values: list[float], upper: bool, harm: bool) -> None:
    limit, harmful, deadband = (28.0, 30.0, 0.5) if upper else (24.0, 20.0, 0.5)
    seen = zones(np.array(values), limit, harmful if harm else None, deadband, upper).tolist()
    assert seen == [_zone(value, limit, harmful if harm else None, deadband, 1.0 if upper else -1.0) for value in values]


def _zone(value: float, limit: float, harmful: float | None, deadband: float, sign: float) -> int:
    if value != value:
        return UNSEEN
    if harmful is not None and sign * (value - harmful) > 0:
        return HARM
    if sign * (value - limit) > 0:
        return HARM_EDGE if harmful is not None and sign * (value - harmful) > -deadband else OUTSIDE
    return EDGE if sign * (value - limit) > -deadband else CLEAR


def test_an_edit_that_makes_harm_mere_excess_eases_at_once_and_says_that_it_was_the_edit() -> None:
    delays, minute = Delays(5 * MINUTE, 10 * MINUTE, 2 * MINUTE, 10 * MINUTE), np.array([MINUTE])
    harmful = Walk(phase="active", harmful=True, ever_seen=True, edited=True)
    state, turns = walk(harmful, np.array([OUTSIDE], np.int8), minute, minute, delays)
    assert [(turn.to, turn.edited) for turn in turns] == [("eased", True)]
    assert (state.phase, state.harmful, state.edited) == ("active", False, False)
    state, turns = walk(harmful, np.array([HARM_EDGE], np.int8), minute, minute, delays)
    assert turns == []
    assert (state.harmful, state.edited) == (True, False)
