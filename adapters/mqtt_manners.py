"""How a session behaves towards its broker: what it says of its presence, and how patiently it comes back."""

from __future__ import annotations

import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Availability:
    """The retained topic that says whether dewlid is there; `no` is also the last will."""

    topic: str
    there: bytes = b"yes"
    gone: bytes = b"no"


@dataclass(frozen=True, slots=True)
class BackOff:
    """How long to wait before connecting again: doubling, with up to a quarter of jitter."""

    first_s: float = 1.0
    longest_s: float = 60.0
    rejected_s: float = 10.0

    def wait_s(self, failures: int, rejected: bool) -> float:
        """Return the pause after this many failures in a row."""
        first_s = self.rejected_s if rejected else self.first_s
        return min(self.longest_s, first_s * 2.0 ** min(failures - 1, 10)) * (0.75 + 0.25 * random.random())  # noqa: S311
