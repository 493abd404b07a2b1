"""Back home: one letter tells for each chamber what happened, what was done by whom, and what is due."""

from __future__ import annotations

from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from adapters.wording.letter import compose
from rules.care.absence import MOST_DONE
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, Batch, Event, LetterEvent, Reading
from rules.terms.words import Acknowledge, AdviceDone, Away, CareDone
from rules.turn.advance import EngineState, advance, dump_state, load_state

START_MS = 1_774_533_600_000  # 2026-03-26T14:00Z
SHELF = Settings(
    site=Site(name="Ant shelf"), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
    chambers={
        name: Chamber(
            title=f"{name.title()} nest", room="study", garden={"volume_ml": 300.0}, devices={"heater": {"watts": 8.0}}
        ) for name in ("north", "south")
    },
    probes={name: Probe(place=name, interval="10min") for name in ("north", "south", "study")},
)  # fmt: skip


class Stay:
    def __init__(self) -> None:
        self.now_ms, self.state, self.events = START_MS, advance(SHELF, None, Batch(), START_MS).state, []

    room_c = 20.0

    def live(self, hours: float, north_c: float, south_c: float = 25.5) -> None:
        rows = []
        for step in range(round(hours * 6)):
            self.now_ms += 10 * MINUTE_MS
            for probe, celsius, percent in (("north", north_c, 82.0), ("south", south_c, 82.0), ("study", self.room_c, 50.0)):
                rows.append(Reading(self.now_ms, probe, "air_temperature", celsius + 0.02 * (step % 4), self.now_ms))
                rows.append(Reading(self.now_ms, probe, "relative_humidity", percent + 0.2 * (step % 3), self.now_ms))
        self.take(Batch.of(rows))

    def say(self, kind: type, by: str = "keeper", **more: Any) -> None:
        self.now_ms += 1
        self.take(Batch.of(items=[kind(taken_ms=self.now_ms, word_id=f"w{self.now_ms}", by=by, **more)]))

    def take(self, batch: Batch) -> None:
        advanced = advance(SHELF, self.state, batch, self.now_ms + 1)
        self.state: EngineState = load_state(dump_state(advanced.state))
        self.events: list[Event] = [*self.events, *advanced.events]


@cache
def back() -> tuple[list[Event], EngineState]:
    stay = Stay()
    stay.live(3, 25.5)
    stay.say(Away, from_ms=stay.now_ms + HOUR_MS, to_ms=stay.now_ms + 9 * DAY_MS)
    stay.live(5, 25.5)
    stay.live(4, 20.4)
    advice = stay.state.advice["north"].open
    assert advice is not None
    stay.say(Acknowledge, by="stand-in", chamber="north", alarm="temperature-low")
    stay.say(AdviceDone, by="pi", advisory=advice.name)
    stay.live(6, 25.5)
    stay.say(CareDone, by="stand-in", chamber="south", task="water", at_ms=stay.now_ms)
    stay.live(0.5, 25.5, south_c=27.5)
    stay.live(0.5, 25.5, south_c=29.5)
    before = len(stay.events)
    stay.say(Away, from_ms=stay.now_ms + 1, to_ms=stay.now_ms + 1)
    stay.live(0.5, 25.5, south_c=29.5)
    return stay.events[before:], stay.state


def test_one_letter_at_once_tells_what_happened_what_was_done_by_whom_and_what_is_due() -> None:
    events, _ = back()
    letters = [one for one in events if isinstance(one, LetterEvent) and one.sort == "care"]
    assert [(one.to, one.urgent) for one in letters] == [("keeper", False)]
    letter = compose(letters[0], SHELF)
    assert letter.subject.startswith("While you were away")
    told = " ".join(letter.text.split())
    for part in (
        "WHILE YOU WERE AWAY You are back: alarms come to you again. This is what happened from Thu 26 Mar 2026 18:00",
        "NORTH NEST - ", "at worst 20.4 °C", "Over since", ", by the stand-in: north/", "is acknowledged.",
        ", at the server: north-1 is done", "off the floor.",
        "SOUTH NEST - ", "It still stands.", "by the stand-in: Logged for South nest",
        "ue now",
    ):  # fmt: skip
        assert part.casefold() in told.casefold(), (part, told)
    assert "pi:" not in told
    assert "…" not in told


def test_of_the_chamber_that_stood_well_nothing_of_the_other_is_told() -> None:
    events, _ = back()
    letter = next(one for one in events if isinstance(one, LetterEvent) and one.sort == "care")
    south = compose(letter, SHELF).text.partition("SOUTH NEST")[2].partition("\n\n")[0]
    assert "running away" in south
    assert "too cool" not in south.casefold()
    assert "heat is failing" not in south.casefold()


def test_nothing_of_it_is_kept_once_it_is_told() -> None:
    _, state = back()
    assert state.care.away is None
    assert MOST_DONE < 100


def test_a_quiet_absence_says_so() -> None:
    stay = Stay()
    stay.room_c = 24.5  # no lid is wet
    stay.live(1, 25.5)
    stay.say(Away, from_ms=stay.now_ms, to_ms=stay.now_ms + DAY_MS)
    stay.live(20, 25.5)
    stay.say(Away, from_ms=stay.now_ms + 1, to_ms=stay.now_ms + 1)
    stay.live(0.5, 25.5)
    letter = next(one for one in stay.events if isinstance(one, LetterEvent) and one.sort == "care" and one.to == "keeper"
                  and "You are back" in str(one.about))
    assert "Nothing happened that was worth a letter." in " ".join(compose(letter, SHELF).text.split())
