"""What every outlet is given and how it answers.

An outlet is handed one debt at a time, in its own thread. `send` returns when the other side has taken it
over (a publish that was acknowledged, an SMTP 250, a written line) and raises OutletUnreachable or
OutletRefused otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

Standing = Literal["", "opens", "ends"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """One message that one outlet owes, as it stands in the outbox.

    `event_id` is the event's stable id: it stays the same however often the message is sent, so that a
    reader can drop a copy. `payload` is the event as JSON text; for a `retained` one the state that replaces
    the one before under the same
    `topic`, empty to remove it. `about` names the alarm or mail thread that the message belongs to;
    `standing` says whether it opens or ends that; only `expendable` ones may be dropped when too many wait.
    """

    outlet: str
    event_id: str
    kind: str
    payload: str
    made_ms: int
    ordinal: int = 0
    recipient: str = ""
    topic: str = ""
    retained: bool = False
    about: str = ""
    standing: Standing = ""
    expendable: bool = True
    not_before_ms: int = 0


class Outlet(Protocol):
    """A way out to the keeper. One thread uses it; `close` may come from another."""

    @property
    def in_order(self) -> bool:
        """Whether a message that cannot be sent yet holds back those after it."""

    @property
    def retry_s(self) -> tuple[float, ...]:
        """How long to wait after the first, second, ... failure in a row; the last one repeats."""

    @property
    def session(self) -> int:
        """Counts connections made; when it grows, all retained states are owed again."""

    @property
    def refresh_s(self) -> float | None:
        """How often retained states are sent again although nothing changed; None: never."""

    @property
    def longest_s(self) -> float:
        """How long handing over one message may take at most; infinite: it waits for somebody who has no limit."""

    @property
    def heartbeat(self) -> str:
        """Topic of the heartbeat, whose acknowledgement shows that the whole way works; empty: it has none."""

    def send(self, owed: Owed) -> None:
        """Hand over one message and return when it was taken over."""

    def close(self) -> None:
        """Say goodbye within two seconds."""
