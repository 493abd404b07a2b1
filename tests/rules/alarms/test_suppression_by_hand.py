"""What hides what, for each condition, level, priority and neighbour at its border, worked by hand on bare records."""

from __future__ import annotations

from typing import Any

import pytest
from alarm_course import WATCH

from rules.alarms.state import AlarmRecord, AlarmsState
from rules.alarms.suppression import ByChamber, annunciated, causes, near
from rules.keeper.state import KeeperState
from rules.terms.events import HOUR_MS

NOON_MS = 1_764_036_600_000


def record(alarm: str = "temperature-low", chamber: str | None = "left", **more: Any) -> AlarmRecord:
    body = {"condition": "active", "level": "outside", "priority": "today", "since_ms": NOON_MS} | more
    return AlarmRecord(chamber=chamber, alarm=alarm, **body)


def hidden(*records: AlarmRecord) -> dict[str, str]:
    return causes(WATCH, AlarmsState(records={one.key: one for one in records}), KeeperState())


# ---------------------------------------------------------------- what may hide or show another


@pytest.mark.parametrize(("condition", "whole_room"), [("active", True), ("held", True), ("unknown", True), ("normal", False)])
def test_what_the_room_may_move_concerns_the_whole_room_unless_it_is_over(condition: Any, whole_room: bool) -> None:
    probe = record("probe-stale", probe="dry-end")  # no room moves it
    rooms: ByChamber = {
        "left": {"p": probe, "t": record(condition=condition)}, "right": {"r": record(chamber="right")},
        "far": {"f": record(chamber="far")}, None: {"s": record("medium-down", None, medium="broker")},
    }  # fmt: skip
    assert set(near(WATCH, rooms, probe)) == ({"p", "t", "r", "s"} if whole_room else {"p", "t", "s"})
    del rooms["left"]["t"]
    assert set(near(WATCH, rooms, probe)) == {"p", "s"}
    over = record(condition="normal")  # what changes itself counts, also as it ends
    rooms["left"]["o"] = over
    assert set(near(WATCH, rooms, over)) == {"p", "o", "r", "s"}
    alone = record(chamber="far")
    assert set(near(WATCH, {**rooms, "far": {"f": alone}}, alone)) == {"f", "s"}  # it stands in no room


# ---------------------------------------------------------------- one room


@pytest.mark.parametrize(("more", "is_hidden"), [
    ({}, True), ({"since_ms": NOON_MS + HOUR_MS}, True), ({"since_ms": NOON_MS + HOUR_MS + 1}, False),
    ({"since_ms": None}, False), ({"priority": "wake"}, False), ({"priority": "morning"}, True), ({"level": "harmful"}, False),
    ({"alarm": "temperature-high"}, False), ({"chamber": "far"}, False), ({"condition": "held"}, True),
])  # fmt: skip
def test_a_box_that_its_room_moves_within_an_hour_and_that_is_no_more_urgent_is_hidden(
    more: dict[str, Any], is_hidden: bool
) -> None:
    later = record(**{"chamber": "right", "since_ms": NOON_MS + 1} | more)
    found = hidden(record(), later)
    assert found == ({later.key: "left/temperature-low: the room study moves both"} if is_hidden else {})


def test_of_one_instant_the_first_in_the_alphabet_leads_and_what_does_not_stand_leads_nothing() -> None:
    assert list(hidden(record(), record(chamber="right"))) == ["right/temperature-low"]
    for more in ({"condition": "normal"}, {"condition": "unknown"}, {"shelf_until_ms": NOON_MS}, {"out_of_service": True},
                 {"since_ms": None}):  # fmt: skip
        assert hidden(record(**more), record(chamber="right", since_ms=NOON_MS + 1)) == {}
    lids = [record("lid-open", chamber, since_ms=NOON_MS + place) for place, chamber in enumerate(("left", "right"))]
    assert hidden(*lids) == {}  # a lid is one's own


# ---------------------------------------------------------------- one chamber


@pytest.mark.parametrize(("cause", "more", "is_hidden"), [
    ({}, {}, True), ({"priority": "morning"}, {}, False), ({"priority": "wake"}, {}, True), ({}, {"level": "harmful"}, False),
    ({"chamber": "right"}, {}, False), ({"condition": "normal"}, {}, False), ({"condition": "held"}, {}, True),
    ({"shelf_until_ms": NOON_MS}, {}, False),
])  # fmt: skip
def test_a_wet_lid_hides_humid_air_that_is_no_more_urgent(cause: dict[str, Any], more: dict[str, Any], is_hidden: bool) -> None:
    lid, air = record("lid-dew", **cause), record("humidity-high", **more)
    assert hidden(lid, air) == ({air.key: f"{lid.key}: the same cause"} if is_hidden else {})


def test_what_is_hidden_itself_hides_nothing() -> None:
    """A heater that runs away explains the heat, and that it was about to leave its band; without it the heat explains that."""
    runaway, heat, leaving = (record(name) for name in ("heater-runaway", "temperature-high", "temperature-leaving"))
    assert hidden(runaway, heat, leaving) == {
        heat.key: f"{runaway.key}: the same cause", leaving.key: f"{runaway.key}: the same cause",
    }
    assert hidden(heat, leaving) == {leaving.key: f"{heat.key}: the same cause"}
    assert not annunciated(heat, {heat.key: "x"}) and annunciated(heat, {runaway.key: "x"})


# ---------------------------------------------------------------- what cannot be seen


@pytest.mark.parametrize(("blind", "alarm", "said"), [
    ({}, "temperature-low", True), ({}, "lid-dew", True), ({}, "probe-stale", False),
    ({"condition": "normal"}, "lid-dew", False), ({"chamber": "right"}, "temperature-low", False),
    ({"alarm": "probes-disagree"}, "temperature-low", False),
    ({"condition": "held"}, "temperature-low", True),
])  # fmt: skip
def test_what_is_unknown_is_explained_by_what_blinds_its_chamber(blind: dict[str, Any], alarm: str, said: bool) -> None:
    body = {"alarm": "blind"} | blind
    unknown = record(alarm, condition="unknown", level="harmful")
    found = hidden(record(**body), unknown)
    assert (found.get(unknown.key) == "left/blind: it cannot be seen") is said
