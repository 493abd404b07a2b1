"""The forecast against the chamber's balance as it is written down, taken in steps of a minute, with a formula of vapour
pressure from elsewhere (Magnus, coefficients of Sonntag 1990), and its beginnings worked by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from advice_scenes import devices, situation
from numpy.typing import NDArray

from rules.advice.balance import Present, Setting, at_rest, by_night, course, present_of
from rules.advice.model import (
    BUFFER,
    COOLING,
    EVAPORATION,
    EXCHANGE,
    FAN,
    LID,
    LIFT,
    VENT,
    evaporation_given_rest,
    lid_factor_with_foam,
    prior_model,
)
from rules.advice.room_day import COURSE_H
from rules.keeper.devices import present_knobs
from rules.settings import Chamber, Heater, Lid, Mister, Vents

Array = NDArray[np.float64]


def e_s(t: Array | float) -> Array:
    return np.asarray(611.2 * np.exp(17.62 * np.asarray(t) / (243.12 + np.asarray(t))))


def dew_c(e: Array) -> Array:
    log = np.log(e / 611.2)
    return np.asarray(243.12 * log / (17.62 - log))


@dataclass
class Small:
    """The climate of each draw after so many hours."""

    t: Array
    e: Array
    lid_c: Array


def small_steps(
    now: Present, rest_c: Array, *, vents: float, fan_min: float, mist_ml: float, wetness: float
) -> dict[float, Small]:
    """dT/dt = (T_rest - T) / tau; de/dt = -N (e - e_room) + G (e_s(T) - e) - L max(0, e - e_s(T_lid)) + M."""
    m = now.model
    loss = m[:, EXCHANGE] + m[:, VENT] * vents + m[:, FAN] * fan_min / 60.0
    gain = m[:, EVAPORATION] * min(wetness, 1.0) + now.wetted * max(wetness - 1.0, 0.0)
    # 1 ml in a day of a box of so many litres, as vapour: 461.5 J/(kg K) at 26 degC; what ground and garden take is the buffer.
    mist = mist_ml / 1000.0 / 24.0 / now.volume_m3 * 461.5 * 299.0 / m[:, BUFFER] + now.source_pa_h
    t, e, at_h, step_h, found = now.temperature_c.copy(), now.vapour_pa.copy(), 0.0, 1.0 / 60.0, {}
    for index in range(24 * 60 + 1):
        lid_c = now.room_c + now.factor * (t - now.room_c)
        if any(abs(at_h - one) < 1e-6 for one in COURSE_H):
            found[round(at_h, 2)] = Small(t, e, lid_c)
        gone = loss * (e - now.room_pa) + m[:, LID] * np.maximum(e - e_s(lid_c), 0.0)
        slope = -gone + gain * (e_s(t) - e) + mist
        stiff = loss + gain + m[:, LID]  # implicit in what decays, so that the fastest draws are stable
        e = np.minimum(e + step_h * slope / (1.0 + step_h * stiff), 0.995 * e_s(t))
        t = t + (rest_c - t) * step_h * m[:, COOLING]
        at_h = (index + 1) / 60.0
    return found


def setting(now: Present, **changed: float) -> Setting:
    body = {
        "heat_k": 0.0, "power": 1.0, "vents": now.knobs["vents"], "fan_share": now.knobs["fan"] / 60.0,
        "mist_ml_d": now.knobs["mister"], "foam_mm": now.knobs.get("foam", 0.0), "wetness": 1.0,
    }  # fmt: skip
    return Setting(**{name: np.full(1, value) for name, value in (body | changed).items()})


def present(
    t: float, rh: float, room: float | None = 20.0, room_pct: float | None = 45.0, chamber: Chamber | None = None, **more
) -> Present:
    chamber = chamber or Chamber(devices=devices(setpoint_c=t))
    return present_of(prior_model(chamber), chamber, situation(t, rh, room, room_pct, **more), present_knobs(chamber, ()))


SCENES = [
    ("nothing", present(26.0, 75.0), {}),
    ("warmer", present(26.0, 70.0), {"heat_k": 1.5}),
    ("aired", present(26.0, 88.0), {"vents": 3.0}),
    ("shut", present(26.0, 62.0), {"vents": 0.0, "fan_share": 0.0}),
    ("fan", present(25.0, 85.0), {"fan_share": 6.0 / 60.0}),
    ("misted", present(26.0, 60.0), {"mist_ml_d": 6.0}),
    ("less mist", present(26.0, 90.0), {"mist_ml_d": 0.0}),
    ("watered", present(26.0, 60.0), {"wetness": 2.6}),
    ("dried", present(26.0, 92.0), {"wetness": 0.7}),
    ("all", present(28.0, 68.0, 23.0, 60.0), {"heat_k": -2.0, "vents": 2.0, "wetness": 1.4, "mist_ml_d": 4.0}),
    ("falls", present(26.0, 80.0, humidity_slope_pct_h=-5.0), {"vents": 0.0}),
]


@pytest.mark.parametrize(("now", "changed"), [row[1:] for row in SCENES], ids=[row[0] for row in SCENES])
def test_the_course_and_its_end_are_those_of_the_balance(now: Present, changed: dict[str, float]) -> None:
    asked = setting(now, **changed)
    heat_k = changed.get("heat_k", 0.0)
    rest_c = now.rest_c + heat_k
    truth = small_steps(
        now, rest_c, vents=float(asked.vents[0]), fan_min=60.0 * float(asked.fan_share[0]), mist_ml=float(asked.mist_ml_d[0]),
        wetness=float(asked.wetness[0]),
    )
    for hours, step in zip(COURSE_H, course(now, asked), strict=True):
        true = truth[hours]
        rh, margin = 100.0 * true.e / e_s(true.t), true.lid_c + now.lid_offset_k - dew_c(true.e)
        assert step.temperature_c[0] == pytest.approx(true.t, abs=0.03)
        assert step.humidity_pct[0] @ now.weight == pytest.approx(rh @ now.weight, abs=0.6), hours
        assert np.abs(step.humidity_pct[0] - rh) @ now.weight < 0.7, hours
        assert step.margin_k[0] @ now.weight == pytest.approx(margin @ now.weight, abs=0.15), hours
    end = at_rest(now, asked)
    settled = 100.0 * truth[24.0].e / e_s(truth[24.0].t)
    quick = now.model[:, EXCHANGE] + now.model[:, EVAPORATION] > 0.12  # 6 % are left after a day; the others are not at rest
    assert end.temperature_c[0] == pytest.approx(rest_c, abs=1e-6)
    assert np.abs(end.humidity_pct[0] - settled)[quick].max() < 1.2 and quick.sum() >= 10


# ---------------------------------------------------------------- where it begins


@pytest.mark.parametrize(("slope", "goes_on"), [(0.0, 0.0), (-4.0, -2.0), (6.0, 3.0), (-20.0, -4.0)])
def test_each_draw_explains_how_the_humidity_moves_of_which_half_goes_on(slope: float, goes_on: float) -> None:
    """Half of a slope of at most 8 points an hour goes on, give or take three tenths of it, where no thermostat swings; where
    the box takes longer than three hours to come to rest, by as much less."""
    chamber = Chamber(devices=devices(None, mister=None))
    now = present(26.0, 75.0, chamber=chamber, humidity_slope_pct_h=slope)
    m, air, model = now.model, e_s(26.0), prior_model(chamber)
    loss = m[:, EXCHANGE] + m[:, VENT] * 1.0 + m[:, FAN] / 60.0
    lid = m[:, LID] * np.maximum(now.vapour_pa - e_s(now.room_c + now.factor * 6.0), 0.0)
    gained = m[:, EVAPORATION] * (air - now.vapour_pa) + now.source_pa_h
    change = 100.0 * (gained - loss * (now.vapour_pa - now.room_pa) - lid) / air
    change /= np.minimum(3.0 * (loss + np.exp(evaporation_given_rest(model)[0])), 1.0)
    middle, spread = np.median(change), 0.6 * abs(goes_on)
    assert middle == pytest.approx(goes_on, abs=0.25)
    assert np.quantile(change, [0.16, 0.84]) == pytest.approx([middle - spread, middle + spread], abs=0.4)


@pytest.mark.parametrize(("slope", "goes_on"), [(0.0, 0.0), (-4.0, -2.0), (6.0, 3.0), (-20.0, -4.0)])
def test_half_of_a_pace_of_humidity_goes_on_and_dies_down_within_hours(slope: float, goes_on: float) -> None:
    """Half of a slope of at most 8 points an hour goes on, where no thermostat swings, and no further than in three hours: it
    went on for a day, and a room that stood at 40 %RH was to be at 86 (recorded house)."""
    box = Chamber(devices=devices(None))
    now, stood = (present(26.0, 75.0, chamber=box, humidity_slope_pct_h=each) for each in (slope, 0.0))
    moved = [float(each.humidity_pct[0] @ one.weight) - 75.0 for one in (now, stood) for each in (at_rest(one, setting(one)),)]
    assert moved[1] == pytest.approx(0.0, abs=0.1)
    assert 0.3 * abs(goes_on) <= abs(moved[0]) <= 3.3 * abs(goes_on)
    assert moved[0] * goes_on >= 0.0


@pytest.mark.parametrize("mist_ml_d", [0.5, 4.0, 30.0])
def test_what_stands_stays_where_it_is_however_much_is_said_to_be_misted(mist_ml_d: float) -> None:
    """Half of the mist was given and all of it booked: 59 %RH that had stood for days was to end at 87 by itself, and no letter
    had a step (attack from outside)."""
    now = present(26.0, 60.0, chamber=Chamber(devices=devices(26.0, mister=Mister(ml_per_day=mist_ml_d, ml_per_press=0.5))))
    less, same, more = (
        at_rest(now, setting(now, mist_ml_d=ml_d)).humidity_pct[0] for ml_d in (mist_ml_d / 2.0, mist_ml_d, mist_ml_d + 2.0)
    )
    assert same == pytest.approx(60.0, abs=0.5)
    assert (less < same - 0.2).all() and (more > same + 0.2).all()


def test_the_draws_that_need_an_evaporation_as_geometry_says_count_most() -> None:
    now = present(26.0, 75.0)
    geometry = prior_model(Chamber(devices=devices(setpoint_c=26.0))).value(EVAPORATION)
    far = np.abs(np.log(now.model[:, EVAPORATION] / geometry))
    assert now.weight[far < 0.5].mean() > 1.5 * now.weight[far > 1.5].mean()
    assert (now.weight > 0.0).all() and now.weight.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(("heated", "below_k"), [(True, 4.0), (False, 0.76)])
def test_a_room_that_nobody_measures_is_colder_than_a_heated_box_and_about_as_warm_as_another(
    heated: bool, below_k: float
) -> None:
    """4 K below give or take 2 K; without heater half a kelvin below, and never more than 1 K above, which cuts the upper
    quarter off: 0.5 - 1.5 x 0.227 + 2 x 0.301 = 0.76 K on the mean. Its humidity is 48 give or take 12 %RH."""
    chamber = Chamber(devices=devices() if heated else devices(heater=None))
    now = present(26.0, 75.0, None, None, chamber)
    assert now.room_c.mean() == pytest.approx(26.0 - below_k, abs=0.06) and now.room_c.max() <= 27.0
    if heated:
        assert now.room_c.std() == pytest.approx(2.0, abs=0.1)
    share = 100.0 * now.room_pa / e_s(now.room_c)
    assert share.mean() == pytest.approx(48.0, abs=1.0) and share.std() == pytest.approx(12.0, abs=1.5)
    assert share.min() >= 19.9 and (now.room_pa <= now.vapour_pa + 1.0).all()
    dry = present(20.0, 15.0, None, None, chamber)
    assert dry.room_pa.max() == pytest.approx(0.15 * float(e_s(20.0)), rel=4e-3)  # it holds no more than the box


def test_the_lids_factor_is_what_its_probe_says_where_the_room_is_cool_enough_and_else_what_is_known_of_such_lids() -> None:
    seen = present(26.0, 75.0, 20.0, lid_temperature_c=23.0)
    assert seen.factor == pytest.approx(np.full(len(seen.weight), 0.5))
    assert present(26.0, 75.0, 20.0, lid_temperature_c=27.0).factor.max() == pytest.approx(0.98)
    assert present(26.0, 75.0, 20.0, lid_temperature_c=19.0).factor.min() == pytest.approx(0.05)
    near = present(26.0, 75.0, 25.1, lid_temperature_c=25.1)
    assert near.factor.std() > 0.03  # of a lift of 0.9 K no factor is read
    told = Chamber(devices=devices(setpoint_c=26.0), lid=Lid(temperature_factor=0.6))
    assert present(26.0, 75.0, 20.0, 45.0, told, lid_temperature_c=None).factor.mean() == pytest.approx(0.6, abs=0.02)


# ---------------------------------------------------------------- where the temperature goes

BARE = Chamber(devices=devices(heater=None))
MAT = Chamber(devices=devices(heater=Heater(watts=20.0, thermostat=False)))


@pytest.mark.parametrize(("slope_k_h", "goes"), [(0.4, 0.0), (-0.4, 0.0), (-1.0, -0.7), (0.5, 0.35)])
def test_what_moves_goes_on_for_seven_tenths_of_the_boxs_time_constant(slope_k_h: float, goes: float) -> None:
    now = present(24.0, 75.0, 20.0, 45.0, BARE, temperature_slope_k_h=slope_k_h)
    expected = np.maximum(24.0 + goes / now.model[:, COOLING], 19.7)  # a garden warms its box by 0.2 K; half a kelvin for noise
    assert now.rest_c == pytest.approx(expected)


def test_an_unplugged_box_far_above_its_room_comes_down_to_it_and_to_what_its_garden_warms() -> None:
    box = Chamber(devices=devices(setpoint_c=26.0))
    knobs = present_knobs(box, ()) | {"heater_plugged": 0.0}
    for t, end in ((26.3, 20.2), (26.1, 26.1)):
        now = present_of(prior_model(box), box, situation(t, 75.0, 20.0, 45.0), knobs)
        assert now.rest_c == pytest.approx(np.full(len(now.weight), end))


def test_a_thermostat_is_heeded_between_what_the_room_gives_and_all_that_its_heater_can() -> None:
    now = present(26.0, 75.0, 20.0)
    for heat_k in (-20.0, -1.5, 0.5, 60.0):
        end = at_rest(now, setting(now, heat_k=heat_k)).temperature_c[0]
        assert end == pytest.approx(np.clip(26.0 + heat_k, 20.2, np.maximum(20.2 + now.model[:, LIFT], 26.0)))


@pytest.mark.parametrize(
    ("power", "foam_mm", "end_c"),
    [
        (1.0, 0.0, 26.0), (0.5, 0.0, 23.0), (0.0, 0.0, 20.0), (1.5, 0.0, 29.0), (1.0, 10.0, 26.36), (1.0, 20.0, 26.72),
        (1.0, 30.0, 26.72),
    ],
)  # fmt: skip
def test_a_mat_that_nothing_switches_lifts_its_box_by_its_power_and_by_what_foam_keeps(
    power: float, foam_mm: float, end_c: float
) -> None:
    """6 K over its room: half the power is half of that. 20 mm of foam on the lid keep 12 % more, as more of it does."""
    now = present(26.0, 75.0, 20.0, 45.0, MAT)
    assert at_rest(now, setting(now, power=power, foam_mm=foam_mm)).temperature_c[0] == pytest.approx(
        np.full(len(now.weight), end_c)
    )


def test_less_of_a_mat_in_a_room_that_is_warmer_than_its_box_takes_away_what_the_mat_itself_gives() -> None:
    now = present(26.0, 75.0, 27.0, 45.0, MAT)
    end = at_rest(now, setting(now, power=0.25)).temperature_c[0]
    assert end == pytest.approx(26.7 - 0.75 * now.model[:, LIFT])  # with all of it: as warm as a room and a garden make it


def test_open_vents_take_heat_from_a_mat_that_nothing_switches_as_the_air_that_they_change_carries() -> None:
    """Each change of air an hour carries off 0.35 % of what the walls of such a box lose, over what its ground buffers."""
    box = Chamber(devices=devices(heater=Heater(watts=20.0, thermostat=False), vents=Vents(count=3, open=0)))
    now = present(26.0, 75.0, 20.0, 45.0, box)
    m = now.model
    shut = m[:, EXCHANGE] + m[:, FAN] / 60.0
    share = (1.0 + 0.0035 * m[:, BUFFER] * shut) / (1.0 + 0.0035 * m[:, BUFFER] * (shut + 3.0 * m[:, VENT]))
    assert at_rest(now, setting(now, vents=3.0)).temperature_c[0] == pytest.approx(20.0 + 6.0 * share)


def test_the_night_takes_a_room_down_and_its_vapour_only_as_far_as_it_must() -> None:
    now = present(26.0, 75.0, 20.0, 45.0)
    night = by_night(now, 4.0)
    assert night.room_c == pytest.approx(now.room_c - 4.0) and night.most_c == pytest.approx(now.most_c - 4.0)
    assert night.free_c == pytest.approx(np.full(len(now.weight), 16.2)) and night.room_pa == pytest.approx(now.room_pa)
    damp = by_night(present(26.0, 85.0, 20.0, 90.0), 4.0)
    assert damp.room_pa == pytest.approx(np.full(len(now.weight), 0.97 * float(e_s(16.0))), rel=4e-3)


@pytest.mark.parametrize(("before_mm", "then_mm"), [(0.0, 10.0), (10.0, 30.0), (30.0, 0.0), (5.0, 5.0)])
def test_foam_changes_the_lids_factor_by_what_it_adds_to_its_resistance(before_mm: float, then_mm: float) -> None:
    """In series: 10 mm of foam of 0.035 W/mK resist by 0.286 m2K/W; a factor f is H / (H + U), so H is unchanged."""
    factor = np.array([0.3, 0.5])
    there = lid_factor_with_foam(factor, before_mm, then_mm)
    assert lid_factor_with_foam(there, then_mm, before_mm) == pytest.approx(factor)
    thick = lid_factor_with_foam(np.array([0.9]), 0.0, 60.0)
    assert float(thick[0]) == pytest.approx(0.92)
    assert (there > factor).all() if then_mm > before_mm else (there <= factor).all()

