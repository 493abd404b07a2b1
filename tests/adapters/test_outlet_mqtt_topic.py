"""The MQTT outlet against a real broker: topics, retained states, expiry, refusals, restarts."""

import json
import subprocess
from zoneinfo import ZoneInfo

import pytest

from adapters.broker import Broker
from adapters.errors import OutletRefused, OutletUnreachable
from adapters.mqtt_session import BackOff, MqttSession
from adapters.outlets import MqttOutlet, availabilities
from adapters.outlets.mqtt_topic import TopicPublisher
from adapters.outlets.outlet import Owed
from adapters.wording.payload import alarm_topic, chamber_state, place_level, site_level
from rules.climate.situation import Situation
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import AlarmEvent

WATCH = Settings(
    site=Site(name="Große Fungus-Shelf №1"), zone=ZoneInfo("UTC"), rooms={"cellar": Room()},
    chambers={"big-nest": Chamber()}, probes={"air-1": Probe(place="big-nest")}, telling=Telling(),
)  # fmt: skip
SETTINGS = MqttOutlet(kind="mqtt", broker="home")
ROOT = "dewlid/grosse-fungus-shelf-no1"


def owed(topic, payload, retained=False, kind="alarm"):
    return Owed(outlet="mqtt", event_id="e1", kind=kind, topic=topic, payload=payload, made_ms=0, retained=retained)


@pytest.fixture
def publisher(wait_until):
    """A factory of publishers on a session to a running broker."""
    made = []

    def make(running, protocol="5", **more):
        settings = Broker(host="127.0.0.1", port=running.port, protocol=protocol, **more)
        session = MqttSession(
            "home", settings, availability=availabilities({"mqtt": SETTINGS}, WATCH)["home"],
            back_off=BackOff(0.05, 0.2, 0.2),
        )  # fmt: skip
        publisher = TopicPublisher(SETTINGS, WATCH, session)
        made.append(publisher)
        wait_until(lambda: session.state[0] in ("up", "rejected"), "the session")
        return publisher, session

    yield make
    for each in made:
        each.close()


