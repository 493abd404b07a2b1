"""The ways up and down of a temperature: how far each went, and how long it took."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Leg:
    """One way up or down of a temperature, from where it turned to its furthest point."""

    from_ms: int
    from_c: float
    to_ms: int
    to_c: float

    @property
    def size_k(self) -> float:
        """Return how far it went, K."""
        return abs(self.to_c - self.from_c)

    @property
    def took_ms(self) -> int:
        """Return how long it took."""
        return self.to_ms - self.from_ms


@dataclass(frozen=True, slots=True)
class Legs:
    """How a lone temperature probe goes up and down, since it was first seen."""

    since_ms: int
    past: list[Leg]
    """Those of the last days that ended, the oldest first."""
    now: Leg
    rises: bool = True
    lies_ms: int | None = None
    """Since when it goes as no air of a box does; None: it does not."""
