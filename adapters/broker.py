"""The settings of one MQTT broker, and what a failed connection to it means in the keeper's words."""

from __future__ import annotations

import hashlib
import os
import socket
import ssl
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from adapters.errors import SecretUnreadable
from adapters.regular_file import NotRegular, checked_path
from adapters.secrets_file import SecretFile, readable_path
from rules.terms.setting_forms import Section

AbsolutePath = Annotated[str, Field(min_length=2, max_length=1024, pattern=r"^/[^\x00]*$")]


class SessionRejected(Exception):
    """The broker, or our own check of it, refuses; the keeper must act."""


def _exact_topic(topic: str) -> str:
    if len(topic.encode("utf-8")) > 200:
        raise ValueError("a topic has at most 200 bytes")
    if any(char in topic for char in "+#") or not topic.isprintable():
        raise ValueError("a topic is exact: no wildcard (+ or #) and no control character")
    if topic.startswith(("$", "/")) or topic.endswith("/") or "//" in topic:
        raise ValueError('a topic does not start with "$" or "/", does not end with "/" and has no empty level')
    return topic


Topic = Annotated[str, Field(min_length=1), AfterValidator(_exact_topic)]
"""An exact MQTT topic (MQTT 5.0 section 4.7) without wildcards."""


class Broker(Section):
    """One MQTT broker. Secrets stand in files of their own, never here."""

    host: Annotated[str, Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:_-]+$")]
    """Name or address of the broker."""
    port: int = Field(default=1883, ge=1, le=65_535)
    """TCP port; usual are 1883 without and 8883 with TLS."""
    protocol: Literal["5", "3.1.1"] = "5"
    """Version of MQTT. Only version 5 tells when a message was refused."""
    tls: bool = False
    """Whether the connection is encrypted and the broker's certificate is checked. There is no way to skip the check."""
    ca_file: AbsolutePath | None = None
    """Certificate (PEM) of the authority that signed the broker's certificate; absent: those that the system trusts."""
    client_certificate_file: AbsolutePath | None = None
    """Our own certificate (PEM), where the broker asks for one."""
    client_key_file: SecretFile | None = None
    """Key (PEM, without pass phrase) of our certificate; a file that only we can read, or "credential:NAME"."""
    user: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    """User name at the broker."""
    password_file: SecretFile | None = None
    """File that holds the password alone, which only we can read, or "credential:NAME"."""
    keepalive_s: int = Field(default=30, ge=5, le=600, json_schema_extra={"unit": "s"})
    """A broker that is silent for about twice this time counts as lost."""
    client_id: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")] | None = None
    """Name of this client at the broker; absent: made of machine and site. Two programs with one name throw each other out."""

    @model_validator(mode="after")
    def _complete(self) -> Broker:
        files = (self.ca_file, self.client_certificate_file, self.client_key_file)
        if not self.tls and any(files):
            raise ValueError("ca_file, client_certificate_file and client_key_file need tls = true")
        if (self.client_certificate_file is None) != (self.client_key_file is None):
            raise ValueError("client_certificate_file and client_key_file belong together: set both or none")
        if self.password_file is not None and self.user is None:
            raise ValueError("password_file needs user")
        return self


def client_id_of(broker: Broker, session: str, purpose: str, site: str = "") -> str:
    """Return a client id that is stable on this machine and differs by purpose, so that a trial never throws out the daemon.

    It differs by the site's name, too: a card that was cloned has the machine's id in it. Not every broker takes more than
    23 characters (MQTT 3.1.1, section 3.1.3.1), so that no name is written out.
    """
    stem = broker.client_id
    if stem is None:
        try:
            machine = Path("/etc/machine-id").read_text(encoding="ascii").strip() or socket.gethostname()
        except OSError:
            machine = socket.gethostname()
        digest = hashlib.sha256(f"dewlid/{machine}/{os.getuid()}/{session}/{site}".encode()).hexdigest()
        stem = f"dewlid-{digest[:12]}"
    return f"{stem}-{purpose}" if purpose else stem


def reason_of(error: Exception, broker: Broker) -> tuple[Literal["rejected", "down"], str]:
    """Return the state that a failed connection leads to, and why in words."""
    where = f"{broker.host}:{broker.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        why = error.verify_message
        return "rejected", f"its certificate is not accepted: {why}; check ca_file, host and this machine's clock"
    if isinstance(error, ssl.SSLError) and not isinstance(error, ssl.SSLEOFError):
        return "rejected", f"TLS failed: {error.reason or error}; is {where} a TLS port, and does it want a client certificate?"
    if isinstance(error, SecretUnreadable | SessionRejected):
        return "rejected", str(error)
    if isinstance(error, socket.gaierror):
        return "down", f"the name {broker.host} is not known ({error.strerror})"
    if isinstance(error, FileNotFoundError | PermissionError | IsADirectoryError | NotRegular):
        return "rejected", f"ca_file or client_certificate_file cannot be read ({error.strerror})"
    if isinstance(error, ConnectionRefusedError):
        return "down", f"nothing listens on {where}; is the broker running?"
    hint = "; is that its TLS port?" if broker.tls else ""
    if isinstance(error, TimeoutError):
        return "down", f"{where} does not answer{hint}"
    if isinstance(error, OSError):
        return "down", f"{where}: {error.strerror or error}{hint}"
    return "down", f"a fault in dewlid itself ({type(error).__name__}: {error}); please report it"


def tls_context(broker: Broker) -> ssl.SSLContext:
    """Return how the broker's certificate is checked and ours is shown; raises SessionRejected for unusable files."""
    try:
        context = ssl.create_default_context(cafile=broker.ca_file and checked_path(broker.ca_file))
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if broker.client_certificate_file and broker.client_key_file:
            key = readable_path(broker.client_key_file)
            context.load_cert_chain(checked_path(broker.client_certificate_file), key, "")
    except ssl.SSLError as error:
        raise SessionRejected(f"ca_file, client_certificate_file or client_key_file is no usable PEM file ({error})") from error
    return context


def try_tls(broker: Broker, context: ssl.SSLContext, listen_s: float = 0.0, timeout_s: float = 5.0) -> None:
    """Make one TLS connection and perhaps listen for what the broker says to it; raises what went wrong, closes it."""
    with (
        socket.create_connection((broker.host, broker.port), timeout_s) as plain,
        context.wrap_socket(plain, server_hostname=broker.host) as encrypted,
    ):
        if listen_s:
            encrypted.settimeout(listen_s)
            encrypted.recv(1)


def tls_alert(broker: Broker, context: ssl.SSLContext) -> ssl.SSLError | None:
    """Return the alert by which a broker refuses us after the handshake, as TLS 1.3 has it; None: none came."""
    try:
        try_tls(broker, context, listen_s=2.0)
    except ssl.SSLError as error:
        return error
    except OSError:
        return None  # silent for the whole time, or gone: nothing to do with TLS
    return None
