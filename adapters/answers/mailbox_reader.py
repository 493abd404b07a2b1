"""Looks into one folder of a mailbox over IMAP (RFC 3501), encrypted and verified, and changes nothing there.

The standard library's client does the protocol: it is kept with Python itself, has no parts of its own, and no more than four
commands are wanted. The folder is opened for reading only and messages are peeked at: the keeper's own mail stays unread.
"""

from __future__ import annotations

import imaplib
import re
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from adapters.answers.mailbox import Mailbox
from adapters.errors import OutletBarred, OutletError, OutletUnreachable, SecretUnreadable
from adapters.outlets.mail_log_in import LogIn
from adapters.regular_file import NotRegular, checked_path

LARGEST_HEAD, LARGEST_BODY = 32 * 1024, 64 * 1024
"""So many bytes of a message are asked for; an answer is one word in the first line of its text."""
_UID = re.compile(rb"\d{1,10}")


class _Bounded(imaplib.IMAP4_SSL):
    """Takes no more at one go than was asked for; the library lets its two ways of reading be replaced."""

    def read(self, size: int) -> bytes:
        """Read so many bytes of the connection."""
        if size > LARGEST_BODY:
            raise self.abort(f"it wants to send {size} bytes at one go")
        return super().read(size)


class MailboxReader:
    """One connection to the mailbox; it is used by one thread, and broken off by another."""

    def __init__(self, settings: Mailbox) -> None:
        self._settings = settings
        self._where = f"mailbox {settings.host}"
        self._log_in = LogIn(self._where, settings.user, settings.password_file)
        self._client: imaplib.IMAP4_SSL | None = None
        self._over = False

    def open(self) -> None:
        """Connect, log in and open the folder for reading; raises OutletUnreachable or OutletBarred."""
        with self._meaning():
            self._log_in.unlocked()  # before the server's first word, which may hold what it heard last time
            context = ssl.create_default_context(cafile=self._settings.ca_file and checked_path(self._settings.ca_file))
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            client = _Bounded(
                self._settings.host, self._settings.port, ssl_context=context, timeout=self._settings.timeout_s
            )
            self._client = client
            self._enter(client)
            self._said(client.select(f'"{self._settings.folder}"', readonly=True))

    def close(self) -> None:
        """Break off, from whichever thread."""
        self._over = True
        client, self._client = self._client, None
        if client is not None:
            with suppress(OSError):
                client.socket().shutdown(socket.SHUT_RDWR)
            with suppress(OSError, imaplib.IMAP4.error):
                client.shutdown()

    def place(self) -> tuple[int, int]:
        """Return what the folder's numbers are valid for (UIDVALIDITY), and the number of the message that comes next."""
        with self._meaning():
            said = self._said(self._connected.status(f'"{self._settings.folder}"', "(UIDVALIDITY UIDNEXT)"))
            found = {name: re.search(name + rb" (\d{1,10})", said) for name in (b"UIDVALIDITY", b"UIDNEXT")}
            validity, following = found[b"UIDVALIDITY"], found[b"UIDNEXT"]
            if validity is None or following is None:
                raise OutletUnreachable(f"{self._where} does not number its messages")
            return int(validity[1]), int(following[1])

    def since(self, uid: int) -> list[int]:
        """Return the numbers of the messages from this one on, the oldest first."""
        with self._meaning():
            self._said(self._connected.noop())
            said = self._said(self._connected.uid("SEARCH", f"UID {uid}:*"))
            return sorted(number for found in _UID.findall(said) if (number := int(found)) >= uid)

    def head(self, uid: int) -> bytes:
        """Return the header of a message, as far as it is looked at."""
        return self._fetched(uid, "HEADER", LARGEST_HEAD)

    def message(self, uid: int) -> bytes:
        """Return the first part of a message."""
        return self._fetched(uid, "", LARGEST_BODY)

    # ------------------------------------------------------------ the dialogue

    @property
    def _connected(self) -> imaplib.IMAP4_SSL:
        if self._client is None:
            raise OutletUnreachable(f"{self._where}: there is no connection")
        return self._client

    def _fetched(self, uid: int, part: str, most: int) -> bytes:
        with self._meaning():
            typ, rows = self._connected.uid("FETCH", str(uid), f"(BODY.PEEK[{part}]<0.{most}>)")
            self._said((typ, []))
            found: list[Any] = [row[1] for row in rows if isinstance(row, tuple) and len(row) > 1]
            return bytes(found[0][:most]) if found else b""

    def _enter(self, client: imaplib.IMAP4_SSL) -> None:
        user, password = self._log_in.unlocked()
        try:
            if "AUTH=PLAIN" in client.capabilities:
                client.authenticate("PLAIN", lambda _: f"\0{user}\0{password}".encode())
            else:
                client.login(user, password)
        except imaplib.IMAP4.abort:
            raise OutletUnreachable(f"{self._where} broke off while we logged in") from None
        except (imaplib.IMAP4.error, UnicodeEncodeError):  # whose texts may hold what was sent
            hint = "check user and password_file; many providers want a password that is made for one program"
            raise OutletBarred(f"{self._where} refuses user or password; {hint}") from None

    def _said(self, answer: tuple[str, list[Any]]) -> bytes:
        typ, rows = answer
        words = b" ".join(row for row in rows if isinstance(row, bytes))
        if typ != "OK":
            raise OutletUnreachable(f"{self._where} refuses: {self._log_in.told(words)}")
        return words

    @contextmanager
    def _meaning(self) -> Iterator[None]:
        try:
            yield
        except OutletError:
            raise
        except SecretUnreadable as error:
            raise OutletBarred(str(error)) from error
        except ssl.SSLCertVerificationError as error:
            why = f"its certificate is not accepted: {error.verify_message}"
            raise OutletBarred(f"{self._where}: {why}; check host, ca_file and this machine's clock") from error
        except ssl.SSLError as error:
            raise OutletBarred(f"{self._where}: encryption failed ({error.reason}); check host and port") from error
        except (FileNotFoundError, PermissionError, IsADirectoryError, NotRegular) as error:
            raise OutletBarred(f"ca_file of the mailbox cannot be read ({error.strerror})") from error
        except (imaplib.IMAP4.error, OSError, ValueError, AttributeError) as error:  # broken off by `close`, it has no socket
            said = self._log_in.told(str(error)) or type(error).__name__
            raise OutletUnreachable(f"{self._where} cannot be reached: {said}") from None


def knock(settings: Mailbox) -> None:
    """Connect, log in and open the folder, to see whether it would work; raises an OutletError."""
    reader = MailboxReader(settings)
    try:
        reader.open()
        reader.place()
    finally:
        reader.close()
