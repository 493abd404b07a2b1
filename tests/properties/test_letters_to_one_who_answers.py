"""A keeper who answers each letter is told what is worse and what to do next, and is not written to each hour about the same.

The box is a single lump that cools or heats towards an end that the test names: nothing of it comes from the rules.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from itertools import pairwise
from random import Random

import pytest

from adapters.wording.letter import compose
from rules.settings import Chamber, Devices, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling, Vents
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event, LetterEvent, Reading
from rules.terms.words import AdviceDone
from rules.turn.advance import advance

NOON_MS = 1_768_219_200_000  # 2026-01-12T12:00:00Z
ASKS = ("given", "updated", "reminded")
MARKS_C = (15.0, 12.0, 10.0)


@dataclass
class Box:
    """What a box and its room do, and whether its heat is plugged in and works."""

    room_c: Callable[[float], float]
    works: Callable[[float], bool]
    stuck_from_h: float = 99.0
    plugged: bool = True
    t: float = 25.4
    on: bool = True

    def step(self, hour: float, minutes: float) -> None:
        self.on = self.t < 25.9 if self.on else self.t < 25.1
        heats = self.plugged and self.works(hour) and (self.on or hour >= self.stuck_from_h)
        self.t += minutes * (self.room_c(hour) + (14.0 if heats else 0.0) - self.t) / 70.0


def shelf(*, heater: bool) -> Settings:
    parts = Devices(heater=Heater(setpoint_c=25.5, watts=15.0) if heater else None, mister=Mister(), vents=Vents(count=2))
    return Settings(
        site=Site(), zone=UTC, rooms={"den": Room()}, telling=Telling(),
        probes={"air": Probe(place="nest", interval="2min"), "den-air": Probe(place="den", interval="2min")},
        chambers={"nest": Chamber(room="den", garden=Garden(volume_ml=150.0), devices=parts)},
    )  # fmt: skip


def read(box: Box, minute: int, random: Random) -> list[Reading]:
    at_ms, hour = NOON_MS + minute * MINUTE_MS, minute / 60.0
    box.step(hour, 2.0)
    return [
        Reading(at_ms, "air", "air_temperature", round(box.t + random.gauss(0.0, 0.04), 2), at_ms),
        Reading(at_ms, "air", "relative_humidity", round(82.0 + random.gauss(0.0, 0.4), 1), at_ms),
        Reading(at_ms, "den-air", "air_temperature", round(box.room_c(hour) + random.gauss(0.0, 0.04), 2), at_ms),
    ]


def lived(box: Box, hours: int, *, heater: bool = True, after_min: int = 10) -> tuple[Settings, list[Event]]:
    """Return the events of a box whose keeper does and answers what each letter asks for, ten minutes after it."""
    settings, random, state, events = shelf(heater=heater), Random(7), None, []
    due: list[tuple[int, AdviceEvent]] = []
    answered: set[str] = set()
    for minute in range(-4 * 60, hours * 60, 10):
        at_ms = NOON_MS + minute * MINUTE_MS
        words = []
        for _, advice in [one for one in due if one[0] <= at_ms]:
            asked = {f"{action.device}:{action.change}" for action in advice.actions}
            box.plugged = "heater:more" in asked or (box.plugged and "heater:stop" not in asked)
            words.append(AdviceDone(taken_ms=at_ms + 1, word_id=f"w{minute}{advice.name}", advisory=advice.name))
        due = [one for one in due if one[0] > at_ms]
        readings = [row for part in range(0, 10, 2) for row in read(box, minute + part, random)]
        turned = advance(settings, state, Batch.of(readings, words), at_ms + 9 * MINUTE_MS)
        state = turned.state
        events += turned.events
        for letter in letters(turned.events):
            for advice in asked_in(letter):
                if advice.name not in answered:
                    answered.add(advice.name)
                    due.append((at_ms + after_min * MINUTE_MS, advice))
    return settings, events


def letters(events: list[Event]) -> list[LetterEvent]:
    return [one for one in events if isinstance(one, LetterEvent) and one.sort not in ("system", "care") and one.to == "keeper"]


def asked_in(letter: LetterEvent) -> list[AdviceEvent]:
    return [one for one in letter.about if isinstance(one, AdviceEvent) and one.status in ASKS and one.actions]


@pytest.fixture(scope="module", params=[True, False], ids=["heater", "no-heater"])
def night(request: pytest.FixtureRequest) -> tuple[Settings, list[Event]]:
    """A room that goes from 20 to 8 degC within half a day, and heat that stops with it; nothing that is done helps."""
    warm_c = 20.0 if request.param else 25.4
    box = Box(lambda hour: 8.0 + (warm_c - 8.0) * 0.5 ** max((hour - 2.0) / 2.0, 0.0), lambda hour: hour < 2.0)
    return lived(box, 21, heater=request.param)


def test_each_urgent_letter_carries_what_to_do_now(night: tuple[Settings, list[Event]]) -> None:
    urgent = [one for one in letters(night[1]) if one.urgent and one.sort != "reminder"]
    assert len(urgent) >= len(MARKS_C)
    assert [one.id for one in urgent if not asked_in(one)] == []


def test_each_mark_is_told_and_the_same_steps_are_not_told_each_hour(night: tuple[Settings, list[Event]]) -> None:
    told = [one for one in letters(night[1]) if one.urgent]
    crossed = {event.mark for one in told for event in one.about if isinstance(event, AlarmEvent) and event.worse == "mark"}
    assert crossed == set(MARKS_C)
    calm = [one for one in told if not any(isinstance(event, AlarmEvent) and event.worse for event in one.about)]
    apart_ms = [later.at_ms - one.at_ms for one, later in pairwise(calm[1:])]
    assert all(ms >= 90 * MINUTE_MS for ms in apart_ms), [ms / HOUR_MS for ms in apart_ms]
    assert len(told) <= 12


@pytest.mark.parametrize("after_min", [20, 120, 9999])
def test_a_power_cut_night_wakes_the_keeper_for_marks_and_new_steps_alone(after_min: int) -> None:
    """Thirteen urgent letters, three of them within 20 minutes: worse at 15.2 degC, a reminder, the mark at 14.9."""
    box = Box(lambda hour: 8.0 + 10.0 * 0.5 ** max((hour - 10.0) / 3.0, 0.0), lambda hour: hour < 10.0)
    _, events = lived(box, 21, after_min=after_min)
    told = [one for one in letters(events) if one.urgent and one.sort != "digest"]
    night = [one for one in told if one.at_ms < NOON_MS + 20 * HOUR_MS]
    assert len(night) <= 7, [(one.sort, (one.at_ms - NOON_MS) / HOUR_MS) for one in night]
    crossed = {event.mark for one in told for event in one.about if isinstance(event, AlarmEvent) and event.worse == "mark"}
    assert crossed == set(MARKS_C)
    assert min(third.at_ms - one.at_ms for one, third in zip(told, told[2:], strict=False)) >= 30 * MINUTE_MS


def test_the_account_in_a_letter_is_of_now(night: tuple[Settings, list[Event]]) -> None:
    about = [(one.at_ms, event) for one in letters(night[1]) for event in one.about if isinstance(event, AlarmEvent)]
    judged = [(at_ms, event) for at_ms, event in about if event.harm_used is not None and event.open]
    assert judged
    for at_ms, event in judged:
        assert at_ms - (event.at_ms if event.judged_ms is None else event.judged_ms) < 6 * MINUTE_MS


def test_a_reminder_tells_the_figures_of_now(night: tuple[Settings, list[Event]]) -> None:
    """They were those of when it was advised: 20.5 degC at 8."""
    air = {event.at_ms: event for event in night[1] if isinstance(event, AdviceEvent) and event.status == "reminded"}
    for letter in letters(night[1]):
        for event in letter.about:
            if event.at_ms in air and isinstance(event, AdviceEvent) and event.at_ms == letter.at_ms:
                assert f"{letter.present[0].temperature_c:.1f} °C" in event.reason
                assert event.reaches == ()


def test_a_digest_says_once_what_came_of_the_same(night: tuple[Settings, list[Event]]) -> None:
    settings, events = night
    digest = [compose(one, settings).text for one in letters(events) if one.sort == "digest"][-1]
    assert digest.count("Done, thank you") <= 1


def test_what_is_back_in_its_band_wakes_nobody() -> None:
    """A mat that sticks, is unplugged on advice and sticks again: it was urgent at 26.8 degC, on its way down."""
    _, events = lived(Box(lambda hour: 20.0, lambda hour: True, stuck_from_h=1.0), 8)
    urgent = [one for one in letters(events) if one.urgent]
    assert urgent
    for one in urgent:
        t, slope = one.present[0].temperature_c, one.present[0].temperature_slope_k_h or 0.0
        assert t is not None
        assert not 24.0 <= t <= 28.0 or slope > 0.3, (one.id, t, slope)
