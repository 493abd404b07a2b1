"""The room's next day as the model's draws take it: its course, and what a box that only follows it takes of its extremes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.advice.model import COOLING, NORMAL, Array
from rules.climate.room_ahead import RoomAhead

COURSE_H = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0, 9.0, 12.0, 18.0, 24.0)
"""Instants of a predicted course, hours from now; the last one stands for 'at rest' beside the closed form. Bookkeeping."""


@dataclass(frozen=True, slots=True)
class RoomDay:
    """How the room goes on, K over what it is now, by draws; nothing where its days are not known."""

    course_k: Array
    """At the instants of `COURSE_H`; shape (instants, 1, draws)."""
    lowest_k: Array
    """The lowest of the day as it reaches the air of a box that follows it with its own lag, and the highest."""
    highest_k: Array


def room_day(ahead: RoomAhead | None, draws: Array) -> RoomDay:
    """Return the room's next day by draws, by exact steps of an hour."""
    if ahead is None:
        return RoomDay(np.zeros((len(COURSE_H), 1, 1)), np.zeros(1), np.zeros(1))
    hourly = np.array(ahead.change_k)[:, None] + np.array(ahead.u_k)[:, None] * NORMAL[:, 9]
    follows, kept = np.zeros_like(hourly), np.exp(-draws[:, COOLING])
    for hour in range(1, len(hourly)):
        room = (hourly[hour - 1] + hourly[hour]) / 2.0
        follows[hour] = room + (follows[hour - 1] - room) * kept
    before, share = np.divmod(np.array(COURSE_H), 1.0)
    first = before.astype(int)
    then = np.minimum(first + 1, len(hourly) - 1)
    course = hourly[first] + (hourly[then] - hourly[first]) * share[:, None]
    return RoomDay(course[:, None, :], follows.min(axis=0), follows.max(axis=0))
