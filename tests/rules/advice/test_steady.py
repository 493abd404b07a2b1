"""A thermostat's swing is no climate: the same box gets the same advice at the peak and at the trough of its heating."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from advice_scenes import NOON_MS, alarms, devices, settings_of, situation, standing

from rules.advice.advisory import AdviceState, consider
from rules.advice.plan import plan
from rules.advice.steady import steadied
from rules.climate.situation import Beside, Situation, Swing
from rules.settings import Chamber, Heater, Probe, Room, Settings, Site, Telling
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, Batch
from rules.terms.words import AdviceDone
from rules.turn.advance import advance

CHAMBER = Chamber(devices=devices(), room="study", garden={"volume_ml": 500.0})
SWUNG = {
    "temperature_swing": Swing(25.5, 24.2, 27.2, 0.3, 3), "humidity_swing": Swing(88.0, 80.0, 95.0, 1.5, 3),
    "margin_swing": Swing(1.4, 0.2, 2.2, 0.2, 3),
}  # fmt: skip


def moment(temperature_c: float, humidity_pct: float, slope: float, **changed: object) -> Situation:
    return situation(
        temperature_c, humidity_pct, 22.0, 50.0, factor=0.9, temperature_slope_k_h=slope, humidity_slope_pct_h=-3.0 * slope,
        **(SWUNG | changed),
    )  # fmt: skip


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "slope"), [(24.3, 94.0, -3.0), (25.5, 88.0, 4.0), (27.1, 81, 3.0)])
def test_at_any_moment_of_the_swing_the_chamber_is_at_its_mean(temperature_c: float, humidity_pct: float, slope: float) -> None:
    now = moment(temperature_c, humidity_pct, slope)
    calm = steadied(CHAMBER, now, {})
    assert (calm.temperature_c, calm.relative_humidity_pct, calm.dew_margin_k) == (25.5, 88.0, 1.4)
    assert (calm.temperature_slope_k_h, calm.humidity_slope_pct_h) == (0.0, 0.0)
    assert plan(CHAMBER, AdviceState(), calm, alarms(now, CHAMBER)) is None


def test_boxes_of_one_cable_that_are_too_cool_together_are_told_the_same_in_each_phase() -> None:
    """Four boxes on one thermostat that was set too low swung about 22.5 degC: "the power is out", "it gets warmer again, leave
    it" and "water" followed each other 108 times in two days (attack from outside)."""
    said = []
    for temperature_c, humidity_pct, slope in ((21.9, 70.5, -2.4), (22.5, 68.0, 2.4), (23.4, 64.5, 0.4), (23.4, 64.5, -0.8)):
        beside = Beside("south", "South", "cold", temperature_c + 0.2, 4.0, 1.4, slope)
        now = moment(
            temperature_c, humidity_pct, slope, temperature_swing=Swing(22.5, 21.6, 23.5, 0.2, 3),
            humidity_swing=Swing(68.0, 64.0, 71.0, 0.5, 3), margin_swing=Swing(3.5, 3.0, 4.0, 0.2, 3),
            usual_trough_c=21.6, usual_peak_c=23.5, usual_range_k=1.9, room_temperature_c=17.0, besides=(beside,),
        )  # fmt: skip
        cold = {"temperature-low": standing("temperature-low", since_ms=NOON_MS - 4 * HOUR_MS)}
        said.append(consider(settings_of(CHAMBER), "north", AdviceState(), now, cold, "test")[1][0].headline)
    assert len(set(said)) == 1 and "power" not in said[0]


@pytest.mark.parametrize(("hours", "at_mean"), [(0.1, False), (4.0, True)])
def test_what_an_alarm_of_these_hours_calls_dry_is_not_at_the_mean_of_the_wet_ones_before(hours: float, at_mean: bool) -> None:
    """An urgent letter at 59 %RH, falling by 27 points an hour, advised nothing: on average of its hours it was at 84 (attack
    from outside)."""
    now = moment(25.5, 59.0, 0.3, humidity_swing=Swing(84.0, 58.0, 91.0, 1.5, 3))
    dry = {"humidity-low": standing("humidity-low", since_ms=NOON_MS - round(hours * HOUR_MS), priority="wake")}
    assert (steadied(CHAMBER, now, dry).relative_humidity_pct == 84.0) is at_mean
    assert (consider(settings_of(CHAMBER), "north", AdviceState(), now, dry, "test")[1] == []) is at_mean


def test_a_wide_swing_is_one_though_the_means_of_its_hours_differ() -> None:
    """Between 21 and 28 degC within two hours: at each trough the set point was told to go up, at each peak down."""
    wide = Swing(25.3, 21.0, 28.2, 1.8, 3)
    assert steadied(CHAMBER, moment(21.2, 88.0, -3.0, temperature_swing=wide), {}).temperature_c == 25.3


