"""Logging in at a mail server that repeats what it was told, that talks nonsense, or whose password has an umlaut."""

from __future__ import annotations

import json
import logging
import re
import socket
import ssl
import threading
from base64 import b64decode, b64encode
from contextlib import suppress
from zoneinfo import ZoneInfo

import pytest

from adapters.errors import OutletBarred, OutletRefused, OutletUnreachable
from adapters.outlets.letter import MailSender
from adapters.outlets.outlet import Owed
from rules.settings import Settings, Site, Telling
from rules.terms.events import LetterEvent, SystemEvent

SECRET = "nobody-else-knows-7341"
SETTINGS = Settings(
    site=Site(name="Fungus shelf"), zone=ZoneInfo("UTC"), rooms={}, chambers={}, probes={}, telling=Telling()
)  # fmt: skip
SYSTEM = SystemEvent(id="a", at_ms=0, chamber=None, what="started", text="It watches.")
EVENT = LetterEvent(
    id="a", at_ms=0, chamber=None, sort="system", thread="a", ordinal=1, to="keeper", urgent=False, about=(SYSTEM,)
)  # fmt: skip
LETTER = Owed(
    outlet="mail", event_id="a", kind="letter", payload=json.dumps(EVENT.as_json()), made_ms=0, recipient="keeper@example.org"
)  # fmt: skip


def echoing(authority, offered, answer, *, refuses="AUTH"):
    """A server with TLS that lets us in up to the command that it refuses; `answer` makes its words from all it was told."""
    listening = socket.create_server(("127.0.0.1", 0))
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)

    def serve():
        while True:
            try:
                plain, _ = listening.accept()
            except OSError:
                return
            with suppress(OSError), context.wrap_socket(plain, server_side=True) as line, line.makefile("rb") as reader:
                line.sendall(b"220 hello\r\n")
                talk(line, reader)

    def talk(line, reader):
        told = []
        while said := reader.readline().strip():
            verb = said[:4].decode().upper()
            if verb == "EHLO":
                line.sendall(b"250-hello\r\n250 AUTH " + offered + b"\r\n")
            elif verb in ("MAIL", "RCPT", "RSET", "QUIT"):
                line.sendall(answer(told) if verb == refuses else b"250 well\r\n")
            else:
                told += said.split()
                more = len(told) < {b"PLAIN": 3, b"LOGIN": 4, b"CRAM-MD5": 3}[offered]
                line.sendall(b"334 Q2hhbGxlbmdl\r\n" if more else answer(told) if refuses == "AUTH" else b"235 in\r\n")

    threading.Thread(target=serve, daemon=True).start()
    return listening


def as_it_came(told):
    return b"535 5.7.8 " + b" ".join(told) + b"\r\n"


def for_now(told):
    return b"454 4.7.0 " + told[-1] + b"\r\n"


def in_pieces(told):
    """Three signs a line (RFC 5321 section 4.2.1: an answer may have many)."""
    text = b" ".join(told)
    return b"".join(b"550-" + text[at : at + 3] + b"\r\n" for at in range(0, len(text), 3)) + b"550 end\r\n"


def decoded(told):
    words = [b64decode(word) for word in told if word not in (b"AUTH", b"PLAIN", b"LOGIN", b"CRAM-MD5")]
    return b"550 you said: " + b" ".join(words).replace(b"\0", b" ") + b"\r\n"


@pytest.mark.parametrize("offered", [b"PLAIN", b"LOGIN", b"CRAM-MD5"])
@pytest.mark.parametrize("refuses", ["AUTH", "MAIL", "RCPT"])
@pytest.mark.parametrize("answer", [as_it_came, for_now, in_pieces, decoded])
def test_a_server_that_echoes_the_log_in_puts_it_nowhere(mail_server, authority, caplog, offered, refuses, answer):
    caplog.set_level(logging.DEBUG)
    listening = echoing(authority, offered, answer, refuses=refuses)
    settings = mail_server.settings("tls", listening.getsockname()[1], password=SECRET)
    with pytest.raises((OutletUnreachable, OutletRefused), match=r"535|454|550") as caught:
        MailSender(settings, SETTINGS).send(LETTER)
    listening.close()
    told = re.sub(r"[\s-]", "", str(caught.value) + caplog.text)
    assert not re.findall("|".join(what_nobody_may_read("ant", SECRET)), told)


