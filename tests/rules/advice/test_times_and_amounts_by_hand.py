"""What comes of advice over time, worked by hand: verdicts, promises and what they are worth, looks, reminders, set points."""

from __future__ import annotations

from dataclasses import replace
from math import log, sqrt
from typing import Any

import pytest
from advice_scenes import NOON_MS, devices, settings_of, situation, standing

from rules.advice import verification
from rules.advice.cause import Cause, reason_of
from rules.advice.cold import cold_comes_first
from rules.advice.heat import over_by_itself, stops_lately
from rules.advice.looks import is_reminder_due, looks_at
from rules.advice.set_point import cold_by_morning, cold_tonight, left_out, lowered_k, plug_in, turn_up
from rules.advice.state import AdviceState, Awaited, Gain, OpenAdvice, ToldForecast, ToldMove, Worth
from rules.advice.verification import Follows, Verdict, gone_worse, in_vain_so_far, learned, noticed_fading, verdict_text
from rules.advice.worth import awaited, awaiting, factor, held_against, is_due, watered_pct
from rules.climate.room_ahead import RoomAhead
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Heater
from rules.terms.advised import Prediction
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

BOX = Chamber(devices=devices(setpoint_c=26.0))
UNHEATED = Chamber(devices=devices(heater=None))


def later(hours: float, t: float = 25.5, rh: float = 70.0, **more: Any) -> Situation:
    return situation(t, rh, 20.0, 50.0, at_ms=NOON_MS + round(hours * HOUR_MS), **more)


def reason(now: Situation, chamber: Chamber = BOX, *names: str) -> Cause:
    return reason_of(chamber, now, {name: standing(name) for name in names}, present_knobs(chamber, now.changes))


# ---------------------------------------------------------------- verdicts


def changed(
    knob: str, *, ends: tuple[float, float, float], alone: tuple[float, float, float] | None = None, u: float = 0.0,
    **more: Any,
) -> OpenAdvice:
    """A change that was told and done at noon at 25.5 degC, 70 %RH and 2 K, with the courses that were foretold: in six hours
    to these figures, and alone to those."""

    def course(figures: tuple[float, float, float]) -> list[ToldForecast]:
        t, rh, margin = figures
        return [ToldForecast(NOON_MS + 6 * HOUR_MS, t, u, rh, u, margin, u)]

    body: dict[str, Any] = {"start_c": 25.5, "start_pct": 70.0, "start_margin_k": 2.0, "done_ms": NOON_MS} | more
    return OpenAdvice(
        "north-1", "cell", 1, None, False, "today", NOON_MS, NOON_MS, NOON_MS + 6 * HOUR_MS, [f"{knob}:more"], [1.0],
        [ToldMove("x", knob, knob, 1.0, 1.0, "x")], course(ends), [] if alone is None else course(alone), **body,
    )  # fmt: skip


def judge(told: OpenAdvice, now: Situation) -> Verdict:
    """The room is as it was expected to be."""
    return verification.judge(told, now, Follows(2.0, held=False))


@pytest.mark.parametrize(
    ("seen_pct", "said"),
    [
        (71.9, "no effect"), (72.1, "too little"), (75.9, "too little"), (76.1, "works"), (86.9, "works"),
        (87.1, "more than expected"), (60.0, "no effect"),
    ],
)  # fmt: skip
def test_of_ten_points_a_fifth_is_nothing_six_tenths_work_and_seventeen_are_more(seen_pct: float, said: str) -> None:
    verdict = judge(changed("mister", ends=(25.5, 80.0, 2.0)), later(6, rh=seen_pct, dew_margin_k=2.0))
    assert verdict.said == said and verdict.share == pytest.approx((seen_pct - 70.0) / 10.0)
    assert verdict.u_share == pytest.approx(0.15)  # a probe's noise of 1.5 points


