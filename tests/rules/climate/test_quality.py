"""Which samples are believed: QARTOD-style flags on made and on measured series."""

from __future__ import annotations

import csv
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from adapters.recorded import read_recording
from rules.climate.beside import Second
from rules.climate.judging import Column, hear
from rules.climate.memory import ProbeMemory, Series
from rules.climate.quality import AGREE, FAIL, GOOD, NOT_EVALUATED, SUSPECT, TESTS, Beside, fresh_for_ms, judge
from rules.settings import Probe, Room, Settings, Site, Telling
from rules.terms.events import MINUTE_MS

DATA = Path(__file__).parents[2] / "data"


def judged(values: list[float], quantity="air_temperature", step_ms: int = MINUTE_MS, interval_ms: int = MINUTE_MS):
    at_ms = np.arange(len(values)) * step_ms
    _, result = judge(Series(), quantity, at_ms, np.array(values, float), interval_ms, None)
    return result.flag.tolist(), [TESTS[code] for code in result.test.tolist()]


def lively(at_ms: np.ndarray, said: np.ndarray, quantity="relative_humidity") -> Beside:
    """What a second probe says that moves at each reading."""
    return Beside(said, at_ms, np.full(len(at_ms), AGREE[quantity]))


def test_the_first_sample_is_never_good() -> None:
    assert judged([25.0, 25.1, 25.0])[0] == [NOT_EVALUATED, GOOD, GOOD]


def test_the_first_sample_after_a_gap_is_not_evaluated_either() -> None:
    at_ms = np.array([0, 1, 2, 10]) * MINUTE_MS
    _, result = judge(Series(), "air_temperature", at_ms, np.array([25.0, 25.0, 25.0, 25.0]), MINUTE_MS, None)
    assert result.flag.tolist() == [NOT_EVALUATED, GOOD, GOOD, NOT_EVALUATED]


def test_a_lone_spike_is_suspect_and_the_sample_after_it_good() -> None:
    flags, tests = judged([25.0, 25.0, 25.0, 31.0, 25.0, 25.0])
    assert flags == [NOT_EVALUATED, GOOD, GOOD, SUSPECT, GOOD, GOOD]
    assert tests[3] == "spike"


def test_a_real_step_is_believed_at_its_second_sample() -> None:
    assert judged([85.0, 85.0, 85.0, 55.0, 54.0, 54.0], "relative_humidity")[0] == [
        NOT_EVALUATED, GOOD, GOOD, SUSPECT, GOOD, GOOD,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "value", "test"),
    [
        ("air_temperature", -40.1, "gross-range"),
        ("air_temperature", 85.0, "sentinel"),
        ("air_temperature", -127.0, "sentinel"),
        ("relative_humidity", 104.5, "gross-range"),
        ("relative_humidity", -1.0, "gross-range"),
        ("air_temperature", float("nan"), "gross-range"),
        ("relative_humidity", float("inf"), "gross-range"),
    ],
)
def test_what_a_probe_cannot_measure_fails_and_has_no_value(quantity, value: float, test: str) -> None:
    base = 25.0 if quantity == "air_temperature" else 80.0
    at_ms = np.arange(4) * MINUTE_MS
    _, result = judge(Series(), quantity, at_ms, np.array([base, base, value, base]), MINUTE_MS, None)
    assert result.flag[2] == FAIL
    assert result.flag[3] == GOOD
    assert np.isnan(result.value[2])
    if np.isfinite(value):
        assert TESTS[result.test[2]] in (test, "gross-range")


def test_humidity_a_little_above_a_hundred_is_taken_as_a_hundred() -> None:
    """100 to 104 counts as 100: WMO CBS ET-AWS-1 Doc. 9(2) 2002."""
    settings = settings_of("one")
    column = Column(np.arange(3) * MINUTE_MS, np.arange(3) * MINUTE_MS, np.array([98.0, 98.5, 102.0]))
    _, heard = hear(settings, "one", ProbeMemory(0), {"relative_humidity": column})
    assert heard[0].judged.value.tolist() == [98.0, 98.5, 100.0]


def settings_of(*probes: str) -> Settings:
    from zoneinfo import ZoneInfo

    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"room": Room()}, chambers={}, telling=Telling(),
        probes={name: Probe(place="room", interval="1min") for name in probes},
    )  # fmt: skip


