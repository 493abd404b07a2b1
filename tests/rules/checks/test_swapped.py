"""A probe of the room in the chamber's place is asked about before anything is heated or watered."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event
from rules.terms.words import AdviceDone
from rules.turn.advance import advance

START_MS = 1_780_272_000_000  # 2026-06-01T00:00:00Z
BOX, STUDY = (25.5, 82.0), (20.0, 45.0)


def watch(**devices: Any) -> Settings:
    """Return a heated nest in a study, with a probe in each."""
    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
        chambers={"nest": Chamber(room="study", devices={"heater": {"watts": 15.0}} | devices, garden={"volume_ml": 500.0})},
        probes={"air": Probe(place="nest", interval="5min"), "study-air": Probe(place="study", interval="5min")},
    )  # fmt: skip


def said(hours: float, box: tuple[float, float], room: tuple[float, float], from_ms: int = START_MS) -> Batch:
    """Return hours of what the chamber's and the room's probe say."""
    at_ms = from_ms + 5 * MINUTE_MS * np.arange(round(hours * 12), dtype=np.int64)
    rows = np.tile([*box, *room], (len(at_ms), 1)) + 0.02 * np.sin(at_ms / 1.7e5)[:, None]
    series = tuple((probe, name) for probe in ("air", "study-air") for name in ("air_temperature", "relative_humidity"))
    return Batch(
        series, np.tile(np.arange(4, dtype=np.int32), len(at_ms)), np.repeat(at_ms, 4), np.repeat(at_ms, 4), rows.ravel()
    )


def lived(parts: list[tuple[float, tuple[float, float], tuple[float, float]]], **devices: Any) -> list[Event]:
    """Let hours pass with what the chamber's and the room's probe say."""
    settings, state, at_ms, events = watch(**devices), None, START_MS, []
    for hours, box, room in parts:
        end_ms = at_ms + round(hours * HOUR_MS)
        found = advance(settings, state, said(hours, box, room, at_ms), end_ms)
        state, at_ms, events = found.state, end_ms, events + found.events
    return events


def raised_h(events: list[Event]) -> list[float]:
    return [
        (event.at_ms - START_MS) / HOUR_MS for event in events
        if isinstance(event, AlarmEvent) and event.alarm == "probes-swapped" and event.change == "raised"
    ]  # fmt: skip


def test_swapped_probes_are_told_after_an_hour_and_asked_about_before_any_water_or_heat() -> None:
    events = lived([(3.0, BOX, STUDY), (6.0, STUDY, BOX)])
    assert len(raised_h(events)) == 1
    assert 4.0 <= raised_h(events)[0] < 4.5
    after = [
        event for event in events if isinstance(event, AdviceEvent) and event.status in ("given", "updated")
        and event.at_ms >= START_MS + raised_h(events)[0] * HOUR_MS
    ]  # fmt: skip
    assert (after[0].device, after[0].change) == ("probe", "check")
    assert "swapped" in after[0].headline
    assert {(action.device, action.change) for event in after for action in event.actions}.isdisjoint({
        ("water", "more"), ("mister", "more"), ("heater", "more"),
    })  # fmt: skip


def test_probes_swapped_in_a_room_as_warm_as_the_box_are_told_too() -> None:
    """A warm room's probe read 54 %RH in the box's place, the box's 93 in the room's; for three days a lid was looked at, and
    water given to a box that had enough (foreign simulation)."""
    events = lived([(3.0, (25.5, 93.0), (25.6, 54.0)), (4.0, (25.6, 54.0), (25.5, 93.0)), (4.0, (27.4, 44.0), (25.3, 95.0))])
    assert [4.0 <= hours < 4.5 for hours in raised_h(events)] == [True]


def test_who_has_looked_and_left_them_swapped_is_asked_for_a_proof_before_anything_is_heated_or_watered() -> None:
    """Who obeyed was told to water, to warm and at last to run the mat without its thermostat, on the room's figures."""
    settings, asked, done = watch(), [], []
    state = advance(settings, None, said(3.0, BOX, STUDY), START_MS + 3 * HOUR_MS).state
    for hour in range(3, 14):
        at_ms = START_MS + hour * HOUR_MS
        words = tuple(AdviceDone(taken_ms=at_ms + HOUR_MS // 2, word_id=f"w-{name}", advisory=name) for name in done)
        found = advance(settings, state, replace(said(1.0, STUDY, BOX, at_ms), items=words), at_ms + HOUR_MS)
        state, told = found.state, [one for one in found.events if isinstance(one, AdviceEvent) and one.actions]
        asked += [act.text.partition(":")[0] for one in told if one.status in ("given", "updated") for act in one.actions]
        done = [one.name for one in told if one.actions[0].device == "probe"][-1:]
    look = asked.index("Look which probe hangs where")  # it takes an hour to be sure
    assert asked[look:] == ["Look which probe hangs where", "Prove which probe is which"]


def test_it_is_over_when_they_hang_right_again() -> None:
    events = lived([(1.0, BOX, STUDY), (3.0, STUDY, BOX), (2.0, BOX, STUDY)])
    changes = [event.change for event in events if isinstance(event, AlarmEvent) and event.alarm == "probes-swapped"]
    assert changes[0] == "raised"
    assert "returned" in changes


@pytest.mark.parametrize(
    ("what", "box", "room"),
    [
        ("a dead heater ends at its room", (19.9, 70.0), (20.2, 45.0)),
        ("a dry box is still warm", (25.5, 30.0), (20.0, 45.0)),
        ("a hot humid day outside a box at its target", (25.5, 80.0), (29.0, 70.0)),
        ("a wet box cooled by its own water", (22.0, 90.0), (23.5, 55.0)),
        ("nearly alike", (22.0, 50.0), (22.8, 58.0)),
        ("a dry box in a damp cellar", (25.5, 55.0), (15.0, 92.0)),
        ("a dried-out box on a sultry day", (26.0, 55.0), (25.0, 78.0)),
    ],
)
def test_what_no_swap_explains_is_not_told_as_one(what: str, box: tuple[float, float], room: tuple[float, float]) -> None:
    assert raised_h(lived([(2.0, BOX, STUDY), (5.0, box, room)])) == [], what


def test_an_unheated_box_may_well_be_colder_than_its_room() -> None:
    assert raised_h(lived([(6.0, STUDY, BOX)], heater=None)) == []