@pytest.mark.parametrize(
    ("expected", "u", "seen", "said"),
    [
        (3.0, 0.0, 3.0, "works"), (2.9, 0.0, 2.9, "cannot tell"),  # two standard uncertainties of 1.5 points
        (4.5, 0.0, 0.0, "no effect"), (4.4, 0.0, 0.0, "cannot tell"),  # three before it is said that nothing came of it
        (5.0, 2.0, 5.0, "works"), (4.9, 2.0, 4.9, "cannot tell"),  # with 2 points by itself: hypot(1.5, 2) = 2.5
        (7.5, 2.0, 0.0, "no effect"), (7.4, 2.0, 0.0, "cannot tell"),
    ],
)  # fmt: skip
def test_what_does_not_stand_out_is_not_judged(expected: float, u: float, seen: float, said: str) -> None:
    told = changed("vents", ends=(25.5, 70.0 + expected, 2.0), alone=(25.5, 70.0, 2.0), u=u)
    assert judge(told, later(6, rh=70.0 + seen, dew_margin_k=2.0)).said == said


@pytest.mark.parametrize(
    ("knob", "unit", "expected"), [("heater", "K of temperature", "+1.0"), ("foam", "K of margin", "+1.5"),
    ("fan", "points of humidity", "+9.0")],
)  # fmt: skip
def test_a_knob_is_judged_by_its_own_figure_and_the_numbers_are_told(knob: str, unit: str, expected: str) -> None:
    verdict = judge(changed(knob, ends=(26.5, 79.0, 3.5)), later(6, t=26.0, rh=74.0, dew_margin_k=3.0))
    assert verdict.because.startswith(f"Expected {expected} {unit}, seen +")


def test_without_a_clear_figure_of_its_own_the_clearest_is_taken_and_what_comes_by_itself_is_told() -> None:
    told = changed("heater", ends=(25.8, 60.0, 2.0), alone=(25.5, 66.0, 2.0))
    verdict = judge(told, later(6, t=25.8, rh=60.0, dew_margin_k=2.0))
    assert verdict.because == (
        "Expected -6.0 points of humidity, seen -6.0 points, beside -4.0 points that were expected without it."
    )
    near = judge(changed("heater", ends=(25.8, 60.0, 2.0), alone=(25.5, 67.1, 2.0)), later(6, t=25.8, rh=60.0))
    assert "beside" not in near.because  # 2.9 points are within twice a probe's noise


def test_half_done_is_half_expected_and_what_went_on_before_it_was_done_is_not_its_effect() -> None:
    half = judge(changed("mister", ends=(25.5, 80.0, 2.0), done_share=0.5), later(6, rh=75.0))
    assert half.share == pytest.approx(1.0)
    begun = judge(changed("mister", ends=(25.5, 80.0, 2.0), begun_pct=74.0), later(6, rh=84.0))
    assert begun.share == pytest.approx(1.0)


def test_between_its_instants_a_course_is_straight() -> None:
    verdict = judge(changed("mister", ends=(25.5, 82.0, 2.0)), later(3, rh=76.0))  # half of twelve after half of six hours
    assert verdict.share == pytest.approx(1.0) and "Expected +6.0" in verdict.because
    late = judge(changed("mister", ends=(25.5, 82.0, 2.0)), later(9, rh=82.0))
    assert "Expected +12.0" in late.because


@pytest.mark.parametrize(("share", "u_share"), [(1.0, 0.2), (0.5, 0.0), (9.0, 0.0), (0.01, 0.0)])
def test_a_gain_is_learned_by_its_weight(share: float, u_share: float) -> None:
    """Kalman: variance + 0.02 against the square of the uncertainty + 0.04; a share counts from 0.1 to 3."""
    old = Gain()
    variance, noise = old.spread**2 + 0.02, u_share**2 + 0.04
    weight = variance / (variance + noise)
    state = learned(AdviceState(), changed("vents", ends=(25.5, 60.0, 2.0)), Verdict("works", share, u_share, ""))
    new = state.gains["vents"]
    assert new.mean == pytest.approx(1.0 + weight * (min(max(share, 0.1), 3.0) - 1.0)) and new.count == 1
    assert new.spread == pytest.approx(sqrt(variance * noise / (variance + noise)))


