"""A condition turns only after its delays, in observed time, and never out of doubt."""

from __future__ import annotations

import numpy as np
import pytest

from rules.climate.hysteresis import CLEAR, EDGE, HARM, HARM_EDGE, HELD_AT_MOST_MS, OUTSIDE, UNSEEN, Delays, Walk, walk, zones

MINUTE = 60_000
DELAYS = Delays(on_ms=5 * MINUTE, off_ms=10 * MINUTE, harm_ms=2 * MINUTE, ease_ms=10 * MINUTE)


def turns(zone: list[int], state: Walk | None = None, credit: list[int] | None = None, delays: Delays = DELAYS):
    """One instant a minute; returns the turns as (minute, to) and the state after."""
    count = len(zone)
    credit_ms = np.full(count, MINUTE) if credit is None else np.array(credit)
    after, turned = walk(state or Walk(), np.array(zone, np.int8), credit_ms, np.arange(count) * MINUTE, delays)
    return [(turn.index, turn.to) for turn in turned], after


def test_a_value_beyond_the_limit_for_the_on_delay_is_active() -> None:
    assert turns([CLEAR] + [OUTSIDE] * 8)[0] == [(6, "active")]


def test_a_shorter_excursion_says_nothing() -> None:
    assert turns([CLEAR] + [OUTSIDE] * 5 + [CLEAR] * 20)[0] == []


def test_the_harmful_level_has_its_own_shorter_delay() -> None:
    assert turns([CLEAR] + [HARM] * 4)[0] == [(3, "harmful")]


def test_an_active_condition_becomes_harmful_and_eases_and_returns() -> None:
    zone = [OUTSIDE] * 7 + [HARM] * 3 + [OUTSIDE] * 12 + [CLEAR] * 12
    assert turns(zone)[0] == [(5, "active"), (9, "harmful"), (20, "eased"), (32, "normal")]


def test_inside_the_deadband_nothing_clears_but_it_recovers_and_may_relapse() -> None:
    assert turns([OUTSIDE] * 7 + [EDGE] * 500)[0] == [(5, "active"), (17, "recovering")]
    relapsing = [OUTSIDE] * 7 + [EDGE] * 20 + [OUTSIDE] * 4 + [EDGE] * 3 + [OUTSIDE] * 7
    assert turns(relapsing)[0] == [(5, "active"), (17, "recovering"), (39, "relapsed")]


def test_near_the_harmful_limit_nothing_eases() -> None:
    assert turns([HARM] * 4 + [HARM_EDGE] * 500)[0] == [(2, "harmful")]


def test_one_bad_sample_starts_the_off_delay_anew() -> None:
    assert turns([OUTSIDE] * 7 + [CLEAR] * 9 + [OUTSIDE] + [CLEAR] * 11)[0] == [(5, "active"), (27, "normal")]


def test_a_suspect_sample_freezes_the_delay() -> None:
    """Ten minutes outside of which seven do not count are three."""
    credit = [MINUTE] * 3 + [0] * 7 + [MINUTE] * 4
    assert turns([OUTSIDE] * 14, credit=credit)[0] == [(12, "active")]


def test_an_unseen_active_condition_is_held_and_never_cleared() -> None:
    told, after = turns([OUTSIDE] * 7 + [UNSEEN] * 600)
    assert told == [(5, "active"), (7, "held")]
    assert after.phase == "held"


def test_held_goes_on_when_it_is_seen_again_and_clears_only_on_fresh_good_samples() -> None:
    _, held = turns([OUTSIDE] * 7 + [UNSEEN] * 5)
    assert turns([OUTSIDE] * 3, held)[0] == [(0, "resumed")]
    assert turns([CLEAR] * 12, held)[0] == [(0, "resumed"), (10, "normal")]


def test_held_for_a_day_is_unknown_not_cleared() -> None:
    _, held = turns([OUTSIDE] * 7 + [UNSEEN])
    late = HELD_AT_MOST_MS // MINUTE
    told, after = turns([UNSEEN] * (late + 20), held)
    assert told == [(late + 7, "unknown")]
    assert after.phase == "unknown"


def test_what_was_never_seen_says_nothing_when_it_is_first_seen() -> None:
    assert turns([UNSEEN] * 5 + [CLEAR] * 5)[0] == []


def test_a_normal_condition_that_is_lost_and_found_tells_both() -> None:
    assert turns([CLEAR] * 5 + [UNSEEN] * 5 + [CLEAR])[0] == [(5, "unknown"), (10, "seen")]


def test_an_edited_limit_ends_an_alarm_that_it_made_wrong_at_once() -> None:
    after, turned = walk(
        Walk(phase="active", harmful=True, edited=True), np.array([CLEAR], np.int8), np.array([0]), np.array([0]), DELAYS
    )
    assert [(turn.to, turn.edited) for turn in turned] == [("normal", True)]
    assert after.phase == "normal"


def test_an_edit_that_changes_nothing_leaves_the_alarm_standing() -> None:
    told, after = turns([OUTSIDE] * 3, Walk(phase="active", edited=True))
    assert told == []
    assert after.phase == "active"


def test_without_delay_the_first_sample_counts() -> None:
    assert turns([CLEAR, OUTSIDE, CLEAR], delays=Delays(0, 0, 0, 0))[0] == [(1, "active"), (2, "normal")]


@pytest.mark.parametrize(
    ("value", "zone"),
    [
        (27.0, CLEAR),
        (27.5, CLEAR),
        (27.6, EDGE),
        (28.0, EDGE),
        (28.1, OUTSIDE),
        (29.6, HARM_EDGE),
        (30.1, HARM),
        (np.nan, UNSEEN),
    ],
)
def test_a_temperature_finds_its_zone_against_an_upper_edge(value: float, zone: int) -> None:
    assert zones(np.array([value]), 28.0, 30.0, 0.5, upper=True)[0] == zone


@pytest.mark.parametrize(
    ("value", "zone"),
    [(74.0, CLEAR), (73.0, CLEAR), (72.9, EDGE), (70.0, EDGE), (69.9, OUTSIDE), (62.9, HARM_EDGE), (59.9, HARM)],
)
def test_a_humidity_finds_its_zone_against_a_lower_edge(value: float, zone: int) -> None:
    assert zones(np.array([value]), 70.0, 60.0, 3.0, upper=False)[0] == zone


def test_a_mirrored_value_with_mirrored_limits_has_the_same_zone() -> None:
    values = np.linspace(-5.0, 5.0, 401)
    upper = zones(values, 1.0, 3.0, 0.5, upper=True)
    lower = zones(-values, -1.0, -3.0, 0.5, upper=False)
    np.testing.assert_array_equal(upper, lower)
