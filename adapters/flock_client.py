"""The MQTT library's client, made for messages that come in flocks.

The library asks the system three times for each packet (first byte, length, rest), lets go of the interpreter each time, and
makes some ten objects of a message of which we want topic and payload. Two of its inner functions are overridden here to
spare that: measured, a message costs 37 us instead of 72, which is what keeps 300 chambers and a broker's backlog on one core.
They also bound what a broker can make us hold, for which the library has no means but to ask a broker of version 5 for it:
a message may have 256 MB, and one that was kept comes again with each connection. A version of the library that no longer
calls them is slower and takes that memory; the range of versions is bounded to the one that is tested.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.exception import MalformedPacket, MQTTException

from adapters.broker import Broker, client_id_of, tls_context
from adapters.secrets_file import read_secret

READ_BYTES = 4096
"""So much is read at one go: some hundred short messages, after which others get their turn."""
LARGEST_PACKET = 65_536
"""A message that is longer arrives cut off, which is more than anybody here takes; its rest is passed over."""
MOST_UNSENT = 5_000
"""So many acknowledgements may wait for a broker that sends and does not read."""
_PUBLISH = 3
_QOS = 0b0110
_QOS_2 = 0b0100
_RETAIN = 0b0001
_LONGEST_LENGTH = 4


class Message(NamedTuple):
    """What arrived on a subscribed topic. `retained`: kept by the broker, of unknown age."""

    topic: str
    payload: bytes
    retained: bool


class FlockClient(mqtt.Client):
    """Hands every message to `arrived`. Call `loop_read` while `has_more`: `select` knows nothing of what was read ahead."""

    def __init__(
        self, arrived: Callable[[Message], None], broker: Broker, *, session: str, purpose: str, site: str = ""
    ) -> None:
        """Raises SecretUnreadable or SessionRejected for files that cannot be used."""
        version_5 = broker.protocol == "5"
        super().__init__(
            CallbackAPIVersion.VERSION2, client_id=client_id_of(broker, session, purpose, site),
            protocol=mqtt.MQTTv5 if version_5 else mqtt.MQTTv311, clean_session=None if version_5 else True,
        )  # fmt: skip
        self._arrived, self._version_5 = arrived, version_5
        self._ahead, self._position, self._surplus = b"", 0, 0
        if broker.user is not None:
            secret = read_secret(broker.password_file) if broker.password_file else None
            self.username_pw_set(broker.user, secret.get_secret_value() if secret else None)
        if broker.tls:
            self.tls_set_context(tls_context(broker))
        # No method of our own: a client that knows itself would keep its sockets open until the circle is found.
        self.on_message = lambda _client, _data, message: arrived(_plain(message))

    @property
    def has_more(self) -> bool:
        """Whether something was read from the socket that has not been taken apart yet."""
        return self._position < len(self._ahead)

    def _sock_recv(self, bufsize: int) -> bytes:
        """Return up to `bufsize` bytes of the socket; raises BlockingIOError when there are none yet."""
        if self._in_packet["command"] == 0:
            self._pass_over()
        if bufsize > LARGEST_PACKET:  # the rest of a packet, whose length was just read
            if self._in_packet["command"] >> 4 != _PUBLISH:
                raise ConnectionError(f"a packet of {bufsize} bytes that is no message")
            self._surplus = bufsize - LARGEST_PACKET
            self._in_packet["to_process"] = bufsize = LARGEST_PACKET
        return self._read(bufsize)

    def _pass_over(self) -> None:
        """Drop what the packet before had too much; raises BlockingIOError when not all of it has come yet."""
        while self._surplus and (data := self._read(min(self._surplus, READ_BYTES))):
            self._surplus -= len(data)

    def _read(self, most: int) -> bytes:
        data = self._ahead[self._position : self._position + most]
        if not data:
            self._ahead, self._position = super()._sock_recv(READ_BYTES), 0
            data = self._ahead[:most]
        self._position += len(data)
        return data

    def _handle_publish(self) -> MQTTErrorCode:
        """Take in the message that was read; one that wants an acknowledgement goes the library's own way."""
        head = self._in_packet["command"]
        if head & _QOS_2:
            raise MalformedPacket("a message of a quality that nobody subscribed to, which the library would keep")
        if head & _QOS:
            if len(self._out_packet) > MOST_UNSENT:
                raise MalformedPacket("messages without end, whose acknowledgements are not taken")
            try:
                return super()._handle_publish()
            except (struct.error, LookupError, ValueError, MQTTException) as error:
                raise MalformedPacket("a message that makes no sense") from error
        topic, payload = taken_apart(self._in_packet["packet"], version_5=self._version_5)
        self._arrived(Message(topic, payload, bool(head & _RETAIN)))
        return MQTTErrorCode.MQTT_ERR_SUCCESS


def _plain(message: mqtt.MQTTMessage) -> Message:
    return Message(message.topic, bytes(message.payload), bool(message.retain))


def taken_apart(packet: bytes | bytearray, *, version_5: bool) -> tuple[str, bytes]:
    """Return topic and payload of a PUBLISH with QoS 0 after its fixed header (MQTT 5.0 and 3.1.1, section 3.3).

    Its properties, of which we use none, are passed over unread. Raises MalformedPacket.
    """
    end = 2 + int.from_bytes(packet[:2], "big")
    begin = _after_properties(packet, end) if version_5 else end
    if not 2 <= begin <= len(packet):
        raise MalformedPacket("a message that ends before its payload")
    try:
        return packet[2:end].decode(), bytes(packet[begin:])
    except UnicodeDecodeError as error:
        raise MalformedPacket("a topic that is not UTF-8") from error


def _after_properties(packet: bytes | bytearray, at: int) -> int:
    """Return where the properties end that begin at `at` with their length (a variable byte integer, section 1.5.5)."""
    length = 0
    for digit, byte in enumerate(packet[at : at + _LONGEST_LENGTH]):
        length |= (byte & 0x7F) << 7 * digit
        if byte < 0x80:
            return at + digit + 1 + length
    raise MalformedPacket("properties without a length")
