"""Every kind of letter, line and payload against a golden text, and what holds for all of them."""

import ast
import email.header
import json
import os
import re
from dataclasses import replace
from datetime import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.wording.alarm_sentences import over, sentence
from adapters.wording.figures import Style, ascii_only, clean, span
from adapters.wording.letter import LONGEST_SUBJECT, compose
from adapters.wording.line import line_of
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.advised import Action, Prediction
from rules.terms.events import (
    AdviceEvent,
    AlarmEvent,
    CareEvent,
    Figures,
    LetterEvent,
    QualityEvent,
    SystemEvent,
    WordEvent,
    event_of,
)
from rules.trade.alarm_kinds import ALARMS
from rules.trade.cautions import CAUTIONS

GOLDEN = Path(__file__).parent / "golden"
NOW = 1_764_036_600_000  # 2025-11-25T02:10:00Z
MINUTE = 60_000
HOUR = 60 * MINUTE


def golden(name, found):
    """Compare with the golden text; `WRITE_GOLDEN=1` writes it anew and fails, so that someone reads it."""
    path = GOLDEN / f"{name}.txt"
    if os.environ.get("WRITE_GOLDEN"):
        path.write_text(found, encoding="utf-8")
        pytest.fail(f"{path.name} was written anew: read it")
    assert found == path.read_text(encoding="utf-8")


def watch(unit="degC", **telling):
    return Settings(
        site=Site(name="Fungus shelf", time_zone="Europe/Berlin", temperature_unit=unit),
        zone=ZoneInfo("Europe/Berlin"),
        rooms={},
        chambers={"big-nest": Chamber(title="Big nest"), "small-nest": Chamber(title="Small nest, Österreich")},
        probes={"lid-1": Probe(place="big-nest")},
        telling=Telling(digest_at=time(8, 0), **telling),
    )


def alarm(name="temperature-high", **more):
    facts = {
        "id": "a1.big-nest.temperature-high.3.0", "at_ms": NOW, "chamber": "big-nest", "alarm": name, "change": "raised",
        "condition": "active", "level": "outside", "acknowledged": False, "suppression": "none", "occurrence": 3,
        "priority": "today", "value": 29.36, "limit": 28.0, "unit": "degC", "since_ms": NOW - 20 * MINUTE,
        "reason": "29.4 degC, above 28 degC for 10 minutes",
    } | more  # fmt: skip
    return AlarmEvent(**facts)


ADVICE = AdviceEvent(
    id="a1.big-nest.advice.7", at_ms=NOW, chamber="big-nest", advisory="big-nest-7", status="given", device="heater",
    change="less", amount=1.5, unit="K",
    reason=(
        "It is 29.4 °C and 66 %RH (wanted 24 to 28 °C, 70 to 90 %RH). Too warm, and dry only because it is warm. The same"
        " water in the air would be 79 %RH at 25.5 °C. The room is at 21.0 °C. At rest I expect 26.1 °C and 77 %RH"
        " (± 0.8 K, ± 5 points)."
    ),
    cautions=("Turn the thermostat, do not leave the heater on by hand.", "Unplug before your hands go near a wet mat."),
    actions=(
        Action("heater", "less", 1.5, "K", "Turn the heater's thermostat down from 29 to 27.5 °C"),
        Action("vent", "hold", None, None, "Leave the vents shut"),
    ),
    never=("Do not mist: the air is only dry because it is warm.", "Do not open the lid to cool it."),
    predictions=(
        Prediction(HOUR, 27.4, 0.3, 73.0, 2.5, 0.9, 0.5),
        Prediction(4 * HOUR, 26.1, 0.4, 77.0, 2.5, 0.6, 0.5),
    ),
    case="too-warm", act_within_s=7200, look_again_s=3600, lacking=("no lid temperature: whether the lid is wet is not known",),
    headline="Turn the heater's thermostat down from 29 to 27.5 °C",
)  # fmt: skip
SUSPECT = QualityEvent(
    id="q1", at_ms=NOW, chamber="big-nest", probe="air-2", quantity="relative_humidity", test="saturation", flag="suspect",
    ne107="out-of-specification", detail="at 99 %RH for 40 minutes, which is its top value",
)  # fmt: skip
LEAVES = CareEvent(
    id="c1", at_ms=NOW, chamber="big-nest", task="feed", status="due", due_ms=NOW, text="Give fresh leaves: two bramble leaves"
)
WASTE = CareEvent(
    id="c2", at_ms=NOW, chamber="small-nest", task="clear-waste", status="overdue", due_ms=NOW - 48 * HOUR,
    text="Clear the waste chamber; overdue since Sun 23 Nov", priority="today",
)  # fmt: skip


