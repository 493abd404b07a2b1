"""Takes the keeper's words from MQTT into the spool, where it is enabled, and answers each one on a topic of its own.

The broker's thread only puts messages into a short queue; a thread of its own examines them. Ids that were taken are on disk
before the word is, so a restart forgets none of them.
"""

from __future__ import annotations

import contextlib
import json
import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

from adapters.errors import OutletError
from adapters.flock_client import Message
from adapters.keeper_words import Commands, Examiner, Heard, key_of
from adapters.mqtt_session import MqttSession
from daemon.store.spool import Spool, SpoolError, WordError
from daemon.watch.remembered import write_whole
from rules.terms.events import MINUTE_MS, rfc3339

_WAITING = 100
_ANSWERS_PER_MINUTE = 30
"""Refusals that are answered and logged in a minute; more are only counted, so that nobody can fill the log."""
_ANSWER_S = 5.0

_log = structlog.get_logger(__name__)


class RemoteWords:
    """Hears on one topic from `start` to `stop`."""

    def __init__(self, settings: Commands, session: MqttSession, spool: Spool, ids: Path, now_ms: Callable[[], int]) -> None:
        """Raises SecretUnreadable when the key cannot be had."""
        self.settings, self.session = settings, session
        self._spool, self._ids, self._now_ms = spool, ids, now_ms
        self._examiner = Examiner(settings, key_of(settings), _read_ids(ids))
        self._queue: queue.Queue[Message | None] = queue.Queue(_WAITING)
        self._thread = threading.Thread(target=self._run, name="keeper-words", daemon=True)
        self._minute, self._refused = -1, 0
        self.counts: dict[str, int] = {}
        """How many messages were taken and refused, by code."""

    def start(self) -> None:
        """Subscribe, and begin to hear."""
        self._thread.start()
        self.session.start()
        self.session.subscribe(self.settings.topic, self._take, self._not_subscribed)

    def stop(self, timeout_s: float = 1.0) -> None:
        """Hear no more."""
        self.session.unsubscribe(self.settings.topic, self._take)
        with contextlib.suppress(queue.Full):
            self._queue.put_nowait(None)
        self._thread.join(timeout_s)
        self.session.stop(timeout_s)

    def _take(self, message: Message) -> None:
        try:
            self._queue.put_nowait(message)
        except queue.Full:
            self._count("busy")

    def _not_subscribed(self, reason: str) -> None:
        _log.error("the broker refuses the topic of the keeper's words", topic=self.settings.topic, reason=reason)

    def _run(self) -> None:
        while (message := self._queue.get()) is not None:
            heard = self._examiner.examine(message.payload, retained=message.retained, now_ms=self._now_ms())
            word_id = None
            if heard.word is not None:
                heard, word_id = self._hand_over(heard, heard.word)
            self._count(heard.code)
            self._answer(heard, word_id)

    def _hand_over(self, heard: Heard, word: dict[str, Any]) -> tuple[Heard, str | None]:
        try:
            write_whole(self._ids, json.dumps(self._examiner.used))
            text = "taken down; what the rules say to it comes as an event"
            # The engine, too, takes an id once: even if this machine's clock is set back, nothing can be said again.
            word_id = self._spool.leave(_unstamped(word), by="mqtt", word_id=f"mqtt-{heard.nonce}")
            return Heard("taken", text, nonce=heard.nonce), word_id
        except (ValueError, SpoolError, OSError) as error:
            return Heard("refused", str(error), nonce=heard.nonce), None

    def _answer(self, heard: Heard, word_id: str | None) -> None:
        taken = heard.code == "taken"
        if taken:
            _log.info("a word came by MQTT", word_id=word_id, id=heard.nonce)
        elif not self._may_tell():
            return
        else:
            _log.warning("a word by MQTT was refused", code=heard.code, reason=heard.text, id=heard.nonce)
        body = {
            "schema": 1, "advisory_only": True, "time": rfc3339(self._now_ms()), "id": heard.nonce, "accepted": taken,
            "code": heard.code, "text": heard.text, "word_id": word_id,
        }  # fmt: skip
        payload = json.dumps(body, ensure_ascii=False).encode()
        options = {"content_type": "application/json", "expiry_s": 3600}
        try:
            self.session.publish(self.settings.answers, payload, timeout_s=_ANSWER_S, **options)
        except OutletError as error:
            _log.warning("an answer to a word could not be published", topic=self.settings.answers, reason=str(error))

    def _may_tell(self) -> bool:
        minute = self._now_ms() // MINUTE_MS
        if minute != self._minute:
            if self._refused > _ANSWERS_PER_MINUTE:
                _log.warning("more words by MQTT were refused", count=self._refused - _ANSWERS_PER_MINUTE)
            self._minute, self._refused = minute, 0
        self._refused += 1
        return self._refused <= _ANSWERS_PER_MINUTE

    def _count(self, code: str) -> None:
        self.counts[code] = self.counts.get(code, 0) + 1


def _unstamped(word: dict[str, Any]) -> dict[str, Any]:
    stamped = sorted({"taken_ms", "word_id", "by"} & set(word))
    if stamped:
        raise WordError(f"{', '.join(stamped)}: these are set here and may not be said")
    return word


def _read_ids(path: Path) -> dict[str, int]:
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        return {str(name): int(until_ms) for name, until_ms in body.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, OverflowError, TypeError, AttributeError, RecursionError) as error:
        _log.error("the ids of words by MQTT cannot be read; those of the last minutes might be taken again", reason=str(error))
        return {}
