"""A reading presses where it crosses a limit of its chamber, until enough have followed it; the rest may wait."""

import math

from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.watch.crossings import Crossings

CONFIG = """
[chamber.nest]
room = "study"
temperature = { low = 24, high = 28, harmful_low = 20, harmful_high = 31 }
[room.study]
[probe.air]
kind = "simulated-chamber"
place = "nest"
measures = "big-air"
[probe.wall]
kind = "simulated-chamber"
place = "study"
measures = "room-air"
"""


def pressed(*values: float, probe: str = "air") -> list[bool]:
    pressing = Crossings(settings_of(load_text(CONFIG)))
    return [pressing.presses(probe, "air_temperature", value) for value in values]


def test_it_presses_from_the_first_beyond_a_limit_until_three_have_come() -> None:
    calm = [25.0, 25.1, 25.2]
    assert pressed(*calm, 25.1, 27.9, 28.5, 28.6, 28.7, 28.8, 31.5, 30.0) == [
        True, True, True, False, False, True, True, True, False, True, True,
    ]  # fmt: skip


def test_the_way_back_presses_as_well_and_a_limit_itself_is_still_inside() -> None:
    assert pressed(19.0, 19.0, 19.0, 19.0, 25.0, 28.0) == [True, True, True, False, True, True]
    assert pressed(28.0, 25.0, 25.0, 28.0) == [True, True, True, False]


def test_rooms_strangers_and_what_is_no_number_are_no_hurry_or_do_no_harm() -> None:
    assert pressed(40.0, probe="wall") == [False]
    assert pressed(40.0, probe="nobody") == [False]
    assert len(pressed(math.nan, 25.0, math.nan)) == 3
