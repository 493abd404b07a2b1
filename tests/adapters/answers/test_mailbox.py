"""The mailbox over a real IMAP server with TLS: it is only read, and what goes wrong is told without anything secret."""

from __future__ import annotations

import socket
import ssl
import threading
from base64 import b64encode
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import trustme
from imap_server import PASSWORD, ImapServer

from adapters.answers.mailbox import Mailbox
from adapters.answers.mailbox_reader import LARGEST_BODY, MailboxReader, knock
from adapters.errors import OutletBarred, OutletUnreachable

MESSAGE = b"From: keeper@example.org\nSubject: Re: too warm\n\nseen\n"


@pytest.fixture
def mailbox(imap_server: ImapServer, tmp_path: Path) -> Callable[..., Mailbox]:
    def make(**more: Any) -> Mailbox:
        facts = {
            "outlet": "mail", "host": "localhost", "port": imap_server.port, "ca_file": str(imap_server.ca_file), "user": "ant",
            "password_file": imap_server.secret_file(tmp_path, more.pop("password", PASSWORD)), "timeout_s": 5.0,
        } | more  # fmt: skip
        return Mailbox(**facts)

    return make


def test_messages_are_read_from_a_number_on_and_stay_unread(imap_server: ImapServer, mailbox: Callable[..., Mailbox]) -> None:
    reader = MailboxReader(mailbox(user="reader"))
    reader.open()
    validity, following = reader.place()
    assert validity > 0
    assert reader.since(following) == []
    imap_server.deliver(MESSAGE, "reader")
    imap_server.deliver(b"From: other@example.org\n\n" + b"x" * 2 * LARGEST_BODY, "reader")
    assert reader.since(following) == [following, following + 1]
    assert reader.since(following + 1) == [following + 1]
    assert b"Subject: Re: too warm" in reader.head(following)
    assert reader.message(following).endswith(b"\r\n\r\nseen\r\n")
    assert len(reader.message(following + 1)) == LARGEST_BODY
    reader.close()
    with imap_server.opened("reader") as client:
        assert client.search(None, "UNSEEN")[1] == [b"1 2"]


def test_a_wrong_password_bars_and_is_not_repeated(mailbox: Callable[..., Mailbox]) -> None:
    secret = "never-tell-this-4711"
    with pytest.raises(OutletBarred, match="refuses user or password; check user and password_file") as told:
        knock(mailbox(password=secret))
    coded = b64encode(f"\0ant\0{secret}".encode()).decode()
    for text in (str(told.value), repr(told.value.__cause__), repr(told.value.__context__)):
        assert secret not in text
    assert coded not in str(told.value)


def test_a_certificate_that_is_not_known_bars(mailbox: Callable[..., Mailbox], tmp_path: Path) -> None:
    other = tmp_path / "other.pem"
    trustme.CA().cert_pem.write_to_path(other)
    with pytest.raises(OutletBarred, match="its certificate is not accepted"):
        knock(mailbox(ca_file=str(other)))


def test_a_certificate_of_another_name_bars(authority: trustme.CA, mailbox: Callable[..., Mailbox]) -> None:
    other = ImapServer(authority, "elsewhere.example")
    other.start()
    try:
        with pytest.raises(OutletBarred, match="its certificate is not accepted"):
            knock(mailbox(port=other.port))
    finally:
        other.end()


@pytest.mark.parametrize(("more", "error", "said"), [
    ({"folder": "No such folder"}, OutletUnreachable, "refuses: "),
    ({"ca_file": "/nowhere/ca.pem"}, OutletBarred, "ca_file of the mailbox cannot be read"),
    ({"host": "nowhere.invalid"}, OutletUnreachable, "cannot be reached"),
])  # fmt: skip
def test_what_stands_against_it_is_said(
    mailbox: Callable[..., Mailbox], more: dict[str, Any], error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        knock(mailbox(**more))


def test_a_server_that_says_nothing_or_no_sense_is_unreachable(mailbox: Callable[..., Mailbox]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent, pytest.raises(OutletUnreachable):
        knock(mailbox(port=silent.getsockname()[1], timeout_s=1.0))


def test_it_can_be_broken_off_and_opened_again(mailbox: Callable[..., Mailbox]) -> None:
    reader = MailboxReader(mailbox())
    reader.open()
    reader.close()
    with pytest.raises(OutletUnreachable):
        reader.since(1)
    reader.open()
    assert reader.place()[1] > 0
    reader.close()


def test_a_server_that_greets_with_the_password_of_last_time_puts_it_nowhere(
    authority: trustme.CA, mailbox: Callable[..., Mailbox], tmp_path: Path
) -> None:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))

    def greet() -> None:
        with suppress(OSError), context.wrap_socket(listening.accept()[0], server_side=True) as line:
            line.sendall(b"* BYE not again " + PASSWORD.encode() + b"\r\n")
            line.recv(99)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        threading.Thread(target=greet, daemon=True).start()
        with pytest.raises(OutletUnreachable) as caught:
            knock(mailbox(port=listening.getsockname()[1], ca_file=str(tmp_path / "ca.pem")))
    assert PASSWORD not in str(caught.value)
