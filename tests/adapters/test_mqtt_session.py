"""The session against a real mosquitto: states with reasons, self-healing, acknowledgements, no silent hang."""

from __future__ import annotations

import re
import socket
import threading
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.broker import client_id_of
from adapters.errors import OutletRefused, OutletUnreachable
from adapters.mqtt_session import Availability, BackOff, Broker, Message, MqttSession

QUICK = BackOff(first_s=0.05, longest_s=0.2, rejected_s=0.1)


@pytest.fixture
def session():
    made = []

    def make(running, **options):
        keys = {"host": running.host, "port": running.port, "tls": bool(running.tls), "ca_file": running.ca_file}
        extra = {name: options.pop(name) for name in ("availability", "purpose") if name in options}
        settings = Broker(**(keys | options)).model_copy(update={"keepalive_s": 1})
        one = MqttSession("shelf", settings, back_off=QUICK, **extra)
        made.append(one)
        one.start()
        return one

    yield make
    for one in made:
        assert one.stop(5.0)


def state_of(one):
    return one.state[0]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_message_from_a_real_publisher_arrives(broker, session, wait_until, protocol):
    running = broker()
    arrived: list[Message] = []
    one = session(running, protocol=protocol)
    one.subscribe("shelf/air", arrived.append)
    wait_until(lambda: state_of(one) == "up")
    running.say("shelf/air", "25.5")
    wait_until(lambda: arrived)
    assert arrived == [Message("shelf/air", b"25.5", retained=False)]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_the_broker_kept_is_marked_as_retained(broker, session, wait_until, protocol):
    running = broker()
    running.say("shelf/air", "19", retain=True)
    arrived: list[Message] = []
    session(running, protocol=protocol).subscribe("shelf/air", arrived.append)
    wait_until(lambda: arrived)
    running.say("shelf/air", "25", retain=True)
    wait_until(lambda: len(arrived) == 2)
    assert [(one.payload, one.retained) for one in arrived] == [(b"19", True), (b"25", False)]


def test_wrong_password_is_rejected_with_its_reason_and_heals_when_the_file_is_mended(
    broker, session, wait_until, secret_file
):
    running = broker(users={"ant": "leaf"})
    path = secret_file("wrong")
    with capture_logs() as logs:
        one = session(running, user="ant", password_file=path)
        wait_until(lambda: state_of(one) == "rejected")
        assert "Not authorized" in one.state[1]
        assert "password_file" in one.state[1]
        Path(path).write_text("leaf\n")
        wait_until(lambda: state_of(one) == "up")
    told = [entry["state"] for entry in logs if entry["event"] == "broker state" and entry["log_level"] != "debug"]
    assert told == ["rejected", "up"]


def test_open_secret_file_is_refused_before_anything_is_sent(broker, session, wait_until, secret_file):
    running = broker(users={"ant": "leaf"})
    path = secret_file("leaf")
    Path(path).chmod(0o644)
    one = session(running, user="ant", password_file=path)
    wait_until(lambda: state_of(one) == "rejected")
    assert "chmod 600" in one.state[1]
    assert "leaf" not in one.state[1].replace(path, "")


def test_broker_that_is_down_at_the_start_is_found_when_it_comes(broker, session, wait_until):
    running = broker()
    running.kill()
    one = session(running)
    wait_until(lambda: state_of(one) == "down")
    assert "nothing listens" in one.state[1]
    running.start()
    wait_until(lambda: state_of(one) == "up")


def test_restart_of_the_broker_subscribes_again(broker, session, wait_until):
    running = broker()
    arrived: list[Message] = []
    states: list[str] = []
    one = session(running)
    one.watch(lambda state, _detail: states.append(state))
    one.subscribe("shelf/air", arrived.append)
    wait_until(lambda: state_of(one) == "up")
    running.kill()
    wait_until(lambda: "down" in states)
    running.start()
    wait_until(lambda: states[-1] == "up")
    running.say("shelf/air", "26")
    wait_until(lambda: arrived)
    assert arrived[-1].payload == b"26"


def test_frozen_broker_is_noticed_and_a_message_to_it_is_not_counted_as_delivered(broker, session, wait_until):
    running = broker()
    one = session(running)
    wait_until(lambda: state_of(one) == "up")
    running.freeze()
    promise = one.submit("shelf/told", b"x")
    wait_until(lambda: state_of(one) == "down", timeout_s=30)
    with pytest.raises(OutletUnreachable, match="not acknowledged"):
        promise.result(1)
    running.thaw()
    wait_until(lambda: state_of(one) == "up")


