"""The keeper's answers by mail: one word in the first line of a reply to a letter that bears our token, or nothing.

Mail programs send the token back in In-Reply-To and References (RFC 5322 section 3.6.4). Nothing of a message is looked at but
these, who sent it and whether a program did (RFC 3834), until a token holds. Only the first line of what the keeper wrote
counts, above a quotation or below it; what is quoted, in whichever mail program's manner, is never taken for a word.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Iterable
from dataclasses import dataclass
from email.message import Message
from email.parser import BytesParser
from email.policy import compat32
from email.utils import getaddresses
from html.parser import HTMLParser
from typing import Literal

from adapters.reply_tokens import Tokens
from adapters.wording.letter import LAST_WORDS
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

Verb = Literal["done", "seen", "quiet", "how"]
VERBS = "done, seen, quiet 4h or how"
QUIET_FOR_MS, LONGEST_QUIET_MS = 4 * HOUR_MS, 7 * DAY_MS
_TOKEN = re.compile(r"<([0-9a-f]{24})\.([0-9a-f]{24})@")
_MOST_NAMED = 50
_QUOTED = re.compile(r"\w{0,4} ?[>|]")
"""The marks of a quotation, alone or after the initials of who is quoted; from memory."""
_WORD = re.compile(r"(done|seen|how)|quiet(?:\s{0,3}(\d{1,4})\s?(min|h|d))?", re.ASCII)
_UNIT_MS = {"min": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}
_NO_ADDRESSEE = ("mailer-daemon", "postmaster", "noreply", "no-reply", "donotreply", "do-not-reply", "bounce", "bounces")
_MARKS_OF_A_PROGRAM = (
    "X-Autoreply", "X-Autorespond", "X-Auto-Response-Suppress", "X-Failed-Recipients", "List-Id", "List-Unsubscribe",
    "Feedback-ID", "X-Loop",
)  # fmt: skip
"""What automatic answers and lists bear besides what RFC 3834 and RFC 2919 ask for; from memory."""
_BROKEN = (ValueError, LookupError, TypeError, AttributeError, AssertionError, RecursionError)
"""What the standard parser raises of messages that are none."""


class NotTaken(Exception):
    """A message that is no answer; its text is for the log and holds nothing of the message."""


@dataclass(frozen=True, slots=True)
class Answered:
    """The letter that is answered: the left side of its Message-ID, the token in it, and the address that it went to."""

    message: str
    token: str
    recipient: str


@dataclass(frozen=True, slots=True)
class Said:
    """The word of an answer."""

    verb: Verb
    for_ms: int = 0


def answered(head: bytes, tokens: Tokens, recipients: Iterable[str], also_from: Iterable[str] = ()) -> Answered:
    """Return which letter a message answers; raises NotTaken for all others, which are to be left alone.

    `recipients`: the addresses that letters go to; these and `also_from` may answer.
    """
    message = _parsed(head)
    try:
        _refuse_programs(message)
        sender = _sender(message)
        named = " ".join(str(message.get(key, "")) for key in ("In-Reply-To", "References"))
    except _BROKEN as error:
        raise NotTaken("its header cannot be read") from error
    found = _TOKEN.findall(named[-_MOST_NAMED * 200 :])[-_MOST_NAMED:]
    if not found:
        raise NotTaken("it answers no letter of ours")
    known = {address.casefold(): address for address in recipients}
    if sender not in known and sender not in {address.casefold() for address in also_from}:
        raise NotTaken("who sent it may not answer")
    named_first = [sender, *known] if sender in known else list(known)
    for letter, token in [*found[-1:], *found]:  # the letter that is answered stands last (RFC 5322 section 3.6.4)
        for address in named_first:
            if hmac.compare_digest(tokens.token(letter, address), token):
                return Answered(letter, token, known[address.casefold()])
    raise NotTaken("its token is none of ours")


def said(message: bytes) -> Said | None:
    """Return the word of an answer's text; None: there is none. Raises NotTaken if it is no message."""
    try:
        text = _text(_parsed(message))
    except _BROKEN as error:
        raise NotTaken("its text cannot be read") from error
    match = _word(text)
    if match is None:
        return None
    verb: Verb = match[1] or "quiet"  # type: ignore[assignment]
    if verb != "quiet":
        return Said(verb)
    for_ms = int(match[2]) * _UNIT_MS[match[3]] if match[2] else QUIET_FOR_MS
    return Said(verb, for_ms) if 0 < for_ms <= LONGEST_QUIET_MS else None