def letter(sort, *about, ordinal=1, **more):
    facts = {
        "id": f"a1.letter.big-nest.4.{ordinal}", "at_ms": NOW, "chamber": "big-nest", "sort": sort, "thread": "a1.big-nest.4",
        "ordinal": ordinal, "to": "keeper", "urgent": False, "about": about,
    } | more  # fmt: skip
    return LetterEvent(**facts)


def told(event):
    """The event as it comes back from the store."""
    return event_of(json.loads(json.dumps(event.as_json())))


SILENT = alarm(
    "probe-stale", probe="air-2", value=600.0, limit=90.0, unit="s", change="raised", level="outside", priority="today",
    reason="nothing heard for 10 minutes; last value 27.1 degC",
)  # fmt: skip
HELD = alarm(
    "humidity-low", change="held", condition="held", value=64.2, limit=70.0, unit="%RH", since_ms=NOW - HOUR,
    reason="its only probe went silent",
)  # fmt: skip
LOOK = alarm(
    "lid-unsure", kind="question", value=None, limit=None, unit=None, priority="morning", since_ms=NOW - 3 * HOUR,
    reason="in 6 of the last 12 hours; dry and wet are both likely by its estimate",
)  # fmt: skip
UNPROVEN = replace(
    LOOK, id="p", alarm="probe-unproven", probe="air-2", reason="air-2 has not read below 97 %RH for 7 days",
)
RETURNED = alarm(change="returned", condition="normal", level=None, value=27.4, since_ms=NOW - 90 * MINUTE)
HARMFUL = alarm(
    change="escalated",
    level="harmful",
    value=30.9,
    limit=30.0,
    priority="wake",
    reason="30.9 degC, above 30 degC for 2 minutes",
)
COLDER = alarm(
    "temperature-low", change="worsened", level="harmful", priority="wake", value=14.7, limit=24.0, worse="mark", mark=15.0,
    harm_used=0.06, seconds_left=18_000.0, early_seconds_left=13_000.0, told_value=17.0, told_ms=NOW - HOUR,
    since_ms=NOW - 4 * HOUR,
)
FAILING = replace(COLDER, id="f", alarm="heater-failed", since_ms=NOW - 3 * HOUR)
VERIFIED = replace(
    ADVICE, id="v", status="verified", actions=(), never=(), cautions=(), lacking=(), predictions=(),
    headline="No effect seen: look whether it was really changed", reason="Expected +1.5 K of temperature, seen -2.1 K.",
)  # fmt: skip
CHECK_THE_HEAT = replace(
    ADVICE, at_ms=NOW - 50 * MINUTE, change="check", amount=None, unit=None,
    actions=(
        Action("heater", "check", None, None, "Check the heat: is the mat plugged in and warm to the hand"),
        Action("room", "move", None, None, "Carry the box to the warmest room"),
    ),
    never=("Do not air the box: it cools.",), cautions=("The mat may be hot: touch its edge with the back of the hand.",),
    lacking=(), predictions=(),
    reason="It is 17.4 °C and 80 %RH. The temperature falls towards the room's. The room is at 9.0 °C.",
)  # fmt: skip
DRY = alarm("humidity-low", value=66.0, limit=70.0, unit="%RH", reason="66 %RH, below 70 %RH for 10 minutes")
WET = alarm("lid-dew", value=-0.8, limit=0.5, unit="K", reason="lid 22.9 degC, dew point 23.7 degC")
BLIND = alarm("blind", value=None, limit=None, unit=None, reason="both probes silent for 2 hours")
CLOSED = replace(RETURNED, change="closed", reason="the chamber was taken out of the config")
REJECTED = SystemEvent(
    id="s1", at_ms=NOW, chamber=None, what="config-refused",
    text='The new config is not used; the old one goes on.\n'
    'dewlid.toml, line 14: chambers.big-nest.humidity.hihg: no such key; did you mean "high"?',
)  # fmt: skip
DOWN = SystemEvent(
    id="s2", at_ms=NOW, chamber=None, what="outlet-down",
    text="The broker broker.lan has not been reached for 15 minutes: nothing listens on it. 12 messages wait.",
)  # fmt: skip
FIRST = [
    SystemEvent(id=f"n{number}", at_ms=NOW, chamber=None, what="law-and-safety", text=caution.text)
    for number, caution in enumerate(CAUTIONS)
]
LETTERS = {
    "situation": letter("situation", alarm(), ADVICE),
    "situation_without_advice": letter("situation", DRY),
    "situation_wet_lid": letter("situation", WET, SUSPECT),
    "escalation": letter("escalation", HARMFUL, ADVICE, ordinal=2, urgent=True),
    "escalation_to_second": letter("escalation", HARMFUL, ADVICE, ordinal=4, urgent=True, to="second"),
    "worse": letter("escalation", COLDER, FAILING, VERIFIED, CHECK_THE_HEAT, ordinal=3, urgent=True),
    "reminder": letter("reminder", HARMFUL, ADVICE, ordinal=3, urgent=True),
    "all_clear": letter("all-clear", RETURNED, ordinal=5),
    "all_clear_in_part": letter("all-clear", RETURNED, WET, ordinal=5),
    "all_clear_closed": letter("all-clear", CLOSED, ordinal=5),
    "summary": letter(
        "summary", HARMFUL, replace(alarm("humidity-low", value=61.0, limit=70.0, unit="%RH"), chamber="small-nest"),
        replace(RETURNED, alarm="lid-dew", value=None, unit=None), SUSPECT, ADVICE, LEAVES, chamber=None, urgent=True,
    ),
    "digest_empty": letter("digest", chamber=None),
    "digest_full": letter("digest", alarm(), ADVICE, LEAVES, WASTE, RETURNED, SUSPECT, chamber=None),
    "digest_look": letter("digest", LOOK, UNPROVEN, LEAVES, chamber=None),
    "digest_due": letter("digest", LEAVES, chamber=None),
    "care": letter("care", WASTE, LEAVES, chamber=None),
    "system_config_rejected": letter("system", REJECTED, chamber=None),
    "system_mail_down": letter("system", DOWN, chamber=None),
    "system_first": letter("system", *FIRST, chamber=None),
    "probe_silent": letter("situation", SILENT),
    "held": letter("escalation", HELD, SILENT, ordinal=2),
    "blind": letter("situation", BLIND, urgent=True, to="stand-in"),
}  # fmt: skip


