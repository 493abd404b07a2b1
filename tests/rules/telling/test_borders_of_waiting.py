"""Each time and pace by which a letter waits or goes out, just at its border and just beyond it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from advice_scenes import situation
from pydantic import TypeAdapter

from rules.climate.course import Presents
from rules.climate.memory import Account, PlaceMemory
from rules.settings import Chamber, Room, Settings, Site, Telling
from rules.settings.bands import HumidityBand
from rules.telling.state import TellingState
from rules.telling.telling import tell
from rules.terms.advised import Action
from rules.terms.condition_changes import Harm
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Event, LetterEvent, WordEvent

BERLIN = ZoneInfo("Europe/Berlin")
WATCH = Settings(
    site=Site(), zone=BERLIN, rooms={"study": Room()}, probes={}, telling=Telling(),
    chambers={"left": Chamber(room="study"), "right": Chamber(room="study"), "a": Chamber(humidity=HumidityBand(low=70))},
)  # fmt: skip
COLD: dict[str, Any] = {"name": "temperature-low", "limit": 24.0}
DRY: dict[str, Any] = {"name": "humidity-low", "limit": 70.0, "unit": "%RH"}


def at(text: str) -> int:
    """Instant of a local time such as `10 14:30` in March 2026."""
    day, clock = text.split()
    hour, minute = clock.split(":")
    return round(datetime(2026, 3, int(day), int(hour), int(minute), tzinfo=BERLIN).timestamp() * 1000)


def alarm(when: int, change: str = "raised", chamber: str = "a", name: str = "temperature-high", **more: Any) -> AlarmEvent:
    over = change in ("returned", "closed")
    values: dict[str, Any] = {
        "condition": "normal" if over else "active", "level": None if over else "outside",
        "acknowledged": change == "acknowledged", "suppression": "none", "occurrence": 1, "priority": "today", "value": 28.6,
        "limit": 28.0, "unit": "degC",
    }  # fmt: skip
    return AlarmEvent(id=f"{when}.{chamber}.{name}.{change}", at_ms=when, chamber=chamber, alarm=name, change=change,
        **values | more)  # fmt: skip


def advice(when: int, status: str = "given", chamber: str = "a", urgency: str = "today", change: str = "less", **more: Any):
    body: dict[str, Any] = {"device": "heater", "amount": 1.0, "unit": "K", "reason": "it", "advisory": f"{chamber}.1"} | more
    return AdviceEvent(
        id=f"{when}.{chamber}.{status}", at_ms=when, chamber=chamber, status=status, change=change, urgency=urgency, **body,
    )


def said(when: int, word: str, **more: Any) -> WordEvent:
    return WordEvent(id=f"{when}.{word}", at_ms=when, chamber="a", word=word, accepted=True, text="", **more)


FORMS = {kind: TypeAdapter(kind) for kind in (AlarmEvent, AdviceEvent, WordEvent, TellingState)}


def anew(thing: Any) -> Any:
    """Return it as it comes from the store: nothing in it is the very object that it was."""
    form = FORMS[type(thing)]
    return form.validate_json(form.dump_json(thing))


def letters(*events: Event, until: str, seen: Presents | None = None) -> list[LetterEvent]:
    """All letters but the first and the digests; what is remembered goes through the store at each event."""
    state, told, from_ms = TellingState(), [], events[0].at_ms - MINUTE_MS
    for event in sorted(events, key=lambda event: event.at_ms):
        state, new = tell(WATCH, state, [anew(event)], from_ms, event.at_ms, "o", seen or Presents())
        state, from_ms, told = anew(state), event.at_ms, told + new
    told += tell(WATCH, state, [], from_ms, at(until), "o", seen or Presents())[1]
    return [one for one in told[1:] if one.sort != "digest"]


def brief(told: list[LetterEvent]) -> list[tuple[str, str]]:
    return [(f"{datetime.fromtimestamp(one.at_ms / 1000, BERLIN):%d %H:%M}", one.sort) for one in told]


def stood(when: int, **now: Any) -> Presents:
    """What is believed of box `a`: it stays as it is."""
    figures = {"temperature_c": 26.0, "humidity_pct": 80.0} | {name: now.pop(name) for name in list(now) if name in (
        "temperature_c", "humidity_pct")}  # fmt: skip
    present = situation(**figures, temperature_read_ms=when, humidity_read_ms=when, **now)
    return Presents(before={"a": PlaceMemory(
        since_ms=when, present=present, temperature_c=figures["temperature_c"], relative_humidity_pct=figures["humidity_pct"],
    )})  # fmt: skip


def test_after_an_all_clear_the_next_trouble_waits_for_nothing() -> None:
    when = at("10 08:00")
    resolved = advice(at("10 08:20"), "resolved", actions=(), device=None, change=None, amount=None, unit=None)
    over = [alarm(when), advice(when), alarm(at("10 08:20"), "returned"), resolved, alarm(at("10 08:30"), **DRY)]
    assert brief(letters(*over, until="10 08:40")) == [
        ("10 08:00", "situation"), ("10 08:20", "all-clear"), ("10 08:30", "situation"),
    ]


def test_what_is_over_while_a_step_is_still_asked_for_is_no_all_clear() -> None:
    """"Over" came four minutes after the letter that said so and asked for the plug (foreign simulation)."""
    when = at("10 09:00")
    events = [alarm(when), advice(when), alarm(at("10 09:20"), "returned")]
    assert brief(letters(*events, until="10 12:00")) == [("10 09:00", "situation")]


WATER: dict[str, Any] = {"value": -0.4, "limit": 0.0, "unit": "K"}


@pytest.mark.parametrize(("name", "told"), [("lid-dew", False), ("humidity-high", False), ("temperature-low", True)])
def test_the_end_of_a_wet_lid_or_damp_air_stands_in_the_digest(name: str, told: bool) -> None:
    """Each evening a letter, each morning another, each noon that it is over (foreign simulation)."""
    raised, over = alarm(at("10 20:00"), name=name, **WATER), alarm(at("11 13:00"), "returned", name=name, **WATER)
    assert (("11 13:00", "all-clear") in brief(letters(raised, over, until="11 15:00"))) is told


@pytest.mark.parametrize(("name", "told"), [("lid-dew", []), ("temperature-low", [("11 06:30", "situation")])])
def test_what_the_night_brought_to_the_lid_waits_for_the_digest_that_is_near(name: str, told: list[tuple[str, str]]) -> None:
    """One letter at half past six, the same in the digest at eight (foreign simulation)."""
    assert brief(letters(alarm(at("11 02:00"), name=name, **WATER), until="11 09:00")) == told


def test_what_no_room_moves_is_told_of_its_own_box_beside_what_the_room_moves() -> None:
    when = at("10 08:00")
    cold = [alarm(when, chamber=box, value=20.0, since_ms=when, suppression=hidden, **COLD) for box, hidden in (
        ("left", "none"), ("right", "by-design"))]  # fmt: skip
    lid = alarm(at("10 08:20"), chamber="left", name="lid-open", value=None)
    assert [one.chamber for one in letters(*cold, lid, until="10 08:21")] == ["study", "left"]


# ---------------------------------------------------------------- what leaves its band within the hour


@pytest.mark.parametrize(
    ("value_c", "slope_k_h", "told"),
    [
        (26.1, 2.0, True), (26.1, 2.1, False), (25.9, 2.1, True), (25.9, -2.0, True), (25.9, -2.1, False), (26.1, -2.1, True),
    ],
)  # fmt: skip
def test_a_box_leaves_its_band_of_24_to_28_degc_at_more_than_2_k_an_hour(value_c: float, slope_k_h: float, told: bool) -> None:
    when = at("10 12:00")
    events = [alarm(when, **DRY), alarm(when + 2 * HOUR_MS, "returned", **DRY)]
    seen = stood(when, temperature_c=value_c, temperature_slope_k_h=slope_k_h)
    assert ("10 14:00", "all-clear") in brief(letters(*events, until="10 15:00", seen=seen)) or not told
    assert len(letters(*events, until="10 15:00", seen=seen)) == 1 + told


@pytest.mark.parametrize(
    ("value_pct", "slope_pct_h", "told"),
    [
        (79.9, -10.0, True), (79.9, -10.1, False), (80.2, -10.1, True), (80.1, 10.0, True), (80.0, 10.1, False),
        (79.8, 10.1, True),
    ],
)  # fmt: skip
def test_a_box_leaves_its_band_of_70_to_90_pct_at_more_than_10_points_an_hour(
    value_pct: float, slope_pct_h: float, told: bool
) -> None:
    when = at("10 12:00")
    events = [alarm(when), alarm(when + 2 * HOUR_MS, "returned")]
    seen = stood(when, humidity_pct=value_pct, humidity_slope_pct_h=slope_pct_h, garden_ml=2000.0)
    assert len(letters(*events, until="10 15:00", seen=seen)) == 1 + told


# ---------------------------------------------------------------- what gets worse after a letter that said what to do


@pytest.mark.parametrize(
    ("left_min", "told"), [(None, "10 09:30"), (200.0, "10 09:30"), (120.0, "10 09:00"), (82.0, "10 08:41"), (20.0, "10 08:40")]
)
def test_what_is_further_away_waits_an_hour_and_a_half_or_half_of_the_time_that_is_left(
    left_min: float | None, told: str
) -> None:
    when, left_s = at("10 08:00"), None if left_min is None else 60.0 * left_min
    begun = [alarm(when, value=20.0, **COLD), advice(when), alarm(when + 1, "acknowledged", value=20.0, **COLD)]
    worse = alarm(at("10 08:40"), "worsened", value=18.0, worse="time", seconds_left=left_s, **COLD)
    assert brief(letters(*begun, worse, until="10 10:00"))[1:] == [(told, "escalation")]


@pytest.mark.parametrize(("value", "told"), [(19.39, ["10 08:40"]), (19.41, [])])
def test_a_figure_has_gone_on_where_it_went_twice_as_far_as_noise_makes_it_in_an_hour(value: float, told: list[str]) -> None:
    """Noise leaves 0.3 K an hour in a slope: more than 0.6 K is further."""
    when = at("10 08:00")
    begun = [alarm(when, value=20.0, **COLD), alarm(when + 1, "acknowledged", value=20.0, **COLD)]
    worse = alarm(at("10 08:40"), "worsened", value=value, worse="time", **COLD)
    assert [row[0] for row in brief(letters(*begun, worse, until="10 09:00"))[1:]] == told


@pytest.mark.parametrize(
    ("first", "news", "told"),
    [
        ("today", {"change": "worsened", "priority": "wake", "worse": "priority", **COLD}, "09:10"),  # graver: 40 minutes
        ("today", {"name": "humidity-high", "value": 92.0, "limit": 90.0}, "10:10"),  # one more sign: 100 minutes
        ("wake", None, "08:30"),  # a reminder that is due at 08:15: a quarter of an hour
    ],
)
def test_what_comes_up_while_a_mark_is_near_waits_for_the_letter_about_it_so_long(
    first: str, news: dict[str, Any] | None, told: str
) -> None:
    when = at("10 08:00")
    near = Harm("cold", 0.1, 9e4, 9e4, "serious", acute=False, going_away=True, at_ms=when, mark_left_s=0.0)
    seen = Presents(before={"a": PlaceMemory(since_ms=when, harm={"cold": Account(judged=near)})})
    events = [alarm(when, value=16.0, level="harmful", priority=first, **COLD), advice(when, urgency=first)]
    events += [] if news is None else [alarm(at("10 08:30"), **{"value": 16.0} | news)]
    found = [one for one in letters(*events, until="10 10:30", seen=seen) if one.to == "keeper"]
    assert brief(found)[1][0] == f"10 {told}"


# ---------------------------------------------------------------- the next try of what was done


@pytest.mark.parametrize(("hours", "told"), [(11.9, "next"), (12.0, "now")])
def test_a_step_that_was_done_is_no_news_for_twelve_hours(hours: float, told: str) -> None:
    when = at("10 07:00")
    step = {"actions": (Action(device="heater", change="less", amount=1.0, unit="K", text="Turn it down by 1 K"),)}
    first = [alarm(when, value=29.0), advice(when, **step), said(when + HOUR_MS, "advice-done", advisory="a.1")]
    judged = advice(when + 2 * HOUR_MS, "verified", **step)
    again = advice(judged.at_ms + round(hours * HOUR_MS), advisory="a.2", **step)
    kept = advice(again.at_ms, "verified", chamber="right", actions=())  # then what is kept is looked through
    sent = [one for one in letters(*first, judged, kept, again, until="10 23:30") if one.at_ms == again.at_ms]
    assert bool(sent) is (told == "now")


@pytest.mark.parametrize(("now_c", "used", "told"), [(29.0, 0.2, "17:00"), (31.0, 0.2, "15:00"), (31.0, 1.5, "17:00")])
def test_the_next_try_is_asked_for_after_four_hours_and_after_two_while_it_goes_on(
    now_c: float, used: float, told: str
) -> None:
    """Unless all that a garden bears was used up long before: then it is asked for no sooner."""
    when = at("10 13:00")
    step = {"actions": (Action(device="heater", change="less", amount=1.0, unit="K", text="Turn it down by 1 K"),)}
    hot = {"value": 29.0, "harm_used": used, "priority": "wake", "level": "harmful"}
    begun = [alarm(when, **hot), advice(when, urgency="wake", **step), alarm(when + 1, "acknowledged", **hot)]
    state, _ = tell(WATCH, TellingState(), begun, when - MINUTE_MS, when + MINUTE_MS, "o", stood(when, temperature_c=29.0))
    events = [
        said(at("10 13:10"), "advice-done", advisory="a.1"), advice(at("10 13:30"), "verified", urgency="wake", **step),
        advice(at("10 13:35"), urgency="wake", **step | {"advisory": "a.2"}),
    ]  # fmt: skip
    _, found = tell(WATCH, state, events, when + MINUTE_MS, at("10 17:30"), "o", stood(when, temperature_c=now_c))
    assert brief([one for one in found if one.sort == "situation"])[:1] == [(f"10 {told}", "situation")]


def test_what_is_mild_in_a_box_of_which_nothing_is_known_now_waits_for_the_digest() -> None:
    cold = alarm(at("10 09:00"), value=22.0, priority="digest", since_ms=at("10 09:00"), **COLD)
    asked = advice(at("10 09:30"), urgency="digest", change="more")
    for unknown in ({}, {"limit": None}, {"value": None}):
        assert letters(replace(cold, **unknown), asked, until="10 22:00") == []


# ---------------------------------------------------------------- one more box of a room


@pytest.mark.parametrize(
    ("other", "at_once"),
    [
        ({}, False), ({"priority": "wake"}, True), ({"level": "harmful"}, True),
        ({"worse": "time", "seconds_left": 3999.0, "value": 18.0}, True),
        ({"worse": "time", "seconds_left": 4000.0, "value": 18.0}, False),
        ({"worse": "mark"}, True),
    ],
)  # fmt: skip
def test_one_more_box_is_news_at_once_only_where_it_is_worse_off_than_the_one_that_was_told(
    other: dict[str, Any], at_once: bool
) -> None:
    when, then = at("10 08:00"), at("10 08:20")
    cold: dict[str, Any] = COLD | {"value": 20.0, "since_ms": when, "seconds_left": 4000.0}
    first = alarm(when, chamber="left", **cold)
    hidden = alarm(when, chamber="right", suppression="by-design", **cold)
    shown = alarm(then, "worsened" if "worse" in other else "unsuppressed", chamber="right", **cold | other)
    told = letters(first, hidden, shown, until="10 08:30")
    assert [one.at_ms for one in told] == [when, *([then] if at_once else [])]


# ---------------------------------------------------------------- what was told lately


@pytest.mark.parametrize(("clock", "told"), [("09:59", []), ("10:00", ["10 10:00"])])
def test_nothing_urgent_that_is_not_done_goes_without_a_letter_for_two_hours(clock: str, told: list[str]) -> None:
    when = at("10 08:00")
    begun = [alarm(when, priority="wake"), advice(when, urgency="wake"), alarm(when + 1, "acknowledged", priority="wake")]
    again = advice(at(f"10 {clock}"), "reminded", urgency="wake")
    assert [row[0] for row in brief(letters(*begun, again, until="10 10:30"))[1:]] == told


@pytest.mark.parametrize(("clock", "told"), [("10:59", False), ("11:00", True)])
def test_what_was_no_worse_for_a_day_is_asked_for_once_a_day(clock: str, told: bool) -> None:
    when = at("10 08:00")
    begun = [alarm(when, priority="wake"), advice(when, urgency="wake"), alarm(when + 1, "acknowledged", priority="wake")]
    later = [advice(at(text), "reminded", urgency="wake") for text in ("10 11:00", f"11 {clock}")]
    found = [row for row in brief(letters(*begun, *later, until="11 11:30")) if row[1] == "reminder"]
    assert found == [("10 11:00", "reminder"), *([("11 11:00", "reminder")] if told else [])]


@pytest.mark.parametrize(
    ("priority", "between", "again", "told"),
    [
        ("today", "11:00", "13:59", False), ("today", "11:00", "14:00", True), ("wake", "08:50", "08:59", False),
        ("wake", "08:50", "09:00", True),
    ],
)  # fmt: skip
def test_a_chattering_alarm_is_told_once_in_six_hours_and_once_an_hour_where_it_wakes(
    priority: str, between: str, again: str, told: bool
) -> None:
    when, step = at("10 08:00"), 5 * MINUTE_MS
    events = [alarm(when, priority=priority), alarm(when + 1, "chattering", priority=priority)]
    for begun in (when, at(f"10 {between}"), at(f"10 {again}")):
        events += [alarm(begun, priority=priority)] if begun != when else []
        events += [alarm(begun + step, "returned")]
    found = [row[0] for row in brief(letters(*events[:-1], until="10 14:03")) if row[1] == "situation"]
    assert found == ["10 08:00", *([f"10 {again}"] if told else [])]


@pytest.mark.parametrize(("after_min", "told"), [(14.9, False), (15.0, True)])
def test_the_cause_of_a_heat_that_was_told_within_a_quarter_of_an_hour_is_no_news(after_min: float, told: bool) -> None:
    when = at("10 12:00")
    race = alarm(when + round(after_min * MINUTE_MS), name="heater-runaway", value=28.7, priority="wake")
    found = letters(alarm(when, value=28.3), advice(when, urgency="wake", change="stop"), race, until="10 12:16")
    assert [one.at_ms for one in found if one.sort == "situation"] == [when, *([race.at_ms] if told else [])]


@pytest.mark.parametrize(("again", "told"), [("09:59", []), ("10:00", ["10 10:00"])])
def test_what_fails_suddenly_once_more_is_news_two_hours_after_it_was_told(again: str, told: list[str]) -> None:
    """Beside heat that stands, with all that is advised against it told."""
    when, race = at("10 08:00"), {"name": "heater-runaway", "value": 28.7, "priority": "wake"}
    begun = [alarm(when, priority="wake"), alarm(when, **race), advice(when, urgency="wake", change="stop")]
    anew_too = [alarm(at("10 08:20"), "returned", **race), alarm(at(f"10 {again}"), **race | {"occurrence": 2})]
    found = [one for one in letters(*begun, *anew_too, until="10 10:30") if one.to == "keeper" and one.sort == "situation"]
    assert [row[0] for row in brief(found)[1:]] == told


@pytest.mark.parametrize(("again", "same"), [("15:00", True), ("15:01", False)])
def test_what_comes_back_within_six_hours_goes_on_in_its_thread(again: str, same: bool) -> None:
    events = [alarm(at("10 08:00")), alarm(at("10 09:00"), "returned"), alarm(at(f"10 {again}"))]
    first, clear, second = letters(*events, until="10 16:00")
    assert (first.thread == second.thread, clear.ordinal, second.ordinal) == (same, 2, 3 if same else 1)


@pytest.mark.parametrize(("after_min", "told"), [(59.9, True), (60.0, False)])
def test_what_is_advised_within_an_hour_of_a_look_at_the_lid_is_the_answer_to_it(after_min: float, told: bool) -> None:
    when = at("10 12:00")
    step = advice(when + round(after_min * MINUTE_MS), urgency="digest")
    found = letters(said(when, "lid-seen"), step, until="10 14:00")
    assert [one.at_ms for one in found] == ([step.at_ms] if told else [])


# ---------------------------------------------------------------- at night


@pytest.mark.parametrize(("since_min", "told"), [(9.9, "10 23:06"), (10.0, "10 23:01"), (4.0, "10 23:10")])
def test_air_that_a_visit_may_have_let_in_has_ten_minutes_and_is_looked_at_every_five(since_min: float, told: str) -> None:
    when = at("10 23:01")
    dry = alarm(when, value=60.0, seconds_left=7200.0, since_ms=when - round(since_min * MINUTE_MS), **DRY)
    found = brief(letters(dry, until="11 00:30"))
    assert found[0][0] == (told if since_min >= 10.0 else {9.9: "10 23:05", 4.0: "10 23:10"}[since_min])


@pytest.mark.parametrize(
    ("left_s", "told"), [(3601.0, False), (3600.0, True), (1801.0, True), (1800.0, False)]
)
def test_the_last_hour_is_called_once_when_it_begins_though_no_figure_goes_further(left_s: float, told: bool) -> None:
    when = at("10 22:30")
    hot = alarm(when, value=30.5, level="harmful", priority="wake", seconds_left=21_000.0)
    seen = replace(hot, id="s", at_ms=when + MINUTE_MS, change="acknowledged", acknowledged=True)
    step = replace(hot, id="t", at_ms=at("11 02:00"), change="worsened", worse="time", seconds_left=left_s)
    mine = [one for one in letters(hot, seen, step, until="11 02:30") if one.to == "keeper" and one.at_ms == step.at_ms]
    assert bool(mine) is told


@pytest.mark.parametrize(("judged_ago_min", "told"), [(0, "11 06:30"), (29, "11 06:30"), (31, "10 23:01")])
def test_what_lasts_until_the_morning_is_counted_from_when_its_time_was_judged(judged_ago_min: int, told: str) -> None:
    """7 h 59 min from when it was judged, of which 7 h 29 min are night."""
    when = at("10 23:01")
    cold = alarm(when, value=20.0, seconds_left=479 * 60.0, judged_ms=when - judged_ago_min * MINUTE_MS, **COLD)
    assert brief(letters(cold, until="11 06:40"))[0][0] == told


def test_heat_in_one_box_and_cold_in_the_next_are_not_moved_by_their_room() -> None:
    when = at("10 12:00")
    events = [alarm(when, chamber="left", value=20.0, since_ms=when, **COLD), alarm(when, chamber="right", since_ms=when)]
    assert {one.chamber for one in letters(*events, until="10 12:01")} == {"left", "right"}


# ---------------------------------------------------------------- floods, and who else is called


@pytest.mark.parametrize(("after_min", "sort"), [(9.9, "summary"), (10.0, "situation")])
def test_a_fourth_letter_within_ten_minutes_is_a_summary(after_min: float, sort: str) -> None:
    when = at("10 12:00")
    moments = (0.0, 1.0, 2.0, after_min)
    watch = WATCH.model_copy(update={"chambers": {f"box{n}": Chamber() for n in range(4)}})
    events = [alarm(when + round(minute * MINUTE_MS), chamber=f"box{n}") for n, minute in enumerate(moments)]
    _, told = tell(watch, TellingState(), events, when - MINUTE_MS, at("10 12:20"), "o")
    assert [one.sort for one in told[1:]] == ["situation", "situation", "situation", sort]


@pytest.mark.parametrize(
    ("marks", "seconds"),
    [
        (["08:29"], []), (["08:30"], ["08:30"]),  # half an hour: who could answer has
        (["08:30", "09:29"], ["08:30"]), (["08:30", "09:30"], ["08:30", "09:30"]),  # and once an hour at most
    ],
)
def test_the_second_address_hears_of_marks_half_an_hour_after_the_call_and_an_hour_after_each_other(
    marks: list[str], seconds: list[str]
) -> None:
    cold = {"level": "harmful", "priority": "wake", **COLD}
    worse = [
        alarm(at(f"10 {clock}"), "worsened", value=15.0 - 2.0 * n, worse="mark", mark=15.0 - 2.0 * n, **cold)
        for n, clock in enumerate(marks)
    ]
    told = letters(alarm(at("10 08:00"), value=18.0, **cold), *worse, until="10 09:45")
    assert [row[0][3:] for row, one in zip(brief(told), told, strict=True) if one.to == "second"] == seconds


def test_the_weekly_digest_counts_the_five_alarms_that_came_most_often() -> None:
    """On Sunday; what came once is not often."""
    names = ["temperature-high", "temperature-low", "humidity-low", "humidity-high", "lid-dew", "lid-open", "heater-failed"]
    begin, events = at("10 09:00"), []
    for name, count in zip(names, (7, 6, 5, 4, 3, 2, 1), strict=True):
        for turn in range(count):
            raised = begin + turn * HOUR_MS
            events += [alarm(raised, name=name, priority="digest"), alarm(raised + MINUTE_MS, "returned", name=name)]
    events.sort(key=lambda event: event.at_ms)
    _, told = tell(WATCH, TellingState(), events, begin - MINUTE_MS, at("17 12:00"), "o")
    (weekly,) = [one for one in told if one.thread.startswith("weekly")]
    said_often = [event.text for event in weekly.about if event.kind == "system" and event.what == "raises"]
    assert said_often == [f"a/{name} was raised {count} times in the last week" for name, count in zip(
        names[:5], (7, 6, 5, 4, 3), strict=True)]  # fmt: skip