def a_server(authority, *lines):
    """A server with TLS that says this at once, then hangs up; without lines it hangs up before the handshake."""
    listening = socket.create_server(("127.0.0.1", 0))
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)

    def serve():
        with suppress(OSError):
            while True:
                plain, _ = listening.accept()
                if not lines:
                    plain.close()
                    continue
                with context.wrap_socket(plain, server_side=True) as line:
                    line.sendall(b"".join(lines))
                    line.recv(999)

    threading.Thread(target=serve, daemon=True).start()
    return listening


def test_a_server_that_greets_with_the_password_of_last_time_puts_it_nowhere(mail_server, authority):
    listening = a_server(authority, b"554 5.7.1 go away " + SECRET.encode() + b"\r\n")
    settings = mail_server.settings("tls", listening.getsockname()[1], password=SECRET)
    with pytest.raises(OutletBarred, match="554") as caught:
        MailSender(settings, SETTINGS).send(LETTER)
    listening.close()
    assert SECRET not in str(caught.value)


def test_a_server_that_hangs_up_before_the_encryption_stands_is_tried_again_soon(mail_server, authority):
    listening = a_server(authority)
    settings = mail_server.settings("tls", listening.getsockname()[1], password=SECRET)
    with pytest.raises(OutletUnreachable):
        MailSender(settings, SETTINGS).send(LETTER)
    listening.close()


def what_nobody_may_read(user, secret):
    """Return what could be put together again: the password, and its Base64 at each of its three offsets, by sixes."""
    forms = [secret.replace("-", ""), *(b64encode(b"-" * shift + secret.encode()).decode()[4:-4] for shift in range(3))]
    pieces = [form[at : at + 6] for form in forms for at in range(len(form) - 5)]
    return [re.escape(piece) for piece in (*pieces, b64encode(user.encode()).decode())]


def test_the_pieces_that_are_looked_for_are_those_that_go_over_the_line():
    told = as_it_came([b64encode(f"\0ant\0{SECRET}".encode())]).decode()
    assert re.findall("|".join(what_nobody_may_read("ant", SECRET)), told)


def test_what_a_server_says_of_its_own_is_still_told(mail_server, authority):
    listening = echoing(authority, b"PLAIN", lambda _: b"550 5.4.5 daily quota exceeded\r\n", refuses="MAIL")
    settings = mail_server.settings("tls", listening.getsockname()[1], password=SECRET)
    with pytest.raises(OutletBarred, match=r"550 5\.4\.5 daily quota exceeded"):
        MailSender(settings, SETTINGS).send(LETTER)
    listening.close()


@pytest.mark.parametrize(
    ("answer", "kind", "said"),
    [  # RFC 4954 section 6 and RFC 3463
        (b"534 5.7.9 mechanism too weak\r\n", OutletBarred, r"refuses user or password: 534 5\.7\.9; check user"),
        (b"454 4.7.0 later\r\n", OutletUnreachable, r"does not let us in for now: 454 4\.7\.0;"),
        (b"334 no Base64 \xff\r\n", OutletBarred, "logging in did not work"),
        (b"334 VXNlcg==\r\n", OutletBarred, "logging in did not work"),  # asks without end
        (b"", OutletUnreachable, "cannot be reached"),  # hangs up
    ],
)
def test_a_log_in_that_fails_is_told_by_its_code_with_what_to_do(mail_server, authority, answer, kind, said):
    listening = echoing(authority, b"PLAIN", lambda _: answer)
    settings = mail_server.settings("tls", listening.getsockname()[1], timeout_s=1.0)
    with pytest.raises((OutletUnreachable, OutletRefused), match=said) as caught:
        MailSender(settings, SETTINGS).send(LETTER)
    assert type(caught.value) is kind
    listening.close()


def test_a_password_with_letters_beyond_ascii_logs_in(mail_server):
    settings, box = mail_server(password="Größe-Übung-β")
    box.password = "Größe-Übung-β"
    MailSender(settings, SETTINGS).send(LETTER)
    assert len(box.letters) == 1


@pytest.mark.parametrize("password", ["ab", "!?", "Größe-β", "x" * 300])
def test_passwords_of_every_kind_are_left_out(mail_server, authority, password):
    listening = echoing(authority, b"PLAIN", decoded, refuses="RCPT")
    settings = mail_server.settings("tls", listening.getsockname()[1], password=password)
    with pytest.raises(OutletRefused, match=r"550 .its words repeat the log-in, so they are left out"):
        MailSender(settings, SETTINGS).send(LETTER)
    listening.close()
