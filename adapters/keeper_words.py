"""The keeper's words over MQTT: signed, fresh and taken once, or refused with a reason.

A message is a JSON object `{"said": TEXT, "hmac": HEX}`. TEXT is itself a JSON object `{"id", "time", "word"}`; it is signed
as the exact text that it is, so that no two programs need agree on how to write a number. HMAC-SHA-256 (RFC 2104, FIPS 180-4)
covers the topic too: what was said to one installation is nothing to another with the same key. Nothing of TEXT is looked at
before the signature holds. Who may publish on the topic is the broker's matter (its ACL).
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from adapters.broker import Topic
from adapters.errors import SecretUnreadable
from adapters.secrets_file import SecretFile, read_secret
from rules.terms.events import MINUTE_MS, SECOND_MS, rfc3339
from rules.terms.setting_forms import DurationMs, Section
from rules.terms.words import Name

LARGEST_BYTES = 8 * 1024
SHORTEST_KEY = 32
MOST_REMEMBERED = 1_000
ALLOWED_WORDS = frozenset({
    "acknowledge", "shelve", "unshelve", "out-of-service", "visit", "lid-measured", "lid-seen", "advice-done", "garden",
    "care-done", "observation", "leaves", "away",
})  # fmt: skip
"""Words that may come by MQTT: not those that correct a probe or a model."""
Code = Literal["taken", "too-large", "malformed", "forged", "retained", "stale", "replayed", "busy", "not-allowed", "refused"]
_ID = re.compile(r"[A-Za-z0-9_-]{16,64}")


class Commands(Section):
    """The keeper's words by MQTT. Without this table nothing is subscribed and nothing is taken."""

    broker: Name
    """Id of the broker, as in [broker.ID]. Let its ACL say who may publish on the topic."""
    topic: Topic
    """Exact topic on which words are heard, such as "dewlid/fungus-shelf/say"."""
    answer_topic: Topic | None = None
    """Exact topic on which each word is answered; absent: the topic with "/answer" behind it."""
    key_file: SecretFile
    """File that holds the shared key alone, 32 characters or more; `dewlid sign --new-key` makes one. Or "credential:NAME"."""
    window: DurationMs = Field(default=2 * MINUTE_MS, ge=10 * SECOND_MS, le=10 * MINUTE_MS)
    """How far the time in a word may be from this machine's clock."""

    @property
    def answers(self) -> str:
        """The topic of the answers."""
        return self.answer_topic or f"{self.topic}/answer"


def key_of(settings: Commands) -> bytes:
    """Return the shared key; raises SecretUnreadable."""
    key = read_secret(settings.key_file).get_secret_value()
    if len(key) < SHORTEST_KEY:
        raise SecretUnreadable(
            f"secret file {settings.key_file}: the key has {len(key)} characters; {SHORTEST_KEY} or more are needed:"
            " dewlid sign --new-key makes one"
        )
    return key.encode()


def signed(key: bytes, topic: str, word: Mapping[str, Any], nonce: str, now_ms: int) -> str:
    """Return the message that says a word."""
    said = json.dumps({"id": nonce, "time": rfc3339(now_ms), "word": dict(word)}, ensure_ascii=False)
    return json.dumps({"said": said, "hmac": _digest(key, topic, said)}, ensure_ascii=False)


