"""Says a number of things as a person would."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """Return `1 probe`, `2 probes`, `no probe`, `3 advisories`."""
    many = f"{thing.removesuffix('y')}ies" if thing.endswith("ry") else f"{thing}s"
    return f"{number or 'no'} {many if number > 1 else thing}"
