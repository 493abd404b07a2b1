"""Each time and pace by which a letter waits or goes out, just at its border and just beyond it."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from advice_scenes import situation

from rules.climate.course import Presents
from rules.climate.memory import PlaceMemory
from rules.settings import Chamber, Room, Settings, Site, Telling
from rules.settings.bands import HumidityBand
from rules.telling.state import TellingState
from rules.telling.telling import tell
from rules.terms.advised import Action
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


def letters(*events: Event, until: str, seen: Presents | None = None) -> list[LetterEvent]:
    """All letters but the first and the digests."""
    _, told = tell(
        WATCH, TellingState(), sorted(events, key=lambda event: event.at_ms), events[0].at_ms - MINUTE_MS, at(until), "o",
        seen or Presents(),
    )
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


# ---------------------------------------------------------------- the next try of what was done


@pytest.mark.parametrize(("hours", "told"), [(11.9, "next"), (12.0, "now")])
def test_a_step_that_was_done_is_no_news_for_twelve_hours(hours: float, told: str) -> None:
    when = at("10 07:00")
    step = {"actions": (Action("heater", "less", "Turn it down by 1 K", 1.0, "K"),)}
    first = [alarm(when, value=29.0), advice(when, **step), said(when + HOUR_MS, "advice-done", advisory="a.1")]
    judged = advice(when + 2 * HOUR_MS, "verified", **step)
    again = advice(judged.at_ms + round(hours * HOUR_MS), advisory="a.2", **step)
    kept = advice(again.at_ms, "verified", chamber="right", actions=())  # then what is kept is looked through
    sent = [one for one in letters(*first, judged, kept, again, until="10 23:30") if one.at_ms == again.at_ms]
    assert bool(sent) is (told == "now")


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
