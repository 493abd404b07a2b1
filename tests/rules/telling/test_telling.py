"""Which letters a keeper gets: one per situation, quiet at night, reminded with growing intervals, a digest every day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest
from advice_scenes import situation
from pydantic import TypeAdapter

from adapters.wording.letter import compose, subject_of
from rules.climate.course import Presents
from rules.climate.memory import Account, PlaceMemory
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.telling.quiet_hours import quiet_until_ms
from rules.telling.state import TellingState
from rules.telling.table import ROWS, NewsKind
from rules.telling.telling import configured, tell
from rules.terms.advised import Action
from rules.terms.condition_changes import Harm
from rules.terms.events import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    AdviceEvent,
    AlarmEvent,
    CareEvent,
    Event,
    LetterEvent,
    QualityEvent,
    SystemEvent,
    WordEvent,
)
from rules.terms.local_time import instant_ms
from rules.turn.state import shifted

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")


def settings_of(zone: ZoneInfo = BERLIN, **telling: Any) -> Settings:
    return Settings(
        site=Site(),
        zone=zone,
        rooms={"study": Room()},
        chambers={name: Chamber(room="study") for name in ("left", "right")} | {name: Chamber() for name in "abcde"},
        probes={"dry-end": Probe(place="left")},
        telling=Telling(**telling),
    )


WATCH = settings_of()


def at(text: str, zone: ZoneInfo = BERLIN) -> int:
    """Instant of a local time such as `10 14:30` in March 2026, a month of Tuesdays on the 3rd, 10th, ..."""
    day, clock = text.split()
    hour, minute = clock.split(":")
    return round(datetime(2026, 3, int(day), int(hour), int(minute), tzinfo=zone).timestamp() * 1000)


def alarm(
    when: int, change: str = "raised", chamber: str | None = "left", name: str = "temperature-high", **more: Any
) -> AlarmEvent:
    over = change in ("returned", "closed", "unknown")
    values: dict[str, Any] = {
        "condition": "unknown" if change == "unknown" else "normal" if over else "active", "level": None if over else "outside",
        "acknowledged": change == "acknowledged", "suppression": "none", "occurrence": 1, "priority": "today", "value": 28.6,
        "limit": 28.0, "unit": "degC",
    }
    values |= more
    ident = f"e.{when}.{chamber}.{name}.{change}.{values['occurrence']}"
    return AlarmEvent(id=ident, at_ms=when, chamber=chamber, alarm=name, change=change, **values)


def advice(
    when: int, status: str = "given", chamber: str = "left", urgency: str = "today", change: str = "less",
    advisory: str | None = None, **more: Any,
) -> AdviceEvent:
    body: dict[str, Any] = {"device": "heater", "amount": 1.0, "unit": "K", "reason": "too warm"} | more
    return AdviceEvent(
        id=f"a.{when}.{chamber}.{status}", at_ms=when, chamber=chamber, advisory=advisory or f"{chamber}.1", status=status,
        change=change, urgency=urgency, **body,
    )


def letters_of(
    *events: Event,
    start: int | None = None,
    until: int | None = None,
    settings: Settings = WATCH,
    state: TellingState | None = None,
) -> list[LetterEvent]:
    """All letters but the very first and the digests."""
    return [
        one for one in all_letters(*events, start=start, until=until, settings=settings, state=state) if one.sort != "digest"
    ]


def all_letters(
    *events: Event,
    start: int | None = None,
    until: int | None = None,
    settings: Settings = WATCH,
    state: TellingState | None = None,
) -> list[LetterEvent]:
    first = events[0].at_ms - MINUTE_MS if start is None else start
    _, letters = tell(settings, state or TellingState(), events, first, until or events[-1].at_ms + MINUTE_MS, "o")
    return letters[1:] if state is None else letters


def brief(letters: list[LetterEvent]) -> list[tuple[str, str, str]]:
    return [(f"{datetime.fromtimestamp(one.at_ms / 1000, BERLIN):%d %H:%M}", one.sort, one.to) for one in letters]


def about(letter: LetterEvent) -> list[str]:
    return [event.change if isinstance(event, AlarmEvent) else getattr(event, "status", event.kind) for event in letter.about]


# ---------------------------------------------------------------- at once


@pytest.mark.parametrize(("priority", "urgent"), [("today", False), ("wake", True)])
def test_what_cannot_wait_is_told_at_its_very_instant(priority: str, urgent: bool) -> None:
    when = at("10 14:30")
    (letter,) = letters_of(alarm(when, priority=priority), until=when + 1)
    assert (letter.at_ms, letter.sort, letter.urgent, letter.to) == (when, "situation", urgent, "keeper")
    assert letter.chamber == "left"


def test_the_advice_of_the_same_instant_is_in_the_same_letter() -> None:
    when = at("10 14:30")
    (letter,) = letters_of(alarm(when), alarm(when, name="humidity-low"), advice(when))
    assert [event.kind for event in letter.about] == ["alarm", "alarm", "advice"]


def test_the_most_urgent_is_told_first_and_harm_before_discomfort() -> None:
    when = at("10 14:30")
    (letter,) = letters_of(
        alarm(when, name="humidity-high", priority="morning"), advice(when), alarm(when, name="lid-dew"),
        alarm(when, name="lid-open", priority="wake"), alarm(when, name="humidity-low", level="harmful"),
    )
    *alarms, last = letter.about
    assert [one.alarm for one in alarms] == ["lid-open", "humidity-low", "lid-dew", "humidity-high"] and last.kind == "advice"


def test_a_later_raise_brings_the_advice_that_stands() -> None:
    when = at("10 14:30")
    _, second = letters_of(advice(when), alarm(when + HOUR_MS))
    assert about(second) == ["raised", "given"]


def test_a_suppressed_alarm_is_not_told_until_it_is_annunciated() -> None:
    when = at("10 14:30")
    hidden = alarm(when, suppression="by-design")
    assert letters_of(hidden) == []
    (letter,) = letters_of(hidden, alarm(when + HOUR_MS, "unsuppressed"))
    assert letter.at_ms == when + HOUR_MS
    assert letters_of(hidden, alarm(when + HOUR_MS, "returned")) == []


def test_chambers_moved_by_their_room_are_named_in_the_one_letter() -> None:
    when = at("10 14:30")
    follows = [alarm(when, chamber=chamber, suppression="by-design") for chamber in ("right", "a")]
    (letter,) = letters_of(alarm(when), *follows)
    assert [event.chamber for event in letter.about] == ["left", "right"]


def test_advice_that_stands_is_in_the_letter_though_that_of_another_box_was_taken_back() -> None:
    """Of two boxes in one power cut the urgent letters said "go and look" for six hours: one advice was told for both."""
    when = at("10 08:00")
    cold = [alarm(when, chamber=name, name="temperature-low", value=20.6, limit=24.0) for name in ("left", "right")]
    told = [advice(when, chamber=name, change="check") for name in ("left", "right")]
    worse = replace(cold[1], id="w", at_ms=at("10 10:30"), change="worsened", priority="wake", worse="mark", value=15.5)
    events = [*cold, *told, advice(at("10 08:05"), "withdrawn", "right", change="check"), worse]
    (last,) = [one for one in letters_of(*events, until=at("10 10:40")) if one.at_ms == worse.at_ms]
    assert "given" in about(last)


def test_a_held_alarm_and_the_silent_probe_are_one_letter() -> None:
    when = at("10 14:30")
    letters = letters_of(
        alarm(when),
        alarm(when + HOUR_MS, "held", condition="held"),
        alarm(when + HOUR_MS, name="probe-stale", probe="dry-end", priority="morning"),
    )
    assert brief(letters) == [("10 14:30", "situation", "keeper"), ("10 15:30", "situation", "keeper")]
    assert [event.alarm for event in letters[1].about] == ["temperature-high", "probe-stale"]
    assert letters[0].thread == letters[1].thread


def test_a_shelf_that_ends_over_a_standing_alarm_is_told_again_in_the_same_thread() -> None:
    when = at("10 14:30")
    first, second = letters_of(
        alarm(when), alarm(when + 1000, "shelved", suppression="shelved"), alarm(when + 4 * HOUR_MS, "unshelved"),
    )
    assert (first.thread, first.ordinal, second.ordinal) == (second.thread, 1, 2)


# ---------------------------------------------------------------- the end of it


def test_the_return_is_told_once_and_only_after_a_told_raise() -> None:
    when = at("10 14:30")
    letters = letters_of(alarm(when), advice(when), alarm(when + HOUR_MS, "returned"), advice(when + HOUR_MS, "resolved"))
    assert [one.sort for one in letters] == ["situation", "all-clear"]
    assert about(letters[1]) == ["returned", "resolved"]


def test_a_return_while_another_alarm_stands_waits_for_the_next_letter() -> None:
    when = at("10 14:30")
    both = (alarm(when), alarm(when, name="humidity-low"), alarm(when + HOUR_MS, "returned"))
    assert len(letters_of(*both)) == 1
    letters = letters_of(*both, alarm(when + 2 * HOUR_MS, "returned", name="humidity-low"))
    assert [letter.sort for letter in letters] == ["situation", "all-clear"]
    assert {(event.alarm, event.change) for event in letters[1].about} == {
        ("temperature-high", "returned"), ("humidity-low", "returned"),
    }


def test_what_came_and_went_unsent_is_a_line_of_the_digest_and_no_letter() -> None:
    night = at("10 23:30")
    letters = all_letters(alarm(night), alarm(night + HOUR_MS, "returned"), until=at("11 09:00"))
    assert brief(letters) == [("11 08:00", "digest", "keeper")]
    assert about(letters[0]) == ["returned"]


def test_an_unknown_alarm_is_told_and_is_no_all_clear() -> None:
    when = at("10 14:30")
    letters = letters_of(alarm(when, acknowledged=True), alarm(when + 5 * HOUR_MS, "unknown"))
    assert [(one.sort, about(one)) for one in letters] == [("situation", ["raised"]), ("situation", ["unknown"])]


def test_a_situation_that_comes_back_within_six_hours_goes_on_in_its_thread() -> None:
    when = at("10 07:30")
    letters = letters_of(
        alarm(when), alarm(when + HOUR_MS, "returned"), alarm(when + 5 * HOUR_MS, occurrence=2),
        alarm(when + 6 * HOUR_MS, "returned", occurrence=2), alarm(when + 13 * HOUR_MS, occurrence=3),
    )
    first, second = "situation.left.1", "situation.left.2"  # the digest tells the second end, and it is one all the same
    assert [(one.thread, one.ordinal) for one in letters] == [(first, 1), (first, 2), (first, 3), (second, 1)]


def test_a_chattering_alarm_is_told_once_in_six_hours_unless_it_gets_harmful() -> None:
    when, events = at("10 07:00"), []
    for number in range(1, 9):
        start = when + number * HOUR_MS
        events += [alarm(start, occurrence=number)]
        events += [alarm(start, "chattering", occurrence=number)] if number == 3 else []
        events += [alarm(start + 30 * MINUTE_MS, "returned", occurrence=number)]
    raised = [one for one in letters_of(*events) if "raised" in about(one)]
    assert [brief([one])[0][0] for one in raised] == ["10 08:00", "10 14:00"]
    harmful = alarm(when + 9 * HOUR_MS, level="harmful", occurrence=9)
    assert letters_of(*events, harmful)[-1].at_ms == harmful.at_ms


# ---------------------------------------------------------------- quiet hours


@pytest.mark.parametrize(
    ("clock", "priority", "seconds_left", "name", "told"),
    [
        ("10 22:29", "today", None, "temperature-high", "10 22:29"),
        ("10 22:30", "today", None, "temperature-high", "11 06:30"),
        ("11 06:29", "today", None, "temperature-high", "11 06:30"),
        ("11 06:30", "today", None, "temperature-high", "11 06:30"),
        ("11 02:00", "wake", None, "temperature-high", "11 02:00"),
        ("11 02:00", "today", 4 * 3600.0, "humidity-low", "11 02:00"),
        ("11 02:00", "today", 5 * 3600.0, "humidity-low", "11 06:30"),
        ("11 02:00", "today", 4 * 3600.0, "lid-dew", "11 08:00"),
        ("10 12:00", "morning", None, "temperature-low", "11 08:00"),
        ("10 12:00", "digest", None, "temperature-low", "11 08:00"),
    ],
)
def test_the_night_is_kept_unless_less_time_is_left_than_it_has(
    clock: str, priority: str, seconds_left: float | None, name: str, told: str
) -> None:
    figures = {"value": 60.0, "limit": 70.0, "unit": "%RH"} if name == "humidity-low" else {}
    told_of = alarm(at(clock), priority=priority, seconds_left=seconds_left, name=name, **figures)
    assert brief(all_letters(told_of, until=at("11 08:30")))[0][0] == told


def test_what_waited_for_the_morning_is_one_letter_for_each_chamber() -> None:
    letters = letters_of(
        alarm(at("10 23:00")), advice(at("10 23:00")), alarm(at("11 01:00"), name="humidity-low"),
        alarm(at("11 02:00"), chamber="a"), until=at("11 07:00"),
    )
    assert [(one.at_ms, one.chamber, len(one.about)) for one in letters] == [
        (at("11 06:30"), "a", 1), (at("11 06:30"), "left", 3),
    ]


def test_an_all_clear_at_night_waits_and_is_merged_with_a_new_raise() -> None:
    events = [alarm(at("10 22:00")), alarm(at("10 23:00"), "returned")]
    waits = all_letters(*events, until=at("11 08:01"))  # and by then for the digest
    assert brief(waits) == [("10 22:00", "situation", "keeper"), ("11 08:00", "digest", "keeper")]
    merged = letters_of(*events, alarm(at("11 03:00"), priority="wake", occurrence=2), until=at("11 03:10"))
    assert brief(merged)[1:] == [("11 03:00", "situation", "keeper")]
    assert about(merged[1]) == ["raised", "returned"]


def test_quiet_hours_that_are_no_hours_hold_nothing_back() -> None:
    settings = settings_of(quiet_begin=time(3), quiet_end=time(3))
    assert letters_of(alarm(at("11 03:00")), settings=settings)[0].at_ms == at("11 03:00")


@pytest.mark.parametrize(
    ("begin", "end", "clock", "until"),
    [
        ("22:30", "06:30", "28 23:00", "29 06:30"),  # clocks go forward at 02:00 on the 29th
        ("22:30", "06:30", "29 03:10", "29 06:30"),
        ("01:00", "02:30", "29 01:30", "29 03:30"),  # there is no 02:30 that night: an hour and a half after 01:00 it is 03:30
    ],
)
def test_the_night_in_which_the_clocks_go_forward(begin: str, end: str, clock: str, until: str) -> None:
    telling = Telling(quiet_begin=time.fromisoformat(begin), quiet_end=time.fromisoformat(end))
    assert quiet_until_ms(at(clock), telling, BERLIN) == at(until)


def test_a_quiet_end_that_occurs_twice_is_the_first_one() -> None:
    telling = Telling(quiet_begin=time(22), quiet_end=time(1, 30))
    first = instant_ms(date(2026, 11, 1), time(1, 30), NEW_YORK)
    assert quiet_until_ms(first - 1, telling, NEW_YORK) == first
    assert quiet_until_ms(first, telling, NEW_YORK) is None
    assert quiet_until_ms(first + 45 * MINUTE_MS, telling, NEW_YORK) is None  # 01:15 for the second time


def test_where_all_is_used_up_already_a_matter_of_the_day_waits_for_the_morning() -> None:
    for left_s, when in ((2 * 3600.0, "10 01:00"), (0.0, "10 06:30")):
        mild = alarm(at("10 01:00"), seconds_left=left_s, harm_used=1.0)
        assert [row[0] for row in brief(letters_of(mild, until=at("10 07:00")))] == [when]


@pytest.mark.parametrize(("value", "when"), [(69.7, "11 06:30"), (66.0, "10 23:30")])
def test_what_lies_within_a_probes_own_uncertainty_waits_for_the_morning(value: float, when: str) -> None:
    dry = alarm(at("10 23:30"), name="humidity-low", value=value, limit=70.0, unit="%RH", seconds_left=3600.0)
    assert brief(letters_of(dry, until=at("11 07:00")))[0][0] == when


def test_what_was_owed_by_day_and_is_back_in_its_band_at_night_waits_for_the_end_of_this_night() -> None:
    """It was put off to an instant that had passed, and telling went round for ever."""
    begun, sign = at("10 22:00"), at("10 22:20")
    seen = PlaceMemory(since_ms=begun, present=situation(26.0, 80.0, temperature_read_ms=begun, temperature_slope_k_h=0.0))
    events = [
        alarm(begun, chamber="a", priority="wake"), advice(begun, chamber="a", urgency="wake"),
        alarm(begun + 1, "acknowledged", chamber="a", priority="wake"),
        alarm(sign, chamber="a", name="humidity-low", priority="wake", value=80.0, limit=70.0),
    ]
    _, letters = tell(
        WATCH, TellingState(), events, begun - MINUTE_MS, at("11 06:40"), "o", Presents(before={"a": seen})
    )
    assert brief(letters)[1:] == [("10 22:00", "situation", "keeper"), ("11 06:30", "situation", "keeper")]


@pytest.mark.parametrize(("left_h", "when"), [(6.0, "10 23:02"), (14.0, "11 06:30")])
def test_a_room_is_told_at_night_for_the_box_that_does_not_last_till_morning(left_h: float, when: str) -> None:
    """The box that is hidden behind the first one may be the smaller: a power cut was not told for three hours."""
    cold: dict[str, Any] = {"name": "temperature-low", "value": 23.2, "limit": 24.0, "since_ms": at("10 23:02")}
    first = alarm(at("10 23:02"), chamber="left", seconds_left=14 * 3600.0, **cold)
    hidden = alarm(at("10 23:02"), chamber="right", seconds_left=left_h * 3600.0, suppression="by-design", **cold)
    assert brief(letters_of(first, hidden, until=at("11 07:00")))[0][0] == when


# ---------------------------------------------------------------- reminders, second address, absence


def test_an_unacknowledged_alarm_is_told_again_with_growing_intervals() -> None:
    when = at("10 08:00")
    letters = letters_of(alarm(when, priority="wake"), until=when + 12 * HOUR_MS)
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper"), ("10 09:00", "reminder", "keeper"),
        ("10 10:00", "escalation", "second"), ("10 12:00", "reminder", "keeper"),
    ]
    assert [one.ordinal for one in letters] == [1, 2, 3, 4, 5]


def test_a_reminder_of_what_does_not_wake_keeps_the_night() -> None:
    """Nor does it come an hour before a digest that says the same."""
    later = WATCH.model_copy(update={"telling": Telling(digest_at=time(11, 0))})
    letters = letters_of(alarm(at("10 19:30")), until=at("11 10:00"), settings=later)
    assert brief(letters) == [("10 19:30", "situation", "keeper"), ("11 06:30", "reminder", "keeper")]
    letters = letters_of(alarm(at("10 19:30")), until=at("11 12:00"))
    assert brief(letters) == [("10 19:30", "situation", "keeper")]


@pytest.mark.parametrize(
    "silencer",
    [
        alarm(at("10 08:05"), "acknowledged", priority="wake"),
        alarm(at("10 08:05"), "shelved", suppression="shelved", acknowledged=False, priority="wake"),
        alarm(at("10 08:05"), "suppressed", suppression="by-design", priority="wake"),
        alarm(at("10 08:05"), "stale", priority="wake"),
    ],
    ids=lambda event: event.change,
)
def test_reminders_end_when_it_is_acknowledged_hidden_or_stale(silencer: AlarmEvent) -> None:
    letters = letters_of(alarm(at("10 08:00"), priority="wake"), silencer, until=at("10 23:00"))
    assert [one.sort for one in letters] == ["situation"]


def done(at_ms: int) -> WordEvent:
    return WordEvent(id=f"done-{at_ms}", at_ms=at_ms, chamber="left", word="advice-done", accepted=True, text="")


def said(at_ms: int, advisory: str, chamber: str = "left") -> WordEvent:
    return WordEvent(
        id=f"said-{at_ms}", at_ms=at_ms, chamber=chamber, word="advice-done", accepted=True, text="", advisory=advisory
    )


def test_an_answer_to_an_old_letter_stops_no_reminder_of_the_newer_one() -> None:
    when = at("10 08:00")
    given = [alarm(when, priority="wake"), advice(when, urgency="wake"), advice(at("10 08:05"), "withdrawn", urgency="wake")]
    newer = [advice(at("10 08:06"), urgency="wake", change="stop", advisory="left.2")]
    unanswered = brief(letters_of(*given, *newer, until=when + 3 * HOUR_MS))
    old = brief(letters_of(*given, *newer, said(at("10 08:08"), "left.1"), until=when + 3 * HOUR_MS))
    assert old == unanswered
    both = [said(at("10 08:08"), "left.2"), said(at("10 08:09"), "left.1")]
    answered = brief(letters_of(*given, *newer, *both, until=when + 2 * HOUR_MS))
    assert [one for one in answered if one[1] == "reminder"] == []


def test_who_has_seen_to_one_box_of_a_room_is_reminded_of_the_other() -> None:
    when = at("10 08:00")
    cold = [alarm(when + ms, name="temperature-low", chamber=box, priority="wake", value=14.0, limit=24.0, level="harmful",
        since_ms=when) for ms, box in enumerate(("left", "right"))]
    asked = [advice(when + 2, chamber=box, urgency="wake", change="more") for box in ("left", "right")]
    one = brief(letters_of(*cold, *asked, said(at("10 08:05"), "left.1"), until=when + 2 * HOUR_MS))
    assert [row for row in one if row[1] == "reminder"]
    words = [said(at("10 08:05"), "left.1"), said(at("10 08:06"), "right.1", "right")]
    both = brief(letters_of(*cold, *asked, *words, until=when + 2 * HOUR_MS))
    assert [row for row in both if row[1] == "reminder"] == []


def test_what_is_said_last_of_one_instant_decides_whether_it_may_disturb_the_night() -> None:
    """Found by a stream: ten minutes left, and in the same instant a time that is not known."""
    when = at("10 23:00")
    letters = letters_of(alarm(when, seconds_left=600.0), alarm(when, "updated", seconds_left=None), until=at("11 07:00"))
    assert brief(letters)[0] == ("11 06:30", "situation", "keeper")


def test_a_question_stands_in_the_digest_and_in_no_letter_of_what_is_wrong() -> None:
    when = at("10 12:00")
    asked = alarm(when, name="lid-unsure", kind="question", priority="morning")
    letters = all_letters(asked, alarm(when + HOUR_MS, priority="wake"), until=at("11 09:00"))
    named = [(one.sort, any(getattr(event, "alarm", "") == "lid-unsure" for event in one.about)) for one in letters]
    assert [looked for sort, looked in named if sort == "digest"] == [True], named
    assert not any(looked for sort, looked in named if sort != "digest"), named


def test_what_was_advised_and_is_done_gets_its_time_before_anybody_is_reminded() -> None:
    when = at("10 08:00")
    letters = letters_of(alarm(when, priority="wake"), done(at("10 08:20")), until=when + 6 * HOUR_MS)
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper"),
        ("10 10:35", "escalation", "second"), ("10 10:35", "reminder", "keeper"), ("10 13:35", "reminder", "keeper"),
    ]


def test_what_was_done_is_not_asked_again_and_gets_half_an_hour_before_more_of_the_same_is_told() -> None:
    """Eight minutes after `done` to "unplug it", the heat that the mat still held was told with "unplug it now"."""
    when = at("10 08:00")
    booked = replace(done(at("10 08:20")), advisory="left.1")
    hot = alarm(at("10 08:28"), name="temperature-high", priority="wake", level="harmful")
    mark = replace(hot, id="m", at_ms=at("10 08:32"), change="worsened", worse="mark")
    begun = [alarm(when, name="heater-runaway", priority="wake"), advice(when, urgency="wake", change="stop"), booked, hot]
    letters = letters_of(*begun, until=at("10 09:10"))
    assert brief(letters)[:2] == [("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper")]
    assert [event.at_ms for event in letters[2:]] == []
    told = letters_of(*begun, mark, until=at("10 09:10"))[2]
    assert told.at_ms == mark.at_ms and not [event for event in told.about if event.kind == "advice"]


def test_what_is_done_before_its_letter_went_out_is_not_asked_for_any_more() -> None:
    """Half an hour after `done` a letter that had been put off asked for the vent that was already shut."""
    when = at("10 08:00")
    begun = [alarm(when), advice(when), advice(at("10 08:40"), "updated", change="close", device="vent")]
    assert brief(letters_of(*begun, until=at("10 11:00")))[1:] == [("10 09:40", "situation", "keeper")]
    booked = replace(done(at("10 09:00")), advisory="left.1")
    assert not [one for one in letters_of(*begun, booked, until=at("10 11:00"))[1:] if "updated" in about(one)]


def test_what_an_advisory_asks_for_since_is_told_though_its_first_wording_was_done() -> None:
    """One `done` of the first wording silenced all later ones: for three days letters told of the cold and of no step."""
    when = at("10 08:00")
    begun = [alarm(when), advice(when), advice(at("10 08:40"), "updated", change="close", device="vent")]
    aside = replace(done(at("10 08:50")), advisory="left.1", asks_still=True)
    later = [advice(at("10 12:00"), "updated", change="more"), alarm(at("10 15:00"), "escalated", priority="wake")]
    told = letters_of(*begun, aside, *later, until=at("10 15:10"))
    steps = [[event.change for event in one.about if isinstance(event, AdviceEvent)] for one in told]
    assert (steps[0], steps[1], steps[-1]) == (["less"], ["close"], ["more"]) and [] not in steps


@pytest.mark.parametrize(("priority", "value", "minutes"), [
    ("today", 28.7, None), ("today", 30.7, 65), ("wake", 28.7, 50), ("wake", 27.9, 260),
])
def test_a_letter_without_a_step_waits_for_what_was_done_to_be_judged(priority: str, value: float, minutes: int | None) -> None:
    """Urgent letters came ten minutes after `done` and asked for nothing (attack from outside); what does no harm and goes no
    further stands in the digest then."""
    when = at("10 09:00")
    begun = [alarm(when, value=28.9), advice(when, look_again_s=4 * 3600.0), replace(done(at("10 09:05")), advisory="left.1")]
    worse = alarm(at("10 09:10"), "worsened", priority=priority, value=value)
    judged = advice(at("10 13:10"), "verified")
    letters = [one for one in letters_of(*begun, worse, judged, until=at("10 13:30")) if one.to == "keeper"]
    assert [round((one.at_ms - when) / MINUTE_MS) for one in letters[1:2]] == ([] if minutes is None else [minutes])
    step = advice(at("10 09:10"), advisory="left.2", urgency=priority, change="stop")
    answered = letters_of(*begun, worse, step, until=at("10 13:30"))[1]
    assert "given" in about(answered) and answered.at_ms <= at("10 10:30")


def test_no_all_clear_goes_out_while_what_it_hid_stands_and_asks_for_a_step() -> None:
    """"All is well" and "warm the room" were one letter: the heater was back, and the box still cold (attack from outside)."""
    when = at("10 10:00")
    cold = alarm(when, name="temperature-low", suppression="by-design", value=23.0, limit=24.0)
    failed = alarm(when, name="heater-failed", value=23.0)
    warms = [alarm(at("10 11:00"), "returned", name="heater-failed", value=23.5), replace(
        cold, id="c", at_ms=at("10 11:00"), change="unsuppressed", suppression="none", priority="digest")]  # fmt: skip
    begun = [failed, cold, advice(when, change="more", device="room")]
    assert [one.sort for one in letters_of(*begun, *warms, until=at("10 12:00"))] == ["situation"]
    over = [replace(cold, id="o", at_ms=at("10 12:00"), change="returned", condition="normal", level=None),
        advice(at("10 12:00"), "resolved")]  # fmt: skip
    assert brief(letters_of(*begun, *warms, *over))[1:] == [("10 12:00", "all-clear", "keeper")]


@pytest.mark.parametrize(("device", "change", "named"), [("heater", "stop", True), ("heater", "more", False)])
def test_an_all_clear_names_what_is_still_to_be_taken_back_unless_that_was_just_done(device, change, named) -> None:
    """"Nothing. It is back where it should be", its mat in the drawer (attack from outside)."""
    when, left = at("10 10:00"), ("Its heater is unplugged: plug it in again below 26 °C, and before a cold night.",)
    asks = (Action(device, change, None, None, "Do it."),)
    step = advice(when, device=device, change=change, actions=asks, still_changed=left)
    events = [alarm(when), step, replace(done(at("10 10:30")), advisory="left.1"), alarm(at("10 12:00"), "returned")]
    over = letters_of(*events, advice(at("10 12:00"), "verified", still_changed=left if named else ()))[-1]
    assert (over.sort, over.still_changed) == ("all-clear", left if named else ())
    text = compose(over, WATCH).text.replace("\n  ", " ")
    assert (left[0] in text) is named and ("Nothing. It is back" in text) is not named
    assert letters_of(*events)[-1].still_changed == over.still_changed  # not judged yet


def test_what_is_over_just_before_the_digest_is_told_by_it() -> None:
    """An all-clear, and half an hour later a digest of the same, on most mornings (attack from outside)."""
    for back in ("10 07:20", "10 06:35"):
        told = all_letters(alarm(at("10 05:00")), alarm(at(back), "returned"), until=at("10 09:00"))
        assert [one.sort for one in told] == ["situation", "digest"]
        assert "returned" in about(told[-1])


def test_graver_news_after_an_answer_ask_for_one_of_their_own() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when), done(at("10 08:05")), alarm(at("10 08:10"), "escalated", priority="wake", level="harmful"),
        until=when + HOUR_MS,
    )
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 08:10", "escalation", "keeper"), ("10 08:25", "reminder", "keeper"),
    ]


def test_no_reminder_follows_on_the_heels_of_a_letter() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when, priority="wake"), alarm(at("10 08:59"), "raised", name="humidity-low", priority="wake"),
        until=when + 2 * HOUR_MS,
    )
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper"), ("10 08:59", "situation", "keeper"),
        ("10 09:44", "reminder", "keeper"),
    ]


def test_the_letter_of_each_mark_is_its_own_reminder() -> None:
    when = at("10 08:00")
    marks = [
        alarm(at(f"10 {clock}"), "worsened", priority="wake", level="harmful", worse="mark")
        for clock in ("08:50", "10:30", "11:10")
    ]
    letters = letters_of(alarm(when, priority="wake", level="harmful"), *marks, until=when + 10 * HOUR_MS)
    assert [row for row in brief(letters) if row[2] == "keeper"] == [
        ("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper"), ("10 08:50", "escalation", "keeper"),
        ("10 09:50", "reminder", "keeper"), ("10 10:30", "escalation", "keeper"), ("10 11:10", "escalation", "keeper"),
        ("10 15:10", "reminder", "keeper"),
    ]


def test_nobody_is_reminded_of_what_is_back_within_its_limit_until_it_relapses() -> None:
    when = at("10 08:00")
    events = [alarm(when, priority="wake"), alarm(at("10 08:10"), "recovering", value=27.9)]
    assert brief(letters_of(*events, until=when + 6 * HOUR_MS)) == [("10 08:00", "situation", "keeper")]
    events.append(alarm(at("10 09:30"), "relapsed", priority="wake"))
    assert brief(letters_of(*events, until=at("10 09:40"))) == [
        ("10 08:00", "situation", "keeper"), ("10 09:30", "reminder", "keeper"),
    ]


def test_one_more_sign_of_what_was_told_goes_with_the_next_letter() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when, priority="wake"), advice(when, urgency="wake"),
        alarm(at("10 08:05"), name="humidity-low", priority="wake"), until=when + 20 * MINUTE_MS,
    )
    assert brief(letters) == [("10 08:00", "situation", "keeper"), ("10 08:15", "reminder", "keeper")]
    assert [event.alarm for event in letters[1].about if event.kind == "alarm"] == ["temperature-high", "humidity-low"]


def test_one_more_sign_waits_an_hour_at_most() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when), advice(when), alarm(when + 1, "acknowledged"), alarm(at("10 08:05"), name="humidity-low"),
        until=when + 2 * HOUR_MS,
    )
    assert brief(letters) == [("10 08:00", "situation", "keeper"), ("10 09:05", "situation", "keeper")]


def test_a_letter_to_the_second_address_does_not_hold_back_what_waits_for_the_keepers_next() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when, priority="wake"), advice(when, urgency="wake"),
        alarm(at("10 09:30"), name="humidity-low", priority="wake"), until=when + 3 * HOUR_MS,
    )
    assert brief(letters)[2:] == [
        ("10 09:00", "reminder", "keeper"), ("10 10:00", "escalation", "second"), ("10 10:30", "situation", "keeper"),
    ]


@pytest.mark.parametrize(
    "worse",
    [
        [alarm(at("10 08:05"), name="humidity-low", priority="wake", level="harmful")],
        [alarm(at("10 08:05"), name="humidity-low"), advice(at("10 08:05"), "updated", "left", "wake", "stop")],
    ],
    ids=["harm", "something else to do"],
)
def test_what_is_worse_or_asks_for_something_else_does_not_wait(worse: list[Event]) -> None:
    when = at("10 08:00")
    letters = letters_of(alarm(when, priority="wake"), advice(when, urgency="wake"), *worse, until=when + 10 * MINUTE_MS)
    assert brief(letters) == [("10 08:00", "situation", "keeper"), ("10 08:05", "situation", "keeper")]


def test_what_comes_up_just_after_a_letter_that_says_what_to_do_about_it_is_no_letter_of_its_own() -> None:
    """A box that cooled after its runaway was told twice within five minutes to plug its heater in again (foreign
    simulation)."""
    when = at("10 08:10")
    begun = [alarm(when, name="heater-runaway", priority="wake"), advice(when, urgency="wake", change="stop")]
    over = [alarm(at("10 09:10"), "returned", name="heater-runaway"), advice(at("10 09:10"), "verified")]
    again = advice(at("10 09:10"), advisory="left.2", change="more")
    cold = alarm(at("10 09:15"), name="temperature-low")
    said = replace(done(at("10 08:20")), advisory="left.1")
    found = [row[0] for row in brief(letters_of(*begun, said, *over, again, cold, until=at("10 10:00")))]
    assert found == ["10 08:10", "10 09:10", "10 09:40"]


@pytest.mark.parametrize(("after_min", "name", "again"), [
    (2, "lid-open", "10 03:30"), (2, "temperature-low", "10 03:17"),
])
def test_what_wakes_by_a_figure_that_a_letter_has_just_told_with_its_steps_calls_no_second_time(
    after_min: int, name: str, again: str
) -> None:
    """Told at 03:15 that it is dry and to look at the lid, a keeper was woken at 03:17: its lid seems to be open (foreign
    simulation)."""
    when = at("10 03:15")
    dry = alarm(when, name="humidity-low", priority="wake", level="harmful")
    begun = [dry, advice(when, urgency="wake", change="check", device="lid")]
    more = alarm(when + after_min * MINUTE_MS, name=name, priority="wake", level="harmful")
    found = [row[0] for row in brief(letters_of(*begun, more, until=at("10 03:40")))]
    assert found[:2] == ["10 03:15", again]


def test_a_wet_lid_is_no_news_beside_heat_that_kills_and_no_letter_about_that_can_wait() -> None:
    """At 41 degC a letter that was not urgent said: worse, the lid is wet."""
    when, hot = at("10 08:00"), {"priority": "wake", "level": "harmful"}
    told = [alarm(when, chamber="a", value=36.0, **hot), advice(when, chamber="a", urgency="wake")]
    lid = alarm(when + 80 * MINUTE_MS, "raised", name="lid-dew", chamber="a", level="harmful", value=-4.7, unit="K")
    dry = alarm(when + 110 * MINUTE_MS, "raised", name="humidity-low", chamber="a", level="harmful", value=58.0, unit="%RH")
    letters = letters_of(*told, lid, dry, until=when + 150 * MINUTE_MS)
    assert not any(one.at_ms == lid.at_ms for one in letters)
    last = next(one for one in letters if one.at_ms == dry.at_ms)
    names = [event.alarm for event in last.about if isinstance(event, AlarmEvent)]
    assert names[0] == "temperature-high" and {"humidity-low", "lid-dew"} <= set(names)
    assert all(one.urgent for one in letters)


def test_what_does_harm_leads_a_letter_whose_news_only_left_its_band() -> None:
    """At 16.7 degC and falling an urgent letter had the subject: too humid."""
    when = at("10 02:00")
    cold = alarm(when, name="temperature-low", level="harmful", value=19.9, limit=20.0, priority="wake")
    milder = replace(cold, id="p", at_ms=when + MINUTE_MS, change="priority", priority="today")
    humid = alarm(when + 2 * HOUR_MS, name="humidity-high", value=91.0, limit=90.0, unit="%RH")
    step = advice(when + 2 * HOUR_MS, urgency="wake", change="more")
    letter = letters_of(cold, milder, humid, step, until=when + 2 * HOUR_MS + MINUTE_MS)[-1]
    names = [event.alarm for event in letter.about if isinstance(event, AlarmEvent)]
    assert letter.at_ms == humid.at_ms and names == ["temperature-low", "humidity-high"]


def test_a_letter_about_a_box_that_heat_kills_says_what_to_do_there_first() -> None:
    """Of three hot boxes the one at 32 degC became worse, and the only step was for the coolest."""
    when, hot = at("10 08:00"), {"priority": "wake", "level": "harmful"}
    first = [
        alarm(when, value=31.0, **hot), alarm(when, chamber="right", value=30.0, **hot),
        advice(when, urgency="wake"), advice(when, chamber="right", urgency="wake"),
    ]
    later_ms = when + 100 * MINUTE_MS
    other = advice(later_ms, "updated", "right", "wake", change="check")
    worse = alarm(later_ms, "worsened", value=32.0, worse="mark", mark=32.0, **hot)
    letter = next(one for one in letters_of(*first, worse, other, until=later_ms + 1) if one.at_ms == later_ms)
    assert [event.chamber for event in letter.about if isinstance(event, AdviceEvent)] == ["left", "right"]


def test_a_lid_that_gets_wet_as_the_heat_fails_is_no_letter_of_its_own() -> None:
    when = at("10 08:00")
    failed = [alarm(when, name="heater-failed", value=21.0), advice(when, change="check")]
    lid = alarm(when + 70 * MINUTE_MS, name="lid-dew", value=-0.4, unit="K")
    letters = letters_of(*failed, lid, until=when + 3 * HOUR_MS)
    assert not any(one.at_ms == lid.at_ms for one in letters)


def test_an_escalation_is_told_in_the_thread_and_reminders_begin_anew() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when), alarm(when + MINUTE_MS, "acknowledged"),
        alarm(when + HOUR_MS, "escalated", priority="wake", level="harmful"), until=when + 80 * MINUTE_MS,
    )
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 09:00", "escalation", "keeper"), ("10 09:15", "reminder", "keeper"),
    ]
    assert letters[1].urgent
    assert len({one.thread for one in letters}) == 1


def test_while_the_keeper_is_away_the_stand_in_is_told_and_the_digest_still_goes_to_the_keeper() -> None:
    away = SystemEvent(id="s1", at_ms=at("10 09:00"), chamber=None, what="away-begun", text="")
    back = SystemEvent(id="s2", at_ms=at("11 12:00"), chamber=None, what="away-ended", text="")
    state, first = tell(WATCH, TellingState(), [], at("10 08:59"), at("10 09:00"), "o")
    gone = [away, alarm(at("10 10:00"), priority="today"), alarm(at("10 11:00"), "returned")]
    state, meanwhile = tell(WATCH, state, gone, at("10 09:00"), back.at_ms, "o", away=True)
    _, after = tell(WATCH, state, [back, alarm(at("11 13:00"), occurrence=2)], back.at_ms, at("11 13:01"), "o")
    letters = [*first, *meanwhile, *after][1:]
    assert brief(letters) == [
        ("10 10:00", "situation", "stand-in"), ("10 11:00", "all-clear", "stand-in"), ("11 08:00", "digest", "keeper"),
        ("11 13:00", "situation", "keeper"),
    ]


# ---------------------------------------------------------------- floods


def test_more_than_three_letters_in_ten_minutes_become_one_summary() -> None:
    when = at("10 12:00")
    events = [alarm(when + number * MINUTE_MS, chamber=chamber) for number, chamber in enumerate("abcde")]
    letters = letters_of(*events, alarm(when + 6 * MINUTE_MS, chamber="left"), until=when + HOUR_MS)
    assert [(brief([one])[0][0], one.sort, len(one.about)) for one in letters] == [
        ("10 12:00", "situation", 1), ("10 12:01", "situation", 1), ("10 12:02", "situation", 1), ("10 12:03", "summary", 1),
        ("10 12:13", "summary", 2),
    ]


def test_five_chambers_at_one_instant_are_one_summary_without_delay() -> None:
    when = at("10 12:00")
    (letter,) = letters_of(*[alarm(when, chamber=chamber) for chamber in "abcde"])
    assert (letter.at_ms, letter.sort, len(letter.about)) == (when, "summary", 5)


def test_what_wakes_does_not_wait_for_the_flood_to_end() -> None:
    when = at("10 12:00")
    events = [alarm(when + number * 1000, chamber=chamber, acknowledged=False) for number, chamber in enumerate("abcde")]
    letters = letters_of(*events, alarm(when + MINUTE_MS, chamber="left", priority="wake"), until=when + 2 * MINUTE_MS)
    assert (letters[-1].at_ms, letters[-1].sort, letters[-1].urgent) == (when + MINUTE_MS, "summary", True)


def test_what_is_over_before_the_summary_goes_out_is_not_in_it() -> None:
    when = at("10 12:00")
    events = [alarm(when + number * MINUTE_MS, chamber=chamber) for number, chamber in enumerate("abcde")]
    letters = letters_of(*events, alarm(when + 8 * MINUTE_MS, "returned", chamber="e"), until=when + 20 * MINUTE_MS)
    assert [one.sort for one in letters] == ["situation", "situation", "situation", "summary"]


# ---------------------------------------------------------------- advice, care, the watching itself


def test_advice_alone_is_told_by_its_urgency() -> None:
    when = at("10 12:00")
    assert [one.at_ms for one in letters_of(advice(when, urgency="today"))] == [when]
    assert letters_of(advice(when, urgency="morning")) == []
    digest = all_letters(advice(when, urgency="morning"), until=at("11 09:00"))
    assert [about(one) for one in digest] == [["given"]]


def test_what_is_advised_on_a_look_at_the_lid_is_the_answer_to_it_and_waits_for_no_digest() -> None:
    seen = WordEvent(id="w", at_ms=at("10 12:00"), chamber="left", word="lid-seen", accepted=True, text="noted: mist")
    answers = [advice(at(when), urgency="morning", chamber=name) for when, name in (("10 12:25", "left"), ("10 13:25", "left"))]
    assert [one.at_ms for one in letters_of(seen, answers[0])] == [at("10 12:25")]
    assert letters_of(seen, answers[1]) == [] == letters_of(seen, advice(at("10 12:25"), urgency="morning", chamber="right"))


def test_dry_air_takes_back_nothing_of_what_lethal_heat_asks_for() -> None:
    airing = (Action("heater", "stop", None, None, "Unplug it"), Action("vent", "open", None, None, "Air it"))
    when = at("10 12:00")
    letters = letters_of(
        alarm(when, priority="wake"), advice(when, urgency="wake", change="stop", actions=airing),
        alarm(when + HOUR_MS, name="humidity-low", unit="%RH", priority="wake"),
    )
    assert [event.status for event in letters[-1].about if isinstance(event, AdviceEvent)] == ["given"]


def test_what_stays_as_it_is_and_is_not_done_is_reminded_of_three_times_then_once_a_day_and_not_at_night() -> None:
    """A garden that stood at 36 %RH was written of ten times on its first day, at 03:00 too; each digest says it as well."""
    when = at("10 12:00")
    looks = [advice(when + hour * HOUR_MS, "reminded", urgency="wake") for hour in range(2, 66, 2)]
    letters = letters_of(alarm(when, priority="wake"), advice(when, urgency="wake"), *looks, until=at("13 06:00"))
    assert [row[0] for row in brief(letters) if row[2] == "keeper"] == [
        "10 12:00", "10 12:15", "10 13:00", "10 16:00", "11 10:00", "12 10:00",
    ]
    assert [row[0] for row in brief(letters) if row[2] == "second"] == ["10 14:00"]


def test_heat_that_fails_once_more_is_told_though_the_day_had_its_letters() -> None:
    """A box fell from 23 to 19 degC in a night without a word: four letters about its humidity had gone before."""
    damp = []
    for hour in (8, 10, 12, 14, 16):
        when = at(f"10 {hour:02}:00")
        damp += [alarm(when, name="humidity-high"), alarm(when + HOUR_MS, "returned", name="humidity-high")]
    letters = letters_of(*damp, alarm(at("10 20:00"), name="heater-failed"))
    assert letters[-1].at_ms == at("10 20:00")


def test_another_amount_is_no_news_but_another_device_is() -> None:
    when = at("10 12:00")
    same = advice(when + 2 * HOUR_MS, "updated")
    other = advice(when + 3 * HOUR_MS, "updated", change="stop")
    assert [one.at_ms for one in letters_of(advice(when), same, other)] == [when, other.at_ms]


def test_a_letter_carries_beside_each_value_what_the_last_one_said_of_it() -> None:
    when = at("10 08:00")
    letters = letters_of(
        alarm(when, value=28.6), alarm(when + HOUR_MS, "escalated", priority="wake", level="harmful", value=31.0),
        alarm(when + 2 * HOUR_MS, "returned", value=27.0), alarm(when + 9 * HOUR_MS, occurrence=2, value=28.7),
    )
    situation = [one.about[0] for one in letters if one.sort in ("situation", "escalation")]
    assert [(one.value, one.told_value, one.told_ms) for one in situation if one.kind == "alarm"] == [
        (28.6, None, None), (31.0, 28.6, when), (28.7, None, None),
    ]


def test_what_becomes_urgent_later_leaves_the_keeper_the_whole_time_before_the_second_address() -> None:
    letters = letters_of(
        alarm(at("10 08:00")), alarm(at("10 13:00"), "worsened", priority="wake"), until=at("10 15:01"),
    )
    assert brief(letters)[1:] == [
        ("10 13:00", "escalation", "keeper"), ("10 13:15", "reminder", "keeper"), ("10 14:00", "reminder", "keeper"),
        ("10 15:00", "escalation", "second"),
    ]


def test_the_same_first_step_advised_again_after_a_verdict_is_told_again() -> None:
    when = at("10 08:00")
    letters = letters_of(
        advice(when), advice(when + HOUR_MS, "verified"), advice(when + 2 * HOUR_MS, advisory="left.2"),
        until=when + 3 * HOUR_MS,
    )
    assert brief(letters) == [("10 08:00", "situation", "keeper"), ("10 10:00", "situation", "keeper")]
    assert about(letters[1]) == ["given", "verified"]


def test_what_came_of_the_last_step_is_told_once() -> None:
    when = at("10 08:00")
    letters = letters_of(
        advice(when), advice(when + HOUR_MS, "verified"), alarm(when + 2 * HOUR_MS), alarm(when + 4 * HOUR_MS, "returned"),
    )
    assert [about(one) for one in letters] == [["given"], ["raised", "verified"], ["returned"]]


def test_advice_that_a_verdict_ended_is_not_told_as_standing() -> None:
    when = at("10 08:00")
    letters = letters_of(advice(when), advice(when + HOUR_MS, "verified"), alarm(when + 2 * HOUR_MS))
    assert [event.status for event in letters[1].about if event.kind == "advice"] == ["verified"]


def test_the_same_step_that_has_become_urgent_is_told_again_at_once() -> None:
    when = at("10 20:00")
    letters = letters_of(advice(when), advice(at("11 01:00"), "updated", urgency="wake"))
    assert brief(letters) == [("10 20:00", "situation", "keeper"), ("11 01:00", "situation", "keeper")]
    assert letters[1].urgent


def test_what_waits_for_the_morning_and_becomes_urgent_waits_no_longer() -> None:
    when = at("10 23:30")
    letters = letters_of(advice(when), advice(at("11 01:00"), "updated", urgency="wake"))
    assert brief(letters) == [("11 01:00", "situation", "keeper")]


def repeated(first: int, count: int, **more: Any) -> list[AdviceEvent]:
    """An obedient keeper: every two hours a step of the same kind is advised, and judged an hour later."""
    return [
        one for number in range(count) for one in (
            advice(first + 2 * number * HOUR_MS, advisory=f"left.{number}", **more),
            advice(first + (2 * number + 1) * HOUR_MS, "verified", advisory=f"left.{number}"),
        )
    ]


def test_what_is_no_worse_than_the_last_letter_is_mailed_ever_more_seldom_and_the_rest_stands_in_the_digest() -> None:
    letters = all_letters(
        alarm(at("10 08:00")), *repeated(at("10 09:00"), 5), advice(at("10 19:00"), advisory="left.5"), until=at("11 08:01")
    )
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 08:00", "digest", "keeper"), ("10 09:00", "situation", "keeper"),
        ("10 11:00", "situation", "keeper"), ("10 15:00", "situation", "keeper"), ("10 19:00", "situation", "keeper"),
        ("11 08:00", "digest", "keeper"),
    ]
    assert [event.advisory for event in letters[-1].about if event.kind == "advice" and event.status == "given"] == ["left.5"]


def test_what_is_worse_or_may_wake_is_mailed_however_many_letters_there_were() -> None:
    letters = letters_of(
        alarm(at("10 08:00")), *repeated(at("10 09:00"), 6),
        alarm(at("10 21:00"), "worsened", value=29.8), advice(at("10 21:30"), urgency="wake", change="stop"),
        until=at("10 22:00"),
    )
    assert brief(letters)[-2:] == [("10 21:00", "escalation", "keeper"), ("10 21:30", "situation", "keeper")]


def test_what_the_devices_cannot_repair_is_said_once_and_then_once_a_day() -> None:
    letters = letters_of(alarm(at("10 08:00")), *repeated(at("10 09:00"), 7, beyond_devices=True), until=at("11 07:00"))
    assert brief(letters) == [("10 08:00", "situation", "keeper"), ("10 09:00", "situation", "keeper")]


def test_one_more_device_to_turn_is_told_though_the_last_letter_said_that_none_repairs_it() -> None:
    """"Warm the room" had been told as beyond repair; the mat's watts came the next morning, and the box was at 19 degC all day
    (foreign simulation). The same device by another amount is no news, nor a look."""
    cold: dict[str, Any] = {"device": "room", "change": "more", "amount": None, "unit": None, "beyond_devices": True}
    room = Action("room", "more", None, None, "Warm the room")
    for heat, told in (
        (Action("heater", "more", 1.5, "W", "Heater: turn it up"), ["10 09:00", "10 11:00"]),
        (Action("heater", "check", None, None, "Feel the mat"), ["10 09:00"]),
    ):
        letters = letters_of(
            alarm(at("10 08:55"), name="temperature-low"),
            advice(at("10 09:00"), actions=(room,), **cold), advice(at("10 10:00"), "verified"),
            advice(at("10 11:00"), advisory="left.2", actions=(room, heat), **cold), advice(at("10 13:00"), "verified"),
            advice(at("10 14:00"), advisory="left.3", actions=(room, replace(heat, amount=heat.amount and 2.0)), **cold),
            until=at("11 07:00"),
        )  # fmt: skip
        assert [row[0] for row in brief(letters) if row[0] >= "10 09:00" and row[1] == "situation"] == told


def test_advice_that_turns_to_another_device_is_told_within_the_hour() -> None:
    when = at("10 08:00")
    letters = letters_of(alarm(when), advice(when), advice(when + 20 * MINUTE_MS, "updated", change="stop"),
                         until=when + 2 * HOUR_MS)
    assert brief(letters) == [
        ("10 08:00", "situation", "keeper"), ("10 09:20", "situation", "keeper"),
    ]
    assert [event.change for event in letters[1].about if event.kind == "advice"] == ["stop"]


def test_advice_told_alone_is_resolved_with_an_all_clear() -> None:
    when = at("10 12:00")
    assert [one.sort for one in letters_of(advice(when), advice(when + HOUR_MS, "resolved"))] == ["situation", "all-clear"]


def test_care_is_told_by_its_priority_and_not_when_done() -> None:
    when = at("10 12:00")

    def care(moment: int, status: str, priority: str) -> CareEvent:
        return CareEvent(
            id=f"c{moment}{status}", at_ms=moment, chamber="left", task="leaves", status=status, due_ms=None, text="",
            priority=priority,
        )

    assert [(one.sort, one.chamber) for one in letters_of(care(when, "harmful-if-missed", "today"))] == [("care", "left")]
    assert letters_of(care(when, "due", "morning")) == []
    digest = all_letters(care(when, "due", "morning"), until=at("11 09:00"))
    assert about(digest[0]) == ["due"]
    done = all_letters(care(when, "due", "morning"), care(when + 1, "done", "digest"), until=at("11 09:00"))
    assert about(done[0]) == []


def test_lost_memory_is_told_at_once_and_a_clock_step_with_the_digest() -> None:
    when = at("10 12:00")
    lost = SystemEvent(id="s1", at_ms=when, chamber=None, what="memory-lost", text="")
    step = SystemEvent(id="s2", at_ms=when, chamber=None, what="clock-step", text="")
    letters = all_letters(lost, step, until=at("11 09:00"))
    assert [(one.sort, [event.id for event in one.about]) for one in letters] == [("system", ["s1"]), ("digest", ["s2"])]


def test_a_doubtful_probe_is_in_every_digest_until_it_is_good() -> None:
    def quality(moment: int, ne107: str) -> QualityEvent:
        return QualityEvent(id=f"q{moment}", at_ms=moment, chamber="left", probe="dry-end", quantity="relative_humidity",
                            test="saturated", flag="suspect", ne107=ne107)

    when = at("10 12:00")
    letters = all_letters(quality(when, "out-of-specification"), quality(at("12 09:00"), "ok"), until=at("13 09:00"))
    assert [len(one.about) for one in letters] == [1, 1, 0]


def test_the_first_letter_of_a_store_is_about_law_and_safety_and_comes_once() -> None:
    when = at("10 23:00")
    state, letters = tell(WATCH, TellingState(), [], when, when + DAY_MS, "o")
    assert [(one.at_ms, one.sort) for one in letters] == [(when, "system"), (at("11 08:00"), "digest")]
    assert {note.what for note in letters[0].about} == {"law-and-safety"}
    assert "permits" in letters[0].about[0].text
    assert all(one.sort != "system" for one in tell(WATCH, state, [], when + DAY_MS, when + 9 * DAY_MS, "o")[1])


# ---------------------------------------------------------------- digests


def digest_dates(settings: Settings, first: int, last: int, step_ms: int = 0) -> list[datetime]:
    state, moments, now = TellingState(), [], first
    while now < last:
        until = min(last, now + (step_ms or last - first))
        state, letters = tell(settings, state, [], now, until, "o")
        moments += [datetime.fromtimestamp(one.at_ms / 1000, settings.zone) for one in letters if one.sort == "digest"]
        now = until
    return moments


@pytest.mark.parametrize("zone", [BERLIN, NEW_YORK, ZoneInfo("Australia/Lord_Howe")], ids=str)
@pytest.mark.parametrize("digest_at", ["04:00", "08:00", "23:59"])
def test_two_years_with_a_leap_day_have_each_local_date_once_at_its_hour(zone: ZoneInfo, digest_at: str) -> None:
    clock = time.fromisoformat(digest_at)
    settings = settings_of(zone, digest_at=clock)
    first, last = datetime(2027, 12, 31, 1, tzinfo=zone), datetime(2029, 1, 2, 0, tzinfo=zone)
    moments = digest_dates(settings, round(first.timestamp() * 1000), round(last.timestamp() * 1000))
    assert [moment.date() for moment in moments] == [first.date() + timedelta(days=n) for n in range(368)]
    assert {moment.time() for moment in moments} == {clock}
    assert date(2028, 2, 29) in {moment.date() for moment in moments}


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        (BERLIN, date(2026, 3, 29)), (BERLIN, date(2026, 10, 25)), (NEW_YORK, date(2026, 11, 1)), (NEW_YORK, date(2026, 3, 8)),
    ],
    ids=str,
)
def test_a_night_in_which_the_clocks_change_cut_into_minutes_has_one_digest(zone: ZoneInfo, day: date) -> None:
    first = round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
    moments = digest_dates(settings_of(zone, digest_at=time(4)), first, first + 12 * HOUR_MS, MINUTE_MS)
    assert [(moment.date(), moment.hour) for moment in moments] == [(day, 4)]


def test_a_clock_that_jumps_over_three_days_sends_one_digest_and_one_that_jumps_back_sends_none_twice() -> None:
    first = at("10 09:00")
    state, _ = tell(WATCH, TellingState(), [], first, at("11 09:00"), "o")
    state = configured(WATCH, shifted(state, 3 * DAY_MS), at("14 09:00"))
    state, letters = tell(WATCH, state, [], at("14 09:00"), at("15 09:00"), "o")
    assert [brief([one])[0][0] for one in letters] == ["14 09:00", "15 08:00"]
    state = configured(WATCH, shifted(state, -DAY_MS - 2 * HOUR_MS), at("14 07:00"))
    _, letters = tell(WATCH, state, [], at("14 07:00"), at("16 09:00"), "o")
    assert [brief([one])[0][0] for one in letters] == ["16 08:00"]


def test_what_was_advised_and_is_not_done_is_in_every_digest_until_it_is_said_to_be_done() -> None:
    given = advice(at("10 12:00"), advisory="left-1")
    word = replace(done(at("12 09:00")), advisory="left-1")
    letters = all_letters(alarm(at("10 12:00")), given, word, until=at("14 09:00"))
    assert [(one.at_ms, given in one.about) for one in letters if one.sort == "digest"] == [
        (at("11 08:00"), True), (at("12 08:00"), True), (at("13 08:00"), False), (at("14 08:00"), False),
    ]


@pytest.mark.parametrize(
    ("name", "value_c", "slope_k_h", "told"),
    [
        ("humidity-low", 24.2, -5.0, False),  # the power is out, so the air gets moister
        ("humidity-high", 27.5, 3.0, False),
        ("humidity-low", 24.2, -0.3, True),  # noise
        ("humidity-low", 27.0, -2.5, True),  # it cools within its band
        ("temperature-low", 24.5, 4.0, True),  # a thermostat takes it back to its set point
    ],
)
def test_no_all_clear_is_written_of_a_box_whose_temperature_leaves_its_band_within_the_hour(
    name: str, value_c: float, slope_k_h: float, told: bool
) -> None:
    when = at("10 12:00")
    now = situation(value_c, 78.0, temperature_read_ms=when, temperature_slope_k_h=slope_k_h)
    seen = PlaceMemory(since_ms=when, present=now)
    events = [alarm(when, chamber="a", name=name), alarm(when + 2 * HOUR_MS, "returned", chamber="a", name=name)]
    _, letters = tell(
        WATCH, TellingState(), events, when - MINUTE_MS, when + 3 * HOUR_MS, "o", Presents(before={"a": seen})
    )
    assert [one.sort for one in letters[1:]] == ["situation", *(["all-clear"] if told else [])]


@pytest.mark.parametrize(("humidity_slope", "told"), [(-15.0, False), (15.0, False), (-4.0, True)])
def test_no_all_clear_is_written_of_heat_while_the_humidity_leaves_its_band(humidity_slope: float, told: bool) -> None:
    when = at("10 12:00")
    now = situation(26.0, 80.0, temperature_read_ms=when, temperature_slope_k_h=0.0)
    seen = PlaceMemory(since_ms=when, present=replace(now, humidity_slope_pct_h=humidity_slope))
    events = [alarm(when, chamber="a"), alarm(when + 2 * HOUR_MS, "returned", chamber="a")]
    _, letters = tell(
        WATCH, TellingState(), events, when - MINUTE_MS, when + 3 * HOUR_MS, "o", Presents(before={"a": seen})
    )
    assert [one.sort for one in letters[1:]] == ["situation", *(["all-clear"] if told else [])]


@pytest.mark.parametrize("change", ["raised", "held"])
def test_an_all_clear_names_what_stands_there_and_no_letter_has_told(change: str) -> None:
    """"OK again: it is back where it should be", of a box at 99 %RH whose wet lid could not be seen any more (attack from
    outside). What its alarm is not told by waits for the digest all the same."""
    when, mild = at("10 12:00"), {"name": "lid-dew", "priority": "digest"}
    events = [alarm(when, name="humidity-low"), alarm(when + HOUR_MS, **mild)]
    events += [alarm(when + 90 * MINUTE_MS, "held", condition="held", **mild)] if change == "held" else []
    events.append(alarm(when + 2 * HOUR_MS, "returned", name="humidity-low"))
    _, over, digest = all_letters(*events, until=at("11 08:01"))
    assert over.sort == "all-clear" and about(over) == ["returned", change]
    assert subject_of(over, WATCH).startswith("Over: ")
    assert digest.sort == "digest" and change in about(digest)


def test_advice_says_nothing_of_a_band_that_the_temperature_is_leaving() -> None:
    when = at("10 12:00")
    now = situation(24.2, 80.0, temperature_read_ms=when, temperature_slope_k_h=-5.0)
    events = [advice(when, chamber="a"), advice(when + 2 * HOUR_MS, "resolved", chamber="a")]
    _, letters = tell(
        WATCH, TellingState(), events, when - MINUTE_MS, when + 3 * HOUR_MS, "o",
        Presents(before={"a": PlaceMemory(since_ms=when, present=now)}),
    )
    assert [one.sort for one in letters[1:]] == ["situation"]


def test_dryness_of_a_box_that_heats_fast_is_told_with_the_heat() -> None:
    """Two minutes before "unplug the heater" a letter asked for damp towels."""
    when = at("10 23:55")
    now = situation(27.6, 66.0, temperature_read_ms=when, temperature_slope_k_h=6.0)
    dry = alarm(when, chamber="a", name="humidity-low", value=66.0, limit=70.0, seconds_left=3 * 3600.0)
    events = [dry, alarm(at("10 23:57"), chamber="a", name="heater-runaway", priority="wake", level="harmful")]
    seen = Presents(before={"a": PlaceMemory(since_ms=when, present=now)})
    for upto, told in ((events, [at("10 23:57")]), (events[:1], [at("11 00:55")])):
        _, letters = tell(WATCH, TellingState(), upto, when - MINUTE_MS, at("11 00:58"), "o", seen)
        assert [one.at_ms for one in letters[1:] if one.sort == "situation"] == told


@pytest.mark.parametrize(("mark_left_min", "told"), [(150.0, "10 03:25"), (14.0, "10 03:40")])
def test_what_comes_up_just_before_a_lethal_mark_goes_with_the_letter_about_it(mark_left_min: float, told: str) -> None:
    """At 15.2 degC a letter told that it is worse, the next one a quarter of an hour later that it had passed 15."""
    when = at("10 02:10")
    left_s = 60.0 * (75.0 + mark_left_min)
    harm = Harm("cold", 0.1, 32_000.0, 32_000.0, "serious", acute=False, going_away=True, at_ms=when, mark_left_s=left_s)
    now = situation(15.2, 80.0, temperature_read_ms=when, temperature_slope_k_h=-1.0)
    memory = PlaceMemory(since_ms=when, present=now, temperature_c=15.2, harm={"cold": Account(judged=harm)})
    cold = alarm(when, chamber="a", name="temperature-low", level="harmful", value=16.0, limit=24.0, harm_used=0.1)
    worse = replace(cold, id="w", at_ms=at("10 03:25"), change="worsened", priority="wake", worse="priority")
    mark = replace(worse, id="m", at_ms=at("10 03:40"), worse="mark", mark=15.0)
    _, letters = tell(
        WATCH, TellingState(), [cold, worse, mark], when - MINUTE_MS, at("10 03:41"), "o", Presents(before={"a": memory})
    )
    assert [row[0] for row in brief(letters)[2:3]] == [told]


@pytest.mark.parametrize(("now_c", "slope_k_h", "urgent"), [
    (11.1, 0.8, False), (8.9, 0.8, True), (11.1, -0.8, True), (24.1, 0.8, None),
])
def test_who_is_reminded_of_cold_that_comes_back_is_not_called(now_c: float, slope_k_h: float, urgent: bool | None) -> None:
    """A box on its way back from 9 to 15 degC for half a day was told urgently three times as lethally cold; of one that is
    back in its band nobody is reminded (attack from outside)."""
    when = at("10 08:00")
    now = situation(now_c, 80.0, temperature_read_ms=when, temperature_slope_k_h=slope_k_h)
    cold = alarm(when, chamber="a", name="temperature-low", level="harmful", value=9.1, limit=24.0, priority="wake")
    before = Presents(before={"a": PlaceMemory(since_ms=when, present=replace(now, temperature_c=9.1), temperature_c=9.1)})
    state, _ = tell(WATCH, TellingState(), [cold], when - MINUTE_MS, when + MINUTE_MS, "o", before)
    since = Presents(before={"a": PlaceMemory(since_ms=when, present=now, temperature_c=now_c)})
    _, letters = tell(WATCH, state, [], when + MINUTE_MS, when + 20 * MINUTE_MS, "o", since)
    assert [(one.sort, one.urgent) for one in letters] == ([] if urgent is None else [("reminder", urgent)])


def test_who_was_asked_to_look_first_has_an_hour_for_it_unless_it_goes_on() -> None:
    """ "Do not mist before you have looked", and half an hour later: mist."""
    when, then = at("10 09:00"), at("10 09:30")
    dry: dict[str, Any] = {"priority": "wake", "name": "humidity-low", "limit": 70.0}
    look = [alarm(when, value=50.0, **dry), advice(when, urgency="wake", change="check")]
    mist = advice(then, "updated", urgency="wake", change="more", device="mister")
    calm = [alarm(when + 1, "acknowledged", value=50.0, **dry)]
    assert brief(letters_of(*look, *calm, mist, until=at("10 11:00")))[1:] == [("10 10:30", "situation", "keeper")]
    changed_back = advice(at("10 10:00"), "updated", urgency="wake", change="check")
    assert brief(letters_of(*look, *calm, mist, changed_back, until=at("10 11:00")))[1:] == []
    dried = alarm(then, "worsened", value=40.0, worse="mark", **dry)
    assert brief(letters_of(*look, *calm, dried, mist, until=at("10 09:40")))[-1][0] == "10 09:30"


def test_a_film_of_water_on_the_lid_that_was_just_told_is_no_letter_of_its_own() -> None:
    when = at("10 14:37")
    wet: dict[str, Any] = {"name": "lid-dew", "value": -2.0, "limit": 0.5, "unit": "K"}
    film = alarm(when + 3 * MINUTE_MS, "worsened", worse="mark", mark=0.5, **wet)
    letters = letters_of(alarm(when, **wet), advice(when), film, until=when + 50 * MINUTE_MS)
    assert brief(letters) == [("10 14:37", "situation", "keeper")]


def test_the_same_trouble_with_less_time_left_goes_with_the_next_letter() -> None:
    """A garden that stood at 20.0 degC was told twice within an hour and a quarter to be worse."""
    when = at("10 08:00")
    cold: dict[str, Any] = {"name": "temperature-low", "limit": 24.0, "priority": "today"}
    half = alarm(when + 40 * MINUTE_MS, "worsened", worse="time", value=19.9, **cold)
    begun = [alarm(when, value=20.0, **cold), alarm(when + 1, "acknowledged", value=20.0, **cold)]
    assert brief(letters_of(*begun, half, until=at("10 09:00")))[1:] == []
    fallen = replace(half, value=18.5)
    assert brief(letters_of(*begun, fallen, until=at("10 09:00")))[1:] == [("10 08:40", "escalation", "keeper")]


def test_what_becomes_harmful_and_has_gone_further_is_told_though_it_is_no_more_urgent() -> None:
    """A box that was told at 23.6 degC fell to 16.1 within seven hours without a letter."""
    when = at("10 12:00")
    begun = [alarm(when, name="temperature-low", value=23.6, limit=24.0, harm_used=0.0)]
    for value, told in ((19.9, ["10 15:00"]), (23.3, [])):
        harmful = alarm(
            when + 3 * HOUR_MS, "escalated", name="temperature-low", value=value, limit=24.0, harm_used=0.02, level="harmful"
        )
        assert [row[0] for row in brief(letters_of(*begun, harmful, until=at("10 17:00")))[1:]] == told


def test_what_was_put_off_at_night_and_has_got_better_meanwhile_waits_for_the_morning() -> None:
    """69.9 %RH where 70 is wanted, on its way up, was an urgent letter at 01:12: an hour before it had been worse."""
    when = at("10 23:40")
    hot = alarm(when, chamber="a", priority="wake", value=29.0)
    events = [
        hot, advice(when, chamber="a", urgency="wake"), replace(hot, id="ack", change="acknowledged", acknowledged=True),
        alarm(when + 20 * MINUTE_MS, chamber="a", name="humidity-low", value=52.0, limit=70.0, unit="%RH", seconds_left=7200.0),
    ]
    for now_pct, told in ((69.9, []), (52.0, ["11 01:00"])):
        now = situation(29.0, now_pct, temperature_read_ms=when, humidity_read_ms=when, temperature_slope_k_h=0.0)
        memory = PlaceMemory(since_ms=when, present=now, temperature_c=29.0, relative_humidity_pct=now_pct)
        _, letters = tell(
            WATCH, TellingState(), events, when - MINUTE_MS, at("11 02:00"), "o", Presents(before={"a": memory})
        )
        assert [row[0] for row in brief(letters)[2:]] == told, now_pct


def test_what_gets_worse_beyond_repair_is_told_with_the_advice_that_comes_with_it() -> None:
    """A box that fell to 15.3 degC was told 25 minutes later: something else was advised in the same instant."""
    when, then = at("10 12:00"), at("10 15:00")
    cold: dict[str, Any] = {"name": "temperature-low", "limit": 24.0, "priority": "wake"}
    events = [
        alarm(when, value=20.0, **cold), advice(when, urgency="wake", beyond_devices=True),
        alarm(when + 1, "acknowledged", value=20.0, **cold),
        alarm(then, "worsened", worse="priority", value=15.3, level="harmful", **cold),
        advice(then, "updated", urgency="wake", change="check", beyond_devices=True),
    ]
    assert brief(letters_of(*events, until=at("10 15:10")))[-1] == ("10 15:00", "escalation", "keeper")


@pytest.mark.parametrize(("name", "value", "limit", "unit"), [
    ("temperature-high", 30.4, 28.0, "degC"), ("temperature-low", 19.0, 24.0, "degC"),
    ("humidity-low", 50.0, 70.0, "%RH"), ("lid-dew", 0.0, 1.0, "K"),
])  # fmt: skip
@pytest.mark.parametrize("told_as", ["wake", "today"])
def test_what_does_harm_again_after_it_had_eased_is_told_again(
    told_as: str, name: str, value: float, limit: float, unit: str
) -> None:
    """What was at hand could not repair it, of which a letter a day is enough, and it had been told as harmful: a box was above
    30 degC for 14 hours after a digest that called it eased (attack from outside)."""
    figures: dict[str, Any] = {"name": name, "value": value, "limit": limit, "unit": unit, "priority": told_as}
    told, harmful = at("10 16:00"), figures | {"level": "harmful", "harm_used": 1.5}
    events = [
        alarm(told, **harmful), advice(told, urgency="wake", beyond_devices=True),
        alarm(at("11 03:00"), "eased", **figures | {"priority": "morning"}),
        alarm(at("11 10:00"), "escalated", **harmful), alarm(at("11 10:20"), "eased", **figures),
        alarm(at("11 10:40"), "escalated", **harmful),  # what swings about its limit
    ]
    hours = [row[0] for row in brief(letters_of(*events, until=at("11 11:50"))) if row[0] > "11 00:00"]
    assert hours == ["11 10:00"]


@pytest.mark.parametrize(("value", "urgent"), [(69.9, []), (66.0, ["11 01:00"])])
def test_what_stands_within_a_probes_uncertainty_of_its_limit_wakes_nobody(value: float, urgent: list[str]) -> None:
    when = at("11 01:00")
    now = situation(26.0, value, humidity_read_ms=when, temperature_slope_k_h=0.0)
    seen = Presents(before={"a": PlaceMemory(since_ms=when, present=now, relative_humidity_pct=value)})
    dry = alarm(when, chamber="a", name="humidity-low", value=value, limit=70.0, unit="%RH", priority="wake")
    _, letters = tell(WATCH, TellingState(), [dry], when - MINUTE_MS, at("11 01:10"), "o", seen)
    assert [row[0] for row in brief(letters)[1:]] == urgent


def test_each_kind_of_news_has_one_row_and_what_is_worse_is_never_counted() -> None:
    assert sorted(row.news for row in ROWS) == sorted(get_args(NewsKind))
    worse = [row for row in ROWS if not row.calm]
    assert {"mark", "graver", "worse"} <= {row.news for row in worse}
    assert all(row.at_night and row.beyond for row in worse if row.news in ("mark", "graver", "worse"))
    assert [row.waits_ms for row in ROWS if row.news in ("mark", "graver", "new-harm")] == [0, 0, 0]


@pytest.mark.parametrize("over", ["resolved", "withdrawn"])
def test_no_digest_says_that_all_is_back_in_its_band_of_a_box_of_which_something_stands(over: str) -> None:
    when = at("10 12:00")
    small = [advice(when, chamber="a", urgency="morning"), advice(when + HOUR_MS, over, chamber="a")]
    for chamber, told in (("a", False), ("b", True)):
        cold = alarm(when + 4 * HOUR_MS, chamber=chamber, name="temperature-low", value=9.5, limit=24.0, priority="wake")
        digest = next(one for one in all_letters(*small, cold, until=at("11 09:00")) if one.sort == "digest")
        assert cold in digest.about
        assert (over in about(digest)) is told  # where it is another box that stands, this one's advice is over


def test_a_digest_over_a_box_that_cold_kills_is_urgent_and_its_subject_says_so() -> None:
    cold = alarm(at("10 05:00"), name="temperature-low", level="harmful", value=8.2, limit=20.0, priority="wake")
    mild = alarm(at("10 05:00"), name="humidity-low", chamber="right", value=69.0, limit=70.0, unit="%RH")
    digests = [one for one in all_letters(cold, mild, until=at("10 08:01")) if one.sort == "digest"]
    assert [(one.urgent, subject_of(one, WATCH)) for one in digests] == [(True, "URGENT: still too cool: left, 1 more")]
    dry = replace(mild, level="harmful", value=25.0, priority="wake", chamber="left", condition="active")
    digests = [one for one in all_letters(dry, until=at("10 08:01")) if one.sort == "digest"]
    assert [(one.urgent, subject_of(one, WATCH)) for one in digests] == [(True, "URGENT: still too dry: left")]
    digests = [one for one in all_letters(mild, until=at("10 08:01")) if one.sort == "digest"]
    assert [(one.urgent, subject_of(one, WATCH)) for one in digests] == [(False, "1 still stands: fungus shelf")]


def test_the_weekly_digest_takes_the_place_of_the_daily_one_and_looks_back_on_the_week() -> None:
    told = [alarm(at("10 12:00")), alarm(at("10 13:00"), "returned")]
    events = [*told, alarm(at("12 23:00")), alarm(at("12 23:30"), "returned")]
    letters = [one for one in all_letters(*events, until=at("16 09:00")) if one.sort == "digest"]
    assert [(brief([one])[0][0], one.thread) for one in letters] == [
        ("11 08:00", "digest"), ("12 08:00", "digest"), ("13 08:00", "digest"), ("14 08:00", "digest"), ("15 08:00", "weekly"),
        ("16 08:00", "digest"),
    ]
    assert about(letters[2]) == ["returned"]
    assert about(letters[4]) == ["returned", "system"]
    assert letters[4].about[-1].text == "left/temperature-high was raised 2 times in the last week"


def test_without_digests_what_waits_for_the_morning_still_comes_as_a_letter() -> None:
    settings = settings_of(daily_digest=False, weekly_digest=None)
    letters = all_letters(alarm(at("10 12:00"), priority="morning"), alarm(at("10 12:00"), chamber="a", priority="digest"),
                          until=at("12 12:00"), settings=settings)
    assert [(brief([one])[0][0], one.sort, one.chamber) for one in letters] == [("11 08:00", "situation", "left")]


def test_a_latched_alarm_stays_in_the_digest_until_it_is_reset() -> None:
    events = [
        alarm(at("10 12:00")), alarm(at("10 13:00"), "returned"),
        alarm(at("10 13:00"), "latched", condition="normal", level=None),
        alarm(at("11 12:00"), "reset", condition="normal", level=None),
    ]
    letters = all_letters(*events, until=at("12 09:00"))
    assert [about(one) for one in letters] == [["raised"], ["latched", "returned"], ["latched"], []]


def test_acknowledging_a_new_occurrence_resets_the_old_latch_too() -> None:
    events = [
        alarm(at("10 10:00")), alarm(at("10 11:00"), "returned"),
        alarm(at("10 11:00"), "latched", condition="normal", level=None),
        alarm(at("10 17:30"), occurrence=2), alarm(at("10 17:31"), "acknowledged", occurrence=2),
        alarm(at("10 21:31"), "returned", occurrence=2),
    ]
    digest = all_letters(*events, until=at("11 09:00"))[-1]
    assert (digest.sort, about(digest)) == ("digest", [])


# ---------------------------------------------------------------- state


def test_the_state_handed_in_is_not_changed_and_nothing_to_do_hands_it_back() -> None:
    when = at("10 12:00")
    state, _ = tell(WATCH, TellingState(), [alarm(when), advice(when)], when, when + MINUTE_MS, "o")
    adapter = TypeAdapter(TellingState)
    before = adapter.dump_json(state)
    assert tell(WATCH, state, [], when + MINUTE_MS, when + 2 * MINUTE_MS, "o")[0] is state
    tell(WATCH, state, [alarm(when + HOUR_MS, "returned")], when + MINUTE_MS, when + 9 * DAY_MS, "o")
    assert adapter.dump_json(state) == before
    assert adapter.validate_json(before) == state


def test_a_state_that_version_0_1_0_wrote_goes_on_as_it_was() -> None:
    when = at("10 23:30")
    events = [
        alarm(when, since_ms=when - MINUTE_MS, seconds_left=3600.0), advice(when),
        alarm(when + MINUTE_MS, name="humidity-low", priority="digest"),
        CareEvent(
            id="c", at_ms=when + MINUTE_MS, chamber="left", task="feed", status="due", due_ms=when, text="Give fresh leaves"
        ),
        QualityEvent(
            id="q", at_ms=when + MINUTE_MS, chamber="left", probe="dry-end", quantity="relative_humidity", test="saturated",
            flag="suspect", ne107="out-of-specification", detail="at 99 %RH",
        ),
        SystemEvent(id="s", at_ms=when + MINUTE_MS, chamber=None, what="gap", text="nobody watched"),
        SystemEvent(id="s2", at_ms=when + MINUTE_MS, chamber=None, what="clock-step", text="set"),
    ]
    now, _ = tell(WATCH, TellingState(), events, when, when + 2 * MINUTE_MS, "o")
    for heard in now.heard.values():
        heard.letter_value = heard.letter_value_ms = None  # which it did not keep
    for thread in now.threads.values():
        thread.asked_ms, thread.letters_ms = None, []
    stored = (Path(__file__).parent / "state_of_0_1_0.json").read_bytes()
    assert TypeAdapter(TellingState).validate_json(stored) == now


# ---------------------------------------------------------------- nobody answers, and it goes on


def falling_box(*marks: tuple[str, float, str]) -> list[AlarmEvent]:
    """Heat that failed at eight and wakes, and how it got worse, unanswered: when, to which value, and by what."""
    first = alarm(at("10 08:00"), name="temperature-low", value=18.0, limit=24.0, level="harmful", priority="wake")
    worse = [
        alarm(
            at(f"10 {clock}"), "worsened", name="temperature-low", value=value, limit=24.0, level="harmful", priority="wake",
            worse=by, mark=value if by == "mark" else None, seconds_left=7000.0,
        )
        for clock, value, by in marks
    ]  # fmt: skip
    return [first, *worse]


def seconds(letters: list[LetterEvent]) -> list[str]:
    return [row[0][3:] for row in brief(letters) if row[2] == "second"]


def test_the_second_address_is_called_no_later_because_it_gets_worse() -> None:
    """Each worsening began its two hours anew: a neighbour heard of 8.3 degC six hours after the first urgent letter."""
    events = falling_box(("08:20", 17.0, "time"), ("09:40", 16.0, "time"), ("11:00", 15.5, "time"))
    assert seconds(letters_of(*events, until=at("10 14:00"))) == ["10:00"]


def test_a_lethal_mark_that_follows_an_unanswered_urgent_letter_goes_to_both_and_so_does_each_after_it() -> None:
    events = falling_box(("08:10", 15.0, "mark"), ("09:00", 12.0, "mark"), ("09:30", 11.0, "mark"), ("11:00", 10.0, "mark"))
    assert seconds(letters_of(*events, until=at("10 14:00"))) == ["09:00", "11:00"]


def test_what_wakes_anew_after_it_was_milder_leaves_the_keeper_the_whole_time() -> None:
    """The sun of the next afternoon called the neighbour in the same minute as the keeper."""
    first, *_ = falling_box()
    milder = replace(first, id="m", at_ms=at("10 09:30"), change="priority", priority="today", level="outside", value=23.0)
    again = replace(first, id="n", at_ms=at("10 17:00"), change="worsened", worse="priority", value=17.0)
    assert seconds(letters_of(first, milder, again, until=at("10 20:00"))) == ["19:00"]


def test_the_second_address_that_is_called_late_hears_all_that_is_told_of_that_instant() -> None:
    """Found by a stream: its time passed under a shelf; cut between the alarm and its advice, it heard the old advice."""
    over = at("10 11:00")
    raised, *events = [
        alarm(at("10 08:10"), priority="wake"), alarm(at("10 09:00"), "shelved", suppression="shelved", priority="wake"),
        alarm(over, "unshelved", priority="wake"), advice(over),
    ]  # fmt: skip
    whole = letters_of(raised, *events, until=over + 1)
    both = ["unshelved", "given"]
    assert [(one.to, about(one)) for one in whole if one.at_ms == over] == [("second", both), ("keeper", both)]

    state, cut = TellingState(), []
    for event in (raised, *events):
        state, more = tell(WATCH, state, [event], state.seen_ms or event.at_ms - MINUTE_MS, event.at_ms, "o")
        cut += more
    _, last = tell(WATCH, state, [], over, over + 1, "o")
    assert [*cut, *last][1:] == whole


def test_who_has_seen_it_or_says_that_it_is_done_has_answered_for_the_second_address() -> None:
    cold = falling_box(("09:00", 15.0, "mark"))
    seen = alarm(at("10 08:20"), "acknowledged", name="temperature-low", value=17.0, limit=24.0, priority="wake")
    assert seconds(letters_of(cold[0], seen, until=at("10 14:00"))) == []
    asked = advice(at("10 08:00"), urgency="wake", change="check")
    done = WordEvent(
        id="w", at_ms=at("10 08:20"), chamber="left", word="advice-done", accepted=True, text="", advisory="left.1",
    )  # fmt: skip
    assert seconds(letters_of(cold[0], asked, done, *cold[1:], until=at("10 10:50"))) == []
    assert seconds(letters_of(cold[0], asked, done, *cold[1:], until=at("10 11:10"))) == ["11:00"]


def test_dryness_that_comes_to_wake_is_told_at_once_under_a_cold_that_woke_before_and_no_device_repairs() -> None:
    """From 52 %RH with four hours left to all used up, no letter in three hours: the figure hardly went on."""
    when = at("10 08:00")
    cold = falling_box()
    told = advice(when, urgency="wake", change="check", beyond_devices=True)
    dry = alarm(when + 2 * HOUR_MS, name="humidity-low", value=52.0, limit=70.0, unit="%RH", level="harmful")
    worse = replace(
        dry, id="x", at_ms=when + 4 * HOUR_MS, change="worsened", value=52.4, priority="wake", worse="priority",
        seconds_left=3000.0,
    )
    letters = letters_of(*cold, told, dry, worse, until=worse.at_ms + MINUTE_MS)
    assert letters[-1].at_ms == worse.at_ms and letters[-1].urgent and worse.alarm in str(letters[-1].about[1])


def test_the_last_hour_of_what_stays_where_it_is_is_told_also_at_night() -> None:
    """Heat of 30.8 degC stood still through the night: half of what was left was gone, and the letter came at half past six."""
    when = at("10 22:30")
    hot = alarm(when, value=30.5, level="harmful", priority="wake", seconds_left=21_000.0)
    seen = replace(hot, id="s", at_ms=when + MINUTE_MS, change="acknowledged", acknowledged=True)
    steps = [
        replace(hot, id=f"t{after}", at_ms=when + after * HOUR_MS, change="worsened", worse="time", seconds_left=left)
        for after, left in ((3, 10_500.0), (5, 5_200.0), (6, 2_600.0), (7, 1_300.0))
    ]
    letters = letters_of(hot, seen, *steps, until=at("11 06:00"))
    mine = [one for one in letters if one.to == "keeper" and one.at_ms > when]
    assert [one.at_ms for one in mine] == [steps[2].at_ms] and mine[0].urgent


def test_what_waits_for_the_next_letter_does_not_wait_anew_with_each_event() -> None:
    when = at("10 08:00")
    hot = alarm(when, value=30.5, level="harmful", priority="wake", seconds_left=9e3)
    step = advice(when, urgency="wake")
    events = [
        replace(hot, id=f"t{minute}", at_ms=when + minute * MINUTE_MS, change="worsened", value=30.6, worse="time")
        for minute in (70, 110, 150)
    ]
    told = alarm(when + 60 * MINUTE_MS, "acknowledged", value=30.5, level="harmful", priority="wake")
    letters = letters_of(hot, step, told, *events, until=when + 3 * HOUR_MS)
    waited = [one.at_ms for one in letters if one.at_ms > when + 61 * MINUTE_MS]
    assert waited and waited[0] <= when + (70 + 60) * MINUTE_MS


def test_a_runaway_waits_for_no_letter_about_a_mark_that_is_near() -> None:
    """At 28.7 degC, rising by 5 K an hour, "unplug" was held back for half an hour: a mark was said to be near."""
    when = at("10 22:30")
    warm = alarm(when, chamber="a", value=29.2, level="outside", priority="wake")
    race = alarm(
        when + 5 * MINUTE_MS, chamber="a", name="heater-runaway", value=29.7, limit=30.0, level="harmful", priority="wake",
    )  # fmt: skip
    stop = advice(race.at_ms, chamber="a", urgency="wake", change="stop")
    near = Harm("heat", 0.1, 2000.0, 1000.0, "severe", acute=True, going_away=True, at_ms=when, mark_left_s=1500.0)
    account = Account(used=0.1, at_ms=when, outside=True, judged=near)
    seen = Presents(before={"a": PlaceMemory(since_ms=when, harm={"heat": account})})
    _, letters = tell(WATCH, TellingState(), [warm, race, stop], when - MINUTE_MS, when + HOUR_MS, "o", seen)
    assert [row[0] for row in brief(letters)[1:3]] == ["10 22:30", "10 22:35"]


@pytest.mark.parametrize(("asked", "urgent"), [("stop", "10 22:45"), ("more", "10 22:32")])
def test_the_cause_of_a_heat_that_was_just_told_with_its_step_is_no_letter_of_its_own(asked: str, urgent: str) -> None:
    """\"Unplug the heater now\" went out at 01:05 for the heat and at 01:07 for the thermostat that makes it."""
    when = at("10 22:30")
    warm = alarm(when, chamber="a", value=28.3, priority="today")
    race = alarm(when + 2 * MINUTE_MS, chamber="a", name="heater-runaway", value=28.4, priority="wake")
    stop = advice(when, chamber="a", urgency="wake", change="stop")
    news = [] if asked == "stop" else [advice(race.at_ms, "updated", "a", "wake", asked)]
    letters = letters_of(warm, stop, race, *news, until=when + 20 * MINUTE_MS)
    assert [row[0] for row in brief(letters)[:2]] == ["10 22:30", urgent]


