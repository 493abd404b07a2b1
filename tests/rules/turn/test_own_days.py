"""A box that nothing switches goes with its room: where nobody measures the room, its own days tell of the next night."""

from __future__ import annotations

from math import pi, sin

from heated_box import NOON_MS, HeatedBox, always, chamber, played, settings_of

from rules.settings import Heater
from rules.terms.events import DAY_MS, AdviceEvent

WATTS, LOSS_W_K = 5.7, 0.95
MEAN_C, SWING_K = 20.7, 2.0
"""The room: 18.7 to 22.7 degC, warmest in the afternoon; the box 6 K above it, 24.7 to 28.7 degC."""


def room_c(hour: float) -> float:
    return MEAN_C + SWING_K * sin(2.0 * pi * (hour + 12.0 - 9.0) / 24.0)


def test_an_unswitched_mat_is_not_turned_down_by_noon_for_a_night_that_is_too_cold():
    """For a tenth of a kelvin at noon it was turned down by 3.4 of 5.9 W, and its box was at 19.7 degC in the night (foreign
    simulation). Once one day of it is known."""
    settings = settings_of(chamber(heater=Heater(watts=WATTS, thermostat=False)), room_probe=False)
    box = HeatedBox(room_c=room_c, stuck=always(1.0), watts=WATTS, loss_w_k=LOSS_W_K, start_c=room_c(0.0) + WATTS / LOSS_W_K)
    course = list(box.minutes(78.0))
    events = played(settings, course, 78.0)
    turned = [
        action.amount or 0.0 for event in events if isinstance(event, AdviceEvent) and event.at_ms > NOON_MS + DAY_MS
        for action in event.actions if (action.device, action.change) == ("heater", "less")
    ]  # fmt: skip
    assert turned  # it is too warm by day
    coldest_c = min(air for air, _, _ in course[24 * 60 :])
    assert coldest_c - max(turned) / LOSS_W_K >= 24.0