def heard(running, topic, count=1, timeout_s=5, user=(), form="%t %r %p"):
    """What a fresh subscriber is told."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(running.port), "-t", topic, "-C", str(count), "-W", str(timeout_s)]
    done = subprocess.run([*command, "-V", "5", "-q", "1", "-F", form, *user], capture_output=True, text=True, check=False)
    return done.stdout.splitlines()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_state_is_retained_and_an_event_is_not(broker, publisher, protocol):
    running = broker()
    outlet, _ = publisher(running, protocol)
    outlet.send(owed("chamber/big-nest/alarm/humidity-low", '{"condition":"active"}', retained=True))
    outlet.send(owed("chamber/big-nest/event/alarm", '{"id":"e1"}'))
    assert heard(running, f"{ROOT}/chamber/#", count=2, timeout_s=1) == [
        f'{ROOT}/chamber/big-nest/alarm/humidity-low 1 {{"condition":"active"}}'
    ]


def test_a_live_reader_gets_the_event_with_its_content_type_and_expiry(broker, publisher):
    running = broker()
    outlet, _ = publisher(running)
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(running.port), "-t", f"{ROOT}/#", "-C", "2", "-W", "5", "-V", "5"]
    reader = subprocess.Popen([*command, "-q", "1", "-F", "%t %q %C %E %F %p"], stdout=subprocess.PIPE, text=True)
    assert reader.stdout.readline().startswith(f"{ROOT}/watching 1")
    outlet.send(owed("chamber/big-nest/event/alarm", '{"id":"e1"}'))
    line = reader.stdout.read().strip()
    reader.stdout.close()
    assert reader.wait() == 0
    assert line == f'{ROOT}/chamber/big-nest/event/alarm 1 application/json 604800 1 {{"id":"e1"}}'


def test_only_the_state_of_a_chamber_expires(broker, publisher):
    running = broker()
    outlet, _ = publisher(running)
    outlet.send(owed("chamber/big-nest/state", "{}", retained=True, kind="state"))
    outlet.send(owed("chamber/big-nest/alarm/lid-dew", "{}", retained=True))
    assert [int(line) for line in heard(running, f"{ROOT}/chamber/big-nest/state", form="%E")] == [pytest.approx(3600, abs=20)]
    assert heard(running, f"{ROOT}/chamber/big-nest/alarm/lid-dew", form="%E") in ([""], ["0"])


def test_an_empty_state_removes_it(broker, publisher):
    running = broker()
    outlet, _ = publisher(running)
    outlet.send(owed("chamber/gone/state", "{}", retained=True))
    outlet.send(owed("chamber/gone/state", "", retained=True))
    assert heard(running, f"{ROOT}/chamber/gone/state", timeout_s=1) == []


def test_a_topic_says_whether_it_watches(broker, publisher):
    running = broker()
    outlet, _ = publisher(running)
    assert heard(running, f"{ROOT}/watching", form="%p") == ["yes"]
    outlet.close()
    assert heard(running, f"{ROOT}/watching", form="%p") == ["no"]


def test_a_broker_that_is_gone_is_unreachable_and_its_return_is_a_new_session(broker, publisher, wait_until):
    running = broker()
    outlet, session = publisher(running)
    before = outlet.session
    running.kill()
    wait_until(lambda: session.state[0] == "down", "the loss")
    with pytest.raises(OutletUnreachable):
        outlet.send(owed("chamber/big-nest/event/alarm", "{}"))
    running.start()
    wait_until(lambda: outlet.session > before, "the return")
    outlet.send(owed("chamber/big-nest/state", "{}", retained=True))
    assert len(heard(running, f"{ROOT}/chamber/big-nest/state")) == 1


def test_a_topic_that_the_broker_denies_is_refused(broker, publisher):
    acl = f"user ant\ntopic write {ROOT}/watching\n"
    running = broker(users={"ant": "secret"}, acl=acl)
    path = running.folder / "our-password"
    path.write_text("secret\n")
    path.chmod(0o600)
    outlet, _ = publisher(running, user="ant", password_file=str(path))
    with pytest.raises(OutletRefused):
        outlet.send(owed("chamber/big-nest/event/alarm", "{}"))


def test_levels_are_safe_whatever_the_names_are():
    assert site_level(WATCH) == "grosse-fungus-shelf-no1"
    assert site_level(WATCH.model_copy(update={"site": Site(name="日本/#+")})) == "site"
    assert place_level(WATCH, "big-nest") == "chamber/big-nest"
    assert place_level(WATCH, "cellar") == "room/cellar"
    assert place_level(WATCH, None) == "site"
    down = AlarmEvent(
        id="m", at_ms=0, chamber=None, alarm="medium-down", change="raised", condition="active", level="outside",
        acknowledged=False, suppression="none", occurrence=1, priority="today", value=None, limit=None, unit=None,
        medium="line /dev/tty#+",
    )  # fmt: skip
    topic = alarm_topic(WATCH, down)
    assert topic == "site/alarm/medium-down/line-dev-tty-"


def test_a_chamber_s_state_says_what_is_known_and_that_it_only_advises():
    situation = Situation(
        at_ms=1_764_036_600_000, chamber="big-nest", temperature_c=26.123456, relative_humidity_pct=float("nan"),
        dew_point_c=None,
        absolute_humidity_g_m3=20.0, vapour_pressure_deficit_pa=600.0, lid_temperature_c=24.0, lid_source="estimated",
        dew_margin_k=0.4, probability_wet=0.2, condensate_g_m2=0.0, room_temperature_c=21.0, room_relative_humidity_pct=40.0,
        room_dew_point_c=7.0, u_temperature_k=0.2, u_relative_humidity_pct=2.0, u_dew_point_k=0.4, u_dew_margin_k=0.5,
        temperature_slope_k_h=None, humidity_slope_pct_h=None, room_slope_k_h=None, garden_ml=None,
    )  # fmt: skip
    state = json.loads(chamber_state(situation, WATCH, ["humidity-low"], {"advisory": "a1", "headline": "Wet the clay"}))
    assert state["schema"] == 1
    assert state["advisory_only"] is True
    assert (state["temperature_c"], state["relative_humidity_pct"], state["dew_point_c"]) == (26.123, None, None)
    assert state["alarms"] == ["humidity-low"]
    assert state["advice"]["headline"] == "Wet the clay"
    assert state["time"] == "2025-11-25T02:10:00Z"
