"""Whose fault it was and who must act. Nothing else escapes an adapter; anything else is a bug of ours."""

from __future__ import annotations

from typing import ClassVar

from rules.terms.events import Fault


class AdapterError(Exception):
    """Root of what adapters raise; never raised itself. Its text is meant for the keeper."""


class SecretUnreadable(AdapterError):
    """A secret file is missing, empty, too open, or not a file: the keeper must repair it; the text says how."""


# ---------------------------------------------------------------- probes


class ProbeError(AdapterError):
    """A probe could not be read; never raised itself. `reason` is the kind of trouble, by which it is counted."""

    fault: ClassVar[Fault]
    reason: str = "other"

    def __init__(self, detail: str, reason: str | None = None) -> None:
        super().__init__(detail)
        if reason is not None:
            self.reason = reason


class ProbeUnreachable(ProbeError):
    """Seen by us: no port, no broker, no answer in time."""

    fault: ClassVar[Fault] = "unreachable"


class ProbeGarbled(ProbeError):
    """Seen by us: checksum, length, address or text is not what was agreed."""

    fault: ClassVar[Fault] = "garbled"


class ProbeRefused(ProbeError):
    """Said by the device: it will not answer this question."""

    fault: ClassVar[Fault] = "refused"


class ProbeImplausible(ProbeError):
    """Not a finite number, or a unit or quantity that was not agreed. A finite but impossible value stays a reading."""

    fault: ClassVar[Fault] = "implausible"


# ---------------------------------------------------------------- outlets


class OutletError(AdapterError):
    """A message could not be handed over; never raised itself."""


class OutletUnreachable(OutletError):
    """Try again later: the message stays in the outbox."""


class OutletDeferred(OutletUnreachable):
    """Try this one message again later; the others may go meanwhile (a greylisted address, a full mailbox)."""


class OutletRefused(OutletError):
    """Do not try again unchanged: told by the other outlet."""


class OutletBarred(OutletRefused):
    """The outlet as a whole bars us (password, certificate): messages wait, tried again seldom, told by the other."""
