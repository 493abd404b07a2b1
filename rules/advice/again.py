"""Whether a search would find what the last one found: nothing that decides has changed by more than what is known of it.

Most looks at a lasting trouble are such. A search is made anew after three hours all the same: what waits on time alone, such
as a check that may be asked for again, needs no closer watch.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.advice.cause import Cause
from rules.advice.standing import Standing
from rules.advice.state import AdviceState, Searched
from rules.climate.situation import Situation
from rules.terms.events import HOUR_MS

ANEW_MS = 3 * HOUR_MS
LEAST_K, LEAST_PCT = 0.1, 0.5
"""A change below this moves no advice, however good the probe; own judgement."""
ROOM_K, ROOM_PCT, SLOPE_K_H = 0.5, 3.0, 0.5
"""So well a room and a slope need to be known; own judgement."""


def searched_at(state: AdviceState, situation: Situation, cause: Cause, standing: Mapping[str, Standing]) -> Searched:
    """Return what decides over a search at this instant, with how much each figure may move."""
    now, s = state.open, situation
    waiting = (knob for knob, from_ms in state.judge_from_ms.items() if from_ms > s.at_ms)
    stands = (f"{key} {row.condition} {row.priority}" for key, row in standing.items())
    figures = (
        (s.temperature_c, max(s.u_temperature_k or 0.0, LEAST_K)),
        (s.relative_humidity_pct, max(s.u_relative_humidity_pct or 0.0, LEAST_PCT)),
        (s.dew_margin_k, max(s.u_dew_margin_k or 0.0, LEAST_K)),
        (s.room_temperature_c, ROOM_K), (s.room_relative_humidity_pct, ROOM_PCT), (s.temperature_slope_k_h, SLOPE_K_H),
    )  # fmt: skip
    return Searched(
        at_ms=s.at_ms,
        told="" if now is None else f"{now.name} {now.done_ms}",
        cause=f"{cause.cell.number} {cause.case} {cause.lid_wet} {cause.setpoint_c} {cause.thermostat}",
        holds=[*sorted(cause.facts), *sorted(waiting), *sorted(stands), f"{len(s.changes)} changes, garden {s.garden_ml} ml"],
        figures=[value for value, _ in figures],
        moves=[move for _, move in figures],
    )


def is_again(before: Searched | None, now: Searched) -> bool:
    """Return whether the last search answers this one too."""
    if before is None or now.at_ms - before.at_ms >= ANEW_MS:
        return False
    if (before.told, before.cause, before.holds) != (now.told, now.cause, now.holds):
        return False
    return all(
        was == value or (was is not None and value is not None and abs(value - was) <= move)
        for was, value, move in zip(before.figures, now.figures, before.moves, strict=True)
    )
