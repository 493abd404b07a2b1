"""Every published, library or hand-derived value in check_values.csv against our own function, within its own tolerance."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import pytest

from rules.physics import condensate, moist_air, saturation, uncertainty, vapour
from rules.physics.lid_factor import steady_lid_temperature_c
from rules.physics.lid_heat import heat_balance, temperature_factor_by_resistance
from rules.physics.salt_points import SALTS, SaltName, salt_point
from rules.settings import Lid, Settings, Site, Telling

TABLE = Path(__file__).with_name("check_values.csv")
with TABLE.open(newline="", encoding="utf-8") as opened:
    ROWS = list(csv.DictReader(opened))

Inputs = dict[str, str]
U_T, U_RH = 0.3 / 3**0.5, 2.0 / 3**0.5


def t(given: Inputs) -> float:
    return float(given["t"])


def t_rh(given: Inputs) -> tuple[float, float]:
    return float(given["t"]), float(given["RH"])


def t_rh_p(given: Inputs) -> tuple[float, float, float]:
    return (*t_rh(given), float(given["P"]))


def from_wet_bulb(given: Inputs) -> tuple[float, float]:
    """Temperature and humidity by the psychrometer equation: ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 20 and 33."""
    t_c, wet_c, p = float(given["t"]), float(given["tw"]), float(given["P"])
    at_wet_pa = vapour.saturation_vapour_pressure_pa(wet_c)
    at_wet = 0.621945 * at_wet_pa / (p - at_wet_pa)
    mixing = ((2501.0 - 2.326 * wet_c) * at_wet - 1.006 * (t_c - wet_c)) / (2501.0 + 1.86 * t_c - 4.186 * wet_c)
    return t_c, 100.0 * p * mixing / (0.621945 + mixing) / vapour.saturation_vapour_pressure_pa(t_c)


def pressure_at(altitude_m: float) -> float:
    return Settings(
        site=Site(altitude_m=altitude_m), zone=UTC, rooms={}, chambers={}, probes={}, telling=Telling()
    ).pressure_pa


def lid_by_films(given: Inputs) -> float:
    material = {"0.18": "acrylic", "0.2": "polycarbonate", "1.0": "glass"}[given["lambda"]]
    assert given["Rsi"] == given["Rse"] == "0.10"
    return temperature_factor_by_resistance(Lid(material=material, thickness_mm=1000.0 * float(given["d_m"])))


def per_kelvin(given: Inputs) -> float:
    start, end = (float(part) for part in given["t"].split("->"))
    humidity = float(given["RH"])
    after = humidity * vapour.saturation_vapour_pressure_pa(start) / vapour.saturation_vapour_pressure_pa(end)
    return after - humidity


def salt(given: Inputs) -> float:
    name: SaltName = next(name for name, facts in SALTS.items() if facts.formula == given["salt"])
    return salt_point(name, t(given)).relative_humidity_pct


def dry_flux(given: Inputs) -> float:
    vapour_pa = vapour.vapour_pressure_pa(*t_rh(given))
    return condensate.condensation_flux_g_m2h(vapour_pa, float(given["Tlid_C"]), None, float(given["hc"]))


def margin(given: Inputs) -> float:
    return uncertainty.dew_margin_uncertainty_k(
        *t_rh(given), U_T, U_RH, float(given["room"]), U_T, float(given["f"]), float(given["uf"])
    )


def enclosure(given: Inputs) -> float:
    lid = Lid(material=given["material"], thickness_mm=float(given["d_mm"]), walls=given["walls"])
    return heat_balance(lid).lid_factor


def water_per_point_mg(given: Inputs) -> float:
    pure = vapour.saturation_vapour_pressure_pa(t(given)) / (moist_air.R_VAPOUR * (t(given) + 273.15))
    return 0.01 * 1000.0 * pure * float(given["V_L"])


CALCULATED: dict[str, Callable[[Inputs], float]] = {
    "region4_pressure_mpa": lambda given: saturation.saturation_pressure_of_one(float(given["T_K"]) - 273.15) / 1e6,
    "saturation_pressure_pa": lambda given: vapour.saturation_vapour_pressure_pa(t(given)),
    "standard_pressure_pa": lambda given: pressure_at(float(given["alt_m"])),
    "dew_point_c": lambda given: vapour.dew_point_c(*t_rh(given)),
    "dew_point_moist_air_c": lambda given: vapour.dew_point_c(*t_rh(given)),
    "absolute_humidity_g_m3": lambda given: moist_air.absolute_humidity_g_m3(*t_rh_p(given)),
    "density_kg_m3": lambda given: moist_air.density_kg_m3(*t_rh_p(given)),
    "vapour_pressure_deficit_pa": lambda given: vapour.vapour_pressure_deficit_pa(*t_rh(given)),
    "enhancement_factor": lambda given: moist_air.enhancement_factor(t(given), float(given["P"])),
    "humidity_from_wet_bulb_pct": lambda given: from_wet_bulb(given)[1],
    "dew_point_from_wet_bulb_c": lambda given: vapour.dew_point_c(*from_wet_bulb(given)),
    "vapour_pressure_from_wet_bulb_pa": lambda given: vapour.vapour_pressure_pa(*from_wet_bulb(given)),
    "latent_heat_j_g": lambda given: condensate.latent_heat_j_g(t(given)),
    "lid_factor": lid_by_films,
    "enclosure_factor": enclosure,
    "lid_temperature_c": lambda given: steady_lid_temperature_c(
        float(given["Troom_C"]), float(given["Tin_C"]), float(given["f"])
    ),
    "condensation_flux_g_m2h": dry_flux,
    "condensation_coefficient": lambda given: condensate.MASS_PER_HEAT,
    "dew_point_by_temperature": lambda given: uncertainty.dew_point_sensitivities(*t_rh(given))[0],
    "dew_point_by_humidity": lambda given: uncertainty.dew_point_sensitivities(*t_rh(given))[1],
    "dew_point_uncertainty_k": lambda given: uncertainty.dew_point_uncertainty_k(*t_rh(given), U_T, U_RH),
    "margin_uncertainty_k": margin,
    "margin_uncertainty_measured_k": lambda given: uncertainty.dew_margin_uncertainty_of_measured_lid_k(
        *t_rh(given), U_T, U_RH, U_T
    ),
    "humidity_change_per_kelvin_pct": per_kelvin,
    "water_per_point_mg": water_per_point_mg,
    "salt_pct": salt,
}


def inputs_of(row: dict[str, str]) -> Inputs:
    return dict(part.split("=", 1) for part in row["inputs"].split(";") if part)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['quantity']}[{row['inputs']}]")
def test_our_value_agrees_with_the_source_within_its_tolerance(row: dict[str, str]) -> None:
    ours = CALCULATED[row["quantity"]](inputs_of(row))
    tolerance = float(row["tolerance"])
    kind = {"abs": {"abs": tolerance, "rel": 0.0}, "rel": {"rel": tolerance, "abs": 0.0}}[row["tolerance_kind"]]
    assert ours == pytest.approx(float(row["expected"]), **kind)


def test_the_table_is_large_enough_and_every_row_says_where_it_is_from_and_why_it_may_differ() -> None:
    assert len(ROWS) >= 150
    for row in ROWS:
        assert all(row[key] for key in ("quantity", "unit", "expected", "tolerance", "basis", "source"))
        assert row["from_memory"] in ("yes", "no")


def test_every_quantity_that_we_can_calculate_has_at_least_one_row() -> None:
    assert set(CALCULATED) == {row["quantity"] for row in ROWS}