def frozen(minutes: int, temperature: np.ndarray, humidity: np.ndarray):
    at_ms = np.arange(minutes) * MINUTE_MS
    columns = {"air_temperature": Column(at_ms, at_ms, temperature), "relative_humidity": Column(at_ms, at_ms, humidity)}
    _, heard = hear(settings_of("one"), "one", ProbeMemory(0), columns)
    return {item.quantity: item.judged for item in heard}


def test_a_probe_that_says_exactly_the_same_for_hours_is_doubted_then_failed() -> None:
    moving, count = 20, 20 + 7 * 60
    temperature, humidity = np.full(count, 25.3), np.full(count, 81.2)
    temperature[:moving] -= np.arange(moving) % 2 * 0.1  # it has shown that it moves
    flags = frozen(count, temperature, humidity)["air_temperature"].flag[moving:]
    assert (flags[1:120] == GOOD).all()
    assert (flags[121:359] == SUSPECT).all()
    assert (flags[361:] == FAIL).all()


def test_a_probe_that_never_moved_is_doubted_after_two_days() -> None:
    count = 49 * 60
    flags = frozen(count, np.full(count, 25.3), np.full(count, 81.2))["air_temperature"].flag
    assert (flags[1 : 48 * 60] == GOOD).all()
    assert (flags[48 * 60 :] == SUSPECT).all()


def wet(temperature: list[float], humidity: list[float]) -> np.ndarray:
    """Return the flags of the humidity of a probe that tells both each minute."""
    return frozen(len(humidity), np.array(temperature), np.array(humidity))["relative_humidity"].flag


def test_air_that_comes_to_its_top_as_air_does_is_believed_there() -> None:
    """A night in a greenhouse or a cave: it cools, at a steady dew point, until it is full of water."""
    cooling = [16.0 - minute / 60 for minute in range(360)]
    humidity = [min(100.0, 80.0 + minute / 8) for minute in range(360)]
    assert (wet(cooling, humidity)[1:] == GOOD).all()


def test_a_probe_that_leaps_to_its_top_is_failed_after_half_an_hour() -> None:
    flags = wet([25.0 + minute % 2 / 10 for minute in range(120)], [80.0] * 60 + [100.0] * 60)
    assert (flags[62:90] == GOOD).all()
    assert (flags[90:] == FAIL).all()


def test_a_probe_that_reads_its_top_for_hours_after_the_air_has_warmed_is_failed_and_not_while_dew_dries() -> None:
    """The dew of a night keeps the morning's air full of water for two hours."""
    warming = [12.0] * 60 + [12.0 + 5.0 * min(minute, 120) / 60 for minute in range(300)]
    flags = wet(warming, [99.2 + minute % 3 / 10 for minute in range(360)])
    assert (flags[1 : 60 + 180 + 30] == GOOD).all()
    assert (flags[60 + 180 + 45 :] == FAIL).all()
    drying = [99.2 + minute % 3 / 10 for minute in range(200)] + [98.0 - 0.5 * minute for minute in range(60)]
    assert (wet(warming[:260], drying)[1:] == GOOD).all()


def test_steam_brings_heat_and_water_on_a_probe_brings_none() -> None:
    """From 24 degC and 45 %RH into a full steam room within ten minutes, and the same vapour without the heat."""
    count = 6 * 60
    steam = [max(0, min(minute - 60, 10)) / 10 for minute in range(count)]
    humidity = [min(100.0, 45.0 + 80.0 * share) for share in steam]
    noise = [minute % 3 / 10 for minute in range(count)]
    for rise_k, blamed in ((19.0, False), (1.0, True)):
        flags = wet([24.0 + rise_k * share + more for share, more in zip(steam, noise, strict=True)], humidity)
        assert bool((flags[90:] == FAIL).any()) is blamed


