"""A mat that gives no heat is felt before it is turned up, and none is turned up past what it is made for."""

from __future__ import annotations

import pytest
from advice_scenes import NOON_MS, devices, later, settings_of, situation, standing

from rules.advice.advisory import consider
from rules.advice.devices import moves_for
from rules.advice.recalled import cause_of
from rules.advice.state import AdviceState, OpenAdvice, ToldMove
from rules.climate.situation import Situation
from rules.settings import Chamber, Heater
from rules.terms.events import HOUR_MS
from rules.trade.practice import Step

BOX = Chamber(air_ml=3500, devices=devices(heater=Heater(watts=13.8, thermostat=False)))
COLD = situation(22.7, 80.0, None, None)
FAILED = {name: standing(name, since_ms=NOON_MS - HOUR_MS) for name in ("heater-failed", "temperature-low")}


def asked_after(now: Situation, act: str = "plug-back") -> list[str]:
    """Return what is asked two hours after the mat was given more heat on advice."""
    told = OpenAdvice(
        "north-1", "plug-back", 1, None, False, "today", NOON_MS, NOON_MS, NOON_MS + 2 * HOUR_MS, ["heater:more"], [6.2],
        moves=[ToldMove(act, "heater", "heater", -6.2, 6.2, "W", 7.6)], acts=[act], done_ms=NOON_MS, done_c=22.7, start_c=23.4,
    )
    state = AdviceState(counter=1, open=told, heater_seen_ms=NOON_MS)
    state, _ = consider(settings_of(BOX), "north", state, now, FAILED, "test")
    return [] if state.open is None else state.open.acts


@pytest.mark.parametrize(
    ("t", "room_c", "feels"), [(21.1, None, True), (23.0, None, True), (23.4, None, False), (22.9, 19.0, False)]
)
def test_a_mat_that_was_plugged_in_and_warms_nothing_is_felt_before_it_is_turned_up(t, room_c, feels):
    """A plug stayed out, and its mat was turned up from 7.6 to 16, 22 and 31 W within a night (attack from outside)."""
    assert ("check-heater" in asked_after(later(COLD, 2.0, temperature_c=t, room_temperature_c=room_c))) == feels


@pytest.mark.parametrize(("now_w", "most_w"), [(7.6, 13.8), (13.8, 19.0), (20.0, None), (31.0, None)])
def test_a_mat_goes_back_to_what_held_its_box_first_and_never_far_beyond_what_it_is_made_for(now_w, most_w):
    """(attack from outside)"""
    cause = cause_of(BOX, AdviceState(), COLD, {"temperature-low": standing("temperature-low")})
    moves = moves_for(Step("heat-up"), BOX, cause, {"watts": now_w})
    assert max((move.value or 0.0 for move in moves), default=None) == most_w


@pytest.mark.parametrize(
    ("t", "slope", "asks"),
    [(20.3, 0.45, False), (20.1, 0.45, True), (20.3, 0.0, True), (9.9, 0.45, True)],
)
def test_who_has_done_what_cold_asks_for_is_asked_for_no_more_while_it_gets_warmer(t, slope, asks):
    """"Warm the room" once more, half an hour after it was said to be done, though the box got warmer (attack from outside)."""
    done_c = min(20.05, t - 0.1 if t < 10.0 else 20.05)
    told = OpenAdvice(
        "north-1", "heater-failed", None, None, False, "today", NOON_MS, NOON_MS, NOON_MS + HOUR_MS, ["heater:check"], [0.0],
        acts=["check-heater", "warm-place"], done_ms=NOON_MS, done_c=done_c, start_c=19.8,
    )
    now = later(COLD, 0.6, temperature_c=t, temperature_slope_k_h=slope, room_temperature_c=18.0)
    state, _ = consider(settings_of(BOX), "north", AdviceState(counter=1, last=told), now, FAILED, "test")
    asked = [] if state.open is None else state.open.acts
    assert (asked not in ([], ["let-warm"])) == asks
