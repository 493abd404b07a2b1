"""Which message is an answer, and which word it holds: the shapes that mail programs give to replies, and all that is none.

The forms of replies are written down from memory of what common programs send; the marks of automatic mail are those of
RFC 3834 (Auto-Submitted), RFC 3464 (bounces) and RFC 2919 (lists).
"""

from __future__ import annotations

from contextlib import suppress
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.answers.reading import NotTaken, Said, answered, said
from adapters.reply_tokens import Tokens
from adapters.wording.letter import LAST_WORDS
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

TOKENS = Tokens(b"k" * 64)
LETTER = "0123456789abcdef01234567"
KEEPER, OTHER = "Keeper@example.org", "neighbour@example.org"
QUOTED = "\n".join(["DO THIS FIRST", "Turn the thermostat down.", "done", "seen", "quiet 7d", "how"])


def reply(*more: str, sender: str = "keeper@example.org", of: str = "", references: str = "") -> bytes:
    ident = of or f"<{TOKENS.message_id(LETTER, KEEPER)}@example.org>"
    lines = [f"From: Anna <{sender}>", f"In-Reply-To: {ident}", *([f"References: {references}"] if references else []), *more]
    return "\n".join(["Message-ID: <x@phone>", *lines, "Subject: Re: Too warm: Nest", "", ""]).encode()


def whom(head: bytes) -> str:
    return answered(head, TOKENS, [KEEPER, OTHER], ["anna@work.example"]).recipient


def test_a_reply_names_its_letter_and_whom_that_went_to() -> None:
    found = answered(reply(), TOKENS, [OTHER, KEEPER])
    assert (found.message, found.recipient) == (LETTER, KEEPER)
    assert whom(reply(sender="KEEPER@EXAMPLE.ORG")) == KEEPER
    assert whom(reply(sender="anna@work.example")) == KEEPER


def test_the_letter_is_found_in_the_references_too_and_the_last_of_a_thread_counts() -> None:
    first, last = ("a" * 24, "b" * 24)
    chain = " ".join(f"<{TOKENS.message_id(one, KEEPER)}@example.org>" for one in (first, last))
    head = reply(of="<unknown@phone>", references=chain)
    assert answered(head, TOKENS, [KEEPER]).message == last


@pytest.mark.parametrize(("head", "why"), [
    (reply(of="<nothing@example.org>"), "answers no letter"),
    (reply(of=f"<{LETTER}.{'0' * 24}@example.org>"), "none of ours"),
    (reply(of=f"<{Tokens(b'other').message_id(LETTER, KEEPER)}@example.org>"), "none of ours"),
    (reply(sender="stranger@example.org"), "may not answer"),
    (reply(sender="stranger@example.org, keeper@example.org"), "does not say who"),
    (reply("From: keeper@example.org"), "does not say who"),
    (reply(sender="mailer-daemon@example.org"), "a program sent it"),
    (reply("Auto-Submitted: auto-replied"), "a program sent it"),
    (reply("Auto-Submitted: auto-generated (vacation)"), "a program sent it"),
    (reply("Precedence: bulk"), "a program sent it"), (reply("Precedence: auto_reply"), "a program sent it"),
    (reply("X-Auto-Response-Suppress: All"), "a program sent it"), (reply("X-Autoreply: yes"), "a program sent it"),
    (reply("List-Id: <ants.example.org>"), "a program sent it"), (reply("Return-Path: <>"), "a program sent it"),
    (reply("Content-Type: multipart/report; report-type=delivery-status; boundary=x"), "a program sent it"),
    (b"", "does not say who"), (b"\0\xff" * 200, "does not say who"),
])  # fmt: skip
def test_what_is_no_answer_of_the_keeper_is_left_alone(head: bytes, why: str) -> None:
    with pytest.raises(NotTaken, match=why):
        whom(head)


def test_a_person_who_says_so_is_no_program() -> None:
    assert whom(reply("Auto-Submitted: no")) == KEEPER


