"""Do the worlds of the yard deserve trust? Balances close, and what they come to agrees with what others published."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from yard_air import (
    LATENT_J_G,
    density_g_m3,
    dew_point_c,
    humidity_pct,
    plate_film,
    radiant_film,
    saturation_g_m3,
    saturation_pa,
    vapour_film_m_s,
    wall_film,
)
from yard_box import Box, Parts, Weather
from yard_chambers import WORLDS, drawn
from yard_devices import Controls, Fault, Heating, Openings
from yard_recorded_box import RecordedBox, steam_response, wall_responses

HERE = Path(__file__).parent
ONE = np.ones(1)


def parts(**changed: object) -> Parts:
    """Eight litres of bare plastic with damp ground and a garden of 400 ml."""
    made = Parts(
        litres=8.0, height_m=0.2, lid_r=0.003 / 0.19, lid_j_m2k=5200.0, wall_r=0.003 / 0.19, wall_j_m2k=5200.0,
        floor_w_m2k=1.5, ground_j_m2k=1.5e4, deep_j_m2k=4e4, ground_deep_w_m2k=8.0, emissivity=0.9,
        heating=Heating(15.0, thermostat=False), openings=Openings(0.008, 0.01, 5.0), drip_g_m2=400.0, ground_g_m2=400.0,
        ground_half_g_m2=200.0, oswin=0.5, deep_hours=8.0, garden_ml=400.0, garden_s_m=500.0, granules_g=15.0,
    )  # fmt: skip
    return replace(made, **changed)


def controls(power: float = 0.6, **changed: float) -> Controls:
    given = {"setpoint_c": 26.0, "power": power, "plugged": 1.0, "vents": 0.0, "fan_min_h": 0.0, "mist_ml_d": 0.0}
    return Controls(**{name: np.array([value]) for name, value in (given | {"foam_mm": 0.0} | changed).items()}).widened(1)


def rested(box: Box, k: Controls, hours: float = 30.0, room_c: float = 20.0, room_pct: float = 50.0) -> Box:
    room_g = float(density_g_m3(room_c, room_pct))
    for minute in range(round(hours * 60)):
        box.step(k, Weather(room_c, room_g, hour=minute / 60 % 24, day=minute / 1440), Fault.none(1))
    return box


def test_nothing_of_the_program_is_in_the_yard() -> None:
    """Only the door may start the program, as a process of its own; no world shares its code."""
    ours = {"rules", "adapters", "daemon"}
    for path in HERE.glob("yard_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [
                node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not {name.split(".")[0] for name in names} & ours, path.name


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa"), [(0.01, 611.7), (10.0, 1228), (20.0, 2339), (25.0, 3170), (30.0, 4247), (40.0, 7385)]
)
def test_saturation_agrees_with_the_steam_tables(temperature_c: float, pressure_pa: float) -> None:
    """IAPWS-95 saturation table; the closed form is good to a third of a percent."""
    assert float(saturation_pa(temperature_c)) == pytest.approx(pressure_pa, rel=0.004)


def test_the_dew_point_is_the_inverse_of_saturation() -> None:
    t = np.linspace(0.0, 35.0, 71)
    assert np.abs(dew_point_c(saturation_g_m3(t)) - t).max() < 1e-6


def test_a_wet_thermometer_comes_to_the_wet_bulb_of_the_psychrometric_chart() -> None:
    """ASHRAE psychrometric chart: air of 25 degC and 50 %RH has a wet bulb of 17.9 degC; a calm film without radiation
    comes within half a kelvin, since heat and vapour do not share one layer exactly."""
    wet_c, heat = np.linspace(10.0, 25.0, 3001), 6.0
    gain = heat * (25.0 - wet_c) - LATENT_J_G * vapour_film_m_s(heat) * (saturation_g_m3(wet_c) - density_g_m3(25.0, 50.0))
    assert wet_c[np.argmin(np.abs(gain))] == pytest.approx(17.9, abs=0.5)


@pytest.mark.parametrize(("direction", "resistance"), [("up", 0.10), ("sideways", 0.13), ("down", 0.17)])
def test_surfaces_resist_heat_as_the_standard_says(direction: str, resistance: float) -> None:
    """ISO 6946 table 7, inner surfaces at emissivity 0.9 and 20 degC, for the few kelvins and centimetres that a box has."""
    film = {
        "up": plate_film(np.array([4.0]), 0.05, unstable=True), "sideways": wall_film(np.array([4.0]), 0.25),
        "down": plate_film(np.array([4.0]), 0.05, unstable=False),
    }[direction]  # fmt: skip
    assert 1.0 / float((film + radiant_film(20.0, 0.9))[0]) == pytest.approx(resistance, rel=0.25)


def test_vapour_passes_to_a_surface_as_the_moisture_simulations_have_it() -> None:
    """Kuenzel 1995: 7e-9 kg/(m2 s Pa) for each W/(m2 K) of convection (from memory)."""
    per_pascal = vapour_film_m_s(3.0) / (461.5 * 298.15)
    assert float(per_pascal) == pytest.approx(7e-9 * 3.0, rel=0.1)


def test_no_heat_and_no_water_is_lost_or_made() -> None:
    box = rested(Box(parts(), 1, 24.0, 75.0), controls(vents=1.0, mist_ml_d=6.0, fan_min_h=2.0), hours=36.0)
    assert abs(float(box.heat_error_j[0])) < 1e-3
    assert abs(float(box.water_error_g[0])) < 1e-6


def test_a_spray_cools_the_air_of_a_small_box_to_its_wet_bulb_and_no_further() -> None:
    """Stull 2011, J. Appl. Meteorol. Climatol. 50:2267, wet bulb from temperature and humidity (from memory)."""
    small = parts(litres=1.3, height_m=0.1, garden_ml=4.0, granules_g=2.0)
    box = rested(Box(small, 1, 24.0, 60.0), controls(power=0.1), hours=8.0)
    t, rh = float(box.air_c[0]), float(box.humidity_pct[0])
    box.step(controls(power=0.1, mist_ml_d=6.0), Weather(20.0, 8.0, hour=8.0), Fault.none(1))
    wet_bulb_c = (
        t * np.arctan(0.151977 * (rh + 8.313659) ** 0.5) + np.arctan(t + rh) - np.arctan(rh - 1.676331)
        + 0.00391838 * rh**1.5 * np.arctan(0.023101 * rh) - 4.686035
    )  # fmt: skip
    assert wet_bulb_c - 0.5 < float(box.air_c[0]) < t
    assert abs(float(box.heat_error_j[0])) < 1e-3 and abs(float(box.water_error_g[0])) < 1e-6


def test_at_rest_the_heater_gives_what_the_walls_and_the_water_take() -> None:
    """The first law at the whole box: 9 W in; out through lid, walls and floor, and as latent heat of what left."""
    box = rested(Box(parts(), 1, 24.0, 75.0), controls(), hours=36.0)
    room_g = float(density_g_m3(20.0, 50.0))
    flow_m3_s = 0.008 * np.sqrt(float(box.air_c[0] - 20.0) / 5.0) / 3600.0
    vapour_w = LATENT_J_G * flow_m3_s * float(box.vapour_g_m3[0] - room_g)
    assert float(box.loss_w[0]) + vapour_w == pytest.approx(9.0, abs=0.25)  # the films still grow: a little heat is theirs


def test_a_box_needs_as_much_heat_per_kelvin_as_its_surfaces_let_through() -> None:
    """Six faces by ISO 6946 (0.10 to 0.17 inside, the same outside): 3 to 5 W/(m2 K), on 0.2 m2 of walls and lid."""
    box = rested(Box(parts(garden_ml=1.0, granules_g=0.0, ground_g_m2=2.0), 1, 24.0, 40.0), controls(), hours=36.0)
    assert 0.6 < 9.0 / float(box.air_c[0] - 20.0) < 1.6


def test_in_a_wet_box_the_lid_sets_the_humidity() -> None:
    """The dew point cannot stay above the coldest surface: a common finding at greenhouse covers and windows."""
    box = rested(Box(parts(), 1, 24.0, 75.0), controls(), hours=36.0)
    assert float(box.lid_g[0]) > 0.0
    assert float(dew_point_c(box.vapour_g_m3)[0]) == pytest.approx(float(box.lid_c[0]), abs=1.5)


def test_foam_on_the_lid_dries_it() -> None:
    bare, foamed = (rested(Box(parts(), 1, 24.0, 75.0), controls(foam_mm=foam)) for foam in (0.0, 20.0))
    assert float(foamed.lid_c[0] - bare.lid_c[0]) > 1.5
    assert float(foamed.film_g_m2[0]) < 0.5 * float(bare.film_g_m2[0])


def test_without_heat_a_box_falls_to_its_room() -> None:
    dry = parts(garden_ml=1.0, granules_g=0.0, ground_g_m2=2.0)
    box = rested(Box(dry, 1, 26.0, 50.0), controls(power=0.0), hours=36.0)
    assert float(box.air_c[0]) == pytest.approx(20.0, abs=0.2)


def test_an_open_lid_lets_the_air_change_many_times_an_hour() -> None:
    closed, ajar = (
        rested(Box(parts(garden_ml=1.0, granules_g=0.0), 1, 26.0, 80.0), controls(gap_m2=gap), hours=4.0) for gap in (0.0, 2e-3)
    )
    assert float(humidity_pct(ajar.air_c, ajar.vapour_g_m3)[0]) < float(humidity_pct(closed.air_c, closed.vapour_g_m3)[0]) - 5


def test_many_keepers_side_by_side_do_not_touch_one_another() -> None:
    kept = drawn("nodes", 7)
    alone, beside = kept.box(1), kept.box(3)
    k = kept.controls.widened(3)
    k.setpoint_c[1:], k.foam_mm[2] = 30.0, 40.0
    for minute in range(600):
        alone.step(kept.controls.widened(1), kept.course.at(minute), Fault.none(1))
        beside.step(k, kept.course.at(minute), Fault.none(3))
    assert float(alone.air_c[0]) == float(beside.air_c[0])
    assert float(alone.vapour_g_m3[0]) == float(beside.vapour_g_m3[0])


def test_the_recordings_are_explained_by_what_was_read_from_them() -> None:
    inside, weather, residual_k = wall_responses()
    assert residual_k < 1.0  # of a course that spans 36 K over five months
    assert sum(inside.weight) + sum(weather.weight) == pytest.approx(1.0, abs=0.08)  # nothing else warms the wall
    _, residual = steam_response()
    assert residual < 0.03


def test_a_recorded_box_keeps_the_recorded_shape() -> None:
    """After a step of heat the response is a sum of the recorded poles, not one exponential: its slope falls slower."""
    kept = drawn("recorded", 3)
    box = kept.box(1)
    assert isinstance(box, RecordedBox)
    k = kept.controls.widened(1)
    k.plugged[:] = 0.0
    for _ in range(2 * 1440):
        box.step(k, Weather(20.0, 8.0), Fault.none(1))
    assert float(box.air_c[0]) == pytest.approx(20.0, abs=0.2)
    assert 0.0 <= float(box.humidity_pct[0]) <= 100.0


@pytest.mark.parametrize("world", WORLDS)
def test_any_chamber_stays_within_what_can_be(world: str) -> None:
    for seed in range(3):
        kept = drawn(world, seed)
        box, k = kept.box(1), kept.controls.widened(1)
        for minute in range(1440):
            box.step(k, kept.course.at(minute), Fault.none(1))
        assert 5.0 < float(box.air_c[0]) < 60.0
        assert 5.0 < float(box.humidity_pct[0]) <= 100.0
        assert float(box.lid_g[0]) >= 0.0
        assert float(box.granules_g[0]) >= 0.0
