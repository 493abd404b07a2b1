"""The examples in the docstrings of the physics are run, so that none of them can go stale."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from rules.physics import condensate, lid_factor, lid_heat, moist_air, salt_points, uncertainty, vapour

MODULES = [salt_points, condensate, lid_factor, lid_heat, moist_air, uncertainty, vapour]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_every_example_in_the_module_prints_what_it_says(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