@pytest.mark.parametrize("name", LETTERS)
def test_the_letter_reads_as_it_was_agreed(name):
    made = compose(told(LETTERS[name]), watch())
    golden(f"letter_{name}", f"Subject: {made.subject}\n\n{made.text}")


def test_the_letter_in_fahrenheit_reads_as_it_was_agreed():
    made = compose(told(LETTERS["situation"]), watch("degF"))
    golden("letter_situation_fahrenheit", f"Subject: {made.subject}\n\n{made.text}")
    assert not re.search(r"°C|degC|\d K\b", made.text)


def test_the_html_of_a_letter_reads_as_it_was_agreed():
    golden("letter_situation_html", compose(told(LETTERS["situation"]), watch()).html)


@pytest.mark.parametrize("name", LETTERS)
def test_every_letter_is_short_plain_and_free_of_jargon(name):
    made = compose(told(LETTERS[name]), watch())
    assert len(made.subject) <= LONGEST_SUBJECT
    assert made.subject.isascii()
    assert max(len(line) for line in made.text.splitlines()) <= 78
    body = made.text.lower()
    assert "None" not in re.findall(r"[A-Za-z]+", made.text)
    for jargon in ("deadband", "hysteresis", "ne 107", "qartod", "null", "nan", "{", "}", "degc", "_"):
        assert jargon not in body, jargon
    for tag in ("<a ", "<img", "<script", "http"):
        assert tag not in made.html


def test_the_first_thing_to_read_is_what_to_do():
    made = compose(told(LETTERS["situation"]), watch())
    assert made.text.startswith("DO THIS FIRST\n1. Turn the heater's thermostat down")


