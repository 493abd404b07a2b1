"""Coupled cases, diagnoses, times to act, spreads and what is booked as done, each at its border, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import Any

import numpy as np
import pytest
from advice_scenes import NOON_MS, devices, situation, standing

from rules.advice.again import remembered
from rules.advice.cause import reason_of
from rules.advice.coupled import case_of
from rules.advice.done import Begun, corrects, done, done_along, still_asked, told_as, why_no_amount
from rules.advice.fit import _covariance
from rules.advice.goal import goal_of
from rules.advice.plan import companions
from rules.advice.planned import Plan
from rules.advice.search import Forecast, foremost
from rules.advice.state import AdviceState, Asked, BeforeDone, OpenAdvice, Searched, ToldMove
from rules.advice.text import act_within_s, cautions_of, lacking_of, prediction
from rules.advice.worth import factor
from rules.climate.situation import Swing
from rules.keeper.devices import present_knobs
from rules.settings import Chamber, Garden, Heater
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.advised import Action, Reach
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade.practice import Band, cell_of

BOX = Chamber(
    devices=devices(setpoint_c=25.5), garden=Garden(volume_ml=500.0), temperature=TemperatureBand(target=25.5),
    humidity=HumidityBand(low=70.0),
)  # fmt: skip


# ---------------------------------------------------------------- coupled cases


def case(
    cell: tuple[Band, Band, bool], *facts: str, star: float | None = 80.0, names: tuple[str, ...] = (), **figures: Any
) -> str | None:
    body = {"room_c": 21.0, "temperature_slope_k_h": 0.0, "room_slope_k_h": 0.0, "humidity_slope_pct_h": 0.0} | figures
    now = situation(26.0, 80.0, **body)
    return case_of(cell_of(*cell), set(facts), goal_of(BOX, now), now, star, {name: standing(name) for name in names})


OK: tuple[Band, Band, bool] = ("ok", "ok", False)
CASES: list[tuple[str | None, tuple[Band, Band, bool], tuple[str, ...], dict[str, Any]]] = [
    # It rises with its room: more than 0.3 K/h, of which the room does more than six tenths; an idle heater says so too.
    ("C12", OK, ("hot",), {"temperature_slope_k_h": 0.4, "room_slope_k_h": 0.25}),
    (None, OK, ("hot",), {"temperature_slope_k_h": 0.4, "room_slope_k_h": 0.23}),
    (None, OK, ("hot",), {"temperature_slope_k_h": 0.3, "room_slope_k_h": 0.25}),
    (None, OK, (), {"temperature_slope_k_h": 0.4, "room_slope_k_h": 0.25}),
    ("C12", OK, ("hot", "heater-idle"), {}),
    (None, OK, ("hot", "heater-idle", "heater"), {}),  # one that nothing switches never rests
    ("C12", OK, ("hot", "heater-idle", "heater", "thermostat"), {}),
    # Faster than 5 K/h is no room and no sun.
    ("C10", OK, ("hot",), {"temperature_slope_k_h": 5.1}), (None, OK, ("hot",), {"temperature_slope_k_h": 5.0}),
    (None, OK, (), {"temperature_slope_k_h": 5.1}), ("C10", OK, (), {"names": ("heater-runaway",)}),
    ("C9", OK, (), {"names": ("heater-failed",)}), ("C8", OK, ("hot", "heater-idle"), {"names": ("lid-open",)}),
    ("C11", OK, (), {"saturated": True, "names": ("lid-open",)}),
    # Right in humidity at the right temperature: only the temperature is wrong.
    ("C1", ("high", "low", False), (), {"star": 70.0}), ("C1", ("high", "low", False), (), {"star": 90.0}),
    (None, ("high", "low", False), (), {"star": 69.9}), (None, ("high", "low", False), (), {"star": 90.1}),
    (None, ("high", "low", False), (), {"star": None}), (None, ("high", "low", True), (), {}),
    (None, ("high", "ok", False), (), {}), ("C2", ("low", "high", False), (), {}), (None, ("low", "high", True), (), {}),
    (None, ("low", "high", False), (), {"star": 90.1}), (None, ("low", "ok", False), (), {}),
    ("C13", ("ok", "low", False), ("mist-useless",), {}), (None, ("ok", "ok", False), ("mist-useless",), {}),
    # A heater dries: steady within 0.3 K/h, while its room cools by more and the air dries by more than half a point an hour.
    ("C6", ("ok", "low", False), ("heater",),
        {"temperature_slope_k_h": 0.2, "room_slope_k_h": -0.4, "humidity_slope_pct_h": -0.6}),
    ("C6", ("ok", "low", False), ("heater",),
        {"temperature_slope_k_h": -0.2, "room_slope_k_h": -0.4, "humidity_slope_pct_h": -0.6}),
    *(
        (None, ("ok", "low", False), ("heater",),
            {"temperature_slope_k_h": 0.2, "room_slope_k_h": -0.4, "humidity_slope_pct_h": -0.6} | {name: value})
        for name, value in (
            ("temperature_slope_k_h", 0.3), ("temperature_slope_k_h", -0.3), ("room_slope_k_h", -0.3), ("room_slope_k_h", 0.4),
            ("humidity_slope_pct_h", -0.5), ("humidity_slope_pct_h", 0.6), ("room_slope_k_h", None),
        )
    ),
    (None, ("ok", "low", False), (),
        {"temperature_slope_k_h": 0.2, "room_slope_k_h": -0.4, "humidity_slope_pct_h": -0.6}),
    (None, ("ok", "ok", False), ("heater",),
        {"temperature_slope_k_h": 0.2, "room_slope_k_h": -0.4, "humidity_slope_pct_h": -0.6}),
    # Winter air streams in: a dew point below 5 degC, or not known, and too dry at the right temperature too.
    ("C3", ("ok", "low", False), ("fan-on", "dry-air"), {"star": 69.9, "room_dew_point_c": 4.9}),
    ("C3", ("ok", "low", False), ("vents-open", "dry-air"), {"star": None, "room_dew_point_c": None}),
    (None, ("ok", "low", False), ("fan-on", "dry-air"), {"star": 69.9, "room_dew_point_c": 5.0}),
    (None, ("ok", "low", False), ("fan-on", "dry-air"), {"star": 70.0, "room_dew_point_c": 4.9}),
    (None, ("ok", "low", False), ("fan-on",), {"star": 69.9, "room_dew_point_c": 4.9}),
    (None, ("ok", "low", False), ("dry-air",), {"star": 69.9, "room_dew_point_c": 4.9}),
    (None, ("ok", "ok", False), ("fan-on", "dry-air"), {"star": 69.9, "room_dew_point_c": 4.9}),
    ("C4", ("ok", "high", False), ("floor-wets",), {}), (None, ("ok", "ok", False), ("floor-wets",), {}),
    # Lids.
    ("C7", ("ok", "ok", True), ("mat-below", "room-cooler"), {}), (None, ("ok", "ok", False), ("mat-below",), {}),
    ("C17", ("low", "ok", True), ("heater-at-limit", "heater"), {}), (None, ("ok", "ok", False), ("heater-at-limit",), {}),
    ("C18", ("low", "ok", True), ("heater",), {}), (None, ("low", "ok", False), ("heater",), {}),
    ("C5", ("ok", "ok", True), ("room-cooler",), {}), (None, ("high", "ok", True), ("room-cooler",), {}),
    (None, ("ok", "low", True), ("room-cooler",), {}), (None, ("ok", "ok", True), (), {}),
    (None, ("ok", "ok", True), ("room-cooler",), {"room_c": None}), (None, ("ok", "ok", False), ("room-cooler",), {}),
]  # fmt: skip


@pytest.mark.parametrize(("found", "cell", "facts", "more"), CASES)
def test_a_coupled_case_holds_up_to_its_border(
    found: str | None, cell: tuple[Band, Band, bool], facts: tuple[str, ...], more: dict[str, Any]
) -> None:
    assert case(cell, *facts, **more) == found


# ---------------------------------------------------------------- what harms most, of bands that are all but empty


@pytest.mark.parametrize(("t", "rh", "worst"), [
    # Heat harms 0.6 K beyond its edge and cold too, dryness 10 points: half of the way, four tenths of it.
    (28.3, 66.0, "temperature-high"), (23.7, 66.0, "temperature-low"), (28.2, 66.0, "humidity-low"),
    (23.8, 66.0, "humidity-low"),
])  # fmt: skip
def test_a_narrow_way_to_harm_is_soon_gone(t: float, rh: float, worst: str) -> None:
    narrow = Chamber(
        devices=devices(setpoint_c=25.5), humidity=HumidityBand(low=70.0, harmful_low=60.0),
        temperature=TemperatureBand(target=25.5, high=28.0, harmful_high=28.6, low=24.0, harmful_low=23.4),
    )  # fmt: skip
    now = situation(t, rh, 18.0, 30.0, dew_margin_k=3.0)
    cause = replace(reason_of(narrow, now, {}, present_knobs(narrow, ())), humidity_at_target_pct=None)
    assert foremost(cause, t, rh) == worst


@pytest.mark.parametrize(("rh", "worst"), [(69.7, "humidity-low"), (69.8, "temperature-low")])
def test_a_narrow_way_to_dryness_is_soon_gone_too(rh: float, worst: str) -> None:
    """0.3 and 0.2 of 0.6 points, beside 1.6 of 4 K of cold."""
    narrow = Chamber(
        devices=devices(setpoint_c=25.5), humidity=HumidityBand(low=70.0, harmful_low=69.4, deadband=0.5),
        temperature=TemperatureBand(target=25.5, low=24.0, harmful_low=20.0),
    )  # fmt: skip
    now = situation(22.4, rh, 18.0, 30.0, dew_margin_k=3.0)
    assert foremost(reason_of(narrow, now, {}, present_knobs(narrow, ())), 22.4, rh) == worst


# ---------------------------------------------------------------- the spread of a fit


def test_the_spread_of_a_fit_is_worked_out_window_by_window() -> None:
    """Two instants in two windows, one parameter and one offset, noise of 1, so that a residual has a variance of 6.

    Residuals above 1.5 are clipped: scores (2 x 1 + 1 x 1.5) / 6 and (-1.5 x 1 + 1 x 0.5) / 6, squares 13.25 / 36. Weights
    1, 0.75; 0.5, 1 over 6: curvature (4 + 0.75 + 0.5 + 1) / 6 with 0.2 of the prior, against the offset
    (2 + 0.75 + 2 x 0.5 + 1) / 6. Two windows less one parameter: the squares count twice, and once with four windows of which
    two say nothing: 4 / 3.
    """
    base = np.array([[1.0, -2.0], [3.0, 0.5]])
    jacobian = np.stack([[[2.0, 1.0], [1.0, 1.0]], [[1.0, 1.0], [2.0, 1.0]]], axis=2)
    bread, offset = 1.0 / (6.25 / 6.0 + 0.2), 4.75 / 6.0
    for more, times in ((0, 2.0), (2, 4.0 / 3.0)):
        quiet = np.pad(base, ((0, 0), (0, more))), np.pad(jacobian, ((0, 0), (0, more), (0, 0)))
        found = _covariance(*quiet, np.array([[0.2]]), 1.0, np.array([0.4]))
        assert found == pytest.approx(np.array([[bread**2 * (13.25 / 36.0 * times + 0.2) + (bread * offset * 0.4) ** 2]]))


# ---------------------------------------------------------------- how soon to act


@pytest.mark.parametrize(("volume_ml", "t", "rh", "within_s"), [
    (500.0, 32.0, 80.0, 900), (500.0, 31.9, 80.0, 7200), (500.0, 30.0, 80.0, 7200), (500.0, 29.9, 80.0, 86400),
    (500.0, 28.1, 80.0, 86400), (500.0, 28.0, 80.0, None), (500.0, 22.0, 80.0, None), (500.0, 21.9, 80.0, 86400),
    (500.0, 15.0, 80.0, 7200), (100.0, 15.0, 80.0, 3600), (500.0, 15.1, 80.0, 86400),
    (500.0, 26.0, 69.9, 8 * 3600), (100.0, 26.0, 69.9, 3 * 3600), (500.0, 26.0, 70.0, None),
    (500.0, 26.0, 59.9, 3 * 3600), (100.0, 26.0, 59.9, 3600), (500.0, 26.0, 60.0, 8 * 3600),
])  # fmt: skip
def test_where_no_alarm_says_it_figure_and_size_say_how_soon(
    volume_ml: float, t: float, rh: float, within_s: int | None
) -> None:
    box = BOX.model_copy(update={"garden": Garden(volume_ml=volume_ml)})
    assert act_within_s(situation(t, rh, garden_ml=volume_ml), box, {}, ()) == within_s


def test_the_least_that_an_alarm_leaves_counts_and_a_mark_before_it() -> None:
    rows = {
        "temperature-high": standing("temperature-high", seconds_left=5000.0),
        "lid-open": standing("lid-open", seconds_left=4000.4),
        "humidity-low": standing("humidity-low", seconds_left=10.0, condition="held"),
    }  # fmt: skip
    now = situation(28.5, 80.0)
    assert act_within_s(now, BOX, rows, ()) == 4000
    reach = Reach("north", 15.0, 3_999_999, 3_000_000, 5_000_000)
    assert act_within_s(now, BOX, rows, (reach,)) == 3999
    assert act_within_s(situation(26.0, 80.0), BOX, {}, (reach,)) == 3999
    cold = {"temperature-low": standing("temperature-low", seconds_left=9000.0)}
    assert act_within_s(situation(15.0, 80.0), BOX, cold, ()) == 7200  # the account tells when all is lost
    assert act_within_s(situation(15.1, 80.0), BOX, cold, ()) == 9000


# ---------------------------------------------------------------- how sure


def test_a_prediction_is_as_wide_as_draws_probe_swing_and_a_quarter_of_the_change_together() -> None:
    """Draws 0.3 K, probe 0.4 K, a quarter of 2 K: hypot(0.3, 0.4, 0.5) = 0.71; 1, 2 and a quarter of 8 points: 3.
    Margin: 0.2 and a quarter of 1.6 K: 0.45."""
    row = Forecast(2.0, 24.0, 0.3, 72.0, 1.0, 1.4, 0.2)
    now = situation(26.0, 80.0, u_temperature_k=0.4, u_relative_humidity_pct=2.0, dew_margin_k=3.0)
    told = prediction(row, now, None, lid_known=True)
    heat, damp = factor(None, "temperature", 2.0), factor(None, "humidity", 2.0)
    assert (told.after_ms, told.temperature_u_k, told.relative_humidity_u_pct, told.dew_margin_u_k) == (
        2 * HOUR_MS, round(heat * sqrt(0.5), 2), round(damp * 3.0, 1), round(damp * sqrt(0.2), 2),
    )
    assert prediction(row, now, None, lid_known=False).dew_margin_u_k is None
    # A swing of 2 x sqrt(3) x 0.5 K counts as 0.5 K, where the figures are means over it.
    swing = Swing(25.0, 25.0, 25.0 + sqrt(3.0), 0.0, 6)
    swung = situation(26.0, 80.0, u_temperature_k=0.4, dew_margin_k=3.0, temperature_swing=swing, by_mean=True)
    assert prediction(row, swung, None, lid_known=True).temperature_u_k == round(heat * sqrt(0.75), 2)
    plain = situation(26.0, 80.0, u_temperature_k=0.4, dew_margin_k=3.0, temperature_swing=swing)
    assert prediction(row, plain, None, lid_known=True).temperature_u_k == round(heat * sqrt(0.5), 2)


# ---------------------------------------------------------------- what is missing, what must be said with it


def plan(*actions: Action, **more: Any) -> Plan:
    return Plan(**{"branch": "cell", "cause": None, "actions": actions, "acts": ()} | more)


def test_what_is_lacking_is_said_once() -> None:
    bare = situation(26.0, 80.0, None, None)
    assert lacking_of(plan(), bare) == ("no room probe: what venting would do is not known",)
    assert lacking_of(plan(), replace(bare, lacking=("no room temperature",))) == ("no room temperature",)
    assert lacking_of(plan(), situation(26.0, 80.0)) == ()


@pytest.mark.parametrize(("mount", "device", "below"), [
    ("below", "heater", True), ("side", "heater", False), ("below", "fan", False),
])  # fmt: skip
def test_a_mat_below_is_spoken_of_where_its_heat_is_turned(mount: Any, device: str, below: bool) -> None:
    box = Chamber(devices=devices().model_copy(update={"heater": Heater(mount=mount, setpoint_c=26.0)}))
    told = cautions_of(plan(Action(device, "more", 1.0, "K", "x")), box)
    assert any("mat lies below" in text for text in told) is below


# ---------------------------------------------------------------- what is booked as done


def advisory(name: str = "north-1", *moves: ToldMove, revision: int = 1, **more: Any) -> OpenAdvice:
    body: dict[str, Any] = {
        "keys": [f"{move.knob}:more" for move in moves], "moves": list(moves), "acts": [move.act for move in moves],
        "event": Asked(revision=revision), "look_again_ms": NOON_MS + HOUR_MS,
    } | more  # fmt: skip
    return OpenAdvice(name, body.pop("branch", "cell"), 1, None, False, "today", NOON_MS, NOON_MS, body.pop("look_again_ms"),
        **body)  # fmt: skip


WATER = ToldMove("water-ground", "water", "water", 1.0, 40.0, "ml", 1.6)


def booked(told: OpenAdvice, amount: float | None = None, *, vents: int = 0, **before: Any) -> tuple[AdviceState, list[Any]]:
    state, changes = done(AdviceState(open=told, **before), told, amount, Begun(NOON_MS, 25.0), vents)
    return state, [(change.knob, change.value) for change in changes]


@pytest.mark.parametrize(("branch", "minutes"), [("heat", 15), ("cell", 30)])
def test_without_a_change_of_a_device_it_is_looked_at_after_half_an_hour_and_in_heat_after_a_quarter(
    branch: str, minutes: int
) -> None:
    state, changes = booked(advisory(branch=branch))
    assert state.open is not None and changes == []
    assert state.open.look_again_ms == NOON_MS + minutes * MINUTE_MS
    assert (state.open.done_share, state.open.done_c) == (1.0, 25.0)


def test_an_amount_is_a_share_of_the_first_change_and_nothing_done_waits_for_nothing() -> None:
    fan = ToldMove("fan-more", "fan", "fan", 2.0, 2.0, "min", 3.0)
    state, changes = booked(advisory("north-1", WATER, fan), 20.0)
    # Half of what would have brought the ground from 0.6 to 1.6; the fan as told.
    assert changes == [("water", 1.1), ("fan", 3.0)]
    assert state.open is not None and state.open.done_share == 0.5
    assert state.judge_from_ms == {"water": NOON_MS + 12 * HOUR_MS, "fan": NOON_MS + HOUR_MS}
    assert state.open.look_again_ms == NOON_MS + 12 * HOUR_MS
    state, changes = booked(advisory("north-1", WATER, fan), 0.0)
    assert changes == [("fan", 3.0)] and state.judge_from_ms == {"fan": NOON_MS + HOUR_MS}
    assert booked(advisory("north-1", WATER), 80.0)[1] == [("water", 2.0)]  # 2.6, but never remembered above 2
    assert booked(advisory("north-1", WATER), 40.0 / 3.0)[1] == [("water", 0.9333)]  # 0.6 and a third of 1


def test_vents_are_whole_and_a_mat_that_is_dimmed_to_nothing_is_unplugged() -> None:
    vents = ToldMove("vents-more", "vents", "vents", 2.0, 2.0, "", 3.0)
    assert booked(advisory("north-1", vents), 0.6)[1] == [("vents", 2.0)]  # 1.6 of them
    watts = ToldMove("dim", "heater", "heater", -5.0, 5.0, "W", 0.0)
    assert booked(advisory("north-1", watts))[1] == [("watts", 0.0), ("heater_plugged", 0.0)]
    assert booked(advisory("north-1", watts), 3.0)[1] == [("watts", 2.0)]
    setpoint = ToldMove("turn-down", "heater", "heater", -1.0, 1.0, "K", 25.0)
    assert booked(advisory("north-1", setpoint))[1] == [("setpoint", 25.0)]
    plug = ToldMove("plug-in", "heater", "heater", 1.0, 1.0, "", None)
    assert booked(advisory("north-1", plug))[1] == [("heater_plugged", 1.0)]


def test_a_heater_that_is_stopped_remembers_its_heat_and_a_look_its_time() -> None:
    state, changes = booked(advisory(keys=["heater:stop"], start_c=31.0), stopped_at_ms=[1, 2])
    assert changes == [("heater_plugged", 0.0)]
    assert (state.stopped_c, state.stopped_at_ms) == (31.0, [1, 2, NOON_MS])
    assert booked(advisory(keys=["heater:stop"], start_c=20.0))[0].stopped_c == 25.0  # as it was when it was done
    assert booked(advisory(keys=["heater:stop"]), stopped_at_ms=list(range(10)))[0].stopped_at_ms == [*range(1, 10), NOON_MS]
    assert booked(advisory(keys=["heater:check"]))[0].heater_seen_ms == NOON_MS
    assert booked(advisory(acts=["plug-back"]))[0].heater_seen_ms == NOON_MS
    assert booked(advisory())[0].heater_seen_ms is None


def test_who_looks_at_the_lid_starts_anew_unless_water_was_given_with_it() -> None:
    for moves, failures in (((), 0), ((WATER,), 3)):
        state, _ = booked(advisory("north-1", *moves, keys=["lid:check"]), water_failures=3)
        assert (state.lid_checked_ms, state.water_failures) == (NOON_MS, failures)
    assert booked(advisory("north-1", WATER), water_failures=3)[0].lid_checked_ms is None


def test_vents_that_were_to_be_opened_along_are_all_open_unless_only_air_that_feels_cooler_was_to_come_in() -> None:
    aired = advisory(keys=["vent:open"])
    assert [(one.knob, one.value) for one in done_along(aired, NOON_MS, 3)] == [("vents", 3.0)]
    assert done_along(aired, NOON_MS, 0) == []
    assert done_along(advisory(keys=["fan:more"]), NOON_MS, 3) == []
    assert done_along(advisory(keys=["vent:open"], acts=["air-if-cooler"]), NOON_MS, 3) == []
    assert booked(aired, vents=3)[1] == [("vents", 3.0)]
    vents = ToldMove("vents-more", "vents", "vents", 1.0, 1.0, "", 2.0)
    assert booked(advisory("north-1", vents, keys=["vent:open"]), vents=3)[1] == [("vents", 2.0)]


def test_an_earlier_wording_is_done_by_its_own_name_and_what_leads_elsewhere_is_still_asked() -> None:
    earlier = advisory("north-1", WATER)
    same = advisory("north-1", WATER, revision=2, earlier=[earlier])
    other = advisory("north-1", ToldMove("fan-more", "fan", "fan", 2.0, 2.0, "min", 3.0), revision=2, earlier=[earlier])
    assert told_as(AdviceState(open=other), "north-1") is earlier and told_as(AdviceState(open=other), other.name) is other
    assert told_as(AdviceState(open=other), "north-9") is None
    assert still_asked(AdviceState(open=same), earlier) is None
    assert still_asked(AdviceState(open=other), earlier) is other
    assert still_asked(AdviceState(open=other), advisory("north-2", WATER)) is None
    state, _ = done(AdviceState(open=other), earlier, None, Begun(NOON_MS, 25.0))
    assert state.open is not None and state.open.done_ms is None
    assert [one.done_ms for one in state.open.earlier] == [NOON_MS]
    state, _ = done(AdviceState(open=same), earlier, None, Begun(NOON_MS, 25.0))
    assert state.open is not None and state.open.done_ms == NOON_MS
    state, _ = done(AdviceState(last=advisory("north-0", WATER)), advisory("north-0", WATER), None, Begun(NOON_MS, 25.0))
    assert state.open is None and state.last is not None and state.last.done_ms == NOON_MS


def test_who_tells_once_more_what_is_done_already_is_booked_anew() -> None:
    item = advisory("north-1", WATER, done_ms=NOON_MS - HOUR_MS)
    state, changes = done(AdviceState(open=item), item, 20.0, Begun(NOON_MS, 25.0))
    assert state.open is not None and (state.open.done_ms, state.open.done_share) == (NOON_MS, 0.5)
    assert [(change.knob, change.value) for change in changes] == [("water", 1.1)]


@pytest.mark.parametrize(("foam", "can", "partners"), [
    (9.5, True, {"insulate-lid"}), (9.5, False, {"mist-less", "wet-less", "close-vents"}), (10.0, True, None),
])  # fmt: skip
def test_heat_goes_with_foam_where_the_lid_is_wet_and_bears_less_than_a_centimetre(
    foam: float, can: bool, partners: set[str] | None
) -> None:
    box = BOX.model_copy(update={"devices": devices(setpoint_c=25.5, can_insulate_lid=can)})
    wet = replace(reason_of(box, situation(26.0, 80.0), {}, present_knobs(box, ())), lid_wet=True)
    found = companions(wet, {"foam": foam}, box)
    assert found == ({} if partners is None else {"heat-up": frozenset(partners)})


def test_searches_after_another_telling_are_forgotten_whatever_it_is_called() -> None:
    def one(told: str, at_ms: int = NOON_MS) -> Searched:
        return Searched(at_ms, told, "", good_for_ms=HOUR_MS)

    now = one("north-2")
    kept, old = one("north-2", NOON_MS - HOUR_MS + 1), one("north-2", NOON_MS - HOUR_MS)
    assert remembered([one("north-1"), kept, old, one("north-3")], now) == [kept, now]


def test_another_amount_is_told_until_the_effect_is_judged() -> None:
    item = advisory("north-1", WATER, done_ms=NOON_MS)
    body: dict[str, Any] = dict.fromkeys(BeforeDone.__dataclass_fields__)
    before = BeforeDone(**body | {"word_id": "w", "advisory": "north-1", "done_ms": NOON_MS, "look_again_ms": 0})
    state = AdviceState(open=item, before_done=[before])
    assert corrects(state, item, 1.0, item.look_again_ms - 1) is before
    assert corrects(state, item, 1.0, item.look_again_ms) is None
    assert corrects(state, item, None, NOON_MS) is None
    assert corrects(state, advisory("north-1", WATER), 1.0, NOON_MS) is None
    assert corrects(state, advisory("north-2", WATER, done_ms=NOON_MS), 1.0, NOON_MS) is None


def test_an_amount_of_nothing_is_not_done_where_nothing_else_was_asked() -> None:
    one, two = Action("water", "more", 40.0, "ml", "Give 40 ml"), Action("fan", "more", None, "", "Fan on")
    for actions, amount, code in (
        ((one,), None, ""), ((one,), 40.0, ""), ((one,), 0.0, "not_done"), ((one, two), 0.0, ""), ((two,), 1.0, "no_amount"),
    ):  # fmt: skip
        told = advisory("north-1", WATER, event=Asked(actions=actions))
        assert (why_no_amount(told, amount) or "").partition(":")[0] == code
    assert (why_no_amount(advisory(event=Asked(actions=(one,))), 1.0) or "").startswith("no_amount")  # no device is turned
