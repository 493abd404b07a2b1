"""Where the keeper speaks to the whole engine: the rules' own answer at once, then the word goes to the daemon.

The newest state of the store is advanced to now by the same rules that the daemon runs, and the word is tried on it. What is
refused here would be refused there, so it is not handed over.
"""

from __future__ import annotations

import argparse
import re
import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from pydantic import ValidationError

from adapters.wording.answer import in_words
from daemon.clock import SystemClock
from daemon.config.configuration import Configuration
from daemon.config.settings import settings_of
from daemon.desk.doubt import ask
from daemon.desk.options import load_config, moment_ms, say
from daemon.store import word_faults
from daemon.store.errors import HistoryError
from daemon.store.going_on import went_on
from daemon.store.reader import HistoryReader, is_there
from daemon.store.spool import WordError
from rules.settings import Settings
from rules.terms.events import MINUTE_MS, Batch, Event, Pause, WordEvent
from rules.terms.words import WORD, Word
from rules.turn.advance import EngineState, advance, load_state

SILENT_MS = 12 * MINUTE_MS
"""A running daemon records its state every five minutes; older than this, it does not run."""


class Desk:
    """What every command of the keeper needs: the config, the rules' view of it, the present, and the stored state."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.configuration: Configuration = load_config(args)
        self.settings: Settings = settings_of(self.configuration)
        self.now_ms = SystemClock().wall_ms()

    def stored(self) -> EngineState | None:
        """Return the state that the daemon has now: its newest recorded one, and what was recorded after it; None: none yet."""
        if not is_there(self.configuration.store):
            return None
        with HistoryReader(self.configuration.store) as reader:
            if (row := reader.last_state()) is None:
                return None
            try:
                state = load_state(row[0])
            except ValidationError as error:
                told = f"{self.configuration.store}: its state is of another version; start the daemon once"
                raise HistoryError(told) from error
            return went_on(self.settings, state, reader, row[1]).state

    def moment(self, text: str | None) -> int:
        """Return an instant as the keeper writes it: a date and time, a time of today, or nothing for now."""
        if text is None:
            return self.now_ms
        if re.fullmatch(r"\d{1,2}:\d{2}", text):
            text = f"{datetime.fromtimestamp(self.now_ms / 1000, self.settings.zone).date()}T{text.zfill(5)}"
        try:
            return moment_ms(text, self.settings.zone)
        except ValueError as error:
            raise WordError(str(error)) from error

    def spoken(self, body: dict[str, Any]) -> Word:
        """Return a word with all its marks; raises WordError that names the key which is wrong."""
        try:
            return WORD.validate_python({key: value for key, value in body.items() if value is not None})
        except ValidationError as error:
            raise WordError(f"{word_faults.told(error, by_key=False)}. Nothing was taken down.") from error


class KeeperDesk(Desk):
    """A desk with the whole engine's state as of now."""

    def __init__(self, args: argparse.Namespace) -> None:
        super().__init__(args)
        self.recorded_ms: int | None = None
        """Up to when the daemon had watched when it last recorded its state; None: never."""
        self.state: EngineState = self._state()
        self.sure: bool = getattr(args, "yes", True)
        """Whether unusual figures are not asked about: the keeper has said that they are right, or the command has none."""

    def _state(self) -> EngineState:
        stored = self.stored()
        if stored is None:
            self.now_ms += 1
            begun = advance(self.settings, None, Batch(), self.now_ms - 1).state
            return advance(self.settings, begun, Batch(), self.now_ms).state
        self.recorded_ms = stored.closed_ms
        self.now_ms = max(self.now_ms, stored.closed_ms + 2)
        # What the daemon has heard since is not on the disk yet: no probe's silence, and no passing of a delay.
        unseen = Pause(self.now_ms - 1, stored.closed_ms)
        return advance(self.settings, stored, Batch.of(items=[unseen]), self.now_ms).state

    @property
    def silence(self) -> str:
        """What the keeper must know about the age of what is shown; empty: the daemon runs."""
        if self.recorded_ms is None:
            return "The daemon has not recorded anything yet; start it: dewlid run"
        if self.now_ms - self.recorded_ms <= SILENT_MS:
            return ""
        return f"The daemon does not run: this is what it knew at {self.local(self.recorded_ms)}."

    def local(self, at_ms: int) -> str:
        """Return an instant in local words, short."""
        moment = datetime.fromtimestamp(at_ms / 1000, self.settings.zone)
        today = datetime.fromtimestamp(self.now_ms / 1000, self.settings.zone).date()
        near = abs(moment.date() - today) < timedelta(days=1)
        return f"{moment:%H:%M}" if near else f"{moment:%Y-%m-%d %H:%M}"

    def chamber(self, name: str) -> str:
        """Return the chamber's id; raises WordError with the ones that there are."""
        if name not in self.settings.chambers:
            raise WordError(f"There is no chamber {name}. Chambers: {', '.join(self.settings.chambers)}.")
        return name

    def probe(self, name: str) -> str:
        """Return the probe's id; raises WordError with the ones that there are."""
        if name not in self.settings.probes:
            raise WordError(f"There is no probe {name}. Probes: {', '.join(self.settings.probes)}.")
        return name

    # ------------------------------------------------------------ speaking

    def speak(self, *words: dict[str, Any]) -> str:
        """Let the rules answer, raise WordError if they refuse, hand the words to the daemon and return the answers.

        The ids of what is said at once begin alike (`daemon.desk.undoing`).
        """
        answers = [answer for number, word in enumerate(words) for answer in self.tried(word, number)[0]]
        together = secrets.token_hex(8)
        for number, word in enumerate(words):
            say(self.configuration, word, together if len(words) == 1 else f"{together}_{number}")
        return "\n".join(dict.fromkeys(answers))

    def tried(self, word: dict[str, Any], number: int = 0) -> tuple[list[str], list[Event]]:
        """Return what the rules say to a word, in local time, and all the events; raises WordError if they refuse it.

        Nothing is handed over.
        """
        spoken = self.spoken({**word, "taken_ms": self.now_ms, "word_id": f"tried-{number}"})
        before = self.state
        events = self.try_on([spoken])
        mine = [event for event in events if isinstance(event, WordEvent) and event.id.endswith(f".word.tried-{number}")]
        for event in mine:
            if not event.accepted:
                raise WordError(self.in_words(event.text))
        if not self.sure:
            ask(self.settings, before, spoken)
        return [self.in_words(event.text) for event in mine], events

    def try_on(self, words: Sequence[Word]) -> list[Event]:
        """Advance the desk's own state by words and return the events."""
        advanced = advance(self.settings, self.state, Batch.of(items=list(words)), self.now_ms + 1)
        self.state, self.now_ms = advanced.state, self.now_ms + 1
        return advanced.events

    def in_words(self, text: str) -> str:
        """Return an answer of the rules with its instants in local time and without its code for scripts."""
        return in_words(text, self.local)
