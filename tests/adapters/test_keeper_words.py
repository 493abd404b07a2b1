"""The keeper's words by MQTT: what is taken, and everything that is not."""

from __future__ import annotations

import hashlib
import hmac
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.errors import SecretUnreadable
from adapters.keeper_words import LARGEST_BYTES, MOST_REMEMBERED, Commands, Examiner, key_of, signed

KEY = b"0123456789abcdef0123456789abcdef"
TOPIC = "dewlid/shelf/say"
NOW = 1_800_000_000_000
WORD = {"word": "visit", "chamber": "nest", "for_ms": 1_200_000}
NONCE = "0123456789abcdefABCDEF"


def examiner(**used: int) -> Examiner:
    return Examiner(Commands(broker="home", topic=TOPIC, key_file="/etc/dewlid/secrets/commands-key"), KEY, used)


def hear(message: str | bytes, *, retained: bool = False, now_ms: int = NOW, one: Examiner | None = None) -> tuple[str, Any]:
    payload = message.encode() if isinstance(message, str) else message
    heard = (one or examiner()).examine(payload, retained=retained, now_ms=now_ms)
    return heard.code, heard.word


def by_hand(said: str, key: bytes = KEY, topic: str = TOPIC) -> str:
    """The message as another program would make it, after the description alone."""
    return json.dumps({"said": said, "hmac": hmac.new(key, topic.encode() + b"\n" + said.encode(), hashlib.sha256).hexdigest()})


def test_a_signed_fresh_word_is_taken() -> None:
    assert hear(signed(KEY, TOPIC, WORD, NONCE, NOW)) == ("taken", WORD)


def test_another_program_needs_only_the_description_to_sign() -> None:
    said = '{ "word": {"word":"visit","chamber":"nest"}, "time": "2027-01-15T09:00:30.5+01:00", "id": "a-button-4711-0001" }'
    assert hear(by_hand(said)) == ("taken", {"word": "visit", "chamber": "nest"})


@pytest.mark.parametrize("ahead_ms", [-120_000, 120_000])
def test_the_window_ends_after_two_minutes_on_both_sides(ahead_ms: int) -> None:
    beyond = ahead_ms + (1 if ahead_ms > 0 else -1)
    assert hear(signed(KEY, TOPIC, WORD, NONCE, NOW + ahead_ms))[0] == "taken"
    assert hear(signed(KEY, TOPIC, WORD, NONCE, NOW + beyond))[0] == "stale"


def test_the_same_message_is_taken_once_as_long_as_its_time_would_pass() -> None:
    one, message = examiner(), signed(KEY, TOPIC, WORD, NONCE, NOW + 100_000)
    assert hear(message, one=one)[0] == "taken"
    for later_ms in (0, 1, 100_000, 219_999):
        assert hear(message, one=one, now_ms=NOW + later_ms)[0] == "replayed"
    assert hear(message, one=one, now_ms=NOW + 220_001)[0] == "stale"


def test_a_word_whose_id_was_remembered_before_a_restart_is_not_taken_again() -> None:
    before = examiner()
    message = signed(KEY, TOPIC, WORD, NONCE, NOW)
    assert hear(message, one=before)[0] == "taken"
    assert hear(message, one=examiner(**before.used))[0] == "replayed"


def test_ids_are_forgotten_when_their_time_is_over_and_never_pile_up() -> None:
    one = examiner()
    for number in range(MOST_REMEMBERED):
        assert hear(signed(KEY, TOPIC, WORD, f"{NONCE}-{number}", NOW), one=one)[0] == "taken"
    assert hear(signed(KEY, TOPIC, WORD, f"{NONCE}-more", NOW), one=one)[0] == "busy"
    later = NOW + 300_000
    assert hear(signed(KEY, TOPIC, WORD, f"{NONCE}-later", later), one=one, now_ms=later)[0] == "taken"
    assert len(one.used) == 1


