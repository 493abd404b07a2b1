"""The numbers behind one reading: what is told, and what is left open when an input is absent."""

from __future__ import annotations

import pytest

from rules.physics.dew_report import Accuracy, dew_report
from rules.physics.saturation import OutOfRange
from rules.settings import Lid


def test_air_alone_says_all_about_air_and_nothing_about_the_lid() -> None:
    report = dew_report(26.0, 80.0)
    assert report.dew_point_c == pytest.approx(22.2815, abs=2e-3)  # IAPWS-95
    assert report.absolute_humidity_g_m3 == pytest.approx(19.5824, rel=1e-3)  # virial equation of state
    assert report.vapour_pressure_pa == pytest.approx(0.8 * 3363.8885, rel=1e-4)  # IAPWS-95
    assert report.vapour_pressure_deficit_pa == pytest.approx(672.78, rel=2e-4)  # IAPWS-95
    assert report.u_dew_point_k == pytest.approx(0.29, abs=0.006)
    assert (report.lid_temperature_c, report.dew_margin_k, report.u_dew_margin_k) == (None, None, None)
    assert (report.probability_wet, report.lid_source, report.lid_wet_from_pct) == (None, None, None)


def test_room_temperature_gives_an_estimated_lid_and_a_margin_with_its_uncertainty() -> None:
    report = dew_report(26.0, 80.0, room_c=20.0)
    assert report.lid_source == "estimated"
    assert 22.2 < report.lid_temperature_c < 22.9
    assert report.dew_margin_k == pytest.approx(report.lid_temperature_c - report.dew_point_c)
    assert 0.4 < report.u_dew_margin_k < 0.6
    assert 0.1 < report.probability_wet < 0.6
    assert 79.0 < report.lid_wet_from_pct < 84.0


def test_measured_lid_wins_over_the_room_and_is_surer() -> None:
    report = dew_report(26.0, 80.0, room_c=20.0, lid_c=22.0)
    assert (report.lid_temperature_c, report.lid_source) == (22.0, "measured")
    assert report.u_dew_margin_k < dew_report(26.0, 80.0, room_c=20.0).u_dew_margin_k
    assert report.probability_wet > 0.7


def test_insulated_lid_is_warmer_and_drier_than_glass() -> None:
    glass = dew_report(26, 85, room_c=20, lid=Lid(material="glass", thickness_mm=4.0))
    foam = dew_report(26, 85, room_c=20, lid=Lid(build="insulated", insulation_mm=20.0, walls="warm"))
    assert foam.lid_temperature_c > glass.lid_temperature_c + 1.0
    assert foam.probability_wet < glass.probability_wet


def test_poor_probe_widens_every_figure() -> None:
    good, poor = dew_report(26.0, 80.0, room_c=20.0), dew_report(26.0, 80.0, room_c=20.0, accuracy=Accuracy(1.0, 5.0))
    for name in ("u_dew_point_k", "u_absolute_humidity_g_m3", "u_vapour_pressure_pa", "u_dew_margin_k"):
        assert getattr(poor, name) > getattr(good, name)


def test_margin_is_zero_and_evenly_likely_when_lid_and_air_are_saturated_at_one_temperature() -> None:
    report = dew_report(26.0, 100.0, lid_c=26.0)
    assert report.dew_margin_k == pytest.approx(0.0, abs=1e-9)
    assert report.probability_wet == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("air", "humidity", "room", "lid", "quantity"),
    [
        (26.0, 130.0, None, None, "relative_humidity_pct"),
        (-300.0, 80.0, None, None, "temperature_c"),
        (26.0, 80.0, 500.0, None, "temperature_c"),
        (26.0, 80.0, None, -99.0, "temperature_c"),
    ],
)
def test_impossible_input_is_named(air: float, humidity: float, room: float | None, lid: float | None, quantity: str) -> None:
    with pytest.raises(OutOfRange, match=quantity):
        dew_report(air, humidity, room_c=room, lid_c=lid)


def test_text_is_refused() -> None:
    with pytest.raises(TypeError, match="temperature_c = 'warm' is not a number"):
        dew_report("warm", 80.0)  # type: ignore[arg-type]
