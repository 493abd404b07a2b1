"""It loses more moisture than it used to: the vapour of the last half hour is less than its warmth and its room explain.

A lid that is ajar, or opens slowly, lets the vapour go while ground and walls hold the humidity up: no step of 20 points within
minutes, but a dew point that falls though the box gets no cooler. Its ground gives the vapour, and is as warm as the air was in
the last hours: air that warms up first is no leak. Held against two hours before, beyond all such falls that its own whole
hours knew; and, for a lid that opens over a day, against the mean of its hours up to half a day ago, far beyond the worst of
them. Not where the room's air has become as much drier or was let out, and not by hours before a setting was changed; and while
it lasts, against what was usual before it began, for a leak must not become what is usual: until it is back, or the keeper has
looked and half a day has shown what is usual now. Readings that are far apart must say it twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import comes_back
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hours import hours_between, hours_with
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.memory import Loss
from rules.climate.view import K_PER_PCT, View
from rules.terms.events import HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]

HALF_HOUR_MS = 30 * MINUTE_MS
REMEMBERED_HOURS = 72
KNOWN_HOURS = LATELY_HOURS = 12
"""So many hours are judged by; and so many are left out at the end for a lid that opens slowly, where older ones are known and
nobody has looked since: by its own last hours no lid that opens over a day loses more than is usual. Own estimate."""
JUST_NOW_HOURS, GROUND_HOURS = 2, 3
"""In so many hours the lid may have been opened; and the ground is no warmer than the air was in so many. Own estimate."""
BEYOND_FALL, BEYOND_LEVEL = 1.9, 2.1
"""So many times the greatest fall, and the worst hour, of its own hours; as many more times as a day has hours that are not
known yet. Own estimate: in foreign simulations no box whose room nobody aired fell so far in 1,230 calm days."""
LEAST_FALL_K, LEAST_LEVEL_K = 0.25, 0.35
"""What they are taken to be at least; a box that dries up looks like a lid that opens slowly. Own estimate."""
WHOLE_DAY_HOURS = 24
"""Its evening and its morning. By definition."""
AIRED_K = 2.0
"""So much colder than in the hours before becomes a room only whose window is opened. Own estimate."""
OF_ROOM = 0.4
"""How much of a fall of the room's dew point a shut box follows. Own estimate."""
MOMENT_MS = 5 * MINUTE_MS
"""Vapour that is back now is not lost, though the mean of half an hour is still low. Own estimate."""
RISES_OVER_MS = HALF_HOUR_MS // 2  # own estimate
CHILLED_K = 2.0
"""So far below its band, and while it warms up from there, the air is drier than the ground for hours. Own estimate."""
SETTLES_MS = 2 * HOUR_MS
"""After work in the tank; common practice, no source. Vapour that will be back so soon was let out once, by a lid that is shut
again."""
ON_MS, OFF_MS = 20 * MINUTE_MS, 30 * MINUTE_MS  # own estimate


def check(view: View) -> Iterator[Verdict]:
    """Moisture is lost beyond what this box has shown in the last days."""
    if view.chamber is None or view.chamber.role != "fungus":
        return
    over_ms = HALF_HOUR_MS if view.interval_ms <= HALF_HOUR_MS else MOMENT_MS
    dew, warmth = (figure.mean(view.at_ms, over_ms, 0) for figure in (view.recent.dew_point, view.recent.temperature))
    if view.visiting:
        view.memory.visited_ms = int(view.at_ms[-1])
    low_c = view.chamber.temperature.low
    chilled = warmth < (-np.inf if low_c is None else low_c - CHILLED_K)
    explained = (view.at_ms < (view.memory.visited_ms or 0) + SETTLES_MS) | chilled
    explained |= view.room_temperature < _room_lately_c(view) - AIRED_K
    two_kinds, ground_c = _usual(view)
    now = np.array((dew, np.fmin(warmth, ground_c), view.room_dew_point))
    usual = _farther(now, two_kinds)
    hidden_k = K_PER_PCT * view.finest_step("relative_humidity") / 2.0
    usual[-1] += hidden_k
    fallen_k, needed_k = _fallen(now, usual)
    delays = Delays(max(ON_MS, view.two_readings_ms), OFF_MS, max(ON_MS, view.two_readings_ms), OFF_MS)
    if view.memory.loss is not None or ((fallen_k >= needed_k) & ~explained).any():
        usual = _usual_before_loss(view, now, usual, explained, delays)
        fallen_k, needed_k = _fallen(now, usual)
    zone = np.where(fallen_k >= needed_k, OUTSIDE, np.where(fallen_k > needed_k / 2.0, EDGE, CLEAR)).astype(np.int8)
    zone[explained & (zone == OUTSIDE)] = EDGE
    zone[np.isnan(dew)] = UNSEEN

    def facts(index: int) -> Facts:
        because, shut_c = f"its dew point has been {dew[index]:.1f} degC for half an hour", dew[index] + fallen_k[index]
        because += "" if np.isnan(shut_c) else f"; as warm as this, it was about {shut_c:.1f} degC in the days before"
        return Facts(number(float(view.humidity.value[index])), None, "%RH", None, because)

    def returning() -> NDArray[np.bool_]:
        back = dew + fallen_k - view.recent.dew_point.mean(view.at_ms, MOMENT_MS, 0) < needed_k + hidden_k
        rises = comes_back(view, view.recent.dew_point, fallen_k - needed_k, SETTLES_MS / HOUR_MS, RISES_OVER_MS)
        return np.asarray(back | rises)

    yield Verdict("moisture-lost", zone, view.credit_humidity_ms, delays, facts, returning=returning)


