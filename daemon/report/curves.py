"""The figures of every chamber over a period, from the stored readings.

One way for all pictures: the readings go once more through the rules' own quality tests, corrections, consensus, dew point,
lid and condensate (`rules.turn.perceive`), with what is believed of lid and probes *today*. So a line may differ a little
from what was believed that day; what was told that day stands in the events. What is older than `RAW_FOR_MS`, or rolled up
already, is taken as quarter-hour means: corrected, but past all quality tests and without the water on the lid. How long a
probe's last word holds is the same in both (`fresh_for_ms`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.report.quarters import Quarters, quarters
from daemon.store.reader import HistoryReader, Readings
from rules.climate.memory import PlaceMemory, ProbeMemory
from rules.climate.quality import fresh_for_ms
from rules.climate.stream import Rows, Stretch
from rules.climate.view import ROOM_FRESH_MS, View
from rules.physics import vapour
from rules.settings import Settings
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.terms.quantities import Quantity
from rules.turn.perceive import perceive
from rules.turn.state import EngineState

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]

RAW_FOR_MS = 62 * DAY_MS
"""Of a longer period the older part is drawn from quarter-hour means: no eye sees the difference, and a year is quick."""
LONGEST_CREDIT_MS = 5 * MINUTE_MS
"""A reading speaks for at most so long when shares of time are counted."""
_LEAD_MS = 3 * HOUR_MS
"""So much before the period is read too, so that the first readings are judged as they were."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One chamber over the period: arrays over its instants, NaN where not seen; `least`/`most` differ for old means only."""

    at_ms: Instants
    credit_ms: Instants
    temperature_c: Floats
    temperature_least_c: Floats
    temperature_most_c: Floats
    humidity_pct: Floats
    humidity_least_pct: Floats
    humidity_most_pct: Floats
    dew_point_c: Floats
    lid_c: Floats
    condensate_g_m2: Floats
    room_c: Floats

    @property
    def margin_k(self) -> Floats:
        """Lid temperature minus dew point."""
        return self.lid_c - self.dew_point_c


def curves(
    reader: HistoryReader, settings: Settings, state: EngineState, since_ms: int, until_ms: int, only: Sequence[str]
) -> dict[str, Curve]:
    """Return the curves of these chambers over [since, until)."""
    border_ms = max(since_ms - _LEAD_MS, until_ms - RAW_FOR_MS)
    holds_ms = _holds_ms(settings, only)
    series = [name for name in reader.series() if name[0] in holds_ms]
    rows = reader.readings(border_ms, until_ms, series)
    first_raw_ms = min(int(rows.taken_ms[0]) if len(rows.taken_ms) else until_ms, until_ms)
    views = _seen_again(settings, state, rows, first_raw_ms, until_ms, only) if first_raw_ms < until_ms else {}
    old = quarters(reader, {name: holds_ms[name[0]] for name in series}, since_ms, first_raw_ms, border_ms)
    new = {name: _of_view(view) for name, view in views.items()}
    return {name: _joined(_old(settings, state, name, old), new.get(name), since_ms) for name in only}


def _holds_ms(settings: Settings, chambers: Sequence[str]) -> dict[str, int]:
    """Return how long the last word of each probe holds that tells of these chambers or of their rooms."""
    at_least_ms = {settings.chambers[name].room: ROOM_FRESH_MS for name in chambers} | dict.fromkeys(chambers, 0)
    probes = {name: probe for name, probe in settings.probes.items() if probe.place in at_least_ms}
    return {name: max(at_least_ms[probe.place], fresh_for_ms(probe.interval)) for name, probe in probes.items()}


def _seen_again(
    settings: Settings, state: EngineState, rows: Readings, since_ms: int, until_ms: int, only: Sequence[str]
) -> dict[str, View]:
    """Look at all the readings as one stretch, with today's corrections and beliefs and no memory of what was before."""
    scratch = EngineState(
        origin=state.origin,
        closed_ms=since_ms,
        probes={
            name: ProbeMemory(since_ms=since_ms, corrections=state.probes[name].corrections if name in state.probes else {})
            for name in settings.probes
        },
        places={name: _blank(state, name, since_ms) for name in (*settings.rooms, *settings.chambers)},
        keeper=replace(state.keeper, visits={}, out_of_service={}),
    )
    part = settings.model_copy(update={"chambers": {name: settings.chambers[name] for name in only}})
    columns = Rows(rows.series, rows.series_index, rows.taken_ms, rows.at_ms, rows.value)
    return perceive(part, scratch, Stretch(since_ms, until_ms, (), columns, ()), (), every_view=True).views


