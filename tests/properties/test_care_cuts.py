"""Time split anywhere into several calls of the routine gives the same events and the same state."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from keeper_course import pieces
from pydantic import TypeAdapter

from rules.care.care import CareState, Hours, follow, plan
from rules.climate.hours import Hourly
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Devices, Garden, Mister, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, Event
from rules.terms.words import Away, CareDone, GardenSize, LeavesGiven, Observation, Word
from rules.trade.routine import TASKS
from rules.trade.symptoms import SYMPTOMS

STATE, KEEPER = TypeAdapter(CareState), TypeAdapter(KeeperState)
ZONE = ZoneInfo("Europe/Berlin")
BEGIN = int(datetime(2027, 3, 20, 11, 17, tzinfo=UTC).timestamp() * 1000)  # a change of clocks lies eight days ahead
SPAN = 60 * DAY_MS
WATCH = Settings(
    site=Site(time_zone="Europe/Berlin"), zone=ZONE, rooms={}, probes={}, telling=Telling(),
    chambers={
        "nest": Chamber(colony="c", garden=Garden(basin_ml=600.0, covered=True), devices=Devices(mister=Mister())),
        "tip": Chamber(role="waste", colony="c"),
        "box": Chamber(genus="Acromyrmex", garden=Garden(volume_ml=1_500.0, basin_ml=4_000.0)),
    },
)  # fmt: skip


class Swinging:
    """A climate that depends on the whole hour alone."""

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        hour = at_ms // HOUR_MS - np.arange(last_ms // HOUR_MS, dtype=np.float64)[::-1] - 1
        level, swing = {"temperature_c": (26.0, 5.0), "relative_humidity_pct": (72.0, 15.0)}.get(quantity, (0.0, 1.0))
        mean = level + swing * np.sin(hour / 37.0)
        return Hours(mean, mean - 1.0, mean + 1.0)


chambers = st.sampled_from(["nest", "tip", "box", "attic"])
back = st.integers(0, 5 * DAY_MS)
bodies: st.SearchStrategy[tuple[type[Word], dict[str, Any]]] = st.one_of(
    st.tuples(
        st.just(CareDone),
        st.fixed_dictionaries({"chamber": chambers, "task": st.sampled_from([*TASKS, "none"]), "at_ms": back}),
    ),
    st.tuples(
        st.just(CareDone), st.fixed_dictionaries({"chamber": st.none(), "task": st.sampled_from(list(TASKS)), "at_ms": back})
    ),
    st.tuples(
        st.just(Observation),
        st.fixed_dictionaries(
            {"chamber": chambers, "seen": st.lists(st.sampled_from(list(SYMPTOMS)), max_size=3).map(tuple), "at_ms": back}
        ),
    ),
    st.tuples(
        st.just(LeavesGiven),
        st.fixed_dictionaries({"chamber": chambers, "plant": st.sampled_from(["rose", "oak"]), "at_ms": back}),
    ),
    st.tuples(
        st.just(GardenSize), st.fixed_dictionaries({"chamber": chambers, "garden_ml": st.floats(1, 5_000), "at_ms": back})
    ),
    st.tuples(
        st.just(Away),
        st.fixed_dictionaries({"from_ms": st.integers(-DAY_MS, 20 * DAY_MS), "to_ms": st.integers(0, 30 * DAY_MS)}),
    ),
)


@st.composite
def streams(draw: st.DrawFn) -> list[Word]:
    instants = sorted(draw(st.lists(st.integers(0, SPAN - 1), max_size=14)))
    words = []
    for number, offset in enumerate(instants):
        kind, keys = draw(bodies)
        taken_ms = BEGIN + offset
        placed = {key: taken_ms - value if key == "at_ms" else value for key, value in keys.items()}
        if kind is Away:
            placed = {key: taken_ms + value for key, value in placed.items()}
        words.append(kind(taken_ms=taken_ms, word_id=str(number), **placed))
    return words


def run(words: list[Word], cuts: list[int]) -> tuple[Any, list[dict[str, Any]]]:
    state, keeper, told = CareState(), KeeperState(), []
    edges = [BEGIN, *sorted({BEGIN + cut for cut in cuts}), BEGIN + SPAN]
    for begin, end in pairwise(edges):
        inside = [word for word in words if begin <= word.taken_ms < end]
        before = STATE.dump_json(state)
        was = KEEPER.dump_json(keeper)
        after, later, events = followed(state, keeper, inside, begin, end)
        assert (STATE.dump_json(state), KEEPER.dump_json(keeper)) == (before, was), "the state that was handed in was changed"
        state, keeper = STATE.validate_json(STATE.dump_json(after)), KEEPER.validate_json(KEEPER.dump_json(later))
        told += [event.as_json() for event in events]
    return (STATE.dump_python(state), KEEPER.dump_python(keeper)), told


def followed(
    state: CareState, keeper: KeeperState, words: list[Word], begin: int, end: int
) -> tuple[CareState, KeeperState, list[Event]]:
    events: list[Event] = []
    for piece in pieces(WATCH, keeper, words, begin, end, "o"):
        state, told = follow(WATCH, state, piece.heard, piece.from_ms, piece.until_ms, "o", Swinging())
        keeper, events = piece.heard.state, [*events, *piece.heard.events, *told]
    return state, keeper, events


@settings(max_examples=120, deadline=None)
@given(streams(), st.lists(st.integers(1, SPAN - 1), min_size=1, max_size=12), st.booleans())
def test_cutting_time_anywhere_changes_nothing(words: list[Word], cuts: list[int], at_words: bool) -> None:
    if at_words:
        cuts = cuts + [
            word.taken_ms - BEGIN + shift for word in words for shift in (0, 1) if 0 < word.taken_ms - BEGIN + shift < SPAN
        ]
    assert run(words, cuts) == run(words, [])


@settings(max_examples=60, deadline=None)
@given(streams())
def test_events_come_in_order_once_each_and_no_word_is_lost(words: list[Word]) -> None:
    _, told = run(words, [])
    assert [event["time"][:19] for event in told] == sorted(event["time"][:19] for event in told)
    assert len({event["id"] for event in told}) == len(told)
    assert sum(event["kind"] == "word" for event in told) == len(words)


@settings(max_examples=60, deadline=None)
@given(streams())
def test_the_plan_is_in_order_and_its_identities_are_its_own(words: list[Word]) -> None:
    state, keeper, _ = followed(CareState(), KeeperState(), words, BEGIN, BEGIN + SPAN)
    ahead = plan(WATCH, state, keeper, BEGIN + SPAN + 200 * DAY_MS)
    assert len({one.uid for one in ahead}) == len(ahead) > 0
    assert [one.due_ms for one in ahead] == sorted(one.due_ms for one in ahead)
    daily = {one.task for one in ahead if one.repeats_ms}
    assert "leaves" in daily
