"""Where the keeper speaks and asks about care: the rules' own answer at once, then the word goes to the daemon.

The answer comes from the same rules over the newest state in the store, so what is refused here would be refused there.
"""

from __future__ import annotations

import argparse
import re
from datetime import datetime
from typing import Any

from pydantic import TypeAdapter, ValidationError

from daemon.assembly import watch_of
from daemon.clock import SystemClock
from daemon.commands.options import load_config, moment_ms, say
from daemon.configuration import Configuration
from daemon.history_error import HistoryError
from daemon.history_reader import HistoryReader
from daemon.spool import WordError
from rules.care import follow, replan
from rules.care_state import CareState
from rules.care_words import KEPT
from rules.climate_memory import ClimateMemory, NothingKnown
from rules.events import CareEvent, WordEvent
from rules.remember import Climate
from rules.settings import Watch
from rules.watch import load_state
from rules.words import AnyWord, Word

_WORD: TypeAdapter[Word] = TypeAdapter(AnyWord)


class CareDesk:
    """What a command about care needs: the config, the rules' view of it, and the routine's state of now."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.configuration: Configuration = load_config(args)
        self.watch: Watch = watch_of(self.configuration)
        self.now_ms = SystemClock().wall_ms()
        self.climate: ClimateMemory = NothingKnown()
        self.state = self._state()

    def _state(self) -> CareState:
        """Return the routine as it stands now; without a store, one that begins now."""
        if not self.configuration.store.exists():
            return follow(self.watch, CareState(), [], self.now_ms, self.now_ms, "", self.climate)[0]
        with HistoryReader(self.configuration.store) as reader:
            stored = reader.last_state()
        if stored is None:
            return follow(self.watch, CareState(), [], self.now_ms, self.now_ms, "", self.climate)[0]
        try:
            state = load_state(stored[0])
        except ValidationError as error:
            raise HistoryError(f"{self.configuration.store}: its state is of another version; start the daemon once") from error
        self.climate = Climate(state.places)
        care = replan(self.watch, state.care, state.closed_ms)
        return follow(self.watch, care, [], state.closed_ms, max(self.now_ms, state.closed_ms), "", self.climate)[0]

    def moment(self, text: str | None) -> int:
        """Return an instant as the keeper writes it: a date and time, a time of today, or nothing for now."""
        if text is None:
            return self.now_ms
        if re.fullmatch(r"\d{1,2}:\d{2}", text):
            text = f"{datetime.fromtimestamp(self.now_ms / 1000, self.watch.zone).date()}T{text.zfill(5)}"
        try:
            return moment_ms(text, self.watch.zone)
        except ValueError as error:
            raise WordError(str(error)) from error

    def speak(self, *words: dict[str, Any]) -> str:
        """Let the rules answer, raise WordError if they refuse, hand the words to the daemon and return the answers."""
        answers = [self._answer(word) for word in words]
        for word in words:
            say(self.configuration, word)
        return "\n\n".join(text for answer in answers for text in answer)

    def _answer(self, word: dict[str, Any]) -> list[str]:
        body = {key: value for key, value in word.items() if value is not None}
        try:
            spoken = _WORD.validate_python({**body, "taken_ms": self.now_ms, "word_id": "preview"})
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            found = repr(first["input"])
            found = f"{found[:40]}... ({len(found)} characters)" if len(found) > 60 else found
            wanted = f"{first['msg'][0].lower()}{first['msg'][1:]}"
            raise WordError(f"{first['loc'][-1]}: found {found}; {wanted}. Nothing was taken down.") from error
        self.state, events = follow(self.watch, self.state, [spoken], self.now_ms, self.now_ms + 1, "", self.climate)
        for event in events:
            if isinstance(event, WordEvent) and not event.accepted:
                raise WordError(event.text.removesuffix(KEPT))
        taken = [event.text for event in events if isinstance(event, WordEvent)]
        return taken + [event.text for event in events if isinstance(event, CareEvent) and event.status == "told"]
