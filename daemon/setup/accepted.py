"""What the guided start accepts as an answer: each returns the value, or raises ValueError that says what is allowed."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable
from math import prod
from typing import Any

from daemon.setup.draft import slug


def host_and_port(text: str) -> tuple[str, int | None]:
    """Return host and port of `host`, `host:port` or an IPv6 address."""
    host, colon, port = text.rpartition(":")
    if not colon or ":" in host:
        return text, None
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise ValueError(f'"{text}" is no host with a port; write it like mail.example.org:587')
    return host, int(port)


def short(text: str) -> str:
    """Return a name."""
    if not 1 <= len(text) <= 60:
        raise ValueError("a name has 1 to 60 characters")
    return text


def zone(text: str) -> str:
    """Return an IANA time zone."""
    if text not in zoneinfo.available_timezones():
        raise ValueError(f'"{text}" is no time zone; write an IANA name such as Europe/Lisbon')
    return text


def number(low: float, high: float) -> Callable[[str], float]:
    """Return what takes a number within these, with a point or a comma."""

    def accept(text: str) -> float:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise ValueError(f'"{text}" is not a number from {low:g} to {high:g}')
        return value

    return accept


def whole(low: int, high: int) -> Callable[[str], int]:
    """Return what takes a whole number within these."""
    return lambda text: int(number(low, high)(text))


def air_ml(text: str) -> float:
    """Return a volume in ml, from ml or from inner length, width and height in cm, such as 30x20x15."""
    sides = re.split(r"\s*[x×*]\s*", text.strip().removesuffix("cm").strip())
    if len(sides) == 3:
        text = f"{prod(number(1, 300)(side) for side in sides):g}"
    elif len(sides) != 1:
        raise ValueError(f'"{text}" is no inner size; write length, width and height in cm, such as 30x20x15')
    return number(51, 2_000_000)(text)


def vents(text: str) -> int | None:
    """Return a number of vents; None: not known."""
    return None if text == "-" else whole(0, 50)(text)


def watts(text: str) -> float | None:
    """Return the power of a heater; None: not known, so none is written."""
    return None if text == "-" else number(0, 500)(text)


def yes_or_no(text: str) -> bool:
    """Return whether it is yes."""
    if text.lower() not in ("yes", "y", "no", "n"):
        raise ValueError('say "yes" or "no"')
    return text.lower().startswith("y")


def span(text: str) -> tuple[float, float]:
    """Return coldest and warmest of `A to B`, degC."""
    low, _, high = text.partition(" to ")
    accept = number(-20, 45)
    coldest, warmest = accept(low.strip()), accept(high.strip())
    if coldest > min(warmest, 40.0):
        raise ValueError('write the coldest first, such as "18 to 26"; the coldest is 40 at most')
    return coldest, warmest


def one_of(*allowed: str) -> Callable[[str], Any]:
    """Return what takes one of these, or its beginning."""

    def accept(text: str) -> str:
        near = [one for one in allowed if one.lower() == text.lower() or (text and one.lower().startswith(text.lower()))]
        if len(near) != 1:
            raise ValueError(f'"{text}" is none of {", ".join(allowed)}')
        return near[0]

    return accept


def place(text: str) -> str:
    """Return an id of a chamber or room, or `-`."""
    if text == "-" or slug(text, "") == text:
        return text
    raise ValueError(f'a name has small letters, digits and hyphens; perhaps "{slug(text, "tank-1")}"')


def address(text: str) -> str:
    """Return a mail address, or `-`."""
    if text == "-" or ("@" in text and " " not in text):
        return text
    raise ValueError(f'"{text}" is no mail address')
