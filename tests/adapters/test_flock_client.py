"""The client that reads ahead, with a real mosquitto between: every message, whole, in order, at each quality of service."""

from __future__ import annotations

import subprocess
from collections import Counter

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.exception import MalformedPacket

from adapters.flock_client import READ_BYTES, FlockClient, Message, taken_apart
from adapters.mqtt_session import BackOff, Broker, MqttSession


@pytest.fixture
def listen(broker, wait_until):
    """A broker and what a session hears of `shelf/air`."""
    made = []

    def make(protocol, *, tls=False):
        running = broker(tls=tls)
        where = {"host": running.host, "port": running.port, "tls": tls, "ca_file": running.ca_file}
        one = MqttSession("shelf", Broker(protocol=protocol, **where), back_off=BackOff())
        arrived: list[Message] = []
        one.subscribe("shelf/air", arrived.append)
        one.start()
        made.append(one)
        wait_until(lambda: one.state[0] == "up")
        return running, arrived

    yield make
    for one in made:
        assert one.stop(5.0)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("qos", [0, 1, 2])
def test_a_flock_arrives_whole_and_in_order_wherever_the_reads_cut_it(listen, wait_until, protocol, qos):
    running, arrived = listen(protocol)
    said = ["x" * (n % 97) + str(n) for n in range(900)] + ["y" * (3 * READ_BYTES), "last"]
    running.say("shelf/air", "\n".join(said), qos=qos, each_line=True)
    wait_until(lambda: len(arrived) >= len(said))
    assert [one.payload.decode() for one in arrived] == said
    assert {(one.topic, one.retained) for one in arrived} == {("shelf/air", False)}


def test_a_flock_under_encryption_leaves_nothing_behind_in_the_record_that_was_read(listen, wait_until):
    running, arrived = listen("5", tls=True)
    said = [f"{n} {'z' * (n % 300)}" for n in range(600)]
    running.say("shelf/air", "\n".join(said), qos=0, each_line=True)
    wait_until(lambda: len(arrived) >= len(said))
    assert [one.payload.decode() for one in arrived] == said


def test_the_library_still_calls_the_two_functions_that_are_overridden(listen, wait_until, monkeypatch):
    assert {"_sock_recv", "_handle_publish"} <= set(vars(mqtt.Client))
    calls = Counter()
    for name in ("_sock_recv", "_handle_publish"):
        own = vars(FlockClient)[name]
        monkeypatch.setattr(FlockClient, name, lambda *given, own=own, name=name: (calls.update([name]), own(*given))[1])
    running, arrived = listen("5")
    running.say("shelf/air", "\n".join(map(str, range(50))), qos=0, each_line=True)
    wait_until(lambda: len(arrived) == 50)
    assert calls["_handle_publish"] == 50
    assert calls["_sock_recv"] > 50


@pytest.mark.parametrize("qos", ["0", "1"])
def test_properties_that_a_sender_adds_do_not_become_part_of_the_payload(listen, wait_until, qos):
    running, arrived = listen("5")
    command = ["mosquitto_pub", "-V", "mqttv5", "-h", running.host, "-p", str(running.port), "-t", "shelf/air", "-q", qos]
    command += ["-D", "publish", "content-type", "text/plain", "-D", "publish", "user-property", "room", "study " * 40]
    subprocess.run([*command, "-m", "25.5"], check=True, timeout=20)
    wait_until(lambda: arrived)
    assert arrived == [Message("shelf/air", b"25.5", retained=False)]


def test_topic_and_payload_are_taken_apart_as_the_standard_lays_them_out():
    # MQTT 5.0, section 3.3: topic with two bytes of length, properties with a variable byte integer of length, payload
    assert taken_apart(b"\x00\x03a/bhot", version_5=False) == ("a/b", b"hot")
    assert taken_apart(b"\x00\x03a/b\x00hot", version_5=True) == ("a/b", b"hot")
    assert taken_apart(b"\x00\x03a/b\x02\x01\x01hot", version_5=True) == ("a/b", b"hot")
    assert taken_apart(b"\x00\x03a/b\x80\x01" + b"p" * 128 + b"hot", version_5=True) == ("a/b", b"hot")
    assert taken_apart(b"\x00\x03a/b\x00", version_5=True) == ("a/b", b"")


@pytest.mark.parametrize("packet", [
    b"", b"\x00", b"\x00\x03a/", b"\x00\x03a/b", b"\x00\x03a/b\x05\x01", b"\x00\x03a/b\x80",
    b"\x00\x03a/b\xff\xff\xff\xff\x01hot", b"\x00\x03a/\xff\x00hot",
])  # fmt: skip
def test_a_message_that_is_cut_off_or_has_no_sense_is_called_malformed(packet):
    with pytest.raises(MalformedPacket):
        taken_apart(packet, version_5=True)
