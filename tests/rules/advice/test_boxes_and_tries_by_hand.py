"""Several boxes in one trouble, and what was tried before, by hand: whose turn it is, when marks come, what is at work."""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import Any

import pytest
from advice_scenes import NOON_MS, devices, later, settings_of, situation, standing

from rules.advice.advisory import consider
from rules.advice.again import may_stand
from rules.advice.boxes import _how_late, in_order, in_turn, marks_ahead, moved_with, names, pace_h, told_by_another
from rules.advice.done import owed, taken_back
from rules.advice.model import cooling_h, prior_model
from rules.advice.quiet import at_work
from rules.advice.state import AdviceState, BeforeDone, Gain, OpenAdvice, ToldMove
from rules.advice.tried import counted, in_vain, stands_still, stood_already
from rules.climate.situation import Beside, Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber
from rules.terms.condition_changes import Harm
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade.acts import ACTS

BOX = Chamber(devices=devices(setpoint_c=25.5))
MODEL = prior_model(BOX)
TAU_H = cooling_h(MODEL)[0]


def beside(name: str, t: float | None = 20.0, **more: Any) -> Beside:
    body: dict[str, Any] = {"harm": "cold", "time_constant_h": 3.0, "spread": 1.5, "slope_k_h": 0.0, "left_s": None} | more
    harm, *figures = body.values()
    return Beside(name, name.title(), harm, t, *figures)


# ---------------------------------------------------------------- how fast, and until when


@pytest.mark.parametrize(
    ("t", "room_c", "slope", "hours"),
    [
        (20.0, 10.0, -0.5, (20.0, 2.0, 26.0)),  # it falls by a twentieth of its lead; a factor of 1.3, and its walls' 3 / 1.5 h
        (20.0, 10.0, -0.49, (3.0, 2.0, 4.5)),  # too slow to tell
        (20.0, 10.0, -5.0, (2.0, 2.0 / 1.3, 4.5)), (12.0, 10.0, -0.5, (4.0, 2.0, 5.2)), (11.9, 10.0, -0.5, (3.0, 2.0, 4.5)),
        (20.0, None, -2.0, (3.0, 2.0, 4.5)), (None, 10.0, -2.0, (3.0, 2.0, 4.5)),
    ],
)  # fmt: skip
def test_a_box_that_plainly_falls_tells_its_own_pace(
    t: float | None, room_c: float | None, slope: float, hours: tuple[float, float, float]
) -> None:
    assert pace_h(beside("south", t, slope_k_h=slope), room_c) == pytest.approx(hours)


@pytest.mark.parametrize(
    ("now_c", "end_c", "found"),
    [
        (20.0, 6.0, [(15.0, log(14.0 / 9.0)), (10.0, log(14.0 / 4.0))]), (20.0, 12.0, [(15.0, log(8.0 / 3.0))]),
        (14.0, 6.0, [(10.0, log(2.0))]), (20.0, 9.75, [(15.0, log(10.25 / 5.25))]),
        (20.0, 9.6, [(15.0, log(10.4 / 5.4)), (10.0, log(10.4 / 0.4))]), (20.0, 20.0, []), (20.0, 25.0, []),
        (8.0, 18.0, [(15.0, log(10.0 / 3.0)), (10.0, log(10.0 / 8.0))]),
    ],
)  # fmt: skip
def test_a_mark_is_passed_by_newtons_law_and_none_is_told_that_lies_at_the_very_end(
    now_c: float, end_c: float, found: list[tuple[float, float]]
) -> None:
    assert marks_ahead(now_c, end_c) == [(mark, pytest.approx(shares)) for mark, shares in found]


# ---------------------------------------------------------------- whose turn it is


def together(*others: Beside, t: float = 20.0, left_s: float | None = None) -> Situation:
    harm = () if left_s is None else (Harm("cold", 0.1, left_s, left_s, "serious", acute=False, going_away=True),)
    return situation(t, 80.0, 8.0, besides=others, harm=harm)


def order(now: Situation) -> list[str]:
    return [one.chamber for one in in_order(now, "cold", BOX, MODEL)]


