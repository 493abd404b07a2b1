"""Which outlet owes what for which event, and what becomes of it in the store."""

import json
from zoneinfo import ZoneInfo

import pytest

from adapters.outlets import ConsoleOutlet, MailOutlet, MqttOutlet
from adapters.wording.letter import compose
from daemon.delivery.folding import folded
from daemon.delivery.owed import Notice, notice_events, obsolete, owed_by, owed_state
from daemon.store import outbox_rows
from daemon.store.history import History
from daemon.store.reader import HistoryReader
from rules.climate.situation import Situation
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.events import AdviceEvent, AlarmEvent, Batch, LetterEvent, QualityEvent, event_of

NOW = 1_764_036_600_000
WATCH = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={}, chambers={"nest": Chamber()}, probes={"air-1": Probe(place="nest")},
    telling=Telling(),
)  # fmt: skip
OUTLETS = {
    "home": MqttOutlet(kind="mqtt", broker="b"),
    "post": MailOutlet(
        kind="mail", host="mail.example.org", sender="d@example.org", to=["k@example.org", "l@example.org"],
        second=["s@example.org"],
    ),
    "screen": ConsoleOutlet(kind="console", tell=["alarm", "letter"]),
}  # fmt: skip


def alarm(change="raised", **more):
    facts = {
        "id": f"a.nest.humidity-low.1.{change}", "at_ms": NOW, "chamber": "nest", "alarm": "humidity-low", "change": change,
        "condition": "active", "level": "outside", "acknowledged": False, "suppression": "none", "occurrence": 1,
        "priority": "today", "value": 64.0, "limit": 70.0, "unit": "%RH",
    } | more  # fmt: skip
    return AlarmEvent(**facts)


def letter(ordinal=1, sort="situation", to="keeper", about=None, at_ms=NOW):
    return LetterEvent(
        id=f"o.letter.situation.nest.1.{ordinal}", at_ms=at_ms, chamber="nest", sort=sort, thread="situation.nest.1",
        ordinal=ordinal, to=to, urgent=False, about=about or (alarm(),),
    )  # fmt: skip


def advice(status="given"):
    return AdviceEvent(
        id=f"v.{status}", at_ms=NOW, chamber="nest", advisory="v", status=status, device="water", change="more", amount=None,
        unit=None, reason="dry",
    )  # fmt: skip


def brief(owed):
    return sorted((each.outlet, each.recipient, each.topic, each.retained) for each in owed)


def test_an_alarm_is_an_event_and_a_state_on_mqtt_and_a_line_on_the_console():
    assert brief(owed_by([alarm()], OUTLETS, WATCH)) == [
        ("home", "", "chamber/nest/alarm/humidity-low", True),
        ("home", "", "chamber/nest/event/alarm", False),
        ("screen", "", "", False),
    ]


def test_the_console_is_spared_what_only_sorts_alarms():
    events = [alarm("suppressed"), alarm("unknown", condition="unknown"), alarm("resumed", condition="normal")]
    assert owed_by(events, {"screen": OUTLETS["screen"]}, WATCH) == []


def test_mail_owes_only_letters_one_to_each_address_of_its_role():
    assert [each.recipient for each in owed_by([alarm(), letter()], {"post": OUTLETS["post"]}, WATCH)] == [
        "k@example.org", "l@example.org",
    ]  # fmt: skip
    assert [each.recipient for each in owed_by([letter(to="second")], {"post": OUTLETS["post"]}, WATCH)] == ["s@example.org"]
    assert [each.recipient for each in owed_by([letter(to="stand-in")], {"post": OUTLETS["post"]}, WATCH)] == [
        "k@example.org", "l@example.org",
    ]  # fmt: skip


def test_a_keeper_without_a_second_address_gets_one_letter_of_a_situation_at_an_instant():
    alone = OUTLETS["post"].model_copy(update={"second": []})
    both, later = [letter(4), letter(5, to="second")], letter(6, to="second", at_ms=NOW + 1)
    assert [each.event_id[-1] for each in owed_by(both, {"post": alone}, WATCH)] == ["4", "4"]  # to k and to l
    assert [each.recipient[0] for each in owed_by([*both, later], {"post": alone}, WATCH)] == ["k", "l", "k", "l"]
    assert [each.recipient for each in owed_by(both, {"post": OUTLETS["post"]}, WATCH)][2:] == ["s@example.org"]


def test_every_kind_of_event_goes_to_mqtt_under_its_stable_id_and_says_that_it_only_advises():
    quality = QualityEvent(
        id="q1", at_ms=NOW, chamber=None, probe="p", quantity=None, test="gap", flag="missing", ne107="failure"
    )
    owed = [each for each in owed_by([alarm(), advice(), letter(), quality], OUTLETS, WATCH) if each.outlet == "home"]
    events = [each for each in owed if not each.retained]
    assert [each.event_id for each in events] == [json.loads(each.payload)["id"] for each in events]
    assert [each.topic for each in events][-1] == "site/event/quality"
    assert {each.topic.removeprefix("chamber/nest/").removeprefix("site/").split("/")[0] for each in owed} == {
        "event", "alarm", "advice",
    }, "no topic is a device's command"  # fmt: skip
    bodies = [json.loads(each.payload) for each in owed]
    assert all(body["advisory_only"] is True and body["schema"] == 1 for body in bodies)


@pytest.mark.parametrize(("status", "stands"), [("given", True), ("updated", True), ("resolved", False), ("withdrawn", False)])
def test_an_advisory_that_is_over_is_removed_from_its_topic(status, stands):
    (state,) = [each for each in owed_by([advice(status)], OUTLETS, WATCH) if each.retained]
    assert state.topic == "chamber/nest/advice"
    assert bool(state.payload) is stands