def test_a_forger_learns_nothing_and_uses_up_no_id() -> None:
    one = examiner()
    for message in (
        by_hand(json.dumps({"id": NONCE, "time": "2027-01-15T08:00:00Z", "word": WORD}), key=b"x" * 32),
        by_hand(json.dumps({"id": NONCE, "time": "2027-01-15T08:00:00Z", "word": WORD}), topic="dewlid/other/say"),
        signed(KEY, TOPIC, WORD, NONCE, NOW).replace("nest", "nesT"),
        json.dumps({"said": "{}", "hmac": ""}),
        json.dumps({"said": "{}", "hmac": "Ä" * 64}),
    ):
        assert hear(message, one=one) == ("forged", None)
    assert one.used == {}


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("", "malformed"),
        ("ack all", "malformed"),
        ("[]", "malformed"),
        ("[" * 7000, "malformed"),
        ("NaN", "malformed"),
        ("1" * 7000, "malformed"),
        ('{"said": "x"}', "malformed"),
        ('{"said": 1, "hmac": "x"}', "malformed"),
        ('{"said": "x", "hmac": "y", "hmac": "z"}', "malformed"),
        ('{"said": "\\ud800", "hmac": "x"}', "malformed"),
        (b"\xff\xfe", "malformed"),
        ("x" * (LARGEST_BYTES + 1), "too-large"),
        (by_hand("no json"), "malformed"),
        (by_hand(json.dumps({"id": NONCE, "time": "2027-01-15T08:00:00Z"})), "malformed"),
        (by_hand(json.dumps({"id": "short", "time": "2027-01-15T08:00:00Z", "word": {}})), "malformed"),
        (by_hand(json.dumps({"id": NONCE, "time": "2027-01-15T08:00:00", "word": {}})), "malformed"),
        (by_hand(json.dumps({"id": NONCE, "time": "9999-12-31T23:59:59-23:59", "word": {}})), "stale"),
        (by_hand(json.dumps({"id": NONCE, "time": 1_800_000_000, "word": {}})), "malformed"),
        (signed(KEY, TOPIC, {"word": "model-fitted", "chamber": "nest", "model": {}}, NONCE, NOW), "not-allowed"),
        (signed(KEY, TOPIC, {"word": "calibrated"}, NONCE, NOW), "not-allowed"),
        (signed(KEY, TOPIC, {"word": ["visit"]}, NONCE, NOW), "not-allowed"),
        (signed(KEY, TOPIC, {}, NONCE, NOW), "not-allowed"),
    ],
)
def test_what_is_no_word_is_refused_by_code(message: str | bytes, code: str) -> None:
    assert hear(message) == (code, None)


def test_a_message_that_the_broker_kept_is_not_said_now() -> None:
    assert hear(signed(KEY, TOPIC, WORD, NONCE, NOW), retained=True)[0] == "retained"


@given(st.binary(max_size=300) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["said", "hmac", "time", "word", "x"]), inner),
).map(lambda body: json.dumps(body).encode()))  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_no_message_raises_anything(payload: bytes) -> None:
    assert examiner().examine(payload, retained=False, now_ms=NOW).code in ("malformed", "forged")


@given(st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20) | st.just(NONCE) | st.just("2027-01-15T08:00:00Z"),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["id", "time", "word", "x"]), inner),
))  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_no_text_that_the_key_has_signed_raises_anything(body: Any) -> None:
    said = json.dumps(body)
    heard = examiner().examine(by_hand(said).encode(), retained=False, now_ms=NOW)
    assert heard.code in ("malformed", "stale", "not-allowed")


def test_a_short_key_is_refused_with_what_to_do(secret_file: Any) -> None:
    with pytest.raises(SecretUnreadable, match="32 or more are needed: dewlid sign --new-key"):
        key_of(Commands(broker="home", topic=TOPIC, key_file=secret_file("short")))