def test_two_knobs_teach_nothing_of_each_but_water_given_in_two_ways_does() -> None:
    told = changed("vents", ends=(25.5, 60.0, 2.0))
    both = replace(told, moves=[*told.moves, ToldMove("y", "fan", "fan", 1.0, 1.0, "x")])
    ways = [ToldMove(act, knob, knob, 1.0, 1.0, "x") for act, knob in (("water", "water"), ("mist-more", "mister"))]
    waters = replace(told, moves=ways)
    verdict = Verdict("no effect", 0.1, 0.1, "")
    assert learned(AdviceState(), both, verdict).gains == {}
    found = learned(AdviceState(mist_failures=1), waters, verdict)
    assert set(found.gains) == {"water", "mister"} and found.mist_failures == 2
    assert learned(found, waters, Verdict("works", 1.0, 0.1, "")).mist_failures == 0
    assert learned(found, told, Verdict("works", 1.0, 0.1, "")).mist_failures == 2


@pytest.mark.parametrize(
    ("minutes", "days_ago", "told_ml", "dry", "fades"),
    [
        (29.0, 0.5, 4.0, True, True), (30.0, 0.5, 4.0, True, False), (29.0, 1.0, 4.0, True, True),
        (29.0, 1.01, 4.0, True, False), (29.0, 0.5, 2.0, True, False), (29.0, 0.5, 4.0, False, False),
    ],
)  # fmt: skip
def test_mist_that_does_not_last_half_an_hour_has_failed(
    minutes: float, days_ago: float, told_ml: float, dry: bool, fades: bool
) -> None:
    """The usual means mist 2 ml a day: only more of it, told within a day, counts."""
    now_ms = NOON_MS + round(minutes * MINUTE_MS)
    change = DeviceChange(now_ms - round(days_ago * DAY_MS), "mister", told_ml)
    now = replace(situation(25.5, 66.0, at_ms=now_ms), changes=(change,))
    state = AdviceState(quiet_until_ms=NOON_MS + 30 * MINUTE_MS)
    stands = {"humidity-low": standing("humidity-low")} if dry else {}
    found = noticed_fading(BOX, state, now, stands)
    assert found.mist_failures == int(fades) and noticed_fading(BOX, found, now, stands).mist_failures == int(fades)


@pytest.mark.parametrize(
    ("t", "rh", "worse"),
    [
        (26.0, 66.0, set()), (26.1, 66.0, {"heat"}), (25.0, 66.0, set()), (24.9, 66.0, {"cold"}), (25.5, 65.9, {"dryness"}),
    ],
)  # fmt: skip
def test_what_lies_half_a_kelvin_or_four_points_further_has_gone_worse(t: float, rh: float, worse: set[str]) -> None:
    found = gone_worse(25.5, 70.0, situation(t, rh))
    assert {kind for kind, yes in found.items() if yes} == worse
    assert gone_worse(None, 70.0, situation(t, rh))["heat"]
    names = {"heat": "temperature-high", "cold": "temperature-low", "dryness": "humidity-low"}
    told = changed("vents", ends=(25.5, 70.0, 2.0), done_c=25.5)
    for kind, name in names.items():
        for since_ms, counts in ((NOON_MS, True), (NOON_MS + 1, False)):
            stands = {name: standing(name, since_ms=since_ms)}
            assert in_vain_so_far(AdviceState(open=told), situation(t, rh), stands) is (kind in worse and counts)


def test_each_verdict_is_said_in_one_plain_sentence() -> None:
    told = changed("mister", ends=(25.5, 80.0, 2.0))
    assert verdict_text(told, Verdict("no effect", 0.0, 0.1, "")).startswith("No effect seen: check that the nozzle")
    looked = replace(told, moves=[])
    assert verdict_text(looked, Verdict("cannot tell", None, None, "")) == "Done, thank you"
    gone_on = verdict_text(looked, Verdict("cannot tell", None, None, ""), worse=True)
    assert gone_on == "Done, thank you, but it has gone on since"
    assert judge(replace(looked, done_c=27.0), later(6, t=26.0)).because == (
        "It was 27.0 °C and 70 %RH when this was done and 26.0 °C and 70 %RH when I looked again."
    )
    assert judge(replace(looked, branch="heat"), later(6, t=26.0)).because == (
        "It was 25.5 °C when this was advised and 26.0 °C when I looked again."
    )


# ---------------------------------------------------------------- what promises are worth