def _word(text: str) -> re.Match[str] | None:
    """Return the word that stands first, or first below something quoted.

    A quotation ends with its marks, or with the last words of our letter where a mail program sets no marks.
    """
    lines = [_plain(line) for line in text.splitlines()]
    quoted = {number for number, line in enumerate(lines) if _QUOTED.match(line)}
    last, first = max(quoted, default=-1), True
    for number, line in enumerate(lines):
        broken_off = number - 1 in quoted and number < last  # the rest of a quoted line that became too long
        if number in quoted or broken_off or " ".join(lines[max(0, number - 1) : number + 1]).endswith(LAST_WORDS):
            first = True
        elif first and line:
            first = False
            if match := _WORD.fullmatch(line.rstrip(".! ").casefold()):
                return match
    return None


# ---------------------------------------------------------------- taking a message apart


def _parsed(data: bytes) -> Message:
    try:
        return BytesParser(policy=compat32).parsebytes(data)
    except _BROKEN as error:
        raise NotTaken("it is no message") from error


def _refuse_programs(message: Message) -> None:
    """Refuse what a program sent: it would be answered, and answer again."""
    submitted = [str(line).partition(";")[0].strip().casefold() for line in message.get_all("Auto-Submitted", [])]
    bulk = str(message.get("Precedence", "")).strip().casefold() in ("bulk", "junk", "list", "auto_reply")
    bounced = str(message.get("Return-Path", "?")).strip() == "<>" or message.get_content_type() == "multipart/report"
    marked = any(message.get(mark) is not None for mark in _MARKS_OF_A_PROGRAM)
    if any(how != "no" for how in submitted) or bulk or bounced or marked:
        raise NotTaken("a program sent it")


def _sender(message: Message) -> str:
    addresses = getaddresses([str(line) for line in message.get_all("From", [])])
    if len(addresses) != 1 or "@" not in addresses[0][1]:
        raise NotTaken("it does not say who sent it")
    sender = addresses[0][1].casefold()
    if sender.partition("@")[0] in _NO_ADDRESSEE:
        raise NotTaken("a program sent it")
    return sender


def _text(message: Message) -> str:
    """Return the words of a message, of HTML those before anything quoted."""
    part = _first(message)
    if part is None:
        return ""
    if part.get_content_type() != "text/html":
        return _decoded(part)
    words = _Words()
    words.feed(_decoded(part))
    return words.text


def _first(part: Message) -> Message | None:
    """Return the part that is shown first, in its plain form if there is one; what is attached is none of it."""
    if part.get_content_maintype() == "text":
        return part
    children = part.get_payload()
    if part.get_content_maintype() != "multipart" or not isinstance(children, list):
        return None
    found = [text for child in children if isinstance(child, Message) and (text := _first(child)) is not None]
    if part.get_content_subtype() == "alternative":
        found.sort(key=lambda text: text.get_content_type() != "text/plain")
    return found[0] if found else None


def _decoded(part: Message) -> str:
    octets = part.get_payload(decode=True)
    if not isinstance(octets, bytes):
        return ""
    try:
        return octets.decode(part.get_content_charset("utf-8"), "replace")
    except (LookupError, ValueError):
        return octets.decode("utf-8", "replace")


class _Words(HTMLParser):
    """The words of an HTML text, a line for each block; what is quoted becomes a mark, what is hidden is left out."""

    _BLOCKS = frozenset({"address", "br", "div", "dd", "dt", "h1", "h2", "h3", "hr", "li", "p", "pre", "td", "th", "tr", "ul"})
    _LEFT_OUT = frozenset({"blockquote", "head", "script", "style", "template", "title"})

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text = ""
        self._left_out = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a line with a block."""
        self._left_out += tag in self._LEFT_OUT
        self.text += "\n>\n" if tag == "blockquote" else "\n" if tag in self._BLOCKS else ""

    def handle_endtag(self, tag: str) -> None:
        """End its line."""
        self._left_out -= tag in self._LEFT_OUT and self._left_out > 0
        self.text += "\n" if tag in self._BLOCKS else ""

    def handle_data(self, data: str) -> None:
        """Keep words that are shown; a line of the source is none of the text."""
        self.text += "" if self._left_out else data.replace("\n", " ")


def _plain(line: str) -> str:
    """Return a line without blanks at its ends, also those that are not seen."""
    shown = line.replace("\u200b", "").replace("\ufeff", "")
    return " ".join("".join(sign if sign.isprintable() else " " for sign in shown).split())
