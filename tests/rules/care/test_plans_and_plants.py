"""Plans to print and plants by the month: right order, right season, right amount, a source beside each row."""

from __future__ import annotations

import re
from typing import get_args

import pytest

from daemon.commands import COMMANDS
from rules.advice.boxes import marks_ahead
from rules.care.plans import Box, Mark, Plan, in_order, plan_told
from rules.care.plants import Fed, plants_told
from rules.terms.local_time import northern_month
from rules.trade.plants import POISONOUS, REFUSED, SUITS, WINTER_STOCK, leaf_g_per_day, leaf_words
from rules.trade.routine import HEATING, TASKS, CareTask, season_factor

SMALL = Box("Small", 15.0, 25.5, (Mark(15.0, 1.6, 1.1, 2.4), Mark(10.0, 4.0, 2.7, 6.0)))
BIG = Box("Big", 1500.0, 25.5, (Mark(15.0, 2.7, 1.8, 4.0),))
WARM = Box("Warm", 400.0, 25.5, ())


@pytest.mark.parametrize(("now_c", "room_c"), [(25.5, 5.0), (24.0, 12.0), (14.0, -2.0), (25.0, 18.0)])
def test_the_marks_are_those_of_newtons_law_of_cooling_step_by_step(now_c: float, room_c: float) -> None:
    found, step = dict(marks_ahead(now_c, room_c)), 1e-4  # stepped by hand: no closed form
    t, taus, seen = now_c, 0.0, {}
    while t > room_c + 0.05 and taus < 12.0:
        after = t - (t - room_c) * step
        seen |= {mark: taus for mark in (15.0, 10.0) if after <= mark < t}
        t, taus = after, taus + step
    assert found.keys() == seen.keys()
    assert all(found[mark] == pytest.approx(seen[mark], abs=2e-3) for mark in seen)


def test_the_box_that_is_cold_first_comes_first_and_the_smaller_of_two_equals() -> None:
    assert [box.title for box in in_order([WARM, BIG, SMALL], 5.0)] == ["Small", "Big", "Warm"]
    equal = [Box("a", 900.0, 25.0, BIG.marks), Box("b", 40.0, 25.0, BIG.marks)]
    assert [box.title for box in in_order(equal, 5.0)] == ["b", "a"]


def test_a_box_that_is_past_a_mark_comes_before_those_on_the_way_to_it_and_the_coldest_first() -> None:
    past = Mark(15.0, 0.0, 0.0, 0.0)
    tiny, small = Box("Tiny", 3.0, 8.6, (past, Mark(10.0, 0.0, 0.0, 0.0))), Box("Lid", 30.0, 11.4, (past, SMALL.marks[1]))
    assert [box.title for box in in_order([WARM, BIG, small, SMALL, tiny], 5.0)] == ["Tiny", "Lid", "Small", "Big", "Warm"]
    text = plan_told("power-cut", [BIG, small, tiny], 8.0, 14.0)
    assert "1. Tiny: below 10 °C already, at 8.6 °C; it ends near 8 °C" in text
    assert "2. Lid: below 15 °C already, at 11.4 °C; it is at 10 °C after 4.0 h" in text
    assert "--room 8" not in text and "--room 8" in plan_told("power-cut", [BIG], 18.0, 14.0)


def test_a_box_that_is_hot_yet_does_not_come_before_one_that_is_cold_within_minutes() -> None:
    hot = Box("Hot", 400.0, 33.0, (Mark(30.0, 0.0, 0.0, 0.0), Mark(32.0, 0.0, 0.0, 0.0), Mark(15.0, 3.1, 2.1, 4.6)))
    soon = Box("Soon", 400.0, 15.3, (Mark(15.0, 0.1, 0.07, 0.15), Mark(10.0, 3.0, 2.0, 4.5)))
    assert [box.title for box in in_order([hot, soon], 8.0)] == ["Soon", "Hot"]
    assert [box.title for box in in_order([soon, hot], 34.0)] == ["Hot", "Soon"]  # there the hot one is in danger


def test_on_a_hot_day_the_times_are_those_of_heat_and_no_warm_bottle_rides_along() -> None:
    # exp(-t) from 25.5 towards 35: 30 at ln(9.5 / 5), 32 at ln(9.5 / 3) time constants, worked by hand
    found = dict(marks_ahead(25.5, 35.0, (15.0, 30.0, 32.0)))
    assert found == pytest.approx({30.0: 0.6419, 32.0: 1.1527}, abs=1e-4)
    hot = Box("Hot", 400.0, 25.5, (Mark(30.0, 1.0, 0.7, 1.5), Mark(32.0, 1.8, 1.2, 2.7)))
    text = plan_told("moving", [WARM, hot], 35.0, 14.0)
    assert "1. Hot: from 25.5 °C it is at 30 °C after 1.0 h" in text
    assert "28 °C" not in text and "28 °C" in plan_told("moving", [SMALL], 5.0, 14.0)


