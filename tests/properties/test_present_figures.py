"""What a letter says in the present tense is what the probe said last; what was, is told with its time."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from adapters.wording.letter import compose
from adapters.wording.line import line_of
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import AlarmEvent, Batch, Event, LetterEvent, Reading
from rules.terms.words import Acknowledge, Shelve, Word
from rules.turn.advance import advance, dump_state, load_state

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
DUSK_MS = 1_768_158_000_000  # 2026-01-11T19:00:00Z, so that the courses cross a night
RACES_K_MIN, DOUBTED_MIN = 1.0, 2
"""A reading that comes faster twice running, breath included, is doubted for so long: the one before is told, with its time."""
SAID = re.compile(r"(?:It is|is too warm:|is too cool:|running away:|failing:|only just back within its limit:) (-?\d+\.\d) °C")
AS_OF_NOW = re.compile(r"(-?\d+\.\d) °C now")
AT = re.compile(r" at (\d\d):(\d\d)")
READ = r"(?: \(read at (\d\d):(\d\d) UTC\))?"
NOW = re.compile(rf"nest: (-?\d+\.\d) °C{READ}, (\d+) % humidity(?:, lid[^(.]*(?:\.\d[^(.]*)?)?{READ}")


def shelf(*, heater: bool) -> Settings:
    devices = {"heater": {"watts": 8.0}, "mister": {}} if heater else {}
    nest = Chamber(room="den", devices=devices, garden={"volume_ml": 400.0})
    return Settings(
        site=Site(), zone=UTC, rooms={"den": Room()}, chambers={"nest": nest},
        probes={"air": Probe(place="nest", interval="1min"), "den-air": Probe(place="den", interval="5min")},
        telling=Telling(),
    )  # fmt: skip


def course(points: list[tuple[float, float]], pct: float, room_c: float) -> list[Reading]:
    """One reading a minute of a chamber that goes from point (hour, degC) to point; a probe breathes by a few hundredths."""
    readings = []
    for minute in range(int(points[-1][0] * 60)):
        at_ms, hour = DUSK_MS + minute * MINUTE_MS, minute / 60
        (h0, c0), (h1, c1) = next((a, b) for a, b in pairwise(points) if a[0] <= hour <= b[0])
        value = c0 + (c1 - c0) * (hour - h0) / (h1 - h0)
        breath = (minute * 7 % 5 - 2) / 50
        readings.append(Reading(at_ms, "air", "air_temperature", round(value + breath, 2), at_ms))
        readings.append(Reading(at_ms, "air", "relative_humidity", round(pct + 5 * breath, 2), at_ms))
        if minute % 5 == 0:
            readings.append(Reading(at_ms, "den-air", "air_temperature", round(room_c + breath, 2), at_ms))
    return readings


def lived(shelf_: Settings, readings: list[Reading], words: list[Word]) -> list[Event]:
    return advance(shelf_, None, Batch.of(readings, words), readings[-1].at_ms + MINUTE_MS).events


def believed(readings: list[Reading]) -> list[Reading]:
    """Return the readings without those that came faster than a box does twice running, and so at once."""
    heat, doubted, since = [row for row in readings if (row.probe, row.quantity) == ("air", "air_temperature")], set[int](), 0
    for before, last, row in zip(heat, heat[1:], heat[2:], strict=False):
        first, second = last.value - before.value, row.value - last.value
        races = min(abs(first), abs(second)) > RACES_K_MIN and first * second > 0.0
        since = since + 1 if races else 0
        doubted |= {row.at_ms} if races and since <= DOUBTED_MIN else set()
    return [row for row in readings if (row.probe, row.quantity) != ("air", "air_temperature") or row.at_ms not in doubted]


def newest(readings: list[Reading], quantity: str, at_ms: int) -> Reading:
    return [row for row in readings if row.probe == "air" and row.quantity == quantity and row.at_ms <= at_ms][-1]


def read_at(readings: list[Reading], quantity: str, at_ms: int) -> float:
    return newest(readings, quantity, at_ms).value


def check_letter(letter: LetterEvent, readings: list[Reading], shelf_: Settings) -> int:
    """Assert that each present figure is the newest that is believed, with its time; return how many were looked at."""
    (told,) = letter.present
    heat, damp = (newest(readings, name, letter.at_ms) for name in ("air_temperature", "relative_humidity"))
    heat_c = heat.value
    assert told.temperature_c == pytest.approx(heat_c, abs=1e-3)
    assert told.relative_humidity_pct == pytest.approx(damp.value, abs=1e-3)
    assert (told.at_ms, told.humidity_at_ms or told.at_ms) == (heat.at_ms, damp.at_ms)
    assert letter.at_ms - told.at_ms < (1 + DOUBTED_MIN) * MINUTE_MS and letter.at_ms - damp.at_ms < MINUTE_MS
    body = " ".join(compose(letter, shelf_).text.split())
    found = 0
    for match in SAID.finditer(body):
        then = AT.match(body, match.end())
        at_ms = letter.at_ms
        if then is not None:  # a clock tells the minute
            at_ms = min(_clock_ms(letter.at_ms, int(then[1]), int(then[2])) + MINUTE_MS - 1, letter.at_ms)
        if body[match.end() :].startswith(" at rest"):
            continue
        assert float(match[1]) == pytest.approx(read_at(readings, "air_temperature", at_ms), abs=0.06), body
        found += 1
    for match in (*NOW.finditer(body), *AS_OF_NOW.finditer(body)):
        assert float(match[1]) == pytest.approx(heat_c, abs=0.051), body
        found += 1
    return found


def _clock_ms(before_ms: int, hour: int, minute: int) -> int:
    day = datetime.fromtimestamp(before_ms / 1000, UTC).replace(hour=hour, minute=minute, second=0, microsecond=0)
    at_ms = round(day.timestamp() * 1000)
    return at_ms if at_ms <= before_ms else at_ms - 24 * HOUR_MS


def check_all(shelf_: Settings, readings: list[Reading], words: list[Word]) -> list[LetterEvent]:
    events, readings = lived(shelf_, readings, words), believed(readings)
    letters = [one for one in events if isinstance(one, LetterEvent) and one.sort != "system"]
    for letter in letters:
        found = check_letter(letter, readings, shelf_)
        assert found or letter.sort in ("digest", "care", "all-clear"), compose(letter, shelf_).text
    for event in events:
        if isinstance(event, AlarmEvent) and event.alarm.startswith("temperature-") and event.value is not None:
            newest_c = read_at(readings, "air_temperature", event.at_ms)
            assert event.value == pytest.approx(newest_c, abs=2e-3), line_of(event, shelf_)
    return letters


@pytest.mark.parametrize("heater", [True, False], ids=["heater", "no-heater"])
def test_a_power_cut_is_told_with_the_cold_of_now(heater: bool) -> None:
    """The reproduced night: 25 to 7 degC; the reminders said 20.5 at 8 degC, the digest 18.3 at 10.2."""
    readings = course([(0, 25.0), (1, 25.0), (4, 18.0), (9, 9.0), (12, 7.0), (15, 7.0)], 80.0, 6.0)
    letters = check_all(shelf(heater=heater), readings, [])
    cold = [one for one in letters if one.present[0].temperature_c is not None and one.present[0].temperature_c < 12]
    assert cold
    digest = next(one for one in letters if one.sort == "digest")
    assert "too cool: 7." in " ".join(compose(digest, shelf(heater=heater)).text.split())


def test_a_stuck_mat_is_told_with_the_heat_of_now() -> None:
    """The reproduced heat: 43.2 degC; letters said "30.5 °C at 23:28" and "It is 30.9 °C"."""
    readings = course([(0, 26.0), (1, 26.0), (3, 34.0), (6, 43.0), (9, 43.5)], 70.0, 21.0)
    letters = check_all(shelf(heater=True), readings, [])
    hot = [one for one in letters if one.present[0].temperature_c is not None and one.present[0].temperature_c > 40]
    assert hot
    assert any(one.to == "second" for one in letters)


@given(
    st.lists(st.tuples(st.floats(0.5, 3.0), st.floats(8.0, 40.0)), min_size=2, max_size=4), st.booleans(),
    st.floats(45.0, 92.0), st.floats(8.0, 30.0),
    st.lists(st.tuples(st.integers(30, 500), st.booleans(), st.booleans()), max_size=3),
)  # fmt: skip
@settings(max_examples=10, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_no_figure_of_the_past_is_told_as_the_present(
    legs: list[tuple[float, float]], heater: bool, pct: float, room_c: float, said: list[tuple[int, bool, bool]]
) -> None:
    points, hour = [(0.0, 25.0), (0.5, 25.0)], 0.5
    for hours, value_c in legs:
        hour += hours
        points.append((hour, value_c))
    points.append((hour + 4.0, points[-1][1]))
    words: list[Word] = []
    for number, (minute, shelve, warm) in enumerate(sorted(said)):
        common = {"taken_ms": DUSK_MS + minute * MINUTE_MS + 30_000, "word_id": f"w{number}", "chamber": "nest"}
        alarm = "temperature-high" if warm else "temperature-low"
        words.append(
            Shelve(**common, alarm=alarm, for_ms=HOUR_MS) if shelve else Acknowledge(**common, alarm=alarm)  # type: ignore[arg-type]
        )
    check_all(shelf(heater=heater), course(points, pct, room_c), words)


def test_a_temperature_that_races_is_told_with_its_own_time_beside_the_humidity_of_now() -> None:
    """A box that warmed by 32 K in half an hour was told with the figure of the minute before, as of now (found by chance)."""
    points = [(0.0, 25.0), (0.5, 25.0), (3.5, 8.0), (4.0, 8.0), (4.5, 40.0), (5.0, 23.6), (9.0, 23.6)]
    letters = check_all(shelf(heater=False), course(points, 45.0, 8.0), [])
    assert any(letter.present[0].humidity_at_ms is not None for letter in letters)


@given(st.lists(st.integers(1, 15 * 60 * 60), min_size=1, max_size=8), st.booleans())
@settings(max_examples=5, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_a_cut_changes_no_figure_of_a_letter(cuts_s: list[int], silent: bool) -> None:
    """The figure of a letter may come from before the cut; where the probe is silent, from long before it."""
    readings = course([(0, 25.0), (1, 25.0), (4, 18.0), (9, 9.0), (12, 7.0), (15, 7.0)], 80.0, 6.0)
    if silent:
        readings = [row for row in readings if not 2 * HOUR_MS < row.at_ms - DUSK_MS < 6 * HOUR_MS]
    end_ms = readings[-1].at_ms + MINUTE_MS
    whole = advance(shelf(heater=True), None, Batch.of(readings), end_ms)
    state, events, begin_ms = None, list[Event](), 0
    for cut_ms in (*sorted(DUSK_MS + cut * 1000 for cut in set(cuts_s) if DUSK_MS + cut * 1000 < end_ms), end_ms):
        rows = [row for row in readings if begin_ms <= row.taken_ms < cut_ms]
        done = advance(shelf(heater=True), state, Batch.of(rows), cut_ms)
        state, begin_ms = load_state(dump_state(done.state)), cut_ms
        events += done.events
    assert events == whole.events
    assert dump_state(done.state) == dump_state(whole.state)
