"""It loses more moisture than it used to: the vapour of the last half hour is below all that the last three days knew.

A lid that is ajar, or opens slowly, lets the vapour go while ground and walls hold the humidity up: no step of 20 points within
minutes, but a dew point that the box has not had before at this temperature. Judged against the lowest tenth of its own whole
hours up to half a day before, less their swing; not where it cools, not where the room's air has become as much drier, and not
by hours before a setting was changed; and while it lasts, against what was usual before it began, for a leak must not become
what is usual: until it is back, or the keeper has looked and half a day has shown what is usual now. In foreign simulations of
1 to 60 litres three of four lids ajar by 1 to 5 mm fell so within two hours, and none that was shut in 160 days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import comes_back
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.memory import Loss
from rules.climate.view import View
from rules.terms.events import HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]

HALF_HOUR_MS = 30 * MINUTE_MS
REMEMBERED_HOURS = 72
KNOWN_HOURS = LATELY_HOURS = 12
"""So many hours are judged by, and as many are left out at the end where older ones are known and nobody has looked since: by
its own last hours no lid that opens over a day loses more than is usual. Own estimate."""
LEAST_FALL_K = 0.8
SHARE_OF_LIFT = 0.06
"""Of how far the dew point lies above the room's: what must be lost before it is called a loss. Own estimate, as above."""
OF_ROOM = 0.4
"""How much of a fall of the room's dew point a shut box follows. Own estimate."""
MOMENT_MS = 5 * MINUTE_MS
"""Vapour that is back now is not lost, though the mean of half an hour is still low. Own estimate."""
K_PER_PCT = 0.2
"""What a percent of humidity is of dew point at 26 degC and 75 %RH: what half a probe's step may hide. By the formula of
WMO-No. 8, annex 4.B; half a step is an own estimate."""
SPARSE_MS = HALF_HOUR_MS // 2
"""Readings further apart than this are no half hour's course."""
CHILLED_K = 2.0
"""So far below its band, and while it warms up from there, the air is drier than the ground for hours. Own estimate."""
SETTLES_MS = 2 * HOUR_MS
"""After work in the tank; common practice, no source. Vapour that will be back so soon was let out once, by a lid that is shut
again."""
DELAYS = Delays(20 * MINUTE_MS, 30 * MINUTE_MS, 20 * MINUTE_MS, 30 * MINUTE_MS)  # own estimate


def check(view: View) -> Iterator[Verdict]:
    """Moisture is lost beyond what this box has shown in the last days."""
    probes = [view.settings.probes[name] for name in view.settings.probes_at(view.place)]
    if view.chamber is None or view.chamber.role != "fungus" or all(probe.interval > SPARSE_MS for probe in probes):
        return
    dew, warmth = (figure.mean(view.at_ms, HALF_HOUR_MS, 0) for figure in (view.recent.dew_point, view.recent.temperature))
    now = np.array((dew, warmth, view.room_dew_point))
    if view.visiting:
        view.memory.visited_ms = int(view.at_ms[-1])
    low_c = view.chamber.temperature.low
    chilled = warmth < (-np.inf if low_c is None else low_c - CHILLED_K)
    explained = (view.at_ms < (view.memory.visited_ms or 0) + SETTLES_MS) | chilled
    usual = _usual(view)
    fallen_k, needed_k = _fallen(now, usual)
    if view.memory.loss is not None or ((fallen_k >= needed_k) & ~explained).any():
        usual = _usual_before_loss(view, now, usual, explained)
        fallen_k, needed_k = _fallen(now, usual)
    zone = np.where(fallen_k >= needed_k, OUTSIDE, np.where(fallen_k > 0.0, EDGE, CLEAR)).astype(np.int8)
    zone[explained & (zone == OUTSIDE)] = EDGE
    zone[np.isnan(dew)] = UNSEEN

    def facts(index: int) -> Facts:
        because, low = f"its dew point has been {dew[index]:.1f} degC for half an hour", usual[0, index]
        because += "" if np.isnan(low) else f"; in the days before it was hardly below {low:.1f} degC"
        return Facts(number(float(view.humidity.value[index])), None, "%RH", None, because)

    def returning() -> NDArray[np.bool_]:
        hidden_k = K_PER_PCT * view.finest_step("relative_humidity") / 2.0
        back = usual[0] - view.recent.dew_point.mean(view.at_ms, MOMENT_MS, 0) < needed_k + hidden_k
        rises = comes_back(view, view.recent.dew_point, fallen_k - needed_k, SETTLES_MS / HOUR_MS, SPARSE_MS)
        return np.asarray(back | rises)

    yield Verdict("moisture-lost", zone, view.credit_humidity_ms, DELAYS, facts, returning=returning)


def _fallen(now: Floats, usual: Floats) -> tuple[Floats, Floats]:
    """Return how far the dew point lies under what is usual, K, and how far it must to be more than warmth and room explain."""
    (dew, warmth, room_dew), (low, warm, room_was) = now, usual
    fallen_k = low - dew
    lift_k = np.where(np.isnan(room_dew), 0.0, low - room_dew)
    room_fell_k = np.nan_to_num(np.maximum(room_was - room_dew, 0.0), nan=1.0)
    # At the same humidity the dew point falls as the air does.
    cooler_k = np.nan_to_num(np.maximum(warm - warmth, 0.0), nan=0.0)
    needed_k = np.maximum(LEAST_FALL_K, SHARE_OF_LIFT * lift_k) + OF_ROOM * room_fell_k + cooler_k
    return fallen_k, needed_k