@pytest.mark.parametrize(("missed_k", "wider"), [(0.0, -0.015), (2.0, -0.015), (2.1, 0.285)])
def test_a_miss_widens_by_nineteen_times_what_a_hit_narrows(missed_k: float, wider: float) -> None:
    """A step of 0.3, of which 5 % misses; what was stated is one standard uncertainty of 1 K."""
    row = Awaited(NOON_MS, "temperature 6", 25.0, 1.0)
    found = held_against(AdviceState(awaited=[row]), later(0, t=25.0 + missed_k)).worth["temperature 6"]
    assert (found.wider, found.told, found.held, found.shift) == (pytest.approx(wider), 1, int(wider < 0), 0.0)


@pytest.mark.parametrize(("minutes", "counts"), [(-0.1, False), (0.0, True), (59.9, True), (60.0, False)])
def test_a_promise_is_looked_at_within_an_hour_of_its_time(minutes: float, counts: bool) -> None:
    rows = [Awaited(NOON_MS, "watered 6", 80.0, 2.0), Awaited(NOON_MS + DAY_MS, "watered 24", 80.0, 2.0)]
    state = AdviceState(awaited=rows)
    assert is_due(state, NOON_MS + round(minutes * MINUTE_MS)) is (minutes >= 0.0)
    found = held_against(state, later(minutes / 60.0, rh=72.0))
    assert ("watered 6" in found.worth) is counts and len(found.awaited) == (2 if minutes < 0 else 1)
    if counts:
        assert found.worth["watered 6"].shift == pytest.approx(-4.0)  # half of what it missed by
        far = held_against(replace(found, awaited=[replace(rows[0], value=200.0)]), later(0, rh=72.0))
        assert far.worth["watered 6"].shift == -30.0


@pytest.mark.parametrize(("minutes", "kept"), [(90.0, True), (90.1, False)])
def test_what_is_done_later_than_an_hour_and_a_half_was_not_foretold(minutes: float, kept: bool) -> None:
    told = replace(changed("water", ends=(25.5, 80.0, 2.0)), awaited=[Awaited(NOON_MS, "watered 6", 80.0, 2.0)])
    assert bool(awaiting(AdviceState(), told, NOON_MS + round(minutes * MINUTE_MS)).awaited) is kept


@pytest.mark.parametrize(
    ("hours", "known", "dry_air", "less"),
    [
        (6.0, {}, True, 4.0), (24.0, {}, True, 8.0), (1.0, {}, True, 0.0), (0.0, {}, True, 0.0), (3.5, {}, True, 2.0),
        (15.0, {}, True, 6.0), (24.0, {}, False, 0.0), (6.0, {"watered 6": -5.0}, True, 9.0),
        (24.0, {"watered 6": -5.0}, True, 13.0), (24.0, {"watered 6": -5.0, "watered 24": -2.0}, True, 10.0),
        (0.5, {"watered 1": -3.0}, False, 1.5),
    ],
)  # fmt: skip
def test_water_promises_less_by_what_past_promises_missed_and_the_rooms_air_dries(
    hours: float, known: dict[str, float], dry_air: bool, less: float
) -> None:
    worth = {name: Worth(shift=shift) for name, shift in known.items()}
    assert watered_pct(worth, hours, dry_air=dry_air) == pytest.approx(less)


@pytest.mark.parametrize(
    ("quantity", "hours", "wide"),
    [
        ("temperature", 1.0, 1.25), ("temperature", 6.0, 1.0), ("temperature", 24.0, 0.9), ("humidity", 1.0, 1.4),
        ("temperature", sqrt(6.0), sqrt(1.25 * 1.0)), ("temperature", 12.0, sqrt(1.0 * 0.9)), ("temperature", 0.25, 1.25),
        ("temperature", 0.0, 1.25), ("watered", 48.0, 1.1),
    ],
)  # fmt: skip
def test_what_is_stated_goes_straight_between_its_horizons_by_logarithms(quantity: str, hours: float, wide: float) -> None:
    assert factor({}, quantity, hours) == pytest.approx(wide, rel=1e-6)
    widened = {f"{quantity} {one}": Worth(wider=log(2.0)) for one in (1, 6, 24)}
    assert factor(widened, quantity, hours) == pytest.approx(2.0 * wide, rel=1e-6)


