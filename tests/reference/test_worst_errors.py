"""Our worst error against each general reference library, over a whole grid; the table is printed into the test output.

The bounds are claims: what we say of ourselves in the docstrings and in the documentation. Where a library is the less
accurate side, the bound is its own known error, and says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import CoolProp.CoolProp as coolprop
import ht
import iapws.iapws97
import numpy as np
import psychrolib
import pytest
from iapws import IAPWS95
from metpy.calc import dewpoint_from_relative_humidity
from metpy.units import units

from rules.physics import moist_air, vapour
from rules.physics.moist_air import STANDARD_PRESSURE_PA

psychrolib.SetUnitSystem(psychrolib.SI)

WARM_C = np.linspace(0.02, 60.0, 61)
SHELF_C = (15.0, 20.0, 24.0, 26.0, 28.0, 32.0, 40.0)
SHELF_PCT = (40.0, 60.0, 75.0, 85.0, 95.0, 100.0)
WIDE = [(t, rh) for t in np.arange(1.0, 61.0, 3.0).tolist() for rh in (20.0, 35.0, 50.0, 70.0, 90.0, 100.0)]
GRID = [(temperature, humidity) for temperature in SHELF_C for humidity in SHELF_PCT]


def _worst(ours: Callable[..., float], theirs: Callable[..., float], points: list[tuple[float, ...]], relative: bool) -> float:
    errors = [abs(ours(*point) - theirs(*point)) / (abs(theirs(*point)) if relative else 1.0) for point in points]
    return max(errors) * (100.0 if relative else 1.0)


@cache
def _coolprop_pressure(temperature_c: float) -> float:
    return float(coolprop.PropsSI("P", "T", temperature_c + 273.15, "Q", 0, "HEOS::Water"))


@cache
def _coolprop_dew_c(temperature_c: float, humidity_pct: float) -> float:
    pressure = humidity_pct / 100.0 * _coolprop_pressure(temperature_c)
    return float(coolprop.PropsSI("T", "P", pressure, "Q", 0, "HEOS::Water")) - 273.15


def _moist(output: str, factor: float = 1.0, offset: float = 0.0) -> Callable[[float, float], float]:
    @cache
    def value(temperature_c: float, humidity_pct: float) -> float:
        given = ("T", temperature_c + 273.15, "P", STANDARD_PRESSURE_PA, "R", humidity_pct / 100.0)
        return float(coolprop.HAPropsSI(output, *given)) * factor + offset

    return value


def _moist_vapour_g_m3(temperature_c: float, humidity_pct: float) -> float:
    return 1000.0 * _moist("W")(temperature_c, humidity_pct) / _moist("Vda")(temperature_c, humidity_pct)


def _magnus_dew_c(temperature_c: float, humidity_pct: float) -> float:
    """Annex 4.B of WMO-No. 8: 611.2 exp(17.62 t / (243.12 + t)) and its inverse."""
    gamma = np.log(humidity_pct / 100.0) + 17.62 * temperature_c / (243.12 + temperature_c)
    return float(243.12 * gamma / (17.62 - gamma))


def _metpy_dew_c(temperature_c: float, humidity_pct: float) -> float:
    dew = dewpoint_from_relative_humidity(units.Quantity(temperature_c, "degC"), humidity_pct / 100.0)
    return float(dew.to("degC").magnitude)


def _ht_ceiling_w_m2k(gap_k: float) -> float:
    """McAdams for a warm plate facing up, edge 0.05 m, air at 23 degC."""
    conductivity, viscosity, diffusivity, length = 0.0259, 1.56e-5, 2.20e-5, 0.05
    grashof = 9.81 / 296.15 * gap_k * length**3 / viscosity**2
    nusselt = ht.conv_free_immersed.Nu_horizontal_plate_McAdams(
        Pr=viscosity / diffusivity, Gr=grashof, buoyancy=True
    )
    return float(nusselt) * conductivity / length


def _film_w_m2k(gap_k: float) -> float:
    return 1.41 * (gap_k / 0.05) ** 0.25  # rules.physics.lid_heat, outside of the lid


@dataclass(frozen=True)
class Comparison:
    library: str
    quantity: str
    over: str
    unit: str
    ours: Callable[..., float]
    theirs: Callable[..., float]
    points: list[tuple[float, ...]]
    bound: float
    why: str = ""

    @property
    def worst(self) -> float:
        return _worst(self.ours, self.theirs, self.points, relative=self.unit == "%")


def one(values: object) -> list[tuple[float, ...]]:
    return [(float(value),) for value in values]  # type: ignore[attr-defined]


COMPARISONS = [
    Comparison("iapws", "saturation pressure, IAPWS-95", "0..60 degC", "%", vapour.saturation_vapour_pressure_pa,
               lambda t: 1e6 * IAPWS95(T=t + 273.15, x=0).P, one(WARM_C[::6]), 0.01),
    Comparison("iapws", "saturation pressure, region 4", "0..80 degC", "%", vapour.saturation_vapour_pressure_pa,
               lambda t: 1e6 * iapws.iapws97._PSat_T(t + 273.15), one(np.linspace(0.0, 80.0, 161)), 1e-9),
    Comparison("CoolProp", "saturation pressure, IAPWS-95", "0..60 degC", "%", vapour.saturation_vapour_pressure_pa,
               _coolprop_pressure, one(WARM_C), 0.01),
    Comparison("CoolProp", "dew point, pure phase", "15..40 degC, 40..100 %", "K", vapour.dew_point_c,
               _coolprop_dew_c, GRID, 0.002),
    Comparison("CoolProp", "dew point, pure phase", "1..60 degC, 20..100 %, > 0", "K", vapour.dew_point_c, _coolprop_dew_c,
               [point for point in WIDE if vapour.dew_point_c(*point) > 0.02], 0.002),
    Comparison("CoolProp", "dew point, real moist air", "15..40 degC, 40..100 %", "K", vapour.dew_point_c,
               _moist("D", 1.0, -273.15), GRID, 0.012),
    Comparison("CoolProp", "dew point, real moist air", "1..60 degC, 20..100 %, > 0", "K", vapour.dew_point_c,
               _moist("D", 1.0, -273.15), [point for point in WIDE if vapour.dew_point_c(*point) > 0.02], 0.025),
    Comparison("CoolProp", "absolute humidity", "15..40 degC, 40..100 %", "%", moist_air.absolute_humidity_g_m3,
               _moist_vapour_g_m3, GRID, 0.1),
    Comparison("CoolProp", "density", "15..40 degC, 40..100 %", "%", moist_air.density_kg_m3,
               lambda t, rh: (1.0 + _moist("W")(t, rh)) / _moist("Vda")(t, rh), GRID, 0.1),
    Comparison("CoolProp", "enhancement factor", "0..60 degC", "1", moist_air.enhancement_factor,
               lambda t: _moist("P_w")(t, 100.0) / _coolprop_pressure(t), one(np.linspace(1.0, 60.0, 60)), 4e-4),
    Comparison("psychrolib", "saturation pressure", "1..60 degC", "%", vapour.saturation_vapour_pressure_pa,
               psychrolib.GetSatVapPres, one(np.linspace(1.0, 60.0, 60)), 0.03, "Hyland-Wexler 1983: 0.023 %"),
    Comparison("psychrolib", "dew point", "15..40 degC, 40..100 %", "K", vapour.dew_point_c,
               lambda t, rh: psychrolib.GetTDewPointFromRelHum(t, rh / 100.0), GRID, 0.006,
               "Hyland-Wexler 1983: 2.4 mK, and its iteration stops at 1 mK"),
    Comparison("(formula)", "dew point, Magnus of WMO-No. 8", "15..40 degC, 40..100 %", "K", vapour.dew_point_c,
               _magnus_dew_c, GRID, 0.035, "its own error is 0.029 K"),
    Comparison("metpy", "dew point", "15..40 degC, 40..100 %", "K", vapour.dew_point_c, _metpy_dew_c, GRID, 0.12,
               "its formula is 0.10 K off there"),
    Comparison("ht", "film on the lid, McAdams", "1..6 K", "%", _film_w_m2k, _ht_ceiling_w_m2k,
               one((1.0, 2.0, 4.0, 6.0)), 3.0, "properties of air rounded"),
]


@pytest.mark.parametrize("comparison", COMPARISONS, ids=lambda row: f"{row.library}-{row.quantity}")
def test_our_worst_error_stays_within_what_we_claim(comparison: Comparison) -> None:
    assert comparison.worst < comparison.bound


def test_table_of_our_worst_errors_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    lines = [
        f"{row.library:11s} {row.quantity:34s} {row.over:26s} {row.worst:10.3g} {row.unit:6s} (claim {row.bound:g}) {row.why}"
        for row in COMPARISONS
    ]
    with capsys.disabled():
        print("\n\nOur worst error against each reference library")
        print("\n".join(lines))
    assert {row.library for row in COMPARISONS} >= {"iapws", "CoolProp", "psychrolib", "metpy", "ht"}
