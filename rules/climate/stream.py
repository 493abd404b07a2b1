"""The stream in order: what still waits and what came, cut into stretches in which nothing but readings happens."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.climate.judging import Column
from rules.climate.memory import Waiting
from rules.terms.events import Batch, Item, MediumFault, Pause, ProbeFault
from rules.terms.quantities import Quantity
from rules.terms.words import WORD, Spoken

_PLAIN: dict[str, type[ProbeFault | MediumFault | Pause]] = {
    "probe-fault": ProbeFault,
    "medium-fault": MediumFault,
    "pause": Pause,
}


def item_to_json(item: Item) -> dict[str, Any]:
    """Return an item as a JSON object that `item_from_json` reads back."""
    if isinstance(item, Spoken):
        return {"item": "word", **item.model_dump(mode="json")}
    name = next(key for key, kind in _PLAIN.items() if isinstance(item, kind))
    return {"item": name, **asdict(item)}


def item_from_json(body: dict[str, Any]) -> Item:
    """Return the item that `item_to_json` wrote down."""
    rest = {key: value for key, value in body.items() if key != "item"}
    if body["item"] == "word":
        word: Item = WORD.validate_python(rest)
        return word
    return _PLAIN[body["item"]](**rest)


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings in stream order, as columns; `series` indexes `names`."""

    names: tuple[tuple[str, Quantity], ...]
    series: NDArray[np.int32]
    taken_ms: NDArray[np.int64]
    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]

    def part(self, begin: int, end: int) -> Rows:
        """Return the rows from begin to end."""
        return Rows(self.names, self.series[begin:end], self.taken_ms[begin:end], self.at_ms[begin:end], self.value[begin:end])

    def columns(self) -> dict[str, dict[Quantity, Column]]:
        """Return the rows by probe and quantity."""
        # A stable sort of short numbers is a radix sort: its cost does not grow with the number of series.
        order = np.argsort(self.series.astype(np.uint16) if len(self.names) < 1 << 16 else self.series, kind="stable")
        taken_ms, at_ms, value = self.taken_ms[order], self.at_ms[order], self.value[order]
        edges = np.searchsorted(self.series[order], np.arange(len(self.names) + 1)).tolist()
        result: dict[str, dict[Quantity, Column]] = {}
        for number in sorted(range(len(self.names)), key=self.names.__getitem__):
            begin, end = edges[number], edges[number + 1]
            if begin < end:
                probe, quantity = self.names[number]
                result.setdefault(probe, {})[quantity] = Column(taken_ms[begin:end], at_ms[begin:end], value[begin:end])
        return result


def joined(waiting: Waiting, batch: Batch, closed_ms: int) -> tuple[Rows, list[Item]]:
    """Return all readings and items that are not closed yet, in stream order; nothing may enter before what is closed."""
    names = list(batch.series)
    index = {name: number for number, name in enumerate(names)}
    codes = []
    for probe, quantity in zip(waiting.probe, waiting.quantity, strict=True):
        name: tuple[str, Quantity] = (probe, quantity)  # type: ignore[assignment]
        if name not in index:
            index[name] = len(names)
            names.append(name)
        codes.append(index[name])
    series = np.concatenate((np.array(codes, np.int32), batch.series_index))
    taken = np.concatenate((np.array(waiting.taken_ms, np.int64), batch.taken_ms))
    if len(taken):
        taken = np.maximum.accumulate(np.maximum(taken, closed_ms))
    at = np.concatenate((np.array(waiting.at_ms, np.int64), batch.at_ms))
    value = np.concatenate((np.array(waiting.value, np.float64), batch.value))
    items = [item_from_json(body) for body in waiting.items] + list(batch.items)
    return Rows(tuple(names), series, taken, at, value), sorted(items, key=lambda item: item.taken_ms)


def kept(rows: Rows, items: list[Item], now_ms: int) -> tuple[Rows, list[Item], Waiting]:
    """Split off what is not closed at `now_ms`: an instant is closed when now is later than it."""
    border = int(np.searchsorted(rows.taken_ms, now_ms))
    later = rows.part(border, len(rows.taken_ms))
    waiting = Waiting(
        later.taken_ms.tolist(),
        later.at_ms.tolist(),
        [rows.names[n][0] for n in later.series.tolist()],
        [rows.names[n][1] for n in later.series.tolist()],
        [None if value != value else value for value in later.value.tolist()],  # JSON has no NaN
        [item_to_json(item) for item in items if item.taken_ms >= now_ms],
    )
    return rows.part(0, border), [item for item in items if item.taken_ms < now_ms], waiting


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of the stream: words and pauses at its very beginning, then only readings and faults until `until_ms`."""

    from_ms: int
    until_ms: int
    first: tuple[Item, ...]
    rows: Rows
    faults: tuple[ProbeFault | MediumFault, ...]


def stretches(
    rows: Rows, items: list[Item], from_ms: int, until_ms: int, borders: tuple[int, ...], skipped: set[tuple[int, int]]
) -> Iterator[Stretch]:
    """Yield the stretches of [from, until): cut around words, at pauses and at the borders, without the skipped ones."""
    turning = [item for item in items if not isinstance(item, ProbeFault | MediumFault)]
    borders = (*borders, *(begin for begin, _ in skipped))
    faults = [item for item in items if isinstance(item, ProbeFault | MediumFault)]
    # A word's instant is a stretch of its own, so that what it changes holds for all that is seen after it.
    borders = (*borders, *(item.taken_ms + 1 for item in turning if isinstance(item, Spoken)))
    cuts = sorted(
        {from_ms, *(max(item.taken_ms, from_ms) for item in turning), *(b for b in borders if from_ms < b < until_ms)}
    )
    edges = np.searchsorted(rows.taken_ms, [*cuts, until_ms]).tolist()
    for number, begin in enumerate(cuts):
        end = cuts[number + 1] if number + 1 < len(cuts) else until_ms
        if any(first <= begin and end <= last for first, last in skipped):
            continue
        yield Stretch(
            begin,
            end,
            tuple(item for item in turning if max(item.taken_ms, from_ms) == begin),
            rows.part(edges[number], edges[number + 1]),
            tuple(item for item in faults if begin <= max(item.taken_ms, from_ms) < end),
        )


def unwatched(items: list[Item], from_ms: int, until_ms: int) -> set[tuple[int, int]]:
    """Return the pieces of [from, until) that lie within pauses; the instant at which a pause begins was still watched."""
    pauses = [(max(item.begin_ms + 1, from_ms), min(item.taken_ms, until_ms)) for item in items if isinstance(item, Pause)]
    return {(begin, end) for begin, end in pauses if begin < end}