def test_a_temperature_that_stands_is_no_frozen_probe_while_its_humidity_moves_at_its_top() -> None:
    """In a cave: each step from 98.9 to 99.1 %RH cleared the thermometer, and the next equal reading failed it again."""
    minute = np.arange(20 * 24 * 60)
    flags = frozen(len(minute), np.full(len(minute), 11.2), 98.9 + 0.2 * (minute // 200 % 2))
    assert (flags["air_temperature"].flag[1:] == GOOD).all()
    assert (flags["relative_humidity"].flag[1:] == GOOD).all()


@pytest.mark.parametrize(
    ("air_c", "second_c", "second_pct", "flag"),
    [
        (24.0, 24.0, 82.0, FAIL),  # the same air: one of the two is wrong
        (24.0, 26.9, 84.5, GOOD),  # the same vapour in a warmer corner: 100.4 %RH at 24 degC (Buck 1981)
        (24.0, 25.0, 82.0, FAIL),  # 87 %RH at 24 degC
        (24.0, 21.1, 99.0, FAIL),  # 83 %RH at 24 degC, though both say nearly the same
        (2.0, 20.0, 40.0, GOOD),  # out of doors, beside one that hangs in the house
    ],
)
def test_a_second_probe_contradicts_by_the_vapour_of_the_same_air(air_c, second_c, second_pct, flag: int) -> None:
    at_ms = np.arange(12 * 60, dtype=np.int64) * MINUTE_MS
    wobble = at_ms // MINUTE_MS % 3 / 20
    own = {"air_temperature": Column(at_ms, at_ms, air_c + wobble), "relative_humidity": Column(at_ms, at_ms, 99.6 + wobble)}
    warm = Second(at_ms, second_c + wobble, 3 * MINUTE_MS)
    second = {"air_temperature": [warm], "relative_humidity": [Second(at_ms, second_pct + wobble, 3 * MINUTE_MS, warm)]}
    _, heard = hear(settings_of("one"), "one", ProbeMemory(0), own, second)
    humidity = next(one for one in heard if one.quantity == "relative_humidity").judged
    assert set(humidity.flag[40:]) == {flag}


def test_a_thermometer_alone_that_freezes_is_found_after_a_day_and_a_lid_too() -> None:
    at_ms = np.arange(48 * 60, dtype=np.int64) * MINUTE_MS
    for quantity in ("air_temperature", "surface_temperature"):
        values = 22.0 + np.round(2.0 * np.sin(np.arange(len(at_ms)) / 200.0), 1)
        values[600:] = values[599]
        _, heard = hear(settings_of("one"), "one", ProbeMemory(0), {quantity: Column(at_ms, at_ms, values)})
        doubted = np.flatnonzero(heard[0].judged.test == TESTS.index("flat-line"))
        assert 600 + 4 * 60 < doubted[0] < 600 + 31 * 60


def rounded_house(step_k: float, step_pct: float, every_h: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A real room (half_heated_house.csv), as a logger of this resolution and interval would have told it."""
    with (DATA / "half_heated_house.csv").open(encoding="utf-8") as file:
        rows = [(float(row["room_c"]), float(row["room_pct"])) for row in csv.DictReader(file)][::every_h]
    temperature, humidity = np.array(rows).T
    at_ms = np.arange(len(rows), dtype=np.int64) * every_h * 3_600_000
    return at_ms, np.round(temperature / step_k) * step_k, np.round(humidity / step_pct) * step_pct


@pytest.mark.parametrize(("step_k", "step_pct"), [(0.01, 0.1), (0.1, 0.1), (0.1, 1.0), (0.5, 1.0), (1.0, 1.0), (1.0, 5.0)])
def test_a_healthy_probe_of_any_resolution_is_blamed_less_than_once_in_five_months(step_k: float, step_pct: float) -> None:
    """Real air of five winter months, hourly; thinned and rounded here, not by the rules."""
    at_ms, temperature, humidity = rounded_house(step_k, step_pct, 1)
    columns = {"air_temperature": Column(at_ms, at_ms, temperature), "relative_humidity": Column(at_ms, at_ms, humidity)}
    _, heard = hear(hourly_settings(), "one", ProbeMemory(0), columns)
    for item in heard:
        doubted = item.judged.flag >= SUSPECT
        assert np.count_nonzero(np.diff(doubted.astype(int), prepend=0) == 1) <= 1


@pytest.mark.parametrize(("step_k", "step_pct", "within_h"), [(0.1, 0.1, 13), (0.1, 1.0, 30), (1.0, 1.0, 54)])
def test_a_probe_that_freezes_is_found_within_hours_of_its_resolution(step_k: float, step_pct: float, within_h: int) -> None:
    at_ms, temperature, humidity = rounded_house(step_k, step_pct, 1)
    temperature[1000:], humidity[1000:] = temperature[999], humidity[999]
    columns = {"air_temperature": Column(at_ms, at_ms, temperature), "relative_humidity": Column(at_ms, at_ms, humidity)}
    _, heard = hear(hourly_settings(), "one", ProbeMemory(0), columns)
    found = np.flatnonzero((heard[0].judged.test == TESTS.index("flat-line")) & (at_ms > at_ms[1000]))
    assert 1000 <= found[0] <= 1000 + within_h


def hourly_settings() -> Settings:
    settings = settings_of("one")
    return settings.model_copy(update={"probes": {"one": Probe(place="room", interval="1h")}})


def test_a_frost_that_comes_step_by_step_is_believed_and_a_jump_into_it_is_not() -> None:
    flags, tests = judged([8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0, -1.0])
    assert set(flags[1:]) == {GOOD}
    flags, tests = judged([25.0, 25.0, *[-9.0] * 30])
    assert set(flags[3:]) == {SUSPECT}
    assert set(tests[3:]) == {"domain"}


def test_a_probe_that_begins_in_the_cold_is_believed_when_it_has_wandered_there_for_an_hour() -> None:
    flags, _ = judged([2.0 + n % 3 / 10 for n in range(70)])
    assert set(flags[1:60]) == {SUSPECT}
    assert set(flags[61:]) == {GOOD}


def test_a_probe_that_dries_down_to_the_bottom_of_its_scale_is_believed_there_and_one_that_drops_to_it_never() -> None:
    """Silica gel takes a box from 45 to 0 %RH within the hour; an open input drops there at once and hums."""
    dried = [max(45.0 - minute, 0.0) for minute in range(60)] + [0.0] * 600
    assert set(judged(dried, "relative_humidity")[0][1:]) == {GOOD}
    in_steps = [5.0 * round(value / 5.0) for value in dried]
    assert set(judged(in_steps, "relative_humidity")[0][1:]) == {GOOD}
    dropped = [80.0] * 10 + [minute % 4 / 10 for minute in range(600)]
    flags, tests = judged(dropped, "relative_humidity")
    assert (set(flags[11:]), set(tests[11:])) == ({SUSPECT}, {"domain"})


@pytest.mark.parametrize("gap_h", [1, 9])
def test_a_probe_that_comes_back_into_a_frost_is_not_blamed_for_what_nobody_saw(gap_h: int) -> None:
    """Within the gap the air may have gone anywhere; a probe that stands there all the same is blamed after six hours."""
    at_ms = np.concatenate((np.arange(60), 60 + 60 * gap_h + np.arange(480))) * MINUTE_MS
    for moves_k in (0.1, 0.0):
        values = np.concatenate((np.full(60, 21.0), -3.0 + moves_k * (np.arange(480) % 3)))
        _, told = judge(Series(), "air_temperature", at_ms, values, MINUTE_MS, None)
        assert {TESTS[one] for one in told.test[60:120]} == {"begins-extreme"}
        assert {TESTS[one] for one in told.test[60 + 360 :]} == {"" if moves_k else "domain"}


def test_what_a_second_probe_says_too_is_believed_at_once() -> None:
    at_ms = np.arange(90) * MINUTE_MS
    for quantity, extreme in (("air_temperature", 1.0), ("relative_humidity", 11.0), ("relative_humidity", 99.8)):
        values = np.full(90, extreme)
        _, alone = judge(Series(), quantity, at_ms, values, MINUTE_MS, None)
        _, agreed = judge(Series(), quantity, at_ms, values, MINUTE_MS, None, lively(at_ms, values - 1.0, quantity))
        assert (alone.flag[40:] >= SUSPECT).all()
        assert (agreed.flag[1:] == GOOD).all()


@pytest.mark.parametrize("near_c", [3.0, 5.0])
def test_of_several_other_probes_the_nearest_bears_an_extreme_out_in_whatever_order_they_are_named(near_c: float) -> None:
    """One that reads far above, one far below and one that is silent say nothing against it; 1.5 K apart is as one."""
    at_ms = np.arange(5) * MINUTE_MS
    own = {"air_temperature": Column(at_ms, at_ms, np.array([25.0, 4.0, 4.0, 4.0, 4.0]))}
    agreeing, silent = [Second(at_ms, np.full(5, one), 3 * MINUTE_MS) for one in (near_c, np.nan)]
    others = [Second(at_ms, np.full(5, one), 3 * MINUTE_MS) for one in (25.0, -15.0)]
    late = Second(at_ms[:1] - MINUTE_MS, np.array([near_c]), 3 * MINUTE_MS)  # its word holds for three minutes, no longer
    for near, found in ((agreeing, ["", "", ""]), (late, ["", "domain", "domain"])):
        for seconds in permutations([near, silent, *others]):
            _, (heard,) = hear(settings_of("one"), "one", ProbeMemory(0), own, {"air_temperature": seconds})
            assert [TESTS[one] for one in heard.judged.test[2:]] == found


def test_a_spike_is_seen_in_hourly_samples_too() -> None:
    flags, tests = judged([25.0, 25.2, 25.1, 44.0, 25.3, 25.2], step_ms=60 * MINUTE_MS, interval_ms=60 * MINUTE_MS)
    assert (flags[3], tests[3], flags[4]) == (SUSPECT, "spike", GOOD)


def test_one_wandering_quantity_proves_that_the_probe_lives() -> None:
    count = 9 * 60
    told = frozen(count, np.full(count, 25.3), 80.0 + np.arange(count) % 2 * 0.1)
    assert (told["air_temperature"].flag[1:] == GOOD).all()


def test_a_probe_at_its_top_for_half_an_hour_is_saturated_and_soaked_for_a_while_after() -> None:
    values = [95.0] * 5 + [99.5, 100.0] * 30 + [98.5] * 30 + [90.0] * 30
    flags, tests = judged(values, "relative_humidity")
    assert tests[5:35].count("saturated") == 0
    assert set(tests[36:65]) == {"saturated"}
    assert set(tests[65:95]) == {"wetted"}
    assert flags[-1] == GOOD


def test_wet_air_that_comes_and_goes_is_not_called_saturated() -> None:
    values = [97.0 + 2.2 * np.sin(minute / 7.0) for minute in range(300)]
    assert "saturated" not in judged(values, "relative_humidity")[1]


@pytest.mark.parametrize(("hours", "blamed"), [(2, True), (10, True), (40, False)])
def test_a_second_probe_that_leaves_the_top_slowly_contradicts_nothing(hours: int, blamed: bool) -> None:
    """Wet air dries within hours; a probe that takes days from 97 to 94 %RH may be the one that is wrong."""
    count = 60 * (48 + hours + 24)
    at_ms, top = np.arange(count) * MINUTE_MS, 99.5 + np.arange(count) % 2 * 0.3
    second = np.clip(98.0 - (np.arange(count) - 48 * 60) * 8.0 / (60 * hours), 90.0, 98.0)
    _, told = judge(Series(), "relative_humidity", at_ms, top, MINUTE_MS, None, lively(at_ms, second))
    assert ("saturated" in {TESTS[one] for one in told.test}) is blamed
    assert told.flag[-1] == (FAIL if blamed else GOOD)


def test_a_second_probe_that_never_was_near_the_top_contradicts_at_once() -> None:
    at_ms = np.arange(90) * MINUTE_MS
    _, told = judge(Series(), "relative_humidity", at_ms, np.full(90, 100.0), MINUTE_MS, None, lively(at_ms, np.full(90, 85.0)))
    assert (told.flag[30:] == FAIL).all()


def test_two_that_parted_slowly_are_judged_anew_when_they_have_met_or_come_down() -> None:
    hours = np.arange(200)
    for between in (np.array([98.0, 98.0]), np.array([90.0, 90.0])):
        first = np.concatenate((np.full(200, 99.5), between, np.full(10, 99.5)))
        second = np.concatenate((98.0 - hours * 0.04, between, np.full(10, 85.0)))
        at_ms = np.arange(len(first)) * 60 * MINUTE_MS
        _, told = judge(Series(), "relative_humidity", at_ms, first, 60 * MINUTE_MS, None, lively(at_ms, second))
        assert "saturated" not in {TESTS[one] for one in told.test[:200]}
        assert told.flag[-1] == FAIL


def loose(jumps: set[int], count: int = 60) -> list[float]:
    return [25.0 + 0.01 * (index % 3) + (9.0 if index in jumps else 0.0) for index in range(count)]


def test_a_probe_that_jumps_five_times_in_24_readings_is_not_believed_until_it_has_been_quiet_for_as_long() -> None:
    flags, tests = judged(loose({10, 14, 18, 22, 26}))
    assert tests[25] == "" and flags[25] == GOOD
    assert set(tests[26 : 22 + 24]) == {"erratic"} and set(flags[26 : 22 + 24]) == {SUSPECT}
    assert set(flags[22 + 24 :]) == {GOOD}


@pytest.mark.parametrize("jumps", [{10, 14, 18, 22}, {10, 16, 22, 28, 34}, set(range(10, 60))])
def test_few_jumps_or_rare_ones_or_one_that_lasts_are_no_loose_contact(jumps: set[int]) -> None:
    assert "erratic" not in judged(loose(jumps))[1]


@pytest.mark.parametrize("interval_min", [1, 5, 60])
def test_a_probe_that_goes_back_and_forth_further_than_air_wanders_is_not_believed(interval_min: int) -> None:
    """Noise of 6 K (a dying probe) between samples; air of the same size that goes one way is believed."""
    count, draw = 200, np.random.default_rng(2)
    at_ms = np.arange(count) * interval_min * MINUTE_MS
    size = 6.0 * max(1.0, (2 * interval_min / 10.0) ** 0.5)
    noise = 26.0 + draw.normal(0.0, size, count)
    wave = 26.0 + size * np.sin(np.arange(count) / 12.0)
    for values, least, most in ((noise, 0.8, 1.0), (wave, 0.0, 0.0)):
        _, told = judge(Series(), "air_temperature", at_ms, values, interval_min * MINUTE_MS, None)
        assert least <= np.mean(told.test[60:] == TESTS.index("erratic")) <= most


@pytest.mark.parametrize("cut", [1, 3, 50])
def test_what_races_on_for_longer_than_two_minutes_is_the_air(cut: int) -> None:
    """Sun behind a cloud's edge: a greenhouse's probe gains 15 K in ten minutes."""
    values = np.concatenate((np.full(5, 20.0), 20.0 + 1.5 * np.arange(1, 11), np.full(5, 35.0)))
    at_ms, memory, tests = np.arange(20) * MINUTE_MS, Series(), []
    for begin in range(0, 20, cut):
        part = slice(begin, begin + cut)
        memory, told = judge(memory, "air_temperature", at_ms[part], values[part], MINUTE_MS, None)
        tests += [TESTS[one] for one in told.test]
    assert tests == ["first", *[""] * 5, "rate", "rate", *[""] * 12]


def test_jumps_are_counted_over_any_cut() -> None:
    values = np.array(loose({3, 9, 14, 15, 18, 22, 26, 27, 50, 53, 57, 60, 61, 63, 90, 99}, 120))
    at_ms = np.arange(120) * MINUTE_MS
    _, whole = judge(Series(), "air_temperature", at_ms, values, MINUTE_MS, None)
    for step in (1, 7, 25):
        memory, tests = Series(), []
        for begin in range(0, 120, step):
            part = slice(begin, begin + step)
            memory, told = judge(memory, "air_temperature", at_ms[part], values[part], MINUTE_MS, None)
            tests += told.test.tolist()
        assert tests == whole.test.tolist()


def test_readings_that_are_older_than_the_last_one_are_left_out() -> None:
    column = Column(np.array([1, 2, 3, 4]) * MINUTE_MS, np.array([1, 2, 2, 1]) * MINUTE_MS, np.array([25.0, 25.1, 99.0, 99.0]))
    _, heard = hear(settings_of("one"), "one", ProbeMemory(0), {"air_temperature": column})
    assert heard[0].judged.value.tolist() == [25.0, 25.1]


# ---------------------------------------------------------------- measured series (sources: tests/data/SOURCES.md)


def flags_of(file: str, interval_ms: int) -> dict[tuple[str, str], np.ndarray]:
    recording = read_recording(DATA / file)
    batch = recording.batch
    result = {}
    for number, (probe, quantity) in enumerate(batch.series):
        where = batch.series_index == number
        _, judged_ = judge(Series(), quantity, batch.at_ms[where], batch.value[where], interval_ms, None)
        result[probe, quantity] = judged_.flag
    return result


def test_three_quiet_hours_of_two_real_probes_are_good_but_for_the_first_sample() -> None:
    for flags in flags_of("indoor_two_probe.csv", 10_000).values():
        assert flags[0] == NOT_EVALUATED
        assert np.count_nonzero(flags[1:] != GOOD) <= 2


def test_real_steam_in_a_room_is_believed_in_its_shape() -> None:
    """Hot-water steam raises humidity and temperature within minutes: real, so at most its edges may be doubted."""
    flags = flags_of("suthaharan_steam.csv", 5_000)
    for (_, quantity), flag in flags.items():
        share = np.count_nonzero(flag != GOOD) / len(flag)
        assert share < 0.03, quantity


def test_flags_are_the_same_however_the_series_is_cut() -> None:
    batch = read_recording(DATA / "suthaharan_steam.csv").batch
    where = batch.series_index == 0
    at_ms, raw = batch.at_ms[where], batch.value[where]
    quantity = batch.series[0][1]
    memory, flags = Series(), []
    for begin in range(0, len(raw), 37):
        part = slice(begin, begin + 37)
        memory, told = judge(memory, quantity, at_ms[part], raw[part], 5_000, None)
        flags += told.flag.tolist()
    _, whole = judge(Series(), quantity, at_ms, raw, 5_000, None)
    assert flags == whole.flag.tolist()


# ---------------------------------------------------------------- each threshold at its own height


@pytest.mark.parametrize(
    ("interval_ms", "fresh_ms"), [(1_000, 120_000), (30_000, 120_000), (60_000, 180_000), (600_000, 1_800_000)]
)
def test_a_reading_stands_for_three_intervals_but_two_minutes_at_least(interval_ms: int, fresh_ms: int) -> None:
    assert fresh_for_ms(interval_ms) == fresh_ms


@pytest.mark.parametrize(
    ("quantity", "base", "limit"),
    [("air_temperature", 25.0, 3.0), ("relative_humidity", 70.0, 10.0), ("surface_temperature", 22.0, 5.0)],
)
def test_a_jump_is_a_spike_just_above_its_limit_up_and_down(quantity, base: float, limit: float) -> None:
    for sign in (1.0, -1.0):
        assert judged([base, base, base + sign * (limit - 0.01)], quantity)[0][-1] == GOOD
        flags, tests = judged([base, base, base + sign * (limit + 0.01)], quantity)
        assert (flags[-1], tests[-1]) == (SUSPECT, "spike")


def test_a_longer_step_of_time_allows_a_larger_change() -> None:
    at_ms = np.array([0, 1, 3]) * MINUTE_MS
    _, result = judge(Series(), "air_temperature", at_ms, np.array([25.0, 25.0, 30.5]), MINUTE_MS, None)
    assert result.flag[-1] == GOOD  # 5.5 K in two minutes, of which 6 K are allowed


@pytest.mark.parametrize(
    ("quantity", "base", "step"),
    [("air_temperature", 20.0, 1.05), ("relative_humidity", 30.0, 10.0), ("surface_temperature", 20.0, 3.05)],
)
def test_two_fast_steps_the_same_way_race_and_back_and_forth_do_not(quantity, base: float, step: float) -> None:
    fast = step if quantity != "relative_humidity" else 9.99
    racing = judged([base, base + step, base + 2 * step], quantity)
    to_and_fro = judged([base, base + fast, base], quantity)
    expected = (SUSPECT, "rate") if quantity != "relative_humidity" else (GOOD, "")
    assert (racing[0][-1], racing[1][-1]) == expected
    assert to_and_fro[0][-1] == GOOD


@pytest.mark.parametrize("value", [85.0, -127.0, -45.0])
def test_what_a_thermometer_says_when_it_has_nothing_to_say_is_failed(value: float) -> None:
    flags, tests = judged([25.0, 25.0, value])
    assert flags[-1] == FAIL
    assert tests[-1] in ("sentinel", "gross-range")


@pytest.mark.parametrize("value", [84.9, -39.9])
def test_near_an_error_value_there_are_values(value: float) -> None:
    _, tests = judged([value, value, value], "surface_temperature" if value > 60 else "air_temperature")
    assert "sentinel" not in tests


@pytest.mark.parametrize(("value", "flag"), [(4.9, SUSPECT), (5.1, GOOD), (44.9, GOOD), (45.1, SUSPECT)])
def test_what_no_fungus_shelf_is_like_is_suspect(value: float, flag: int) -> None:
    assert judged([value, value, value])[0][-1] == flag


def test_a_soaked_probe_is_believed_ten_minutes_after_it_came_down() -> None:
    values = [99.5, 100.0] * 20 + [96.5] * 15
    _, tests = judged(values, "relative_humidity")
    assert tests[40:50] == ["wetted"] * 10
    assert tests[50:] == [""] * 5


def test_a_soaked_probe_whose_top_flickers_is_not_believed_until_it_is_dry() -> None:
    """Water on a probe that reads 98.4 to 99.8 %RH was believed by turns for three days, and the granules were taken out of a
    box that came to 45 %RH (foreign simulation)."""
    flicker = [98.4 + 1.4 * (minute * 7 % 11) / 10 for minute in range(8 * 60)]
    flags = wet([25.0 + minute % 40 / 20 for minute in range(11 * 60)], [80.0 + minute % 3 for minute in range(60)] + flicker
        + [max(80.0, 98.0 - minute / 5) for minute in range(120)])
    assert (flags[100 : 9 * 60] != GOOD).all()
    assert (flags[-60:] == GOOD).all()


def test_a_soaked_probe_that_stays_high_is_believed_after_three_hours() -> None:
    values = [99.5, 100.0] * 20 + [98.0, 98.2] * 100
    _, tests = judged(values, "relative_humidity")
    assert tests.index("", 40) == 39 + 180


def test_memory_counts_samples_and_those_that_were_not_good() -> None:
    memory, _ = judge(
        Series(), "air_temperature", np.arange(6) * MINUTE_MS, np.array([25.0, 25.0, 85.0, 25.0, 31.0, 25.0]), MINUTE_MS, None
    )
    assert (memory.samples, memory.not_good) == (6, 2)
    assert (memory.flag, memory.test) == (GOOD, "")


@pytest.mark.parametrize(("second", "step_min"), [(None, 1), (25.9, 1), (25.9, 60)], ids=["alone", "twin", "hourly twin"])
def test_two_channels_that_were_swapped_are_never_believed_however_they_move(second: float | None, step_min: int) -> None:
    """The humidity that a thermometer's input said, 78, was believed after an hour because it moved, beside a sound probe at
    25.9 degC: "Unplug the heater now"."""
    values = np.array([25.9 + 0.02 * (index % 5) for index in range(90)] + [78.0 + 0.1 * (index % 7) for index in range(600)])
    at_ms = np.arange(len(values), dtype=np.int64) * step_min * MINUTE_MS
    twin = None if second is None else lively(at_ms, np.full(len(values), second), "air_temperature")
    _, told = judge(Series(), "air_temperature", at_ms, values, step_min * MINUTE_MS, None, twin)
    assert (told.flag[90:] >= SUSPECT).all() and (told.flag[2:90] < SUSPECT).all()
    back = np.concatenate((values, [25.9] * 60))  # the plugs are put right
    at_ms = np.arange(len(back), dtype=np.int64) * step_min * MINUTE_MS
    twin = None if second is None else lively(at_ms, np.full(len(back), second), "air_temperature")
    _, told = judge(Series(), "air_temperature", at_ms, back, step_min * MINUTE_MS, None, twin)
    assert (told.flag[-30:] < SUSPECT).all()


def test_a_probe_that_is_carried_into_the_frost_is_believed_there() -> None:
    """By minutes with the lag of a probe in still air, by the hour at one go."""
    minutes = np.arange(240)
    slowly = np.where(minutes < 60, 22.0, -8.0 + 30.0 * np.exp(-(minutes - 60) / 12.0)) + 0.05 * (minutes % 3)
    _, told = judge(Series(), "air_temperature", minutes * MINUTE_MS, slowly, MINUTE_MS, None)
    assert (told.flag[-60:] < SUSPECT).all()
    hourly = np.array([22.0, 22.1, 22.0, -8.0, -8.2, -8.1, -8.4, -8.3])
    _, told = judge(Series(), "air_temperature", np.arange(8) * 60 * MINUTE_MS, hourly, 60 * MINUTE_MS, None)
    assert (told.flag[-2:] < SUSPECT).all()
