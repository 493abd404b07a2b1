"""The outlet that mails: one letter to one address at a time, over an encrypted and verified SMTP connection.

Each stage of the dialogue (RFC 5321) has its own meaning when it fails: 4yz and lost connections are tried again, a refused
recipient or text ends that letter, and a refused log-in, sender or certificate bars the outlet until somebody acts. When the
answer to the final dot is lost, the same letter is sent again with the same Message-ID.
"""

from __future__ import annotations

import json
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import formatdate
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from adapters.broker import AbsolutePath
from adapters.errors import OutletBarred, OutletRefused, OutletUnreachable, SecretUnreadable
from adapters.outlets.illustration import CONTENT_ID, Illustration, Illustrator
from adapters.outlets.mail_log_in import LogIn, failure
from adapters.outlets.outlet import Owed
from adapters.regular_file import NotRegular, checked_path
from adapters.reply_tokens import Tokens
from adapters.secrets_file import SecretFile
from adapters.wording.figures import ascii_only, clean
from adapters.wording.letter import Letter, compose
from rules.settings import Settings
from rules.terms.events import letter_of
from rules.terms.setting_forms import Section

_NAME_S = 60.0
"""The system may look for the server's name for so long; nobody can break it off."""

MailAddress = Annotated[
    str, Field(max_length=254, pattern=r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?$")
]


class MailOutlet(Section):
    """Letters by e-mail through your provider's submission server. Always encrypted, always verified."""

    kind: Literal["mail"]
    """Which kind of outlet this is."""
    host: Annotated[str, Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:-]+$")]
    """Name of the SMTP server."""
    port: int | None = Field(default=None, ge=1, le=65_535)
    """TCP port; absent: 465 with tls, 587 with starttls."""
    security: Literal["tls", "starttls"] = "tls"
    """Encrypted from the first byte (RFC 8314, preferred), or after the command STARTTLS. Never unencrypted."""
    ca_file: AbsolutePath | None = None
    """Certificate (PEM) of the authority that signed the server's certificate; absent: those that the system trusts."""
    user: Annotated[str, Field(min_length=1, max_length=254)] | None = None
    """User name at the server; absent: no log-in."""
    password_file: SecretFile | None = None
    """File that holds the password alone, which only we can read, or "credential:NAME"."""
    sender: MailAddress
    """Address that letters come from; it must be a real mailbox, for what comes back."""
    to: list[MailAddress] = Field(min_length=1, max_length=20)
    """Addresses of the keeper."""
    second: list[MailAddress] = Field(default_factory=list, max_length=20)
    """Addresses that an unanswered alarm also goes to; absent: `to`."""
    stand_in: list[MailAddress] = Field(default_factory=list, max_length=20)
    """Addresses of who looks after the shelf while the keeper is away; absent: `to`."""
    timeout_s: float = Field(default=60.0, ge=1, le=300, json_schema_extra={"unit": "s"})
    """How long one answer of the server may take."""
    deadline_s: float = Field(default=900.0, ge=5, le=3600, json_schema_extra={"unit": "s"})
    """How long one letter may take in all."""

    @model_validator(mode="after")
    def _log_in(self) -> MailOutlet:
        if (self.user is None) != (self.password_file is None):
            raise ValueError("user and password_file belong together: set both or none")
        return self

    def addresses(self, role: str) -> list[str]:
        """Return the addresses for a letter's `to`: keeper, second or stand-in."""
        return {"second": self.second, "stand-in": self.stand_in}.get(role) or self.to


@dataclass(frozen=True, slots=True)
class Answers:
    """That answers to an outlet's letters are read: what makes their tokens, and where they go if not to the sender."""

    tokens: Tokens
    address: str | None


class _Dialogue(smtplib.SMTP):
    """Shows itself to its owner before it connects, so that it can be broken off at any stage."""

    def __init__(self, began: Callable[[smtplib.SMTP], None], *arguments: Any, **options: Any) -> None:
        self._began = began
        super().__init__(*arguments, **options)

    def connect(self, *arguments: Any, **options: Any) -> tuple[int, bytes]:
        """Connect and read the greeting."""
        self._began(self)
        return super().connect(*arguments, **options)


class _OverTls(_Dialogue, smtplib.SMTP_SSL):
    """The same, encrypted from the first byte."""


class MailSender:
    """Sends what is owed."""

    in_order = False
    retry_s = (60.0, 300.0, 900.0, 1800.0, *(3600.0,) * 23, 10_800.0)  # RFC 5321 4.5.4.1, faster at first: one relay
    session = 0
    refresh_s = None
    heartbeat = ""

    def __init__(
        self, outlet: MailOutlet, settings: Settings, illustrator: Illustrator | None = None, answers: Answers | None = None
    ) -> None:
        self._outlet, self._settings, self._illustrator, self._answers = outlet, settings, illustrator, answers
        self.longest_s = outlet.deadline_s + _NAME_S + (illustrator.longest_s if illustrator else 0.0)
        self._lock = threading.Lock()
        self._client: smtplib.SMTP | None = None
        self._late = False
        self._log_in = LogIn(self._where, outlet.user, outlet.password_file)

    def send(self, owed: Owed) -> None:
        """Mail one letter to one address; returns after the 250 to its final dot. Raises an OutletError."""
        event = letter_of(json.loads(owed.payload))
        illustration = self._illustrator.illustrate(event) if self._illustrator is not None else None
        picture = illustration.element(_domain(self._outlet)) if illustration is not None else ""
        lines = illustration.lines if illustration is not None else ()
        letter = compose(event, self._settings, lines, picture, answerable=self._answers is not None)
        message = message_of(letter, self._outlet, owed.recipient, self._settings, illustration, self._answers)
        with self._connection() as client:
            self._hand_over(client, message, owed.recipient)

    def knock(self) -> None:
        """Connect and log in, and send nothing, to see whether it would work; raises an OutletError."""
        with self._connection():
            pass

    def close(self) -> None:
        """Break off a letter that is on its way; it stays owed."""
        if self._illustrator is not None:
            self._illustrator.break_off()
        self._break_off()

    # ------------------------------------------------------------ the dialogue

    def _hand_over(self, client: smtplib.SMTP, message: EmailMessage, recipient: str) -> None:
        where = self._where
        self._judge(client.mail(self._outlet.sender), f"{where} does not take letters from {self._outlet.sender}", OutletBarred)
        self._judge(client.rcpt(recipient), f"{where} does not take letters for {recipient}", OutletRefused)
        try:
            answer: tuple[int, bytes | str] = client.data(message.as_bytes())
        except smtplib.SMTPDataError as error:
            answer = (error.smtp_code, error.smtp_error)
        self._judge(answer, f"{where} does not take this letter", OutletRefused)

    def _judge(self, answer: tuple[int, bytes | str], what: str, permanent: type[OutletRefused]) -> None:
        code, said = answer
        if not 200 <= code < 300:
            raise failure(code, f"{what}: {code} {self._log_in.told(said)}", permanent)

    @property
    def _where(self) -> str:
        return f"mail server {self._outlet.host}"

    @property
    def _port(self) -> int:
        return self._outlet.port or (465 if self._outlet.security == "tls" else 587)

    @contextmanager
    def _connection(self) -> Iterator[smtplib.SMTP]:
        self._late = False
        timer = threading.Timer(self._outlet.deadline_s, self._break_off, kwargs={"late": True})
        timer.daemon = True
        timer.start()
        try:
            self._log_in.unlocked()
            client = self._connect()
            try:
                self._log_in.enter(client)
                yield client
                with suppress(smtplib.SMTPException, OSError):
                    client.quit()  # the letter is theirs already
            finally:
                client.close()
        except (smtplib.SMTPException, OSError, SecretUnreadable) as error:
            raise self._meaning(error) from error
        finally:
            timer.cancel()
            with self._lock:
                self._client = None

    def _connect(self) -> smtplib.SMTP:
        outlet = self._outlet
        context = ssl.create_default_context(cafile=outlet.ca_file and checked_path(outlet.ca_file))
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        name = socket.gethostname()
        ours = name if "." in name else "[127.0.0.1]"  # no look-up, which may hang
        client: smtplib.SMTP
        if outlet.security == "tls":
            client = _OverTls(self._began, outlet.host, self._port, ours, timeout=outlet.timeout_s, context=context)
        else:
            client = _Dialogue(self._began, outlet.host, self._port, ours, timeout=outlet.timeout_s)
        try:
            if outlet.security == "starttls":
                client.starttls(context=context)
            client.ehlo_or_helo_if_needed()
        except BaseException:
            client.close()
            raise
        return client

    def _began(self, client: smtplib.SMTP) -> None:
        with self._lock:
            self._client = client

    def _break_off(self, *, late: bool = False) -> None:
        with self._lock:
            self._late = late
            held = getattr(self._client, "sock", None)
            if held is not None:
                with suppress(OSError):
                    held.shutdown(socket.SHUT_RDWR)

    # ------------------------------------------------------------ what a failure means

    def _meaning(self, error: Exception) -> Exception:
        where = self._where
        if self._late:
            return OutletUnreachable(f"{where}: one letter took longer than {self._outlet.deadline_s:g} s and was broken off")
        if isinstance(error, SecretUnreadable):
            return OutletBarred(str(error))
        if isinstance(error, smtplib.SMTPNotSupportedError):
            return OutletBarred(f"{where} offers no encryption, so nothing was sent")
        if isinstance(error, smtplib.SMTPResponseException):
            said = self._log_in.told(error.smtp_error)
            return failure(error.smtp_code, f"{where} breaks off: {error.smtp_code} {said}", OutletBarred)
        if isinstance(error, ssl.SSLCertVerificationError):
            why = error.verify_message
            return OutletBarred(
                f"{where}: its certificate is not accepted: {why}; check host, ca_file and this machine's clock"
            )
        if isinstance(error, ssl.SSLError) and not isinstance(error, ssl.SSLEOFError | ssl.SSLZeroReturnError):
            return OutletBarred(f"{where}: encryption failed ({error.reason}); check port and security")
        if isinstance(error, FileNotFoundError | PermissionError | IsADirectoryError | NotRegular):
            return OutletBarred(f"ca_file cannot be read ({error.strerror})")
        if isinstance(error, ConnectionRefusedError):
            usual = "usual are 465 with tls and 587 with starttls"
            return OutletUnreachable(f"{where}: nothing listens on port {self._port}; check host, port and security ({usual})")
        if isinstance(error, socket.gaierror):
            return OutletUnreachable(f"{where}: this name is not known ({error.strerror}); check host, and the network")
        return OutletUnreachable(f"{where} cannot be reached: {self._log_in.told(str(error)) or type(error).__name__}")


# ---------------------------------------------------------------- the message


def _domain(outlet: MailOutlet) -> str:
    return outlet.sender.rpartition("@")[2]


def _named(message: str, recipient: str, answers: Answers | None) -> str:
    return message if answers is None else answers.tokens.message_id(message, recipient)


def message_of(
    letter: Letter, outlet: MailOutlet, recipient: str, settings: Settings, illustration: Illustration | None = None,
    answers: Answers | None = None,
) -> EmailMessage:
    """Return the letter as a message: text first, simple HTML beside it, and the headers that hold its thread together.

    A picture stands within the HTML (multipart/related, RFC 2387), so that no mail program fetches anything for it.
    """
    from email.headerregistry import Address  # only where a letter is made: a grammar of all headers comes with it
    from email.policy import SMTP

    domain = _domain(outlet)
    site = ascii_only(clean(settings.site.name, 40), "")
    message = EmailMessage(policy=SMTP)
    message["From"] = Address(f"dewlid {site}".strip(), addr_spec=outlet.sender)
    message["To"] = Address(addr_spec=recipient)
    message["Subject"] = letter.subject
    message["Date"] = formatdate()
    message["Message-ID"] = f"<{_named(letter.message, recipient, answers)}@{domain}>"
    if letter.thread is not None:
        message["In-Reply-To"] = message["References"] = f"<{_named(letter.thread, recipient, answers)}@{domain}>"
    if answers is not None and answers.address is not None:
        message["Reply-To"] = Address(addr_spec=answers.address)
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834 section 5
    message.set_content(letter.text, cte="quoted-printable")
    message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    if illustration is not None and illustration.png is not None:
        _, html = message.iter_parts()
        name = f"<{CONTENT_ID}@{domain}>"
        html.add_related(illustration.png, "image", "png", cid=name, disposition="inline", filename=f"{CONTENT_ID}.png")
    return message
