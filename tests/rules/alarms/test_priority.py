"""Priority is consequence x time left x garden, and agrees with the trade's own list of what wakes a keeper."""

from __future__ import annotations

import pytest

from rules.alarms.priority import priority_of
from rules.terms.condition_changes import Harm
from rules.terms.events import Level
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import CLASSES
from rules.trade.urgency import BANDS_H, GRID, HOUR_S, PRIORITIES, rank

# Common practice, no source: what the trade wakes for (P1), tells at once by day (P2), in the morning (P3), in the digest (P4).
TRADE = [
    ("heat critical, 32 and more", "temperature-high", "harmful", "B", {"value": 32.5}, "wake"),
    ("heat critical, grown garden", "temperature-high", "harmful", "D", {"value": 32.0}, "wake"),
    ("heat warning, 28 to 30", "temperature-high", "outside", "B", {"value": 28.6}, "today"),
    ("heat warning, rising to harm within the hour", "temperature-high", "outside", "B", {"seconds_left": 2000.0}, "wake"),
    ("heater runaway", "heater-runaway", "outside", "D", {}, "wake"),
    ("cold critical, below 12", "temperature-low", "harmful", "D", {"value": 11.5}, "wake"),
    ("stagnation, young", "temperature-low", "harmful", "A", {"value": 18.0}, "today"),
    ("stagnation, grown", "temperature-low", "harmful", "D", {"value": 18.0}, "morning"),
    ("a little cool", "temperature-low", "outside", "B", {"value": 23.5}, "digest"),
    ("heater failed, room 15 to 20", "heater-failed", "outside", "B", {}, "today"),
    ("heater failed, cold room", "heater-failed", "harmful", "D", {}, "wake"),
    ("dry critical, young", "humidity-low", "harmful", "B", {"value": 45.0}, "wake"),
    ("dry critical, founding", "humidity-low", "harmful", "A", {"value": 55.0}, "wake"),
    ("dry urgent, young", "humidity-low", "harmful", "B", {"value": 55.0}, "today"),
    ("dry urgent, grown", "humidity-low", "harmful", "D", {"value": 45.0}, "today"),
    ("dry, young", "humidity-low", "outside", "B", {"value": 65.0}, "today"),
    ("dry, large", "humidity-low", "outside", "D", {"value": 65.0}, "morning"),
    ("lid open", "lid-open", "outside", "D", {}, "wake"),
    ("drip predicted", "lid-dew", "harmful", "B", {}, "today"),
    ("drip tonight", "lid-drip-tonight", "outside", "B", {}, "today"),
    ("humid with a wet lid", "humidity-high", "outside", "B", {}, "morning"),
    ("one probe silent, twin alive", "probe-stale", "outside", "B", {}, "morning"),
    ("all probes lost", "blind", "outside", "B", {}, "today"),
    ("broker dead", "medium-down", "outside", "B", {}, "today"),
    ("mister stuck", "mister-stuck", "outside", "B", {}, "today"),
    ("salt check due", "probe-calibration", "outside", "B", {}, "digest"),
]


@pytest.mark.parametrize(
    ("alarm", "level", "size", "known", "expected"), [row[1:] for row in TRADE], ids=[row[0] for row in TRADE]
)
def test_the_trades_own_list(alarm: str, level: str, size: str, known: dict[str, float], expected: str) -> None:
    assert priority_of(alarm, level, size=size, **known).priority == expected


def test_the_inputs_are_shown() -> None:
    judged = priority_of("humidity-low", "harmful", size="A", value=55.0)
    assert (judged.consequence, judged.seconds_left) == ("severe", HOUR_S)
    assert judged.text == "severe if ignored, about 60 min left, garden class A"
    assert priority_of("lid-open", "outside", size="D").text == "severe if ignored, about 3 h left, garden class D"