def _digest(key: bytes, topic: str, said: str) -> str:
    return hmac.new(key, f"{topic}\n{said}".encode(), hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class Heard:
    """A message after the examination. `word` only when it is taken; `nonce` only when the signature holds."""

    code: Code
    text: str
    word: dict[str, Any] | None = None
    nonce: str | None = None


class NotSoError(ValueError):
    """A message that is not taken, and why."""

    def __init__(self, code: Code, text: str, nonce: str | None = None) -> None:
        super().__init__(text)
        self.heard = Heard(code, text, nonce=nonce)


class Examiner:
    """Decides about messages. `used`: ids that were taken, and until when each must be remembered."""

    def __init__(self, settings: Commands, key: bytes, used: Mapping[str, int]) -> None:
        self._settings, self._key = settings, key
        self.used = dict(used)

    def examine(self, payload: bytes, *, retained: bool, now_ms: int) -> Heard:
        """Return what becomes of a message; its id counts as used from then on if it is taken."""
        try:
            said = self._signed_text(payload, retained)
            nonce, at_ms, word = _parts(said)
            self._fresh(nonce, at_ms, now_ms)
        except NotSoError as refusal:
            return refusal.heard
        self.used[nonce] = max(at_ms, now_ms) + 2 * self._settings.window
        if str(word.get("word")) not in ALLOWED_WORDS:
            text = f"the word {str(word.get('word'))[:40]!r} may not come by MQTT; allowed: {', '.join(sorted(ALLOWED_WORDS))}"
            return Heard("not-allowed", text, nonce=nonce)
        return Heard("taken", "", word, nonce)

    def _signed_text(self, payload: bytes, retained: bool) -> str:
        if len(payload) > LARGEST_BYTES:
            raise NotSoError("too-large", f"the message has {len(payload)} bytes; at most {LARGEST_BYTES} are taken")
        body = _object(payload)
        if set(body) != {"said", "hmac"} or not all(isinstance(value, str) for value in body.values()):
            raise NotSoError("malformed", 'the message is not {"said": TEXT, "hmac": HEX}')
        said: str = body["said"]
        try:
            wanted = _digest(self._key, self._settings.topic, said)
            genuine = hmac.compare_digest(wanted.encode(), body["hmac"].encode())
        except UnicodeEncodeError as error:
            raise NotSoError("malformed", "the message holds half a character") from error
        if not genuine:
            raise NotSoError("forged", "the signature does not hold for this topic and text")
        if retained:
            raise NotSoError("retained", "the broker kept this message, so nobody says it now; publish without retain")
        return said

    def _fresh(self, nonce: str, at_ms: int, now_ms: int) -> None:
        window_ms = self._settings.window
        if abs(at_ms - now_ms) > window_ms:
            off_s = (at_ms - now_ms) / 1000
            text = f"its time is {off_s:+.0f} s from this machine's clock; at most {window_ms / 1000:.0f} s is taken"
            raise NotSoError("stale", text, nonce)
        self.used = {known: until_ms for known, until_ms in self.used.items() if until_ms >= now_ms}
        if nonce in self.used:
            raise NotSoError("replayed", "this id was taken before", nonce)
        if len(self.used) >= MOST_REMEMBERED:
            raise NotSoError("busy", f"{MOST_REMEMBERED} words came within minutes; wait", nonce)


def _object(text: str | bytes) -> dict[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(body := dict(pairs)) < len(pairs):
            raise ValueError("it holds a key twice")
        return body

    def no_number(found: str) -> float:
        raise ValueError(f"{found} is no number")

    try:
        body = json.loads(text, object_pairs_hook=once, parse_constant=no_number)
    except (ValueError, RecursionError) as error:
        raise NotSoError("malformed", f"it is not JSON: {str(error)[:120]}") from error
    if not isinstance(body, dict):
        raise NotSoError("malformed", "it is not a JSON object")
    return body


def _parts(said: str) -> tuple[str, int, dict[str, Any]]:
    body = _object(said)
    nonce, moment, word = body.get("id"), body.get("time"), body.get("word")
    if set(body) != {"id", "time", "word"} or not isinstance(word, dict):
        raise NotSoError("malformed", 'what is said is not {"id", "time", "word"}')
    if not isinstance(nonce, str) or not _ID.fullmatch(nonce):
        raise NotSoError("malformed", "id: 16 to 64 letters, digits, - or _ are needed, never used before")
    try:
        at = datetime.fromisoformat(str(moment))
        if at.tzinfo is None:
            raise ValueError("it has no offset")
        return nonce, round(at.timestamp() * 1000), word
    except (ValueError, OverflowError, OSError) as error:
        raise NotSoError("malformed", "time: an RFC 3339 instant is needed, such as 2027-05-01T18:30:00Z", nonce) from error