@pytest.mark.parametrize(("swing", "most_k"), [(None, 1.0), (Swing(29.0, 28.6, 29.3, 0.2, 3), 9.0)])
def test_no_set_point_is_moved_far_before_it_is_known_how_wide_it_swings(swing: Swing | None, most_k: float) -> None:
    chamber = CHAMBER.model_copy(update={"devices": devices(setpoint_c=27.0)})
    now = situation(28.8, 72.0, 17.0, 50.0, temperature_slope_k_h=0.5, temperature_swing=swing)
    wanted = plan(chamber, AdviceState(), now, alarms(now, chamber))
    assert wanted is not None
    lowered = [action.amount or 0.0 for action in wanted.actions if action.device == "heater"]
    assert lowered and 0.0 < lowered[0] <= most_k and (swing is None or lowered[0] > 1.0)


@pytest.mark.parametrize(("trend_k_h", "thermostat", "mean"), [(-0.7, False, False), (-0.1, False, True), (-0.7, True, True)])
def test_a_box_that_no_thermostat_switches_and_that_follows_a_falling_room_does_not_swing(trend_k_h, thermostat, mean) -> None:
    """It was taken to be where it was an hour ago, a kelvin warmer, and its mat was turned up by half of what it took (foreign
    simulation)."""
    chamber = CHAMBER.model_copy(update={"devices": devices(heater=Heater(watts=3.0, thermostat=thermostat))})
    falling = moment(22.8, 92.0, -0.8, temperature_swing=Swing(23.4, 22.6, 24.4, 0.4, 3), hourly_trend_k_h=trend_k_h)
    assert steadied(chamber, falling, {}).by_mean is mean


@pytest.mark.parametrize("half_k", [0.2, 0.9])
def test_a_set_point_is_turned_by_the_troughs_of_its_swing(half_k: float) -> None:
    """Its mean came to 24.5 degC and each trough to 23.6: too cold for a third of the time (foreign simulation)."""
    chamber = CHAMBER.model_copy(update={"devices": devices(setpoint_c=23.5)})
    now = moment(23.5, 80.0, 0.0, temperature_swing=Swing(23.5, 23.5 - half_k, 23.5 + half_k, 0.1, 3),
        usual_c=23.5, usual_peak_c=23.5 + half_k, usual_trough_c=23.5 - half_k, usual_range_k=2.0 * half_k)
    calm = steadied(chamber, now, {})
    assert calm.by_mean
    wanted = plan(chamber, AdviceState(), calm, alarms(now, chamber))
    assert wanted is not None
    heat = next(move for move in wanted.moves if move.knob == "heater")
    assert heat.value is not None and heat.value - half_k >= 24.0 and heat.value + half_k <= 28.0


def test_judged_by_the_moment_the_same_box_was_dried_at_each_rest_of_its_heater() -> None:
    now = moment(24.3, 94.0, -1.5)  # faster, and it would be known to be damp because it cools
    assert plan(CHAMBER, AdviceState(), now, alarms(now, CHAMBER)) is not None


@pytest.mark.parametrize(
    "changed",
    [
        {"temperature_swing": None},
        {"temperature_swing": Swing(25.5, 24.2, 27.2, 1.5, 3)},  # its hours drift: something is going on
        {"temperature_swing": Swing(25.5, 24.2, 27.2, 0.3, 1)},  # one hour alone may be half a swing
        {"temperature_swing": Swing(25.5, 25.3, 25.7, 0.1, 3)},  # it was still, and now it is not
    ],
)
def test_what_is_no_swing_counts_as_it_is(changed: dict[str, Swing | None]) -> None:
    now = moment(24.3, 94.0, -3.0, **changed)
    assert steadied(CHAMBER, now, {}) == now


def test_past_a_harmful_limit_the_moment_counts() -> None:
    wild = {"temperature_swing": Swing(27.0, 23.0, 30.6, 0.3, 3)}
    now = moment(30.5, 70.0, 3.0, **wild)
    assert steadied(CHAMBER, now, {}) == now


@pytest.mark.parametrize(("since_h", "by_mean"), [(0.7, False), (5.0, True)])
def test_a_jump_that_an_alarm_tells_is_no_swing(since_h: float, by_mean: bool) -> None:
    """Of 29.2 °C for 40 min after hours at 25.5 the mean was in band: "take out granules" took the place of "turn it down"."""
    now = moment(29.2, 80.0, 0.0, temperature_swing=Swing(26.1, 25.5, 29.3, 1.1, 2))
    high = standing("temperature-high", priority="wake", since_ms=now.at_ms - round(since_h * HOUR_MS))
    assert steadied(CHAMBER, now, {"temperature-high": high}).by_mean == by_mean


