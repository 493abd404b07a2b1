"""The yard's chambers for leaves, waste, a founding queen, and without a heater: written, judged and kept as such."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from yard_chambers import config_text, drawn
from yard_keepers import Keeper, Manner
from yard_running import Week
from yard_scores import Truth
from yard_trial import MANNERS, advised
from yard_troubles import CALM, Trouble
from yard_uses import FOUNDING_ML, USES, used_as

from daemon.config.configuration import load

SEED = 17


def week_of(use: str) -> Week:
    kept = used_as(drawn("nodes", SEED), use)
    return Week(kept, Trouble(CALM, kept, SEED), kept.controls, 2, {})


@pytest.mark.parametrize("use", USES)
def test_a_chamber_is_written_for_what_it_is_used(use: str, tmp_path: Path) -> None:
    kept = used_as(drawn("nodes", SEED), use)
    path = tmp_path / "yard.toml"
    path.write_text(config_text(kept, kept.controls), encoding="utf-8")
    box = load(path).chamber["box"]
    assert box.role == (use if use in ("food", "waste") else "fungus")
    assert (box.devices.heater is None) == (use in ("food", "waste", "heaterless"))
    assert box.garden.founding == (use == "founding")
    assert (box.garden.volume_ml == FOUNDING_ML) == (use == "founding")


def test_without_a_heater_a_box_goes_to_its_room() -> None:
    week = week_of("heaterless")
    for _ in range(600):
        week.step()
    assert float(week.box.mat.drawn_w[0]) == 0.0
    assert float(week.box.air_c[0]) == pytest.approx(float(week.out.room_c), abs=1.5)


@pytest.mark.parametrize(("use", "pct", "well"), [
    ("waste", 60.0, True), ("waste", 80.0, False), ("food", 80.0, True), ("food", 95.0, False),
    ("founding", 76.0, False), ("founding", 88.0, True), ("heaterless", 88.0, True),
])  # fmt: skip
def test_each_use_is_judged_by_what_it_wants(use: str, pct: float, well: bool) -> None:
    week = week_of(use)
    for course, value in ((week.temperature_c, 25.0), (week.humidity_pct, pct), (week.film_g_m2, 0.0)):
        course.append(np.full(2, value))
    assert bool(Truth.of(week, 0).in_band[0, 0]) == well


WATCHED_MIN = (30, 6 * 60)
NOT_THERE = {"waste": {"heater", "mister", "garden"}, "food": {"heater", "mister", "garden"}, "heaterless": {"heater"}}


@pytest.mark.parametrize(("use", "told"), [
    ("waste", set()), ("food", set()), ("founding", {"humidity-low"}), ("heaterless", {"temperature-low", "humidity-high"}),
])  # fmt: skip
def test_hours_of_each_use_are_lived_through_the_programs_own_door(use: str, told: set[str]) -> None:
    """A sample of `make advice-trial USE=...`, so that it cannot rot: what is told fits the chamber, and makes it no worse."""
    kept = used_as(drawn("nodes", SEED), use)
    rng = np.random.default_rng(SEED)
    week, lived = advised(
        kept, Trouble(CALM, kept, SEED), kept.controls, MANNERS[0], SEED, rng, WATCHED_MIN[1], WATCHED_MIN[0]
    )
    assert {event["alarm"] for event in lived.events if event["kind"] == "alarm"} == told
    asked = {act["device"] for event in lived.events if event["kind"] == "advice" for act in event["actions"]}
    assert asked.isdisjoint(NOT_THERE.get(use, set()))
    dewlid, _, nothing = Truth.of(week, WATCHED_MIN[0]).in_band.mean(axis=0)
    assert dewlid >= nothing


def test_who_clears_the_waste_takes_its_water_along() -> None:
    week = week_of("waste")
    keeper = Keeper(Manner("obedient"), np.random.default_rng(1))
    keeper._does(week, {"device": "waste", "change": "move", "amount": None, "unit": "", "text": "Clear the waste"})
    assert float(week.box.ground_g[0]) == pytest.approx(0.1 * float(week.box.ground_g[1]))