def test_law_and_safety_stand_in_the_first_letter_only():
    texts = {name: compose(told(event), watch()).text for name, event in LETTERS.items()}
    assert {name for name, body in texts.items() if "permit" in body} == {"system_first"}


THREAD = ("situation", "escalation", "reminder", "all_clear")


def test_letters_of_a_thread_point_to_its_first_and_have_ids_of_their_own():
    made = {name: compose(told(LETTERS[name]), watch()) for name in THREAD}
    assert made["situation"].thread is None
    assert {made[name].thread for name in THREAD[1:]} == {made["situation"].message}
    assert len({each.message for each in made.values()}) == 4
    assert made["reminder"] == compose(told(LETTERS["reminder"]), watch())


def test_the_same_thread_of_another_store_is_another_thread():
    other = compose(told(replace(LETTERS["situation"], id="b2.letter.big-nest.4.1")), watch())
    assert other.message != compose(told(LETTERS["situation"]), watch()).message


def test_a_subject_that_is_too_long_ends_with_a_whole_word():
    event = letter("situation", alarm("heater-runaway"), alarm("lid-dew"), chamber="small-nest", urgent=True)
    assert compose(told(event), watch()).subject == "URGENT: heater is running away and lid is wet: Small..."


def test_digests_stand_alone():
    first, second = (compose(told(letter("digest", ordinal=number, chamber=None)), watch()) for number in (1, 2))
    assert first.thread is None
    assert second.thread is None
    assert first.message != second.message


def test_every_alarm_has_a_first_step_and_makes_a_letter():
    for name in ALARMS:
        for condition in ("active", "held", "unknown"):
            event = alarm(name, condition=condition, value=None, limit=None, unit=None, probe="air-2", medium="line")
            made = compose(told(letter("situation", event)), watch())
            assert "DO THIS FIRST" in made.text
            assert "WHAT IS HAPPENING" in made.text
            if condition == "active":
                assert ALARMS[name].first_step.format(chamber="big-nest") in " ".join(made.text.split())


def test_an_alarm_that_does_not_stand_is_never_told_as_if_it_did():
    for name in ALARMS:
        event = told(alarm(name, condition="normal", change="resumed", value=25.0, limit=28.0, unit="degC"))
        if ALARMS[name].subject in ("climate", "lid"):
            assert "does not hold" in sentence(event, watch(), Style("degC", ZoneInfo("UTC")), event.at_ms)


def test_what_was_told_long_ago_is_told_with_its_age():
    later = replace(LETTERS["reminder"], at_ms=NOW + 3 * HOUR)
    body = " ".join(compose(told(later), watch()).text.split())
    assert "30.9 °C at 03:10 CET (limit 30.0 °C), since 02:50 CET" in body
    assert "Do it now." in body
    assert "LOOK AGAIN 1 hour after you have done it." in body  # not "it is time to look again now", nor "in 4 minutes"


@pytest.mark.parametrize("margin_k", [-1.2, 0.3])
def test_a_margin_is_never_told_as_a_temperature(margin_k):
    style = Style("degC", ZoneInfo("UTC"))
    for condition in ("active", "held", "unknown", "normal"):
        wet = replace(WET, value=margin_k, condition=condition)
        said = sentence(wet, watch(), style, NOW) + over(replace(wet, condition="normal"), watch(), style, NOW)
        assert not re.search(r"°C(?! (above|below) the dew point)", said), said
    assert (style.margin(margin_k), Style("degF", style.zone).margin(-1.0)) == (f"{margin_k:+.1f} K", "-1.8 F")


def test_what_is_only_just_back_within_its_limit_is_not_told_as_outside():
    event = told(letter("situation", alarm(change="recovering", value=27.8, limit=28.0))).about[0]
    said = sentence(event, watch(), Style("degC", ZoneInfo("UTC")), event.at_ms)
    assert "was too warm and is only just back within its limit: 27.8 °C (limit 28.0 °C)." in said


def test_a_pace_that_was_seen_long_ago_foretells_nothing():
    event = told(letter("situation", alarm(level="outside", seconds_left=3600.0))).about[0]
    style = Style("degC", ZoneInfo("UTC"))
    assert "At this pace it does harm in about" in sentence(event, watch(), style, event.at_ms)
    assert "harm" not in sentence(event, watch(), style, event.at_ms + 20 * MINUTE)


