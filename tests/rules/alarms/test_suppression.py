"""One cause, one message: what is hidden by what, and that it is told when its cause is over."""

from __future__ import annotations

from alarm_course import alarms, change, run, story

from rules.alarms.suppression import _DEPTH
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.words import OutOfService, Shelve, Visit
from rules.trade.alarm_kinds import ALARMS

O = "outside"  # noqa: E741


def test_a_visit_quiets_lid_and_humidity_but_never_heat_and_ends_by_itself() -> None:
    _, events = run(
        Visit(taken_ms=0, word_id="v", chamber="left", for_ms=20 * MINUTE_MS),
        change(5, "active", alarm="lid-open"), change(6, "harmful", alarm="humidity-low"), change(7, "active"),
    )
    assert story(events) == [("raised", "active", O, "unack", "none")]
    assert [step[0::4] for step in story(events, alarm="humidity-low")] == [("raised", "by-design"), ("unsuppressed", "none")]
    assert [e.at_ms for e in alarms(events, alarm="humidity-low")] == [6 * MINUTE_MS, 20 * MINUTE_MS]


def test_a_visit_that_ends_with_the_lid_closed_has_told_nothing() -> None:
    _, events = run(
        Visit(taken_ms=0, word_id="v", chamber="left"), change(5, "active", alarm="lid-open"),
        change(9, "normal", alarm="lid-open"),
    )
    assert [step[0::4] for step in story(events, alarm="lid-open")] == [("raised", "by-design"), ("returned", "none")]


def test_a_dead_probe_makes_the_climate_unknown_by_design_and_only_the_probe_is_told() -> None:
    _, events = run(change(1, "active", alarm="probe-stale", probe="dry-end"), change(1, "unknown"), change(9, "seen"))
    assert story(events) == [
        ("unknown", "unknown", None, "unack", "by-design"), ("resumed", "normal", None, "unack", "none"),
    ]
    assert story(events, alarm="probe-stale") == [("raised", "active", O, "unack", "none")]


def test_a_probe_out_of_service_hides_its_own_alarms_for_its_time() -> None:
    _, events = run(
        OutOfService(taken_ms=0, word_id="x", probe="dry-end", for_ms=30 * MINUTE_MS, reason="salt check"),
        change(5, "active", alarm="probe-stale", probe="dry-end"),
    )
    assert [step[0::4] for step in story(events, alarm="probe-stale")] == [
        ("raised", "out-of-service"), ("unsuppressed", "none"),
    ]


def test_a_broken_line_hides_the_silence_of_its_probes_until_they_had_time_to_speak() -> None:
    down = {"alarm": "medium-down", "chamber": None, "medium": "broker"}
    silent = {"alarm": "probe-stale", "medium": "broker"}
    _, events = run(
        change(1, "active", **down),
        change(3, "active", probe="dry-end", **silent),
        change(3, "active", probe="wet-end", chamber="right", **silent),
        change(20, "normal", **down),
        change(21, "normal", probe="dry-end", **silent),
    )
    assert [step[0::4] for step in story(events, alarm="probe-stale")] == [("raised", "by-design"), ("returned", "none")]
    assert [step[0::4] for step in story(events, "right", "probe-stale")] == [("raised", "by-design"), ("unsuppressed", "none")]
    assert [e.at_ms / MINUTE_MS for e in alarms(events, "right", "probe-stale")] == [3, 22]
    assert [step[0] for step in story(events, None, "medium-down")] == ["raised", "returned"]


def test_chambers_that_one_room_moves_are_one_message_until_the_first_is_over() -> None:
    _, events = run(
        change(1, "active"), change(20, "active", chamber="right"), change(21, "active", chamber="far"), change(40, "normal"),
        until=90,
    )
    assert [step[0::4] for step in story(events, "right")] == [("raised", "by-design"), ("unsuppressed", "none")]
    assert [step[0::4] for step in story(events, "far")] == [("raised", "none")]
    assert "the room study" in alarms(events, "right")[0].reason


def test_a_second_chamber_that_follows_late_or_harmfully_is_told_by_itself() -> None:
    _, late = run(change(1, "active"), change(62, "active", chamber="right"), until=90)
    assert story(late, "right") == [("raised", "active", O, "unack", "none")]
    _, harmful = run(change(1, "active"), change(2, "active", chamber="right"), change(3, "harmful", chamber="right"))
    assert [step[0::4] for step in story(harmful, "right")] == [("raised", "by-design"), ("escalated", "none")]


def test_a_cause_hides_what_it_explains_in_its_own_chamber_alone() -> None:
    _, events = run(
        change(1, "active", alarm="lid-open"), change(5, "active", alarm="humidity-low"),
        change(5, "active", alarm="humidity-low", chamber="far"), change(30, "normal", alarm="lid-open"),
    )
    assert [step[0::4] for step in story(events, alarm="humidity-low")] == [("raised", "by-design"), ("unsuppressed", "none")]
    assert [step[0::4] for step in story(events, "far", "humidity-low")] == [("raised", "none")]


def test_nothing_hides_an_alarm_that_is_more_urgent_than_its_cause() -> None:
    dry = change(5, "active", alarm="humidity-low", value=55.0, seconds_left=600.0)
    _, events = run(change(1, "active", alarm="humidity-high"), dry)
    assert [step[0::4] for step in story(events, alarm="humidity-low")] == [("raised", "none")]
    heat = change(5, "active", seconds_left=300.0)
    _, events = run(change(1, "active", alarm="heater-failed"), heat)
    assert [step[0::4] for step in story(events)] == [("raised", "none")]


def test_a_cause_that_is_itself_hidden_or_shelved_hides_nothing() -> None:
    shelf = Shelve(taken_ms=0, word_id="s", chamber="left", alarm="lid-open", for_ms=HOUR_MS)
    _, events = run(shelf, change(1, "active", alarm="lid-open"), change(5, "active", alarm="humidity-low"))
    assert [step[0::4] for step in story(events, alarm="humidity-low")] == [("raised", "none")]


def test_causes_make_no_circle_and_are_judged_before_what_they_explain() -> None:
    for alarm, kind in ALARMS.items():
        before = set(kind.explained_by)
        while before:
            assert before <= set(ALARMS) - {alarm}
            before = {cause for one in before for cause in ALARMS[one].explained_by}
        assert all(_DEPTH[cause] < _DEPTH[alarm] for cause in kind.explained_by), alarm
