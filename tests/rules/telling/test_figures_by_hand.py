"""What telling reads from the figures of an instant, each just at its border and just beyond it, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from advice_scenes import situation
from telling_scenes import LIMITS, NOON, WATCH, alarm, at

from rules.climate.course import Presents
from rules.climate.memory import Account, PlaceMemory
from rules.telling.ledger import Ledger
from rules.telling.mild import look, look_ahead, next_evening_ms, next_look_ms
from rules.telling.settled import Settled
from rules.telling.state import Heard, Owed, TellingState, Thread
from rules.terms.advised import Action
from rules.terms.condition_changes import Harm
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent


def ledger(*heard: Heard, **figures: Any) -> Ledger:
    """What is remembered, and what is believed of box `a` at noon."""
    harm = figures.pop("harm", None)
    t, rh = figures.pop("t", 26.0), figures.pop("rh", 80.0)
    now = situation(t, rh, temperature_read_ms=NOON, humidity_read_ms=NOON, **figures)
    memory = PlaceMemory(
        since_ms=NOON, present=now, temperature_c=t, relative_humidity_pct=rh,
        harm={} if harm is None else {harm.kind: Account(judged=harm)},
    )  # fmt: skip
    state = TellingState(heard={f"{one.latest.chamber}/{one.latest.alarm}": one for one in heard}, round_date="2026-03-10")
    return Ledger(WATCH, state, Presents(before={"a": memory}))


def told(name: str = "temperature-high", *, letter_value: float | None = None, **more: Any) -> Heard:
    return Heard(alarm(name, **more), told=True, letter_value=letter_value, letter_value_ms=NOON - HOUR_MS)


# ---------------------------------------------------------------- back in its band


@pytest.mark.parametrize(("name", "figures", "settled"), [
    # Within half a kelvin, or three points, of the limit, and moving outwards no faster than noise: 0.3 K/h, 3 points/h.
    ("temperature-high", {"t": 28.5, "temperature_slope_k_h": 0.3}, True),
    ("temperature-high", {"t": 28.6, "temperature_slope_k_h": 0.3}, False),
    ("temperature-high", {"t": 28.5, "temperature_slope_k_h": 0.4}, False),
    ("temperature-high", {"t": 20.0, "temperature_slope_k_h": -9.0}, True),
    ("temperature-low", {"t": 23.5, "temperature_slope_k_h": -0.3}, True),
    ("temperature-low", {"t": 23.4, "temperature_slope_k_h": -0.3}, False),
    ("temperature-low", {"t": 23.5, "temperature_slope_k_h": -0.4}, False),
    ("humidity-low", {"rh": 67.0, "humidity_slope_pct_h": -3.0, "temperature_slope_k_h": -9.0}, True),
    ("humidity-low", {"rh": 66.9, "humidity_slope_pct_h": -3.0}, False),
    ("humidity-low", {"rh": 67.0, "humidity_slope_pct_h": -3.1}, False),
    # A heater's alarm watches no edge: the band's own counts, whatever limit it tells.
    ("heater-runaway", {"t": 28.5}, True), ("heater-runaway", {"t": 28.6}, False),
    ("heater-failed", {"t": 23.5}, True), ("heater-failed", {"t": 23.4}, False),
])  # fmt: skip
def test_what_is_told_is_settled_within_its_limit_by_half_of_what_harm_begins_by(
    name: str, figures: dict[str, Any], settled: bool
) -> None:
    limit = {"heater-runaway": 30.0, "heater-failed": 20.0}.get(name, LIMITS.get(name, 28.0))
    assert Settled(ledger(told(name, limit=limit), **figures)).is_settled("a", NOON) is settled


def test_all_that_is_shown_there_and_may_wake_must_be_settled() -> None:
    calm = told(value=27.0)
    assert Settled(ledger(calm)).is_settled("a", NOON)
    assert not Settled(ledger()).is_settled("a", NOON)  # nothing is told
    assert not Settled(ledger(calm)).is_settled("b", NOON)
    assert not Settled(ledger(calm, told("lid-open", priority="wake"))).is_settled("a", NOON)  # has no band to be back in
    assert Settled(ledger(calm, told("lid-dew", priority="today"))).is_settled("a", NOON)
    hidden = told("lid-open", priority="wake", suppression="shelved")
    assert Settled(ledger(calm, hidden)).is_settled("a", NOON)
    assert not Settled(ledger(told("temperature-high", chamber="b"))).is_settled("b", NOON)  # of which no figure is known


# ---------------------------------------------------------------- on its way out


@pytest.mark.parametrize(("name", "figures", "leaves"), [
    # Faster than 2 K/h, so that it is out in an hour; a figure's own alarm is not about that.
    ("humidity-low", {"t": 26.0, "temperature_slope_k_h": 2.1}, True),  # 28.1 > 28
    ("humidity-low", {"t": 25.8, "temperature_slope_k_h": 2.1}, False),  # 27.9
    ("humidity-low", {"t": 26.5, "temperature_slope_k_h": 2.0}, False),
    ("humidity-low", {"t": 26.0, "temperature_slope_k_h": -2.1}, True),  # 23.9 < 24
    ("humidity-low", {"t": 26.2, "temperature_slope_k_h": -2.1}, False),  # 24.1
    ("temperature-high", {"t": 27.0, "temperature_slope_k_h": 2.1}, False),
    # Faster than 10 points/h.
    ("temperature-high", {"rh": 80.0, "humidity_slope_pct_h": -10.1}, True),  # 69.9 < 70
    ("temperature-high", {"rh": 80.2, "humidity_slope_pct_h": -10.1}, False),  # 70.1
    ("temperature-high", {"rh": 79.0, "humidity_slope_pct_h": -10.0}, False),
    ("temperature-high", {"rh": 80.0, "humidity_slope_pct_h": 10.1}, True),
    ("temperature-high", {"rh": 79.8, "humidity_slope_pct_h": 10.1}, False),
    ("humidity-low", {"rh": 80.0, "humidity_slope_pct_h": -20.0}, False),
    ("lid-dew", {"rh": 80.0, "humidity_slope_pct_h": 20.0}, False),  # what a lid does to the air while it cools
    ("lid-dew", {"t": 26.0, "temperature_slope_k_h": -2.1}, True),
])  # fmt: skip
def test_a_box_leaves_its_band_by_what_is_out_in_an_hour_at_a_plain_pace(
    name: str, figures: dict[str, Any], leaves: bool
) -> None:
    assert Settled(ledger(**figures)).is_leaving([alarm(name)], NOON) is leaves
    assert not Settled(ledger(**figures)).is_leaving([alarm(name, chamber="b")], NOON)


def test_advice_leaves_by_either_figure() -> None:
    asks = AdviceEvent(
        id="v", at_ms=NOON, chamber="a", status="given", advisory="a.1", device="fan", change="more", amount=1.0, unit="min",
        reason="it",
    )
    assert Settled(ledger(t=26.0, temperature_slope_k_h=2.1)).is_leaving([asks], NOON)
    assert Settled(ledger(rh=80.0, humidity_slope_pct_h=-10.1)).is_leaving([asks], NOON)
    assert not Settled(ledger()).is_leaving([asks], NOON)


# ---------------------------------------------------------------- further than the last letter said


@pytest.mark.parametrize(("name", "letter", "value", "further"), [
    # Twice of what noise makes of a slope in an hour: 0.6 K, 6 points.
    ("temperature-high", 29.0, 29.65, True), ("temperature-high", 29.0, 29.55, False), ("temperature-high", 29.0, 28.0, False),
    ("temperature-low", 23.0, 22.35, True), ("temperature-low", 23.0, 22.45, False),
    ("humidity-low", 65.0, 58.9, True), ("humidity-low", 65.0, 59.1, False),
    ("lid-dew", -1.0, -9.0, False),  # a margin says nothing of the load
])  # fmt: skip
def test_a_figure_has_gone_on_by_twice_its_noise(name: str, letter: float, value: float, further: bool) -> None:
    one = told(name, letter_value=letter, value=value)
    assert Settled(ledger(one)).has_gone_on(one.latest) is further
    assert not Settled(ledger(told(name))).has_gone_on(one.latest)  # no letter said any figure


def test_the_newest_letter_about_the_same_figure_counts() -> None:
    one = told("temperature-high", letter_value=29.0, value=30.0)
    newer = Heard(alarm("heater-runaway"), letter_value=29.8, letter_value_ms=NOON)
    older = Heard(alarm("heater-runaway"), letter_value=29.8, letter_value_ms=NOON - 2 * HOUR_MS)
    other = Heard(alarm("humidity-low"), letter_value=65.0, letter_value_ms=NOON)
    elsewhere = Heard(alarm("heater-runaway", chamber="b"), letter_value=29.8, letter_value_ms=NOON)
    assert [Settled(ledger(one, beside)).has_gone_on(one.latest) for beside in (newer, older, other, elsewhere)] == [
        False, True, True, True,
    ]


@pytest.mark.parametrize(("name", "letter", "figures", "back"), [
    ("temperature-high", 30.0, {"t": 29.35, "temperature_slope_k_h": -0.4}, True),
    ("temperature-high", 30.0, {"t": 29.45, "temperature_slope_k_h": -0.4}, False),
    ("temperature-high", 30.0, {"t": 29.35, "temperature_slope_k_h": -0.3}, False),
    ("temperature-low", 20.0, {"t": 20.65, "temperature_slope_k_h": 0.4}, True),
    ("temperature-low", 20.0, {"t": 20.65, "temperature_slope_k_h": 0.3}, False),
    ("humidity-low", 60.0, {"rh": 66.1, "humidity_slope_pct_h": 3.1}, True),
    ("humidity-low", 60.0, {"rh": 65.9, "humidity_slope_pct_h": 3.1}, False),
    ("humidity-low", 60.0, {"rh": 66.1, "humidity_slope_pct_h": 3.0, "temperature_slope_k_h": 9.0}, False),
])  # fmt: skip
def test_it_comes_back_by_twice_its_noise_and_plainly_goes_on_so(
    name: str, letter: float, figures: dict[str, Any], back: bool
) -> None:
    one = told(name, letter_value=letter, priority="wake")
    found = Settled(ledger(one, **figures))
    assert (found.comes_back(one.latest, NOON), found.all_come_back("a", NOON)) == (back, back)


def test_only_what_wakes_and_was_told_must_come_back() -> None:
    figures = {"t": 29.3, "temperature_slope_k_h": -0.4}
    back, other = told(letter_value=30.0, priority="wake"), told("humidity-low", letter_value=60.0, priority="wake")
    assert not Settled(ledger(back, other, **figures)).all_come_back("a", NOON)
    milder = told("humidity-low", letter_value=60.0, priority="today")
    assert Settled(ledger(back, milder, **figures)).all_come_back("a", NOON)
    assert not Settled(ledger(milder, **figures)).all_come_back("a", NOON)


@pytest.mark.parametrize(("used", "late"), [(1.5, True), (1.49, False), (None, False)])
def test_it_is_late_where_all_was_used_up_half_as_much_again(used: float | None, late: bool) -> None:
    harm = None if used is None else Harm("heat", used, 0.0, 0.0, "severe", True, True)
    assert Settled(ledger(told(harm_used=used), harm=harm)).is_late("a", NOON) is late


# ---------------------------------------------------------------- the night


@pytest.mark.parametrize(("clock", "priority", "when"), [
    ("10 12:00", "wake", "now"), ("10 23:00", "wake", "now"), ("10 12:00", "today", "now"), ("10 23:00", "today", "awake"),
    ("10 12:00", "morning", "digest"), ("10 12:00", "digest", "digest"),
])  # fmt: skip
def test_by_its_urgency_it_is_told_now_after_the_night_or_with_the_digest(clock: str, priority: Any, when: str) -> None:
    assert ledger().when(priority, at(clock)) == when


NIGHT = at("10 23:30")  # seven hours to 06:30
OUT: dict[str, Any] = {"value": 29.0, "at_ms": NIGHT, "since_ms": NIGHT - HOUR_MS}


@pytest.mark.parametrize(("more", "when"), [
    ({"seconds_left": 7 * 3600.0}, "awake"), ({"seconds_left": 7 * 3600.0 - 1.0}, "now"),
    ({"seconds_left": 8 * 3600.0 - 1.0, "judged_ms": NIGHT - HOUR_MS}, "now"),  # judged an hour ago
    ({"seconds_left": 8 * 3600.0, "judged_ms": NIGHT - HOUR_MS}, "awake"),
    ({"seconds_left": 8 * 3600.0 - 1.0, "at_ms": NIGHT - HOUR_MS}, "now"),
    ({"seconds_left": 3600.0, "judged_ms": NIGHT - HOUR_MS}, "awake"),  # nothing was left when it is told
    ({"seconds_left": None}, "awake"), ({"seconds_left": 0.0}, "awake"),
    ({"seconds_left": 60.0, "value": 28.5}, "awake"), ({"seconds_left": 60.0, "value": 28.6}, "now"),  # half a kelvin is unsure
    ({"seconds_left": 60.0, "priority": "morning"}, "digest"),
    # Air that a visit may have let in, for ten minutes: dryness, not heat.
    ({"seconds_left": 60.0, "since_ms": NIGHT - 10 * MINUTE_MS + 1}, "now"),
])  # fmt: skip
def test_at_night_what_does_not_last_till_the_morning_is_told(more: dict[str, Any], when: str) -> None:
    assert ledger().when_of(alarm(chamber="elsewhere", **OUT | more), NIGHT) == when


@pytest.mark.parametrize(("since_min", "when"), [(9, "awake"), (10, "now")])
def test_dry_air_of_a_visit_waits_ten_minutes(since_min: int, when: str) -> None:
    dry = alarm("humidity-low", "elsewhere", value=50.0, seconds_left=60.0, at_ms=NIGHT, since_ms=NIGHT - since_min * MINUTE_MS)
    assert ledger().when_of(dry, NIGHT) == when


@pytest.mark.parametrize(("mark_h", "slope", "since_min", "when"), [
    (6.9, -0.4, 60, "now"), (7.0, -0.4, 60, "awake"), (6.9, -0.3, 60, "awake"), (None, -0.4, 60, "awake"),
    (6.9, -0.4, 9, "awake"),  # a dip of a visit
])  # fmt: skip
def test_a_box_that_goes_on_to_a_mark_before_the_morning_is_told(
    mark_h: float | None, slope: float, since_min: int, when: str
) -> None:
    mark_s = None if mark_h is None else mark_h * 3600.0
    harm = Harm("cold", 0.1, 9e5, 9e5, "severe", False, True, at_ms=NIGHT, mark_left_s=mark_s)
    cold = alarm("temperature-low", value=17.0, at_ms=NIGHT, since_ms=NIGHT - since_min * MINUTE_MS, harm_used=0.1)
    assert ledger(t=17.0, temperature_slope_k_h=slope, harm=harm).when_of(cold, NIGHT) == when


@pytest.mark.parametrize(("done", "level", "slope", "when"), [
    ("10 23:00", "harmful", -0.4, "now"), ("10 22:30", "harmful", -0.4, "now"), ("10 22:29", "harmful", -0.4, "awake"),
    (None, "harmful", -0.4, "awake"), ("10 23:00", "outside", -0.4, "awake"), ("10 23:00", "harmful", -0.3, "awake"),
])  # fmt: skip
def test_who_saw_to_it_in_this_very_night_hears_at_once_that_it_does_harm_all_the_same(
    done: str | None, level: Any, slope: float, when: str
) -> None:
    """Heat looked at and room warmed at 22:30: below 20 degC nobody was told till 06:30 (attack from outside)."""
    harm = Harm("cold", 0.03, 2e5, 2e5, "serious", False, True, at_ms=NIGHT)
    cold = alarm("temperature-low", value=19.9, limit=24.0, at_ms=NIGHT, level=level, seconds_left=2e5)
    now = ledger(Heard(cold, told=True), t=19.9, temperature_slope_k_h=slope, harm=harm)
    now.state.threads["situation.a"] = Thread(open=True, done_ms=None if done is None else at(done))
    assert now.when_of(cold, NIGHT) == when


@pytest.mark.parametrize(("told", "level", "slope", "asks", "when"), [
    (True, "harmful", -0.4, "another", "now"), (True, "harmful", -0.4, "the same", "awake"),
    (True, "harmful", -0.4, None, "awake"), (True, "outside", -0.4, "another", "awake"),
    (True, "harmful", -0.3, "another", "awake"), (False, "harmful", -0.4, "another", "awake"),
])  # fmt: skip
def test_who_was_told_of_another_step_hears_at_night_what_has_come_of_it_when_it_does_harm(
    told: bool, level: Any, slope: float, asks: str | None, when: str
) -> None:
    """The heat was looked at a minute before the quiet hours; what took its place, to warm the room, waited from half past
    midnight till 06:30, while the box fell to 18.4 degC (attack from outside)."""
    harm = Harm("cold", 0.03, 2e5, 2e5, "serious", False, True, at_ms=NIGHT)
    cold = alarm("temperature-low", value=19.9, limit=24.0, at_ms=NIGHT, level=level, seconds_left=2e5)
    now = ledger(Heard(cold, told=told), t=19.9, temperature_slope_k_h=slope, harm=harm)
    step = AdviceEvent(
        id="v", at_ms=NIGHT, chamber="a", status="given", advisory="a.2", device="room", change="more", amount=None, unit=None,
        reason="it", actions=(Action("room", "more", None, None, "Warm the room"),),
    )
    if asks is not None:
        now.state.advice["a"] = step
        now.state.advice_sent["a"] = step if asks == "the same" else replace(step, advisory="a.1", device="heater")
    now.state.threads["situation.a"] = Thread(open=True, done_ms=at("10 22:29"))
    assert now.when_of(cold, NIGHT) == when


# ---------------------------------------------------------------- what is mild


def mild(**more: Any) -> Heard:
    return Heard(alarm(**{"value": 29.0, "priority": "morning", "since_ms": NOON - 3 * HOUR_MS} | more))


def waiting(now: Ledger, **thread: Any) -> Owed:
    """Advice on box `a` that waits for the digest."""
    asks = AdviceEvent(
        id="v", at_ms=NOON, chamber="a", status="given", advisory="a.1", device="heater", change="less", amount=1.0, unit="K",
        reason="it", actions=(Action("heater", "less", 1.0, "K", "Turn the heat down"),),
    )
    owed = Owed("a", "situation", "morning", "digest", NOON, [asks])
    now.state.owed["advice/a"] = owed
    if thread:
        now.state.threads["situation.a"] = Thread(**thread)
    return owed


@pytest.mark.parametrize(("more", "figures", "when"), [
    ({}, {"t": 28.6}, "now"), ({}, {"t": 28.5}, "digest"),  # a probe may err by half a kelvin
    ({}, {"t": 28.6, "temperature_slope_k_h": -0.3}, "now"), ({}, {"t": 28.6, "temperature_slope_k_h": -0.4}, "digest"),
    ({"since_ms": NOON - 3 * HOUR_MS + 1}, {"t": 28.6}, "digest"), ({"since_ms": None}, {"t": 28.6}, "digest"),
    ({"priority": "today"}, {"t": 28.6}, "digest"), ({"acknowledged": True}, {"t": 28.6}, "digest"),
    ({"condition": "held"}, {"t": 28.6}, "digest"), ({"suppression": "shelved"}, {"t": 28.6}, "digest"),
])  # fmt: skip
def test_what_is_mild_is_told_with_its_advice_when_it_has_lasted_three_hours_and_stays(
    more: dict[str, Any], figures: dict[str, Any], when: str
) -> None:
    now = ledger(mild(**more), **figures)
    owed = waiting(now)
    look(now, NOON)
    assert (owed.when, owed.priority, now.state.flush_ms) == (
        when, "today" if when == "now" else "morning", NOON if when == "now" else None,
    )


@pytest.mark.parametrize(("told_ms", "when"), [(NOON - 6 * HOUR_MS, "now"), (NOON - 6 * HOUR_MS + 1, "digest")])
def test_after_a_letter_of_its_place_it_waits_six_hours(told_ms: int, when: str) -> None:
    now = ledger(mild(), t=29.0)
    owed = waiting(now, told_ms=told_ms)
    look(now, NOON)
    assert owed.when == when


@pytest.mark.parametrize(("clock", "when"), [("10 23:00", "digest"), ("11 04:59", "digest"), ("11 06:31", "digest")])
def test_neither_at_night_nor_three_hours_before_a_digest_is_it_told(clock: str, when: str) -> None:
    now = ledger(mild(), t=29.0)
    owed = waiting(now)
    look(now, at(clock))
    assert owed.when == when


def test_it_is_looked_at_every_half_hour_once_it_has_lasted() -> None:
    now = ledger(mild(since_ms=NOON - HOUR_MS), t=29.0)
    assert next_look_ms(now, NOON) is None  # nothing is advised
    waiting(now)
    assert next_look_ms(now, NOON) == at("10 14:00")
    assert next_look_ms(now, at("10 14:00")) == at("10 14:30")
    assert next_look_ms(ledger(mild(since_ms=NOON)), NOON) is None


@pytest.mark.parametrize(("left_h", "owed"), [(8.9, True), (9.0, False)])
def test_in_the_evening_what_does_not_last_till_the_morning_is_owed(left_h: float, owed: bool) -> None:
    evening = at("10 21:30")  # an hour before the quiet hours, nine before their end
    one = mild(seconds_left=left_h * 3600.0, harm_used=0.1)
    now = ledger(one, harm=Harm("heat", 0.1, left_h * 3600.0, None, "serious", False, True, at_ms=evening))
    assert next_evening_ms(now, NOON) == evening
    assert next_evening_ms(now, evening) == at("11 21:30")
    look_ahead(now, evening)
    assert bool(now.state.owed) is owed
    if owed:
        assert {key: (one.priority, one.when, one.alarm) for key, one in now.state.owed.items()} == {
            "a/temperature-high": ("today", "now", "a/temperature-high"),
        }


@pytest.mark.parametrize(("since_min", "value", "when"), [(30, 23.4, "now"), (29, 23.4, "digest"), (30, 23.6, "digest")])
def test_in_the_evening_what_can_be_done_about_the_mild_is_told_before_the_night(
    since_min: int, value: float, when: str
) -> None:
    """A box at 22.7 degC, told of as cold at noon, got "turn the mat up" at 18:40 for the next morning's digest and was at
    23 degC all night (foreign simulation)."""
    evening = at("10 21:30")
    one = mild(name="temperature-low", value=value, limit=24.0, since_ms=evening - since_min * MINUTE_MS)
    one.told, one.told_priority = True, "today"
    now = ledger(one, t=value)
    assert next_evening_ms(now, NOON) is None
    owed = waiting(now, told_ms=at("10 18:00"))
    assert next_evening_ms(now, NOON) == evening
    look_ahead(now, evening)
    assert owed.when == when


def test_what_a_letter_has_told_as_urgent_is_not_told_again_in_the_evening() -> None:
    urgent = mild()
    urgent.told, urgent.told_priority = True, "today"
    assert next_evening_ms(ledger(urgent), NOON) is None
    urgent.told_priority = "morning"
    assert next_evening_ms(ledger(urgent), NOON) is not None