@pytest.mark.parametrize(("after_min", "left_s"), [(5, 300.0), (12, None)])
def test_no_letter_repeats_the_time_left_of_an_earlier_one(after_min: int, left_s: float | None) -> None:
    """For hours each letter of a runaway said 587 seconds, from 28.8 to 35.1 degC."""
    when = at("10 12:00")
    race = alarm(when, chamber="a", name="heater-runaway", value=28.8, priority="wake", seconds_left=600.0)
    state, _ = tell(WATCH, TellingState(), [race], when - MINUTE_MS, when + MINUTE_MS, "o")
    more = alarm(when + after_min * MINUTE_MS, chamber="a", level="harmful", priority="wake", worse="mark")
    _, letters = tell(WATCH, state, [more], when + MINUTE_MS, more.at_ms + MINUTE_MS, "o")
    told = [one for one in letters[0].about if isinstance(one, AlarmEvent) and one.alarm == "heater-runaway"]
    assert [one.seconds_left for one in told] == [left_s]


@pytest.mark.parametrize(("left_h", "told"), [(7.0, ["10 21:30"]), (14.0, [])])
def test_what_runs_out_in_the_night_is_told_in_the_evening_and_wakes_nobody(left_h: float, told: list[str]) -> None:
    """Flat at 22 degC for two days, told by digests alone, and then urgent at 23:45 because its time was over."""
    cold = alarm(at("10 09:00"), name="temperature-low", value=22.0, limit=24.0, priority="morning", harm_used=0.4)
    out = replace(cold, id="o", at_ms=at("10 23:45"), change="worsened", worse="priority", priority="today", seconds_left=600.0)
    evening_ms = at("10 21:30")
    harm = Harm("cold", 0.9, left_h * 3600.0, None, "serious", acute=False, going_away=False, at_ms=evening_ms)
    account = Account(used=0.9, outside=True, judged=harm)
    seen = Presents(before={"left": PlaceMemory(since_ms=cold.at_ms, harm={"cold": account})})
    _, letters = tell(WATCH, TellingState(), [cold, *([out] if told else [])], cold.at_ms - 1, at("11 06:00"), "o", seen)
    mine = [one for one in letters if one.sort == "situation"]
    assert [row[0] for row in brief(mine)] == told and not any(one.urgent for one in mine)