def _usual_before_loss(view: View, now: Floats, usual: Floats, explained: NDArray[np.bool_]) -> Floats:
    """Return what was usual, from where a loss begins to where it is over as it was before that."""
    usual, loss, first = usual.copy(), view.memory.loss, 0
    while first < len(view.at_ms):
        if loss is None:
            fallen_k, needed_k = _fallen(now[:, first:], usual[:, first:])
            begins = np.flatnonzero((fallen_k >= needed_k) & ~explained[first:])
            if not len(begins):
                break
            first += int(begins[0])
            low, warm, room = usual[:, first].tolist()
            loss = Loss(int(view.at_ms[first]), low, warm, None if room != room else room)
        before = np.array((loss.low_c, loss.warm_c, np.nan if loss.room_dew_c is None else loss.room_dew_c))[:, None]
        fallen_k, needed_k = _fallen(now[:, first:], before)
        lost = (fallen_k >= needed_k) | np.isnan(fallen_k)
        loss, lasts = _followed(view, loss, view.at_ms[first:], fallen_k <= 0.0, lost)
        usual[:, first : first + lasts] = before
        first += lasts
    view.memory.loss = loss
    return usual


def _followed(
    view: View, loss: Loss, at_ms: NDArray[np.int64], back: NDArray[np.bool_], lost: NDArray[np.bool_]
) -> tuple[Loss | None, int]:
    """Return the loss after these instants, None if it is over, and for how many of them it lasts."""
    runs = np.where(back, -1, np.arange(len(back)))
    begun = at_ms[np.minimum(np.maximum.accumulate(runs) + 1, len(back) - 1)]
    if loss.back_ms is not None:
        begun = np.where(np.logical_and.accumulate(back), loss.back_ms, begun)
    over = back & (at_ms - begun >= DELAYS.off_ms)
    over |= ~lost & (at_ms < loss.since_ms + DELAYS.on_ms)  # no alarm was raised yet: it was a puff
    if view.lid_looked_ms is not None and view.lid_looked_ms >= loss.since_ms:
        over |= at_ms >= view.lid_looked_ms + KNOWN_HOURS * HOUR_MS
    if over.any():
        return None, int(np.argmax(over))
    return replace(loss, back_ms=int(begun[-1]) if back[-1] else None), len(at_ms)


def _usual(view: View) -> Floats:
    """Return for each instant how low dew point and temperature were in the hours before, and the room's mean dew point."""
    numbers, back = view.hours_met, view.hour_place
    begin, end = int(numbers[0]) - REMEMBERED_HOURS, int(numbers[-1])
    dew = hours_between(hours_with(view, "dew_point_c", view.dew_point), begin, end)
    if dew.known < KNOWN_HOURS:
        return np.full((3, len(view.at_ms)), np.nan)
    heat = hours_between(hours_with(view, "temperature_c", view.temperature.value), begin, end)
    room = hours_between(hours_with(view, "room_dew_point_c", view.room_dew_point), begin, end)
    figures = np.array((dew.mean, dew.highest - dew.lowest, heat.mean, room.mean))
    figures[2, np.isnan(dew.mean)] = np.nan
    if view.changed_ms is not None:
        figures[:, : max(0, view.changed_ms // HOUR_MS + 1 - begin)] = np.nan
    # For each hour the figures of the hours before it in ascending order, what is not known last.
    rows = figures[:, (numbers - numbers[0])[:, None] + np.arange(REMEMBERED_HOURS)]
    older = np.count_nonzero(~np.isnan(rows[0, :, :-LATELY_HOURS]), axis=1) >= KNOWN_HOURS
    older &= numbers - (view.lid_looked_ms or 0) // HOUR_MS >= KNOWN_HOURS + LATELY_HOURS
    rows[:, older, -LATELY_HOURS:] = np.nan
    rows = np.sort(rows, axis=2)
    means, swings, warmth, rooms = rows
    count = np.count_nonzero(~np.isnan(rows), axis=2)
    low = _quantile(means, count[0], 0.1) - _quantile(swings, count[1], 0.5) / 2.0
    room_was = np.nansum(rooms, axis=1) / np.where(count[3], count[3], np.nan)
    return np.where(count[0] >= KNOWN_HOURS, (low, _quantile(warmth, count[2], 0.1), room_was), np.nan)[:, back]


def _quantile(rows: Floats, known: NDArray[np.int64], share: float) -> Floats:
    """Return the quantile of what is known in each ascending row, interpolated; NaN: nothing is known."""
    place = share * np.maximum(known - 1, 0)
    below, each = place.astype(np.int64), np.arange(len(rows))
    lower, upper = rows[each, below], rows[each, np.ceil(place).astype(np.int64)]
    return lower + (place - below) * (upper - lower)
