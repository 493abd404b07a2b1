"""The outlet that publishes on an MQTT broker, under topics of our own.

Everything stands under `<topics_below>/<site>/`, where site is the site's name in small letters and hyphens:

    watching                                  retained `yes` or `no`; `no` is also the last will
    heartbeat                                 not retained: every ten seconds, once probes' inbox, rules and store have answered
    chamber/<chamber>/state                   retained: what is believed of the chamber now, what stands, what is advised
    chamber/<chamber>/alarm/<alarm>[/<probe>] retained: the state of one alarm (OPC UA Part 9 / IEC 62682)
    chamber/<chamber>/advice                  retained: the advisory that stands; removed when there is none
    chamber/<chamber>/event/<kind>            not retained: each event once it happens; `id` is unique and stable
    room/<room>/..., site/...                 the same for a room and for what belongs to no place

Payloads are JSON objects (UTF-8, instants RFC 3339 UTC, unit in the key or beside the value) with `schema` (a number that
grows when a key changes its meaning) and `advisory_only: true`: no topic is a command, nothing may be switched by it. All
are sent with QoS 1; an event may come twice with the same `id`. With MQTT 5 they carry their content type and expire.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from adapters.broker import Topic
from adapters.mqtt_session import Availability, MqttSession, State
from adapters.outlets.outlet import Owed
from adapters.wording.payload import site_level
from rules.settings import Settings
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.terms.setting_forms import DurationMs, Section
from rules.terms.words import Name


class MqttOutlet(Section):
    """States and events on an MQTT broker, for dashboards and automations that only show or notify."""

    kind: Literal["mqtt"]
    """Which kind of outlet this is."""
    broker: Name
    """Id of the broker, as in [broker.ID]."""
    topics_below: Topic = "dewlid"
    """Level or levels that all its topics stand below."""
    state_expiry: DurationMs = Field(default=HOUR_MS, ge=5 * MINUTE_MS, le=30 * DAY_MS)
    """How long the broker keeps a chamber's state that is not renewed (MQTT 5). dewlid renews it in half the time."""
    event_expiry: DurationMs = Field(default=7 * DAY_MS, ge=HOUR_MS, le=90 * DAY_MS)
    """How long the broker keeps an event for a reader that is away (MQTT 5)."""


def availability(outlet: MqttOutlet, settings: Settings) -> Availability:
    """Return the topic that says whether dewlid is there."""
    return Availability(f"{root(outlet, settings)}/watching")


def root(outlet: MqttOutlet, settings: Settings) -> str:
    """Return the levels that all topics of this outlet begin with."""
    return f"{outlet.topics_below}/{site_level(settings)}"


class TopicPublisher:
    """Publishes what is owed, one message at a time, each acknowledged before it counts as taken."""

    in_order = True
    retry_s = (0.5, 1.0, 2.0)  # the session waits longer and longer by itself; asking it costs nothing

    def __init__(self, outlet: MqttOutlet, settings: Settings, session: MqttSession) -> None:
        self._outlet, self._session = outlet, session
        self._root = root(outlet, settings)
        self.session = 0
        self.longest_s = 30.0  # an acknowledgement is waited for ten seconds
        self.heartbeat = "heartbeat"
        self.refresh_s: float | None = outlet.state_expiry / 2000
        self._session.start()
        self._session.watch(self._changed)

    def _changed(self, state: State, _: str) -> None:
        self.session += state == "up"

    def send(self, owed: Owed) -> None:
        """Publish one message and wait for its acknowledgement; raises OutletUnreachable or OutletRefused."""
        self._session.publish(
            f"{self._root}/{owed.topic}",
            owed.payload.encode(),
            retain=owed.retained,
            content_type="application/json",
            expiry_s=self._expiry_s(owed),
        )

    def _expiry_s(self, owed: Owed) -> int | None:
        if owed.retained:
            return self._outlet.state_expiry // 1000 if owed.kind == "state" else None
        return self._outlet.event_expiry // 1000

    def close(self) -> None:
        """Let go of the session; its last user has it say that nobody watches."""
        self._session.unwatch(self._changed)
        self._session.stop(2.0)