def test_an_urgent_digest_is_a_letter_about_what_it_calls_for() -> None:
    """Ten minutes after a digest over a box that cold kills a reminder said the same again."""
    cold = alarm(at("10 04:10"), name="temperature-low", level="harmful", value=8.2, limit=20.0, priority="wake")
    kinds = ("digest", "reminder")
    told = [(one.sort, one.at_ms) for one in all_letters(cold, until=at("10 12:00")) if one.sort in kinds]
    assert [row for row in told if row[1] >= at("10 08:00")] == [("digest", at("10 08:00")), ("reminder", at("10 11:00"))]


def test_in_heat_no_reminder_waits_for_a_mark() -> None:
    """Between 28.2 and 32.5 degC, in 53 minutes, who slept through the first letter got no other: the mark was near."""
    when = at("10 23:57")
    race = alarm(when, chamber="a", name="heater-runaway", value=28.2, limit=30.0, level="harmful", priority="wake")
    warm = alarm(when + 20 * MINUTE_MS, chamber="a", value=30.1, level="outside", priority="wake")
    worse = replace(warm, id="w", at_ms=when + 28 * MINUTE_MS, change="worsened", worse="priority", value=30.8)
    near = Harm("heat", 0.1, 2000.0, 1000.0, "severe", acute=True, going_away=True, at_ms=when, mark_left_s=3000.0)
    seen = Presents(before={"a": PlaceMemory(since_ms=when, harm={"heat": Account(used=0.1, outside=True, judged=near)})})
    stop = advice(when, chamber="a", urgency="wake", change="stop")
    _, letters = tell(WATCH, TellingState(), [race, stop, warm, worse], when - MINUTE_MS, when + 45 * MINUTE_MS, "o", seen)
    mine = [row[0] for row in brief(letters)[1:] if row[2] == "keeper"]
    assert mine == ["10 23:57", "11 00:12"]


