"""The life of one alarm: every row of the table, and what a keeper sees of it from outside."""

from __future__ import annotations

from dataclasses import replace

import pytest
from alarm_course import ORIGIN, WATCH, alarms, change, run, settings_of, story
from pydantic import TypeAdapter

from rules.alarms.alarms import configured, follow, standing
from rules.alarms.state import AlarmRecord, AlarmsState
from rules.alarms.table import CONDITIONS, ROWS, TRANSITIONS, TRIGGERS, Transition
from rules.alarms.walk import EFFECTS, GUARDS, Cue, step
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Garden, Probe, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SystemEvent, WordEvent
from rules.terms.words import Acknowledge, Away, GardenSize, OutOfService, Shelve, Unshelve, Visit


def word(kind: type, minute: float, chamber: str | None = "left", alarm: str = "temperature-high", **more: object) -> object:
    return kind(taken_ms=round(minute * MINUTE_MS), word_id=f"w{minute}", chamber=chamber, alarm=alarm, **more)


# ---------------------------------------------------------------- every row of the table

_FITS: dict[str, tuple[dict, dict]] = {
    "always": ({}, {}),
    "higher": ({"level": "outside"}, {"level": "harmful"}),
    "lower": ({"level": "harmful"}, {"level": "outside"}),
    "edited": ({}, {"config": True}),
    "latching": ({"worst": "harmful"}, {"telling": Telling(latch=["harmful"])}),
    "unacknowledged": ({"acknowledged": False}, {}),
    "latched": ({"latched": True}, {}),
    "harmful-now": ({"level": "harmful"}, {}),
    "shelved": ({"shelf_until_ms": 9}, {}),
    "known": ({"occurrence": 1}, {}),
    "graver": ({}, {"worse": "mark"}),
}


def _drawn(row: Transition) -> tuple[AlarmRecord, Cue]:
    of_record, of_cue = _FITS[row.guard]
    here = row.condition in ("active", "held")
    record = AlarmRecord(
        chamber="left", alarm="temperature-high", condition=row.condition, level="outside" if here else None, acknowledged=True,
        occurrence=0 if row.trigger == "removed" else 3, held_ms=5 if row.condition == "held" else None,
        stale_at_ms=100 if here else None, worst="outside" if here else None,
    )
    level = "outside" if row.trigger in ("active", "harmful", "eased", "resumed") else None
    cue = Cue(1_000, row.trigger, level, shelf_for_ms=60)
    return replace(record, **of_record), replace(cue, **of_cue)


@pytest.mark.parametrize("row", TRANSITIONS, ids=lambda row: f"{row.condition}-{row.trigger}-{row.guard}")
def test_every_row_is_taken_where_it_holds_and_does_what_it_says(row: Transition) -> None:
    record, cue = _drawn(row)
    assert GUARDS[row.guard](record, cue)

    taken = step(record, cue)

    assert taken is row
    assert record.condition == row.becomes
    assert (record.level is not None) == (row.becomes in ("active", "held"))
    seen = {
        "open": record.occurrence == 4 and not record.acknowledged and record.since_ms == 1_000,
        "level": record.level == cue.level,
        "drop-acknowledge": not record.acknowledged,
        "unshelve": record.shelf_until_ms is None,
        "restart-stale": record.stale_at_ms == 1_000 + DAY_MS,
        "hold": record.held_ms == 1_000,
        "see": record.held_ms is None,
        "end": record.held_ms is None and record.stale_at_ms is None,
        "latch": record.latched,
        "acknowledge": record.acknowledged,
        "unlatch": not record.latched,
        "shelve": record.shelf_until_ms == 1_060,
        "stale": record.stale and record.stale_at_ms is None,
        "close": record.closed,
    }
    assert {effect: seen[effect] for effect in row.effects} == dict.fromkeys(row.effects, True)


