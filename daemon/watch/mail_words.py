"""Takes the keeper's answers to letters from a mailbox into the spool, where it is enabled, and confirms each one by a letter.

The thread only looks, hands words over and waits for what the rules say to them; the letter is made by the engine from the
present. What was looked at and used is on disk before a word is, so a restart takes nothing twice.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import structlog
from pydantic import TypeAdapter, ValidationError

from adapters.answers.mailbox import Mailbox
from adapters.answers.mailbox_reader import MailboxReader
from adapters.answers.reading import VERBS, Answered, NotTaken, Said, answered, said
from adapters.errors import OutletError, SecretUnreadable
from adapters.outlets import MailOutlet
from adapters.outlets.letter import Answers
from adapters.reply_tokens import Tokens
from adapters.secrets_file import read_secret
from adapters.wording.letter import message_of_letter
from daemon.config.configuration import Configuration
from daemon.store.errors import HistoryError
from daemon.store.reader import HistoryReader
from daemon.store.spool import Spool, SpoolError, WordError
from daemon.watch.answer_letter import answer_letter, words_of
from daemon.watch.engine import Reply
from daemon.watch.remembered import write_whole
from rules.terms.events import HOUR_MS, MINUTE_MS, LetterEvent, WordEvent, event_of

_log = structlog.get_logger(__name__)
MOST_PER_HOUR = 20
"""So many answers are looked at in an hour; more are passed over, so that nobody can have letters sent without end."""
_MOST_AT_ONCE = 50
"""Of so many new messages the headers are looked at in one turn; of more, the newest."""
_HEARD_WITHIN_MS = 10 * MINUTE_MS
"""For so long the rules' answers to words are waited for before the letter goes out without them."""
_AGAIN_S = (30.0, 60.0, 300.0, 900.0)
_LOOK_S = 0.5

@dataclass
class Waiting:
    """An answer whose words are in the spool: what is to be confirmed once the rules have said what becomes of them."""

    name: str
    letter: str
    recipient: str
    taken_ms: int
    words: list[str]


@dataclass
class Ledger:
    """What is remembered on disk: up to where the mailbox was looked at, which tokens are used, what is to be confirmed."""

    validity: int
    next_uid: int
    used: dict[str, int]
    """Until when each token must be remembered."""
    waiting: list[Waiting]


_LEDGER = TypeAdapter(Ledger)


