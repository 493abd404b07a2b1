"""Whom to believe: of a probe of which one quantity stands and its sound twin, and of two sound ones in wet air (`wet_air`)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from healthy_air import DAY_MS, HOUR_MS, START_MS, Air, Logger, raised, told
from wet_air import WET, kept_box, misted_box, probe_in, probe_lag, stuck

INTERVALS_S = (10, 60, 300, 3600)
FINE, COARSE, COARSEST = (0.01, 0.1), (0.1, 1.0), (1.0, 5.0)
WITHIN_H = {("temperature", FINE): 36, ("temperature", COARSE): 36, ("humidity", FINE): 30, ("humidity", COARSE): 66}
"""By its own pace and steps; in the air of a house each of them stood so long at most (TRH-database). Own estimate."""


HEALTHY_DAYS = 1.3  # before the first mist of a day


@pytest.mark.parametrize("interval_s", INTERVALS_S)
def test_a_quantity_that_stands_is_found_and_its_sound_twin_never_blamed(interval_s: int) -> None:
    """Calm and misted, alone and beside a twin: none of it was ever found, and the twin was called soaked by each mist."""
    for air, steps in product((kept_box, misted_box), (FINE, COARSE)):
        draw, logger = np.random.default_rng([5, interval_s]), Logger(interval_s, *steps)
        course = air(draw, HEALTHY_DAYS + (WITHIN_H["humidity", steps] + 7) / 24, min(interval_s, 60))
        one, sound = probe_in(course, draw, logger), probe_in(course, draw, logger)
        for quantity, others in product(("temperature", "humidity"), ({}, {"sound": (logger, sound)})):
            label = "air temperature" if quantity == "temperature" else "relative humidity"
            events = told({}, {"broken": (logger, stuck(one, quantity, HEALTHY_DAYS)), **others})
            faults = raised(events, "probe-fault")
            case, broke_ms = (air.__name__, quantity, steps, len(others)), START_MS + HEALTHY_DAYS * DAY_MS
            assert {probe for _, probe in faults} == {"broken"}, case
            assert 0 < faults[0][0] - broke_ms <= WITHIN_H[quantity, steps] * HOUR_MS, case
            assert any(f"exactly the same {label}" in (getattr(e, "reason", "") or "") for e in events), case


def test_sound_probes_in_wet_air_are_blamed_less_than_once_in_five_months() -> None:
    """Alone and by twos, that differ by their accuracy: it was 2.6 a month by minutes, "leapt to its top" for the most part."""
    blamed, months = {}, 0.0
    for (name, air), interval_s, steps in product(WET.items(), INTERVALS_S, (FINE, COARSE, COARSEST)):
        draw, logger = np.random.default_rng([7, interval_s]), Logger(interval_s, *steps)
        days = {10: 1.0, 60: 4.0, 300: 10.0, 3600: 40.0}[interval_s]
        course = air(draw, days, min(interval_s, 60 if interval_s <= 60 else 300))
        pair = {name: (logger, probe_in(course, draw, logger)) for name in ("one", "two")}
        for probes in (pair, {"one": pair["one"]}):
            blamed[name, interval_s, steps, len(probes)] = len(raised(told({}, probes), "probe-fault"))
            months += len(probes) * days / 30
    assert sum(blamed.values()) < 0.2 * months, {case: count for case, count in blamed.items() if count}


def test_a_frozen_probe_that_was_not_heard_for_minutes_is_good_again_only_when_it_moves() -> None:
    """Two lost readings in a row had it believed for two hours, with the very same values."""
    logger = Logger(60, *FINE)
    told_ms = probe_in(kept_box(np.random.default_rng(3), 2.0, 60), np.random.default_rng(4), logger)
    frozen = stuck(stuck(told_ms, "temperature", 1.0), "humidity", 1.0)
    hour = (frozen.at_ms - START_MS) / HOUR_MS
    heard = ((hour < 30.0) | (hour > 30.1)) & ((hour < 40.0) | (hour > 45.0))
    moved = np.where(hour > 47.0, told_ms.temperature_c, frozen.temperature_c)
    events = told({}, {"one": (logger, Air(frozen.at_ms[heard], moved[heard], frozen.humidity_pct[heard]))})
    good = [e for e in events if e.kind == "quality" and e.test == "flat-line" and e.flag == "good"]
    assert {round((e.at_ms - START_MS) / HOUR_MS, 1) for e in good} == {47.0}
    blamed_h = [round((at_ms - START_MS) / HOUR_MS, 1) for at_ms, _ in raised(events, "probe-fault")]
    assert blamed_h[0] < 30.0 and blamed_h[1:] == [30.1, 45.0]


@pytest.mark.parametrize("interval_s", [10, 60, 300])
@pytest.mark.parametrize("lag_s", [30.0, 120.0])
def test_a_bare_probe_that_is_carried_between_rooms_is_not_blamed(interval_s: int, lag_s: float) -> None:
    """From 9 to 26 degC within minutes and back: it was blamed five times a month for racing at 1.1 K a minute."""
    second, draw = np.arange(0, 4 * 86_400, interval_s), np.random.default_rng(interval_s)
    room = second // 7200 % 3
    temperature, humidity = (
        probe_lag(probe_lag(np.choose(room, here), interval_s, 2 * lag_s), interval_s, lag_s) + draw.normal(0, fine, len(room))
        for here, fine in (([9.0, 26.0, 21.0], 0.05), ([80.0, 45.0, 65.0], 0.3))
    )
    logger = Logger(interval_s, 0.1, 0.1)
    late_ms = draw.integers(0, 400, len(second))  # on its way
    probes = {"one": (logger, logger.hear(Air(START_MS + second * 1000 + late_ms, temperature, humidity)))}
    assert not raised(told({}, probes), "probe-fault")


@pytest.mark.parametrize(("fault", "others"), [("swapped", 0), ("swapped", 1), ("humidity input dead", 1)])
def test_nobody_is_sent_to_a_lid_by_an_input_that_is_dead_or_swapped(fault: str, others: int) -> None:
    """A humidity of 26 %RH that a thermometer's input said, or 22 beside a sound twin at 82: "check that the lid is shut"."""
    draw, logger, broke_ms = np.random.default_rng(9), Logger(60, *FINE), START_MS + DAY_MS
    course = kept_box(draw, 2.0, 60)
    one, two = probe_in(course, draw, logger), probe_in(course, draw, logger)
    later = one.at_ms >= broke_ms
    if fault == "swapped":
        said = np.where(later, one.humidity_pct, one.temperature_c), np.where(later, one.temperature_c, one.humidity_pct)
    else:
        said = one.temperature_c, np.where(later, 22.0 + 0.1 * (one.humidity_pct - 82.0), one.humidity_pct)
    events = told({"one": (logger, Air(one.at_ms, *said)), **({"two": (logger, two)} if others else {})})
    names = {e.alarm for e in events if e.kind == "alarm" and e.change == "raised" and e.at_ms >= broke_ms}
    assert not names & {"humidity-low", "lid-open", "moisture-lost", "temperature-high"}, names
    assert names & {"probe-fault", "probes-disagree"}
