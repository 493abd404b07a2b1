"""A cellar with twenty boxes that cools: one cause, told of the cellar, not twenty times of a box.

Each box fades towards its room by Newton's law of cooling, with a time constant and a lift by its mat of its own; the figures
are of our own, spread as boxes of a breeder are.
"""

from __future__ import annotations

import math
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from adapters.wording.letter import compose
from rules.settings import Chamber, Devices, Garden, Heater, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch, LetterEvent
from rules.turn.advance import advance

NAMES = [f"nest-{number:02}" for number in range(1, 21)]
PROBES = [f"p-{name}" for name in NAMES]
NOON_MS = 1_774_522_800_000  # 2026-03-26T11:00Z
STEP_MS = 120_000
CELLAR = Settings(
    site=Site(name="rack"), zone=ZoneInfo("Europe/Berlin"), rooms={"cellar": Room(title="Cellar")}, telling=Telling(),
    chambers={
        name: Chamber(
            title=f"Nest {number:02}", room="cellar", garden=Garden(volume_ml=(60.0, 150.0, 600.0, 3000.0)[number % 4]),
            devices=Devices(heater=Heater(setpoint_c=26.0)) if number % 3 else Devices(),
        ) for number, name in enumerate(NAMES, 1)
    },
    probes={name: Probe(place=name.removeprefix("p-"), interval="2min") for name in (*PROBES, "cellar")},
)  # fmt: skip


def cooling(hours_before: float = 3.0, hours: float = 6.0) -> Batch:
    """The room is at 20 degC, then falls by 2 K an hour to 13."""
    at_ms = np.arange(NOON_MS, NOON_MS + round((hours_before + hours) * HOUR_MS), STEP_MS)
    room = np.clip(20.0 - 2.0 * (np.arange(len(at_ms)) * STEP_MS / HOUR_MS - hours_before), 13.0, 20.0)
    given = {("cellar", "air_temperature"): room + 0.02 * np.sin(at_ms / 4e5)}
    for number, name in enumerate(NAMES, 1):
        tau_steps, lift = (60 + 7 * number) / 2, 5.2 + 0.05 * (number * 7 % 20)
        value, course = 20.0 + lift, []
        for outside in room:
            value += (outside + lift - value) / tau_steps
            course.append(value + 0.03 * math.sin(number + len(course) / 3))
        given[(f"p-{name}", "air_temperature")] = np.array(course)
        given[(f"p-{name}", "relative_humidity")] = np.full(len(at_ms), 82.0) + 0.3 * np.sin(at_ms / 3e5 + number)
    return Batch(
        series=tuple(given), series_index=np.tile(np.arange(len(given), dtype=np.int32), len(at_ms)),  # type: ignore[arg-type]
        taken_ms=np.repeat(at_ms, len(given)), at_ms=np.repeat(at_ms, len(given)),
        value=np.round(np.column_stack(list(given.values())), 2).ravel(),
    )


@pytest.fixture(scope="module")
def letters() -> list[LetterEvent]:
    batch = cooling()
    told = advance(CELLAR, None, batch, int(batch.taken_ms[-1]) + 1).events
    mine = [one for one in told if isinstance(one, LetterEvent) and one.to == "keeper"]
    return [one for one in mine if one.sort not in ("system", "digest", "care")]


def test_from_the_second_box_on_it_is_told_of_the_cellar_alone(letters: list[LetterEvent]) -> None:
    assert {letter.chamber for letter in letters[1:]} == {"cellar"}
    cold = {one.chamber for one in letters[-1].about if isinstance(one, AlarmEvent) and one.alarm != "lid-dew"}
    assert cold == set(NAMES)


def test_twenty_boxes_that_nobody_answers_for_give_no_letter_each(letters: list[LetterEvent]) -> None:
    """Twenty boxes get too cool within two hours, harmfully so within five; before, each of them gave letters of its own."""
    assert 3 <= len(letters) <= 12
    apart = [(later.at_ms - one.at_ms, later.urgent and not one.urgent) for one, later in pairwise(letters)]
    assert min(gap_ms for gap_ms, wakes in apart if not wakes) >= 10 * MINUTE_MS  # the first urgent one waits for nothing
    assert sum(wakes for _, wakes in apart) == 1


def test_a_letter_names_all_boxes_in_one_line_with_what_differs_and_one_command_answers_it(letters: list[LetterEvent]) -> None:
    whole = compose(letters[-1], CELLAR).text
    body = " ".join(whole.split())
    happening = body.partition("WHAT IS HAPPENING ")[2].partition(" WHAT IS LEFT")[0]
    assert all(happening.count(f"Nest {number:02} ") + happening.count(f"Nest {number:02},") >= 1 for number in range(1, 21))
    assert happening.count("the worst first") <= 3
    assert "dewlid ack cellar" in body
    assert whole.count("Check the heat") <= 1
    assert body.count("15.0 °C is reached") <= 1


def test_the_subject_says_what_and_where(letters: list[LetterEvent]) -> None:
    subjects = [compose(letter, CELLAR).subject for letter in letters[1:]]
    assert all(": Cellar" in subject for subject in subjects), subjects
