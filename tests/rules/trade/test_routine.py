from __future__ import annotations

import pytest
from pydantic import TypeAdapter, ValidationError

from rules.terms.events import DAY_MS, HOUR_MS
from rules.trade.routine import CLASSES, PRACTICE, TASKS, CarePlan, CareTask, interval_ms

CARE = TypeAdapter(CarePlan)


def days(task: str, size: str, month: int = 5, colonies: int = 1, care: dict[str, CareTask] | None = None) -> float | None:
    every_ms = interval_ms(care or {}, task, size, month, colonies)
    return None if every_ms is None else every_ms / DAY_MS


# Expected values: leaves daily and waste weekly for a growing colony, Nogueira et al. 2022, J. Vis. Exp. 186; the others
# common practice, no source.
@pytest.mark.parametrize(
    ("task", "expected"),
    [
        ("leaves", (1, 1, 1, 0.5, 1 / 3)),
        ("water", (1, 1, 1, 1, 1)),
        ("sugar-water", (None, None, 7, 7, 7)),
        ("waste", (14, 14, 7, 3, 2)),
        ("barrier-check", (7, 7, 7, 3, 3)),
        ("humidity-check", (90, 90, 90, 90, 90)),
        ("arena", (None, 14, 7, 7, 3)),
    ],
)
def test_default_intervals_follow_the_size_class(task: str, expected: tuple[float | None, ...]) -> None:
    assert [days(task, size) for size in CLASSES] == pytest.approx(expected)


def test_every_default_names_its_source_or_says_that_there_is_none() -> None:
    for name, facts in TASKS.items():
        assert PRACTICE in facts.source, name
        assert len(facts.every_d) == len(CLASSES), name


def test_no_larger_garden_is_fed_less_often_than_a_smaller_one() -> None:
    fed = [days("leaves", size) or 0 for size in CLASSES]
    assert fed == sorted(fed, reverse=True)


def test_no_task_of_the_routine_ever_wakes_anybody() -> None:
    late = [step for facts in TASKS.values() for step in (facts.overdue, facts.harmful) if step is not None]
    assert "wake" not in {priority for step in late for priority in (step.young, step.grown)}


def test_clay_is_wetted_oftener_in_the_heating_season_and_whole_days_stay_whole() -> None:
    assert days("rewet", "C", month=7) == 7
    assert days("rewet", "C", month=1) == 5  # 7 * 0.7 = 4.9


def test_the_site_is_tested_oftener_when_more_colonies_hang_on_it() -> None:
    assert [days("alarm-test", "C", colonies=count) for count in (1, 4, 5, 9, 10, 40)] == [30, 30, 22, 22, 15, 15]
    assert days("water", "C", colonies=40) == 1


def test_the_keeper_changes_one_interval_and_the_rest_stays() -> None:
    care = CARE.validate_python({"waste": {"interval": "10d"}, "leaves": {"by_class": {"A": "2d"}}, "arena": {"off": True}})
    assert [days("waste", size, care=care) for size in "AE"] == [10, 10]
    assert [days("leaves", size, care=care) for size in "AB"] == [2, 1]
    assert days("arena", "C", care=care) is None
    assert days("tubes", "C", care=care) == 7


def test_the_southern_keeper_moves_the_season() -> None:
    care = CARE.validate_python({"rewet": {"season_months": [5, 6, 7], "season_factor": 0.5}})
    assert days("rewet", "D", month=6, care=care) == 4  # 3.5 rounds to whole days
    assert days("rewet", "D", month=12, care=care) == 7


@pytest.mark.parametrize(
    ("table", "where", "said"),
    [
        ({"leavs": {}}, (), "allowed: leaves, water"),
        ({"leaves": {"interval": "soon"}}, ("leaves", "interval"), "a duration is a number with its unit"),
        ({"leaves": {"interval": "5min"}}, ("leaves", "interval"), "greater than or equal"),
        ({"leaves": {"at": "02:30"}}, ("leaves",), "04:00"),
        ({"leaves": {"by_class": {"A": "1min"}}}, ("leaves",), "shortest interval"),
        ({"leaves": {"by_class": {"F": "1d"}}}, ("leaves", "by_class", "F", "[key]"), "'A', 'B', 'C', 'D' or 'E'"),
        ({"leaves": {"season_months": [13]}}, ("leaves", "season_months", 0), "less than or equal to 12"),
        ({"leaves": {"often": True}}, ("leaves", "often"), "not permitted"),
    ],
)
def test_a_wrong_care_table_says_where_and_what_is_allowed(table: object, where: tuple[object, ...], said: str) -> None:
    with pytest.raises(ValidationError) as raised:
        CARE.validate_python(table)
    first = raised.value.errors()[0]
    assert first["loc"] == where
    assert said in first["msg"]


def test_intervals_below_a_day_count_in_hours() -> None:
    assert interval_ms({}, "leaves", "E", 5, 1) == 8 * HOUR_MS
