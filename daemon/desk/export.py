"""Writes what the store holds in open forms that `dewlid replay` reads back: CSV, JSON Lines and SenML (RFC 8428)."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Literal

import numpy as np

from daemon.store.reader import FAR_MS, HistoryReader
from rules.terms.events import rfc3339
from rules.terms.quantities import FACTS, Quantity

Form = Literal["csv", "json-lines", "senml"]
FORMS: tuple[Form, ...] = ("csv", "json-lines", "senml")
HEADER = "time,probe,quantity,value,unit"
QUARTER_HOURS_HEADER = "begin,probe,quantity,count,minimum,mean,maximum,unit"
_WINDOW_MS = 14 * 86_400_000
_PACK = 250


def readings(reader: HistoryReader, form: Form, since_ms: int = 0, until_ms: int = FAR_MS) -> Iterator[str]:
    """Yield the lines of an export of the single readings, in the order in which they were taken; times are of measurement."""
    first, last = reader.span_ms() or (0, 0)
    if form == "csv":
        yield HEADER
    pack: list[dict[str, object]] = []
    for at_ms, probe, quantity, value in _rows(reader, max(since_ms, first), min(until_ms, last + 1)):
        unit = FACTS[quantity].unit
        if form == "csv":
            yield f"{rfc3339(at_ms)},{probe},{quantity},{value!r},{unit}"
        elif form == "json-lines":
            yield json.dumps({"time": rfc3339(at_ms), "probe": probe, "quantity": quantity, "value": value, "unit": unit})
        else:
            name = f"{probe}/{quantity}"
            pack.append({"n": name, "u": FACTS[quantity].senml_unit, "t": at_ms / 1000, "v": value})
            if len(pack) == _PACK:
                yield json.dumps(pack)
                pack = []
    if pack:
        yield json.dumps(pack)


def _rows(reader: HistoryReader, since_ms: int, until_ms: int) -> Iterator[tuple[int, str, Quantity, float]]:
    for begin_ms in range(since_ms, until_ms, _WINDOW_MS):  # some weeks at a time bound the memory
        found = reader.readings(begin_ms, min(begin_ms + _WINDOW_MS, until_ms))
        good = np.isfinite(found.value)
        index, at_ms, value = found.series_index[good], found.at_ms[good], found.value[good]
        for code, instant, figure in zip(index.tolist(), at_ms.tolist(), value.tolist(), strict=True):
            probe, quantity = found.series[code]
            yield instant, probe, quantity, figure


def quarter_hours(reader: HistoryReader, since_ms: int = 0, until_ms: int = FAR_MS) -> Iterator[str]:
    """Yield the lines of a CSV of what was rolled up: older readings as minimum, mean and maximum of 15 minutes."""
    yield QUARTER_HOURS_HEADER
    for probe, quantity in reader.series():
        found = reader.quarter_hours(probe, quantity, since_ms, until_ms)
        columns = (found.begin_ms, found.count, found.minimum, found.mean, found.maximum)
        for begin_ms, count, least, mean, most in zip(*(column.tolist() for column in columns), strict=True):
            if math.isfinite(mean):
                yield f"{rfc3339(begin_ms)},{probe},{quantity},{count},{least!r},{mean:.4f},{most!r},{FACTS[quantity].unit}"
