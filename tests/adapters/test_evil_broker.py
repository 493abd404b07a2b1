"""A broker that means us ill, or is none: real sockets that say what no broker would. It costs no memory and hangs nothing."""

from __future__ import annotations

import contextlib
import socket
import threading
import tracemalloc
from collections.abc import Callable, Iterator

import pytest

from adapters.flock_client import LARGEST_PACKET
from adapters.mqtt_session import BackOff, Broker, MqttSession
from adapters.topic_survey import gather

TOPIC = b"\x00\x09shelf/air"
SIZE = 40_000_000
CONNACK = {"5": b"\x20\x03\x00\x00\x00", "3.1.1": b"\x20\x02\x00\x00"}
"""MQTT 5.0 and 3.1.1, section 3.2: connection accepted."""


def packet(head: int, body: bytes, length: int | None = None) -> bytes:
    """Return a packet; `length` is what it says of itself (a variable byte integer, section 1.5.5)."""
    left, digits = len(body) if length is None else length, b""
    while left or not digits:
        left, digit = divmod(left, 128)
        digits += bytes([digit | (0x80 if left else 0)])
    return bytes([head]) + digits + body


def publication(protocol: str, qos: int, payload: bytes, *, more: int = 0) -> bytes:
    """Return a kept message of which `more` bytes are still to come (section 3.3)."""
    body = TOPIC + (b"\x00\x07" if qos else b"") + (b"\x00" if protocol == "5" else b"") + payload
    return packet(0x31 | qos << 1, body, len(body) + more)


class EvilBroker:
    """Accepts everybody and says what it was given to say; it reads no more than the first packet."""

    def __init__(self, protocol: str, say: Callable[[socket.socket], None], greeting: bytes | None) -> None:
        self._say, self._greeting = say, greeting or CONNACK[protocol]
        self._listening = socket.socket()
        self._listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._listening.bind(("127.0.0.1", 0))
        self._listening.listen()
        self.settings = Broker(host="127.0.0.1", port=self._listening.getsockname()[1], protocol=protocol)
        self.connections: list[socket.socket] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listening.accept()
            except OSError:
                return
            self.connections.append(line)
            with contextlib.suppress(OSError):
                line.recv(4096)
                line.sendall(self._greeting)
                line.recv(4096)  # what is subscribed
                self._say(line)

    def close(self) -> None:
        for one in (self._listening, *self.connections):
            one.close()


Evil = tuple[EvilBroker, MqttSession, list[bytes]]


@pytest.fixture
def evil() -> Iterator[Callable[..., Evil]]:
    """A factory of an evil broker and a session with it, with the payloads that were heard."""
    made: list[tuple[EvilBroker, MqttSession]] = []

    def make(protocol: str, say: Callable[[socket.socket], None], greeting: bytes | None = None) -> Evil:
        one = EvilBroker(protocol, say, greeting)
        session = MqttSession("shelf", one.settings, back_off=BackOff())
        heard: list[bytes] = []
        session.subscribe("shelf/air", lambda message: heard.append(message.payload))
        made.append((one, session))
        return one, session, heard

    yield make
    for one, session in made:
        one.close()
        session.stop(5.0)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("qos", [0, 1])
def test_a_kept_message_of_many_megabytes_takes_no_memory_and_holds_back_none(evil, wait_until, protocol, qos):
    def say(line: socket.socket) -> None:
        line.sendall(publication(protocol, qos, b"", more=SIZE))
        for _ in range(SIZE // 40_000):
            line.sendall(b"x" * 40_000)
        line.sendall(publication(protocol, qos, b"25.5"))

    broker, session, heard = evil(protocol, say)
    tracemalloc.start()
    session.start()
    wait_until(lambda: len(heard) == 2)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 2_000_000
    assert len(heard[0]) < LARGEST_PACKET
    assert heard[1] == b"25.5"
    assert (session.state[0], len(broker.connections)) == ("up", 1)


def test_a_survey_is_not_drowned_by_it_either(evil):
    def say(line: socket.socket) -> None:
        line.sendall(publication("3.1.1", 0, b"", more=SIZE))
        for _ in range(SIZE // 40_000):
            line.sendall(b"x" * 40_000)
        line.sendall(packet(0x31, b"\x00\x09shelf/lid" + b"24.5"))

    broker, _, _ = evil("3.1.1", say)
    tracemalloc.start()
    assert list(gather(broker.settings, ["#"], listen_s=1.0)) == ["shelf/lid"]
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 2_000_000


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (packet(0x90, b"", 30_000_000), "the connection was lost"),  # an answer to a subscription, of 30 MB
        (packet(0x34, TOPIC + b"\x00\x07\x00"), "the connection was lost"),  # QoS 2, which is kept until it is released
        (packet(0x32, b"\x00\x09abc"), "the connection was lost"),  # a topic longer than its message
        (packet(0x32, TOPIC + b"\x00\x07\xff\xff\xff\x7f"), "the connection was lost"),  # properties that never come
        (packet(0x32, TOPIC + b"\x00\x07\x02\x7f\x01"), "the connection was lost"),  # a property that is none
        (CONNACK["5"], "answered one connection twice"),
    ],
)
def test_what_no_broker_says_ends_the_connection_and_is_no_fault_of_ours(evil, wait_until, said, why):
    states: list[str] = []
    _, session, heard = evil("5", lambda line: line.sendall(said))
    session.watch(lambda state, detail: states.append(f"{state}: {detail}"))
    session.start()
    wait_until(lambda: any(why in each for each in states))
    assert not any("fault in dewlid" in each for each in states)
    assert heard == []


def test_acknowledgements_that_nobody_takes_do_not_pile_up(evil, wait_until):
    def say(line: socket.socket) -> None:
        flock = publication("5", 1, b"1") * 1000
        with contextlib.suppress(OSError):
            while True:
                line.sendall(flock)

    states: list[str] = []
    _, session, _ = evil("5", say)
    session.watch(lambda state, detail: states.append(state))
    tracemalloc.start()
    session.start()
    wait_until(lambda: "down" in states, timeout_s=30)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 12_000_000


SECRET = b"only-the-keeper-knows-7341"
REASON = b"\x1f" + len(SECRET).to_bytes(2, "big") + SECRET
"""A reason string (MQTT 5.0, sections 3.2.2.3.9 and 3.14.2.2.3) that repeats the password of the log-in."""


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (packet(0x20, b"\x00\x86" + bytes([len(REASON)]) + REASON), "Bad user name or password"),
        (CONNACK["5"] + packet(0xE0, b"\x87" + bytes([len(REASON)]) + REASON), "Not authorized"),
    ],
)
def test_of_what_a_broker_says_only_the_meaning_of_its_code_is_repeated(evil, wait_until, secret_file, said, told):
    states: list[str] = []
    _, session, _ = evil("5", lambda line: None, greeting=said)
    session.broker = session.broker.model_copy(update={"user": "ant", "password_file": secret_file(SECRET.decode())})
    session.watch(lambda state, detail: states.append(f"{state}: {detail}"))
    session.start()
    wait_until(lambda: any(told in each for each in states))
    assert not any(SECRET.decode() in each for each in states)
