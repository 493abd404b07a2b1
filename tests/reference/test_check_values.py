"""Every published, library or hand-derived value in check_values.csv against our own function, within its own tolerance."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import pytest

from rules.physics import condensate, moist_air, saturation, uncertainty
from rules.physics import psychrometrics as air
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


def from_wet_bulb(given: Inputs) -> tuple[float, float, float]:
    temperature_c, pressure_pa = float(given["t"]), float(given["P"])
    return temperature_c, air.relative_humidity_pct_from_wet_bulb(temperature_c, float(given["tw"]), pressure_pa), pressure_pa


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
    return air.relative_humidity_at_other_temperature(start, float(given["RH"]), end) - float(given["RH"])


def salt(given: Inputs) -> float:
    name: SaltName = next(name for name, facts in SALTS.items() if facts.formula == given["salt"])
    return salt_point(name, t(given)).relative_humidity_pct


def dry_flux(given: Inputs) -> float:
    vapour_pa = air.vapour_pressure_pa(*t_rh(given))
    return condensate.condensation_flux_g_m2h(vapour_pa, float(given["Tlid_C"]), None, float(given["hc"]))


def margin(given: Inputs) -> float:
    return uncertainty.dew_margin_uncertainty_k(
        *t_rh(given), U_T, U_RH, float(given["room"]), U_T, float(given["f"]), float(given["uf"])
    )


def enclosure(given: Inputs) -> float:
    lid = Lid(material=given["material"], thickness_mm=float(given["d_mm"]), walls=given["walls"])
    return heat_balance(lid).lid_factor


def water_per_point_mg(given: Inputs) -> float:
    pure = air.saturation_vapour_pressure_pa(t(given)) / (moist_air.R_VAPOUR * (t(given) + 273.15))
    return 0.01 * 1000.0 * pure * float(given["V_L"])


CALCULATED: dict[str, Callable[[Inputs], float]] = {
    "region4_pressure_mpa": lambda given: saturation.saturation_pressure_of_one(float(given["T_K"]) - 273.15) / 1e6,
    "region4_temperature_k": lambda given: saturation.saturation_temperature_of_one(float(given["p_MPa"]) * 1e6) + 273.15,
    "ice_pressure_mpa": lambda given: saturation.ice_pressure(float(given["T_K"]) - 273.15) / 1e6,
    "saturation_pressure_pa": lambda given: air.saturation_vapour_pressure_pa(t(given)),
    "ice_pressure_pa": lambda given: air.ice_vapour_pressure_pa(t(given)),
    "saturated_mixing_ratio_kg_kg": lambda given: air.mixing_ratio_g_kg(t(given), 100.0, float(given["P"])) / 1000.0,
    "saturated_enthalpy_j_kg": lambda given: 1000.0 * air.enthalpy_kj_kg(t(given), 100.0, float(given["P"])),
    "standard_pressure_pa": lambda given: pressure_at(float(given["alt_m"])),
    "dew_point_c": lambda given: air.dew_point_c(*t_rh(given)),
    "dew_point_moist_air_c": lambda given: air.dew_point_c(*t_rh(given)),
    "mixing_ratio_g_kg": lambda given: air.mixing_ratio_g_kg(*t_rh_p(given)),
    "absolute_humidity_g_m3": lambda given: air.absolute_humidity_g_m3(*t_rh_p(given)),
    "density_kg_m3": lambda given: air.density_kg_m3(*t_rh_p(given)),
    "enthalpy_kj_kg": lambda given: air.enthalpy_kj_kg(*t_rh_p(given)),
    "wet_bulb_c": lambda given: air.wet_bulb_c(*t_rh_p(given)),
    "vapour_pressure_deficit_pa": lambda given: air.vapour_pressure_deficit_pa(*t_rh(given)),
    "enhancement_factor": lambda given: air.enhancement_factor(t(given), float(given["P"])),
    "humidity_from_wet_bulb_pct": lambda given: from_wet_bulb(given)[1],
    "mixing_ratio_from_wet_bulb_g_kg": lambda given: air.mixing_ratio_g_kg(*from_wet_bulb(given)),
    "dew_point_from_wet_bulb_c": lambda given: air.dew_point_c(*from_wet_bulb(given)[:2]),
    "enthalpy_from_wet_bulb_kj_kg": lambda given: air.enthalpy_kj_kg(*from_wet_bulb(given)),
    "vapour_pressure_from_wet_bulb_pa": lambda given: air.vapour_pressure_pa(*from_wet_bulb(given)[:2]),
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
