from __future__ import annotations

from itertools import product

import pytest

from rules.trade import practice
from rules.trade.acts import ACTS
from rules.trade.coupled_cases import CASES
from rules.trade.emergencies import COLD_BRANCH, COLD_NEVER, HEAT_BRANCH
from rules.trade.practice import CAUTIONS, CELLS, cell_of

# Every fact that rules.advice.cause can find; a step that asks for another one would never be taken.
FACTS = {
    "fan", "fan-on", "mister", "mist-on", "vents-open", "vents-shut", "granules", "can-insulate", "heater", "unplugged",
    "mat-below",
    "thermostat", "bare", "all-shut", "watered", "heater-suspect", "heater-weak", "heater-at-limit", "heater-idle",
    "floor-dries", "floor-wets", "dry-air", "room-cooler", "room-warm", "room-cold", "room-below", "hot", "very-hot", "lid-wet",
    "warm-side", "room-warms", "dry-doubted",
    "humid-side", "founding", "saturated", "vapour-lost", "lid-doubted", "lid-seen", "foam-doubted", "visiting", "lid-wet-odd",
    "dry-on-purpose", "mist-useless", "air-dry",
    "night-ahead", "heater-fault", "heater-warming", "heater-regulates", "room-no-warmer", "lethal-heat", "deadly-heat",
    "lethal-cold",
    "heater-doubt", "lid-unknown", "shut-in", "heats-itself", "rises-alone", "rises-out",
    "heater-looked", "heater-swapped", "tried", "airing-cools", "falls-freely", "rises-hot", "warms-on", "room-unknown",
    "water-useless", "lid-by-estimate", "lid-proven", "wrapped", "watts-untold", "probe-looked", "dial-again", "foam-looked",
    "stop-in-vain", "gets-colder", "room-warmed", "water-rose",
    "water-fades", "probe-compared", "aired-in-vain", "stands-aired", "airs",
}


def cells(**wanted):
    return [cell for cell in CELLS if all(getattr(cell, name) == value for name, value in wanted.items())]


def acts(cell) -> list[str]:
    return [step.act for step in cell.order]


def test_the_decision_table_has_each_of_its_eighteen_cells_once():
    keys = {(cell.temperature, cell.humidity, cell.lid_wet) for cell in CELLS}
    assert keys == set(product(("low", "ok", "high"), ("low", "ok", "high"), (False, True)))
    assert [cell.number for cell in CELLS] == list(range(1, 19))
    assert cell_of("high", "low", True).number == 14


def test_all_eighteen_coupled_cases_are_named():
    assert set(CASES) == {f"C{number}" for number in range(1, 19)}


def test_every_step_is_an_act_and_asks_only_for_facts_that_can_be_found():
    branches = [*HEAT_BRANCH.values(), *COLD_BRANCH.values()]
    for step in [step for order in (*(cell.order for cell in CELLS), *branches) for step in order]:
        assert step.act in ACTS
        assert set(step.when) <= FACTS
    for act in ACTS.values():
        assert set(act.needs) | set(act.bars) <= FACTS
        assert act.device in CAUTIONS and act.text and act.source


def test_only_the_good_cell_is_silent_and_every_other_says_what_never():
    for cell in CELLS:
        assert bool(cell.order) == (cell.number != 9)
        assert bool(cell.never) == (cell.number != 9)


def test_a_cold_chamber_is_never_aired():
    for cell in cells(temperature="low"):
        assert not {"fan-more", "open-vents", "fan-now", "air-now"} & set(acts(cell))


def test_a_hot_chamber_is_never_covered_heated_or_misted():
    for cell in cells(temperature="high"):
        assert not {"insulate-lid", "heat-up", "mist-more", "cover-garden"} & set(acts(cell))
    for name in ("insulate-lid", "heat-up", "mist-more"):
        assert "hot" in ACTS[name].bars


def test_lethal_cold_is_never_answered_by_foam_on_the_lid_a_step_of_the_set_point_or_air():
    for order in COLD_BRANCH.values():
        assert not {"insulate-lid", "heat-up", "open-vents", "air-now", "fan-now", "fan-more"} & {step.act for step in order}
    assert any("open flame" in row.text for row in COLD_NEVER) and any("hot pack inside" in row.text for row in COLD_NEVER)


def test_heat_comes_after_foam_wherever_the_lid_is_wet():
    for cell in cells(lid_wet=True):
        order = acts(cell)
        if "heat-up" in order:
            assert order.index("insulate-lid") < order.index("heat-up")


def test_a_dry_chamber_loses_less_before_it_gets_more():
    order = acts(cell_of("low", "low", False))
    assert order.index("close-vents") < order.index("water") < order.index("heat-up")
    assert acts(cell_of("ok", "low", False)).index("close-vents") < acts(cell_of("ok", "low", False)).index("mist-more")


def test_no_act_sprays_the_garden_and_no_mat_goes_below():
    for act in ACTS.values():
        words = act.text.lower()
        assert "spray" not in words
        assert "mist" not in words or "never the garden" in words or act.change in ("less", "stop")
        assert "below" not in words or "from below" in words or "°c" in words


@pytest.mark.parametrize("device", ["heater", "mister", "fan"])
def test_mains_and_water_are_told_with_every_electric_device(device):
    assert practice.ELECTRIC in CAUTIONS[device]
