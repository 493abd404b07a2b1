"""The letter that confirms an answer by mail: what was taken, how it is now, what still stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from adapters.wording.alarm_sentences import label, title_of
from adapters.wording.as_it_is import as_it_is
from adapters.wording.figures import Style, clean
from adapters.wording.sections import Section, points, section, text
from adapters.wording.situation import of_kind
from rules.keeper.refusal import KEPT
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AlarmEvent, LetterEvent, SystemEvent, WordEvent, instant_of

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")


def answer_subject(letter: LetterEvent) -> str:
    """Return the subject but for the place: what became of the answer."""
    words = of_kind(letter.about, WordEvent)
    if not words:
        return "How it is" if letter.thread.startswith("how.") else "Not taken"
    taken = [word.accepted for word in words]
    return "Taken" if all(taken) else "Not all taken" if any(taken) else "Not taken"


def answer(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the sections: what was taken and not, then the present, then what stands."""
    words = of_kind(letter.about, WordEvent)
    stands = [_standing(alarm, settings) for alarm in of_kind(letter.about, AlarmEvent)]
    asked = [style.text(clean(event.headline)) for event in of_kind(letter.about, AdviceEvent)]
    notes = [text(clean(event.text)) for event in of_kind(letter.about, SystemEvent)]
    found = [
        section("Your answer", notes),
        section("Taken", points(_lines([word for word in words if word.accepted], style))),
        section("Not taken", points(_lines([word for word in words if not word.accepted], style))),
        section("How it is now", points(as_it_is(letter, settings, style))),
        section("What still stands", points(stands) or [text("Nothing of that letter stands any more.")]),
        section("To do", points(asked)),
    ]
    return [part for part in found if part is not None]


def in_words(answer: str, clock: Callable[[int], str]) -> str:
    """Return the rules' answer to a word with its instants in local time and without its code for scripts."""
    said = re.sub(r"^[a-z]+(?:_[a-z]+)+: ", "", answer).removesuffix(KEPT)
    said = _INSTANT.sub(lambda match: clock(instant_of(match[0])), said)
    first = said.partition(" ")[0]
    said = said if "/" in first or "-" in first else said[:1].upper() + said[1:]  # a name stays as it is written
    return said + ("" if said.endswith(".") else ".")


def _lines(words: Sequence[WordEvent], style: Style) -> list[str]:
    return list(dict.fromkeys(style.text(clean(in_words(word.text, style.clock), 600)) for word in words))


def _standing(alarm: AlarmEvent, settings: Settings) -> str:
    hidden = {"shelved": "quiet", "by-design": "explained by another", "out-of-service": "out of service"}
    marks = [*(["seen"] if alarm.acknowledged else []), *([hidden[alarm.suppression]] if alarm.suppression in hidden else [])]
    marked = f" ({', '.join(marks)})" if marks else ""
    return f"{title_of(settings, alarm.chamber)}: {label(alarm.alarm)}{marked}."