@pytest.mark.parametrize(("line", "word"), [
    ("done", Said("done")), ("Done.", Said("done")), ("  SEEN!\t", Said("seen")), ("how", Said("how")),
    ("quiet", Said("quiet", 4 * HOUR_MS)), ("Quiet 4h", Said("quiet", 4 * HOUR_MS)),
    ("quiet 30 min", Said("quiet", 30 * MINUTE_MS)), ("quiet 7d", Said("quiet", 7 * DAY_MS)),
    *((line, None) for line in (
        "quiet 8d", "quiet 0h", "quiet 99999h", "quiet -4h", "done it tomorrow", "not done", "I have seen it", "> done", "",
        "dewlid done nest-1", "qu\u0131et", "quiet \u0664h",
    )),
])  # fmt: skip
def test_the_first_line_is_one_of_four_words_or_none(line: str, word: Said | None) -> None:
    assert said(f"Content-Type: text/plain; charset=utf-8\n\n\n\u200b\n{line}\n\n{QUOTED}".encode()) == word


ENGLISH = "\n\nOn Sat, 28 Nov 2026 at 14:00, dewlid wrote:\n\n> " + QUOTED.replace("\n", "\n> ")
GERMAN = f"\n\nAm 28.11.2026 um 14:00 schrieb dewlid <dewlid@example.org>:\n\n{QUOTED}\n"
OUTLOOK = f"\n\n________________________________\nVon: dewlid\nGesendet: 28. November 2026 14:00\n\n{QUOTED}\n"
ORIGINAL = f"\n\n-----Urspr\u00fcngliche Nachricht-----\nVon: dewlid\n\n{QUOTED}\n"
PHONE = f"\n\nSent from my telephone\n\n{QUOTED}\n"


@pytest.mark.parametrize("quoted", [ENGLISH, GERMAN, OUTLOOK, ORIGINAL, PHONE, f"\n\n{QUOTED}"])
@pytest.mark.parametrize("charset", ["utf-8", "iso-8859-1"])
def test_what_is_quoted_below_is_never_taken(quoted: str, charset: str) -> None:
    head = f"Content-Type: text/plain; charset={charset}; format=flowed\n\n"
    assert said((head + "seen" + quoted).encode(charset)) == Said("seen")
    for nothing in ("", "thank you, I will look", "Danke!"):
        if nothing or not quoted.lstrip().startswith("DO THIS"):
            assert said((head + nothing + quoted).encode(charset)) is None


OURS = f"{QUOTED}\n\nWhen you have done\nit, type on the server:\n    dewlid done nest-1\n\ndewlid at shelf. {LAST_WORDS}"
MARKED = OURS.replace("\n", "\n> ")
FLOWED = MARKED.replace("\n> \n", "\n>\n").replace("have done", "have\ndone")  # a program that breaks long lines loses the mark
FORMS = {
    "english": f"On Sat, 28 Nov 2026 at 14:00, dewlid <dewlid@example.org> wrote:\n\n> {MARKED}",
    "wrapped": f"On Sat, 28 Nov 2026 at 14:00, dewlid\n<dewlid@example.org> wrote:\n> {FLOWED}",
    "german": f"Am 28.11.26 um 14:00 schrieb dewlid:\n> {MARKED}",
    "german, no marks": f"Am 28.11.2026 um 14:00 schrieb dewlid <dewlid@example.org>:\n\n{OURS}",
    "french": f"Le 28 nov. 2026 \u00e0 14:00, dewlid a \u00e9crit\u00a0:\n\n> {MARKED}",
    "original": f"-----Original Message-----\nFrom: dewlid\nSent: Saturday\nTo: Anna\nSubject: done\n\n{OURS}",
    "rule and head": f"{'_' * 32}\nVon: dewlid\nGesendet: 28. November 2026 14:00\nBetreff: done\n\n{OURS}",
    "stars": f"*From:* dewlid\n*Sent:* Saturday\n\n{OURS}", "initials": "dw> " + OURS.replace("\n", "\ndw> "),
    "bar": "| " + OURS.replace("\n", "\n| "), "bare": OURS,
    "closing torn": f"dewlid wrote:\n\n{OURS.replace('only advises', 'only' + chr(10) + 'advises')}",
    "telephone": f"Sent from my telephone\n\n> On 28 Nov 2026, at 14:00, dewlid wrote:\n>\n> {MARKED}",
}
BELOW = ["\n\n{}", "\n\n{}\n-- \nAnna\ndone", "\n{}\n", "\n\n\n{}!\n\nregards"]


def sent_as(text: str, charset: str, coded: str) -> bytes:
    message = EmailMessage()
    message.set_content(text, charset=charset, cte=coded)
    return message.as_bytes()


