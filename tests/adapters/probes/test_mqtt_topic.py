"""Probes on MQTT topics, with mosquitto_pub as the probe."""

from __future__ import annotations

import socket
import threading

import pytest
from pydantic import ValidationError
from structlog.testing import capture_logs

from adapters.mqtt_session import BackOff, Broker, MqttSession
from adapters.probes import Failure, Sample, sources
from adapters.probes.mqtt_topic import MqttTopic

QUICK = BackOff(first_s=0.05, longest_s=0.2, rejected_s=0.1)
AIR = MqttTopic(
    kind="mqtt-topic", place="fungus", broker="home",
    topics={"air_temperature": "shelf/t", "relative_humidity": "shelf/rh"}, units={"air_temperature": "degF"},
)
JSON = MqttTopic(
    kind="mqtt-topic", place="fungus", broker="home", topic="shelf/json",
    json_pointers={"air_temperature": "/air/0", "relative_humidity": "/rh"},
)
SENML = MqttTopic(
    kind="mqtt-topic", place="fungus", broker="home", topic="shelf/senml",
    senml_names={"relative_humidity": "urn:dev:a:rh", "surface_temperature": "urn:dev:a:lid"},
)


def started(running, intake, **probes):
    session = MqttSession("home", Broker(host=running.host, port=running.port), back_off=QUICK)
    (source,) = sources(probes, {"home": session}, now_ms=lambda: 1_790_000_000_000)
    source.start(intake)
    return session, source


def test_all_three_forms_of_payload_become_readings_in_our_units(broker, intake, wait_until):
    running = broker()
    session, source = started(running, intake, air=AIR, json=JSON, senml=SENML)
    wait_until(lambda: session.state[0] == "up")
    running.say("shelf/t", "77\n")
    running.say("shelf/rh", "81.5")
    running.say("shelf/json", '{"air": [24.25, 1], "rh": "80"}')
    running.say("shelf/senml", '[{"bn":"urn:dev:a:","bu":"%RH","n":"rh","v":82,"t":-5},{"n":"lid","u":"K","v":296.15}]')
    wait_until(lambda: len(intake.readings) == 6)
    assert [(probe, quantity, round(value, 6), at_ms) for probe, quantity, value, at_ms in intake.readings] == [
        ("air", "air_temperature", 25.0, None),
        ("air", "relative_humidity", 81.5, None),
        ("json", "air_temperature", 24.25, None),
        ("json", "relative_humidity", 80.0, None),
        ("senml", "relative_humidity", 82.0, 1_790_000_000_000 - 5000),
        ("senml", "surface_temperature", 23.0, None),
    ]
    assert intake.faults == []
    assert source.stop(5.0)


def test_what_the_broker_kept_is_no_fresh_sample(broker, intake, wait_until):
    running = broker()
    running.say("shelf/rh", "11", retain=True)
    _, source = started(running, intake, air=AIR)
    wait_until(lambda: source.retained["air"] == 1)
    running.say("shelf/rh", "82")
    wait_until(lambda: intake.readings)
    assert intake.values("air", "relative_humidity") == [82.0]
    assert source.stop(5.0)


def test_malformed_payloads_are_counted_and_the_first_of_each_kind_is_told(broker, intake, wait_until):
    running = broker()
    session, source = started(running, intake, json=JSON)
    wait_until(lambda: session.state[0] == "up")
    bad = [
        b"\xff\xfe", b"{", b"nope", b'{"air": [1], "air": [2], "rh": 3}', b'{"air": [NaN], "rh": 3}', b"[" * 4000,
        b'{"air": [1e999], "rh": 3}', b'{"air": [' + b"9" * 2000 + b'], "rh": 3}', b"{}", b'{"air": [null], "rh": 3}',
        b"x" * 5000,
    ]
    for payload in bad:
        running.say("shelf/json", payload)
    running.say("shelf/json", '{"air": [24], "rh": 80}')
    wait_until(lambda: len(intake.readings) == 2)
    assert source.tallies["json"].counts() == {
        "good": 1, "thinned": 0, "not-utf-8": 1, "not-json": 2, "duplicate-key": 1, "not-finite": 2,
        "too-deep": 1, "huge-integer": 1, "nothing-there": 1, "not-a-number": 1, "too-large": 1,
    }
    assert {probe for probe, _, _ in intake.faults} == {"json"}
    assert len(intake.faults) == 9
    assert source.stop(5.0)


def test_flood_is_thinned_to_a_bounded_number_of_readings(broker, intake, wait_until):
    running = broker()
    session, source = started(running, intake, air=AIR)
    wait_until(lambda: session.state[0] == "up")
    running.say("shelf/rh", "".join(f"{number % 50 + 50}\n" for number in range(2000)), each_line=True)
    wait_until(lambda: source.tallies["air"].counts()["thinned"] > 500)
    assert len(intake.readings) < 600
    assert source.stop(5.0)


def test_broker_restart_is_told_as_one_medium_and_heals(broker, intake, wait_until):
    running = broker()
    session, source = started(running, intake, air=AIR, json=JSON)
    wait_until(lambda: session.state[0] == "up")
    running.kill()
    wait_until(lambda: intake.media)
    running.start()
    wait_until(lambda: len(intake.media) == 2)
    assert [(name, down) for name, down, _ in intake.media] == [("broker home", True), ("broker home", False)]
    wait_until(lambda: session.state[0] == "up")
    running.say("shelf/rh", "83")
    wait_until(lambda: intake.values("air", "relative_humidity") == [83.0])
    assert source.stop(5.0)