@pytest.mark.parametrize(
    ("now_c", "slope_k_h", "asked_at", "told"),
    [
        (21.7, 0.0, "10 13:10", ["10 13:30"]),
        (21.7, 0.0, "10 10:10", ["10 12:00"]),  # it has not lasted yet
        (21.7, 0.5, "10 13:10", []),  # it comes back
        (23.6, 0.0, "10 13:10", []),  # within what a probe may be wrong
        (21.7, 0.0, "10 22:40", []),  # at night it waits for the digest
    ],
)
def test_what_is_mild_and_lasts_is_told_by_day_with_its_next_step(
    now_c: float, slope_k_h: float, asked_at: str, told: list[str]
) -> None:
    """A box stood at 21.7 degC for 22 hours with the next step at hand: it waited for the digest of the next morning."""
    cold = alarm(at("10 09:00"), name="temperature-low", value=23.4, limit=24.0, priority="digest", since_ms=at("10 09:00"))
    asked = advice(at(asked_at), urgency="digest", change="more")
    now = situation(now_c, 80.0, temperature_read_ms=cold.at_ms, temperature_slope_k_h=slope_k_h)
    seen = Presents(before={"left": PlaceMemory(since_ms=cold.at_ms, present=now, temperature_c=now_c)})
    _, letters = tell(WATCH, TellingState(), [cold, asked], cold.at_ms - 1, at("11 07:59"), "o", seen)
    mine = [one for one in letters if one.sort == "situation"]
    assert [row[0] for row in brief(mine)] == told and not any(one.urgent for one in mine)
    assert all(about(one) == ["raised", "given"] for one in mine)


