"""Which kind of news a letter brings, how long it waits and how many there are a day, each at its border, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from advice_scenes import situation
from telling_scenes import NOON, WATCH, alarm, at

from rules.climate.course import Presents
from rules.climate.memory import Account, PlaceMemory
from rules.telling.ledger import Ledger
from rules.telling.pressing import Group, Pressing
from rules.telling.state import Heard, Owed, TellingState, Thread
from rules.telling.table import ROWS, Row
from rules.terms.advised import Action
from rules.terms.condition_changes import Harm
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent

ROW: dict[str, Row] = {row.news: row for row in ROWS}


class Scene:
    """Place `a` at an instant: what is heard, owed, advised and believed there."""

    def __init__(self, at_ms: int = NOON, **figures: Any) -> None:
        harm = figures.pop("harm", None)
        t, rh = figures.pop("t", 26.0), figures.pop("rh", 80.0)
        now = situation(t, rh, temperature_read_ms=at_ms, humidity_read_ms=at_ms, **figures)
        self.memory = PlaceMemory(
            since_ms=at_ms, present=now, temperature_c=t, relative_humidity_pct=rh,
            harm={} if harm is None else {harm.kind: Account(judged=harm)},
        )  # fmt: skip
        self.at_ms, self.state = at_ms, TellingState(round_date="2026-03-10")
        self.thread = self.state.threads["situation.a"] = Thread(number=1, open=True, told_ms=at_ms - HOUR_MS)

    def heard(self, name: str = "temperature-high", *, told: bool = True, **more: Any) -> Heard:
        kept = {key: more.pop(key) for key in ("told_priority", "told_ms", "letter_value", "letter_value_ms") if key in more}
        one = Heard(alarm(name, **{"at_ms": self.at_ms} | more), told=told, **kept)
        self.state.heard[f"{one.latest.chamber}/{name}"] = one
        return one

    def asks(self, name: str = "a.1", *, sent: bool = False, **more: Any) -> AdviceEvent:
        body: dict[str, Any] = {
            "status": "given", "device": "heater", "change": "less", "amount": 1.0, "unit": "K", "reason": "it",
            "urgency": "today", "actions": (Action("heater", "less", 1.0, "K", "Turn the heat down"),),
        }
        event = AdviceEvent(id=name, at_ms=self.at_ms, chamber="a", advisory=name, **body | more)
        self.state.advice["a"] = event
        if sent:
            self.state.advice_sent["a"] = event
        return event

    def owes(self, *about: AlarmEvent | AdviceEvent, priority: Any = "today", sort: Any = "situation", **more: Any) -> Owed:
        owed = Owed("a", sort, priority, "now", **{"at_ms": self.at_ms} | more, about=list(about))
        self.state.owed[f"owed-{len(self.state.owed)}"] = owed
        return owed

    @property
    def pressing(self) -> Pressing:
        return Pressing(Ledger(WATCH, self.state, Presents(before={"a": self.memory})))

    def group(self, sort: Any = "situation", *, wakes: bool = False) -> Group:
        return Group("a", sort, tuple(self.state.owed), wakes)

    def news(self) -> str:
        return self.pressing.row_of(self.group(), self.thread, self.at_ms).news


# ---------------------------------------------------------------- which news it is


def test_what_is_graver_than_the_thread_is_graver_and_what_is_as_grave_goes_by_its_own_row() -> None:
    for told_rank, news in ((2, "sign"), (1, "graver")):  # digest 0, morning 1, today 2, wake 3
        scene = Scene()
        scene.thread.rank = told_rank
        scene.owes(alarm())
        assert scene.news() == news


@pytest.mark.parametrize(("since_closed_ms", "news"), [(6 * HOUR_MS, "sign"), (6 * HOUR_MS + 1, "graver")])
def test_six_hours_after_its_end_a_situation_is_a_new_one(since_closed_ms: int, news: str) -> None:
    scene = Scene()
    scene.thread.rank, scene.thread.closed_ms = 3, NOON - since_closed_ms
    scene.owes(alarm())
    assert scene.news() == news


@pytest.mark.parametrize(("more", "told", "news"), [
    ({"level": "harmful"}, False, "new-harm"), ({"level": "harmful"}, True, "same"),
    ({"level": "harmful", "value": 29.7}, True, "worse"),  # 29.0 was told, and 0.6 K further is more than noise
    ({"change": "worsened", "value": 29.7}, True, "worse"), ({"change": "escalated"}, True, "same"),
    ({"change": "worsened", "worse": "mark"}, True, "mark"), ({"change": "returned", "level": None}, True, "sign"),
    ({"change": "held", "level": None}, True, "other"),
])  # fmt: skip
def test_an_alarm_is_news_by_what_a_letter_has_told_of_its_figure(more: dict[str, Any], told: bool, news: str) -> None:
    scene = Scene()
    scene.thread.rank = 3
    scene.heard(told=told, letter_value=29.0, letter_value_ms=NOON)
    scene.owes(alarm(**{"value": 29.2} | more))
    assert scene.news() == news


def test_a_figure_is_told_by_any_alarm_of_it_in_the_same_chamber() -> None:
    for name, news in (("heater-runaway", "same"), ("humidity-low", "new-harm")):
        scene = Scene()
        scene.thread.rank = 3
        scene.heard(name)
        scene.owes(alarm(level="harmful", value=28.2))
        assert scene.news() == news


@pytest.mark.parametrize(("more", "told_priority", "called"), [
    ({}, "today", True), ({"priority": "today"}, "today", False), ({"change": "raised"}, "today", False),
    ({}, "wake", False),  # told so, and its last hour is not begun
    ({"worse": "time", "seconds_left": 3600.0}, "wake", True), ({"worse": "time", "seconds_left": 3601.0}, "wake", False),
    ({"worse": "time", "seconds_left": 1801.0}, "wake", True), ({"worse": "time", "seconds_left": 1800.0}, "wake", False),
    ({"worse": "priority", "seconds_left": 3600.0}, "wake", False), ({"worse": "time", "seconds_left": None}, "wake", False),
])  # fmt: skip
def test_the_last_call_is_what_has_come_to_wake_or_its_last_hour(
    more: dict[str, Any], told_priority: Any, called: bool
) -> None:
    scene = Scene()
    scene.heard("temperature-low", told_priority=told_priority)
    grave = alarm("temperature-low", **{"change": "worsened", "priority": "wake", "at_ms": NOON} | more)
    assert scene.pressing._is_last_call(grave) is called


@pytest.mark.parametrize(("minutes", "news"), [(29, "same"), (30, "graver")])
def test_one_more_figure_of_a_heat_that_was_just_told_is_no_call(minutes: int, news: str) -> None:
    scene = Scene()
    scene.thread.rank, scene.thread.told_ms = 3, NOON - minutes * MINUTE_MS
    scene.heard(told_priority="today")
    scene.owes(alarm(change="worsened", priority="wake"), priority="wake")
    assert scene.news() == news


@pytest.mark.parametrize(("minutes", "anew"), [(119, False), (120, True)])
def test_what_fails_once_more_after_two_hours_is_new(minutes: int, anew: bool) -> None:
    scene = Scene()
    scene.heard("heater-failed", told_ms=NOON - minutes * MINUTE_MS)
    assert scene.pressing._began_anew(alarm("heater-failed"), "a") is anew
    assert not scene.pressing._began_anew(alarm("heater-failed", change="worsened"), "a")
    assert not scene.pressing._began_anew(alarm("temperature-low"), "a")  # which is never sudden


def test_what_fails_for_the_first_time_is_new_unless_the_same_harm_was_told_with_all_that_is_advised() -> None:
    for sent, other, anew in ((True, "temperature-low", False), (False, "temperature-low", True), (True, "humidity-low", True)):
        scene = Scene()
        scene.heard(other, told_ms=NOON - HOUR_MS)
        scene.asks(sent=sent)
        assert scene.pressing._began_anew(alarm("heater-failed"), "a") is anew
    assert Scene().pressing._began_anew(alarm("heater-failed"), "a")


@pytest.mark.parametrize(("minutes", "news"), [(59, "other"), (60, "step")])
def test_what_is_advised_within_an_hour_of_a_look_at_the_lid_is_the_answer_to_it(minutes: int, news: str) -> None:
    scene = Scene()
    scene.thread.rank = 3
    scene.state.looked_ms["a"] = NOON - minutes * MINUTE_MS
    scene.owes(scene.asks(status="updated"))
    assert scene.news() == news


@pytest.mark.parametrize(("sent_change", "answered_ms", "urgency", "news"), [
    ("check", None, "wake", "step"), ("less", None, "wake", "other"), (None, None, "wake", "other"),
    ("check", NOON - HOUR_MS, "wake", "other"),  # answered since the last letter, which was an hour ago
    ("check", NOON - HOUR_MS - 1, "wake", "step"), ("less", None, "today", "step"),
])  # fmt: skip
def test_another_step_waits_where_a_look_was_asked_for_first_or_it_is_not_urgent(
    sent_change: str | None, answered_ms: int | None, urgency: Any, news: str
) -> None:
    scene = Scene()
    scene.thread.rank, scene.thread.answered_ms = 3, answered_ms
    if sent_change is not None:
        scene.asks("a.0", sent=True, change=sent_change)
    scene.owes(scene.asks(status="updated", urgency=urgency), priority=urgency)
    assert scene.news() == news


def test_a_step_that_answers_what_has_come_up_counts_as_something_else() -> None:
    scene = Scene()
    scene.thread.rank = 3
    scene.owes(scene.asks(status="updated"))
    assert scene.news() == "step"
    scene.owes(alarm("humidity-low", value=69.0))  # a sign
    assert scene.news() == "other"


# ---------------------------------------------------------------- how long it waits


@pytest.mark.parametrize(("left_h", "minutes"), [
    (4.0, 90), (3.0, 90), (2.0, 60), (1.0, 30), (0.5, 30), (None, 90),  # from half an hour to one and a half
])  # fmt: skip
def test_what_is_worse_waits_for_half_of_the_time_that_is_left(left_h: float | None, minutes: int) -> None:
    left_s = None if left_h is None else left_h * 3600.0
    scene = Scene(harm=Harm("heat", 0.1, left_s, left_s, "serious", False, True, at_ms=NOON))
    owed = scene.owes(alarm(harm_used=0.1, value=30.0))
    assert scene.pressing._pace_ms(ROW["worse"], [owed], NOON) == minutes * MINUTE_MS
    assert scene.pressing._pace_ms(ROW["sign"], [owed], NOON) == 60 * MINUTE_MS


@pytest.mark.parametrize(("value", "used", "hours"), [(29.7, 0.5, 2), (29.5, 0.5, 4), (29.7, 1.5, 4)])
def test_the_next_try_of_the_same_step_waits_half_as_long_while_it_goes_on(value: float, used: float, hours: int) -> None:
    harm = Harm("heat", used, 3600.0, 3600.0, "serious", False, True, at_ms=NOON)
    scene = Scene(t=value, harm=harm)
    scene.heard(letter_value=29.0, letter_value_ms=NOON, harm_used=used)
    owed = scene.owes(scene.asks())
    assert scene.pressing._pace_ms(ROW["repeat"], [owed], NOON) == hours * HOUR_MS


def waits(scene: Scene, row: str, sort: Any = "situation") -> float | None:
    """Return in how many minutes from now it goes out by itself."""
    until_ms = scene.pressing._waits_until_ms(ROW[row], scene.group(sort), scene.thread, scene.at_ms)
    return None if until_ms is None else (until_ms - scene.at_ms) / MINUTE_MS


def test_without_a_letter_in_the_thread_or_for_a_mark_or_an_all_clear_nothing_is_waited_for() -> None:
    scene = Scene()
    scene.owes(alarm())
    assert (waits(scene, "mark"), waits(scene, "sign", "all-clear")) == (None, None)
    scene.thread.open = False
    assert waits(scene, "sign") is None
    scene.thread.open, scene.thread.told_ms = True, None
    assert waits(scene, "sign") is None


def test_a_sign_waits_for_an_hour_after_the_letter_that_said_what_to_do() -> None:
    scene = Scene()
    scene.thread.told_ms = NOON - 50 * MINUTE_MS
    scene.owes(alarm("humidity-low"))
    assert waits(scene, "sign") == (HOUR_MS - NOON) / MINUTE_MS  # nothing was asked or answered: it is long over
    scene.asks(sent=True)
    assert waits(scene, "sign") == 60  # as news it could go in ten minutes, but goes within the hour of the next letter
    scene.thread.told_ms = NOON - 61 * MINUTE_MS
    assert waits(scene, "sign") == -1
    assert waits(scene, "box") == 60


def test_what_was_done_gets_its_time_and_nothing_waits_longer_than_its_row() -> None:
    scene = Scene()
    scene.thread.told_ms, scene.thread.answered_ms = NOON - 5 * HOUR_MS, NOON - 20 * MINUTE_MS
    scene.asks(sent=True)
    scene.owes(alarm("humidity-low"))
    assert waits(scene, "sign") == 60  # twenty of its sixty minutes are over
    scene.state.owed["owed-0"].at_ms = NOON - 30 * MINUTE_MS
    assert waits(scene, "sign") == 30
    scene.thread.answered_ms = None
    assert waits(scene, "same") == -60  # four hours after the letter
    scene.thread.told_ms = NOON - 10 * MINUTE_MS
    assert waits(scene, "same") == 210  # 230 after the letter, but 240 since it came up at the most


@pytest.mark.parametrize(("clock", "until"), [
    ("12:00", "13:00"), ("21:20", "22:20"),  # with the next letter, an hour later
    ("21:40", None), ("22:05", None),  # an hour before the quiet hours at the latest
])  # fmt: skip
def test_a_step_does_not_wait_into_the_night(clock: str, until: str | None) -> None:
    """What was advised by day and told in the morning was a twelfth of all hours out of band (foreign simulations)."""
    scene = Scene(at(f"10 {clock}"))
    scene.thread.rank, scene.thread.told_ms = 3, scene.at_ms - 5 * MINUTE_MS
    scene.asks("a.0", sent=True)
    scene.owes(scene.asks(status="updated"))
    assert scene.news() == "step"
    expected = (None, None) if until is None else ("next", at(f"10 {until}"))
    assert scene.pressing.waits_for(scene.group(), scene.at_ms) == expected


@pytest.mark.parametrize(("mark_min", "waited"), [(29, 15), (30, None)])
def test_a_reminder_of_cold_waits_a_quarter_of_an_hour_for_a_mark_within_half_an_hour(
    mark_min: int, waited: float | None
) -> None:
    harm = Harm("cold", 0.2, 9e5, 9e5, "severe", False, True, at_ms=NOON, mark_left_s=mark_min * 60.0)
    scene = Scene(t=16.0, harm=harm)
    scene.heard("temperature-low", letter_value=16.5)
    scene.owes(alarm("temperature-low"), sort="reminder")
    assert waits(scene, "reminder", "reminder") == (-NOON / MINUTE_MS if waited is None else waited)


@pytest.mark.parametrize(("letter", "now_c", "near"), [(15.1, 15.0, True), (15.0, 14.9, False), (15.2, 15.1, False)])
def test_a_mark_that_is_just_passed_is_near_though_the_account_does_not_know_it_yet(
    letter: float, now_c: float, near: bool
) -> None:
    harm = Harm("cold", 0.2, 9e5, 9e5, "severe", False, True, at_ms=NOON)
    scene = Scene(t=now_c, harm=harm)
    one = scene.heard("temperature-low", letter_value=letter)
    assert scene.pressing.settled._nears_mark(one, NOON) is near


def test_no_mark_is_near_of_what_comes_back_of_a_lid_or_in_heat() -> None:
    body: dict[str, Any] = {"at_ms": NOON, "mark_left_s": 60.0}
    for name, harm, near in (
        ("temperature-low", Harm("cold", 0.2, 9e5, 9e5, "severe", False, True, **body), True),
        ("temperature-low", Harm("cold", 0.2, 9e5, 9e5, "severe", False, False, **body), False),
        ("lid-dew", Harm("water", 0.2, 9e5, 9e5, "severe", False, True, **body), False),
        ("temperature-high", Harm("heat", 0.2, 9e5, 9e5, "severe", False, True, **body), False),
    ):
        scene = Scene(harm=harm)
        scene.heard(name)
        assert scene.pressing.settled.is_near_mark("a", NOON) is near


@pytest.mark.parametrize(("minutes", "priority", "name", "follows"), [
    (59, "today", "humidity-low", True), (60, "today", "humidity-low", False), (59, "wake", "humidity-low", False),
    (59, "today", "temperature-low", False),
])  # fmt: skip
def test_the_air_of_a_box_that_cools_fast_is_told_with_it_within_the_hour(
    minutes: int, priority: Any, name: str, follows: bool
) -> None:
    scene = Scene(t=25.0, temperature_slope_k_h=-2.5)
    owed = scene.owes(alarm(name), priority=priority, at_ms=NOON - minutes * MINUTE_MS)
    assert scene.pressing._follows_heat([owed], NOON) is follows


# ---------------------------------------------------------------- how many a day


def enough(scene: Scene, row: str, *, wakes: bool = False) -> bool:
    sort = "reminder" if row == "reminder" else "situation"
    return scene.pressing._is_enough(ROW[row], scene.group(sort, wakes=wakes), scene.thread, scene.at_ms)


def rests_min(scene: Scene, row: str, sort: str = "situation") -> float:
    return (scene.pressing._rests_until_ms(ROW[row], scene.group(sort), scene.thread, NOON) - NOON) / MINUTE_MS


def brought(scene: Scene, letters: int) -> None:
    """So many letters, the last one just now and the others in the hours before."""
    scene.heard("humidity-high", told_ms=NOON)
    scene.thread.told_ms = scene.thread.asked_ms = NOON
    scene.thread.letters_ms = [NOON - hour * HOUR_MS for hour in range(letters)]


@pytest.mark.parametrize(("letters", "is_enough"), [(3, False), (4, True)])
def test_four_letters_within_a_day_that_are_no_worse_are_enough(letters: int, is_enough: bool) -> None:
    scene = Scene()
    scene.owes(alarm("humidity-high"))
    hours = [NOON - hour * HOUR_MS for hour in range(1, letters + 1)]
    scene.thread.calm_ms = hours
    assert enough(scene, "sign") is is_enough
    assert not enough(scene, "worse")  # which is never counted
    scene.thread.calm_ms, scene.thread.reminded_ms = hours[1:], hours[:1]  # reminders count among them
    assert enough(scene, "sign") is is_enough
    scene.thread.calm_ms = [*hours[1:-1], NOON - DAY_MS]  # a whole day ago is no more
    assert not enough(scene, "sign")
    scene.state.owed.clear()
    scene.owes(alarm("humidity-high"), priority="wake")
    scene.thread.calm_ms = hours
    assert not enough(scene, "sign")


@pytest.mark.parametrize(("letters", "hours"), [(1, 0), (2, 2), (3, 4), (4, 8), (5, 8)])
def test_the_more_letters_a_day_brought_the_longer_one_waits_that_is_no_worse(letters: int, hours: float) -> None:
    """One morning brought a keeper eleven letters about one heat wave (foreign simulation)."""
    scene = Scene()
    brought(scene, letters)
    owed = scene.owes(alarm("humidity-high"))
    assert (rests_min(scene, "sign"), rests_min(scene, "other")) == (60.0 * hours, 60.0 * min(hours, 4))
    assert all(rests_min(scene, row) < 0 for row in ("mark", "new-harm", "graver", "worse"))  # which never wait
    owed.priority = "wake"
    assert all(rests_min(scene, row) < 0 for row in ("sign", "other", "reminder"))  # nor does what wakes
    owed.sort = "all-clear"  # of what woke: it makes no other news urgent
    assert rests_min(scene, "sign") == 60.0 * hours
    owed.priority, owed.sort = "today", "situation"
    scene.thread.letters_ms = [NOON, *(NOON - DAY_MS for _ in range(4))]  # of a whole day ago no more
    assert rests_min(scene, "sign") == 0


@pytest.mark.parametrize(("letters", "waits"), [(1, (None, None)), (2, ("digest", None))])
def test_the_end_of_what_brought_letters_is_told_by_the_digest(letters: int, waits: tuple[str | None, int | None]) -> None:
    """A tenth of all letters said that a trouble is over of which the day had told twice and more (foreign simulations)."""
    scene = Scene()
    brought(scene, letters)
    scene.owes(alarm(change="returned", condition="normal", level=None), sort="all-clear")
    assert scene.pressing.waits_for(scene.group("all-clear"), NOON) == waits


def test_who_said_what_is_on_the_lid_waits_for_no_answer() -> None:
    scene = Scene()
    brought(scene, 5)
    scene.owes(scene.asks())
    assert rests_min(scene, "other") == 240
    scene.thread.asked_ms = NOON - DAY_MS  # the first step of a day waits for none either
    assert rests_min(scene, "other") < 0
    scene.thread.asked_ms = NOON
    scene.state.looked_ms["a"] = NOON - HOUR_MS + 1
    assert rests_min(scene, "other") < 0


@pytest.mark.parametrize(("row", "hours", "waits_h"), [
    ("sign", 24, 24), ("repeat", 24, 24), ("sign", 23, 0), ("other", 24, 0),
])  # fmt: skip
def test_what_nobody_has_done_for_a_day_is_asked_for_once_a_day(row: str, hours: int, waits_h: int) -> None:
    """Air that was too dry each evening and each morning was a letter each time, with the same step, to who writes nothing
    (foreign simulation)."""
    scene = Scene()
    brought(scene, 1)
    scene.thread.news_ms = NOON - hours * HOUR_MS
    scene.asks("a.0", sent=True)
    scene.owes(alarm("humidity-high"))
    assert rests_min(scene, row) == 60 * waits_h
    scene.state.advice_sent.clear()  # or asked for anew
    assert rests_min(scene, row) == 0


@pytest.mark.parametrize(("told_h", "priority", "is_enough"), [
    (None, "today", False), (2, "today", True), (24, "today", False), (None, "morning", True),
])  # fmt: skip
def test_the_first_cold_of_a_day_is_told_however_many_letters_its_heat_had(told_h, priority, is_enough) -> None:
    """A box whose heater had run away and was out stood at 21 degC from noon on, and the letter came at 19:00 (foreign
    simulation)."""
    scene = Scene()
    scene.heard(told=False, told_ms=NOON - 2 * HOUR_MS)  # of heat, which is over
    if told_h is not None:
        scene.heard("temperature-low", told=False, told_ms=NOON - told_h * HOUR_MS)
    scene.owes(alarm("temperature-low", priority=priority))
    scene.thread.calm_ms = [NOON - hour * HOUR_MS for hour in range(1, 5)]
    assert enough(scene, "sign") is is_enough
    scene.thread.told_ms, scene.thread.letters_ms = NOON, scene.thread.calm_ms
    assert (rests_min(scene, "sign") > 0) is is_enough


@pytest.mark.parametrize(("news_day", "reminded", "is_enough"), [
    ("10 06:00", 2, False), ("10 06:00", 3, True), ("9 12:00", 0, False), ("9 12:00", 1, True),
])  # fmt: skip
def test_on_the_date_of_the_news_three_reminders_are_enough_and_one_on_each_later_date(
    news_day: str, reminded: int, is_enough: bool
) -> None:
    scene = Scene()
    scene.owes(alarm(), sort="reminder")
    scene.thread.news_ms = at(news_day)
    scene.thread.reminded_ms = [NOON - hour * HOUR_MS for hour in range(1, reminded + 1)] + [at("9 11:00")]
    assert enough(scene, "reminder") is is_enough
    scene.heard(letter_value=25.0, letter_value_ms=NOON)  # it goes on: a kelvin further than the letter said
    assert not enough(scene, "reminder")


@pytest.mark.parametrize(("clock", "is_enough"), [("10 05:59", False), ("10 06:00", True)])
def test_what_says_nothing_new_goes_with_a_digest_within_two_hours(clock: str, is_enough: bool) -> None:
    scene = Scene(at(clock))
    scene.state.round_date = "2026-03-09"  # the next is at 08:00
    scene.owes(alarm(), sort="reminder")
    assert enough(scene, "reminder") is is_enough
    assert not enough(scene, "repeat")


def test_beyond_repair_one_letter_a_day_is_enough_of_what_does_not_count_as_worse() -> None:
    scene = Scene()
    scene.thread.beyond_devices, scene.thread.told_ms = True, NOON - DAY_MS + 1
    scene.heard("humidity-low")
    scene.owes(alarm("humidity-low"))
    assert enough(scene, "sign")
    assert not enough(scene, "worse")
    scene.thread.told_ms = NOON - DAY_MS
    assert not enough(scene, "sign")
    scene.thread.told_ms, scene.thread.turned = NOON - HOUR_MS, ["heater:less"]
    scene.asks(beyond_devices=True)
    assert enough(scene, "sign")
    scene.thread.turned = []  # one more device to turn
    assert not enough(scene, "sign")
    pack, look = Action("room", "less", None, None, "Stand a cool pack"), Action("lid", "check", None, None, "Look at the lid")
    for turned, is_enough in ((["Cool the room"], False), (["Stand a cool pack"], True)):
        # At 30.1 °C a cool pack was in no letter for 14 hours, since "cool the room" had been (foreign simulation).
        scene.thread.turned = turned
        scene.asks(beyond_devices=True, device="room", actions=(pack, look))
        assert enough(scene, "sign") is is_enough
    scene.thread.turned = ["heater:less", "fan:more"]
    scene.asks()  # advice that can repair it
    assert not enough(scene, "sign")


def test_beyond_repair_a_harm_of_which_nothing_was_told_is_told() -> None:
    for standing, is_enough in (("temperature-low", False), ("humidity-low", True)):
        scene = Scene()
        scene.thread.beyond_devices, scene.thread.told_ms = True, NOON - HOUR_MS
        scene.heard(standing)
        scene.owes(alarm("humidity-low"))
        assert enough(scene, "sign") is is_enough
    scene.state.owed.clear()
    scene.state.heard.clear()
    scene.owes(alarm("humidity-low", change="worsened"))
    assert enough(scene, "sign")


# ---------------------------------------------------------------- at night


@pytest.mark.parametrize(("row", "wakes", "called_h", "may"), [
    ("worse", False, None, True), ("same", True, 1.0, False), ("reminder", True, 2.0, True), ("reminder", True, 2.1, False),
    ("reminder", True, None, False), ("reminder", False, 1.0, False), ("repeat", True, 1.0, False),
])  # fmt: skip
def test_what_says_nothing_new_breaks_the_night_only_to_call_who_does_not_answer(
    row: str, wakes: bool, called_h: float | None, may: bool
) -> None:
    scene = Scene(at("10 23:30"))
    scene.thread.news_ms = None if called_h is None else scene.at_ms - round(called_h * HOUR_MS)
    scene.owes(alarm())
    group = scene.group(wakes=wakes)
    assert scene.pressing._may_at_night(ROW[row], group, scene.thread, scene.at_ms) is may
    scene.heard(letter_value=25.0, letter_value_ms=scene.at_ms)  # it goes on
    goes_on = may or (wakes and not ROW[row].new)
    assert scene.pressing._may_at_night(ROW[row], group, scene.thread, scene.at_ms) is goes_on


def test_a_letter_is_kept_as_reminder_or_calm_only_where_it_is() -> None:
    for row, kept in (("reminder", (1, 0)), ("sign", (0, 1)), ("worse", (0, 0))):
        scene = Scene()
        scene.thread.rank = 3
        if row == "worse":
            scene.heard(letter_value=27.0, letter_value_ms=NOON)
            scene.owes(alarm(change="worsened"))
        else:
            scene.owes(alarm("humidity-high"), sort="reminder" if row == "reminder" else "situation")
        assert scene.news() == row
        scene.pressing.note(scene.group(), scene.thread, NOON)
        assert (len(scene.thread.reminded_ms), len(scene.thread.calm_ms)) == kept


NIGHT = at("10 23:30")


@pytest.mark.parametrize(("more", "better"), [
    ({}, True), ({"seconds_left": 3600.0}, False), ({"seconds_left": 3600.0, "suppression": "by-design"}, False),
    ({"seconds_left": 3600.0, "suppression": "shelved"}, True), ({"seconds_left": 3600.0, "condition": "normal"}, True),
])  # fmt: skip
def test_what_was_put_off_waits_for_the_morning_where_all_that_stands_lasts_the_night(
    more: dict[str, Any], better: bool
) -> None:
    scene = Scene(NIGHT, t=29.0, rh=50.0)
    scene.heard(value=29.0, seconds_left=9 * 3600.0)
    if more:
        scene.heard("humidity-low", value=50.0, since_ms=NIGHT - HOUR_MS, **more)
    owed = scene.owes(alarm(), alarm="a/temperature-high")
    assert scene.pressing._has_got_better([owed], NIGHT) is better
    assert not scene.pressing._has_got_better([replace(owed, priority="wake")], NIGHT)
    assert not scene.pressing._has_got_better([replace(owed, alarm="")], NIGHT)  # advice that may disturb as it is given
    put_off = replace(owed, alarm="", again_ms=NIGHT)  # but not once it has waited
    assert scene.pressing._has_got_better([owed, put_off, replace(owed, alarm="", sort="all-clear")], NIGHT) is better


@pytest.mark.parametrize("other", ["0", "z"])
def test_what_stands_elsewhere_changes_nothing_here(other: str) -> None:
    """A box before it in the alphabet and one behind it, in which heat kills."""
    scene = Scene(NIGHT, t=28.4)
    scene.heard(value=28.4, told_ms=NIGHT - 3 * HOUR_MS, letter_value=28.4, letter_value_ms=NIGHT)
    owed = scene.owes(alarm(), alarm="a/temperature-high")

    def found() -> list[Any]:
        pressing, settled = scene.pressing, scene.pressing.settled
        return [
            pressing._has_got_better([owed], NIGHT), settled.is_settled("a", NIGHT), settled.goes_on("a", NIGHT),
            settled.all_come_back("a", NIGHT), settled.is_late("a", NIGHT), settled.is_near_mark("a", NIGHT),
            pressing._began_anew(alarm("heater-runaway", at_ms=NIGHT), "a"), pressing._figure_told(alarm("humidity-low"), "a"),
            settled.has_gone_on(alarm(value=29.2)), [one.latest.chamber for one in scene.state.standing("a")],
        ]  # fmt: skip

    alone = found()
    assert alone == [True, True, False, False, False, False, True, False, True, ["a"]]
    loud: dict[str, Any] = {"chamber": other, "priority": "wake", "level": "harmful", "value": 36.0, "seconds_left": 60.0}
    for name in ("temperature-high", "heater-runaway", "humidity-low", "lid-open"):
        scene.heard(name, told_ms=NIGHT - MINUTE_MS, letter_value=40.0, letter_value_ms=NIGHT + 1, harm_used=1.6, **loud)
    assert found() == alone