@pytest.mark.parametrize("coded", ["8bit", "quoted-printable", "base64"])
@pytest.mark.parametrize("form", FORMS)
def test_the_word_is_found_above_and_below_every_manner_of_quoting_and_never_within(form: str, coded: str) -> None:
    quoted, signature = FORMS[form], "\n-- \nAnna\nhow"
    for charset in ("utf-8", "iso-8859-1"):
        for above in ("{}\n\n", "\n{}.\n\n-- \nAnna\n\n", "{}\n"):
            assert said(sent_as(above.format("quiet 2h") + quoted, charset, coded)) == Said("quiet", 2 * HOUR_MS)
        for below in BELOW:
            assert said(sent_as(quoted + below.format("quiet 2h"), charset, coded)) == Said("quiet", 2 * HOUR_MS)
        for nothing in ("", "\n\nThank you, I will look.", "\n\nI have done it", signature):
            assert said(sent_as(quoted + nothing, charset, coded)) is None
            assert said(sent_as("Thank you.\n\n" + quoted + nothing, charset, coded)) is None


def test_a_word_stands_between_quoted_parts_only_where_a_blank_line_parts_it() -> None:
    assert said(sent_as("> DO THIS FIRST\n\nseen\n\n> done", "utf-8", "8bit")) == Said("seen")
    assert said(sent_as("> When you have\ndone\n> it, type on the server", "utf-8", "8bit")) is None


def html(body: str) -> bytes:
    return f"Content-Type: text/html; charset=utf-8\n\n<html><head><title>how</title><style>p{{}}</style></head>{body}".encode()


@pytest.mark.parametrize(("body", "word"), [
    ("<body><div dir=ltr>seen</div><br><div class=quote>On Sat ... wrote:<blockquote>done</blockquote></div>", Said("seen")),
    ("<p class=MsoNormal>Quiet&nbsp;4h<o:p></o:p></p><div style='border-top:solid'><p><b>Von:</b> dewlid</p><p>done</p></div>",
     Said("quiet", 4 * HOUR_MS)),
    ("<div><b>do</b>ne</div>", Said("done")),
    ("<blockquote>done</blockquote><div>thank you</div>", None),
    ("<script>done</script><p>no</p>", None),
    ("<p><b>Von:</b> dewlid<br></p><p>done</p>", None),
    ("<blockquote><blockquote>seen</blockquote>", None),
    ("<p>On Sat dewlid wrote:</p><blockquote><p>done</p></blockquote><div>seen</div><p>Anna</p>", Said("seen")),
    (f"<hr><p><b>From:</b> dewlid<br><b>Sent:</b> Saturday</p><div>done<br>shelf. {LAST_WORDS}</div><p>&nbsp;</p><p>how</p>",
     Said("how")),
    (f"<hr><p><b>From:</b> dewlid</p><div>done<br>shelf. {LAST_WORDS}</div>", None),
])  # fmt: skip
def test_html_alone_is_read_as_it_is_shown(body: str, word: Said | None) -> None:
    assert said(html(body)) == word


def test_the_plain_text_of_two_forms_counts_and_an_attachment_never() -> None:
    both = (
        b"Content-Type: multipart/mixed; boundary=m\n\n--m\nContent-Type: multipart/alternative; boundary=a\n\n"
        b"--a\nContent-Type: text/html\n\n<p>done</p>\n--a\nContent-Type: text/plain\nContent-Transfer-Encoding: base64\n\n"
        b"c2Vlbg==\n--a--\n--m\nContent-Type: text/plain; name=done.txt\n\ndone\n--m--\n"
    )
    assert said(both) == Said("seen")
    forwarded = (
        b"Content-Type: multipart/mixed; boundary=m\n\n--m\nContent-Type: message/rfc822\n\n"
        b"Content-Type: text/plain\n\ndone\n--m--\n"
    )
    assert said(forwarded) is None


def test_a_message_of_a_thousand_floors_is_no_answer() -> None:
    deep = b"".join(b"Content-Type: multipart/mixed; boundary=b%d\n\n--b%d\n" % (n, n) for n in range(1500))
    with suppress(NotTaken):
        assert said(deep + b"\ndone") is None


@given(st.binary(max_size=400))
def test_no_bytes_bring_another_error(data: bytes) -> None:
    for part in (data, b"Content-Type: " + data, b"From: " + data, b"Content-Type: text/html\n\n" + data):
        with suppress(NotTaken):
            said(part)
        with pytest.raises(NotTaken):
            answered(part, TOKENS, [KEEPER])
