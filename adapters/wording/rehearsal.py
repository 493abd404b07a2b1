"""The letter of a rehearsal: it looks like one that wakes, and says in its first line that nothing is wrong."""

from __future__ import annotations

from adapters.wording.figures import clean
from adapters.wording.sections import Section, section, text
from adapters.wording.situation import of_kind
from rules.terms.events import LetterEvent, SystemEvent

_OF_THEM = {
    "keeper": "In an emergency a letter like this wakes you. Did your telephone sound? If not, let this sender through.",
    "second": "This goes to the second address. If you are the keeper, no second address is set: add `second` to the outlet.",
    "stand-in": "This goes to the stand-in. If you are the keeper, none is set: add `stand_in` to the outlet.",
}


def rehearsal(letter: LetterEvent) -> list[Section]:
    """Return its body."""
    notes = [clean(event.text) for event in of_kind(letter.about, SystemEvent)]
    parts = [
        section("", [text("This is a rehearsal. Nothing is wrong with the ants, and there is nothing to do for them.")]),
        section("Which letter this is", [text(f"Letter {note}.") for note in notes]),
        section("What to look at", [text(_OF_THEM[letter.to])]),
    ]
    return [part for part in parts if part is not None]