def test_the_least_time_left_comes_first_then_who_has_fewest_marks_left_then_who_is_there_sooner() -> None:
    assert order(together(beside("south", left_s=100.0), left_s=200.0)) == ["south", "north"]
    assert order(together(beside("south", left_s=300.0), left_s=200.0)) == ["north", "south"]
    assert order(together(beside("south"), left_s=9e9)) == ["north", "south"]  # of the other nothing is known
    assert order(together(beside("south", 14.0), t=20.0)) == ["south", "north"]  # one mark is passed
    assert order(together(beside("south", 9.0), beside("east", 14.0), t=20.0)) == ["south", "east", "north"]
    assert order(together(beside("south", 16.0), t=22.0)) == ["south", "north"]
    assert order(together(beside("south", 22.0, time_constant_h=9.0), t=16.0)) == ["north", "south"]
    assert order(together(beside("south", 20.0, time_constant_h=TAU_H / 2.0))) == ["south", "north"]
    assert order(together(beside("south", 20.0, harm="heat"))) == ["north"]
    assert [one.chamber for one in moved_with(together(beside("south"), beside("east", harm="heat")), "cold")] == ["south"]


def test_without_a_room_a_box_is_taken_to_end_a_kelvin_below_its_next_mark() -> None:
    """From 20 degC with 15 next: towards 14, so 3 h x ln(6 / 1)."""
    _, hours = _how_late(beside("south", 20.0), situation(20.0, 80.0, None, None))
    assert hours == pytest.approx(3.0 * log(6.0))


def test_one_box_tells_it_for_all_that_with_the_smallest_store_of_heat() -> None:
    now = together()
    rows = ((TAU_H - 0.1, "south", True), (TAU_H + 0.1, "south", False), (TAU_H, "south", False), (TAU_H, "a", True))
    for hours, name, other in rows:
        assert told_by_another([beside(name, time_constant_h=hours)], now, MODEL) is other
    assert not told_by_another([], now, MODEL)


def test_a_box_that_is_cold_beside_others_and_was_not_seen_for_hours_is_not_left_to_its_rise() -> None:
    """Its dial was to be turned up; seen again after a gap it rose with its mat, and that was withdrawn ten
    minutes later for a warmth that came to all boxes together (attack from outside)."""
    told = replace(done(knob="heater", done_ms=None), cell=5)
    now = replace(together(beside("another", time_constant_h=0.1), t=22.5), temperature_slope_k_h=3.0)
    stands = {"temperature-low": standing("temperature-low", since_ms=NOON_MS - 5 * HOUR_MS)}
    _, events = consider(settings_of(BOX), "north", AdviceState(open=told), now, stands, "test")
    assert "withdrawn" not in [event.status for event in events]


def test_four_boxes_are_named_in_their_turn_and_the_others_are_counted() -> None:
    boxes = [beside(name) for name in ("south", "east", "west", "attic", "cellar", "shed")]
    words = in_turn(("check-room-power", "warm-now"), boxes[:2], ("warm-now",))
    assert list(words) == ["warm-now"] and words["warm-now"].startswith("One box after the other, first South, then East: ")
    assert "then Attic: " in in_turn(("warm-now",), boxes[:4], ("warm-now",))["warm-now"]
    assert "then Attic, then the other 2: " in in_turn(("warm-now",), boxes, ("warm-now",))["warm-now"]
    assert in_turn(("warm-now",), boxes[:1], ("warm-now",)) == {} == in_turn(("other",), boxes, ("warm-now",))
    now = together()
    assert names(now, boxes[:2]) == ("south", "east", "north") and names(now, [beside("north")]) == () == names(now, [])
    assert names(now, [beside("north"), beside("south")]) == ("north", "south")


# ---------------------------------------------------------------- what was done, and whether it helped