@pytest.mark.parametrize(("change", "told"), [("wipe", ["10 13:30"]), ("check", [])])
def test_air_so_humid_that_its_lid_is_to_be_wiped_is_told_of_by_day(change: str, told: list[str]) -> None:
    """"Open a vent, wipe the lid" was found at four in the afternoon and read the next morning (foreign simulation)."""
    damp = alarm(at("10 09:00"), name="humidity-high", value=97.0, limit=90.0, priority="morning", since_ms=at("10 09:00"))
    step = Action("lid", change, None, None, "Wipe the lid")
    asked = advice(at("10 13:10"), urgency="morning", device="lid", change=change, actions=(step,))
    now = situation(25.5, 97.0, temperature_read_ms=damp.at_ms)
    seen = Presents(before={"left": PlaceMemory(since_ms=damp.at_ms, present=now, temperature_c=25.5)})
    _, letters = tell(WATCH, TellingState(), [damp, asked], damp.at_ms - 1, at("10 21:59"), "o", seen)
    assert [row[0] for row in brief([one for one in letters if one.sort == "situation"])] == told


@pytest.mark.parametrize(("since", "told"), [("10 09:00", ["10 13:30"]), ("10 11:00", ["10 14:00"]), ("11 02:00", [])])
def test_a_lid_that_stays_wet_by_day_is_told_with_its_step_though_nobody_measures_it(since: str, told: list[str]) -> None:
    """The foam for it was found at half past one and waited for the digest, while 60 g/m2 gathered (foreign simulation)."""
    wet = alarm(at(since), name="lid-dew", value=None, limit=None, priority="digest", since_ms=at(since))
    asked = advice(max(at("10 13:10"), at(since)), urgency="digest", device="lid", change="insulate")
    now = situation(26.0, 88.0, temperature_read_ms=wet.at_ms)
    seen = Presents(before={"left": PlaceMemory(since_ms=wet.at_ms, present=now, temperature_c=26.0)})
    _, letters = tell(WATCH, TellingState(), [wet, asked], wet.at_ms - 1, max(wet.at_ms, at("10 21:59")), "o", seen)
    mine = [one for one in letters if one.sort == "situation"]
    assert [row[0] for row in brief(mine)] == told and not any(one.urgent for one in mine)


def test_of_what_is_mild_there_is_no_second_letter_within_hours() -> None:
    """Each change of the advice would be a letter."""
    cold = alarm(at("10 09:00"), name="temperature-low", value=22.0, limit=24.0, priority="digest", since_ms=at("10 09:00"))
    steps = [
        advice(at("10 12:10") + n * HOUR_MS, urgency="digest", change=("more", "check")[n % 2], advisory=f"left.{n}")
        for n in range(6)
    ]
    now = situation(22.0, 80.0, temperature_read_ms=cold.at_ms, temperature_slope_k_h=0.0)
    seen = Presents(before={"left": PlaceMemory(since_ms=cold.at_ms, present=now, temperature_c=22.0)})
    _, letters = tell(WATCH, TellingState(), [cold, *steps], cold.at_ms - 1, at("10 22:00"), "o", seen)
    assert [row[0] for row in brief([one for one in letters if one.sort == "situation"])] == ["10 12:30", "10 18:30"]
