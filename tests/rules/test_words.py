"""Words carry only what every part can name, show and write down."""

from __future__ import annotations

import json
import unicodedata
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from rules.words import AnyWord, LeavesGiven, Observation, Word

WORDS: TypeAdapter[Word] = TypeAdapter(AnyWord)
EVIL = "a\x1b[2Jb\x9b1m\u202eevil\u2028line\nnext\x00"


def said(**word: Any) -> Word:
    return WORDS.validate_python({"taken_ms": 1, "word_id": "w", **word})


def test_nothing_that_steers_a_terminal_or_hides_text_gets_into_a_word() -> None:
    seen = said(word="observation", chamber="nest", at_ms=1, seen=[EVIL], text=EVIL, by=EVIL)
    given = said(word="leaves", chamber="nest", at_ms=1, plant=EVIL, place=EVIL)
    assert isinstance(seen, Observation)
    assert isinstance(given, LeavesGiven)
    texts = [seen.text, *seen.seen, seen.by, given.plant, given.place]
    assert set(texts) == {"a [2Jb 1m evil line next "}


def test_letters_of_every_script_stay_as_they_are() -> None:
    text = "Brombeere, 薔薇, שושנה, 3 × 2 °C, naïve"
    assert said(word="leaves", chamber="nest", at_ms=1, plant=text).plant == text  # type: ignore[union-attr]


@given(st.text(st.characters(codec=None), max_size=80))
def test_any_text_is_refused_or_becomes_printable_and_can_be_written_down(text: str) -> None:
    try:
        word = said(word="observation", chamber="nest", at_ms=1, text=text)
    except ValidationError:
        assert any(unicodedata.category(sign) == "Cs" for sign in text)
        return
    assert WORDS.validate_json(word.model_dump_json()) == word
    kinds = {unicodedata.category(sign) for sign in word.text}  # type: ignore[union-attr]
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