def done(branch: str = "cell", knob: str = "vents", **more: Any) -> OpenAdvice:
    body: dict[str, Any] = {"start_c": 25.0, "start_pct": 70.0, "done_ms": NOON_MS} | more
    return OpenAdvice(
        "north-1", branch, 1, None, False, "today", NOON_MS, NOON_MS, NOON_MS + 6 * HOUR_MS, [f"{knob}:more"], [1.0],
        [ToldMove("x", knob, knob, 1.0, 1.0, "x")], **body,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("t", "since_min", "priority", "stood"),
    [
        (25.5, 0.0, "wake", True), (25.6, 0.0, "wake", False), (25.5, 0.1, "wake", False), (27.0, 9.0, "today", True),
    ],
)  # fmt: skip
def test_the_next_try_is_one_where_all_that_wakes_stood_and_is_no_worse(
    t: float, since_min: float, priority: str, stood: bool
) -> None:
    stands = {"x": standing("temperature-high", since_ms=NOON_MS + round(since_min * MINUTE_MS), priority=priority)}
    assert stood_already(done(), situation(t, 70.0), stands) is stood
    assert not stood_already(done(done_ms=None), situation(t, 70.0), stands)


@pytest.mark.parametrize(
    ("t", "rh", "alarm"),
    [(25.5, 66.0, ""), (25.6, 70.0, "temperature-high"), (24.4, 70.0, "temperature-low"), (25.0, 65.9, "humidity-low")],
)
def test_what_stands_still_is_within_half_a_kelvin_and_four_points_on_the_side_that_is_told_of(
    t: float, rh: float, alarm: str
) -> None:
    """A wet lid stands still though its box swings with the mat (attack from outside)."""
    for name in ("temperature-high", "temperature-low", "humidity-low", "lid-dew"):
        assert stands_still(done(), situation(t, rh), {name: standing(name)}) is (name != alarm)


@pytest.mark.parametrize(
    ("hours", "asks", "rh", "since_h", "stands"),
    [
        (5.9, "vents:more", 70.0, -1.0, True), (6.0, "vents:more", 70.0, -1.0, False), (5.9, "foam:more", 70.0, -1.0, False),
        (5.9, "vents:more", 70.0, 0.1, False), (5.9, "vents:more", 65.9, -1.0, False),
    ],
)  # fmt: skip
def test_what_was_told_lately_and_is_asked_for_still_is_not_told_otherwise_while_nothing_is_raised_or_worse(
    hours: float, asks: str, rh: float, since_h: float, stands: bool
) -> None:
    """Eight steps in eight hours were told of one wet lid, while its box swung with the mat (attack from outside)."""
    told, now = done(done_ms=None), replace(situation(24.0, rh), at_ms=NOON_MS + round(hours * HOUR_MS))
    alarms = {name: standing(name, since_ms=NOON_MS + round(since_h * HOUR_MS)) for name in ("lid-dew", "humidity-low")}
    assert may_stand(told, ["foam:more"], {asks, "foam:more"}, now, alarms) is stands


@pytest.mark.parametrize(("t", "hours", "stands"), [(22.1, 23.9, True), (22.0, 23.9, False), (22.1, 24.0, False)])
def test_nothing_turns_back_to_what_was_told_before_unless_it_is_worse_than_then(t: float, hours: float, stands: bool) -> None:
    """At each turn of its mat a small box was told of a power cut, and ten minutes later that it gets warmer (attack from
    outside)."""
    before = done(knob="power", done_ms=None, start_c=22.6)
    told = replace(done(knob="warm", done_ms=None, start_c=23.4), told_ms=NOON_MS + HOUR_MS, earlier=[before])
    now = replace(situation(t, 80.0), at_ms=NOON_MS + round(hours * HOUR_MS))
    alarms = {"temperature-low": standing("temperature-low", since_ms=NOON_MS - HOUR_MS)}
    assert may_stand(told, ["power:more"], set(), now, alarms) is stands