def test_a_promise_is_kept_for_each_quantity_and_horizon() -> None:
    rows = [Prediction(6 * HOUR_MS, 26.0, 0.4, 80.0, 3.0, 1.0, 0.5), Prediction(DAY_MS, 25.0, 0.6, 78.0, 4.0, 1.0, 0.5)]
    assert awaited(rows, NOON_MS, watered=True) == [
        Awaited(NOON_MS + 6 * HOUR_MS, "temperature 6", 26.0, 0.4), Awaited(NOON_MS + 6 * HOUR_MS, "watered 6", 80.0, 3.0),
        Awaited(NOON_MS + DAY_MS, "temperature 24", 25.0, 0.6), Awaited(NOON_MS + DAY_MS, "watered 24", 78.0, 4.0),
    ]
    assert awaited(rows, NOON_MS, watered=False)[1].of == "humidity 6"


# ---------------------------------------------------------------- looks and reminders


def told_at(hours_ago: float, urgency: str = "today", branch: str = "cell", **more: Any) -> OpenAdvice:
    at_ms = NOON_MS - round(hours_ago * HOUR_MS)
    told = changed("vents", ends=(25.5, 60.0, 2.0), done_ms=None)
    return replace(told, told_ms=at_ms, urgency=urgency, branch=branch, **more)


@pytest.mark.parametrize(
    ("hours_ago", "at_min", "looks"),
    [
        (0.9, 10, True), (0.9, 15, False), (1.0, 10, False), (1.0, 30, True), (5.9, 30, True), (6.0, 30, False),
        (6.0, 60, True), (23.9, 60, True), (24.0, 60, False), (24.0, 360, True),
    ],
)  # fmt: skip
def test_the_longer_advice_waits_the_seldomer_it_is_looked_at(hours_ago: float, at_min: int, looks: bool) -> None:
    at_ms = DAY_MS * 20_000 + at_min * MINUTE_MS
    now = replace(told_at(0.0, reminders=9), told_ms=at_ms - round(hours_ago * HOUR_MS))
    telling = settings_of(BOX).telling
    assert looks_at(telling, AdviceState(open=now), {}, at_ms, blind=False) is looks
    done = replace(now, done_ms=at_ms - 1)
    assert looks_at(telling, AdviceState(open=done), {}, at_ms, blind=False) is (at_min % 10 == 0)
    urgent = replace(now, urgency="wake", branch="heat")
    assert looks_at(telling, AdviceState(open=urgent), {}, at_ms, blind=True) is (at_min % 30 == 0)


@pytest.mark.parametrize(
    ("urgency", "reminders", "hours", "due"),
    [
        ("wake", 0, 0.24, False), ("wake", 0, 0.25, True), ("wake", 1, 0.9, False), ("wake", 1, 1.0, True),
        ("wake", 2, 3.9, False), ("wake", 2, 4.0, True), ("wake", 3, 7.9, False), ("wake", 3, 8.0, True),
        ("wake", 4, 11.9, False), ("wake", 4, 12.0, True), ("today", 0, 5.9, False), ("today", 0, 6.0, True),
        ("today", 1, 23.9, False), ("today", 1, 24.0, True), ("today", 2, 47.9, False), ("today", 2, 48.0, True),
        ("digest", 0, 23.9, False), ("digest", 0, 24.0, True), ("digest", 1, 48.0, False),
    ],
)  # fmt: skip
def test_undone_advice_is_told_again_by_its_urgency(urgency: str, reminders: int, hours: float, due: bool) -> None:
    """After 15 minutes, 1 and 4 hours where it wakes, then each 4 hours; after 6 and 24 hours by day, then daily."""
    now, telling = told_at(hours, urgency, reminders=reminders), settings_of(BOX).telling
    assert is_reminder_due(telling, now, {}, NOON_MS) is due
    seen = {"temperature-high": standing("temperature-high", acknowledged=True)}
    assert not is_reminder_due(telling, now, seen, NOON_MS)
    assert not is_reminder_due(telling, replace(now, done_ms=NOON_MS), {}, NOON_MS)


# ---------------------------------------------------------------- cold that comes first, and set points


