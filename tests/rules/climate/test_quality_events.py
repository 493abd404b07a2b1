"""What is told of a doubted probe: each trouble when it begins, brief ones once an hour, and that it is good again."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.climate.judging import Column, hear
from rules.climate.memory import ProbeMemory
from rules.climate.quality_events import quality_events
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import MINUTE_MS, QualityEvent

SHELF = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, chambers={"nest": Chamber()}, telling=Telling(),
    probes={"air": Probe(place="nest", interval="1min"), "outer": Probe(place="study", interval="1min")},
)  # fmt: skip


def told(values: list[float], cut: int = 1000, probe: str = "air") -> list[QualityEvent]:
    """What is told of a temperature that is read each minute."""
    memory, events = ProbeMemory(0), []
    for begin in range(0, len(values), cut):
        at_ms = np.arange(begin, min(begin + cut, len(values)), dtype=np.int64) * MINUTE_MS
        column = Column(at_ms, at_ms, np.array(values[begin : begin + cut]))
        memory, (heard,) = hear(SHELF, probe, memory, {"air_temperature": column})
        memory.series["air_temperature"], new = quality_events(SHELF, heard, "o")
        events += new
    return events


def brief(events: list[QualityEvent]) -> list[tuple[float, str, str, str]]:
    return [(one.at_ms / MINUTE_MS, one.test, one.flag, one.ne107) for one in events]


def air(minutes: int, **said: float) -> list[float]:
    """Air that is read to hundredths; what was said at some minutes instead: `at7=85.0`."""
    values = [25.0 + index % 3 / 100 for index in range(minutes)]
    for name, value in said.items():
        values[int(name[2:])] = value
    return values


@pytest.mark.parametrize("cut", [1, 4, 1000])
def test_a_sound_probe_is_not_told_of_and_its_first_reading_is_no_trouble(cut: int) -> None:
    assert told(air(90), cut) == []


@pytest.mark.parametrize("cut", [1, 4, 1000])
@pytest.mark.parametrize(("again", "both"), [(66, False), (67, True)])
def test_a_spike_is_told_once_an_hour_and_its_end_is_no_news(again: int, both: bool, cut: int) -> None:
    events = told(air(90, at7=31.0, **{f"at{again}": 31.0}), cut)
    assert brief(events) == [(at, "spike", "suspect", "out-of-specification") for at in ((7, 67) if both else (7,))]
    assert events[0].value == 31.0 and events[0].detail == "air air_temperature: spike test not passed"


@pytest.mark.parametrize("cut", [1, 4, 1000])
def test_a_value_that_cannot_be_is_a_failure_without_a_value_and_told_each_time_with_its_end(cut: int) -> None:
    values = air(90, at7=90.0, at20=-50.0)
    events = told(values, cut)
    assert brief(events) == [
        (7, "gross-range", "fail", "failure"), (8, "gross-range", "good", "ok"),
        (20, "gross-range", "fail", "failure"), (21, "gross-range", "good", "ok"),
    ]
    assert [one.value for one in events] == [None, values[8], None, values[21]]
    assert [one.detail for one in events][:2] == [
        "air air_temperature: gross-range test not passed", "air air_temperature: good again after gross-range",
    ]
    assert [one.id for one in events][:2] == [
        f"o.air.air_temperature.quality.{7 * MINUTE_MS}.1", f"o.air.air_temperature.quality.{8 * MINUTE_MS}.2",
    ]


@pytest.mark.parametrize("cut", [1, 4, 1000])
def test_one_trouble_that_follows_another_is_told_by_its_own_name(cut: int) -> None:
    """It jumps to 48 degC, which no shelf is like, says its error value, and is at 48 degC again."""
    events = told([25.0, 25.01, 25.0, 48.0, 48.01, 85.0, 48.0], cut)
    assert brief(events) == [
        (3, "domain", "suspect", "out-of-specification"), (5, "sentinel", "fail", "failure"),
        (6, "domain", "suspect", "out-of-specification"),
    ]
    assert brief(told([25.0, 25.01, 48.0, 25.0], cut))[1:] == [(3, "domain", "good", "ok")]


def test_a_probe_that_stands_still_is_doubted_once_and_good_again_when_it_moves() -> None:
    """A thermometer alone, in steps of 0.1 K, may stand for 90 hours while it is new: then it is doubted, after 270 it has
    failed, which is the same trouble."""
    events = told([25.1] * (271 * 60) + [25.2, 25.2], 600)
    assert brief(events) == [
        (90 * 60, "flat-line", "suspect", "out-of-specification"), (271 * 60, "flat-line", "good", "ok"),
    ]
    assert [one.value for one in events] == [25.1, 25.2]


def test_a_value_is_told_to_thousandths_and_a_probe_of_a_room_belongs_to_no_chamber() -> None:
    events = told(air(9, at7=31.00046), probe="outer")
    assert [(one.chamber, one.probe, one.quantity, one.value) for one in events] == [(None, "outer", "air_temperature", 31.0)]
    assert told(air(9, at7=31.0006))[0].value == 31.001 and told(air(9, at7=31.0))[0].chamber == "nest"


@pytest.mark.parametrize("cut", [1, 7, 1000])
def test_a_spike_that_is_no_news_hides_no_trouble_after_it(cut: int) -> None:
    events = told(air(90, at7=31.0, at20=31.0, at40=90.0), cut)
    assert brief(events) == [
        (7, "spike", "suspect", "out-of-specification"), (40, "gross-range", "fail", "failure"),
        (41, "gross-range", "good", "ok"),
    ]  # fmt: skip


@pytest.mark.parametrize("cut", [1, 3, 1000])
@pytest.mark.parametrize("bad", [{f"at{20 + row}": 90.0 + row for row in range(count)} for count in (1, 2, 7)])
def test_that_a_probe_is_good_again_is_told_however_many_bad_readings_came_in_a_row(bad: dict[str, float], cut: int) -> None:
    """The first good reading after two leapt back as a spike does, whose end is no news: digests named the probe for ever."""
    events = told(air(90, **bad), cut)
    assert [(one.test, one.flag) for one in events] == [("gross-range", "fail"), ("gross-range", "good")]
    assert events[0].at_ms == 20 * MINUTE_MS and events[1].at_ms <= (20 + len(bad) + 1) * MINUTE_MS
