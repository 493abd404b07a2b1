"""What is kept of a plan as it was told, so that what comes of it can be held against it."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

from rules.advice.devices import Move
from rules.advice.search import Forecast
from rules.advice.state import ToldForecast, ToldMove
from rules.advice.text import own_moves
from rules.climate.situation import Situation
from rules.terms.events import HOUR_MS
from rules.trade.acts import ACTS


def told_move(move: Move) -> ToldMove:
    """Return a change as it is told."""
    device = ACTS[move.act].device
    return ToldMove(move.act, move.knob, device, move.delta, move.amount, move.unit, move.value)


def told_forecast(row: Forecast, at_ms: int) -> ToldForecast:
    """Return a forecast as it is told, with the instant that it is for."""
    due_ms = at_ms + round(row.after_h * HOUR_MS)
    return ToldForecast(
        due_ms, row.temperature_c, row.temperature_u_k, row.humidity_pct, row.humidity_u_pct, row.margin_k, row.margin_u_k
    )


def told_without(row: Forecast, now: Situation) -> ToldForecast:
    """Return what would come if nothing were done, as uncertain as the chamber's own moves make it, and in which room."""
    own_k, own_pct, own_margin_k = own_moves(now, row.after_h, usual=True)
    told = told_forecast(
        replace(
            row, temperature_u_k=hypot(row.temperature_u_k, own_k), humidity_u_pct=hypot(row.humidity_u_pct, own_pct),
            margin_u_k=hypot(row.margin_u_k, own_margin_k),
        ), now.at_ms,
    )  # fmt: skip
    ahead, room_c = now.room_ahead, now.room_temperature_c
    return told if room_c is None else replace(told, room_c=room_c + (0.0 if ahead is None else ahead.after(row.after_h)))