@pytest.mark.parametrize("alarm", ALARMS)
@pytest.mark.parametrize("level", ["outside", "harmful"])
@pytest.mark.parametrize("size", CLASSES)
def test_less_time_a_smaller_garden_and_a_higher_level_never_make_it_less_urgent(alarm: str, level: str, size: str) -> None:
    def urgency(**known: float | str) -> int:
        return rank(priority_of(alarm, **({"level": level, "size": size} | known)).priority)

    times = [urgency(seconds_left=hours * 3600.0) for hours in (0.0, 0.9, 1.1, 3.9, 4.1, 23.0, 25.0, 1e6)]
    assert times == sorted(times, reverse=True)
    assert times[-1] == urgency()  # an estimate only shortens what a garden bears
    sizes = [urgency(size=one) for one in CLASSES]
    assert sizes == sorted(sizes, reverse=True)
    assert urgency(level="harmful") >= urgency(level="outside")


def test_doubt_lowers_by_one_step_but_never_below_the_digest_and_never_severe_harm() -> None:
    assert priority_of("temperature-high", "outside", size="B", uncertain=True).priority == "morning"
    assert priority_of("temperature-low", "outside", size="B", uncertain=True).priority == "digest"
    assert priority_of("temperature-high", "harmful", size="B", uncertain=True).priority == "wake"


@pytest.mark.parametrize(
    ("level", "uncertain", "expected"), [
        ("harmful", False, "today"), ("outside", False, "digest"), ("harmful", True, "digest"),
    ],
)  # fmt: skip
def test_what_does_harm_is_told_by_day_however_long_a_garden_bears_it(level: Level, uncertain: bool, expected: str) -> None:
    """Common practice, no source; where the probes disagree it may be no harm at all."""
    bears_it = Harm("cold", 0.02, None, None, "minor", acute=False, going_away=False)
    assert priority_of("temperature-low", level, size="B", uncertain=uncertain, harm=bears_it).priority == expected


def test_a_forecast_upwards_is_worth_more_than_one_downwards() -> None:
    up = priority_of("temperature-leaving", "outside", size="B", value=27.0, limit=28.0, seconds_left=7200.0)
    down = priority_of("temperature-leaving", "outside", size="B", value=25.0, limit=24.0, seconds_left=7200.0)
    assert (up.priority, down.priority) == ("today", "morning")


@pytest.mark.parametrize(
    ("seconds", "column"), [(0, 0), (3599, 0), (3600, 1), (4 * 3600 - 1, 1), (4 * 3600, 2), (24 * 3600, 2), (24 * 3600 + 1, 3)]
)
def test_the_grid_is_read_at_its_borders(seconds: int, column: int) -> None:
    judged = priority_of("probe-calibration", "outside", size="B", seconds_left=float(seconds))
    assert judged.priority == GRID["minor"][column]


def test_the_tables_are_in_order() -> None:
    assert list(BANDS_H) == sorted(BANDS_H)
    for row in GRID.values():
        assert [rank(one) for one in row] == sorted((rank(one) for one in row), reverse=True)
    assert set(PRIORITIES) == {one for row in GRID.values() for one in row}
    assert all(list(row.hours) == sorted(row.hours) for kind in ALARMS.values() for row in kind.bears)


def test_only_a_temperature_that_rises_out_of_its_band_is_serious_before_it_has_left_it() -> None:
    """Heat is sudden; cold, and a humidity that rises, are slow. Before an alarm as after it in the alphabet."""
    told = {
        (name, value): priority_of(name, "outside", size="C", value=value, limit=limit).consequence
        for name, value, limit in (
            ("temperature-leaving", 27.0, 28.0), ("temperature-leaving", 28.0, 28.0), ("temperature-leaving", 25.0, 24.0),
            ("humidity-leaving", 85.0, 90.0), ("temperature-swings", 25.0, 28.0),
        )
    }  # fmt: skip
    assert [name for name, consequence in told.items() if consequence == "serious"] == [
        ("temperature-leaving", 27.0), ("temperature-leaving", 28.0),
    ]
