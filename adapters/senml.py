"""SenML in JSON, RFC 8428: a pack of records with base fields resolved. CBOR, XML and streams are not read.

Pure: the time that relative times refer to is handed in.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from adapters.errors import ProbeGarbled
from adapters.payload import excerpt, number_of

VERSION = 10
"""The highest `bver` that is understood (RFC 8428 section 4.4)."""
MOST_RECORDS = 256
_RELATIVE_BELOW = 2**28  # section 4.5.3: smaller times are relative to now
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]{0,255}")  # section 4.5.1
_VALUES = ("v", "vs", "vb", "vd")
_NUMBERS = ("bt", "bv", "bs", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")


class NotSenML(ProbeGarbled):
    """JSON, but no SenML pack as RFC 8428 has it."""

    reason = "not-senml"


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record; `value` is None where it carries text, a truth value, data or only a sum."""

    name: str
    unit: str | None
    value: float | None
    at_ms: int | None
    """None: the pack says no time, so it is the time of arrival (t = 0 in the RFC's words)."""


def resolve(pack: Any, now_ms: int | None = None, most: int = MOST_RECORDS) -> tuple[Record, ...]:
    """Return the resolved records of a parsed pack; relative times count from `now_ms`, or are dropped without it.

    Raises NotSenML with the section that is broken, or another ProbeError for a value that is no finite number.
    """
    if not isinstance(pack, list) or not pack:
        raise NotSenML("a SenML pack is a JSON array with at least one record (RFC 8428 section 4)")
    if len(pack) > most:
        raise NotSenML(f"{len(pack)} records; at most {most} are taken")
    return tuple(_resolved(pack, now_ms))


def _resolved(pack: list[Any], now_ms: int | None) -> Iterator[Record]:
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0, "bs": None}
    for number, record in enumerate(pack):
        _check(record, number)
        base |= {key: record[key] for key in base if key in record}
        if not any(key in record for key in (*_VALUES, "s", "n")):
            continue  # only base fields
        name = base["bn"] + record.get("n", "")
        if _NAME.fullmatch(name) is None:
            raise NotSenML(f"record {number}: the name {excerpt(name)} is not allowed (RFC 8428 section 4.5.1)")
        numeric = "v" in record or ("bv" in record and not any(key in record for key in ("vs", "vb", "vd", "s")))
        value = number_of(base["bv"] + record.get("v", 0.0)) if numeric else None
        yield Record(name, record.get("u", base["bu"]), value, _instant(base["bt"] + record.get("t", 0.0), now_ms))


def _check(record: Any, number: int) -> None:
    if not isinstance(record, dict):
        raise NotSenML(f"record {number} is not a JSON object (RFC 8428 section 4)")
    for key in _NUMBERS:
        if key in record:
            number_of(record[key])
    for key in _TEXTS:
        if key in record and not isinstance(record[key], str):
            raise NotSenML(f"record {number}: {key!r} must be text (RFC 8428 section 5)")
    if "vb" in record and not isinstance(record["vb"], bool):
        raise NotSenML(f"record {number}: 'vb' must be true or false (RFC 8428 section 5)")
    if sum(key in record for key in _VALUES) > 1:
        raise NotSenML(f"record {number}: more than one value (RFC 8428 section 4.2)")
    must = [key for key in record if key.endswith("_")]
    if must:
        raise NotSenML(f"record {number}: {excerpt(must[0])} must be understood and is not (RFC 8428 section 4.4)")
    version = record.get("bver", VERSION)
    if isinstance(version, bool) or not isinstance(version, int) or not 0 < version <= VERSION:
        raise NotSenML(f"record {number}: SenML version {excerpt(str(version))}; at most {VERSION} is understood")


def _instant(seconds: float, now_ms: int | None) -> int | None:
    if seconds == 0:
        return None
    if abs(seconds) >= _RELATIVE_BELOW:
        return _in_calendar(round(seconds * 1000))
    return None if now_ms is None else now_ms + round(seconds * 1000)


def _in_calendar(at_ms: int) -> int:
    if not 0 <= at_ms < 253_402_300_800_000:  # 1970 to 9999
        raise NotSenML("a time outside 1970 to 9999")
    return at_ms