def _blank(state: EngineState, name: str, since_ms: int) -> PlaceMemory:
    known = state.places.get(name)
    return PlaceMemory(
        since_ms=since_ms, belief=known.belief if known else None, lid_print=known.lid_print if known else ""
    )


def _of_view(view: View) -> Curve:
    return Curve(
        at_ms=view.at_ms,
        credit_ms=np.minimum(np.diff(view.at_ms, prepend=view.at_ms[:1]), LONGEST_CREDIT_MS),
        temperature_c=view.temperature.value,
        temperature_least_c=view.temperature.least,
        temperature_most_c=view.temperature.most,
        humidity_pct=view.humidity.value,
        humidity_least_pct=view.humidity.least,
        humidity_most_pct=view.humidity.most,
        dew_point_c=view.dew_point,
        lid_c=view.lid,
        condensate_g_m2=view.condensate,
        room_c=view.room_temperature,
    )


# ---------------------------------------------------------------- what is older


def _old(settings: Settings, state: EngineState, name: str, old: Quarters) -> Curve | None:
    """Return a chamber's curve from quarter-hour means; None: there are none."""
    if not len(old.begin_ms):
        return None
    temperature = _of_place(settings, state, name, "air", "air_temperature", old)
    humidity = _of_place(settings, state, name, "air", "relative_humidity", old)
    room_c = _of_place(settings, state, settings.chambers[name].room or "", "air", "air_temperature", old)[1]
    lid_c = _of_place(settings, state, name, "lid", "surface_temperature", old)[1]
    known = state.places.get(name)
    if known is not None and known.belief is not None:
        estimate = room_c + known.belief.mean * (temperature[1] - room_c)
        lid_c = np.where(np.isnan(lid_c), estimate, lid_c)
    return Curve(
        at_ms=old.begin_ms + old.long_ms // 2,
        credit_ms=old.long_ms,
        temperature_c=temperature[1], temperature_least_c=temperature[0], temperature_most_c=temperature[2],
        humidity_pct=humidity[1], humidity_least_pct=humidity[0], humidity_most_pct=humidity[2],
        dew_point_c=vapour.dew_point_c_or_nan(temperature[1], humidity[1]),
        lid_c=lid_c, condensate_g_m2=np.full(len(old.begin_ms), np.nan), room_c=room_c,
    )  # fmt: skip


def _of_place(
    settings: Settings, state: EngineState, place: str, role: str, quantity: Quantity, old: Quarters
) -> tuple[Floats, Floats, Floats]:
    """Return least, mean and most over the probes of a place, corrected."""
    found = []
    for probe in settings.probes_at(place, role):
        column = old.of.get((probe, quantity))
        if column is None:
            continue
        known = state.probes.get(probe)
        correction = known.corrections.get(quantity) if known else None
        gain, offset = (correction.gain, correction.offset) if correction else (1.0, 0.0)
        values = column * gain + offset
        found.append(np.minimum(values, 100.0) if quantity == "relative_humidity" else values)
    if not found:
        nothing = np.full(len(old.begin_ms), np.nan)
        return nothing, nothing, nothing
    stacked = np.stack(found)
    known_rows = ~np.isnan(stacked)
    count = np.maximum(known_rows[:, 1].sum(axis=0), 1)
    mean = np.where(known_rows[:, 1].any(axis=0), np.nansum(stacked[:, 1], axis=0) / count, np.nan)
    return np.fmin.reduce(stacked[:, 0]), mean, np.fmax.reduce(stacked[:, 2])


def _joined(old: Curve | None, new: Curve | None, since_ms: int) -> Curve:
    parts = [part for part in (old, new) if part is not None]
    if not parts:
        nothing = np.empty(0)
        return Curve(np.empty(0, np.int64), np.empty(0, np.int64), *([nothing] * 10))
    names = list(Curve.__dataclass_fields__)
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    keep = columns["at_ms"] >= since_ms
    return Curve(**{name: column[keep] for name, column in columns.items()})
