"""One MQTT session per broker, shared by probes and outlets, driven by one thread of its own.

The thread calls paho's `connect` and `loop` itself instead of leaving them to paho's background thread: so the reason of a
failed connection (a certificate, a name, a refused password) arrives as an exception or a reason code and can be told, and
no callback that raises can end the traffic unnoticed. Every connection is a fresh client: nothing is queued in paho, the
outbox is the only queue, and a message is either acknowledged or its sender is told that it was not.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import suppress
from typing import Any, Literal

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from adapters.acknowledgements import Acknowledgements
from adapters.broker import Broker as Broker
from adapters.broker import SessionRejected, reason_of, tls_alert, tls_context, try_tls
from adapters.errors import OutletRefused, OutletUnreachable, SecretUnreadable
from adapters.flock_client import LARGEST_PACKET, FlockClient
from adapters.flock_client import Message as Message
from adapters.mqtt_manners import Availability as Availability
from adapters.mqtt_manners import BackOff as BackOff
from adapters.pulse import Pulse
from adapters.subscriptions import Refused, Subscriptions, Take

_log = structlog.get_logger(__name__)

State = Literal["connecting", "up", "rejected", "down"]
MOST_IN_FLIGHT = 50
_ANSWER_S = 10.0
_CONNECT_S = 90.0
"""The system may look for a name for so long; nobody can break it off."""
_STEADY_S = 10.0
_BUSY_TURN_S = 0.5
_QUIET_TURN_S = 5.0
_MOST_THROWN_OUT = 3
_TWIN = "another program seems to use the same client_id; give each its own client_id"


class MqttSession:
    """Keeps a broker connected from `start` to `stop`. All methods may be called from any thread."""

    def __init__(
        self,
        name: str,
        broker: Broker,
        *,
        availability: Availability | None = None,
        purpose: str = "",
        site: str = "",
        back_off: BackOff | None = None,
    ) -> None:
        self.name = f"broker {name}"
        self.broker = broker
        self._availability, self._purpose, self._site = availability, purpose, site
        self._back_off = back_off or BackOff()
        self._lock = threading.RLock()
        self._users = 0
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._client: mqtt.Client | None = None
        self._state: tuple[State, str] = ("connecting", "not started")
        self._subscriptions = Subscriptions(version_5=self._is_5)
        self._watchers: list[Callable[[State, str], None]] = []
        self._unanswered = Acknowledgements(self.name)
        self._end: tuple[State, str] | None = None
        self.callback_failures = 0
        self.pulse = Pulse()

    # ------------------------------------------------------------ for its users

    @property
    def state(self) -> tuple[State, str]:
        """The present state and its reason in words."""
        return self._state

    def watch(self, callback: Callable[[State, str], None]) -> None:
        """Have `callback` called at every change of state, and once now. It must only enqueue."""
        with self._lock:
            self._watchers.append(callback)
            state = self._state
        self._guard(callback, *state)  # never with the lock held: the callback may wait for a lock of its own

    def unwatch(self, callback: Callable[[State, str], None]) -> None:
        """Undo `watch`."""
        with self._lock:
            self._watchers = [one for one in self._watchers if one != callback]

    def subscribe(self, topic: str, take: Take, refused: Refused | None = None) -> None:
        """Have `take` called with every message on this exact topic, now and after every reconnection, and `refused` with
        the reason if the broker refuses the topic. Both must only enqueue."""
        self._subscriptions.add(topic, take, refused)
        with self._lock:
            if self._client is not None and self._state[0] == "up":
                self._subscriptions.ask(self._client, [topic])

    def unsubscribe(self, topic: str, take: Take) -> None:
        """Undo `subscribe`."""
        unwanted = self._subscriptions.remove(topic, take)
        with self._lock:
            if unwanted and self._client is not None and self._state[0] == "up":
                self._client.unsubscribe(topic)

    def start(self) -> None:
        """Begin to connect; returns at once. Each user starts and stops it; the last stop ends it."""
        with self._lock:
            self._users += 1
            if self._thread is None or not self._thread.is_alive():
                self._stopping = threading.Event()
                self._thread = threading.Thread(target=self._run, args=(self._stopping,), name=self.name, daemon=True)
                self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Say that nobody watches, disconnect and end the thread when the last user stops; False if it still runs."""
        with self._lock:
            self._users = max(0, self._users - 1)
            thread = self._thread
            if self._users or thread is None:
                return True
        deadline_s = time.monotonic() + timeout_s
        if self._availability and self._state[0] == "up":
            self._guard(self._say_offline, self._availability, timeout_s / 2)
        self._stopping.set()
        with self._lock:
            if self._client is not None:
                self._client.disconnect()  # also wakes the thread
        thread.join(max(0.0, deadline_s - time.monotonic()))
        return not thread.is_alive()

    def submit(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        content_type: str | None = None,
        expiry_s: int | None = None,
    ) -> Future[None]:
        """Hand over a message; the future ends when it was acknowledged, or with OutletUnreachable or OutletRefused."""
        promise: Future[None] = Future()
        why_not = self._hand_over(promise, topic, payload, qos, retain, self._publish_properties(content_type, expiry_s))
        if why_not:
            promise.set_exception(OutletUnreachable(f"{self.name} {why_not}"))
        return promise

    def _hand_over(
        self, promise: Future[None], topic: str, payload: bytes, qos: int, retain: bool, properties: Properties | None
    ) -> str:
        """Give a message to the client and note that its answer is awaited; returns why it could not, or nothing."""
        with self._lock, self._unanswered.lock:
            state, detail = self._state
            if self._client is None or state != "up":
                return f"is {state}: {detail}"
            if len(self._unanswered) >= MOST_IN_FLIGHT:
                return f"has not answered {MOST_IN_FLIGHT} messages yet"
            info = self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
            if info.rc != mqtt.MQTT_ERR_SUCCESS:
                return f"did not take it ({mqtt.error_string(info.rc)})"
            self._unanswered.wait_for(info.mid, promise)
            return ""

    def publish(self, topic: str, payload: bytes, *, timeout_s: float = _ANSWER_S, **options: Any) -> None:
        """As `submit`, waiting for the acknowledgement; raises OutletUnreachable or OutletRefused. Not from a callback."""
        promise = self.submit(topic, payload, **options)
        try:
            promise.result(timeout_s)
        except FutureTimeout as error:
            raise OutletUnreachable(f"{self.name}: no acknowledgement within {timeout_s:g} s") from error

    # ------------------------------------------------------------ the thread

    def _run(self, stopping: threading.Event) -> None:
        failures = thrown_out = 0
        self._set_state("connecting", f"to {self.broker.host}:{self.broker.port}")
        while not stopping.is_set():
            began_s = time.monotonic()
            try:
                self._one_connection(stopping)
                ended = self._end or ("down", "the connection ended")
            except Exception as error:
                ended = reason_of(error, self.broker)
                if not isinstance(error, OSError | SessionRejected | SecretUnreadable):
                    _log.exception("session failed", broker=self.name)
            was_up = self._state[0] == "up"
            steady = was_up and time.monotonic() - began_s > _STEADY_S
            failures = 1 if steady else failures + 1
            thrown_out = 0 if steady else thrown_out + was_up
            if thrown_out >= _MOST_THROWN_OUT:
                ended = "rejected", f"it ended {thrown_out} connections within seconds; {_TWIN}"
            self._unanswered.lose(ended[1])
            if stopping.is_set():
                break
            self._set_state(*ended)
            wait_s = self._back_off.wait_s(failures, ended[0] == "rejected")
            self.pulse.mark(wait_s)
            stopping.wait(wait_s)
        self.pulse.rest()
        self._set_state("down", "stopped")

    def _one_connection(self, stopping: threading.Event) -> None:
        self.pulse.mark(_CONNECT_S)
        client = self._new_client()
        self._end = None
        if self.broker.tls:
            try_tls(self.broker, tls_context(self.broker))  # a failed handshake inside paho would leave its socket open
        try:
            client.connect(
                self.broker.host,
                self.broker.port,
                self.broker.keepalive_s,
                clean_start=True if self._is_5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY,
                properties=self._connect_properties(),
            )
            _send_at_once(client)
            self._client = client
            deadline_s = time.monotonic() + _ANSWER_S
            while not stopping.is_set() and self._end is None:
                wait_s = self._quiet_s()
                self.pulse.mark(wait_s)
                code = self._turn(client, wait_s)
                self._unanswered.settle()
                if code != mqtt.MQTT_ERR_SUCCESS:
                    self._end = self._end or ("down", f"the connection was lost ({mqtt.error_string(code)})")
                elif self._state[0] != "up" and time.monotonic() > deadline_s:
                    self._end = ("down", f"it takes the connection but has not answered for {_ANSWER_S:g} s")
                elif self._unanswered.oldest_s() > 2 * _ANSWER_S:
                    self._end = ("down", f"it has not acknowledged a message for {2 * _ANSWER_S:g} s")
        finally:
            self._close(client)
        if self.broker.tls and self._state[0] != "up" and not stopping.is_set():
            self.pulse.mark(_CONNECT_S)
            self._end = self._why_tls_ended() or self._end

    def _turn(self, client: FlockClient, wait_s: float) -> MQTTErrorCode:
        """Have the client read and write; it waits for one packet, with which a flock of others may have come."""
        code = client.loop(wait_s)
        while code == mqtt.MQTT_ERR_SUCCESS and client.has_more:
            code = client.loop_read()
        return code

    def _quiet_s(self) -> float:
        """How long nothing may happen until the thread turns: a turn that only finds nothing costs a wake-up of the machine.

        What is handed over wakes it. The ping of the connection may come late by this, so it is a part of the keepalive.
        """
        busy = self._state[0] != "up" or len(self._unanswered) > 0
        return _BUSY_TURN_S if busy else min(_QUIET_TURN_S, self.broker.keepalive_s / 5)

    def _why_tls_ended(self) -> tuple[State, str] | None:
        # With TLS 1.3 the broker's "no" to our certificate comes after the handshake, where paho sees only a lost connection.
        alert = tls_alert(self.broker, tls_context(self.broker))
        return None if alert is None else reason_of(alert, self.broker)

    def _close(self, client: mqtt.Client) -> None:
        client.on_disconnect = None
        with self._lock:
            self._client = None
        connection = client.socket()
        if connection is not None:
            connection.close()

    @property
    def _is_5(self) -> bool:
        return self.broker.protocol == "5"

    def _new_client(self) -> FlockClient:
        client = FlockClient(self._arrived, self.broker, session=self.name, purpose=self._purpose, site=self._site)
        if self._availability:
            client.will_set(self._availability.topic, self._availability.gone, qos=1, retain=True)
        client.max_queued_messages_set(MOST_IN_FLIGHT)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        # With this set, `publish` in another thread only queues and wakes our loop; without it, it would write to the socket.
        client.on_socket_register_write = lambda *_: None
        return client

    def _connect_properties(self) -> Properties | None:
        if not self._is_5:
            return None
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = LARGEST_PACKET
        return properties

    def _publish_properties(self, content_type: str | None, expiry_s: int | None) -> Properties | None:
        if not self._is_5:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if content_type is not None:
            properties.PayloadFormatIndicator = 1
            properties.ContentType = content_type
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        return properties

    # ------------------------------------------------------------ called by paho, in our thread

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._end = self._connect_refused(reason)
            return
        if self._state[0] == "up":
            self._end = ("down", "it answered one connection twice, which no broker does")
            return
        with self._lock:
            self._client = client
            self._subscriptions.ask_for_all(client)
            if self._availability:
                client.publish(self._availability.topic, self._availability.there, qos=1, retain=True)
        self._set_state("up", f"connected to {self.broker.host}:{self.broker.port}")

    def _connect_refused(self, reason: Any) -> tuple[State, str]:
        text = str(reason)
        if text in {"Server unavailable", "Server busy", "Server shutting down", "Connection rate exceeded", "Quota exceeded"}:
            return "down", f"it says: {text}"
        hint = "check user, password_file and what the broker allows; it is tried again"
        return "rejected", f"it refused the connection: {text}; {hint}"

    def _on_disconnect(self, _client: Any, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if self._end is not None:
            return
        text = str(reason)
        if text == "Session taken over":
            self._end = ("rejected", _TWIN)
        elif flags.is_disconnect_packet_from_server:
            self._end = ("down", f"it ended the connection: {text}")
        else:
            self._end = ("down", f"the connection was lost: {text}")

    def _arrived(self, message: Message) -> None:
        for take in self._subscriptions.takers_of(message.topic):
            self._guard(take, message)

    def _on_publish(self, _client: Any, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        self._unanswered.answered(mid, reason)

    def _on_subscribe(self, _client: Any, _data: Any, mid: int, reasons: Any, _properties: Any) -> None:
        for topic, reason, wanting in self._subscriptions.answered(mid, reasons):
            _log.warning("topic refused", broker=self.name, topic=topic, reason=reason)
            for refused in wanting:
                self._guard(refused, reason)

    # ------------------------------------------------------------ small steps

    def _say_offline(self, availability: Availability, timeout_s: float) -> None:
        with suppress(OutletUnreachable, OutletRefused):  # the broker says it for us when the line is cut: it has our will
            self.publish(availability.topic, availability.gone, retain=True, timeout_s=timeout_s)

    def _set_state(self, state: State, detail: str) -> None:
        with self._lock:
            if (state, detail) == self._state:
                return
            same_kind = state == self._state[0]
            self._state = (state, detail)
            watchers = tuple(self._watchers)
        level = _log.info if state in ("up", "connecting") or detail == "stopped" else _log.warning
        (_log.debug if same_kind else level)("broker state", broker=self.name, state=state, reason=detail)
        for callback in watchers:
            self._guard(callback, state, detail)

    def _guard(self, call: Callable[..., None], *arguments: Any) -> None:
        """A callback of a user that raises is counted and logged; the session goes on."""
        try:
            call(*arguments)
        except Exception:
            self.callback_failures += 1
            _log.exception("callback failed", broker=self.name, callback=getattr(call, "__qualname__", repr(call)))


def _send_at_once(client: mqtt.Client) -> None:
    """Small packets must not wait for the acknowledgement of the one before: 40 ms for each message otherwise."""
    connection = client.socket()
    if isinstance(connection, socket.socket):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