class MailWords:
    """Looks into the mailbox from `start` to `stop`."""

    def __init__(
        self, settings: Mailbox, outlet: MailOutlet, tokens: Tokens, spool: Spool, store: Path, ledger: Path,
        reply: Callable[[Reply, str, str], None], now_ms: Callable[[], int],
    ) -> None:
        self.settings, self.outlet = settings, outlet
        self._tokens, self._spool, self._store, self._path = tokens, spool, store, ledger
        self._reply, self._now_ms = reply, now_ms
        self._reader = MailboxReader(settings)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mailbox", daemon=True)
        self._ledger = _read(ledger)
        self._hour, self._looked = -1, 0
        self.trouble = ""
        """Why the mailbox cannot be looked into; empty: it can."""

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """Look no more."""
        self._stopping.set()
        self._reader.close()
        self._thread.join(timeout_s)

    # ------------------------------------------------------------ the loop

    def _run(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            try:
                self._reader.open()
                while not self._stopping.is_set():
                    self._look()
                    failures, self.trouble = 0, ""
                    self._rest(self.settings.every / 1000)
            except OutletError as error:
                if not self._stopping.is_set() and self.trouble != str(error):
                    _log.warning("the mailbox cannot be looked into", reason=str(error))
                    self.trouble = str(error)
            finally:
                self._reader.close()
            self._rest(_AGAIN_S[min(failures, len(_AGAIN_S) - 1)])
            failures += 1

    def _rest(self, for_s: float) -> None:
        """Wait, and meanwhile confirm what the rules have answered."""
        for _ in range(max(1, round(for_s / _LOOK_S))):
            if self._stopping.wait(_LOOK_S):
                return
            self._confirm()

    def _look(self) -> None:
        validity, following = self._reader.place()
        ledger = self._ledger
        if ledger.validity != validity:  # the first look, or another box under this name: what lies there is none of ours
            ledger.validity, ledger.next_uid = validity, following
            self._write()
        for uid in self._reader.since(ledger.next_uid)[-_MOST_AT_ONCE:]:
            self._take(uid)
            ledger.next_uid = uid + 1
        self._write()

    def _take(self, uid: int) -> None:
        recipients = dict.fromkeys([*self.outlet.to, *self.outlet.second, *self.outlet.stand_in])
        try:
            whom = answered(self._reader.head(uid), self._tokens, recipients, self.settings.also_from)
            if not self._may_look():
                raise NotTaken("too many answers came within the hour")
            word = said(self._reader.message(uid))
        except NotTaken as error:
            _log.info("a message is no answer", uid=uid, reason=str(error))
            return
        letter = self._letter(whom)
        if letter is None:
            _log.warning("an answer to a letter that is not known or too old", uid=uid)
        else:
            self._heard(uid, whom, word, letter)

    def _may_look(self) -> bool:
        hour = self._now_ms() // HOUR_MS
        if hour != self._hour:
            self._hour, self._looked = hour, 0
        self._looked += 1
        return self._looked <= MOST_PER_HOUR

    def _letter(self, whom: Answered) -> LetterEvent | None:
        """Return the letter that is answered, if it is not too old."""
        since_ms = self._now_ms() - self.settings.answer_within
        for letter in _letters(self._store, since_ms):
            if message_of_letter(letter) == whom.message:
                return letter
        return None

    def _heard(self, uid: int, whom: Answered, word: Said | None, letter: LetterEvent) -> None:
        """Hand over the words of an answer; what needs none is answered at once."""
        now_ms, ledger = self._now_ms(), self._ledger
        ledger.used = {token: until_ms for token, until_ms in ledger.used.items() if until_ms > now_ms}
        again = whom.token in ledger.used
        words = [] if word is None or again else words_of(word, letter, now_ms)
        if word is not None and not again:
            ledger.used[whom.token] = now_ms + 2 * self.settings.answer_within
        name = f"{whom.token[:16]}-{uid}"
        ids = [f"mail-{whom.token[:16]}_{number}" for number in range(len(words))]
        if ids:
            ledger.waiting.append(Waiting(name, letter.id, whom.recipient, now_ms, ids))
        self._write()
        refused = ""
        try:
            for word_id, body in zip(ids, words, strict=True):
                self._spool.leave(body, by=self._role(whom.recipient), word_id=word_id)
        except (SpoolError, WordError, OSError) as error:
            refused = f"It could not be taken down: {error}."
        _log.info("an answer came by mail", letter=letter.id, verb=word.verb if word else "", words=len(ids), used=again)
        if ids and not refused:
            return
        ledger.waiting = [one for one in ledger.waiting if one.words != ids]
        how = word is not None and word.verb == "how" and not again
        self._send(name, letter, whom.recipient, [], refused or _said_instead(letter, word, again), how=how)

    def _role(self, address: str) -> str:
        """Return as whom somebody answers who got a letter at this address."""
        roles = {"keeper": self.outlet.to, "second": self.outlet.second, "stand-in": self.outlet.stand_in}
        return next(role for role, addresses in roles.items() if address in addresses)

    # ------------------------------------------------------------ confirming

    def _confirm(self) -> None:
        """Send the letters for which the rules have said all that they will."""
        ledger, now_ms = self._ledger, self._now_ms()
        for one in list(ledger.waiting):
            found = _answers(self._store, one)
            late = now_ms - one.taken_ms > _HEARD_WITHIN_MS
            if len(found) < len(one.words) and not late:
                continue
            letter = next((letter for letter in _letters(self._store, 0, one.letter)), None)
            ledger.waiting.remove(one)
            self._write()
            if letter is not None:
                missing = "" if not late else "Not all of it was heard. Look at what stands, and say it again."
                self._send(one.name, letter, one.recipient, found, missing)

    def _send(
        self, name: str, letter: LetterEvent, recipient: str, told: list[WordEvent], text: str, *, how: bool = False
    ) -> None:
        make = partial(answer_letter, name=name, asked=letter, told=told, text=text, how=how)
        self._reply(make, self.settings.outlet, recipient)

    def _write(self) -> None:
        try:
            write_whole(self._path, _LEDGER.dump_json(self._ledger).decode())
        except OSError as error:
            _log.error("what was read in the mailbox cannot be written down", reason=error.strerror)


def _said_instead(letter: LetterEvent, word: Said | None, again: bool) -> str:
    if letter.sort == "rehearsal":
        return "Your answer to the rehearsal has come: you can answer from there."
    if again:
        return "That letter was answered before, so nothing more was taken. Answer the newest letter, such as this one."
    if word is None:
        return f"Nothing was taken: the first line of your answer is none of the words {VERBS}."
    return "" if word.verb == "how" else "Nothing was taken: that letter asks for nothing of the kind, or all of it is over."


def _letters(store: Path, since_ms: int, ident: str = "") -> Iterable[LetterEvent]:
    with suppress(HistoryError), HistoryReader(store) as reader:
        bodies = [reader.event(ident)] if ident else list(reader.events(since_ms, kinds=["letter"]))
        for body in reversed(bodies):
            with suppress(ValidationError):
                event = event_of(body) if body is not None else None
                if isinstance(event, LetterEvent):
                    yield event


def _answers(store: Path, waiting: Waiting) -> list[WordEvent]:
    """Return what the rules have said so far, in the order of the words."""
    found: dict[str, WordEvent] = {}
    with suppress(HistoryError), HistoryReader(store) as reader:
        for body in reader.events(waiting.taken_ms - HOUR_MS, kinds=["word"]):
            event = event_of(body)
            name = event.id.rpartition(".word.")[2]
            if isinstance(event, WordEvent) and name in waiting.words:
                found[name] = event
    return [found[name] for name in waiting.words if name in found]


def _read(path: Path) -> Ledger:
    try:
        return _LEDGER.validate_json(path.read_bytes())
    except FileNotFoundError:
        return Ledger(0, 0, {}, [])
    except (OSError, ValueError) as error:
        _log.error("what was read in the mailbox is not known any more; it is read from now on", reason=str(error))
        return Ledger(0, 0, {}, [])


def answers_of(configuration: Configuration) -> dict[str, Answers]:
    """Return, by id, what makes the tokens of the outlet whose letters may be answered; a key is made where there is none."""
    box = configuration.mailbox
    if box is None:
        return {}
    path = configuration.state_folder / "mail-answers.key"
    try:
        if not path.exists():
            write_whole(path, secrets.token_hex(32))
        key = read_secret(str(path)).get_secret_value()
    except (OSError, SecretUnreadable) as error:
        _log.error("letters cannot be answered", reason=str(error))
        return {}
    return {box.outlet: Answers(Tokens(key.encode()), box.address)}
