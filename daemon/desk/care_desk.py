"""Where the keeper speaks and asks about care: the rules' own answer at once, with what they tell of it."""

from __future__ import annotations

from typing import Any

from adapters.wording.figures import Style
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import say
from rules.terms.events import CareEvent


class CareDesk(KeeperDesk):
    """A desk that also prints what the routine has to tell of a word: the letter that will come of it, at once."""

    def speak(self, *words: dict[str, Any]) -> str:
        """Let the rules answer, raise WordError if they refuse, hand the words to the daemon and return the answers."""
        texts = []
        for number, word in enumerate(words):
            if word["word"] == "lid-seen":
                continue  # evidence beside a note: whether it teaches the lid's model is no matter of the note
            answers, events = self.tried(word, number)
            texts += answers + [event.text for event in events if isinstance(event, CareEvent) and event.status == "told"]
        for word in words:
            say(self.configuration, word)
        return Style(self.settings.site.temperature_unit, self.settings.zone).text("\n\n".join(texts))
