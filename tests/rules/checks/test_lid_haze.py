"""A haze on the lid is no trouble and more is: told as it gathers, by a measured lid sooner than by an estimated one.

What gathers is worked out here from densities: 2.5 mm/s, the mass transfer coefficient under a lid at 3 W/(m2 K) of convection
(Lewis: h over rho c_p of air, 1.2 kJ/(m3 K)), times the difference of vapour densities after Magnus (WMO-No. 8, annex 4.B).
"""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from rules.settings import Probe
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch, Event
from rules.turn.advance import advance
from tests.rules.checks.test_lid_unsure import START_MS, shelf

AIR_C = 26.0


def density_g_m3(at_c: float) -> float:
    return 216.7 * 6.112 * exp(17.62 * at_c / (243.12 + at_c)) / (273.15 + at_c)


def gathered_g_m2(humidity_pct: float, lid_c: float, hours: float) -> float:
    return 2.5e-3 * 3600.0 * hours * (humidity_pct / 100.0 * density_g_m3(AIR_C) - density_g_m3(lid_c))


def told(
    humidity_pct: list[float], room_c: float, lid_c: float | None = None, *, alarm: str = "lid-dew"
) -> list[tuple[str, float]]:
    """Return the turns of an alarm and their hours over a course of the chamber's humidity, told every five minutes."""
    at_ms = START_MS + 5 * MINUTE_MS * np.arange(len(humidity_pct), dtype=np.int64)
    noise = 0.02 * np.sin(at_ms / 1.7e5)
    columns = {
        ("air", "air_temperature"): AIR_C + noise, ("air", "relative_humidity"): np.array(humidity_pct) + noise,
        ("study-air", "air_temperature"): room_c + noise, ("study-air", "relative_humidity"): 50.0 + noise,
    }  # fmt: skip
    settings = shelf(room_probe=True)
    if lid_c is not None:
        settings.probes["pane"] = Probe(place="nest", role="lid", interval="5min", accuracy_temperature_k=0.2)
        columns["pane", "surface_temperature"] = lid_c + noise
    count, when = len(columns), np.repeat(at_ms, len(columns))
    values = np.column_stack(list(columns.values())).ravel()
    batch = Batch(tuple(columns), np.tile(np.arange(count, dtype=np.int32), len(at_ms)), when, when, values, ())  # type: ignore[arg-type]
    events: list[Event] = list(advance(settings, None, batch, int(at_ms[-1]) + 1).events)
    found = [event for event in events if isinstance(event, AlarmEvent) and event.alarm == alarm]
    return [(event.change, (event.at_ms - START_MS) / HOUR_MS) for event in found]


def misted(peak_pct: float, hours: float) -> list[float]:
    """Six hours at 75 %RH, so many hours of mist that dries, and a night."""
    return [75.0] * 72 + [peak_pct] * round(12 * hours) + [75.0] * 144


@pytest.mark.parametrize(("peak_pct", "hours"), [(84.0, 2.5), (90.0, 0.5)])
def test_misting_that_dries_within_hours_raises_nothing(peak_pct: float, hours: float) -> None:
    """Under a bare pane at 22.8 degC, a factor of 0.47 above a room of 20 degC, a few grams gather."""
    assert 2.0 < gathered_g_m2(peak_pct, 22.8, hours) < 15.0
    assert told(misted(peak_pct, hours), 20.0) == told(misted(peak_pct, hours), 20.0, alarm="humidity-high") == []


@pytest.mark.parametrize(("humidity_pct", "lid_c"), [(92.0, 23.5), (92.0, 22.5), (85.0, 21.5)])
def test_a_measured_lid_is_told_before_more_than_a_haze_has_gathered(humidity_pct: float, lid_c: float) -> None:
    turned = told(misted(humidity_pct, 8.0), 20.0, lid_c)
    assert [change for change, _ in turned][:1] == ["raised"]
    assert gathered_g_m2(humidity_pct, lid_c, turned[0][1] - 6.0) < 10.0
    assert told(misted(humidity_pct, 8.0), 20.0, lid_c, alarm="humidity-high") == []  # one trouble is told once


def test_a_measured_lid_that_gathers_no_more_than_a_haze_raises_nothing() -> None:
    """Two tenths below the dew point for two hours: some 4 g/m2."""
    assert 1.0 < gathered_g_m2(92.0, 24.4, 2.0) < 8.0
    assert told(misted(92.0, 2.0), 20.0, 24.4) == []


@pytest.mark.parametrize("room_c", [13.0, 15.0, 17.0])
def test_an_estimated_lid_is_told_before_drops_can_fall(room_c: float) -> None:
    """Drops fall from some tens of g/m2 on a tilted lid; the lid is taken at a factor of 0.48, the middle of a bare pane's."""
    lid_c = room_c + 0.48 * (AIR_C - room_c)
    turned = told(misted(90.0, 18.0), room_c)
    assert [change for change, _ in turned][:1] == ["raised"]
    assert gathered_g_m2(90.0, lid_c, turned[0][1] - 6.0) < 40.0


def test_air_at_saturation_is_told_though_no_film_is_estimated() -> None:
    assert [change for change, _ in told(misted(97.5, 3.0), 25.6, alarm="humidity-high")] == ["raised", "returned"]
