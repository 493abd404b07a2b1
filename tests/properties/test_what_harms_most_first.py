"""What harms most comes first, and more harm never gets less: over a share of the decision matrix and of courses through it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product

import pytest
from decision_matrix import AIR_ML, GARDENS_ML, HEATERS, ROOMS, advised, entries, entry

from rules.terms.advised import Action
from rules.terms.events import AdviceEvent

DEVICES = list(product(ROOMS, AIR_ML, GARDENS_ML, HEATERS, *[(True, False)] * 5))
SOME = DEVICES[5::419]
"""A prime stride meets each side of the matrix in turn."""
HARMFUL = {"hot": 30.0, "cold": 20.0, "dry": 60.0}
SAID = ("cannot repair this", "Nothing that can be set here")


def actions(case) -> Sequence[Action]:
    event = advised(case)
    return () if event is None else event.actions


def water_ml(found: Sequence[Action]) -> float:
    return sum(action.amount or 0.0 for action in found if action.device in ("water", "mister") and action.change == "more")


def heat(found: Sequence[Action]) -> float:
    """Return how much heat is asked for: to look for what failed, or a warmer room, is more than any step of the dial."""
    steps = [action.amount or 0.0 for action in found if (action.device, action.change) == ("heater", "more")]
    asks = any(
        (action.device, action.change) == ("heater", "check") or (action.device == "room" and "arm" in action.text)
        for action in found
    )
    return 100.0 if asks else max(steps, default=0.0)


@pytest.mark.parametrize("temperature_c", [22.5, 25.9, 29.0])
def test_a_drier_chamber_never_gets_less_water(temperature_c: float) -> None:
    for place in SOME:
        given = [actions(entry(temperature_c, rh, False, *place)) for rh in (84.0, 79.0, 74.0, 69.0, 64.0, 59.0, 54.0, 49.0)]
        for wetter, drier in pairwise(given):
            assert water_ml(drier) >= water_ml(wetter), (place, wetter, drier)


@pytest.mark.parametrize("humidity_pct", [62.0, 80.0, 94.0])
def test_a_colder_chamber_never_gets_less_heat(humidity_pct: float) -> None:
    for place in (place for place in SOME if place[0] != ROOMS[1]):  # in the warm room it warms by itself
        given = [actions(entry(t, humidity_pct, False, *place)) for t in (23.8, 23.2, 22.4, 20.4, 18.4, 16.4, 14.4)]
        for warmer, colder in pairwise(given):
            assert heat(colder) >= heat(warmer), (place, warmer, colder)


def harms(t: float, rh: float) -> dict[str, float]:
    """Return how far heat, cold and dryness are on their way from the band to the harmful limit."""
    at_target = rh * 10 ** (7.5 * t / (237.3 + t) - 7.5 * 25.5 / (237.3 + 25.5))  # Magnus, Tetens 1930
    dry = min(max(rh, at_target), 100.0) if t > 28.0 else rh
    return {"hot": (t - 28.0) / (HARMFUL["hot"] - 28.0), "cold": (24.0 - t) / (24.0 - HARMFUL["cold"]),
        "dry": (70.0 - dry) / (70.0 - HARMFUL["dry"])}


def towards(name: str, t: float, rh: float, event: AdviceEvent) -> bool:
    """Return whether the letter's own forecast moves what harms most towards its band."""
    last = event.predictions[-1]
    return {"hot": last.temperature_c < t, "cold": last.temperature_c > t, "dry": last.relative_humidity_pct > rh}[name]


def test_the_forecast_of_a_letter_moves_what_harms_most_or_the_letter_says_what_would() -> None:
    seen = 0
    for case in entries(every=467, first=3):
        t, rh, event = case.now.temperature_c, case.now.relative_humidity_pct, advised(case)
        assert t is not None and rh is not None
        name, share = max(harms(t, rh).items(), key=lambda pair: pair[1])
        if event is None or share <= 0.0 or not event.predictions:
            continue
        seen += 1
        assert towards(name, t, rh, event) or any(text in event.reason for text in SAID), (case, event)
    assert seen > 60


def test_no_hot_chamber_is_only_watered() -> None:
    for place, rh in product(SOME, (50.0, 62.0, 80.0)):
        found = actions(entry(30.1, rh, False, *place))
        assert {action.device for action in found} - {"water", "mister", "garden"}, (place, rh, found)
