"""How sure the figures of a place are: standard uncertainties from its probes' stated accuracy and calibrations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import ProbeMemory
from rules.climate.view import View
from rules.physics.saturation import Value
from rules.physics.uncertainty import (
    dew_margin_uncertainty_k,
    dew_margin_uncertainty_of_measured_lid_k,
    humidity_standard_uncertainty_pct,
    standard_uncertainty_from_limits,
)
from rules.settings import Settings

UNKNOWN_ROOM_U_K = 0.5  # own estimate


def temperature_u_k(settings: Settings, probes: Mapping[str, ProbeMemory], place: str, role: str = "air") -> float:
    """Return the standard uncertainty of a place's temperature, K: its best probe's, or its calibration's."""
    quantity = "air_temperature" if role == "air" else "surface_temperature"
    values = []
    for name in settings.probes_at(place, role):
        correction = probes[name].corrections.get(quantity) if name in probes else None
        stated = standard_uncertainty_from_limits(settings.probes[name].accuracy_temperature_k)
        values.append(correction.standard_uncertainty if correction else stated)
    return min(values, default=UNKNOWN_ROOM_U_K)


def humidity_u_pct(
    settings: Settings, probes: Mapping[str, ProbeMemory], place: str, humidity: Value
) -> Value:
    """Return the standard uncertainty of a place's humidity, %RH, growing above 90 %."""
    best: Value | None = None
    for name in settings.probes_at(place):
        correction = probes[name].corrections.get("relative_humidity") if name in probes else None
        limits = correction.standard_uncertainty * 3**0.5 if correction else settings.probes[name].accuracy_humidity_pct
        value = humidity_standard_uncertainty_pct(humidity, limits)
        best = value if best is None else np.minimum(best, value)
    return humidity * np.nan if best is None else best


def margin_u_k(view: View, where: NDArray[np.intp] | int) -> NDArray[np.float64] | float:
    """Return the standard uncertainty of the dew margin at one or some instants of a chamber, K."""
    assert view.chamber is not None
    temperature, humidity, room_c = (
        _of(figure, where) for figure in (view.temperature.value, view.humidity.value, view.room_temperature)
    )
    u_t = temperature_u_k(view.settings, view.probes, view.place)
    u_h = humidity_u_pct(view.settings, view.probes, view.place, humidity)
    room = view.chamber.room
    u_room = temperature_u_k(view.settings, view.probes, room) if room else UNKNOWN_ROOM_U_K
    belief = view.memory.belief
    factor, u_factor = (belief.mean, belief.u_factor) if belief else (0.42, 0.1)
    estimated: NDArray[np.float64] | float = dew_margin_uncertainty_k(
        temperature, humidity, u_t, u_h, room_c, u_room, factor, u_factor
    )
    measured = view.lid_measured[where]
    if not measured.any():
        return estimated
    u_lid = temperature_u_k(view.settings, view.probes, view.place, "lid")
    of_probe = dew_margin_uncertainty_of_measured_lid_k(temperature, humidity, u_t, u_h, u_lid)
    return np.where(measured, of_probe, estimated)


def _of(figure: NDArray[np.float64], where: NDArray[np.intp] | int) -> Any:
    """Return a figure at some instants, or as a plain number at one: its arithmetic is three times faster."""
    return figure[where] if isinstance(where, np.ndarray) else float(figure[where])
