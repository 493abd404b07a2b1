"""What is reasoned from a chamber's figures before any advice, each fact just at its border and just beyond it, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from advice_scenes import devices, situation, standing

from rules.advice.cause import Cause, heats_itself, reason_of
from rules.advice.goal import goal_of
from rules.advice.heat import heat, heat_comes_first
from rules.advice.model import BUFFER, COOLING, EVAPORATION, EXCHANGE, FAN, LID, LIFT, VENT, prior_model
from rules.advice.search import foremost
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.climate.thermostat import State
from rules.keeper.devices import present_knobs
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Fan, Heater
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import MINUTE_MS

# 24 to 28 degC with the aim at 25.5 and 0.5 K of deadband, 70 to 90 %RH with the aim at 80 and 3 points.
BAND = {"humidity": HumidityBand(low=70.0), "temperature": TemperatureBand(target=25.5)}
BOX = Chamber(devices=devices(setpoint_c=25.5), **BAND)
UNHEATED = Chamber(devices=devices(heater=None), **BAND)
UNKNOWN = Chamber(devices=devices(None), **BAND)


def reason(now: Situation, chamber: Chamber = BOX, *names: str, knobs: dict[str, float] | None = None, **more: Any) -> Cause:
    told = present_knobs(chamber, now.changes) | (knobs or {})
    stands = {name: standing(name) for name in names}
    return reason_of(chamber, now, stands, told, **more)


Row = tuple[str, Chamber, dict[str, Any], dict[str, Any], dict[str, Any]]
"""The fact, the chamber, the figures in both, those with which it holds, and those with which it does not."""
AIR = {"temperature_c": 26.0, "humidity_pct": 80.0}
WET = {"dew_margin_k": -1.0, "probability_wet": 1.0}
FACTS: list[Row] = [
    # How warm the room is: a kelvin cooler to begin with, three tenths while it is aired.
    ("room-cooler", BOX, AIR, {"room_c": 24.9}, {"room_c": 25.0}),
    ("room-cooler", BOX, AIR | {"was_aired": True}, {"room_c": 25.6}, {"room_c": 25.7}),
    ("room-warm", BOX, AIR, {"room_c": 25.0}, {"room_c": 24.9}),
    ("room-warm", BOX, AIR | {"temperature_c": 30.0}, {"room_c": 27.1}, {"room_c": 27.0}),  # within a kelvin of too warm
    ("room-cold", BOX, AIR, {"room_c": 14.9}, {"room_c": 15.0}),
    ("room-below", BOX, AIR, {"room_c": 23.9}, {"room_c": 24.0}),
    ("room-warms", BOX, AIR | {"temperature_c": 22.0}, {"room_c": 24.0}, {"room_c": 23.9}),
    ("room-warms", BOX, AIR | {"room_c": 25.5}, {"temperature_c": 24.4}, {"temperature_c": 24.5}),
    ("airing-cools", BOX, AIR, {"room_c": 25.9}, {"room_c": 26.0}),
    ("airing-cools", BOX, AIR, {"room_c": None, "room_pct": None}, {"room_c": 27.0}),
    ("room-unknown", BOX, AIR, {"room_c": None, "room_pct": None}, {"room_c": 20.0}),
    ("room-no-warmer", BOX, AIR | {"temperature_c": 22.0}, {"room_c": 21.1}, {"room_c": 21.0}),
    ("room-no-warmer", BOX, AIR | {"temperature_c": 22.0}, {"room_c": 22.9}, {"room_c": 23.0}),
    ("room-no-warmer", BOX, AIR | {"room_c": 23.5}, {"temperature_c": 23.9}, {"temperature_c": 24.0}),
    # What its air does in the box: at one temperature it is as damp there as in the room.
    ("floor-dries", BOX, AIR | {"room_c": 26.0}, {"room_pct": 70.0}, {"room_pct": 70.1}),
    ("floor-wets", BOX, AIR | {"room_c": 26.0}, {"room_pct": 70.1}, {"room_pct": 70.0}),
    ("dry-air", BOX, AIR | {"room_c": 26.0}, {"room_pct": 59.9}, {"room_pct": 60.0}),
    # Heat and cold.
    ("hot", BOX, AIR, {"temperature_c": 28.1}, {"temperature_c": 28.0}),
    ("very-hot", BOX, AIR, {"temperature_c": 30.1}, {"temperature_c": 30.0}),
    ("lethal-heat", BOX, AIR, {"temperature_c": 32.0}, {"temperature_c": 31.9}),
    ("deadly-heat", BOX, AIR, {"temperature_c": 35.0}, {"temperature_c": 34.9}),
    ("lethal-cold", BOX, AIR, {"temperature_c": 15.0}, {"temperature_c": 15.1}),
    ("warm-side", BOX, AIR, {"temperature_c": 26.1}, {"temperature_c": 26.0}),
    ("rises-hot", BOX, AIR | {"temperature_c": 28.1}, {"temperature_slope_k_h": 2.0}, {"temperature_slope_k_h": 1.9}),
    ("rises-hot", BOX, AIR | {"temperature_slope_k_h": 2.0}, {"temperature_c": 28.1}, {"temperature_c": 28.0}),
    ("rises-hot", BOX, AIR | {"temperature_c": 28.1, "temperature_slope_k_h": 2.0}, {"by_mean": False}, {"by_mean": True}),
    ("rises-out", BOX, AIR | {"temperature_slope_k_h": 2.0}, {"temperature_c": 26.1}, {"temperature_c": 26.0}),
    ("rises-alone", BOX, AIR | {"temperature_slope_k_h": 2.0}, {"room_c": 21.9}, {"room_c": 22.0}),
    ("rises-alone", BOX, AIR | {"room_c": 20.0}, {"temperature_slope_k_h": 2.0}, {"temperature_slope_k_h": 1.9}),
    # Damp and dry.
    ("humid-side", BOX, AIR, {"humidity_pct": 80.1}, {"humidity_pct": 80.0}),
    ("air-dry", BOX, AIR, {"humidity_pct": 69.9}, {"humidity_pct": 70.0}),
    ("air-dry", BOX, AIR | {"humidity_pct": 60.0}, {"temperature_c": 31.9}, {"temperature_c": 32.0}),
    ("vapour-lost", BOX, AIR, {"humidity_slope_pct_h": -30.1}, {"humidity_slope_pct_h": -30.0}),
    ("vapour-lost", BOX, AIR, {"earlier_humidity_slope_pct_h": -30.1}, {"earlier_humidity_slope_pct_h": -30.0}),
    ("lid-doubted", BOX, AIR, {"vapour_fall_k": 1.5}, {"vapour_fall_k": 1.4}),
    ("saturated", BOX, AIR, {"saturated": True}, {"saturated": False}),
    ("visiting", BOX, AIR, {"visiting": True}, {"visiting": False}),
    # A lid that is wet though it is so near the air's temperature is no such lid.
    ("lid-wet-odd", BOX, AIR | WET, {"lid_temperature_c": 19.9}, {"lid_temperature_c": 20.0}),
    ("lid-wet-odd", BOX, AIR | WET | {"lid_temperature_c": 19.0}, {"dew_margin_k": 0.0}, {"dew_margin_k": 0.1}),
    # The devices as they are set.
    ("fan-on", BOX, AIR, {"knobs": {"fan": 0.1}}, {"knobs": {"fan": 0.0}}),
    ("mist-on", BOX, AIR, {"knobs": {"mister": 0.05}}, {"knobs": {"mister": 0.04}}),
    ("vents-open", BOX, AIR, {"knobs": {"vents": 1.0}}, {"knobs": {"vents": 0.0}}),
    ("vents-shut", BOX, AIR, {"knobs": {"vents": 2.0}}, {"knobs": {"vents": 3.0}}),
    ("all-shut", BOX, AIR, {"knobs": {"vents": 0.0, "fan": 0.0}}, {"knobs": {"vents": 0.0, "fan": 0.5}}),
    ("all-shut", BOX, AIR, {"knobs": {"vents": 0.0, "fan": 0.0}}, {"knobs": {"vents": 1.0, "fan": 0.0}}),
    ("can-insulate", BOX, AIR, {"knobs": {"foam": 29.0}}, {"knobs": {"foam": 30.0}}),
    ("unplugged", BOX, AIR, {"knobs": {"heater_plugged": 0.0}}, {"knobs": {"heater_plugged": 1.0}}),
    ("heater", BOX, AIR, {"knobs": {"heater_plugged": 1.0}}, {"knobs": {"heater_plugged": 0.0}}),
    ("watered", BOX, AIR, {"knobs": {"water": 1.1}}, {"knobs": {"water": 1.0}}),
    # A heater: one that is not seen to switch is suspected 1.5 K below the band.
    ("heater-suspect", UNKNOWN, AIR | {"room_c": None, "room_pct": None}, {"temperature_c": 22.4}, {"temperature_c": 22.5}),
    ("heater-doubt", BOX, AIR | {"room_c": None, "room_pct": None}, {"temperature_c": 27.6}, {"temperature_c": 27.5}),
    ("heater-weak", UNHEATED, AIR | {"room_c": 20.0}, {"temperature_c": 23.9}, {"temperature_c": 24.0}),
    # It falls hour by hour as the slowest box without heat does: a 24th of its lead over the room, or as noise would hide it.
    ("falls-freely", UNKNOWN, {"temperature_c": 22.0, "humidity_pct": 80.0, "room_c": 16.0},
        {"hourly_trend_k_h": -0.25}, {"hourly_trend_k_h": -0.24}),
    ("falls-freely", UNKNOWN, {"temperature_c": 22.0, "humidity_pct": 80.0, "room_c": 20.0},
        {"hourly_trend_k_h": -0.15}, {"hourly_trend_k_h": -0.14}),
    ("falls-freely", UNKNOWN, {"temperature_c": 22.0, "humidity_pct": 80.0, "room_c": 16.0, "hourly_trend_k_h": -0.5},
        {"usual_lead_k": 6.0}, {"usual_lead_k": 5.9}),  # its room fell, and the mat gives what it always gave
    ("heats-itself", UNHEATED, AIR, {"room_c": 21.9}, {"room_c": 22.0}),
    ("heats-itself", UNHEATED, AIR | {"room_c": 21.2}, {"temperature_slope_k_h": -0.19}, {"temperature_slope_k_h": -0.21}),
]  # fmt: skip


def shown(figures: dict[str, Any]) -> tuple[Situation, dict[str, Any]]:
    asked = {name: figures.pop(name) for name in ("was_aired", "knobs") if name in figures}
    return situation(figures.pop("temperature_c"), figures.pop("humidity_pct"), **figures), asked


@pytest.mark.parametrize(
    ("fact", "chamber", "both", "holds", "not_so"), FACTS, ids=[f"{row[0]}-{number}" for number, row in enumerate(FACTS)]
)
def test_a_fact_holds_up_to_its_border(
    fact: str, chamber: Chamber, both: dict[str, Any], holds: dict[str, Any], not_so: dict[str, Any]
) -> None:
    for figures, true in ((holds, True), (not_so, False)):
        now, asked = shown({**both, **figures})
        assert (fact in reason(now, chamber, **asked).facts) is true, figures


@pytest.mark.parametrize(
    ("names", "value", "by_mean", "band"),
    [
        ((), 28.0, False, "ok"), ((), 28.1, False, "high"), (("temperature-high",), 27.6, False, "high"),
        (("temperature-high",), 27.5, False, "ok"), (("heater-runaway",), 27.6, False, "high"),
        (("temperature-high",), 27.6, True, "ok"), ((), 24.0, False, "ok"), ((), 23.9, False, "low"),
        (("temperature-low",), 24.4, False, "low"), (("temperature-low",), 24.5, False, "ok"),
        (("heater-failed",), 24.4, False, "low"), (("temperature-low",), 24.4, True, "ok"),
        (("temperature-low",), 28.1, False, "high"), (("temperature-high",), 24.4, False, "ok"),
    ],
)  # fmt: skip
def test_too_warm_and_too_cold_last_until_the_deadband_is_passed(
    names: tuple[str, ...], value: float, by_mean: bool, band: str
) -> None:
    assert reason(situation(value, 80.0, by_mean=by_mean), BOX, *names).temperature == band


@pytest.mark.parametrize(
    ("names", "value", "by_mean", "band"),
    [
        ((), 90.0, False, "ok"), ((), 90.1, False, "high"), (("humidity-high",), 87.1, False, "high"),
        (("humidity-high",), 87.0, False, "ok"), (("mister-stuck",), 87.1, False, "high"), (("damp",), 87.1, False, "high"),
        (("humidity-high",), 87.1, True, "ok"), ((), 70.0, False, "ok"), ((), 69.9, False, "low"),
        (("humidity-low",), 72.9, False, "low"), (("humidity-low",), 73.0, False, "ok"), (("humidity-low",), 72.9, True, "ok"),
    ],
)  # fmt: skip
def test_too_damp_and_too_dry_last_until_the_deadband_is_passed(
    names: tuple[str, ...], value: float, by_mean: bool, band: str
) -> None:
    assert reason(situation(26.0, value, by_mean=by_mean), BOX, *names).humidity == band


@pytest.mark.parametrize(
    ("names", "margin_k", "more", "wet"),
    [
        ((), 0.0, {}, True), ((), 0.1, {}, False), ((), -0.5, {"probability_wet": 0.5}, True),
        ((), -0.5, {"probability_wet": 0.49}, False), ((), -0.5, {"probability_wet": None}, True),
        (("lid-dew",), 0.9, {}, True), (("lid-dew",), 1.0, {}, False), (("lid-drip-tonight",), 3.0, {}, True),
        ((), 3.0, {"lid_seen_wet": True}, True), (("lid-dew",), None, {}, True), ((), None, {}, False),
    ],
)  # fmt: skip
def test_a_lid_is_wet_by_its_margin_by_the_eye_or_by_what_stands(
    names: tuple[str, ...], margin_k: float | None, more: dict[str, Any], wet: bool
) -> None:
    figures = {"dew_margin_k": margin_k, "probability_wet": 1.0} | more
    assert reason(situation(26.0, 80.0, **figures), BOX, *names).lid_wet is wet


@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "thirsty"),
    [(25.5, 69.9, True), (25.5, 70.0, False), (29.0, 60.0, False), (29.0, 56.0, True), (22.0, 69.0, True)],
)
def test_water_leads_where_it_would_be_dry_at_the_right_temperature_too(
    temperature_c: float, humidity_pct: float, thirsty: bool
) -> None:
    """60 %RH at 29 degC are 74 at 25.5, 56 are 69 (table of worked examples)."""
    assert reason(situation(temperature_c, humidity_pct, 21.0, 30.0)).thirsty is thirsty


# ---------------------------------------------------------------- what harms most

# 24 to 20 degC and 28 to 30 degC, 70 to 60 %RH: how far each is on its way from the band to what harms.
WORST = [
    (23.0, 67.0, "humidity-low"), (23.0, 68.0, "temperature-low"),  # a quarter of the way; three tenths, two tenths
    (22.0, 64.0, "humidity-low"), (21.0, 64.0, "temperature-low"), (21.0, 62.0, "humidity-low"),
    (19.0, 60.5, "temperature-low"), (23.9, 69.9, "temperature-low"), (23.9, 69.0, "humidity-low"),
    (29.0, 50.0, "humidity-low"), (29.5, 53.0, "temperature-high"),  # at 25.5 degC 50 and 53 %RH are 61.5 and 67
    (29.0, 80.0, "temperature-high"), (23.0, 80.0, "temperature-low"), (26.0, 69.0, "humidity-low"), (26.0, 80.0, None),
]  # fmt: skip


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "worst"), WORST)
def test_what_is_furthest_on_its_way_to_harm_does_most(temperature_c: float, humidity_pct: float, worst: str | None) -> None:
    box = Chamber(devices=devices(setpoint_c=25.5), humidity=HumidityBand(low=70.0, harmful_low=60.0),
        temperature=TemperatureBand(target=25.5, harmful_low=20.0, harmful_high=30.0))  # fmt: skip
    now = situation(temperature_c, humidity_pct, 18.0, 30.0, dew_margin_k=3.0)
    assert foremost(reason(now, box), temperature_c, humidity_pct) == worst


def test_a_wet_lid_and_damp_air_come_after_heat_cold_and_dryness_and_the_lid_before_the_air() -> None:
    lid = {"dew_margin_k": -1.0, "probability_wet": 1.0}
    for t, rh, more, worst in (
        (26.0, 95.0, {}, "humidity-high"), (26.0, 95.0, lid, "lid-dew"), (26.0, 80.0, lid, "lid-dew"),
        (23.9, 95.0, lid, "temperature-low"), (28.1, 95.0, lid, "temperature-high"),
    ):
        now = situation(t, rh, 21.0, 45.0, **{"dew_margin_k": 3.0} | more)
        assert foremost(reason(now), t, rh) == worst


def test_an_alarm_of_dryness_that_has_come_back_within_its_deadband_does_no_harm() -> None:
    now = situation(26.0, 71.0, 21.0, 45.0)
    cause = reason(now, BOX, "humidity-low")
    assert cause.humidity == "low" and foremost(cause, 26.0, 71.0) is None


# ---------------------------------------------------------------- when heat comes first


def first(t: float, thermostat: State | None, *names: str, felt: bool = False, **more: Any) -> bool:
    now = situation(t, 70.0, **{"room_c": 22.0} | more)
    return heat_comes_first(now, {name: standing(name) for name in names}, thermostat, goal_of(BOX, now), felt)


def unplugged(now_ms: int, minutes_ago: float) -> tuple[DeviceChange, ...]:
    return (DeviceChange(now_ms - round(minutes_ago * MINUTE_MS), "heater_plugged", 0.0),)


@pytest.mark.parametrize(("minutes", "wrong_plug"), [(29.0, False), (30.0, False), (30.1, True), (300.0, True)])
def test_what_heats_on_half_an_hour_after_its_plug_was_pulled_has_another_plug(minutes: float, wrong_plug: bool) -> None:
    now_ms = situation(29.0, 70.0).at_ms
    hot = {"changes": unplugged(now_ms, minutes), "temperature_slope_k_h": 0.6}
    assert first(29.0, "unplugged", "temperature-high", **hot) is wrong_plug
    assert not first(28.0, "unplugged", "temperature-high", **hot)
    assert not first(29.0, "unplugged", **hot) and not first(29.0, "unplugged", "temperature-high", **hot | {"room_c": 25.0})
    assert not first(29.0, "unplugged", "temperature-high", **hot | {"temperature_slope_k_h": 0.5})


@pytest.mark.parametrize(
    ("t", "thermostat", "names", "more", "is_first"),
    [
        (31.9, None, (), {}, False), (32.0, None, (), {}, True), (32.0, "unplugged", (), {}, True),
        (28.1, "stuck", ("temperature-high",), {}, True), (28.0, "stuck", ("temperature-high",), {}, False),
        (28.1, "stuck", (), {}, False), (28.1, "resting", ("temperature-high",), {}, False),
        (28.1, "unknown", ("temperature-high",), {}, False), (28.1, "unknown", ("temperature-high",), {"felt": True}, True),
        (26.1, "unknown", ("heater-runaway",), {}, True), (26.0, "unknown", ("heater-runaway",), {}, False),
        (28.1, "stuck", ("heater-runaway",), {}, True), (28.0, "stuck", ("heater-runaway",), {}, False),
        (25.0, "stuck", ("heater-runaway",), {"mat_temperature_c": 60.1}, True),
        (25.0, "stuck", ("heater-runaway",), {"mat_temperature_c": 60.0}, False),
    ],
)  # fmt: skip
def test_heat_comes_first_where_it_is_lethal_or_a_heater_heats_on(
    t: float, thermostat: State | None, names: tuple[str, ...], more: dict[str, Any], is_first: bool
) -> None:
    assert first(t, thermostat, *names, **more) is is_first


@pytest.mark.parametrize(
    ("more", "itself"),
    [
        ({"room_high_c": 32.4}, True), ({"room_high_c": 32.5}, False),  # it holds the heat of the day
        ({"room_high_c": 32.5, "temperature_slope_k_h": 0.6}, True),
        ({"room_high_c": 32.5, "temperature_slope_k_h": 0.5}, False),
        ({"temperature_slope_k_h": -0.99}, True), ({"temperature_slope_k_h": -1.0}, False),
        ({"changes": ((59.0,),)}, False), ({"changes": ((60.0,),)}, True),  # or what the mat has stored, for an hour
    ],
)  # fmt: skip
def test_what_is_far_above_its_room_and_hardly_falls_is_heated_by_something_else(more: dict[str, Any], itself: bool) -> None:
    """24 K above its room the slowest box without heat falls by one kelvin an hour; what only stores heat gets no warmer."""
    now = situation(34.0, 70.0, 10.0, **{"temperature_slope_k_h": -0.6} | {k: v for k, v in more.items() if k != "changes"})
    minutes = [row[0] for row in more.get("changes", ())]
    now = replace(now, changes=tuple(unplugged(now.at_ms, one)[0] for one in minutes))
    assert heats_itself(now) is itself


# ---------------------------------------------------------------- what geometry says of a chamber


@pytest.mark.parametrize(
    ("fan", "per_h", "variance"),
    [(Fan(flow_m3_h=2.0), 200.0, 0.16), (Fan(), 30.0, 0.81), (None, 30.0, 0.81)],  # 2 m3/h are 200 changes of 10 l
)
def test_the_rates_of_a_box_of_ten_litres_are_those_of_its_floor_and_its_devices(
    fan: Fan | None, per_h: float, variance: float
) -> None:
    """A cube of 10 l has a floor of 0.0464 m2: 4.64 m2 for each m3. Over a buffer of 50: evaporation of 5 m/h from half of the
    floor, 6.2 m/h onto the lid, 0.8 changes of air and 0.9 for each open vent. Spreads add up as variances of logarithms."""
    model = prior_model(Chamber(air_ml=10_000.0, devices=devices(fan=fan, heater=Heater(watts=5.0))))
    rates = {EXCHANGE: 0.8, VENT: 0.9, FAN: per_h, EVAPORATION: 2.5 * 4.6416, LID: 6.2 * 4.6416}
    for index, rate in rates.items():
        assert model.value(index) == pytest.approx(rate / 50.0, rel=1e-4)
    assert (model.value(BUFFER), 1.0 / model.value(COOLING)) == (pytest.approx(50.0), pytest.approx(1.9))
    own = {EXCHANGE: 0.81, VENT: 0.49, FAN: variance, EVAPORATION: 0.81, LID: 0.25}
    for index, square in own.items():
        assert model.covariance[index][index] == pytest.approx(square + 1.0)  # and what is not known of the buffer
        assert model.covariance[index][BUFFER] == -1.0 and model.covariance[index][COOLING] == 0.0
    assert model.covariance[EXCHANGE][LID] == 1.0 and model.covariance[BUFFER][BUFFER] == 1.0
    assert model.covariance[COOLING][COOLING] == pytest.approx(0.16) and model.covariance[COOLING][LIFT] == 0.0
    low, high = model.interval(COOLING)
    assert (high / low) ** 0.25 == pytest.approx(2.718281828 ** (0.98 * 0.4))
    larger = prior_model(Chamber(air_ml=80_000.0, devices=devices(fan=fan)))
    assert 1.0 / larger.value(COOLING) == pytest.approx(1.9 * 8.0**0.3)


@pytest.mark.parametrize(
    ("slope_k_h", "says"), [(0.6, "gets warmer"), (0.1, "gets warmer"), (0.0, "does not cool"), (-0.1, "does not cool")]
)
def test_what_stays_hot_without_its_heater_is_said_to_rise_only_where_it_does(slope_k_h: float, says: str) -> None:
    now = situation(33.0, 70.0, 22.0, temperature_slope_k_h=slope_k_h)
    now = replace(now, changes=unplugged(now.at_ms, 300.0))
    plan = heat(reason(now, BOX, "temperature-high"), AdviceState(), now, BOX, prior_model(BOX))
    assert plan is not None and plan.notes[0] == f"The heater was unplugged, and yet it {says}."
