"""No true and no false is taken for a number, in whatever key of the config or of a word."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

import pytest
from pydantic import BaseModel, ValidationError

import adapters.outlets
import adapters.probes
import daemon.config.configuration
from daemon.store.spool import WordError, checked_word
from rules.terms.setting_forms import Section
from rules.terms.words import Spoken

LOADED = (adapters.probes, adapters.outlets, daemon.config.configuration)  # so that every table of the config is defined


def below(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for one in model.__subclasses__():
        yield one
        yield from below(one)


def is_number(annotation: Any) -> bool:
    return annotation in (int, float) or any(is_number(one) for one in get_args(annotation))


KEYS = sorted(
    {(model, name) for base in (Section, Spoken) for model in below(base) if model.__module__.split(".")[0] in
     ("rules", "adapters", "daemon") for name, field in model.model_fields.items() if is_number(field.annotation)},
    key=lambda key: (key[0].__module__, key[0].__name__, key[1]),
)  # fmt: skip


@pytest.mark.parametrize("value", [True, False, [True], {"air_temperature": True}], ids=repr)
def test_no_key_takes_a_boolean_for_a_number(value: Any) -> None:
    assert len(KEYS) > 100
    taken = []
    for model, name in KEYS:
        with pytest.raises(ValidationError) as refused:
            model.model_validate({name: value})
        if not any(error["loc"][:1] == (name,) for error in refused.value.errors()):
            taken.append(f"{model.__name__}.{name}")
    assert taken == []


def test_a_word_says_what_was_found() -> None:
    with pytest.raises(WordError, match="for_ms: found true; wanted is a whole number"):
        checked_word({"word": "visit", "chamber": "nest", "for_ms": True, "taken_ms": 0, "word_id": "a"})
