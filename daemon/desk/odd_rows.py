"""What the keeper should know of rows in recorded files, with their place: left out, twice there, of another unit or year."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from adapters.recorded import Recording
from adapters.wording.counting import counted
from rules.terms.events import Batch, Pause, rfc3339
from rules.terms.quantities import FACTS, Quantity, in_our_unit, units_of

MOST_TOLD = 3
"""Of each kind: the first few say what it is."""
_BEGINNING = 100_000
"""A unit is asked about by so many first readings."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A file and what it holds."""

    path: Path
    recording: Recording

    def place(self, index: int) -> str:
        """Return file and line of a reading by its index in the batch."""
        return f"{self.path}:{self.recording.line[index]}"

    def at(self, at_ms: int) -> slice:
        """Return where in the batch the readings of an instant are."""
        return slice(*np.searchsorted(self.recording.batch.taken_ms, (at_ms, at_ms + 1)).tolist())


def bad_lines(one: Recorded) -> list[str]:
    """Return why lines were left out, the first few by number, and how many were."""
    count, bad = one.recording.bad_count, one.recording.bad
    shown = [f"{one.path}:{line.line}: left out: {line.reason}" for line in bad[:MOST_TOLD]]
    return [*shown, f"{one.path}: {count} bad lines were left out"] if count > len(shown) else shown


def first_place(recorded: Sequence[Recorded], probes: Sequence[str]) -> str:
    """Return the place of the first reading of one of these probes, of which there is one."""
    for one in recorded:
        batch = one.recording.batch
        hit = np.array([probe in probes for probe, _ in batch.series], bool)[batch.series_index]
        if hit.any():
            return one.place(int(np.argmax(hit)))
    raise ValueError(f"there is no reading of {', '.join(probes)}")


def twice(recorded: Sequence[Recorded], batch: Batch) -> list[str]:
    """Return what is told of readings of one probe, quantity and instant whose values differ: the first one counts."""
    short = batch.series_index.astype(np.min_scalar_type(len(batch.series)))  # of these a stable sort is a radix sort
    order = np.argsort(short, kind="stable")
    code, at_ms, value = batch.series_index[order], batch.taken_ms[order], batch.value[order]
    later = np.flatnonzero((code[1:] == code[:-1]) & (at_ms[1:] == at_ms[:-1])) + 1
    begins = np.setdiff1d(later - 1, later)
    firsts = begins[np.searchsorted(begins, later) - 1]
    firsts = firsts[value[later] != value[firsts]]
    shown = dict.fromkeys(firsts[:MOST_TOLD].tolist())
    told = [_twice(recorded, batch.series[code[row]], int(at_ms[row])) for row in shown]
    if len(firsts) > len(told):
        told.append(f"{counted(len(firsts), 'reading')} left out that another of the same probe and instant speaks against")
    return told


def _twice(recorded: Sequence[Recorded], series: tuple[str, Quantity], at_ms: int) -> str:
    found = [
        (float(batch.value[index]), one.place(index))
        for one in recorded for batch in [one.recording.batch]
        for index in range(*one.at(at_ms).indices(len(batch.value))) if batch.series[batch.series_index[index]] == series
    ]  # fmt: skip
    (first, counts), (other, place) = found[0], next(one for one in found if one[0] != found[0][0])
    what, unit = FACTS[series[1]].label, FACTS[series[1]].unit
    return (
        f"{place}: left out: {what} of {series[0]} at {rfc3339(at_ms)} is {other:g} {unit} here and {first:g} {unit} at"
        f" {counts}, which counts as the first; leave the wrong one out"
    )


def in_another_unit(recorded: Sequence[Recorded], batch: Batch) -> Iterator[str]:
    """Tell of series that mostly say what no chamber is, but would be in another unit."""
    index, value = batch.series_index[:_BEGINNING], batch.value[:_BEGINNING]
    for code in np.unique(index).tolist():
        probe, quantity = batch.series[code]
        middle, facts = float(np.median(value[index == code])), FACTS[quantity]
        if _is_usual(middle, quantity):
            continue
        units = [unit for unit in units_of(quantity) if _is_usual(in_our_unit(quantity, middle, unit), quantity)]
        if units:
            yield (
                f"{first_place(recorded, [probe])}: {facts.label} of {probe} is mostly about {middle:.4g} {facts.unit}, which"
                f" no chamber is: is its unit {units[0]}? Write the unit in which it was measured; allowed:"
                f" {', '.join(units_of(quantity))}"
            )


def _is_usual(value: float, quantity: Quantity) -> bool:
    return FACTS[quantity].domain_low <= value <= FACTS[quantity].domain_high


def asked_about(recorded: Sequence[Recorded], gaps: Sequence[Pause]) -> list[str]:
    """Return the question about each of the first spans without a reading, with the rows at both of its ends."""
    told = [
        f"{_place(recorded, gap.taken_ms)}: nothing was read for {(gap.taken_ms - gap.begin_ms) // 86_400_000} days, from"
        f" {rfc3339(gap.begin_ms)} ({_place(recorded, gap.begin_ms)}) to {rfc3339(gap.taken_ms)} here: is one of these times"
        " wrong? Correct or leave out its row; nothing is told of that span" for gap in gaps[:MOST_TOLD]
    ]  # fmt: skip
    return [*told, f"there are {len(gaps)} such spans"] if len(gaps) > len(told) else told


def _place(recorded: Sequence[Recorded], at_ms: int) -> str:
    return next(one.place(rows.start) for one in recorded if (rows := one.at(at_ms)).stop > rows.start)
