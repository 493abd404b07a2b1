"""What the fuzzer ever learnt is tried again by every test run, and so are small changes of it."""

from __future__ import annotations

import random

import corpus_file
import pytest
import targets

CHANGED = 150
"""Changed inputs of each target in one test run; `make fuzz` tries millions."""


@pytest.mark.parametrize("name", sorted(targets.TARGETS))
def test_every_kept_input_still_holds_to_the_promises_of_its_parser(name: str) -> None:
    inputs = corpus_file.read(name)
    assert len(inputs) >= 2
    for data in inputs:
        targets.TARGETS[name](data)


@pytest.mark.parametrize("name", sorted(targets.TARGETS))
def test_changed_inputs_hold_to_them_too(name: str) -> None:
    inputs = [data for data in corpus_file.read(name) if len(data) < 5_000]
    chance = random.Random(name)
    for _ in range(CHANGED):
        data = changed(inputs, chance)
        try:
            targets.TARGETS[name](data)
        except Exception as error:
            raise AssertionError(f"{name} breaks on {data!r}") from error


def changed(inputs: list[bytes], chance: random.Random) -> bytes:
    """Return one input with bytes changed, cut out, doubled, or taken from another one."""
    data = bytearray(chance.choice(inputs))
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1)
        kind = chance.randrange(4)
        if kind == 0 and at < len(data):
            data[at] = chance.randrange(256)
        elif kind == 1:
            del data[at : at + chance.randint(1, 8)]
        elif kind == 2:
            data[at:at] = data[at : at + chance.randint(1, 16)]
        else:
            other = chance.choice(inputs)
            data[at:] = other[chance.randrange(len(other) + 1) :]
    return bytes(data)


def test_the_kept_corpus_is_small_and_readable() -> None:
    files = sorted(corpus_file.FOLDER.iterdir())
    assert {path.stem for path in files} == set(targets.TARGETS)
    assert sum(path.stat().st_size for path in files) < 1_500_000


def test_a_target_that_is_given_a_broken_parser_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(targets, "json_of", lambda data: float("nan"))
    with pytest.raises(AssertionError):
        targets.payload(b"1")