def test_the_table_answers_every_trigger_in_every_condition_and_the_last_row_always_holds() -> None:
    absent = {(c, t) for c in CONDITIONS for t in TRIGGERS if (c, t) not in ROWS}
    assert absent == {
        ("normal", "held-too-long"), ("unknown", "held-too-long"), ("active", "held-too-long"),
        ("normal", "stands-too-long"), ("unknown", "stands-too-long"),
        *((condition, trigger) for condition in ("normal", "unknown", "held") for trigger in ("recovering", "relapsed")),
        *((condition, trigger) for condition in ("normal", "unknown") for trigger in ("worse", "judged")),
    }
    for rows in ROWS.values():
        assert rows[-1].guard == "always"
        assert all(row.guard != "always" for row in rows[:-1])


def test_every_guard_and_every_effect_of_the_code_is_used_by_the_table() -> None:
    assert {row.guard for row in TRANSITIONS} == set(GUARDS)
    assert {effect for row in TRANSITIONS for effect in row.effects} == set(EFFECTS)


# ---------------------------------------------------------------- the life as seen from outside

H = "harmful"
O = "outside"  # noqa: E741
LIVES: dict[str, tuple[list, float, list[tuple]]] = {
    "raised when the delay is met": (
        [change(1, "active")], 60, [("raised", "active", O, "unack", "none")]),
    "raised at once as harmful implies the lower level": (
        [change(1, "harmful")], 60, [("raised", "active", H, "unack", "none")]),
    "raised while shelved is not annunciated": (
        [word(Shelve, 1, for_ms=HOUR_MS), change(2, "active")], 30,
        [("shelved", "normal", None, "unack", "shelved"), ("raised", "active", O, "unack", "shelved")]),
    "escalation drops the acknowledgement": (
        [change(1, "active"), word(Acknowledge, 2), change(3, "harmful")], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("escalated", "active", H, "unack", "none")]),
    "easing keeps the acknowledgement": (
        [change(1, "harmful"), word(Acknowledge, 2), change(3, "eased")], 60,
        [("raised", "active", H, "unack", "none"), ("acknowledged", "active", H, "ack", "none"),
         ("eased", "active", O, "ack", "none")]),
    "return to normal closes": (
        [change(1, "active"), change(9, "normal")], 60,
        [("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none")]),
    "held is no return and keeps the level": (
        [change(1, "harmful"), change(2, "held")], 60,
        [("raised", "active", H, "unack", "none"), ("held", "held", H, "unack", "none")]),
    "seen again and still bad is the same occurrence with its acknowledgement": (
        [change(1, "active"), word(Acknowledge, 2), change(3, "held"), change(4, "resumed")], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("held", "held", O, "ack", "none"), ("resumed", "active", O, "ack", "none")]),
    "seen again and worse is an escalation": (
        [change(1, "active"), change(3, "held"), change(4, "resumed", H)], 60,
        [("raised", "active", O, "unack", "none"), ("held", "held", O, "unack", "none"),
         ("escalated", "active", H, "unack", "none")]),
    "held then fresh good data returns": (
        [change(1, "active"), change(3, "held"), change(40, "normal")], 60,
        [("raised", "active", O, "unack", "none"), ("held", "held", O, "unack", "none"),
         ("returned", "normal", None, "unack", "none")]),
    "held for a day is unknown and never cleared": (
        [change(1, "active"), change(3, "held")], 24 * 60 + 4,
        [("raised", "active", O, "unack", "none"), ("held", "held", O, "unack", "none"),
         ("stale", "held", O, "unack", "none"), ("unknown", "unknown", None, "unack", "none")]),
    "unknown and seen normal": (
        [change(1, "unknown"), change(2, "seen")], 60,
        [("unknown", "unknown", None, "unack", "none"), ("resumed", "normal", None, "unack", "none")]),
    "unknown and seen bad is a new raise": (
        [change(1, "unknown"), change(2, "active")], 60,
        [("unknown", "unknown", None, "unack", "none"), ("raised", "active", O, "unack", "none")]),
    "a limit edited under a standing alarm is an update, not a raise": (
        [change(1, "active"), word(Acknowledge, 2), change(3, "active", config=True, limit=27.0)], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("updated", "active", O, "ack", "none")]),
    "a limit edited so that the level rises drops the acknowledgement": (
        [change(1, "active"), word(Acknowledge, 2), change(3, "harmful", config=True)], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("escalated", "active", H, "unack", "none")]),
    "a limit edited so that all is well returns at once": (
        [change(1, "active"), change(2, "normal", config=True)], 60,
        [("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none")]),
    "a shelf that ends over a standing alarm drops its acknowledgement": (
        [change(1, "active"), word(Acknowledge, 2), word(Shelve, 3, for_ms=5 * MINUTE_MS)], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("shelved", "active", O, "ack", "shelved"), ("unshelved", "active", O, "unack", "none")]),
    "the harmful level breaks through a shelf": (
        [change(1, "active"), word(Shelve, 2, for_ms=HOUR_MS), change(3, "harmful")], 120,
        [("raised", "active", O, "unack", "none"), ("shelved", "active", O, "unack", "shelved"),
         ("escalated", "active", H, "unack", "none")]),
    "a harmful raise breaks through a shelf": (
        [word(Shelve, 2, for_ms=HOUR_MS), change(3, "harmful")], 120,
        [("shelved", "normal", None, "unack", "shelved"), ("raised", "active", H, "unack", "none")]),
    "return under a shelf": (
        [change(1, "active"), word(Shelve, 2, for_ms=HOUR_MS), change(3, "normal")], 30,
        [("raised", "active", O, "unack", "none"), ("shelved", "active", O, "unack", "shelved"),
         ("returned", "normal", None, "unack", "shelved")]),
    "unshelved by the keeper keeps the acknowledgement": (
        [change(1, "active"), word(Acknowledge, 2), word(Shelve, 3, for_ms=HOUR_MS), word(Unshelve, 4)], 60,
        [("raised", "active", O, "unack", "none"), ("acknowledged", "active", O, "ack", "none"),
         ("shelved", "active", O, "ack", "shelved"), ("unshelved", "active", O, "ack", "none")]),
    "stands for a day": (
        [change(1, "active")], 24 * 60 + 2,
        [("raised", "active", O, "unack", "none"), ("stale", "active", O, "unack", "none")]),
    "the third raise within six hours is chattering": (
        [change(1, "active"), change(9, "normal"), change(20, "active"), change(29, "normal"), change(40, "active")], 60,
        [("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none"),
         ("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none"),
         ("raised", "active", O, "unack", "none"), ("chattering", "active", O, "unack", "none")]),
    "three raises in a longer time are not": (
        [change(1, "active"), change(9, "normal"), change(20, "active"), change(29, "normal"), change(362, "active")], 400,
        [("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none"),
         ("raised", "active", O, "unack", "none"), ("returned", "normal", None, "unack", "none"),
         ("raised", "active", O, "unack", "none")]),
}


