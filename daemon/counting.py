"""Says a number of things as a person would."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """Return `1 probe`, `2 probes`, `no probe`."""
    return f"{number or 'no'} {thing}{'s' if number > 1 else ''}"