@pytest.mark.parametrize(("condition", "status"), [("held", []), ("normal", ["withdrawn"])])
def test_advice_on_what_cannot_be_seen_for_a_while_is_not_withdrawn(condition: Any, status: list[str]) -> None:
    """A vent was asked for in a letter at 22:00 and withdrawn at 22:01: a reading was a minute late (attack from outside)."""
    alarms = {"lid-dew": replace(standing("lid-dew"), condition=condition)}
    state = AdviceState(open=replace(done(done_ms=None), told_ms=NOON_MS - HOUR_MS))
    _, events = consider(settings_of(BOX), "north", state, situation(25.5, 95.0, 20.0, 50.0), alarms, "test")
    assert [event.status for event in events] == status


@pytest.mark.parametrize(
    ("said", "branch", "worse", "kept"),
    [
        ("no effect", "cell", False, [1, NOON_MS]), ("too little", "cell", False, [1, NOON_MS]), ("works", "cell", False, []),
        ("more than expected", "cell", False, []), ("cannot tell", "cell", False, [0, 1]),
        ("cannot tell", "cell", True, [0, 1]), ("cannot tell", "heat", True, [1, NOON_MS]),
        ("cannot tell", "heat", False, [0, 1]), ("works", "cold", True, [1, NOON_MS]),
    ],
)  # fmt: skip
def test_two_steps_in_a_row_that_did_not_help_are_remembered(said: Any, branch: str, worse: bool, kept: list[int]) -> None:
    state = AdviceState(open=done(branch), in_vain_ms=[0, 1])
    assert counted(state, said, worse).in_vain_ms == kept
    assert counted(replace(state, open=None), said, worse).in_vain_ms == [0, 1]


@pytest.mark.parametrize(("since_ms", "vain"), [(NOON_MS, True), (NOON_MS + 1, False), (None, False)])
def test_what_was_done_before_a_trouble_began_says_nothing_of_it(since_ms: int | None, vain: bool) -> None:
    state = AdviceState(in_vain_ms=[NOON_MS, NOON_MS + HOUR_MS])
    assert in_vain(state, {"x": standing("humidity-low", since_ms=since_ms)}) is vain
    assert not in_vain(replace(state, in_vain_ms=[NOON_MS]), {"x": standing("humidity-low", since_ms=since_ms)})


@pytest.mark.parametrize(
    ("item", "hours", "now", "names_", "works_still"),
    [
        (done(), 5.9, {}, ("humidity-low",), True), (done(), 6.0, {}, ("humidity-low",), False), (done(), 1.0, {}, (), False),
        (done("plug-in"), 1.0, {}, (), True), (done(done_ms=None), 1.0, {}, ("humidity-low",), False),
        # An unplugged mat still gives off a kelvin, or it cools by 2 K an hour.
        (done("heat", done_c=29.0), 1.0, {"temperature_c": 30.0}, ("temperature-high",), True),
        (done("heat", done_c=29.0), 1.0, {"temperature_c": 30.1}, ("temperature-high",), False),
        (done("heat", done_c=29.0), 1.0, {"temperature_c": 31.0, "temperature_slope_k_h": -2.0}, ("temperature-high",), True),
        (done("heat", done_c=29.0), 1.0, {"temperature_c": 31.0, "temperature_slope_k_h": -1.9}, ("temperature-high",), False),
    ],
)  # fmt: skip
def test_what_was_done_is_at_work_until_its_look(
    item: OpenAdvice, hours: float, now: dict[str, Any], names_: tuple[str, ...], works_still: bool
) -> None:
    stands = {name: standing(name) for name in names_}
    seen = later(situation(25.5, 68.0), hours, **now)
    assert at_work(BOX, AdviceState(open=item), seen, stands) is works_still


def test_heat_or_cold_that_begins_after_vents_were_set_waits_for_no_look_at_them() -> None:
    seen = later(situation(23.5, 68.0), 1.0)
    for name, since_ms, knob, waits in (
        ("temperature-low", NOON_MS + 1, "vents", False), ("temperature-low", NOON_MS, "vents", True),
        ("temperature-low", NOON_MS + 1, "heater", True), ("humidity-low", NOON_MS + 1, "vents", True),
    ):
        stands = {name: standing(name, since_ms=since_ms)}
        assert at_work(BOX, AdviceState(open=done(knob=knob)), seen, stands) is waits, (name, since_ms, knob)