def _fallen(now: Floats, usual: Floats) -> tuple[Floats, Floats]:
    """Return how far the dew point lies under what is usual, K, and how far it must for its own hours not to explain it."""
    (dew, warmth, room_dew), (dew_was, warm, room_was, beyond_k) = now, usual
    # At the same humidity the dew point falls as the air does.
    fallen_k = dew_was - np.maximum(warm - warmth, 0.0) - dew
    return fallen_k, beyond_k + OF_ROOM * np.nan_to_num(np.maximum(room_was - room_dew, 0.0))


def _farther(now: Floats, usual: tuple[Floats, Floats]) -> Floats:
    """Return of two kinds of what was usual the one beyond which it has fallen farther."""
    first, second = (np.subtract(*_fallen(now, one)) for one in usual)
    return np.where((second > first) | np.isnan(first), usual[1], usual[0])


def _usual_before_loss(
    view: View, now: Floats, usual: Floats, explained: NDArray[np.bool_], delays: Delays
) -> Floats:  # fmt: skip
    """Return what was usual, from where a loss begins to where it is over as it was before that."""
    usual, loss, first = usual.copy(), view.memory.loss, 0
    while first < len(view.at_ms):
        if loss is None:
            fallen_k, needed_k = _fallen(now[:, first:], usual[:, first:])
            begins = np.flatnonzero((fallen_k >= needed_k) & ~explained[first:])
            if not len(begins):
                break
            first += int(begins[0])
            low, warm, room, beyond_k = usual[:, first].tolist()
            loss = Loss(int(view.at_ms[first]), low, warm, None if room != room else room, beyond_k=beyond_k)
        room_was = np.nan if loss.room_dew_c is None else loss.room_dew_c
        before = np.array((loss.low_c, loss.warm_c, room_was, loss.beyond_k))[:, None]
        fallen_k, needed_k = _fallen(now[:, first:], before)
        lost = (fallen_k >= needed_k) | np.isnan(fallen_k)
        loss, lasts = _followed(view, loss, view.at_ms[first:], fallen_k <= needed_k / 2.0, lost, delays)
        usual[:, first : first + lasts] = before
        first += lasts
    view.memory.loss = loss
    return usual


def _followed(
    view: View, loss: Loss, at_ms: NDArray[np.int64], back: NDArray[np.bool_], lost: NDArray[np.bool_], delays: Delays
) -> tuple[Loss | None, int]:
    """Return the loss after these instants, None if it is over, and for how many of them it lasts."""
    runs = np.where(back, -1, np.arange(len(back)))
    begun = at_ms[np.minimum(np.maximum.accumulate(runs) + 1, len(back) - 1)]
    if loss.back_ms is not None:
        begun = np.where(np.logical_and.accumulate(back), loss.back_ms, begun)
    over = back & (at_ms - begun >= delays.off_ms)
    over |= ~lost & (at_ms < loss.since_ms + delays.on_ms)  # no alarm was raised yet: it was a puff
    if view.lid_looked_ms is not None and view.lid_looked_ms >= loss.since_ms:
        over |= at_ms >= view.lid_looked_ms + KNOWN_HOURS * HOUR_MS
    if over.any():
        return None, int(np.argmax(over))
    return replace(loss, back_ms=int(begun[-1]) if back[-1] else None), len(at_ms)


