"""Listens on a broker for a while: the last message of each topic, and which of them look like a climate."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import paho.mqtt.client as mqtt

from adapters.broker import Broker, SessionRejected, reason_of
from adapters.errors import OutletUnreachable, SecretUnreadable
from adapters.flock_client import FlockClient, Message
from adapters.line_forms import Form, form_of, plausible, quantity_named, unit_of, words_of
from rules.terms.quantities import FACTS, Quantity, in_our_unit

MOST_TOPICS = 5000
LARGEST = 16_384
_ANSWER_S = 10.0


class BrokerUnheard(OutletUnreachable):
    """The broker could not be listened to; the text says why in words."""


def gather(broker: Broker, filters: Sequence[str], listen_s: float, purpose: str = "survey") -> dict[str, Message]:
    """Return the last message of each topic that one of the filters fits, after listening for so long.

    Raises BrokerUnheard. Empty payloads and more than `MOST_TOPICS` topics are dropped.
    """
    found: dict[str, Message] = {}
    trouble: list[str] = []
    try:
        client = FlockClient(partial(_keep, found), broker, session="any", purpose=purpose)
        client.on_connect = lambda client, _data, _flags, reason, _properties: (
            trouble.append(str(reason)) if reason.is_failure else client.subscribe([(one, 0) for one in filters])
        )
        client.on_subscribe = lambda _client, _data, _mid, reasons, _properties: trouble.extend(
            f"it refuses to be listened to ({one})" for one in reasons if one.is_failure
        )
        client.connect(broker.host, broker.port, broker.keepalive_s)
        _listen(client, listen_s, trouble)
        client.disconnect()
    except (OSError, SessionRejected, SecretUnreadable) as error:
        raise BrokerUnheard(f"broker {broker.host}:{broker.port}: {reason_of(error, broker)[1]}") from error
    if trouble:
        where = f"broker {broker.host}:{broker.port}"
        raise BrokerUnheard(f"{where}: {trouble[0]}; check user, password and what this user may read")
    return found


def _listen(client: FlockClient, listen_s: float, trouble: list[str]) -> None:
    until_s = time.monotonic() + listen_s
    connected_by_s = time.monotonic() + _ANSWER_S
    while time.monotonic() < until_s and not trouble:
        code = client.loop_read() if client.has_more else client.loop(0.2)
        if code != mqtt.MQTT_ERR_SUCCESS and not trouble:
            trouble.append(f"the connection was lost ({mqtt.error_string(code)})")
        if not client.is_connected() and time.monotonic() > connected_by_s:
            trouble.append(f"it has not answered for {_ANSWER_S:g} s")


def _keep(found: dict[str, Message], message: Message) -> None:
    if not message.payload or len(message.payload) > LARGEST:
        found.pop(message.topic, None)
    elif message.topic in found or len(found) < MOST_TOPICS:
        found[message.topic] = message


# ---------------------------------------------------------------- which look like a climate


@dataclass(frozen=True, slots=True)
class Sender:
    """One probe that a broker seems to carry: its config keys but for the broker, and what it said last."""

    name: str
    keys: dict[str, Any]
    values: dict[Quantity, float]
    shown: str
    surface: bool = False
    retained: bool = field(default=False)
    """Only a message that the broker has kept was seen: it may be of any age."""


def senders(messages: dict[str, Message]) -> list[Sender]:
    """Return the probes that these messages seem to come from, by topic. What dewlid itself publishes is left out."""
    found: list[Sender] = []
    plain: dict[str, dict[Quantity, tuple[Message, str | None, float]]] = {}
    for topic, message in sorted(messages.items()):
        text = message.payload.decode("utf-8", "replace")
        if len(text) > 4096 or "advisory_only" in text:
            continue
        if (number := _number(text)) is not None:
            _note_plain(plain, topic, message, number)
        elif (form := form_of([text])) is not None and form.told:
            found.append(_of_form(topic, message, form))
    return sorted([*found, *(_of_plain(parent, parts) for parent, parts in plain.items())], key=lambda one: one.name)


def _number(text: str) -> float | None:
    try:
        return float(text) if len(text) <= 32 else None
    except ValueError:
        return None


def _note_plain(
    plain: dict[str, dict[Quantity, tuple[Message, str | None, float]]], topic: str, message: Message, number: float
) -> None:
    parent, _, last = topic.rpartition("/")
    quantity = quantity_named(last) or quantity_named(topic.replace("/", " "))
    if quantity == "air_temperature" and words_of(parent) & {"lid", "surface", "glass", "mat", "substrate"}:
        quantity = "surface_temperature"
    if quantity is None:
        return
    unit = unit_of(quantity, last, "", number)
    value = in_our_unit(quantity, number, unit or FACTS[quantity].unit)
    if plausible(quantity, value):
        plain.setdefault(parent or topic, {}).setdefault(quantity, (message, unit, value))


def _of_plain(parent: str, parts: dict[Quantity, tuple[Message, str | None, float]]) -> Sender:
    units = {quantity: unit for quantity, (_, unit, _) in parts.items() if unit}
    keys = {"kind": "mqtt-topic", "topics": {quantity: message.topic for quantity, (message, _, _) in parts.items()}}
    values = {quantity: value for quantity, (_, _, value) in parts.items()}
    shown = ", ".join(f"{message.topic} {message.payload.decode('utf-8', 'replace')}" for message, _, _ in parts.values())
    retained = all(message.retained for message, _, _ in parts.values())
    surface = "surface_temperature" in parts
    return Sender(parent, keys | ({"units": units} if units else {}), values, shown, surface, retained)


def _of_form(topic: str, message: Message, form: Form) -> Sender:
    keys = {"kind": "mqtt-topic", "topic": topic, **form.keys}
    text = message.payload.decode("utf-8", "replace")
    surface = form.surface or ("lid" in words_of(topic) and set(form.values) == {"surface_temperature"})
    return Sender(topic, keys, form.values, f"{topic} {text[:80]}", surface, message.retained)