def test_nobody_is_sent_to_feed_a_queen_who_founds_shut_in() -> None:
    text = plan_told("holiday", [Box("Queen", 3.0, 25.5, (), shut=True)], 12.0, 14.0)
    assert "Queen: the queen founds shut in and takes no leaf" in text
    assert "somebody must come" not in text and "in the fridge" not in text


@pytest.mark.parametrize("plan", get_args(Plan))
@pytest.mark.parametrize("boxes", [[], [SMALL], [SMALL, BIG, WARM]], ids=["none", "one", "three"])
def test_every_plan_can_be_ticked_and_names_only_commands_that_exist(plan: Plan, boxes: list[Box]) -> None:
    text = plan_told(plan, boxes, 12.0, 14.0)
    assert text.count("[ ] ") >= 5
    assert set(re.findall(r"dewlid ([a-z][\w-]*)", text)) <= set(COMMANDS)
    assert not re.search(r"\b(mend|foretold|reckon)\w*", text)
    assert all(box.title in text for box in boxes)
    assert "  " not in text and "\n\n\n" not in text


def test_the_power_cut_warns_of_flames_and_tells_each_time_with_its_spread() -> None:
    text = plan_told("power-cut", [BIG, SMALL], 8.0, 14.0)
    assert text.index("1. Small: from 25.5 °C it is at 15 °C after 1.6 h (1.1 h to 2.4 h), at 10 °C after 4.0 h") > 0
    assert text.index("2. Big") > text.index("1. Small")
    for caution in ("open flame", "must breathe", "smallest garden first", "2 K per hour"):
        assert caution in text


def test_a_holiday_says_what_each_garden_bears_and_how_much_leaf_to_store() -> None:
    text = plan_told("holiday", [SMALL, BIG], 12.0, 3.0)
    # daily leaves, late after half a day more, harmful after a day more: the routine's own row
    assert "Big: without leaves it is late after 36 h and shrinks after 48 h: somebody must come" in text
    assert f"for 3 days, washed: Big, garden of 1.5 l: {leaf_words(1500.0, 3.0)}" in text
    assert "that is within what it does without" in plan_told("holiday", [SMALL], 12.0, 1.0)


# ---------------------------------------------------------------- plants


def test_every_row_has_its_source_and_a_botanical_name_where_it_is_a_plant() -> None:
    rows = [*SUITS, *WINTER_STOCK, *REFUSED, *POISONOUS]
    assert all(row.source for row in rows)
    assert all(plant.botanical and set(plant.months) <= set(range(1, 13)) for plant in (*SUITS, *WINTER_STOCK))
    assert not {plant.name for plant in SUITS} & {row.name for row in (*REFUSED, *POISONOUS)}


def test_there_is_something_soft_for_a_young_colony_in_every_month() -> None:
    for month in range(1, 13):
        assert any(plant.soft and month in plant.months for plant in SUITS), month


def test_june_in_the_south_is_december_in_the_north() -> None:
    assert [northern_month(month, "south") for month in range(1, 13)] == [7, 8, 9, 10, 11, 12, 1, 2, 3, 4, 5, 6]
    south, north = plants_told(6, "south", []), plants_told(12, "north", [])
    assert south[0] == "What suits in June, southern temperate lands:"
    assert south[1:] == north[1:]
    assert any(line.startswith("- rose") for line in plants_told(12, "south", []))
    assert not any(line.startswith("- rose") for line in north)


def test_the_routines_seasons_turn_with_the_hemisphere_but_not_the_keepers_own_months() -> None:
    rewet = TASKS["rewet"]
    assert rewet.season is HEATING
    assert [season_factor(rewet, CareTask(), 7, half) for half in ("north", "south")] == [1.0, HEATING.factor]
    own = CareTask(season_months=[7], season_factor=0.5)
    assert [season_factor(rewet, own, 7, half) for half in ("north", "south")] == [0.5, 0.5]


def test_the_amount_follows_the_garden() -> None:
    # a leaf of 25 cm2 weighs half a gram; a litre of garden takes a handful a day: common practice, no source, factor of two
    assert 8.0 < leaf_g_per_day(1000.0) < 30.0
    assert leaf_words(5.0) == "about 4 cm2 of leaf"
    assert leaf_words(400.0) == "about 6 g, or 12 leaflets of bramble"
    assert leaf_words(800.0) == "about 10 g, or 24 leaflets of bramble"
    assert leaf_words(20_000.0) == "about 300 g"
    told = "\n".join(plants_told(5, "north", [Fed("Nest", 400.0), Fed("New", None), Fed("Queen", 4.0, shut=True)]))
    assert "- Nest, garden of 400 ml: about 6 g" in told and "- New: its garden's size is not known" in told
    assert "- Queen: nothing; the queen founds shut in until her first workers are there" in told