@pytest.mark.parametrize(("protocol", "counted"), [("5", 0), ("3.1.1", 1)])
def test_huge_message_is_never_parsed(broker, intake, wait_until, protocol, counted):
    # With MQTT 5 we say how large a packet may be, and the broker does not even send it.
    running = broker()
    session = MqttSession("home", Broker(host=running.host, port=running.port, protocol=protocol), back_off=QUICK)
    (source,) = sources({"air": AIR}, {"home": session})
    source.start(intake)
    wait_until(lambda: session.state[0] == "up")
    running.say("shelf/rh", b"8" * 1_000_000)
    running.say("shelf/rh", b"82")
    wait_until(lambda: intake.readings)
    assert source.tallies["air"].counts().get("too-large", 0) == counted
    assert intake.values("air", "relative_humidity") == [82.0]
    assert source.stop(5.0)


def test_wrong_password_is_told_of_every_probe_with_one_log_line(broker, intake, wait_until, secret_file):
    running = broker(users={"ant": "leaf"})
    settings = Broker(host=running.host, port=running.port, user="ant", password_file=secret_file("wrong"))
    session = MqttSession("home", settings, back_off=QUICK)
    (source,) = sources({"air": AIR, "json": JSON}, {"home": session})
    with capture_logs() as logs:
        source.start(intake)
        wait_until(lambda: len(intake.faults) == 2)
    assert {(probe, kind) for probe, kind, _ in intake.faults} == {("air", "unreachable"), ("json", "unreachable")}
    assert all("Not authorized" in detail for _, _, detail in intake.faults)
    assert [entry["reason"] for entry in logs if entry["log_level"] != "debug"] == [session.state[1]]
    assert source.stop(5.0)


def test_topic_that_the_broker_refuses_is_told_of_its_probe(intake, wait_until):
    # Older brokers grant what they then never deliver, so the answer is scripted: MQTT 5.0 sections 3.2, 3.9.
    with socket.create_server(("127.0.0.1", 0)) as server:

        def refuse():
            connection, _ = server.accept()
            with connection:
                connection.recv(4096)
                connection.sendall(bytes([0x20, 3, 0, 0, 0]))
                request = connection.recv(4096)
                connection.sendall(bytes([0x90, 5, request[2], request[3], 0, 0x01, 0x87]))
                while connection.recv(4096):
                    pass

        threading.Thread(target=refuse, daemon=True).start()
        session = MqttSession("home", Broker(host="127.0.0.1", port=server.getsockname()[1]), back_off=QUICK)
        (source,) = sources({"air": AIR}, {"home": session})
        source.start(intake)
        wait_until(lambda: intake.faults)
        assert source.stop(5.0)
    assert intake.faults == [
        ("air", "refused", "broker home refuses the topic shelf/rh: Not authorized; check what this user may read")
    ]


def test_message_delivered_twice_with_its_own_time_counts_once(broker, intake, wait_until):
    running = broker()
    session, source = started(running, intake, senml=SENML)
    wait_until(lambda: session.state[0] == "up")
    pack = '[{"n":"urn:dev:a:rh","u":"/","v":0.8,"t":1789999990}]'
    for _ in range(3):
        running.say("shelf/senml", pack)
    running.say("shelf/senml", pack.replace("0.8", "0.9"))
    wait_until(lambda: len(intake.readings) == 2)
    assert intake.values("senml", "relative_humidity") == [80.0, 90.0]
    assert source.stop(5.0)


def test_trial_returns_a_sample_or_says_what_is_missing(broker, wait_until):
    running = broker()
    running.say("shelf/rh", "70", retain=True)
    session = MqttSession("home", Broker(host=running.host, port=running.port), purpose="check")
    (source,) = sources({"air": AIR}, {"home": session})
    assert source.try_once(0.5) == [
        Failure("air", "unreachable", "nothing arrived within 0.5 s, only a retained message, which may be of any age")
    ]
    running.kill()
    (failure,) = source.try_once(2.0)
    assert isinstance(failure, Failure)
    assert "nothing listens" in failure.detail
    assert Sample("a", "air_temperature", 1.0, None) == Sample("a", "air_temperature", 1.0, None)


@pytest.mark.parametrize(
    "topic", ["shelf/+", "shelf/#", "#", "$SYS/uptime", "/shelf", "shelf/", "a//b", "a\0b", "x" * 201, "", "a\nb"]
)
def test_topic_that_is_not_exact_is_refused(topic):
    with pytest.raises(ValidationError):
        MqttTopic(kind="mqtt-topic", place="fungus", broker="home", topics={"air_temperature": topic})


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, "set either topics"),
        ({"topic": "a"}, "set either topics"),
        ({"topics": {"soil_moisture": "a"}}, "'air_temperature', 'relative_humidity' or 'surface_temperature'"),
        ({"topics": {}}, "names no quantity; allowed: air_temperature, relative_humidity, surface_temperature"),
        ({"topics": {"air_temperature": "a", "surface_temperature": "a"}}, "one topic cannot be two quantities"),
        ({"topics": {"air_temperature": "a"}, "units": {"air_temperature": "%RH"}}, "allowed: Cel, degC"),
        ({"topics": {"air_temperature": "a"}, "units": {"relative_humidity": "%"}}, "does not read"),
        ({"topic": "a", "json_pointers": {"air_temperature": "t"}}, 'must start with "/"'),
    ],
)
def test_settings_that_cannot_work_are_refused_with_what_is_allowed(keys, said):
    with pytest.raises(ValidationError, match=r"(?s)" + said.replace("(", r"\(")):
        MqttTopic(kind="mqtt-topic", place="fungus", broker="home", **keys)


def test_password_cannot_stand_in_the_broker_table():
    with pytest.raises(ValidationError, match="password"):
        Broker(host="h", user="ant", password="leaf")
