"""What another setting would have done: the keeper's own record, run through the engine twice and laid side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daemon.config.configuration import duration_text
from daemon.desk.replay import Stream, replayed
from rules.alarms.deadbands import Proposal, Question, propose, question_of
from rules.alarms.load import Occurrence, alarm_figures, delays_of, occurrences
from rules.climate.quality import fresh_for_ms
from rules.settings import Settings
from rules.settings.bands import Band
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Batch, Event
from rules.terms.quantities import FACTS, Quantity
from rules.trade.alarm_kinds import ALARMS

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Edge = Literal["low", "high"]

REAL_FOR_MS = HOUR_MS
"""So long beyond the edge, or at all beyond the harmful level, and an excursion is real."""
_JOIN_MS = 15 * MINUTE_MS
_CREDIT_MS = 10 * MINUTE_MS
_SERIES: dict[str, Quantity] = {"temperature": "air_temperature", "humidity": "relative_humidity"}
# Alarms that count as noticing an excursion. Damp air without a wet lid is no excursion: it harms nothing.
_EXCURSIONS = ("temperature-high", "temperature-low", "humidity-low")


@dataclass(frozen=True, slots=True)
class Excursion:
    """One time at which a chamber really was outside its present band, and after how long it was told (None: never)."""

    chamber: str
    alarm: str
    begin_ms: int
    end_ms: int
    worst: float
    noticed_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """What one setting did over the record."""

    days: float
    alarms: dict[str, int]
    chattering: int
    in_band: dict[str, float]
    excursions: tuple[Excursion, ...]
    wet_lid_h: float
    advisories: int
    letters: int


@dataclass(frozen=True, slots=True)
class Record:
    """The readings of a period in one piece, as both settings hear them."""

    batches: tuple[Batch, ...]
    begin_ms: int
    end_ms: int

    @staticmethod
    def of(stream: Stream) -> Record:
        """Return the whole stream, kept for more than one run."""
        return Record(tuple(stream.slices), stream.begin_ms, stream.end_ms)

    def series(self, settings: Settings, chamber: str, quantity: Quantity) -> tuple[Instants, Floats, int]:
        """Return the plausible values of the chamber's air probe that was heard most, and how long its last word holds."""
        best: tuple[Instants, Floats, int] = np.empty(0, np.int64), np.empty(0), 0
        for probe in settings.probes_at(chamber):
            at_ms, value = self._of_probe(probe, quantity)
            if len(value) > len(best[1]):
                best = at_ms, value, fresh_for_ms(settings.probes[probe].interval)
        facts = FACTS[quantity]
        good = (best[1] >= facts.domain_low) & (best[1] <= facts.domain_high)
        return best[0][good], best[1][good], best[2]

    def _of_probe(self, probe: str, quantity: Quantity) -> tuple[Instants, Floats]:
        times, values = [np.empty(0, np.int64)], [np.empty(0)]
        for batch in self.batches:
            if (probe, quantity) in batch.series:
                mine = batch.series_index == batch.series.index((probe, quantity))
                times.append(batch.at_ms[mine])
                values.append(batch.value[mine])
        at_ms, first = np.unique(np.concatenate(times), return_index=True)
        return at_ms, np.concatenate(values)[first]


def figures(
    settings: Settings, present: Settings, record: Record, progress: Callable[[float], None] = lambda share: None
) -> Figures:
    """Return what `watch` would have done; what a real excursion is, the `present` bands say, the same for every setting."""
    events: list[Event] = []
    letters = 0
    stream = Stream(record.batches, record.begin_ms, record.end_ms, 0)
    for step in replayed(settings, stream):
        events += [event for event in step.events if isinstance(event, AlarmEvent | AdviceEvent)]
        letters += sum(event.kind == "letter" for event in step.events)
        progress((step.at_ms - record.begin_ms) / max(record.end_ms - record.begin_ms, 1))
    alarms = [event for event in events if isinstance(event, AlarmEvent)]
    told = occurrences(alarms)
    quality = alarm_figures(alarms, record.begin_ms, record.end_ms, delays_of(settings))
    counts: dict[str, int] = {}
    for one in told:
        if one.shown_ms is not None:
            counts[one.key] = counts.get(one.key, 0) + 1
    return Figures(
        days=max(record.end_ms - record.begin_ms, 1) / DAY_MS, alarms=counts,
        chattering=sum(one.chattering for one in quality.offenders) + len(set(quality.fleeting)),
        in_band=dict(_in_band(settings, record)), excursions=tuple(_noticed(one, told) for one in _excursions(present, record)),
        wet_lid_h=sum((one.ended_ms or record.end_ms) - one.raised_ms for one in told if one.alarm == "lid-dew") / HOUR_MS,
        advisories=sum(isinstance(event, AdviceEvent) and event.status == "given" for event in events), letters=letters,
    )  # fmt: skip


