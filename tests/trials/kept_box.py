"""A box, its keeper and the letters in a loop: what is advised is done, or not, and changes what the box does next.

The box is the one of three heat stores (`heated_box`); the keeper does what an action's device and change say, half an hour
later, and says so. Nothing of `rules/` decides what helps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import sin

from heated_box import NOON_MS, HeatedBox, Hourly, always, settings_of

from adapters.wording.letter import compose
from rules.settings import Chamber, Settings
from rules.terms.advised import Action
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, Batch, Event, LetterEvent, Reading
from rules.terms.words import AdviceDone, Word
from rules.turn.advance import EngineState, advance

BUSY_MIN, CALM_MIN = 10, 40
"""So often the program is asked: more often where something was said last; where nothing is, the cuts change nothing."""
ASKING = ("given", "updated", "reminded")


@dataclass
class KeptBox:
    """One life of a chamber. `does`: what an action changes, by hours since noon; `answers_h`: None: nobody answers."""

    chamber: Chamber
    box: HeatedBox
    does: Callable[[Action, float], None] = lambda action, hour: None
    humidity_pct: Hourly = field(default_factory=lambda: always(79.0))
    answers_h: float | None = 0.5
    events: list[Event] = field(default_factory=list)
    air_c: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.settings: Settings = settings_of(self.chamber)
        self._due: list[tuple[float, AdviceEvent]] = []
        self._said: set[str] = set()

    def live(self, hours: float) -> KeptBox:
        """Live so many hours from noon on."""
        state: EngineState | None = None
        rows: list[Reading] = []
        next_minute = CALM_MIN
        for minute, (air, _, room) in enumerate(self.box.minutes(hours)):
            self.air_c.append(air)
            rows += self._read(minute, air, room)
            if minute >= next_minute:
                at_ms = NOON_MS + minute * MINUTE_MS
                result = advance(self.settings, state, Batch.of(rows, self._words(minute / 60.0)), at_ms + 1000)
                state, rows = result.state, []
                self._hear(result.events, minute / 60.0)
                next_minute = minute + (BUSY_MIN if result.events or self._due else CALM_MIN)
        return self

    def _read(self, minute: int, air: float, room: float) -> list[Reading]:
        at_ms, noise = NOON_MS + minute * MINUTE_MS, 0.04 * sin(minute * 2.4)
        given = {
            ("inside", "air_temperature"): air + noise,
            ("inside", "relative_humidity"): self.humidity_pct(minute / 60.0) + noise,
            ("outside", "air_temperature"): room - noise, ("outside", "relative_humidity"): 45.0 + noise,
        }  # fmt: skip
        return [Reading(at_ms, probe, quantity, round(value, 2), at_ms) for (probe, quantity), value in given.items()]  # type: ignore[arg-type]

    def _words(self, hour: float) -> list[Word]:
        now = [advice for due_h, advice in self._due if due_h <= hour]
        self._due = [(due_h, advice) for due_h, advice in self._due if due_h > hour]
        words: list[Word] = []
        for advice in now:
            for action in advice.actions:
                self.does(action, hour)
            at_ms = NOON_MS + round(hour * HOUR_MS)
            words.append(AdviceDone(taken_ms=at_ms, word_id=f"w-{advice.id}", advisory=advice.name))
        return words

    def _hear(self, events: tuple[Event, ...] | list[Event], hour: float) -> None:
        self.events += events
        for letter in (event for event in events if isinstance(event, LetterEvent) and event.to == "keeper"):
            for advice in (one for one in letter.about if isinstance(one, AdviceEvent) and one.status in ASKING):
                if self.answers_h is not None and advice.name not in self._said:
                    self._said.add(advice.name)
                    self._due.append((hour + self.answers_h, advice))

    # ------------------------------------------------------------ what was told

    def letters(self) -> list[tuple[float, LetterEvent]]:
        """Return the letters to the keeper about the box, with the hours since noon; no digest and no routine."""
        mine = [event for event in self.events if isinstance(event, LetterEvent) and event.to == "keeper"]
        return [(_hour(one), one) for one in mine if one.sort not in ("system", "digest", "care")]

    def said(self) -> list[tuple[float, str]]:
        """Return each of these letters as it is mailed, in one line."""
        return [(hour, " ".join(compose(letter, self.settings).text.split())) for hour, letter in self.letters()]

    def asked(self) -> list[tuple[float, AdviceEvent]]:
        """Return what was advised anew."""
        mine = [event for event in self.events if isinstance(event, AdviceEvent) and event.status in ("given", "updated")]
        return [(_hour(event), event) for event in mine]

    def air_at_c(self, hour: float) -> float:
        """Return the air's true temperature at an hour since noon."""
        return self.air_c[min(round(hour * 60.0), len(self.air_c) - 1)]


def _hour(event: Event) -> float:
    return (event.at_ms - NOON_MS) / HOUR_MS
