"""A probe whose values arrive on exact MQTT topics: a plain number, JSON, or SenML."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from adapters.broker import Topic
from adapters.errors import ProbeError, ProbeRefused, ProbeUnreachable
from adapters.extraction import (
    Extract,
    Extracted,
    Pointers,
    SenMLNames,
    Units,
    by_pointers,
    by_senml,
    check_units,
    plain_number,
)
from adapters.mqtt_session import Message, MqttSession, State
from adapters.payload import text_of
from adapters.probes.source import Failure, Gate, Intake, Sample, tallies, try_source
from rules.settings import Probe
from rules.terms.quantities import QUANTITIES, Quantity
from rules.terms.words import Name


def _some(topics: dict[Quantity, str]) -> dict[Quantity, str]:
    if not topics:
        raise ValueError(f"names no quantity; allowed: {', '.join(QUANTITIES)}")
    if len(set(topics.values())) != len(topics):
        raise ValueError("one topic cannot be two quantities; use topic with json_pointers or senml_names")
    return topics


class MqttTopic(Probe):
    """Values from an MQTT broker: either `topics` with plain numbers, or one `topic` with JSON or SenML."""

    kind: Literal["mqtt-topic"]
    """Which kind of probe this is."""
    broker: Name
    """Id of the broker, as in [broker.ID]."""
    topics: Annotated[dict[Quantity, Topic], AfterValidator(_some)] | None = None
    """Topic of each quantity, each carrying one plain number."""
    topic: Topic | None = None
    """The one topic that carries JSON or SenML."""
    json_pointers: Pointers | None = None
    """Where in the JSON of `topic` each quantity stands (RFC 6901)."""
    senml_names: SenMLNames | None = None
    """Resolved SenML name of each quantity in `topic` (RFC 8428)."""
    units: Units = Field(default_factory=dict)
    """Unit of a quantity where it is not degC or %RH and the payload does not say it."""

    @model_validator(mode="after")
    def _one_form(self) -> MqttTopic:
        forms = (self.topics, self.json_pointers, self.senml_names)
        if sum(form is not None for form in forms) != 1 or (self.topic is None) != (self.topics is not None):
            raise ValueError("set either topics, or topic with json_pointers, or topic with senml_names")
        check_units(self.units, self.measured)
        return self

    @property
    def measured(self) -> frozenset[Quantity]:
        """What this probe measures."""
        return frozenset(self.topics or self.json_pointers or self.senml_names or ())

    @property
    def medium(self) -> str:
        """The broker that it shares with other probes."""
        return f"broker {self.broker}"

    def extracts(self) -> dict[str, Extract]:
        """Return how the payload of each topic becomes values."""
        if self.topics is not None:
            return {topic: plain_number(quantity, self.units) for quantity, topic in self.topics.items()}
        if self.json_pointers is not None:
            return {self.topic or "": by_pointers(self.json_pointers, self.units)}
        return {self.topic or "": by_senml(self.senml_names or {}, self.units)}


class MqttTopicSource:
    """All mqtt-topic probes of one broker. The session belongs to the daemon, which shares it with the outlets."""

    def __init__(self, probes: Mapping[str, MqttTopic], session: MqttSession, now_ms: Callable[[], int]) -> None:
        self._probes, self._session, self._now_ms = dict(probes), session, now_ms
        self.name = session.name
        self.pulse = session.pulse
        self.tallies = tallies(self._probes)
        self._gates = {name: Gate() for name in self._probes}
        self._last: dict[tuple[str, Quantity], Extracted] = {}
        self.retained: dict[str, int] = dict.fromkeys(self._probes, 0)
        self.repeated = 0
        self._intake: Intake | None = None
        self._was_down = False
        self._takers = [
            (topic, partial(self._take, name, extract), partial(self._refused, name, topic))
            for name, probe in self._probes.items()
            for topic, extract in probe.extracts().items()
        ]

    def start(self, intake: Intake) -> None:
        """Subscribe, and have the session connect."""
        self._intake = intake
        for topic, take, refused in self._takers:
            self._session.subscribe(topic, take, refused)
        self._session.start()
        self._session.watch(self._changed)

    def stop(self, timeout_s: float) -> bool:
        """Unsubscribe; the session ends when its last user stops it."""
        self._session.unwatch(self._changed)
        for topic, take, _ in self._takers:
            self._session.unsubscribe(topic, take)
        return self._session.stop(timeout_s)

    def try_once(self, timeout_s: float) -> list[Sample | Failure]:
        """Wait for one fresh message of each quantity."""
        return [self._explained(answer) for answer in try_source(self, self._probes, timeout_s)]

    def _explained(self, answer: Sample | Failure) -> Sample | Failure:
        if isinstance(answer, Failure) and answer.fault == "unreachable" and self.retained[answer.probe]:
            return Failure(answer.probe, answer.fault, f"{answer.detail}, only a retained message, which may be of any age")
        return answer

    def _take(self, probe: str, extract: Extract, message: Message) -> None:
        if message.retained:
            self.retained[probe] += 1  # kept by the broker since nobody knows when: not a fresh sample
            return
        tally = self.tallies[probe]
        if not self._gates[probe].passes():
            tally.thinned += 1
            return
        try:
            found = extract(text_of(message.payload), self._now_ms())
        except ProbeError as error:
            tally.trouble(self._taker, type(error)(f"topic {message.topic}: {error}", error.reason))
            return
        tally.well()
        for one in found:
            self._hand_over(probe, one)

    def _hand_over(self, probe: str, one: Extracted) -> None:
        if one.at_ms is not None and self._last.get((probe, one.quantity)) == one:
            self.repeated += 1  # QoS 1 may deliver twice; the payload's own time shows it
            return
        self._last[probe, one.quantity] = one
        self._taker.reading(probe, one.quantity, one.value, one.at_ms)

    def _refused(self, probe: str, topic: str, reason: str) -> None:
        what = f"{self.name} refuses the topic {topic}: {reason}; check what this user may read"
        self.tallies[probe].trouble(self._taker, ProbeRefused(what, "topic-refused"), log=False)

    def _changed(self, state: State, detail: str) -> None:
        if state == "connecting":
            return
        down = state != "up"
        if down != self._was_down:
            self._was_down = down
            self._taker.medium(self.name, down, detail)
        if down and detail != "stopped":
            kind = "rejected" if state == "rejected" else "broker-down"
            for tally in self.tallies.values():
                tally.trouble(self._taker, ProbeUnreachable(f"{self.name}: {detail}", kind), log=False)

    @property
    def _taker(self) -> Intake:
        if self._intake is None:
            raise RuntimeError("source was not started")
        return self._intake