def test_what_came_of_the_last_step_is_told_and_is_not_taken_for_the_advice():
    body = " ".join(compose(told(letter("situation", DRY, VERIFIED)), watch()).text.split())
    assert ALARMS["humidity-low"].first_step in body
    assert "SINCE MY LAST LETTER No effect seen: look whether it was really changed. Expected +1.5 °C of temperature" in body
    assert "WHY Too dry: 66 % humidity" in body


def test_a_part_that_was_last_seen_failing_is_said_in_english():
    event = told(alarm("heater-failed", change="held", condition="held", value=7.1))
    said = sentence(event, watch(), Style("degC", ZoneInfo("UTC")), event.at_ms)
    assert said.startswith("Big nest: “heat is failing” stood when it was last seen (7.1 °C).")


def test_what_ended_and_stands_again_is_not_said_to_be_over_beside_it():
    again = letter("situation", alarm(), replace(RETURNED, at_ms=NOW - 30 * MINUTE))
    body = " ".join(compose(told(again), watch()).text.split())
    assert "Big nest is too warm: 29.4 °C" in body
    assert "Big nest: “too warm” stood before, from 01:40 CET until 02:40 CET." in body
    assert "no longer" not in body


def test_an_account_of_a_quarter_of_an_hour_ago_is_told_as_of_then():
    later = letter("reminder", replace(COLDER, read_ms=NOW + 15 * MINUTE), at_ms=NOW + 15 * MINUTE)
    body = " ".join(compose(told(later), watch()).text.split())
    assert "At 03:10 CET about 6 % of the cold that such a garden bears was used up (an own estimate)" in body
    assert "at the pace of then the rest lasts until about 08:10 CET." in body


@pytest.mark.parametrize(("slope_k_h", "said"), [(-2.0, "reaches 15.0 °C in about 1 hour."), (-0.2, ""), (1.5, "")])
def test_the_time_to_the_next_mark_is_told_by_the_newest_value_and_pace(slope_k_h, said):
    now = Figures("big-nest", NOW, 17.0, 80.0, None, slope_k_h)
    body = " ".join(compose(told(letter("reminder", COLDER, present=(now,))), watch()).text.split())
    assert said in body and ("At the pace of now" in body) == bool(said)


def test_a_letter_of_a_room_without_advice_asks_for_no_look_at_one_heater():
    cold = (COLDER, replace(COLDER, id="other", chamber="small-nest"))
    settings = watch().model_copy(update={"rooms": {"study": Room()}})
    of_room, of_box = (
        compose(told(letter("escalation", *cold, chamber=place)), settings).text for place in ("study", "big-nest")
    )
    assert "every box named below, the worst one first" in " ".join(of_room.split())
    assert "every box" not in of_box


def test_a_letter_about_several_boxes_names_the_box_of_each_sentence_and_tells_each_harm_once():
    settings = watch().model_copy(update={"rooms": {"study": Room()}})
    crossed = replace(COLDER, change="worsened", worse="mark", mark=15.0, harm_used=0.05, seconds_left=20_000.0)
    other = replace(COLDER, id="o", chamber="small-nest", value=9.0, harm_used=0.7, seconds_left=2_400.0)
    about = (crossed, replace(FAILING, value=14.9), other, replace(other, id="p", alarm="heater-failed"))
    step = replace(CHECK_THE_HEAT, chamber="small-nest", advisory="small-nest-3")
    body = " ".join(compose(told(letter("escalation", *about, step, chamber="study")), settings).text.split())
    assert body.startswith("Big nest has become worse since my last letter: it has fallen below 15.0 °C.")
    assert body.count("Small nest, Österreich: ") >= 2 and "heat is failing" not in body
    assert "Small nest, Österreich: about 70 % of the cold" in body and "about 5 %" not in body
    assert "dewlid ack big-nest small-nest" in body and "dewlid done small-nest-3" in body
    shared = replace(step, boxes=("small-nest", "big-nest"))
    body = " ".join(compose(told(letter("escalation", *about, shared, chamber="study")), settings).text.split())
    assert "When you have done it at every box named, type on the server" in body


