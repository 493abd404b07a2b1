"""A probe that drifts, against the keeper's eyes or a dial: it is asked about, and not obeyed on and on."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice_scenes import devices, later, settings_of, situation, standing
from north_course import Course, after, word

from rules.advice.advisory import consider
from rules.advice.done import Begun
from rules.advice.done import done as book
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Mister, Vents
from rules.terms.events import HOUR_MS
from rules.terms.words import LidSeen

DRIES = {"water:less", "vent:open", "fan:more", "lid:wipe", "mister:less", "heater:less"}


def lived(looks: list[str]) -> list[list[str]]:
    """Return what is asked day by day of a keeper who does it all, looks each morning, and finds this on the lid."""
    chamber, state, asked, changes = Chamber(devices=devices()), AdviceState(), [], ()
    dry = against = 0
    for day, seen in enumerate(looks):
        now = later(situation(26.0, 84.0, 18.0, 45.0), 24.0 * day, changes=changes)
        now = replace(now, dry_looks=dry, dry_against=against, lid_seen_wet=day > 0 and looks[day - 1] != "dry")
        stands = {"lid-dew": standing("lid-dew", since_ms=now.at_ms)}
        state, events = consider(settings_of(chamber), "north", state, now, stands, "test")
        fresh = [event for event in events if event.status in ("given", "updated")]
        asked.append([f"{row.device}:{row.change}" for event in fresh for row in event.actions])
        if state.open is not None and state.open.done_ms is None:
            state, made = book(state, state.open, None, Begun(now.at_ms + HOUR_MS, 26.0))
            changes = (*changes, *made)
        dry, against = (dry + 1, against + (dry >= 3)) if seen == "dry" else (0, 0)
    return asked


def test_a_lid_that_is_always_seen_dry_is_looked_at_and_then_its_probe_is_compared_before_anything_is_dried():
    """Seven mornings "dry" were answered with granules out, a vent, another third out, foam (found in a foreign simulation)."""
    asked = lived(["dry"] * 9)
    late = [key for told in asked[3:] for key in told]
    assert asked[3] == ["lid:check"] and asked[4] == ["probe:check"]
    assert not DRIES & set(late) and late.count("probe:check") == 1


@pytest.mark.parametrize(
    ("knob", "value", "hours", "compares"),
    [("mister", 5.0, 2.0, False), ("vents", 0.0, 2.0, False), ("mister", 5.0, 30.0, True), ("mister", 0.0, 2.0, True)],
)
def test_a_lid_that_was_misted_since_it_was_seen_dry_needs_no_other_probe_to_be_wet(knob, value, hours, compares):
    """Two hours after "2 presses" had taken it from 49 to 97 %RH a second probe was asked for, over a lid of 28 g/m2 (attack
    from outside)."""
    chamber = Chamber(devices=devices(vents=Vents(count=2, open=1), mister=Mister(ml_per_press=1.0, ml_per_day=2.0)))
    now = situation(26.0, 97.0, 21.0, 45.0, dry_looks=4, dry_against=1)
    done = DeviceChange(now.at_ms - round(hours * HOUR_MS), knob, value)
    now = replace(now, lid_looked_ms=now.at_ms - 4 * HOUR_MS, changes=(done,))
    stands = {"lid-dew": standing("lid-dew", since_ms=now.at_ms)}
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, stands, "test")
    keys = {f"{row.device}:{row.change}" for event in events for row in event.actions}
    assert ("probe:check" in keys) == compares and bool(DRIES & keys) != compares


def test_a_lid_that_was_seen_wet_is_dried_as_before():
    asked = lived(["droplets"] * 4)
    assert asked[3] == [] or DRIES & set(asked[3]) or "lid:insulate" in asked[3]
    assert DRIES & {key for told in asked for key in told} and not any("probe:check" in told for told in asked)


def test_looks_are_counted_by_the_half_day_start_anew_with_water_and_are_forgotten_when_they_are_taken_back():
    course = Course(after(25.5, 25.5))

    def seen(what: str, word_id: str) -> int:
        course.say(word(LidSeen, word_id, chamber="north", at_ms=course.now_ms, seen=what))
        return course.state.places["north"].dry_looks

    assert [seen("dry", "a"), seen("dry", "b")] == [1, 1]  # two looks at once are one
    course.live(12 * 60, 25.5)
    assert seen("dry", "c") == 2
    course.undo("c")
    assert course.state.places["north"].dry_looks == 1
    course.live(12 * 60, 25.5)
    assert [seen("mist", "d"), course.state.places["north"].dry_against] == [0, 0]


def test_before_a_dial_is_turned_up_again_a_second_thermometer_is_asked_for():
    """A probe that lost 0.4 K a day had its thermostat turned up twice; the garden was at 28.9 degC (foreign simulation)."""
    chamber = Chamber(devices=devices(setpoint_c=26.0))
    cold = situation(23.8, 78.0, 19.0, 45.0, 0.8, usual_c=23.8, usual_peak_c=24.3, usual_trough_c=23.4, usual_range_k=0.9)
    first = told(chamber, cold)
    assert not any("second thermometer" in text for text in first) and any("up from 26 to 27" in text for text in first)
    again = told(chamber, replace(cold, changes=(DeviceChange(cold.at_ms - 40 * HOUR_MS, "setpoint", 27.0),)))
    assert again[0].startswith("Hang a second thermometer beside the probe")
    lowered = told(chamber, replace(cold, changes=(DeviceChange(cold.at_ms - 40 * HOUR_MS, "setpoint", 25.0),)))
    assert not any("second thermometer" in text for text in lowered)


def told(chamber: Chamber, now: Situation) -> list[str]:
    stands = {"temperature-low": standing("temperature-low")}
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, stands, "test")
    return [action.text for action in events[0].actions]


def test_a_lid_that_was_seen_dripping_does_not_have_its_humidity_probe_checked_day_after_day():
    """In a cellar of 14 degC the probe was to be checked eight days running beside a film of 340 g/m2 (foreign simulation)."""
    chamber, state, asked = Chamber(devices=devices()), AdviceState(), []
    for day in range(6):
        now = later(situation(26.0, 66.0, 14.0, 65.0, 0.35), 24.0 * day)
        now = replace(now, lid_seen_wet=day > 0)
        stands = {"humidity-low": standing("humidity-low", since_ms=0), "lid-dew": standing("lid-dew", since_ms=0)}
        state, events = consider(settings_of(chamber), "north", state, now, stands, "test")
        asked += [action.text for event in events if event.status == "given" for action in event.actions]
        if state.open is not None and state.open.done_ms is None:
            state, _ = book(state, state.open, None, Begun(now.at_ms + HOUR_MS, 26.0))
    assert sum(text.startswith("Check the humidity probe") for text in asked) <= 1


def test_a_lid_that_nobody_has_looked_at_is_not_said_to_have_been_seen_dry():
    """"You have seen this lid dry again and again", to who had never said a word, of a lid of 20 g/m2 (attack from outside)."""
    chamber, now = Chamber(devices=devices()), situation(26.0, 88.0, None, None)
    stands = {"lid-dew": standing("lid-dew", since_ms=now.at_ms)}
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, stands, "test")
    assert [action.change for event in events for action in event.actions] == ["check"]
    assert all("nobody has measured" in event.reason and "seen" not in event.reason for event in events)
