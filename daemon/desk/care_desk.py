"""Where the keeper speaks and asks about care: the rules' own answer at once, then the word goes to the daemon.

The answer comes from the same rules over the newest state in the store, so what is refused here would be refused there.
"""

from __future__ import annotations

import argparse
from typing import Any

from daemon.desk.keeper_desk import Desk
from daemon.desk.options import say
from daemon.store.spool import WordError
from rules.care.answers import KEPT
from rules.care.care import follow, replan
from rules.care.state import CareState
from rules.climate.hours import Climate, ClimateMemory, NothingKnown
from rules.terms.events import CareEvent, WordEvent


class CareDesk(Desk):
    """A desk with the care routine's state as of now."""

    def __init__(self, args: argparse.Namespace) -> None:
        super().__init__(args)
        self.climate: ClimateMemory = NothingKnown()
        self.state = self._state()

    def _state(self) -> CareState:
        """Return the routine as it stands now; without a store, one that begins now."""
        state = self.stored()
        if state is None:
            return follow(self.settings, CareState(), [], self.now_ms, self.now_ms, "", self.climate)[0]
        self.climate = Climate(state.places)
        care = replan(self.settings, state.care, state.closed_ms)
        return follow(self.settings, care, [], state.closed_ms, max(self.now_ms, state.closed_ms), "", self.climate)[0]

    def speak(self, *words: dict[str, Any]) -> str:
        """Let the rules answer, raise WordError if they refuse, hand the words to the daemon and return the answers."""
        answers = [self._answer(word) for word in words]
        for word in words:
            say(self.configuration, word)
        return "\n\n".join(text for answer in answers for text in answer)

    def _answer(self, word: dict[str, Any]) -> list[str]:
        spoken = self.spoken({**word, "taken_ms": self.now_ms, "word_id": "preview"})
        self.state, events = follow(self.settings, self.state, [spoken], self.now_ms, self.now_ms + 1, "", self.climate)
        for event in events:
            if isinstance(event, WordEvent) and not event.accepted:
                raise WordError(event.text.removesuffix(KEPT))
        taken = [event.text for event in events if isinstance(event, WordEvent)]
        return taken + [event.text for event in events if isinstance(event, CareEvent) and event.status == "told"]
