"""Which mailbox the keeper's answers are read from, as the config has it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from adapters.broker import AbsolutePath
from adapters.outlets.letter import MailAddress
from adapters.secrets_file import SecretFile
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from rules.terms.setting_forms import DurationMs, Section
from rules.terms.words import Name


class Mailbox(Section):
    """Your answers by mail. Without this table no mailbox is looked into and nothing is taken."""

    outlet: Name
    """Id of the mail outlet whose letters you answer; what was taken is confirmed by it."""
    host: Annotated[str, Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9.:-]+$")]
    """Name of the IMAP server."""
    port: int = Field(default=993, ge=1, le=65_535)
    """TCP port; the connection is encrypted from the first byte."""
    ca_file: AbsolutePath | None = None
    """Certificate (PEM) of the authority that signed the server's certificate; absent: those that the system trusts."""
    user: Annotated[str, Field(min_length=1, max_length=254)]
    """User name at the server."""
    password_file: SecretFile
    """File that holds the password alone, which only we can read, or "credential:NAME"."""
    address: MailAddress | None = None
    """Where your answers go; absent: to the outlet's `sender`. It must be this mailbox."""
    folder: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[ -!#-\[\]-~]+$")] = "INBOX"
    """Folder in which they arrive. It is only read; nothing in it is marked, moved or deleted."""
    also_from: list[MailAddress] = Field(default_factory=list, max_length=20)
    """Addresses besides those of the outlet from which you may answer, such as another one of your telephone."""
    every: DurationMs = Field(default=MINUTE_MS, ge=15 * SECOND_MS, le=HOUR_MS)
    """How often it is looked into."""
    answer_within: DurationMs = Field(default=3 * DAY_MS, ge=HOUR_MS, le=30 * DAY_MS)
    """For how long a letter can be answered."""
    timeout_s: float = Field(default=30.0, ge=1, le=300, json_schema_extra={"unit": "s"})
    """How long one answer of the server may take."""
