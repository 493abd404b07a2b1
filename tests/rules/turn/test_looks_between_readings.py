"""Between two readings of a slow probe the adviser looks only at what else was heard, and at what time alone brings."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import pytest

from rules.advice import advisory
from rules.climate.situation import Situation
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch, Reading
from rules.terms.words import GardenSize, Spoken
from rules.turn.advance import advance, dump_state, load_state

BEGUN_MS = 1_769_990_400_000  # a whole hour
BOX = {
    "room": "loft", "garden": {"volume_ml": 300.0},
    "devices": {"heater": {"watts": 12.0, "setpoint_c": 26.0}, "vents": {"count": 4, "open": 1}},
}
HOT_MS = BEGUN_MS + 30 * HOUR_MS
WATCHED_MS = (HOT_MS + 2 * HOUR_MS, HOT_MS + 5 * HOUR_MS)


def shelf(room_interval: str, *others: str) -> Settings:
    names = ("north", *others)
    return Settings(
        site=Site(name="shelf"), zone=ZoneInfo("UTC"), rooms={"loft": Room()},
        chambers={name: Chamber(**BOX) for name in names},
        probes={
            **{f"{name}-a": Probe(place=name, interval="1h") for name in names},
            "loft-a": Probe(place="loft", interval=room_interval),
        },
        telling=Telling(wake_remind=["90min"]),
    )


def looked_at(
    monkeypatch: pytest.MonkeyPatch, settings: Settings, words: Sequence[Spoken] = (), *, minute: int = 0, cuts: int = 1,
    room_c: float = 21.0,
) -> list[int]:
    """Return the full ten minutes within the watched hours at which north's adviser looks: its box is read hourly, `minute`
    past the hour, and stays at 34 degC while the advice against that waits."""
    seen_ms: list[int] = []
    consider = advisory.consider

    def counted(*args, **more):  # type: ignore[no-untyped-def]
        situation: Situation = args[3]
        seen_ms.extend([situation.at_ms] if situation.chamber == "north" else [])
        return consider(*args, **more)

    monkeypatch.setattr(advisory, "consider", counted)
    readings = []
    for name, probe in settings.probes.items():
        late_ms = 0 if probe.place == "loft" else minute * MINUTE_MS
        for at_ms in range(BEGUN_MS + late_ms, WATCHED_MS[1] + HOUR_MS, probe.interval):
            hot = at_ms >= HOT_MS and probe.place != "loft"
            t = room_c if probe.place == "loft" else 34.0 + (at_ms // HOUR_MS % 2) * 0.2 if hot else 26.0
            said = (("air_temperature", t), ("relative_humidity", 78.0))
            readings += [Reading(at_ms, name, quantity, value, at_ms) for quantity, value in said]
    readings.sort(key=lambda one: one.taken_ms)
    state, size = None, -(-len(readings) // cuts)
    for begin in range(0, len(readings), size):
        piece = readings[begin : begin + size]
        until_ms = readings[begin + size].taken_ms if begin + size < len(readings) else WATCHED_MS[1] + HOUR_MS
        said = [word for word in words if piece[0].taken_ms <= word.taken_ms < until_ms]
        state = advance(settings, state, Batch.of(piece, said), until_ms).state
        state = load_state(dump_state(state))
    watched = [(at_ms - WATCHED_MS[0]) / MINUTE_MS for at_ms in seen_ms if WATCHED_MS[0] < at_ms <= WATCHED_MS[1]]
    return [int(minute) for minute in watched if minute % 10 == 0]  # where an alarm turned it looks whatever the clock says


@pytest.mark.parametrize("cuts", [1, 50])
def test_an_emergency_read_once_an_hour_is_looked_at_when_it_was_read(monkeypatch: pytest.MonkeyPatch, cuts: int) -> None:
    looked = looked_at(monkeypatch, shelf("1h"), minute=3, cuts=cuts)
    assert looked == [10, 30, 60, 70, 90, 120, 130, 150, 160, 180]  # 160: what was told anew at 130 may change from then on


def test_a_room_that_is_read_more_often_is_news(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked_at(monkeypatch, shelf("1min")) == [*range(10, 181, 10)]


@pytest.mark.parametrize("cuts", [1, 50])
def test_a_word_of_the_keeper_is_news(monkeypatch: pytest.MonkeyPatch, cuts: int) -> None:
    said_ms = WATCHED_MS[0] + 44 * MINUTE_MS
    word = GardenSize(taken_ms=said_ms, at_ms=said_ms, word_id="larger", chamber="north", garden_ml=350.0)
    with_word, without = (looked_at(monkeypatch, shelf("1h"), words, cuts=cuts) for words in ([word], []))
    assert {*with_word} - {*without} == {50}


def test_a_box_that_is_hot_together_with_it_is_looked_at_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked_at(monkeypatch, shelf("1h", "south"), room_c=33.0) == [*range(10, 181, 10)]
    assert looked_at(monkeypatch, shelf("1h"), room_c=33.0) != [*range(10, 181, 10)]


@pytest.mark.parametrize("cuts", [1, 7])
def test_a_box_that_is_well_again_is_looked_at_by_the_hour_and_after_five_days_no_more(
    monkeypatch: pytest.MonkeyPatch, cuts: int
) -> None:
    """Told once to be aired, and to write nothing of it, it was looked at each ten minutes for the rest of its life."""
    seen_ms: list[int] = []
    consider = advisory.consider

    def counted(*args, **more):  # type: ignore[no-untyped-def]
        seen_ms.append(args[3].at_ms)
        return consider(*args, **more)

    monkeypatch.setattr(advisory, "consider", counted)
    readings = []
    for at_ms in range(BEGUN_MS, BEGUN_MS + 9 * 24 * HOUR_MS, 10 * MINUTE_MS):
        hour, swing = (at_ms - BEGUN_MS) / HOUR_MS, (at_ms // HOUR_MS % 3) * 0.2
        hot_k = max(0.0, min(4.0 * (hour - 30.0), 8.0, 4.0 * (36.0 - hour)))  # no leap: that is asked about first
        for probe, t in (("north-a", 25.8 + swing + hot_k), ("loft-a", 21.0 + swing)):
            said = (("air_temperature", t), ("relative_humidity", 82.0 if probe == "north-a" else 50.0))
            readings += [Reading(at_ms, probe, quantity, value, at_ms) for quantity, value in said]
    state, size = None, -(-len(readings) // cuts)
    for begin in range(0, len(readings), size):
        piece = readings[begin : begin + size]
        state = advance(shelf("10min"), state, Batch.of(piece), piece[-1].taken_ms + 1).state
    days = [(at_ms - BEGUN_MS) / (24 * HOUR_MS) for at_ms in seen_ms]
    assert any("air-now" in told for told in (state.advice["north"].checked_ms, state.advice["north"].left_ms))
    assert all(at_ms % HOUR_MS == 0 for at_ms, day in zip(seen_ms, days, strict=True) if day > 3.0)
    assert sum(3.0 < day < 6.0 for day in days) > 24 and not any(day > 6.6 for day in days)
