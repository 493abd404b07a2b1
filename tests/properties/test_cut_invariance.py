"""Cutting a stream anywhere, and killing and restarting at any cut, changes no event, no id and no state."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lively_streams import Phase, cuts_of, difference, lively_stream, recorded, told

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import MediumFault, Pause, ProbeFault, Reading
from rules.terms.words import (
    Acknowledge,
    AdviceDone,
    Away,
    Calibrated,
    CareDone,
    GardenSize,
    LidMeasured,
    LidSeen,
    Observation,
    OutOfService,
    Shelve,
    TakeBack,
    Visit,
)
from rules.turn.advance import dump_state, load_state

DATA = Path(__file__).parents[1] / "data"
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
# The night in which Lisbon's clocks go back, so that many streams cross it.
START_MS = 1_761_436_800_000  # 2025-10-26T00:00:00Z


def shelf(high_c: float = 28.0, lid_probe: bool = False) -> Settings:
    fungus = Chamber(
        room="loft", temperature={"high": high_c, "on_delay": "3min"},
        devices={"heater": {"watts": 8.0}, "mister": {}, "fan": {}}, garden={"volume_ml": 150.0},
    )
    probes = {
        "north-air": Probe(place="north", interval="1min"),
        "north-twin": Probe(place="north", interval="2min", accuracy_humidity_pct=3.0),
        "south-air": Probe(place="south", interval="1min"),
        "loft-air": Probe(place="loft", interval="5min"),
    }
    if lid_probe:
        probes["north-lid"] = Probe(place="north", role="lid", interval="1min")
    return Settings(
        site=Site(name="cut test"), zone=ZoneInfo("Europe/Lisbon"), rooms={"loft": Room()},
        chambers={"north": fungus, "south": Chamber(room="loft", role="waste")}, probes=probes, telling=Telling(),
    )


@st.composite
def a_word(draw, taken_ms: int, number: int):
    common = {"taken_ms": taken_ms, "word_id": f"w{number}"}
    alarm = draw(st.sampled_from(["temperature-high", "humidity-low", "lid-dew", "probe-stale"]))
    return draw(
        st.sampled_from(
            [
                Acknowledge(**common, chamber="north", alarm=alarm),
                Shelve(**common, chamber="north", alarm=alarm, for_ms=20 * MINUTE_MS),
                OutOfService(**common, probe="north-air", for_ms=15 * MINUTE_MS),
                OutOfService(**common, probe="north-air", for_ms=0),
                Visit(**common, chamber="north"),
                LidMeasured(**common, chamber="north", at_ms=taken_ms, lid_temperature_c=22.0),
                LidSeen(**common, chamber="north", at_ms=taken_ms - 2 * HOUR_MS, seen="droplets"),
                Calibrated(
                    **common, probe="north-air", quantity="relative_humidity", offset=-2.0, gain=1.01, standard_uncertainty=0.6
                ),
                GardenSize(**common, chamber="north", at_ms=taken_ms, garden_ml=15.0),
                CareDone(**common, chamber="north", task="water", at_ms=taken_ms),
                Observation(**common, chamber="north", at_ms=taken_ms, seen=("dry-edge",)),
                AdviceDone(**common, advisory="unknown.advice.1"),
                TakeBack(**common, said=f"w{number - 1}"),
                TakeBack(**common, said=f"w{number - 3}"),
                Away(**common, from_ms=taken_ms + HOUR_MS, to_ms=taken_ms + 5 * HOUR_MS),
            ]
        )
    )


@st.composite
def a_stream(draw):
    now = START_MS + draw(st.integers(0, 50)) * 13 * MINUTE_MS + draw(st.integers(0, 59_999))
    phases, number = [], 0
    climate = {"north": [25.5, 80.0], "south": [25.0, 40.0], "loft": [20.0, 50.0]}
    for _ in range(draw(st.integers(1, 3))):
        step = draw(st.sampled_from([0, 0, 0, HOUR_MS, -HOUR_MS, 5_000]))
        now += step
        settings = shelf(draw(st.sampled_from([28.0, 28.0, 26.0])), draw(st.booleans()))
        entries = []
        for _ in range(draw(st.integers(2, 14))):
            number += 1
            now += draw(st.sampled_from([0, 1, 20_000, *[MINUTE_MS, 4 * MINUTE_MS] * 3, 25 * MINUTE_MS, 70 * MINUTE_MS]))
            kind = draw(st.sampled_from("rrrrrrrrrrrrdlfmwp"))
            probe = draw(st.sampled_from(sorted(settings.probes)))
            if kind in "rdl":
                place = climate[settings.probes[probe].place]
                place[0] += draw(st.sampled_from([0.0, 0.0, 0.1, -0.2, 1.5, -3.0]))
                place[1] = min(100.0, max(5.0, place[1] + draw(st.sampled_from([0.0, 0.5, -1.0, 6.0, -22.0, 15.0]))))
                late = 30_000 if kind == "l" else 0
                if settings.probes[probe].role == "lid":
                    entries.append(Reading(now, probe, "surface_temperature", place[0] - 3.0, now - late))
                else:
                    entries.append(Reading(now, probe, "air_temperature", round(place[0], 2), now - late))
                    entries.append(Reading(now, probe, "relative_humidity", round(place[1], 1), now - late))
                if kind == "d":
                    entries.append(entries[-1])
            elif kind == "f":
                entries.append(ProbeFault(now, probe, draw(st.sampled_from(["unreachable", "garbled"])), "test"))
            elif kind == "m":
                entries.append(MediumFault(now, "broker", draw(st.booleans()), "test"))
            elif kind == "p":
                entries.append(Pause(now, max(now - 40 * MINUTE_MS, entries[-1].taken_ms if entries else now)))
            else:
                entries.append(draw(a_word(now, number)))
        now += draw(st.sampled_from([*[1, 3 * MINUTE_MS] * 5, 70 * MINUTE_MS, 9 * HOUR_MS]))  # silence is looked at each minute
        phases.append(Phase(settings, step, entries, now))
    return phases


def same(phases: list[Phase], cuts: list[list[int]]) -> list[dict]:
    """Hold the stream in pieces against the stream in one, and return its events."""
    whole, state = told(phases, None)
    pieces, cut_state = told(phases, cuts)
    assert difference(json.loads(json.dumps(pieces)), json.loads(json.dumps(whole))) == ""
    assert difference(json.loads(dump_state(cut_state)), json.loads(dump_state(state))) == ""
    assert len({event["id"] for event in whole}) == len(whole)
    if len(phases) == 1:
        times = [datetime.fromisoformat(event["time"]) for event in whole]
        assert times == sorted(times)
    return whole


@pytest.mark.parametrize("part", range(4))  # on as many workers as there are; `make streams` tries more of them
@settings(max_examples=int(os.environ.get("CUT_STREAMS", "240")) // 4, deadline=None, suppress_health_check=list(HealthCheck))
@given(phases=a_stream(), cuts=st.lists(st.lists(st.integers(0, 60), max_size=6), min_size=3, max_size=3))
def test_any_cutting_gives_the_same_events_ids_and_state(part: int, phases: list[Phase], cuts: list[list[int]]) -> None:
    same(phases, cuts)


@pytest.mark.parametrize("seed", range(6))  # `make streams N=5000` goes on with new ones and shows what they reach
def test_a_lively_stream_is_the_same_however_it_is_cut(seed: int) -> None:
    same(lively_stream(seed), cuts_of(seed, lively_stream(seed)))


@pytest.mark.parametrize("seed", [355020, 3688011, 4523])
def test_a_small_stream_that_was_cut_wrongly_once_is_the_same_now(seed: int) -> None:
    """355020: the water on the lid differed in its last bit, where a piece had one reading. 3688011: whether the air came back
    was seen over a longer time than is kept, by a probe that spoke so seldom."""
    same(lively_stream(seed, small=True), cuts_of(seed, lively_stream(seed, small=True)))


@pytest.mark.parametrize("file", ["indoor_two_probe", "suthaharan_steam", "half_heated_house", "office_year"])
@pytest.mark.parametrize("size", [1, 7, 97])
def test_a_real_series_is_the_same_in_batches_of_any_size(file: str, size: int) -> None:
    phase = recorded(DATA / f"{file}.csv", {1: 20, 7: 80, 97: 200}[size])
    assert same([phase], [list(range(0, len(phase.entries), size))])


def test_a_quantity_that_a_probe_has_not_named_yet_is_not_missed_before() -> None:
    """Found by a lively stream: looked back at, the probe was "not believed" before it first gave humidity."""
    minutes = [START_MS + n * MINUTE_MS for n in range(60, 65)]
    entries: list = [Reading(at_ms, "south-air", "air_temperature", 25.0 + at_ms % 7 / 10, at_ms) for at_ms in minutes]
    entries[-1] = Reading(minutes[-1], "south-air", "relative_humidity", 80.0, minutes[-1])
    entries = [Visit(taken_ms=START_MS, word_id="w", chamber="north"), *entries]
    same([Phase(shelf(), 0, entries, minutes[-1] + MINUTE_MS)], [[1, 2, 3, 4, 5]])


def each_minute(minutes: range, probe: str, temperature: tuple[float, ...] = (), humidity: tuple[float, ...] = ()) -> list:
    """Return what a probe says each minute: the given values one after the other, the last one ever after."""
    said: list = []
    for number, minute in enumerate(minutes):
        at_ms = START_MS + minute * MINUTE_MS
        for quantity, values in (("air_temperature", temperature), ("relative_humidity", humidity)):
            said += [Reading(at_ms, probe, quantity, value, at_ms) for value in values[number:][:1] or values[-1:]]
    return said


LIVELY_C = tuple(25 + n % 3 / 10 for n in range(110))
TO_ITS_TOP_PCT = (60.0, 60.0, 100.0)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            each_minute(range(110), "north-air", LIVELY_C, TO_ITS_TOP_PCT),
            each_minute(range(110, 111), "north-twin", (25.2,), (100.0,)),
        ),
        (
            each_minute(range(110), "south-air", humidity=TO_ITS_TOP_PCT),
            each_minute(range(110, 111), "south-air", temperature=(25.0,)),
        ),
        (
            each_minute(range(500), "south-air", temperature=LIVELY_C[:20]),
            each_minute(range(500, 501), "south-air", humidity=(80.0,)),
        ),
        (
            each_minute(range(3), "south-air", humidity=(80.0,)),
            each_minute(range(3, 20), "south-air", (25.0, 85.0), (80.0, 150.0)),
        ),
    ],
    ids=["by the twin of a probe at its top", "by a probe at its top", "by a frozen probe", "by a probe that fails twice"],
)
def test_a_quantity_that_is_told_for_the_first_time_bears_on_nothing_before(before: list, after: list) -> None:
    """The first was found by hypothesis: the twin that spoke at last had the probe at its top blamed before, as not alone."""
    entries = [*before, *after]
    same([Phase(shelf(), 0, entries, entries[-1].taken_ms + 2 * MINUTE_MS)], [[len(before)]])


def test_a_probe_that_left_the_config_and_came_back_tells_its_trouble_under_other_ids() -> None:
    """Found by a lively stream: what it had counted was forgotten with it, and its first trouble bore the old id again."""
    phases = []
    for number, probes in enumerate((shelf().probes, {"south-air": Probe(place="south", interval="1min")}, shelf().probes)):
        settings = shelf().model_copy(update={"probes": probes})
        first_ms = START_MS + number * HOUR_MS
        values = (25.0, 25.0, 36.0, 25.0)
        name = "north-air" if "north-air" in probes else "south-air"
        entries: list = [
            Reading(at_ms, name, "air_temperature", value, at_ms)
            for at_ms, value in zip(range(first_ms, first_ms + 4 * MINUTE_MS, MINUTE_MS), values, strict=True)
        ]
        phases.append(Phase(settings, 0, entries, first_ms + 5 * MINUTE_MS))
    told_ = [event["id"] for event in same(phases, [[2], [2], [2]]) if event["kind"] == "quality"]
    assert sum("north-air" in id_ for id_ in told_) == 2


def test_a_state_of_another_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="origin"):
        load_state(b"{}")