def test_broker_that_takes_the_connection_and_never_answers_is_told(session, wait_until, monkeypatch):
    monkeypatch.setattr("adapters.mqtt_session._ANSWER_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        class Mute:
            host, port, tls, ca_file = "127.0.0.1", mute.getsockname()[1], False, None

        one = session(Mute)
        wait_until(lambda: state_of(one) == "down")
        assert "has not answered" in one.state[1]


def test_broker_that_never_acknowledges_is_left_and_the_message_counts_as_undelivered(session, wait_until, monkeypatch):
    monkeypatch.setattr("adapters.mqtt_session._ANSWER_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def swallow():
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                with connection:
                    connection.recv(4096)
                    connection.sendall(bytes([0x20, 3, 0, 0, 0]))  # CONNACK of MQTT 5: success, no properties
                    while connection.recv(4096):
                        pass

        threading.Thread(target=swallow, daemon=True).start()

        class Swallowing:
            host, port, tls, ca_file = "127.0.0.1", server.getsockname()[1], False, None

        one = session(Swallowing)
        details: list[str] = []
        one.watch(lambda _state, detail: details.append(detail))
        wait_until(lambda: state_of(one) == "up")
        promise = one.submit("shelf/told", b"1")
        with pytest.raises(OutletUnreachable, match="not acknowledged"):
            promise.result(10)
        wait_until(lambda: any("has not acknowledged a message" in detail for detail in details))
        server.shutdown(socket.SHUT_RDWR)


def test_ca_file_that_is_no_certificate_is_told(broker, session, wait_until, tmp_path):
    path = tmp_path / "ca.pem"
    path.write_text("not a certificate")
    one = session(broker(tls=True), ca_file=str(path))
    wait_until(lambda: state_of(one) == "rejected")
    assert "no usable PEM file" in one.state[1]


def test_tls_with_the_right_authority_connects(broker, session, wait_until):
    running = broker(tls=True)
    one = session(running)
    wait_until(lambda: state_of(one) == "up")


def test_certificate_of_an_unknown_authority_is_named(broker, session, wait_until):
    one = session(broker(tls=True), ca_file=None)
    wait_until(lambda: state_of(one) == "rejected")
    assert "its certificate is not accepted: unable to get local issuer certificate" in one.state[1]


def test_certificate_for_another_name_is_named(broker, session, wait_until):
    one = session(broker(tls=True, names=("other.example",)))
    wait_until(lambda: state_of(one) == "rejected")
    assert "its certificate is not accepted: IP address mismatch" in one.state[1]


def test_name_that_nobody_knows_is_told(broker, session, wait_until):
    one = session(broker(), host="nobody.invalid")
    wait_until(lambda: state_of(one) == "down", timeout_s=60)
    assert "the name nobody.invalid is not known" in one.state[1]


def test_expired_certificate_is_named(broker, session, wait_until):
    running = broker(tls=True, expired=True)
    one = session(running)
    wait_until(lambda: state_of(one) == "rejected")
    assert "expired" in one.state[1]


def test_missing_client_certificate_is_named_and_the_right_one_connects(broker, session, wait_until):
    running = broker(tls="client")
    without = session(running)
    wait_until(lambda: state_of(without) == "rejected")
    assert "client certificate" in without.state[1]
    with_it = session(
        running, client_certificate_file=running.client_certificate_file, client_key_file=running.client_key_file,
        client_id="other",
    )
    wait_until(lambda: state_of(with_it) == "up")


def test_tls_towards_a_plain_port_is_told(broker, session, wait_until):
    one = session(broker(), tls=True)
    wait_until(lambda: state_of(one) == "down", timeout_s=30)
    assert "is that its TLS port?" in one.state[1]


def test_publish_returns_only_when_acknowledged(broker, session, wait_until):
    running = broker()
    arrived: list[Message] = []
    one = session(running)
    one.subscribe("shelf/told", arrived.append)
    wait_until(lambda: state_of(one) == "up")
    for number in range(200):
        one.publish("shelf/told", str(number).encode(), content_type="text/plain", expiry_s=60)
    wait_until(lambda: len(arrived) == 200)
    assert [int(message.payload) for message in arrived] == list(range(200))


def test_publishing_from_many_threads_loses_nothing(broker, session, wait_until):
    running = broker()
    arrived: list[Message] = []
    one = session(running)
    one.subscribe("shelf/told", arrived.append)
    wait_until(lambda: state_of(one) == "up")

    def publish(first: int) -> None:
        for number in range(first, first + 50):
            one.publish("shelf/told", str(number).encode())

    threads = [threading.Thread(target=publish, args=(first,)) for first in range(0, 400, 50)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    wait_until(lambda: len(arrived) == 400)
    assert sorted(int(message.payload) for message in arrived) == list(range(400))


def test_denied_topic_is_refused_by_version_5_reason_code(broker, session, wait_until, secret_file):
    running = broker(users={"ant": "leaf"}, acl="user ant\ntopic write shelf/mine\n")
    one = session(running, user="ant", password_file=secret_file("leaf"))
    wait_until(lambda: state_of(one) == "up")
    one.publish("shelf/mine", b"1")
    with pytest.raises(OutletRefused, match="Not authorized"):
        one.publish("shelf/theirs", b"1")


def test_publish_while_down_is_refused_at_once_so_that_the_outbox_keeps_it(broker, session, wait_until):
    running = broker()
    running.kill()
    one = session(running)
    wait_until(lambda: state_of(one) == "down")
    with pytest.raises(OutletUnreachable, match="is down"):
        one.publish("shelf/told", b"1")


def test_it_says_yes_while_connected_and_no_after_a_clean_stop(broker, session, wait_until):
    running = broker()
    seen: list[Message] = []
    listener = session(running, client_id="listener")
    listener.subscribe("shelf/here", seen.append)
    wait_until(lambda: state_of(listener) == "up")
    one = session(running, availability=Availability("shelf/here"))
    wait_until(lambda: [message.payload for message in seen] == [b"yes"])
    assert one.stop(5.0)
    wait_until(lambda: [message.payload for message in seen] == [b"yes", b"no"])


def test_two_programs_with_one_client_id_are_told_so(broker, session, wait_until):
    running = broker()
    details: list[str] = []
    first = session(running, client_id="twin")
    first.watch(lambda _state, detail: details.append(detail))
    wait_until(lambda: state_of(first) == "up")
    session(running, client_id="twin")
    wait_until(lambda: any("same client_id" in detail for detail in details))


def test_two_sites_of_one_cloned_machine_have_names_of_their_own_that_every_broker_takes():
    settings = Broker(host="localhost")
    names = {client_id_of(settings, "broker home", "", site) for site in ("North shelf", "South shelf", "")}
    assert len(names) == 3
    assert {client_id_of(settings, "broker home", "", "North shelf")} < names
    assert all(re.fullmatch("[0-9a-zA-Z-]{1,23}", name) for name in names)  # MQTT 3.1.1, [MQTT-3.1.3-5]


def test_callback_that_raises_is_counted_and_the_session_goes_on(broker, session, wait_until):
    running = broker()
    arrived: list[Message] = []

    def broken(_message: Message) -> None:
        raise RuntimeError("broken taker")

    one = session(running)
    one.subscribe("shelf/air", broken)
    one.subscribe("shelf/air", arrived.append)
    wait_until(lambda: state_of(one) == "up")
    running.say("shelf/air", "1")
    running.say("shelf/air", "2")
    wait_until(lambda: len(arrived) == 2)
    assert one.callback_failures == 2
    assert state_of(one) == "up"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_hundreds_of_topics_are_subscribed_and_again_after_a_restart(broker, session, wait_until, protocol):
    running = broker()
    arrived: list[Message] = []
    one = session(running, protocol=protocol)
    for number in range(230):
        one.subscribe(f"shelf/{number}", arrived.append)
    states: list[str] = []
    one.watch(lambda state, _detail: states.append(state))
    wait_until(lambda: state_of(one) == "up")
    running.restart()
    wait_until(lambda: "down" in states and states[-1] == "up")
    for number in (0, 49, 50, 229):
        running.say(f"shelf/{number}", str(number))
    wait_until(lambda: len(arrived) == 4)
    assert [message.topic for message in arrived] == ["shelf/0", "shelf/49", "shelf/50", "shelf/229"]


def test_user_who_stops_does_not_end_the_session_of_the_other(broker, session, wait_until):
    running = broker()
    one = session(running)
    one.start()
    wait_until(lambda: state_of(one) == "up")
    assert one.stop()
    one.publish("shelf/told", b"still there")