@pytest.mark.parametrize("name", LIVES)
def test_a_life(name: str) -> None:
    stimuli, until, expected = LIVES[name]
    _, events = run(*stimuli, until=until)
    assert story(events) == expected


def test_a_new_raise_is_a_new_occurrence_and_ids_count_within_it() -> None:
    _, events = run(change(1, "active"), change(9, "normal"), change(20, "active"))
    assert [e.id for e in alarms(events)] == [
        "o.left.temperature-high.1.0", "o.left.temperature-high.1.1", "o.left.temperature-high.2.0",
    ]


def test_shelf_expiry_at_the_very_instant_of_the_raise_hides_nothing() -> None:
    _, events = run(word(Shelve, 1, for_ms=MINUTE_MS), change(2, "active"))
    assert [step[0] for step in story(events)] == ["shelved", "raised", "unshelved"]
    assert story(events)[-1] == ("unshelved", "active", O, "unack", "none")


# ---------------------------------------------------------------- latching


@pytest.mark.parametrize(
    ("latch", "alarm", "level", "latches"),
    [
        ("harmful", "temperature-high", "harmful", True),
        ("harmful", "temperature-high", "active", False),
        ("drip", "lid-dew", "harmful", True),
        ("drip", "temperature-high", "harmful", False),
        ("blind", "blind", "active", True),
        ("blind", "lid-dew", "harmful", False),
    ],
)
def test_only_what_the_config_names_latches_until_acknowledged(latch: str, alarm: str, level: str, latches: bool) -> None:
    settings = settings_of(latch=[latch])
    state, events = run(change(1, level, alarm=alarm), change(9, "normal", alarm=alarm), settings=settings)
    assert [step[0] for step in story(events, alarm=alarm)] == ["raised", "returned", *(["latched"] if latches else [])]
    assert (alarm in standing(state, "left")) == latches

    after, events = run(word(Acknowledge, 61, alarm=alarm), until=62, settings=settings, state=state)
    assert [step[0] for step in story(events, alarm=alarm)] == (["reset"] if latches else [])
    assert standing(after, "left") == {}


