"""The numbers behind `dewlid dew`: what one reading of air, room and lid says, with standard uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

from rules.physics.lid_factor import LidTemperature, believed_lid, prior_factor, steady_lid_temperature_c
from rules.physics.moist_air import STANDARD_PRESSURE_PA, absolute_humidity_g_m3
from rules.physics.saturation import PRESSURE, RELATIVE_HUMIDITY, TEMPERATURE
from rules.physics.uncertainty import (
    absolute_humidity_uncertainty_g_m3,
    dew_margin_uncertainty_k,
    dew_margin_uncertainty_of_measured_lid_k,
    dew_point_uncertainty_k,
    humidity_standard_uncertainty_pct,
    probability_wet,
    standard_uncertainty_from_limits,
    vapour_pressure_deficit_uncertainty_pa,
    vapour_pressure_uncertainty_pa,
)
from rules.physics.vapour import (
    dew_point_c,
    relative_humidity_pct_from_dew_point,
    vapour_pressure_deficit_pa,
    vapour_pressure_pa,
)
from rules.settings import Lid


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Stated limits of error of the probes, taken as rectangular."""

    temperature_k: float = 0.3
    humidity_pct: float = 2.0


@dataclass(frozen=True, slots=True)
class DewReport:
    """Everything that air, room and lid say together; None where an input is absent."""

    dew_point_c: float
    u_dew_point_k: float
    absolute_humidity_g_m3: float
    u_absolute_humidity_g_m3: float
    vapour_pressure_pa: float
    u_vapour_pressure_pa: float
    vapour_pressure_deficit_pa: float
    u_vapour_pressure_deficit_pa: float
    lid_temperature_c: float | None
    u_lid_temperature_k: float | None
    lid_source: str | None
    """`measured` or `estimated`; None: neither a lid nor a room temperature was given."""
    dew_margin_k: float | None
    u_dew_margin_k: float | None
    probability_wet: float | None
    lid_wet_from_pct: float | None
    """The humidity from which this lid is wet at this air temperature, %RH."""


def dew_report(
    air_c: float,
    relative_humidity_pct: float,
    *,
    room_c: float | None = None,
    lid: Lid | None = None,
    lid_c: float | None = None,
    accuracy: Accuracy | None = None,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> DewReport:
    """Return the report of one reading; a measured lid temperature wins over one estimated from the room.

    OutOfRange names the input that lies outside -40 to 80 degC, above 0 to 104 %RH or 50 to 110 kPa.
    """
    accuracy = accuracy or Accuracy()
    air_c, rh = TEMPERATURE.accept(air_c), RELATIVE_HUMIDITY.accept(relative_humidity_pct)
    pressure_pa = PRESSURE.accept(pressure_pa)
    dew_c = dew_point_c(air_c, rh)
    u_t = standard_uncertainty_from_limits(accuracy.temperature_k)
    u_rh = humidity_standard_uncertainty_pct(rh, accuracy.humidity_pct)
    believed, u_margin_k = _lid_and_margin(air_c, rh, room_c, lid or Lid(), lid_c, u_t, u_rh)
    margin_k = None if believed.temperature_c is None else believed.temperature_c - dew_c
    return DewReport(
        dew_point_c=dew_c,
        u_dew_point_k=dew_point_uncertainty_k(air_c, rh, u_t, u_rh),
        absolute_humidity_g_m3=absolute_humidity_g_m3(air_c, rh, pressure_pa),
        u_absolute_humidity_g_m3=absolute_humidity_uncertainty_g_m3(air_c, rh, u_t, u_rh, pressure_pa),
        vapour_pressure_pa=vapour_pressure_pa(air_c, rh),
        u_vapour_pressure_pa=vapour_pressure_uncertainty_pa(air_c, rh, u_t, u_rh),
        vapour_pressure_deficit_pa=vapour_pressure_deficit_pa(air_c, rh),
        u_vapour_pressure_deficit_pa=vapour_pressure_deficit_uncertainty_pa(air_c, rh, u_t, u_rh),
        lid_temperature_c=believed.temperature_c,
        u_lid_temperature_k=believed.u_k,
        lid_source=believed.source,
        dew_margin_k=margin_k,
        u_dew_margin_k=u_margin_k,
        probability_wet=None if margin_k is None or u_margin_k is None else probability_wet(margin_k, u_margin_k),
        lid_wet_from_pct=_wet_from(air_c, believed.temperature_c),
    )


def _lid_and_margin(
    air_c: float, rh: float, room_c: float | None, lid: Lid, lid_c: float | None, u_t: float, u_rh: float
) -> tuple[LidTemperature, float | None]:
    """Return the lid to believe and the standard uncertainty of the margin under it."""
    belief = prior_factor(lid)
    measured_c = None if lid_c is None else TEMPERATURE.accept(lid_c)
    room_c = None if room_c is None else TEMPERATURE.accept(room_c)
    estimated_c = None if room_c is None else steady_lid_temperature_c(room_c, air_c, belief.mean)
    span_k = None if room_c is None else air_c - room_c
    believed = believed_lid(belief, measured_c, u_t, estimated_c, span_k)
    if believed.source == "measured":
        return believed, dew_margin_uncertainty_of_measured_lid_k(air_c, rh, u_t, u_rh, u_t)
    if room_c is None:
        return believed, None
    return believed, dew_margin_uncertainty_k(air_c, rh, u_t, u_rh, room_c, u_t, belief.mean, belief.u_factor)


def _wet_from(air_c: float, lid_c: float | None) -> float | None:
    if lid_c is None:
        return None
    return min(relative_humidity_pct_from_dew_point(air_c, lid_c), 100.0)
