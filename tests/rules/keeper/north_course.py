"""One chamber in a study, lived by the hour with words between; the state goes through JSON at each step."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import MINUTE_MS, Batch, Event, Reading, WordEvent
from rules.terms.words import TakeBack, Word
from rules.turn.advance import EngineState, advance, dump_state, load_state

START_MS = 1_774_500_000_000
SHELF = Settings(
    site=Site(), zone=ZoneInfo("Europe/Berlin"), rooms={"study": Room()}, telling=Telling(today_remind=["2h"]),
    chambers={
        "north": Chamber(
            room="study", title="North", garden={"volume_ml": 400.0, "basin_ml": 1000.0},
            devices={
                "vents": {"count": 2}, "heater": {"watts": 15.0, "thermostat": True, "setpoint_c": 28.0}, "mister": {},
                "wet_granules": True,
            },
        )
    },
    probes={
        "air": Probe(place="north", interval="1min"), "study-air": Probe(place="study", interval="1min"),
    },
)  # fmt: skip


class Course:
    """A shelf along its stream; each word has an id of its own."""

    def __init__(self, stored: bytes | None = None) -> None:
        self.state = advance(SHELF, None, Batch(), START_MS).state if stored is None else load_state(stored)
        self.now_ms, self.events, self.words = self.state.closed_ms, [], 0

    def live(self, minutes: int, celsius: float, percent: float = 80.0) -> list[Event]:
        readings = []
        for minute in range(1, minutes + 1):
            at_ms, wobble = self.now_ms + minute * MINUTE_MS, 0.01 * (minute % 4)
            readings += [
                Reading(at_ms, "air", "air_temperature", celsius + wobble, at_ms),
                Reading(at_ms, "air", "relative_humidity", percent + 10 * wobble, at_ms),
                Reading(at_ms, "study-air", "air_temperature", 20.0 + wobble, at_ms),
                Reading(at_ms, "study-air", "relative_humidity", 50.0 + wobble, at_ms),
            ]
        self.now_ms += minutes * MINUTE_MS
        return self.take(Batch.of(readings))

    def say(self, *words: Word) -> list[WordEvent]:
        self.now_ms += 1
        told = self.take(Batch.of(items=[word.model_copy(update={"taken_ms": self.now_ms}) for word in words]))
        return [event for event in told if isinstance(event, WordEvent)]

    def take(self, batch: Batch) -> list[Event]:
        advanced = advance(SHELF, self.state, batch, self.now_ms + 1)
        self.state = load_state(dump_state(advanced.state))
        self.events += advanced.events
        return advanced.events

    def undo(self, said: str) -> WordEvent:
        self.words += 1
        (told,) = self.say(TakeBack(taken_ms=0, word_id=f"back-{self.words}", said=said))
        return told

    @property
    def facts(self) -> EngineState:
        """The state without what only counts, or tells which words were taken."""
        return replace(self.state, words_taken_ms={})


def word(kind: type, word_id: str = "w", **more: Any) -> Any:
    return kind(taken_ms=0, word_id=word_id, **more)


@cache
def after(*hours_c: float) -> bytes:
    course = Course()
    for celsius in hours_c:
        course.live(60, celsius)
    return dump_state(course.state)