def test_humidity_that_leaves_its_swing_is_news_though_the_heat_swings_on() -> None:
    calm = steadied(CHAMBER, moment(25.0, 60.0, 0.0), {})
    assert (calm.temperature_c, calm.relative_humidity_pct) == (25.5, 60.0)


def test_the_letter_tells_the_present_and_the_mean_that_was_judged() -> None:
    damp = {"humidity_swing": Swing(96.0, 92.0, 99.0, 1.5, 3)}
    now = moment(24.3, 98.0, -3.0, **damp)
    _, events = consider(settings_of(CHAMBER), "north", AdviceState(), now, alarms(now, CHAMBER), "t")
    assert "It is 24.3 °C and 98 %RH, on average of the last 3 hours 25.5 °C and 96 %RH (wanted" in events[0].reason


def test_a_prediction_is_as_wide_as_the_swing_that_goes_on() -> None:
    """It says the mean; a reading at a peak or trough must lie within twice what is stated."""
    now = moment(24.3, 60.0, -3.0, humidity_swing=Swing(60.0, 55.0, 66.0, 1.0, 3))
    _, events = consider(settings_of(CHAMBER), "north", AdviceState(), now, alarms(now, CHAMBER), "t")
    for row in events[0].predictions:
        assert 2.0 * row.temperature_u_k >= (27.2 - 24.2) / 2.0
        assert 2.0 * row.relative_humidity_u_pct >= (66.0 - 55.0) / 2.0


def test_humid_air_under_a_dry_lid_can_wait_until_its_swing_is_known_and_a_wet_lid_cannot() -> None:
    """A box whose vents were opened an hour ago was told to open another one at each rest of its heater."""
    humid, wet = situation(25.5, 93.0, 24.0, 50.0, factor=0.9), situation(25.5, 93.0, 20.0, 50.0)
    for now, waits in ((humid, True), (wet, False)):
        stands = alarms(now, CHAMBER)
        assert plan(CHAMBER, AdviceState(), now, stands) is not None
        assert (plan(CHAMBER, AdviceState(), replace(now, settling=True), stands) is None) == waits


# ---------------------------------------------------------------- through the engine


def swinging(hours: float, mean_pct: float = 86.5, step_min: int = 2) -> Batch:
    """A box on a two-hourly mat: up 2 K and down again, its humidity the other way round; a room that stays."""
    at_ms = NOON_MS + np.arange(0, round(hours * 60), step_min, dtype=np.int64) * MINUTE_MS
    phase = (at_ms - NOON_MS) / HOUR_MS % 2.0
    wave = np.where(phase < 1.0, phase, 2.0 - phase) - 0.5  # a sawtooth from -0.5 to 0.5
    ripple = 0.02 * np.sin(at_ms / 1.7e5)
    series = tuple((probe, name) for probe in ("air", "study-air") for name in ("air_temperature", "relative_humidity"))
    columns = (25.4 + 1.8 * wave + ripple, mean_pct - 9.0 * wave + ripple, 22.0 + ripple, 50.0 + ripple)
    count = len(at_ms)
    return Batch(
        series, np.tile(np.arange(4, dtype=np.int32), count), np.repeat(at_ms, 4), np.repeat(at_ms, 4),
        np.column_stack(columns).ravel(),
    )  # fmt: skip


def shelf() -> Settings:
    chamber = CHAMBER.model_copy(update={"lid": CHAMBER.lid.model_copy(update={"temperature_factor": 0.9})})
    probes = {"air": Probe(place="nest", interval="2min"), "study-air": Probe(place="study", interval="2min")}
    return Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, chambers={"nest": chamber}, probes=probes,
        telling=Telling(),
    )  # fmt: skip


def advised(batch: Batch, items: tuple[AdviceDone, ...] = ()) -> list[AdviceEvent]:
    events = advance(shelf(), None, replace(batch, items=items), int(batch.taken_ms[-1]) + 1).events
    return [event for event in events if isinstance(event, AdviceEvent)]


def test_a_box_whose_mean_is_right_gets_no_advice_once_its_swing_is_known() -> None:
    later = [event for event in advised(swinging(24.0)) if event.at_ms > NOON_MS + 4 * HOUR_MS]
    assert [event.headline for event in later if event.status in ("given", "updated")] == []


def test_a_box_whose_mean_is_wrong_gets_one_piece_of_advice_and_not_another_at_each_peak() -> None:
    later = [event for event in advised(swinging(24.0, mean_pct=64.0)) if event.at_ms > NOON_MS + 4 * HOUR_MS]
    assert len([event for event in later if event.status in ("given", "updated")]) <= 1
    assert {event.device for event in advised(swinging(6.0, mean_pct=64.0))} & {"water", "vent", "fan"}
