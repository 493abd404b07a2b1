"""A queen who founds: what is asked of her keeper, and what is not."""

from __future__ import annotations

from datetime import UTC

import pytest

from rules.care.schedule import every_ms, subjects
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Garden, Settings, Site, Telling
from rules.terms.events import DAY_MS

FOOD_AND_LOOKS = ("leaves", "uneaten-leaf", "waste", "garden-look")


def asked(genus: str, task: str, garden: Garden) -> int | None:
    settings = Settings(
        site=Site(), zone=UTC, rooms={}, probes={}, telling=Telling(), chambers={"box": Chamber(genus=genus, garden=garden)}
    )
    return every_ms(settings, KeeperState(), subjects(settings)[f"box/{task}"], 1_780_272_000_000)


# Atta founds without food from outside until the workers come: Mota Filho et al. 2021, IJAIR 9:352.
@pytest.mark.parametrize("task", FOOD_AND_LOOKS)
def test_nothing_is_fed_to_and_nobody_looks_at_an_atta_queen_without_workers(task: str) -> None:
    for volume_ml in (None, 2.0, 19.0):
        assert asked("Atta", task, Garden(founding=True, volume_ml=volume_ml)) is None
    assert asked("Atta", task, Garden(founding=True, volume_ml=25.0)) is not None


def test_an_acromyrmex_queen_gets_her_leaves_and_an_atta_colony_with_workers_too() -> None:
    assert asked("Acromyrmex", "leaves", Garden(founding=True, volume_ml=2.0)) == DAY_MS
    assert asked("Atta", "leaves", Garden(volume_ml=2.0)) == DAY_MS


def test_the_barrier_is_checked_while_she_founds() -> None:
    assert asked("Atta", "barrier-check", Garden(founding=True, volume_ml=2.0)) == 7 * DAY_MS
