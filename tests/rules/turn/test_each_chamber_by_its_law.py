"""Food, waste and gardens of every size and home, each told by its own law: seen through `advance`."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import ValidationError

from rules.settings import Chamber, Devices, Garden, Probe, Room, Settings, Site, Telling, Vents
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event
from rules.turn.advance import advance

START_MS = 1_809_000_000_000


def lived(chamber: Chamber, temperature_c: float, humidity_pct: float, hours: float = 72) -> list[Event]:
    """Return what is told of a chamber that stays like this, beside a room at 21 degC and 45 %RH."""
    settings = Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={"study": Room()}, telling=Telling(),
        chambers={"box": chamber.model_copy(update={"room": "study"})},
        probes={"air": Probe(place="box", interval="2min"), "study-air": Probe(place="study", interval="2min")},
    )  # fmt: skip
    at_ms = START_MS + np.arange(0, round(hours * HOUR_MS), 2 * MINUTE_MS)
    ripple = 0.05 * np.sin(at_ms / 1.7e5)
    series = [("air", "air_temperature", temperature_c), ("air", "relative_humidity", humidity_pct)]
    series += [("study-air", "air_temperature", 21.0), ("study-air", "relative_humidity", 45.0)]
    batch = Batch(
        series=tuple((probe, quantity) for probe, quantity, _ in series),  # type: ignore[misc]
        series_index=np.tile(np.arange(4, dtype=np.int32), len(at_ms)), taken_ms=np.repeat(at_ms, 4), at_ms=np.repeat(at_ms, 4),
        value=np.column_stack([value + ripple for *_, value in series]).ravel(), items=(),
    )  # fmt: skip
    return list(advance(settings, None, batch, int(at_ms[-1]) + 1).events)


def raised(events: list[Event]) -> list[tuple[str, float]]:
    return [(e.alarm, (e.at_ms - START_MS) / HOUR_MS) for e in events if isinstance(e, AlarmEvent) and e.change == "raised"]


def advised(events: list[Event]) -> list[AdviceEvent]:
    return [e for e in events if isinstance(e, AdviceEvent)]


# ---------------------------------------------------------------- food and waste


def test_damp_waste_is_told_once_after_half_a_day_and_is_cleared_and_aired_never_watered() -> None:
    events = lived(Chamber(role="waste", devices=Devices(vents=Vents(count=2))), 25.0, 88.0)
    ((alarm, after_h),) = raised(events)
    assert alarm == "damp" and 12.0 <= after_h < 12.3
    first = advised(events)[0]
    said = [action.text for action in first.actions]
    assert said[0].startswith("Clear the waste")
    assert any(action.device == "vent" and action.change == "open" for action in first.actions)
    assert not any(action.change == "more" and action.device in ("water", "mister") for action in first.actions)
    assert "garden likes" not in " ".join((first.reason, *said))


@pytest.mark.parametrize(("celsius", "percent"), [(25.0, 33.0), (20.0, 15.0), (16.0, 60.0), (30.0, 68.0)])
def test_dry_and_cool_waste_is_as_it_should_be(celsius: float, percent: float) -> None:
    events = lived(Chamber(role="waste"), celsius, percent)  # 33 %RH: Roemer et al. 2019
    assert raised(events) == [] and advised(events) == []


@pytest.mark.parametrize(("celsius", "percent"), [(24.0, 50.0), (19.0, 35.0), (30.0, 80.0)])
def test_a_food_chamber_is_wide(celsius: float, percent: float) -> None:
    events = lived(Chamber(role="food"), celsius, percent)
    assert raised(events) == [] and advised(events) == []


def test_wet_leaf_and_a_cold_food_chamber_are_told() -> None:
    wet, cold = lived(Chamber(role="food"), 24.0, 92.0), lived(Chamber(role="food"), 12.0, 50.0)
    assert [alarm for alarm, _ in raised(wet)] == ["damp"]
    assert advised(wet)[0].actions[0].text.startswith("Take out old and wet leaf")
    assert [alarm for alarm, _ in raised(cold)] == ["temperature-low"]


def test_what_the_keeper_wrote_wins_key_by_key() -> None:
    chamber = Chamber.model_validate({"role": "waste", "humidity": {"high": 60.0}})
    assert (chamber.humidity.high, chamber.humidity.low, chamber.temperature.high) == (60.0, None, 32.0)
    assert chamber == Chamber(role="waste", humidity=HumidityBand(high=60.0))


# ---------------------------------------------------------------- gardens by size

# Edges by size class: common practice, no source.
EDGES = [(5.0, 80.0), (50.0, 75.0), (None, 75.0), (500.0, 70.0), (5_000.0, 60.0), (50_000.0, 60.0)]


@pytest.mark.parametrize(("garden_ml", "edge_pct"), EDGES)
def test_the_alarm_of_dryness_follows_the_size_of_the_garden(garden_ml: float | None, edge_pct: float) -> None:
    garden = Chamber(garden=Garden(volume_ml=garden_ml))
    assert "humidity-low" not in [alarm for alarm, _ in raised(lived(garden, 25.0, edge_pct + 1.0, 6))]
    assert "humidity-low" in [alarm for alarm, _ in raised(lived(garden, 25.0, edge_pct - 1.0, 6))]


def test_the_keepers_own_edge_holds_for_a_garden_of_any_size() -> None:
    for garden_ml in (5.0, 500.0, 50_000.0):
        own = Chamber(garden=Garden(volume_ml=garden_ml), humidity=HumidityBand(low=66.0, harmful_low=55.0))
        assert raised(lived(own, 25.0, 67.0, 6)) == []
        assert "humidity-low" in [alarm for alarm, _ in raised(lived(own, 25.0, 64.0, 6))]


def test_an_edge_that_follows_the_size_leaves_the_band_room_to_clear_beside_the_keepers_other_edges() -> None:
    for garden_ml, _ in EDGES:
        for written in ({"high": 82.0}, {"harmful_low": 68.0}, {"high": 84.0, "deadband": 5.0}):
            band = Chamber(humidity=HumidityBand(**written)).humidity_for(garden_ml)
            assert HumidityBand(**band.model_dump()) == band  # its validator asks for that room


def test_warm_air_is_dry_at_a_humidity_that_looks_right() -> None:
    # 74 %RH at 31 degC: deficit 26 % of 4493 Pa (Magnus form) = 1168 Pa, as at 70 % and 28.5 degC; at 27.9 degC it is inside.
    garden = Chamber(garden=Garden(volume_ml=500.0))
    assert "humidity-low" in [alarm for alarm, _ in raised(lived(garden, 31.0, 74.0, 6))]
    assert raised(lived(garden, 27.9, 74.0, 6)) == []
    told = [e for e in lived(garden, 31.0, 74.0, 6) if isinstance(e, AlarmEvent) and e.alarm == "humidity-low"]
    assert "so warm, it dries like 65 %RH at 26 degC" in told[0].reason  # 1 - 1168 Pa / 3361 Pa (26 degC) = 65 %


# ---------------------------------------------------------------- gardens by species group


def test_a_southern_acromyrmex_is_well_at_23_degrees_and_told_at_29() -> None:
    southern = Chamber(genus="Acromyrmex", species_group="southern", garden=Garden(volume_ml=500.0))
    assert raised(lived(southern, 22.5, 80.0, 12)) == []  # chosen by A. heyeri: Bollazzi & Roces 2002
    assert "temperature-low" in [alarm for alarm, _ in raised(lived(Chamber(garden=Garden(volume_ml=500.0)), 22.5, 80.0, 12))]
    warm = [e for e in lived(southern, 29.4, 80.0, 12) if isinstance(e, AlarmEvent) and e.alarm == "temperature-high"]
    assert warm[-1].level == "harmful"


def test_the_keepers_own_temperature_wins_over_the_species_group() -> None:
    chamber = Chamber(genus="Acromyrmex", species_group="southern", temperature=TemperatureBand(high=28.0))
    assert (chamber.temperature.low, chamber.temperature.high) == (21.0, 28.0)


def test_a_species_group_that_the_genus_has_not_is_refused_with_those_that_it_has() -> None:
    with pytest.raises(ValidationError, match="not known of Atta; allowed: tropical, northern"):
        Chamber(genus="Atta", species_group="southern")
    with pytest.raises(ValidationError, match="genus"):
        Chamber.model_validate({"genus": "Ata"})