def _in_band(settings: Settings, record: Record) -> Iterator[tuple[str, float]]:
    """Yield the share of the observed time in which each figure of each chamber lay within its band."""
    for name, chamber in settings.chambers.items():
        for kind, quantity in _SERIES.items():
            at_ms, value, holds_ms = record.series(settings, name, quantity)
            if len(value) < 2:
                continue
            credit = np.minimum(np.diff(at_ms, append=at_ms[-1]), max(holds_ms, _CREDIT_MS))
            band: Band = getattr(chamber, kind)
            low, high = band.low if band.low is not None else -np.inf, band.high if band.high is not None else np.inf
            yield f"{name} {kind}", float(credit[(value >= low) & (value <= high)].sum() / max(credit.sum(), 1))


def _excursions(present: Settings, record: Record) -> Iterator[Excursion]:
    for name, chamber in present.chambers.items():
        for alarm in _EXCURSIONS:
            kind, _, edge = alarm.partition("-")
            band: Band = getattr(chamber, kind)
            limit, harmful = getattr(band, edge), getattr(band, f"harmful_{edge}")
            if limit is not None and (chamber.role == "fungus" or kind == "temperature"):
                at_ms, value, holds_ms = record.series(present, name, _SERIES[kind])
                for part in _outside(alarm, at_ms, value, limit, max(holds_ms, _JOIN_MS)):
                    yield from _real(name, alarm, at_ms[part], value[part], harmful)


def _outside(alarm: str, at_ms: Instants, value: Floats, limit: float, join_ms: int) -> list[NDArray[np.intp]]:
    """Return the stretches of readings beyond the limit; a shorter time within it parts none."""
    outside = np.flatnonzero(value > limit if alarm.endswith("high") else value < limit)
    return np.split(outside, np.flatnonzero(np.diff(at_ms[outside]) > join_ms) + 1) if len(outside) else []


def _real(chamber: str, alarm: str, at_ms: Instants, value: Floats, harmful: float | None) -> Iterator[Excursion]:
    """Yield the excursion that a stretch is, if it lasted or did harm."""
    sign = 1.0 if alarm.endswith("high") else -1.0
    worst = float((sign * value).max() * sign)
    past = harmful is not None and sign * (worst - harmful) > 0 and len(value) > 2
    if past or at_ms[-1] - at_ms[0] >= REAL_FOR_MS:
        yield Excursion(chamber, alarm, int(at_ms[0]), int(at_ms[-1]), worst)


def _noticed(one: Excursion, told: Sequence[Occurrence]) -> Excursion:
    kind = ALARMS[one.alarm]
    notices = {one.alarm, *kind.explained_by, *(name for name, other in ALARMS.items() if one.alarm in other.explained_by)}
    times = [
        max(0, (each.shown_ms or each.raised_ms) - one.begin_ms)
        for each in told
        if each.chamber == one.chamber and each.alarm in notices and each.shown_ms is not None
        and each.shown_ms <= one.end_ms and (each.ended_ms is None or each.ended_ms > one.begin_ms)
    ]  # fmt: skip
    return Excursion(one.chamber, one.alarm, one.begin_ms, one.end_ms, one.worst, min(times, default=None))


# ---------------------------------------------------------------- what to try


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What is proposed for one band of one chamber: keys with their values as they are written, and why."""

    chamber: str
    band: str
    values: dict[str, float | str]
    reasons: tuple[str, ...]


def suggestions(settings: Settings, record: Record, find_within_ms: int) -> Iterator[Suggestion]:
    """Yield for each band the deadband and delays with the fewest nuisance alarms that still find an excursion in time."""
    for name, chamber in settings.chambers.items():
        for kind, quantity in _SERIES.items():
            band: Band = getattr(chamber, kind)
            at_ms, value, _ = record.series(settings, name, quantity)
            edges: tuple[Edge, ...] = ("low", "high")
            asked = [(edge, question_of(band, edge, FACTS[quantity].unit)) for edge in edges]
            found, reasons = [], []
            for edge, question in asked:
                if question is None:
                    continue
                try:
                    proposal = propose(at_ms, value, _within(question, find_within_ms))
                except ValueError as error:
                    reasons.append(f"{edge} edge: {error}")
                    continue
                found.append(proposal)
                reasons.append(f"{edge} edge: {proposal.text}")
            yield Suggestion(name, kind, _values(found, band), tuple(dict.fromkeys(reasons)))


def _within(question: Question, find_within_ms: int) -> Question:
    return Question(
        question.deadband, question.on_ms, question.off_ms, question.excursion, question.excursion_for_ms, find_within_ms,
        question.unit, question.upper, question.deadband_at_most,
    )  # fmt: skip


def _values(found: Sequence[Proposal], band: Band) -> dict[str, float | str]:
    """Return one setting that serves both edges: the larger deadband and the longer delays; only what differs from today."""
    advised = [proposal.advised for proposal in found if proposal.advised is not None and "may stay" not in proposal.text]
    if not advised:
        return {}
    deadband = max([one.deadband for one in advised])
    on_ms, off_ms = max(one.on_ms for one in advised), max(one.off_ms for one in advised)
    values: dict[str, float | str] = {}
    if deadband != band.deadband:
        values["deadband"] = round(deadband, 6)
    if on_ms != band.on_delay:
        values["on_delay"] = duration_text(on_ms)
    if off_ms != band.off_delay:
        values["off_delay"] = duration_text(off_ms)
    return values