@pytest.mark.parametrize(
    ("chamber", "t", "names", "more", "is_first"),
    [
        (UNHEATED, 18.0, (), {}, True), (UNHEATED, 18.1, (), {}, False),
        (Chamber(devices=devices(None)), 15.0, (), {"room_c": None, "room_pct": None}, True),
        (Chamber(devices=devices(None)), 15.1, (), {"room_c": None, "room_pct": None}, False),
        (UNHEATED, 23.0, ("heater-failed",), {}, True), (UNHEATED, 28.1, ("heater-failed",), {}, False),
        (Chamber(role="waste", devices=devices(heater=None)), 5.0, (), {}, False),
    ],
)  # fmt: skip
def test_cold_comes_first_where_it_is_lethal_or_the_heat_has_failed(
    chamber: Chamber, t: float, names: tuple[str, ...], more: dict[str, Any], is_first: bool
) -> None:
    now = situation(t, 80.0, **{"room_c": t - 0.5} | more)
    stands = {name: standing(name) for name in names}
    assert cold_comes_first(reason(now, chamber, *names), now, stands) is is_first
    held = {name: standing(name, condition="held") for name in names}
    assert not names or not cold_comes_first(reason(now, chamber), now, held)


@pytest.mark.parametrize(
    ("t", "room_c", "tau_h", "cold"),
    [
        (24.0, 10.0, 23.7, True), (24.0, 10.0, 23.8, False),  # tau ln(14 / 10) = 8 h
        (20.0, 10.0, 99.0, True), (24.0, 20.0, 0.1, False), (24.0, 19.9, 0.5, True),
    ],
)  # fmt: skip
def test_a_night_of_eight_hours_is_what_newtons_law_leaves(t: float, room_c: float, tau_h: float, cold: bool) -> None:
    assert cold_by_morning(situation(t, 80.0, room_c), 20.0, tau_h) is cold
    assert not cold_by_morning(situation(t, 80.0, None, None), 20.0, tau_h)


@pytest.mark.parametrize(("falls_k", "cold"), [(1.9, False), (2.1, True)])
def test_a_box_that_follows_its_room_is_cold_tonight_by_its_lowest_hour(falls_k: float, cold: bool) -> None:
    ahead = RoomAhead((0.0, 1.0, -falls_k, 2.0), (0.3,) * 4)
    goal = reason(situation(26.0, 80.0)).goal
    assert cold_tonight(situation(26.0, 80.0, room_ahead=ahead), goal) is cold


@pytest.mark.parametrize(("days", "counts"), [(6.99, 2), (7.0, 1)])
def test_what_ran_away_within_a_week_is_not_the_first_time(days: float, counts: int) -> None:
    state = AdviceState(stopped_at_ms=[NOON_MS - round(days * DAY_MS), NOON_MS - 11 * HOUR_MS])
    assert stops_lately(state, NOON_MS) == counts
    assert left_out(state, situation(22.0, 80.0)) is (counts == 2)
    assert not left_out(state, situation(18.0, 80.0))  # then a heater under the keeper's eyes is the lesser harm
    assert not left_out(replace(state, stopped_at_ms=[NOON_MS - 2 * DAY_MS, NOON_MS - DAY_MS]), situation(22.0, 80.0))


def test_a_runaway_that_ends_by_itself_is_remembered_and_one_that_was_stopped_is_not() -> None:
    told = replace(told_at(2.0, "wake", "heat"), keys=["heater:stop"])
    state = AdviceState(open=told, by_itself_ms=[1, 2, 3])
    assert over_by_itself(state, NOON_MS).by_itself_ms == [2, 3, NOON_MS]
    for other in (replace(told, done_ms=1), replace(told, keys=["fan:more"]), None):
        assert over_by_itself(replace(state, open=other), NOON_MS).by_itself_ms == [1, 2, 3]


def lowered(to_c: float) -> tuple[DeviceChange, ...]:
    return (DeviceChange(NOON_MS - DAY_MS, "setpoint", to_c),)