def test_what_is_never_done_names_the_box_for_which_it_holds():
    """One box is too hot for foam, the other one is to get it: both in one letter of their room."""
    foam = Action("lid", "insulate", 30.0, "mm", "Lay 30 mm of foam on the lid")
    other = replace(
        ADVICE, id="a2", chamber="small-nest", advisory="small-nest-2", device="lid", change="insulate", actions=(foam,),
        never=("Do not wipe the lid.",), headline=foam.text,
    )
    hot = replace(ADVICE, never=("Do not put foam on the box while it is too warm.",))
    both = compose(letter("situation", alarm(), hot, other, chamber="den"), watch())
    assert "- Big nest: Do not put foam on the box while it is too warm." in " ".join(both.text.split())
    assert "- Small nest, Österreich: Do not wipe the lid." in both.text
    alone = compose(letter("situation", alarm(), hot), watch())
    assert "- Do not put foam on the box while it is too warm." in alone.text


def test_a_lid_that_is_held_to_be_wet_is_not_called_unknown_in_the_same_digest():
    wet = alarm("lid-dew", value=-0.8, limit=0.0, unit="K", priority="digest")
    digest = " ".join(compose(letter("digest", wet, LOOK, chamber=None), watch()).text.split())
    assert "cannot be told from here" not in digest
    assert "Big nest: its lid is taken to be wet, by figures that are not sure of it; your eye is." in digest
    assert "dewlid lid big-nest seen dry" in digest


def test_a_digest_asks_at_last_whether_what_waits_was_done_or_whether_the_probe_is_right():
    """Whoever never says "done" is asked for that; whoever says it each time, and it stands, is asked what the eye sees."""
    day = alarm(since_ms=NOW - 30 * HOUR, priority="today")
    waits = " ".join(compose(letter("digest", day, ADVICE, chamber=None), watch()).text.split())
    assert "Big nest: “too warm” for 30 hours. Have you done what is asked for under “Still to do”?" in waits
    assert waits.count("Have you done") == 1 and 'dewlid note big-nest "WHAT YOU SAW"' in waits
    done = " ".join(compose(letter("digest", day, chamber=None), watch()).text.split())
    assert "Hold a second thermometer beside the garden for ten minutes: does it show 29.4 °C too?" in done
    assert "dewlid out-of-service lid-1 --for 2h" in done
    young = compose(letter("digest", alarm(since_ms=NOW - 20 * HOUR), ADVICE, chamber=None), watch()).text
    assert "ONE QUESTION" not in young
    dry = alarm("humidity-low", value=61.0, limit=70.0, unit="%RH", since_ms=NOW - 30 * HOUR)
    asked = " ".join(compose(letter("digest", dry, chamber=None), watch()).text.split())
    assert "does it show 61 % humidity too? Are the granules dark and moist" in asked


def test_an_alarm_of_which_two_events_are_told_is_told_once():
    chattering = replace(LETTERS["situation"].about[0], id="c", change="chattering", reason="raised three times within 6 h")
    alarms = [event for event in LETTERS["situation"].about if event.kind == "alarm"][:1]
    body = compose(told(letter("situation", *alarms, replace(chattering, alarm=alarms[0].alarm))), watch()).text
    assert body.count("dewlid ack") == 1 and " ".join(body.split()).count("Big nest is too warm") == 1


PLACEHOLDER = re.compile(r"\b(CHAMBER|PROBE|ALARM|ROOM|ADVISORY|PLANT|TASK|TIME|HOURS)\b")


def test_no_text_for_keepers_holds_a_place_that_nobody_filled_in():
    """A letter said `dewlid lid CHAMBER seen dry`: a command that fails when it is typed at 3 a.m."""
    for file in [*Path("rules").rglob("*.py"), *Path("adapters/wording").rglob("*.py")]:
        tree = ast.parse(file.read_text())
        documented = [one for one in ast.walk(tree) if isinstance(one, ast.Module | ast.ClassDef | ast.FunctionDef)]
        told = {ast.get_docstring(one, clean=False) for one in documented}
        texts = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
        assert [text for text in texts if text not in told and "dewlid" in text and PLACEHOLDER.search(text)] == [], file


def test_what_does_harm_is_not_offered_to_be_shelved():
    assert "dewlid shelve" in compose(told(LETTERS["situation"]), watch()).text
    assert "dewlid shelve" not in compose(told(LETTERS["escalation"]), watch()).text