def _usual(view: View) -> tuple[tuple[Floats, Floats], Floats]:
    """Return for each instant what was usual two hours before and up to half a day before: dew point, temperature, the room's
    dew point and how far to fall is more than usual; and how warm the air was in the last hours."""
    numbers, back = view.hours_met, view.hour_place
    begin, end = int(numbers[0]) - REMEMBERED_HOURS, int(numbers[-1])
    dew = hours_between(hours_with(view, "dew_point_c", view.dew_point), begin, end)
    heat = hours_between(hours_with(view, "temperature_c", view.temperature.value), begin, end)
    room = hours_between(hours_with(view, "room_dew_point_c", view.room_dew_point), begin, end)
    figures = np.array((dew.mean, heat.mean, room.mean))
    figures[:, np.isnan(dew.mean) | np.isnan(heat.mean)] = np.nan
    before_change = 0 if view.changed_ms is None else max(0, view.changed_ms // HOUR_MS + 1 - begin)
    slow = numbers - (view.lid_looked_ms or 0) // HOUR_MS >= KNOWN_HOURS + LATELY_HOURS
    if len(numbers) == 1:
        kinds, ground_c = _of_one_hour(figures.tobytes(), before_change, bool(slow[0]))
    else:
        kinds, ground_c = _of_hours(figures, numbers - numbers[0], before_change, slow)
    return (kinds[0][:, back], kinds[1][:, back]), ground_c[back]


@lru_cache(maxsize=512)
def _of_one_hour(figures: bytes, before_change: int, slow: bool) -> tuple[tuple[Floats, Floats], Floats]:
    """Return what `_of_hours` says of one hour, in which each live reading asks it of the same hours before."""
    before = np.frombuffer(figures).reshape(-1, REMEMBERED_HOURS).copy()
    return _of_hours(before, np.zeros(1, np.int64), before_change, np.array([slow]))


def _of_hours(
    figures: Floats, hours: NDArray[np.int64], before_change: int, slow: NDArray[np.bool_]
) -> tuple[tuple[Floats, Floats], Floats]:
    """Return the same for each hour, counted from the first, by the means of the hours from three days before that on."""
    # For each hour the hours before it, the oldest first.
    each = hours[:, None] + np.arange(REMEMBERED_HOURS)
    ground_c = _mean(figures[1, each][:, -GROUND_HOURS:])
    figures[:, :before_change] = np.nan
    before = figures[:, each]
    known = np.count_nonzero(~np.isnan(before[0]), axis=1)
    young = np.maximum(1.0, WHOLE_DAY_HOURS / np.maximum(known, 1))
    older = _without(before, np.where(slow, LATELY_HOURS, JUST_NOW_HOURS))
    worst_k = _mean(older[0] - older[1]) - np.fmin.reduce(older[0] - older[1], axis=1)
    level = (*_mean(older), BEYOND_LEVEL * young * np.hypot(worst_k, LEAST_LEVEL_K))
    falls = _without(_falls_k(figures)[each], np.full(len(hours), JUST_NOW_HOURS))
    most_k = np.maximum(np.fmax.reduce(falls, axis=1), 0.0)
    last = before[:, :, -GROUND_HOURS:]
    lately = (*last[:, :, :-1].mean(axis=-1), BEYOND_FALL * young * np.hypot(most_k, LEAST_FALL_K))
    enough, whole = known >= KNOWN_HOURS, ~np.isnan(last[0]).any(axis=1)
    return (np.where(enough & whole, lately, np.nan), np.where(enough, level, np.nan)), ground_c


def _falls_k(figures: Floats) -> Floats:
    """Return how far the dew point of each hour lay under that of two hours before, beyond what warmth and room explain; NaN
    where they are not known."""
    falls_k = np.full(figures.shape[1], np.nan)
    three = np.lib.stride_tricks.sliding_window_view(figures, GROUND_HOURS, axis=1)[:, :-1]
    dew, warmth, room = figures[:, GROUND_HOURS:]
    was = np.array((*three[:, :, :-1].mean(axis=-1), np.zeros(len(dew))))
    falls_k[GROUND_HOURS:] = np.subtract(*_fallen(np.array((dew, np.fmin(warmth, _mean(three[1])), room)), was))
    return falls_k


def _without(rows: Floats, last: NDArray[np.int64]) -> Floats:
    """Return rows of hours without so many of their last ones, where enough older ones are known."""
    left_out = np.arange(REMEMBERED_HOURS) >= REMEMBERED_HOURS - last[:, None]
    one = rows if rows.ndim == 2 else rows[0]
    enough = np.count_nonzero(~np.isnan(one) & ~left_out, axis=1) >= KNOWN_HOURS
    return np.where(left_out & enough[:, None], np.nan, rows)


def _room_lately_c(view: View) -> Floats:
    """Return how warm the room was in the last whole hours; NaN: not known."""
    first = int(view.hours_met[0]) - GROUND_HOURS
    means = hours_between(view.room_hours, first, int(view.hours_met[-1])).mean
    each = (view.hours_met - view.hours_met[0])[:, None] + np.arange(GROUND_HOURS)
    return _mean(means[each])[view.hour_place]


def _mean(rows: Floats) -> Floats:
    """Return the mean of what is known in each row; NaN: nothing is."""
    count = np.count_nonzero(~np.isnan(rows), axis=-1)
    return np.asarray(np.nansum(rows, axis=-1) / np.where(count, count, np.nan))
