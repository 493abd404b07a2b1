"""Words carry only what every part can name, show and write down."""

from __future__ import annotations

import json
import unicodedata
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, WordEvent
from rules.terms.words import AnyWord, Word
from rules.turn.advance import advance

SHELF = Settings(
    site=Site(), zone=ZoneInfo("UTC"), rooms={"loft": Room()}, chambers={"nest": Chamber(room="loft")},
    probes={"air": Probe(place="nest")}, telling=Telling(),
)
WORDS: TypeAdapter[Word] = TypeAdapter(AnyWord)
EVIL = "a\x1b[2Jb\x9b1m\u202eevil\u2028line\nnext\x00"


def said(**word: Any) -> Word:
    return WORDS.validate_python({"taken_ms": 1, "word_id": "w"} | word)


def test_texts_that_no_rule_looks_at_carry_nothing_that_steers_a_terminal_or_hides_text() -> None:
    out = said(word="out-of-service", probe="air", for_ms=1, reason=EVIL, by=EVIL, word_id=EVIL)
    right = said(
        word="calibrated", probe="air", quantity="air_temperature", offset=0, gain=1, standard_uncertainty=0, method=EVIL
    )
    done, seen = said(word="advice-done", advisory=EVIL), said(word="observation", chamber="nest", at_ms=1, seen=[EVIL])
    texts = [out.reason, out.by, out.word_id, right.method, done.advisory, *seen.seen]  # type: ignore[union-attr]
    assert set(texts) == {"a [2Jb 1m evil line next "}


@pytest.mark.parametrize(("key", "word"), [
    ("text", {"word": "observation", "text": EVIL}), ("plant", {"word": "leaves", "plant": EVIL}),
    ("place", {"word": "leaves", "plant": "rose", "place": EVIL}),
])
def test_a_note_or_a_leaf_with_such_signs_is_refused_by_the_rules(key: str, word: dict[str, Any]) -> None:
    now = advance(SHELF, None, Batch(), 1_000).state
    spoken = said(chamber="nest", at_ms=500, taken_ms=2_000, **word)
    told = [event for event in advance(SHELF, now, Batch.of(items=[spoken]), 3_000).events if isinstance(event, WordEvent)]
    assert [event.accepted for event in told] == [False]
    assert "U+001B at place 2" in told[0].text
    assert told[0].text.isprintable(), key


@given(st.text(st.characters(codec=None), max_size=80))
def test_any_text_is_refused_or_can_be_written_down(text: str) -> None:
    try:
        words = [
            said(word="observation", chamber="nest", at_ms=1, text=text),
            said(word="out-of-service", probe="a", for_ms=1, reason=text),
        ]
    except ValidationError:
        assert any(unicodedata.category(sign) == "Cs" for sign in text)
        return
    for word in words:
        assert WORDS.validate_json(word.model_dump_json()) == word
    kinds = {unicodedata.category(sign) for sign in words[1].reason}  # type: ignore[union-attr]
    assert not kinds & {"Cc", "Cf", "Zl", "Zp"}


@pytest.mark.parametrize("at_ms", [-1, 7_258_118_400_000, 10**30])
@pytest.mark.parametrize("body", [
    {"word": "lid-measured", "lid_temperature_c": 24.0}, {"word": "lid-seen", "seen": "mist"}, {"word": "garden", "fill": 0.5},
    {"word": "care-done", "task": "leaves"}, {"word": "observation"}, {"word": "leaves", "plant": "bramble"},
])
def test_an_instant_that_no_calendar_has_is_refused(body: dict[str, Any], at_ms: int) -> None:
    said(**body, chamber="nest", at_ms=0)
    with pytest.raises(ValidationError, match="at_ms"):
        said(**body, chamber="nest", at_ms=at_ms)


def test_every_text_of_every_word_is_bounded() -> None:
    """A text without a length is also one that is not looked at: half a character would pass."""
    schema = json.loads(json.dumps(WORDS.json_schema()))
    unbounded = [
        f"{name}.{key}"
        for name, word in schema["$defs"].items()
        for key, facts in word["properties"].items()
        for form in (facts, *facts.get("anyOf", ()), facts.get("items", {}))
        if form.get("type") == "string" and not {"maxLength", "enum", "const"} & set(form)
    ]
    assert unbounded == []