def test_reasons_found_long_ago_are_told_as_past_and_their_predictions_no_longer():
    old = replace(ADVICE, at_ms=NOW - 2 * HOUR)
    body = " ".join(compose(told(letter("escalation", HARMFUL, old)), watch()).text.split())
    assert "What I found at 01:10 CET: It was 29.4 °C and 66 % humidity" in body
    assert "The room was at 21.0 °C" in body
    assert "I expect 27.4" not in body


def test_what_is_expected_is_said_only_where_it_tells_something():
    """"25.5 °C (± 15.1) and 86 % humidity (± 40)" stood in the letter of a box whose heater had failed the day before."""
    near, far = ADVICE.predictions
    wide = replace(ADVICE, predictions=(near, replace(far, temperature_u_k=7.5)))
    body = compose(letter("situation", HARMFUL, wide), watch()).text
    assert "After 1 hour I expect" in body and "After 4 hours" not in body and "± 15" not in body


def test_what_waited_for_the_morning_is_to_be_done_soon_and_not_within_four_minutes():
    calm = letter("situation", HARMFUL, replace(ADVICE, urgency="today", act_within_s=240), urgent=False)
    body = compose(calm, watch()).text
    assert "Do it as soon as you can." in body and "within" not in body.partition("WHAT IS HAPPENING")[0]


def test_a_long_step_is_told_to_its_end():
    """"If you did not pull it, fe…." stood in an urgent letter at 23:40 (attack from outside)."""
    text = " ".join(["If you pulled the plug, find out why it was"] * 12) + ", and then the end"
    step = replace(ADVICE.actions[0], text=text)
    body = " ".join(compose(letter("situation", HARMFUL, replace(ADVICE, actions=[step])), watch()).text.split())
    assert "and then the end." in body and "…" not in body


def test_a_reminder_repeats_no_reasons_of_then():
    old = replace(ADVICE, at_ms=NOW - 2 * HOUR)
    for about in ((HARMFUL, old), (replace(HARMFUL, reason="30.6 °C, falling by 0.1 K per hour"),)):
        body = compose(told(letter("reminder", *about)), watch()).text
        assert "WHY" not in body and "It was" not in body and "falling" not in body


def test_beside_advice_that_was_reminded_of_the_alarms_give_their_reasons():
    told_again = replace(ADVICE, status="reminded", reason="It is 29.4 °C and 66 %RH.")
    harmful = replace(HARMFUL, reason="30.6 °C, rising")
    body = " ".join(compose(told(letter("escalation", harmful, told_again)), watch()).text.split())
    assert "What I found" not in body and "30.6 °C, rising" in body


def test_a_weekly_digest_says_when_the_next_one_is_missed():
    made = compose(told(LETTERS["digest_empty"]), watch(daily_digest=False, weekly_digest="sunday"))
    assert "every Sunday at 08:00" in " ".join(made.text.split())


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ("24 to 28 °C", "75 to 82 °F"),
        ("25.5 degC", "77.9 °F"),
        ("−2 °C and 0.5 K", "28 °F and 0.9 °F"),
        ("± 0.8 K, 5 points", "± 1.4 °F, 5 points"),
        ("below 1.5 K/h", "below 2.7 °F/h"),
        ("1 Kilo, 3 Cats, 80 %RH", "1 Kilo, 3 Cats, 80 % humidity"),
    ],
)
def test_temperatures_inside_sentences_follow_the_unit(said, wanted):
    assert Style("degF", ZoneInfo("UTC")).text(said) == wanted


def test_spans_are_told_in_words():
    spans = [span(seconds) for seconds in (5, 60, 1800, 3600, 5400, 7200, 9000, 86400, 172800, 700000)]
    assert spans == [
        "1 minute", "1 minute", "30 minutes", "1 hour", "1 hour 30 minutes", "2 hours", "2 hours 30 minutes", "24 hours",
        "2 days", "8 days",
    ]  # fmt: skip