def test_a_band_edited_away_from_under_an_alarm_latches_nothing() -> None:
    _, events = run(change(1, "harmful"), change(2, "normal", config=True), settings=settings_of(latch=["harmful"]))
    assert [step[0] for step in story(events)] == ["raised", "returned"]


# ---------------------------------------------------------------- words


def answers(events: list) -> list[tuple[bool, str]]:
    return [(e.accepted, e.text.split(":")[0]) for e in events if isinstance(e, WordEvent)]


def test_an_acknowledgement_of_an_old_occurrence_is_refused() -> None:
    state, events = run(change(1, "active"), change(9, "normal"), change(20, "active"), word(Acknowledge, 21, occurrence=1))
    assert answers(events) == [(False, "stale_ack")]
    assert not standing(state, "left")["temperature-high"].acknowledged


def test_acknowledging_twice_is_taken_and_tells_nothing_new() -> None:
    _, events = run(change(1, "active"), word(Acknowledge, 2, occurrence=1), word(Acknowledge, 3, occurrence=1))
    assert [ok for ok, _ in answers(events)] == [True, True]
    assert [step[0] for step in story(events)] == ["raised", "acknowledged"]


@pytest.mark.parametrize(
    ("said", "code"),
    [
        (word(Acknowledge, 9), "nothing_to_acknowledge"),
        (word(Acknowledge, 9, alarm="humidity-low"), "nothing_to_acknowledge"),
        (word(Unshelve, 9), "not_shelved"),
        (word(Acknowledge, 9, alarm="made-up"), "unknown_alarm"),
        (word(Acknowledge, 9, chamber="nowhere"), "unknown_chamber"),
        (word(Shelve, 9, alarm="probe-stale", for_ms=1), "which_one"),
        (word(Shelve, 9, alarm="probe-stale", probe="forged", for_ms=1), "unknown_probe"),
        (word(Shelve, 9, chamber=None, alarm="medium-down", probe="forged", for_ms=1), "unknown_line"),
        (OutOfService(taken_ms=9 * MINUTE_MS, word_id="x", probe="forged", for_ms=1), "unknown_probe"),
        (Visit(taken_ms=9 * MINUTE_MS, word_id="x", chamber="nowhere"), "unknown_chamber"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_word_that_cannot_be_done_is_refused_with_its_reason_and_leaves_no_trace(said: object, code: str) -> None:
    before, _ = run(change(1, "active"), change(2, "normal"), until=9)
    after, events = run(said, state=before, until=10)
    assert answers(events) == [(False, code)]
    assert len(events) == 1
    assert replace(after, seen_ms=before.seen_ms) == before


def test_a_harmful_alarm_is_not_shelved() -> None:
    _, events = run(change(1, "harmful"), word(Shelve, 2, for_ms=HOUR_MS))
    assert answers(events) == [(False, "harmful_is_not_shelved")]


def test_acknowledging_while_held_is_taken_and_does_not_change_the_condition() -> None:
    _, events = run(change(1, "active"), change(2, "held"), word(Acknowledge, 3))
    assert story(events)[-1] == ("acknowledged", "held", O, "ack", "none")


def test_absence_begins_and_ends_at_the_named_instants() -> None:
    said = Away(taken_ms=MINUTE_MS, word_id="x", from_ms=HOUR_MS, to_ms=5 * HOUR_MS)
    _, events = run(said, until=600)
    turns = [(e.at_ms, e.what, e.id) for e in events if isinstance(e, SystemEvent)]
    assert turns == [(HOUR_MS, "away-begun", "o.away.1"), (5 * HOUR_MS, "away-ended", "o.away.2")]


# ---------------------------------------------------------------- config, garden, state


def test_alarms_of_a_chamber_that_is_gone_are_closed_and_its_numbers_never_come_again() -> None:
    state, _ = run(change(1, "active"), change(2, "active", chamber="far"))
    smaller = WATCH.model_copy(update={"chambers": {"far": Chamber()}, "probes": {}})
    state, events = configured(smaller, state, KeeperState(), HOUR_MS, ORIGIN)
    assert story(events) == [("closed", "normal", None, "unack", "none")]
    assert standing(state, "left") == {}
    assert list(standing(state, "far")) == ["temperature-high"]

    again, events = configured(WATCH, state, KeeperState(), HOUR_MS, ORIGIN)
    assert events == []
    _, events = follow(WATCH, again, KeeperState(), [change(70, "active")], HOUR_MS, 2 * HOUR_MS, ORIGIN)
    assert [e.id for e in alarms(events)] == ["o.left.temperature-high.2.0"]


def test_a_probe_that_moved_to_another_place_closes_its_alarm_at_the_old_one() -> None:
    state, _ = run(change(1, "active", alarm="probe-stale", probe="dry-end"))
    moved = WATCH.model_copy(update={"probes": {"dry-end": Probe(place="right"), "wet-end": Probe(place="right")}})
    _, events = configured(moved, state, KeeperState(), HOUR_MS, ORIGIN)
    assert [step[0] for step in story(events, alarm="probe-stale")] == ["closed"]


def test_the_garden_that_the_keeper_entered_changes_the_urgency_of_dryness() -> None:
    dry = change(5, "active", alarm="humidity-low", value=68.0)
    _, young = run(GardenSize(taken_ms=0, word_id="g", chamber="left", at_ms=0, garden_ml=15.0), dry)
    _, large = run(GardenSize(taken_ms=0, word_id="g", chamber="left", at_ms=0, garden_ml=5000.0), dry)
    basin = WATCH.model_copy(update={"chambers": {"left": Chamber(garden=Garden(basin_ml=20_000))}})
    _, filled = run(GardenSize(taken_ms=0, word_id="g", chamber="left", at_ms=0, fill=0.5), dry, settings=basin)
    assert [alarms(events, alarm="humidity-low")[0].priority for events in (young, large, filled)] == [
        "today", "morning", "morning",
    ]


def test_probes_that_disagree_lower_the_priority_by_one_step_but_not_that_of_severe_harm() -> None:
    doubt = change(1, "active", alarm="probes-disagree", probe="dry-end")
    _, events = run(doubt, change(2, "active"), change(3, "harmful"))
    assert [e.priority for e in alarms(events)] == ["morning", "wake"]


def test_the_state_handed_in_is_not_changed_and_nothing_to_do_hands_it_back() -> None:
    visit = Visit(taken_ms=3 * MINUTE_MS, word_id="v", chamber="left")
    state, _ = run(change(1, "active"), word(Shelve, 2, for_ms=HOUR_MS), visit)
    adapter = TypeAdapter(AlarmsState)
    before = adapter.dump_json(state)
    assert follow(WATCH, state, KeeperState(), (), HOUR_MS, HOUR_MS + 1, ORIGIN)[0] is state
    follow(WATCH, state, KeeperState(), [change(61, "harmful")], HOUR_MS, 9 * HOUR_MS, ORIGIN)
    configured(WATCH.model_copy(update={"chambers": {}}), state, KeeperState(), HOUR_MS, ORIGIN)
    assert adapter.dump_json(state) == before
    assert adapter.validate_json(before) == state
