"""Logs in at a mail server, and repeats none of what it was told for that: some servers echo it when they refuse.

Of the answer to the log-in only the code is told. Other words of the server are told unless they hold a piece of what was
sent: of the password, of its Base64, or of the Base64 in which user and password went (RFC 4616, RFC 4954), in one piece or
spread over the text. A server that hides a password on purpose has no need of us: it knows it.
"""

from __future__ import annotations

import re
import smtplib
from base64 import b64encode

from adapters.errors import OutletBarred, OutletDeferred, OutletRefused, OutletUnreachable
from adapters.secrets_file import read_secret
from adapters.wording.figures import clean

_PIECE = 6
"""So many signs in a row are a piece: too few to guess the rest from, too many to be met by chance in Base64."""
_ENHANCED = re.compile(r"[245]\.\d{1,3}\.\d{1,3}\b")


class LogIn:
    """The user of one mail server, or nobody where none is needed."""

    def __init__(self, where: str, user: str | None, password_file: str | None) -> None:
        self._where, self._user, self._password_file = where, user, password_file
        self._password, self._pieces = "", frozenset[str]()

    def unlocked(self) -> tuple[str, str]:
        """Return user and password, two empty texts where none are needed; from now on no piece of them is told.

        To be called before the server's first word, which may hold what it heard last time. Raises SecretUnreadable.
        """
        if self._user is None or self._password_file is None:
            return "", ""
        password = read_secret(self._password_file).get_secret_value()
        coded = [b64encode(each.encode()).decode() for each in (self._user, password, f"\0{self._user}\0{password}")]
        self._password = password
        self._pieces = frozenset(piece for form in (password, *coded) for piece in _pieces(_bare(form)))
        return self._user, password

    def enter(self, client: smtplib.SMTP) -> None:
        """Log in; raises SecretUnreadable, an OutletError, or OSError when the line is lost."""
        user, password = self.unlocked()
        if not user:
            return
        try:
            if f"{user}{password}".isascii():
                client.login(user, password)
            else:
                _log_in_beyond_ascii(client, user, password)
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPResponseException as error:
            code, found = error.smtp_code, _ENHANCED.match(_text(error.smtp_error))
            what = "refuses user or password" if code >= 500 else "does not let us in for now"
            hint = "check user and password_file; many providers want a password that is made for one program"
            text = f"{self._where} {what}: {code}{f' {found[0]}' if found else ''}; {hint}"
            raise failure(code, text, OutletBarred) from None
        except (smtplib.SMTPException, ValueError):  # whose texts may hold the server's words
            text = f"{self._where}: logging in did not work: it offers none of PLAIN, LOGIN and CRAM-MD5, or answers no sense"
            raise OutletBarred(text) from None

    def told(self, said: bytes | str) -> str:
        """Return words of the server on one line, or that they cannot be repeated."""
        text = _text(said)
        bare = _bare(text)
        if (self._password and self._password in text) or any(piece in bare for piece in self._pieces):
            return "(its words repeat the log-in, so they are left out)"
        return clean(text, 160)


def failure(code: int, text: str, permanent: type[OutletRefused]) -> Exception:
    """Return what a server's code means (RFC 5321 section 4.2): 5yz is for good, everything else is tried again.

    What it says of one address or letter holds for that alone, unless it closes the door with 421.
    """
    if 500 <= code < 600:
        return permanent(text)
    return OutletUnreachable(text) if code == 421 or permanent is OutletBarred else OutletDeferred(text)


def _log_in_beyond_ascii(client: smtplib.SMTP, user: str, password: str) -> None:
    """Log in with letters that the library's own way does not know: the standard's are UTF-8 (RFC 4616)."""
    if "PLAIN" not in client.esmtp_features.get("auth", "").upper().split():
        raise smtplib.SMTPNotSupportedError
    answer = client.docmd("AUTH", "PLAIN " + b64encode(f"\0{user}\0{password}".encode()).decode())
    if answer[0] != 235:
        raise smtplib.SMTPAuthenticationError(*answer)


def _text(said: bytes | str) -> str:
    return said if isinstance(said, str) else said.decode("utf-8", "replace")


def _bare(text: str) -> str:
    return "".join(sign for sign in text.casefold() if sign.isalnum())


def _pieces(bare: str) -> set[str]:
    return {bare[at : at + _PIECE] for at in range(max(1, len(bare) - _PIECE + 1))} - {""}