numbers = st.none() | st.floats(-1e9, 1e9)
instants = st.integers(NOW - 400 * 24 * HOUR, NOW)
places = st.sampled_from(["big-nest", "small-nest", "gone", None])
texts = st.text(max_size=40)
any_alarm = st.builds(
    alarm, st.sampled_from([*ALARMS, "an-alarm-of-tomorrow"]), at_ms=instants, chamber=places, value=numbers, limit=numbers,
    unit=st.sampled_from(["degC", "%RH", "K", "K/h", "s", "g/m2", None]), since_ms=st.none() | instants,
    change=st.sampled_from(["raised", "escalated", "returned", "held", "unknown", "closed", "latched", "shelved", "resumed"]),
    condition=st.sampled_from(["normal", "active", "held", "unknown"]), level=st.sampled_from(["outside", "harmful", None]),
    probe=st.none() | texts, medium=st.none() | texts, reason=texts, seconds_left=numbers,
    suppression=st.sampled_from(["none", "shelved", "by-design", "out-of-service"]),
)  # fmt: skip
any_event = st.one_of(
    any_alarm,
    st.builds(
        replace, st.just(ADVICE), at_ms=instants, chamber=places, status=st.sampled_from(["given", "resolved", "withdrawn"]),
        reason=texts, headline=texts, actions=st.sampled_from([(), ADVICE.actions]), never=st.tuples(texts),
        lacking=st.tuples(texts),
        act_within_s=st.none() | st.integers(0, 10**6), look_again_s=st.none() | st.integers(0, 10**6),
    ),
    st.builds(
        replace, st.just(SUSPECT), flag=st.sampled_from(["good", "suspect", "fail", "missing"]), detail=texts, probe=texts
    ),
    st.builds(replace, st.just(WASTE), chamber=places, text=texts, status=st.sampled_from(["due", "overdue", "done", "told"])),
    st.builds(SystemEvent, id=st.just("s"), at_ms=instants, chamber=st.none(), what=texts, text=texts),
    st.builds(
        WordEvent, id=st.just("w"), at_ms=instants, chamber=places, word=texts, accepted=st.booleans(), text=texts
    ),
)  # fmt: skip
sorts = st.sampled_from(["situation", "escalation", "reminder", "all-clear", "summary", "digest", "care", "system"])


@settings(max_examples=300, deadline=None)
@given(sorts, st.lists(any_event, max_size=6), places, st.sampled_from(["keeper", "second", "stand-in"]))
def test_whatever_the_rules_may_say_becomes_a_letter_and_lines(sort, about, chamber, to):
    made = compose(told(letter(sort, *about, chamber=chamber, to=to)), watch("degF"))
    assert made.subject.isascii()
    assert 0 < len(made.subject) <= LONGEST_SUBJECT
    assert made.text.strip()
    for event in about:
        assert "\n" not in line_of(told(event), watch())


@given(st.text(max_size=200))
def test_foreign_text_never_carries_control_or_direction_signs(text):
    shown = clean(text, 120)
    assert len(shown) <= 120
    assert not any(ord(char) < 32 or char in "\x7f\u202e\u2028\u0085\x00" for char in shown)
    assert ascii_only(text, "x").isascii()
    assert ascii_only(text, "x")


def test_a_title_with_evil_signs_cannot_leave_its_place():
    evil = watch().model_copy(
        update={"chambers": {"big-nest": Chamber(title="A\r\nBcc: b@c.d\u202e<script>alert(1)</script>\x00")}}
    )
    made = compose(told(LETTERS["situation"]), evil)
    assert "\n" not in made.subject
    assert "\r" not in made.subject
    assert "<script" not in made.html
    assert "\u202e" not in made.text
    assert email.header.Header(made.subject).encode() == made.subject


def test_no_letter_gives_more_time_than_the_next_mark_leaves():
    """It said "within 18 hours" for a box that the same letter told to be at 15 degC in an hour and a half."""
    advice = replace(ADVICE, act_within_s=18 * 3600)
    for slope_k_h, earliest_h, within in (
        (-2.0, 20.0, "Do it within 1 hour."), (-0.1, 20.0, "Do it within 18 hours."), (-0.1, 3.0, "Do it within 3 hours."),
    ):
        now = Figures("big-nest", NOW, 17.0, 80.0, None, slope_k_h)
        colder = replace(COLDER, early_seconds_left=earliest_h * 3600.0)
        body = " ".join(compose(told(letter("situation", colder, advice, present=(now,))), watch()).text.split())
        assert within in body