def test_an_alarm_that_the_config_no_longer_knows_is_removed_from_its_topic():
    (state,) = [each for each in owed_by([alarm("closed", condition="normal")], OUTLETS, WATCH) if each.retained]
    assert state.payload == ""


def test_only_what_opens_or_ends_something_or_is_mailed_news_may_not_be_dropped():
    events = [alarm("raised"), alarm("acknowledged"), alarm("returned"), letter(1), letter(2, "digest"), letter(3, "reminder")]
    owed = owed_by(events, {"home": OUTLETS["home"], "post": OUTLETS["post"]}, WATCH)
    kept = {(each.outlet, each.event_id.rpartition(".")[2], each.standing) for each in owed if not each.expendable}
    assert kept == {
        ("home", "raised", "opens"), ("home", "returned", "ends"), ("home", "1", "opens"), ("home", "3", ""),
        ("post", "1", "opens"), ("post", "3", ""),
    }  # fmt: skip


def test_a_restart_that_tells_old_events_again_owes_nothing_anew(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    told = [alarm("raised"), alarm("returned", condition="normal")]
    history.record(Batch(), told, owed=owed_by(told, OUTLETS, WATCH))
    with HistoryReader(history.path) as reader:
        rows = [row for name in OUTLETS for row in outbox_rows.waiting(reader.connection, name)]
        states = outbox_rows.retained(reader.connection, "home")
        history.settle([outbox_rows.Receipt(row.row, "taken") for row in rows])
        history.record(Batch(), told, owed=owed_by(told, OUTLETS, WATCH))
        assert [row for name in OUTLETS for row in outbox_rows.waiting(reader.connection, name)] == []
        assert outbox_rows.retained(reader.connection, "home") == states
    history.close()
    assert json.loads(states[0].owed.payload)["condition"] == "normal"


def situation(chamber="nest"):
    figures = dict.fromkeys(Situation.__dataclass_fields__) | {"at_ms": NOW, "chamber": chamber, "condensate_g_m2": 0.0}
    return Situation(**(figures | {"visiting": False, "saturated": False, "lacking": (), "harm": ()}))


def test_a_chamber_s_state_is_owed_to_mqtt_and_removed_when_the_chamber_is_gone(tmp_path):
    history = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    history.record(Batch(), owed=[*owed_state(situation(), OUTLETS, WATCH), *owed_state(situation("gone"), OUTLETS, WATCH)])
    with HistoryReader(history.path) as reader:
        states = outbox_rows.retained(reader.connection, "home")
        assert [row.owed.topic for row in states] == ["chamber/nest/state", "chamber/gone/state"]
        removed = obsolete(states, WATCH, NOW + 1)
        assert [(each.topic, each.payload) for each in removed] == [("chamber/gone/state", "")]
        history.record(Batch(), owed=removed)
        assert obsolete(outbox_rows.retained(reader.connection, "home"), WATCH, NOW + 2) == []
    history.close()


def test_an_outlet_s_trouble_is_told_by_the_others_only():
    notice = Notice("post", "outlet-refused", "mail server x refuses user or password: 535", 60.0, 2)
    events = notice_events(notice, NOW)
    assert {each.outlet for each in owed_by(events, OUTLETS, WATCH, trouble=notice)} == {"home", "screen"}
    assert "535. 2 messages wait." in events[0].text
    assert compose(event_of(json.loads(json.dumps(events[1].as_json()))), WATCH).subject.startswith("Message refused")
    at_once = notice_events(Notice("post", "outlet-down", "the certificate is not accepted", 0.4, 0), NOW)[0]
    assert at_once.text == "The outlet post does not work: the certificate is not accepted."
    back = notice_events(Notice("post", "outlet-back", "", 7200.0, 0), NOW)
    assert [event.kind for event in back] == ["system"]
    assert "works again after 2 hours" in back[0].text


def test_a_refused_address_is_told_to_the_others_of_its_outlet():
    addresses = {"to": ["gone@example.org", "k@example.org"], "second": ["s@example.org"]}
    only = {"post": OUTLETS["post"].model_copy(update=addresses)}
    text = "mail server x does not take letters for gone@example.org: 550 no such mailbox"
    notice = Notice("post", "outlet-refused", text, 0.0, 0, refused="gone@example.org")
    owed = owed_by(notice_events(notice, NOW), only, WATCH, trouble=notice)
    assert [each.recipient for each in owed] == ["k@example.org", "s@example.org"]
    assert "550 no such mailbox" in owed[0].payload


def test_many_old_letters_become_one_with_the_newest_word_on_each_alarm():
    raised, returned = alarm(), alarm("returned", condition="normal")
    other = alarm(alarm="lid-dew", id="x")
    letters = [letter(1, about=(raised,)), letter(2, "all-clear", about=(returned,)), letter(3, about=(other,))]
    owed = owed_by(letters, {"post": OUTLETS["post"]}, WATCH)
    one = folded([each for each in owed if each.recipient == "k@example.org"])
    about = json.loads(one.payload)["about"]
    assert [(event.get("alarm"), event.get("change")) for event in about] == [
        ("lid-dew", "raised"), ("humidity-low", "returned"), (None, None),
    ]  # fmt: skip
    assert one.recipient == "k@example.org"
    text = compose(event_of(json.loads(one.payload)), WATCH).text
    assert "3 letters could not be sent" in " ".join(text.split())
