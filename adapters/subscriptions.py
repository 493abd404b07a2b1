"""Who wants the messages of which exact topic, and which topics the broker refuses."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.flock_client import Message

AT_ONCE = 50
"""How many topics are asked for with one packet."""

Take = Callable[[Message], None]
Refused = Callable[[str], None]


class Subscriptions:
    """Outlives the connections: at each new one, all topics are asked for again."""

    def __init__(self, *, version_5: bool) -> None:
        self._version_5 = version_5
        self._lock = threading.RLock()
        self._takers: dict[str, list[tuple[Take, Refused | None]]] = {}
        self._takes: dict[str, tuple[Take, ...]] = {}
        self._asked: dict[int, Sequence[str]] = {}

    def add(self, topic: str, take: Take, refused: Refused | None) -> None:
        """Note a taker of a topic."""
        with self._lock:
            self._takers.setdefault(topic, []).append((take, refused))
            self._takes[topic] = (*self._takes.get(topic, ()), take)

    def remove(self, topic: str, take: Take) -> bool:
        """Forget a taker; True if nobody wants the topic any more."""
        with self._lock:
            left = [pair for pair in self._takers.get(topic, ()) if pair[0] != take]
            if left:
                self._takers[topic] = left
                self._takes[topic] = tuple(take for take, _ in left)
                return False
            self._takes.pop(topic, None)
            return self._takers.pop(topic, None) is not None

    def takers_of(self, topic: str) -> tuple[Take, ...]:
        """Return who wants a message of this topic; without a lock, since it is asked at every message."""
        return self._takes.get(topic, ())

    def ask_for_all(self, client: mqtt.Client) -> None:
        """Subscribe every topic on a new connection."""
        with self._lock:
            self._asked.clear()
            self.ask(client, list(self._takers))

    def ask(self, client: mqtt.Client, topics: Sequence[str]) -> None:
        """Subscribe some topics."""
        with self._lock:
            for first in range(0, len(topics), AT_ONCE):
                some = topics[first : first + AT_ONCE]
                _, mid = client.subscribe([self._wish(topic) for topic in some])
                if mid is not None:
                    self._asked[mid] = some

    def _wish(self, topic: str) -> Any:
        # Only MQTT 5 has options; there, `retained` must say whether the message was kept, not how it was sent.
        return (topic, SubscribeOptions(qos=1, retainAsPublished=False) if self._version_5 else 1)

    def answered(self, mid: int, reasons: Iterable[Any]) -> list[tuple[str, str, list[Refused]]]:
        """Return the topics of a subscription that the broker refused, why, and who wants to know."""
        with self._lock:
            topics = self._asked.pop(mid, ())
            return [
                (topic, str(reason), [refused for _, refused in self._takers.get(topic, ()) if refused is not None])
                for topic, reason in zip(topics, reasons, strict=False)
                if reason.is_failure
            ]