@pytest.mark.parametrize(
    ("t", "to_c", "room_c", "value"),
    [
        (24.0, 24.0, 18.0, 25.5), (25.1, 24.0, 18.0, 24.5), (25.2, 24.0, 18.0, None), (24.0, 24.0, 23.0, 25.5),
        (24.0, 24.0, 23.1, None), (24.0, 25.6, 18.0, None), (22.0, 25.0, 18.0, 25.5),
    ],
)  # fmt: skip
def test_a_set_point_that_was_lowered_goes_up_again_before_it_is_cold(
    t: float, to_c: float, room_c: float, value: float | None
) -> None:
    """To the aim of 25.5 degC and no further; by what is missing where the thermostat is seen to hold the air lower."""
    swing = {"usual_c": t, "usual_peak_c": t + 0.5, "usual_trough_c": t - 0.5, "usual_range_k": 1.0} if t > 25.0 else {}
    now = situation(t, 80.0, room_c, changes=lowered(to_c), **swing)
    move = turn_up(BOX, now, reason(now))
    assert (None if move is None else move.value) == value
    assert lowered_k(BOX, now.changes) == pytest.approx(26.0 - to_c) and lowered_k(BOX, lowered(27.0)) == 0.0


MAT = Chamber(devices=devices(heater=Heater(watts=10.0, thermostat=False)))


@pytest.mark.parametrize(
    ("room_c", "stopped_c", "watts"),
    [(20.0, 33.0, 5.0), (20.0, 45.5, 2.5), (25.4, 33.0, None), (10.0, 26.0, 7.5), (None, 31.0, 5.0)],
)
def test_a_mat_that_nothing_switches_is_plugged_in_at_the_share_that_the_aim_takes(
    room_c: float | None, stopped_c: float, watts: float | None
) -> None:
    """10 W lifted it from 20 to 33 degC: 5.5 of 13 K need 4.2 W, told in quarters, which a keeper can set; three at most, and
    none where less than half of one is needed. A room that nobody measures is taken as 4 K below the band: 5.5 of 11 K."""
    now = situation(25.0, 80.0, room_c, None if room_c is None else 45.0)
    move = plug_in(MAT, AdviceState(stopped_c=stopped_c), now, reason(now, MAT), {})
    assert (None if move is None else (move.value, move.delta, move.amount)) == (
        None if watts is None else (watts, watts - 10.0, 10.0 - watts)
    )


@pytest.mark.parametrize(
    ("t", "room_c", "may"), [(26.0, 20.0, True), (26.1, 20.0, False), (25.0, 25.5, True), (25.0, 25.6, False)]
)
def test_it_is_plugged_in_again_within_half_a_kelvin_of_the_aim_and_not_in_a_warmer_room(
    t: float, room_c: float, may: bool
) -> None:
    now = situation(t, 80.0, room_c)
    assert (plug_in(BOX, AdviceState(), now, reason(now), {}) is not None) is may
    for name in ("temperature-high", "heater-runaway"):
        called_hot = plug_in(BOX, AdviceState(), now, reason(now), {name: standing(name)})
        assert (called_hot is not None) is (may and t <= 25.5)  # below its aim it does not wait for an alarm to run out
    if may:
        assert plug_in(BOX, AdviceState(), now, reason(now), {"humidity-low": standing("humidity-low")}) is not None


@pytest.mark.parametrize(
    ("setpoint_c", "reached_c", "value", "says"),
    [
        (26.0, 28.1, 25.5, "2 K past its set point"),  # more than 2 K above: it failed
        (26.0, 28.0, 24.6, "stay until you have seen it switch off once"),  # 1.5 K lower, but 0.6 K inside the band
        (26.0, 27.0, 25.5, "set to 25.5 °C"), (26.0, 26.4, 26.0, "set to 26 °C as it was"),
        (None, 29.0, 25.5, "or 2.5 K lower, if its dial shows no figures"),
    ],
)  # fmt: skip
def test_a_thermostat_is_set_lower_by_what_it_overshot_and_to_the_aim_where_it_failed(
    setpoint_c: float | None, reached_c: float, value: float, says: str
) -> None:
    """A sound one overshoots by 1 K."""
    box, now = Chamber(devices=devices(setpoint_c)), situation(25.0, 80.0, 20.0)
    move = plug_in(box, AdviceState(stopped_c=reached_c), now, reason(now, box), {})
    assert move is not None and move.value == pytest.approx(value) and says in move.text
