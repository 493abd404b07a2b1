"""Words whose figures cannot be: refused with a reason, harmless where an older program took them. Seen through `advance`."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from rules.climate.memory import Correction
from rules.keeper.refusal import why_no_correction
from rules.settings import Chamber, Garden, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch, LetterEvent, Reading, SystemEvent, WordEvent
from rules.terms.words import (
    AdviceDone,
    Calibrated,
    CareDone,
    GardenSize,
    LeavesGiven,
    LidMeasured,
    LidSeen,
    Observation,
    Word,
)  # fmt: skip
from rules.turn.advance import EngineState, advance, dump_state, load_state

START_MS = 1_809_000_000_000
SHELF = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
    chambers={"nest": Chamber(garden=Garden(volume_ml=150.0, basin_ml=900.0), room="study")},
    probes={
        "air": Probe(place="nest"), "lid": Probe(place="nest", role="lid"), "room": Probe(place="study"),
    },
)  # fmt: skip
HUGE = (1e308, -1e308, 1e30, 100.0, -100.0)
LAST_MS = 7_258_118_399_999
"""The last instant that a word may name: the year 2199."""


def readings(from_ms: int, celsius: float, minutes: int = 40) -> list[Reading]:
    found = []
    for minute in range(minutes):
        at_ms = START_MS + from_ms + minute * MINUTE_MS
        for probe, quantity, value in (
            ("air", "air_temperature", celsius), ("air", "relative_humidity", 80.0), ("room", "air_temperature", 18.0),
            ("room", "relative_humidity", 50.0), ("lid", "surface_temperature", celsius - 3),
        ):  # fmt: skip
            found.append(Reading(at_ms, probe, quantity, value + 0.02 * (minute % 5), at_ms))  # type: ignore[arg-type]
    return found


@pytest.fixture(scope="module")
def cold() -> bytes:
    """A shelf that has been too cold for hours, so that advice stands."""
    done = advance(SHELF, None, Batch.of(readings(0, 19.0, 200)), START_MS + 200 * MINUTE_MS)
    assert done.state.advice["nest"].open is not None
    return dump_state(done.state)


def said(cold: bytes, word: Word) -> tuple[EngineState, WordEvent]:
    """Say a word, go on for a day with readings, through JSON each time; return the end and the answer."""
    done = advance(SHELF, load_state(cold), Batch.of([], [word]), word.taken_ms + 1)
    events, state = list(done.events), done.state
    for hour, celsius in ((4, 19.0), (28, 26.0)):
        batch = Batch.of(readings(hour * HOUR_MS, celsius, 12))
        done = advance(SHELF, load_state(dump_state(state)), batch, START_MS + hour * HOUR_MS + 40 * MINUTE_MS)
        events, state = [*events, *done.events], done.state
    (answer,) = [one for one in events if isinstance(one, WordEvent)]
    return state, answer


def impossible() -> Iterator[tuple[type[Word], dict[str, Any]]]:
    for quantity, probe in (("air_temperature", "air"), ("relative_humidity", "air"), ("surface_temperature", "lid")):
        good = {"probe": probe, "quantity": quantity, "offset": 0.5, "gain": 1.0, "standard_uncertainty": 0.3}
        most = 30.5 if quantity == "relative_humidity" else 10.5
        yield from ((Calibrated, good | {"offset": value}) for value in (*HUGE, most))
        yield from ((Calibrated, good | {"standard_uncertainty": value}) for value in (1e308, 16.0))
        yield Calibrated, good | {"gain": 1.999999}
    for at_ms in (0, START_MS + 5 * HOUR_MS, LAST_MS):
        when = {"chamber": "nest", "at_ms": at_ms}
        yield LidMeasured, when | {"lid_temperature_c": 20.0}
        yield LidSeen, when | {"seen": "dry"}
        yield GardenSize, when | {"garden_ml": 150.0}
        yield CareDone, when | {"task": "leaves"}
        yield LeavesGiven, when | {"plant": "rose"}
        yield Observation, when | {"text": "quiet"}
    for amount in (1e308, -1e308, -0.1, 10_000_001.0):
        yield CareDone, {"chamber": "nest", "task": "water", "at_ms": START_MS, "amount": amount}
        yield AdviceDone, {"advisory": "nest-1", "amount": amount}


@pytest.mark.parametrize(("kind", "keys"), list(impossible()))
def test_what_cannot_be_is_refused_with_what_is_allowed_and_changes_no_figure(
    cold: bytes, kind: type[Word], keys: dict[str, Any]
) -> None:
    word = kind(taken_ms=START_MS + 201 * MINUTE_MS, word_id="w1", **keys)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # an overflow on the way is an error too
        state, answer = said(cold, word)
    assert not answer.accepted
    assert "Allowed: " in answer.text
    assert all(not memory.corrections for memory in state.probes.values())


def test_corrections_as_a_keeper_makes_them_are_taken(cold: bytes) -> None:
    # A worn capacitive humidity probe, 8 %RH high and with too steep a slope; a thermistor 1.2 K off (own examples).
    for quantity, offset, gain, u in (("relative_humidity", 2.0, 0.88, 1.5), ("air_temperature", -1.2, 1.0, 0.2)):
        word = Calibrated(
            taken_ms=START_MS + 201 * MINUTE_MS, word_id="w1", probe="air", quantity=quantity,
            offset=offset, gain=gain, standard_uncertainty=u,
        )  # fmt: skip
        state, answer = said(cold, word)
        assert answer.accepted
        assert state.probes["air"].corrections[quantity].offset == offset


@pytest.mark.parametrize("wrong", [("offset", 100.0), ("offset", 1e308), ("standard_uncertainty", 1e308), ("gain", 1.9999)])
def test_a_state_that_holds_an_impossible_correction_goes_on_without_it_and_says_so_once(
    cold: bytes, wrong: tuple[str, float]
) -> None:
    state = load_state(cold)
    good = Correction(START_MS, 1.0, 1.5, 0.4)
    bad = replace(good, **{wrong[0]: wrong[1]})  # type: ignore[arg-type]
    state.probes["air"].corrections = {"air_temperature": bad, "relative_humidity": good}
    told: list[SystemEvent | LetterEvent] = []
    for hour in (4, 5, 6):
        batch = Batch.of(readings(hour * HOUR_MS, 25.0))
        done = advance(SHELF, load_state(dump_state(state)), batch, START_MS + hour * HOUR_MS + 40 * MINUTE_MS)
        state = done.state
        told += [one for one in done.events if isinstance(one, SystemEvent | LetterEvent)]
    notes = [one for one in told if isinstance(one, SystemEvent) and one.what == "correction-ignored"]
    assert [note.text.split(":")[0] for note in notes] == ["The correction of air is ignored"]
    assert [one.sort for one in told if isinstance(one, LetterEvent) and notes[0] in one.about] == ["system"]
    assert state.probes["air"].corrections == {"relative_humidity": good}
    assert state.places["nest"].temperature_c == pytest.approx(25.0, abs=0.2)


def test_the_bounds_hold_wherever_a_working_probe_may_read() -> None:
    for quantity in ("air_temperature", "surface_temperature"):
        assert why_no_correction(quantity, 1.0, 10.0, 5.0) is None
        assert "10.1 K" in (why_no_correction(quantity, 1.0, 10.1, 5.0) or "")
    # A slope alone: 1.2 times 80 degC is 16 K more.
    assert "+16 K" in (why_no_correction("air_temperature", 1.2, 0.0, 0.1) or "")
    assert "broken" in (why_no_correction("relative_humidity", 1.0, -31.0, 0.1) or "")


@pytest.mark.parametrize(
    ("probe", "quantity", "allowed"),
    [
        ("air", "surface_temperature", "air_temperature, relative_humidity"), ("lid", "air_temperature", "surface_temperature"),
        ("lid", "relative_humidity", "surface_temperature"),
    ],
)  # fmt: skip
def test_a_correction_of_what_the_probe_does_not_measure_is_refused(
    cold: bytes, probe: str, quantity: str, allowed: str
) -> None:
    word = Calibrated(
        taken_ms=START_MS + 200 * MINUTE_MS, word_id="a", probe=probe, quantity=quantity, offset=0.1, gain=1.0,
        standard_uncertainty=0.1,
    )  # fmt: skip
    state, answer = said(cold, word)
    assert not answer.accepted and f"does not measure {quantity}. Allowed: {allowed}." in answer.text
    assert state.probes[probe].corrections == {}
