"""The README shows what really arrives: its letter comes from the simulated shelf, its cautions from the rules' own table.

`WRITE_GOLDEN=1` writes both anew and fails, so that someone reads them; `make documents` does this with all generated texts.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from adapters.simulated_shelf import simulate
from adapters.wording.letter import Letter, compose
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.exit_status import MEANINGS
from rules.terms.events import DAY_MS, LetterEvent
from rules.trade.cautions import CAUTIONS
from rules.turn.advance import advance

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
MONDAY_MS = 1_795_996_800_000  # 2026-11-30, midnight UTC


def block(name: str) -> re.Pattern[str]:
    return re.compile(rf"(<!-- {name}: begin [^\n]*-->\n)(.*?)(<!-- {name}: end -->)", re.DOTALL)


def compared(name: str, wanted: str) -> None:
    text = README.read_text(encoding="utf-8")
    found = block(name).search(text)
    assert found is not None, f"README.md has no block {name}"
    if os.environ.get("WRITE_GOLDEN") and found[2] != wanted:
        README.write_text(text[: found.start(2)] + wanted + text[found.end(2) :], encoding="utf-8")
        pytest.fail(f"README.md, {name}: written anew; read it, then run again")
    assert found[2] == wanted, f"README.md, {name}, is out of date: make documents"


def first_urgent_letter() -> Letter:
    settings = settings_of(load(ROOT / "sample_config" / "simulated-shelf.toml"))
    events = advance(settings, None, simulate(MONDAY_MS, 3), MONDAY_MS + 3 * DAY_MS).events
    letters = [event for event in events if isinstance(event, LetterEvent)]
    return compose(next(letter for letter in letters if letter.urgent), settings)


def test_the_letter_is_the_one_that_the_simulated_shelf_sends() -> None:
    letter = first_urgent_letter()
    compared("letter", f"```text\nSubject: {letter.subject}\n\n{letter.text.strip()}\n```\n")


def test_safety_and_law_are_those_of_the_first_letter() -> None:
    compared("cautions", "".join(f"- **{caution.topic.capitalize()}.** {caution.text}\n" for caution in CAUTIONS))


def test_the_exit_statuses_are_those_of_the_program() -> None:
    rows = "".join(f"| {int(one)} | {told} |\n" for one, told in MEANINGS.items())
    compared("statuses", f"| status | means |\n|---|---|\n{rows}")


def test_every_file_that_is_linked_exists() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        links = re.findall(r"\]\((?!https?:)([^)#]+)\)", (ROOT / document).read_text(encoding="utf-8"))
        assert links, document
        assert [link for link in links if not (ROOT / link).exists()] == [], document