def test_a_doing_that_is_taken_back_takes_with_it_what_came_of_it_and_nothing_else() -> None:
    earlier, later_ms = NOON_MS - HOUR_MS, NOON_MS + HOUR_MS
    old, new, other = Gain(0.8, 0.3, 4), Gain(0.5, 0.2, 5), Gain(1.2, 0.1, 9)
    before = BeforeDone(
        "w", "north-1", NOON_MS, later_ms, ["heater", "vents"], {"heater": old}, {"heater": earlier}, 1, 31.0, earlier, None, 2,
    )  # fmt: skip
    state = AdviceState(
        open=done(), gains={"heater": new, "vents": new, "fan": other}, judge_from_ms={"heater": NOON_MS, "vents": 5, "fan": 7},
        mist_failures=3, water_failures=4, stopped_c=33.0, stopped_at_ms=[earlier, NOON_MS, later_ms],
        in_vain_ms=[earlier, NOON_MS, later_ms], heater_seen_ms=NOON_MS, lid_checked_ms=later_ms, before_done=[before],
    )
    found = taken_back(state, "w")
    assert found.gains == {"heater": old, "fan": other} and found.judge_from_ms == {"heater": earlier, "fan": 7}
    assert found.stopped_at_ms == found.in_vain_ms == [earlier, later_ms] and found.stopped_c == 31.0
    assert (found.mist_failures, found.water_failures, found.heater_seen_ms, found.lid_checked_ms) == (3, 4, earlier, later_ms)
    assert found.open is not None and found.open.done_ms is None and found.before_done == []
    assert taken_back(state, "other") is state
    misted = taken_back(replace(state, before_done=[replace(before, knobs=["mister"])], stopped_at_ms=[earlier]), "w")
    assert (misted.mist_failures, misted.water_failures, misted.stopped_c) == (1, 2, 33.0)
    looked = taken_back(replace(state, lid_checked_ms=NOON_MS, heater_seen_ms=later_ms), "w")
    assert (looked.lid_checked_ms, looked.water_failures, looked.heater_seen_ms) == (None, 2, later_ms)


@pytest.mark.parametrize(
    ("state", "changes", "owes"),
    [
        (AdviceState(), (), False), (AdviceState(open=done()), (), True), (AdviceState(), (("heater_plugged", 0.0),), True),
        (AdviceState(), (("heater_plugged", 0.0), ("heater_plugged", 1.0)), False),
        (AdviceState(), (("setpoint", 25.0),), True), (AdviceState(), (("setpoint", 25.2),), False),
    ],
)  # fmt: skip
def test_a_chamber_is_owed_another_look_while_advice_is_open_or_its_heat_was_taken_back(
    state: AdviceState, changes: tuple[tuple[str, float], ...], owes: bool
) -> None:
    """The dial stood at 25.5 degC: 0.4 K below that and more is lower."""
    told = tuple(DeviceChange(NOON_MS + place, knob, value) for place, (knob, value) in enumerate(changes))
    assert owed(state, BOX, told).after(NOON_MS) is owes


@pytest.mark.parametrize(
    ("hours", "act"),
    [(3.9, None), (4.0, "replace-probe"), (47.9, "replace-probe"), (48.0, "check-probe"), (None, "check-probe")],
)
def test_a_probe_that_is_missed_within_two_days_of_a_look_at_it_is_replaced(hours: float | None, act: str | None) -> None:
    """Nor at once: a link that is lost for some hours a day came back 40 minutes after another probe was asked for (attack
    from outside)."""
    now = situation(None, None, 20.0, 50.0, lacking=("no believed air temperature",))
    last = None if hours is None else done("probe", done_ms=now.at_ms - round(hours * HOUR_MS))
    stands = {"blind": standing("blind")}
    _, events = consider(settings_of(BOX), "north", AdviceState(last=last), now, stands, "test")
    texts = [action.text for event in events for action in event.actions]
    assert bool(texts) is (act is not None) and (ACTS["replace-probe"].text in texts) is (act == "replace-probe")
