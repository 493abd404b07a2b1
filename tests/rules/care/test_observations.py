from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.care.observations import Answer, Questions, fitted, interpret
from rules.climate.hours import Hourly, Hours
from rules.settings import Chamber, Devices, Heater, Vents
from rules.settings.bands import HumidityBand
from rules.terms.events import HOUR_MS, Figures
from rules.trade.symptoms import SYMPTOMS, vocabulary


class Past:
    """A climate history given as plain arrays, one value per hour, the newest last."""

    def __init__(self, **series: list[float]) -> None:
        self.series = series

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        if quantity not in self.series:
            return None
        mean = np.array(self.series[quantity][-(last_ms // HOUR_MS) :], np.float64)
        return Hours(mean, mean - 0.5, mean + 0.5)


FINE = Past(
    temperature_c=[25.0] * 120,
    relative_humidity_pct=[84.0] * 120,
    vapour_pressure_deficit_pa=[500.0] * 120,
    dew_margin_k=[1.5] * 120,
)


def answer(
    *seen: str, past: Past = FINE, garden_ml: float | None = 100.0, chamber: Chamber | None = None, elsewhere: str | None = None
) -> Answer:
    found = interpret(seen, Questions(past, "nest", chamber or Chamber(), garden_ml, 0), elsewhere)
    assert found is not None
    return found


def test_a_dry_edge_is_read_against_the_hours_below_the_keepers_own_limit() -> None:
    past = Past(relative_humidity_pct=[80.0] * 17 + [66.0] * 31)
    band, devices = HumidityBand(low=72.0, harmful_low=60.0), Devices(vents=Vents(count=2))
    told = answer("dry-edge", past=past, chamber=Chamber(humidity=band, devices=devices))
    assert told.text.startswith("Dry, pale or papery edge. First: close gaps and all vents but a pinhole")
    assert told.text.endswith(
        "Do not spray the garden. Why: most likely the garden is drying."
        " RH was below 72 % for 31 h of the last 48 h (lowest 66 %)."
    )
    assert told.suffers


# Edges by size class: common practice, no source.
@pytest.mark.parametrize(("garden_ml", "edge"), [(5.0, 80.0), (50.0, 75.0), (None, 75.0), (500.0, 70.0), (5_000.0, 60.0)])
def test_the_smaller_the_garden_the_higher_the_limit_of_dryness(garden_ml: float | None, edge: float) -> None:
    assert Chamber().humidity_for(garden_ml).low == edge


def test_the_same_air_is_dry_for_a_small_garden_and_not_for_a_large_one() -> None:
    past = Past(relative_humidity_pct=[68.0] * 48, vapour_pressure_deficit_pa=[1080.0] * 48, temperature_c=[26.0] * 72)
    assert "the garden is drying" in answer("dry-edge", past=past, garden_ml=50.0).text
    assert "does not explain it" in answer("dry-edge", past=past, garden_ml=5_000.0).text


def test_warm_air_dries_at_a_humidity_that_looks_right() -> None:
    # 76 %RH at 31 degC: deficit 24 % of 4493 Pa (Magnus form) = 1078 Pa, above the 946 Pa that 75 % means at 28 degC,
    # the warm edge of the band: 25 % of 3784 Pa.
    past = Past(relative_humidity_pct=[76.0] * 48, vapour_pressure_deficit_pa=[1078.0] * 48)
    assert "vapour pressure deficit was above 0.95 kPa for 48 h" in answer("dry-edge", past=past).text


def test_dryness_that_is_over_asks_for_no_more_change() -> None:
    past = Past(relative_humidity_pct=[65.0] * 40 + [85.0] * 8)
    told = answer("dry-edge", past=past).text
    assert "RH was below 75 % for 40 h" in told
    assert "First: leave the climate as it is" in told
    assert "close gaps" not in told


def test_a_garden_that_dries_under_a_wet_lid_is_told_of_distillation_and_to_insulate_first() -> None:
    past = Past(relative_humidity_pct=[70.0] * 48, dew_margin_k=[-0.4] * 24)
    foam = Chamber(devices=Devices(can_insulate_lid=True))
    told = answer("dry-edge", "droplets", past=past, chamber=foam).text
    assert "a garden can dry under a wet lid" in told
    assert "First: insulate the lid" in told


# The two ordinary patterns: common practice, no source.
@pytest.mark.parametrize("seen", ["brown-from-below", "droplets", "mist", "growing", "calm", "dry"])
def test_ordinary_sights_stay_calm_whatever_the_climate_was(seen: str) -> None:
    rough = Past(temperature_c=[31.0] * 72, relative_humidity_pct=[50.0] * 48, dew_margin_k=[-2.0] * 24)
    for past in (FINE, rough, Past()):
        told = answer(seen, past=past)
        assert told.calm
        assert told.priority == "digest"
        assert "no cause for worry" in told.text
        assert not told.suffers


def test_brown_on_top_after_heat_names_the_heat_with_its_hours() -> None:
    heated = Chamber(devices=Devices(heater=Heater()))
    told = answer("brown-on-top", past=Past(temperature_c=[25.0] * 60 + [31.5] * 12), chamber=heated).text
    assert "The air was above 30 degC for 12 h of the last 72 h (highest 32.0 degC)" in told
    assert "First: lower the thermostat by 1 K" in told
    assert "Do not add humidity" in told


def test_brown_on_top_in_a_good_climate_points_to_the_leaves() -> None:
    told = answer("brown-on-top")
    assert "Why: most likely a poisoned leaf" in told.text
    assert told.text.endswith("The climate does not explain it.")
    assert told.priority == "today"


def test_an_unknown_climate_is_neither_blamed_nor_cleared() -> None:
    told = answer("shrinking", past=Past()).text
    assert "can be neither blamed nor cleared" in told
    assert "does not explain it" not in told


def test_hours_that_are_not_known_are_counted_out_loud() -> None:
    past = Past(relative_humidity_pct=[float("nan")] * 20 + [65.0] * 28)
    assert "for 28 h of the last 48 h, of which 28 h are known" in answer("dry-edge", past=past).text


def test_stale_air_is_let_out_at_the_waste_end_not_at_the_fungus() -> None:
    assert "open one vent of waste box, not of the fungus chamber" in answer("gathered-at-vents", elsewhere="waste box").text
    assert "open one vent of this chamber" in answer("gathered-at-vents").text


def test_two_sights_give_one_thing_to_do_and_the_hotter_one_leads() -> None:
    told = answer(
        "dry-edge", "brown-on-top", "brown-from-below", past=Past(temperature_c=[31.0] * 72, relative_humidity_pct=[60.0] * 48)
    )
    assert told.text.startswith("Brown on top or throughout")
    assert told.text.count("First:") == 1
    assert "Also dry, pale or papery edge" in told.text


def test_words_without_a_sight_give_no_answer() -> None:
    assert interpret((), Questions(FINE, "nest", Chamber(), None, 0), None) is None


@pytest.mark.parametrize("seen", list(SYMPTOMS))
@pytest.mark.parametrize("past", [FINE, Past(), Past(temperature_c=[33.0] * 120, relative_humidity_pct=[40.0] * 120)])
def test_no_answer_ever_asks_for_harm(seen: str, past: Past) -> None:
    told = answer(seen, past=past, garden_ml=10.0)
    to_do = told.text.split("First: ")[1].split(". ")[0].casefold()
    for harm in ("spray the garden", "raise the set point", "use a fungicide", "put it back", "fan on"):
        assert harm not in to_do
    assert told.priority != "wake"


def test_the_vocabulary_has_the_words_of_the_trade() -> None:
    assert {"growing", "shrinking", "dry-edge", "soft-or-wet", "white-fluffy-mould", "brown-from-below", "brown-on-top"} <= set(
        vocabulary("fungus")
    )
    assert {"dry", "mist", "droplets"} <= set(vocabulary("lid"))
    assert {"calm", "gathered-at-vents", "carrying-fungus-away"} <= set(vocabulary("ants"))


def test_air_that_is_still_above_the_band_is_not_called_right_again() -> None:
    """Before: "leave the climate as it is" at 27.4 degC, while the alarm of a highland garden (to 26) stood."""
    highland = Chamber(genus="Acromyrmex", species_group="highland")
    past = Past(temperature_c=[29.0] * 20 + [27.4] * 4)
    assert "leave the climate as it is" not in answer("dead-workers", past=past, chamber=highland).text
    over = Past(temperature_c=[29.0] * 20 + [25.0] * 4)
    assert "leave the climate as it is" in answer("dead-workers", past=over, chamber=highland).text


def test_a_brood_that_is_not_seen_is_asked_of_cold_first() -> None:
    past = Past(temperature_c=[18.0] * 72)
    assert "Why: most likely cold." in answer("brood-not-seen", past=past).text


@pytest.mark.parametrize("word", list(SYMPTOMS))
def test_no_sight_has_a_queen_who_founds_opened_or_fed(word: str) -> None:
    """A dry, hot, cold or wet history must not either: an Atta queen takes no food (Mota Filho et al. 2021, IJAIR 9:352)."""
    dry_hot = Past(relative_humidity_pct=[60.0] * 48, temperature_c=[31.0] * 72, dew_margin_k=[-2.0] * 48)
    for past in (FINE, dry_hot, Past(temperature_c=[16.0] * 72, dew_margin_k=[-2.0] * 48)):
        found = interpret((word,), Questions(past, "nest", Chamber(), 3.0, 0, shut=True), "Tip")
        assert found is not None
        first = found.text.split("First: ")[1].split(". ")[0]
        opens_or_feeds = ("offer", "wipe", "take out", "clear", "granules", "drinking", "waste", "open ")
        assert not any(said in first for said in opens_or_feeds)
        assert "do not open it" in found.text.casefold()


# ---------------------------------------------------------------- the present, and what is there


def of_now(heat: float | None = 25.0, damp: float | None = 84.0, chamber: Chamber | None = None) -> Questions:
    now = Figures("nest", 0, heat, damp, 1.5)
    return Questions(FINE, "nest", chamber or Chamber(), 100.0, 0, now, vents=True)


def test_a_note_is_read_against_the_last_reading_too() -> None:
    """Before: "above 30 degC for 0 h, highest 25.6" at 30.2 degC."""
    told = interpret(("brown-on-top",), of_now(heat=30.2), None)
    assert told is not None
    assert "First: shade the box, and cool the room" in told.text
    heated = interpret(("brown-on-top",), of_now(heat=30.2, chamber=Chamber(devices=Devices(heater=Heater()))), None)
    assert heated is not None
    assert "First: lower the thermostat by 1 K, and unplug the heater if the air is above 30 degC" in heated.text
    assert "(highest 25.5 degC); now 30.2 degC" in told.text
    cold = interpret(("powder",), of_now(heat=19.0), None)
    assert cold is not None
    assert "now 19.0 degC" in cold.text
    assert "repair it first" in cold.text


@pytest.mark.parametrize(("questions", "said"), [
    (of_now(), "First: open one vent of this chamber by one step"),
    (of_now(damp=60.0), "First: clear its vents and lid holes of what blocks them, see that a pinhole is free"),
    (of_now(heat=18.0), "First: clear its vents and lid holes of what blocks them, see that a pinhole is free"),
    (replace(of_now(), vents=False), "First: clear its vents and lid holes of what blocks them, see that a pinhole is free"),
])  # fmt: skip
def test_no_vent_is_opened_that_nobody_told_of_nor_into_dry_or_cold_air(questions: Questions, said: str) -> None:
    told = interpret(("gathered-at-vents",), questions, None)
    assert told is not None
    assert said in told.text


def test_only_what_is_written_is_named() -> None:
    dry = Past(relative_humidity_pct=[60.0] * 48)
    told = answer("dry-edge", past=dry, chamber=Chamber()).text
    assert "close gaps but a pinhole, since the box must breathe, fill the drinking water." in told
    for first in [one.first for one in SYMPTOMS.values()] + [one.first for each in SYMPTOMS.values() for one in each.causes]:
        said = fitted(first, Questions(FINE, "nest", Chamber(), None, 0, vents=False), "")
        assert "{" not in said
        assert "granules" not in said
        assert "insulate" not in said
        assert "open one vent" not in said


COMFORTS = ("no cause for worry", "leave the climate as it is", "leave it as it is", "First: nothing")


@pytest.mark.parametrize("seen", SYMPTOMS)
@pytest.mark.parametrize("shut", [False, True])
@pytest.mark.parametrize("wrong", [
    {"standing": ("too dry",)}, {"now": Figures("nest", 0, 25.0, 58.0, 1.5)},
    {"now": Figures("nest", 0, 25.0, 96.0, 1.5)}, {"now": Figures("nest", 0, 21.0, None, None)},
], ids=str)  # fmt: skip
def test_no_sight_is_a_comfort_while_something_is_wrong(seen: str, shut: bool, wrong: dict[str, Any]) -> None:
    was_dry = Past(
        temperature_c=[25.0] * 120, relative_humidity_pct=[60.0] * 40 + [84.0] * 8, dew_margin_k=[1.5] * 120,
        vapour_pressure_deficit_pa=[500.0] * 120,
    )  # fmt: skip
    for past in (FINE, was_dry, Past()):
        told = interpret((seen,), Questions(past, "nest", Chamber(), 100.0, 0, shut=shut, **wrong), None)
        assert told is not None
        assert not told.calm
        assert [said for said in COMFORTS if said in told.text] == []
        if SYMPTOMS[seen].calm and not shut:
            assert "First: see to what is wrong here now (too" in told.text
            assert "`dewlid why nest` shows what to do" in told.text
