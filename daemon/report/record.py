"""All that a picture of a period is made from, read once from the store."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import ValidationError

from daemon.report.curves import RAW_FOR_MS, Curve, curves
from daemon.store.errors import HistoryError
from daemon.store.going_on import went_on
from daemon.store.reader import HistoryReader, is_there
from rules.climate.situation import Situation
from rules.keeper.state import sized
from rules.settings import Settings
from rules.terms.advised import Prediction
from rules.terms.events import DAY_MS, AlarmEvent, AnyEvent, Batch, event_of
from rules.turn.advance import EngineState, advance, load_state
from rules.turn.present import ahead, present

_EARLIER_MS = 45 * DAY_MS
"""So long before the period an alarm may have begun that still stands in it."""
LEAST_COMPARED_MS = 6 * DAY_MS
"""A shorter period is not held against the one before it."""
LATE_MS = 10 * 60_000
"""A record whose newest reading is older than this is not of now."""


@dataclass(frozen=True, slots=True)
class Record:
    """A period of the store: state and situation at its newest instant, curves, and events before and within it."""

    settings: Settings
    state: EngineState
    situations: dict[str, Situation]
    since_ms: int
    until_ms: int
    now_ms: int
    newest_ms: int | None
    """When something was last recorded; None: nothing ever was."""
    chambers: tuple[str, ...]
    curves: dict[str, Curve]
    before: dict[str, Curve]
    """Those of the time before it, as long; empty where that is not compared."""
    events: tuple[AnyEvent, ...]
    """Within the period."""
    alarm_events: tuple[AlarmEvent, ...]
    """Within the period and some time before."""

    @property
    def begun_ms(self) -> int:
        """When the watch began within the period: what is told per day is told of the days that were watched."""
        first = [int(curve.at_ms[seen][0]) for curve in self.curves.values() if (seen := ~np.isnan(curve.temperature_c)).any()]
        return max(self.since_ms, min(first, default=self.since_ms))

    @property
    def late(self) -> bool:
        """Whether the newest thing recorded is too old to speak of now."""
        return self.newest_ms is None or self.now_ms - self.newest_ms > LATE_MS


def read_record(
    store: Path, settings: Settings, now_ms: int, for_ms: int, chambers: Sequence[str] = (), *, pictures: bool = True,
    until_ms: int | None = None,
) -> Record:  # fmt: skip
    """Return the record of the last `for_ms`; where the record ended earlier, of the last `for_ms` before its end.

    `until_ms`: of the time before this instant instead; state and situations are still the newest ones.

    A store that does not exist yet is an empty one. Raises HistoryError for one that cannot be read.
    """
    only = tuple(chambers) or tuple(settings.chambers)
    if not is_there(store):
        state = advance(settings, None, Batch(), now_ms).state
        return _record(None, settings, state, None, now_ms, for_ms, until_ms, only, pictures)
    with closing(HistoryReader(store)) as reader, reader.failures_told():
        state_or_none, newest_ms = newest_state(reader, settings, store)
        state = state_or_none or advance(settings, None, Batch(), now_ms).state
        return _record(reader, settings, state, newest_ms, now_ms, for_ms, until_ms, only, pictures)


def newest_state(reader: HistoryReader, settings: Settings, store: Path) -> tuple[EngineState | None, int | None]:
    """Return the state after all that is recorded, by `watch` as it is configured now, and the newest instant."""
    state, after = None, 0
    if (stored := reader.last_state()) is not None:
        body, after = stored
        try:
            state = load_state(body)
        except ValidationError as error:
            raise HistoryError(f"{store}: its state is of another version; start the daemon once") from error
    state, newest_ms, _ = went_on(settings, state, reader, after)
    if state is not None and state.config_print != settings.fingerprint:
        state = advance(settings, state, Batch(), state.closed_ms + 1).state
    return state, newest_ms


def _record(
    reader: HistoryReader | None, settings: Settings, state: EngineState, newest_ms: int | None, now_ms: int, for_ms: int,
    wanted_ms: int | None, only: tuple[str, ...], pictures: bool,
) -> Record:
    until_ms = now_ms if newest_ms is None or abs(now_ms - newest_ms) <= LATE_MS else newest_ms + 1
    until_ms = until_ms if wanted_ms is None else wanted_ms
    since_ms = until_ms - for_ms
    drawn: dict[str, Curve] = {}
    before: dict[str, Curve] = {}
    events: list[AnyEvent] = []
    earlier: list[AnyEvent] = []
    if reader is not None and pictures:
        drawn = curves(reader, settings, state, since_ms, until_ms, only)
        if LEAST_COMPARED_MS <= for_ms <= RAW_FOR_MS // 2:
            before = curves(reader, settings, state, since_ms - for_ms, since_ms, only)
        events = [event_of(body) for body in reader.events(since_ms, until_ms)]
        earlier = [event_of(body) for body in reader.events(since_ms - _EARLIER_MS, since_ms, kinds=["alarm", "question"])]
    return Record(
        settings=sized(settings, state.keeper), state=state,
        situations=present(settings, state) if newest_ms is not None else {}, since_ms=since_ms, until_ms=until_ms,
        now_ms=now_ms, newest_ms=newest_ms, chambers=only, curves=drawn, before=before, events=tuple(events),
        alarm_events=tuple(event for event in [*earlier, *events] if isinstance(event, AlarmEvent)),
    )  # fmt: skip


def expected(record: Record, chamber: str) -> tuple[Prediction, ...]:
    """Return what comes after the period's end if nothing is changed; nothing where that is not now."""
    now = not record.late and record.newest_ms is not None and abs(record.until_ms - record.newest_ms) <= LATE_MS
    return ahead(record.settings, record.state, chamber) if now else ()


def empty(curve: Curve | None) -> bool:
    """Whether nothing was seen of a chamber in the period."""
    return curve is None or bool(np.isnan(curve.temperature_c).all() and np.isnan(curve.humidity_pct).all())
