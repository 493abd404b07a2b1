"""It loses more moisture than it used to: the vapour of the last half hour is less than its warmth and its room explain.

A lid that is ajar, or opens slowly, lets the vapour go while ground and walls hold the humidity up: no step of 20 points within
minutes, but a dew point that falls though box and room are as they were. What the dew point follows is learned from the box's
own whole hours (`_fitted`): its ground, which is as warm as the air was in the last hours, and the dew point and warmth of its
room; so a swing that goes with them is no loss, and one of a kind that its hours have not shown yet is doubted as far as it
goes. What the hours leave unexplained is what comes by itself. Held against two hours before, beyond all such falls; and, for a
lid that opens over a day, against its hours up to half a day ago, far beyond the worst of them. Not where the room's air was
let out, and not by hours before a setting was changed; and while it lasts, against what was usual before it began, for a leak
must not become what is usual: until it is back, or the keeper has looked and half a day has shown what is usual now. Readings
that are far apart must say it twice.
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
BEYOND = 2.0
"""So many times the greatest fall, or the worst hour, of its own hours; as many more times as a day has hours that are not
known yet. Own estimate: in foreign simulations 1.6 was the most of 360 calm days, but for rooms aired unseen."""
LEAST_FALL_K, LEAST_LEVEL_K, LEAST_UNSEEN_K = 0.25, 0.35, 0.7
"""What these are taken to be at least: a box that dries up looks like a lid that opens slowly, as does one whose room nobody
measures. Own estimate."""
FOLLOWS, FOLLOWS_U = np.array((0.5, 0.2, 0.1)), np.array((0.5, 0.25, 0.2))
"""How far the dew point of a shut box follows its ground, its room's dew point and its room's warmth, K/K, before its own hours
tell, and how sure that is: the ground's vapour goes with it, the more the less is aired. Own estimate."""
HOUR_U_K = 0.6
"""How far the mean of an hour strays by itself, with what hours that follow each other have in common. Own estimate."""
HALF_HOUR_OF_SWING = 0.5
"""So much of its swing within an hour the mean of half an hour may lie low, which whole hours do not show. Own estimate."""
SURELY = 1.64
"""So many standard uncertainties: in 19 of 20 cases it follows no further. By definition."""
WHOLE_DAY_HOURS = 24
"""Its evening and its morning. By definition."""
AIRED_K = 2.0
"""So much colder, or drier by its dew point, than hours before becomes a room only whose window is opened. Own estimate."""
MOMENT_MS = 5 * MINUTE_MS
"""Vapour that is back now is not lost, though the mean of half an hour is still low. Own estimate."""
RISES_OVER_MS = HALF_HOUR_MS // 2  # own estimate
CHILLED_K = 2.0
"""So far below its band, and while it warms up from there, the air is drier than the ground for hours. Own estimate."""
SETTLES_MS = 2 * HOUR_MS
"""After work in the tank; common practice, no source. Vapour that will be back so soon was let out once, by a lid that is shut
again."""
ON_MS, OFF_MS = 20 * MINUTE_MS, 30 * MINUTE_MS  # own estimate
UNSEEN_ON_MS = HOUR_MS
"""Where nobody measures the room, what an aired room does to the box must first have passed. Own estimate."""


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
    room_dew_lately, room_lately = _room_lately_c(view)
    explained |= (view.room_temperature < room_lately - AIRED_K) | (view.room_dew_point < room_dew_lately - AIRED_K)
    two_kinds, ground_c = _usual(view)
    now = np.array((dew, np.fmin(warmth, ground_c), view.room_dew_point, view.room_temperature))
    usual = _farther(now, two_kinds)
    hidden_k = K_PER_PCT * view.finest_step("relative_humidity") / 2.0
    usual[-1] += hidden_k
    fallen_k, needed_k = _fallen(now, usual)
    on_ms = ON_MS if view.settings.probes_at(view.chamber.room or "") else UNSEEN_ON_MS
    delays = Delays(max(on_ms, view.two_readings_ms), OFF_MS, max(on_ms, view.two_readings_ms), OFF_MS)
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
    apart = np.nan_to_num(now[1:] - usual[1:4])
    fallen_k = usual[0] + (usual[4:7] * apart).sum(axis=0) - now[0]
    return fallen_k, np.sqrt(usual[-1] ** 2 + ((SURELY * usual[7:10] * apart) ** 2).sum(axis=0))


def _farther(now: Floats, usual: tuple[Floats, Floats]) -> Floats:
    """Return of two kinds of what was usual the one beyond which it has fallen farther."""
    first, second = (np.subtract(*_fallen(now, one)) for one in usual)
    return np.where((second > first) | np.isnan(first), usual[1], usual[0])


def _usual_before_loss(
    view: View, now: Floats, usual: Floats, explained: NDArray[np.bool_], delays: Delays
) -> Floats:  # fmt: skip
    """Return what was usual, from where a loss begins to where it is over as it was before that."""
    usual, loss, first = usual.copy(), view.memory.loss, 0
    loss = loss if loss is not None and loss.usual else None  # of an earlier version
    while first < len(view.at_ms):
        if loss is None:
            fallen_k, needed_k = _fallen(now[:, first:], usual[:, first:])
            begins = np.flatnonzero((fallen_k >= needed_k) & ~explained[first:])
            if not len(begins):
                break
            first += int(begins[0])
            loss = Loss(int(view.at_ms[first]), usual=np.nan_to_num(usual[:, first]).tolist())
        before = np.array(loss.usual)[:, None]
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
    """Return for each instant what was usual two hours before and up to half a day before: dew point and what it follows, how
    far and how surely (`_fitted`), and how far to fall is more than usual; and how warm the air was in the last hours."""
    numbers, back = view.hours_met, view.hour_place
    begin, end = int(numbers[0]) - REMEMBERED_HOURS, int(numbers[-1])
    dew_hours = hours_between(hours_with(view, "dew_point_c", view.dew_point), begin, end)
    dew = dew_hours.mean
    heat = hours_between(hours_with(view, "temperature_c", view.temperature.value), begin, end).mean
    room_dew = hours_between(hours_with(view, "room_dew_point_c", view.room_dew_point), begin, end).mean
    ground = np.full(len(heat), np.nan)
    ground[GROUND_HOURS - 1 :] = np.lib.stride_tricks.sliding_window_view(heat, GROUND_HOURS).min(axis=1)
    figures = np.array((dew, ground, room_dew, hours_between(view.room_hours, begin, end).mean))
    figures[:, np.isnan(dew) | np.isnan(ground)] = np.nan
    within_k = dew - dew_hours.lowest
    if view.changed_ms is not None:
        figures[:, : max(0, view.changed_ms // HOUR_MS + 1 - begin)] = np.nan
    slow = numbers - (view.lid_looked_ms or 0) // HOUR_MS >= KNOWN_HOURS + LATELY_HOURS
    rows = np.array((*figures, heat, within_k))
    if len(numbers) == 1:  # each live reading of an hour asks the same of the hours before it
        lately, level, ground_c = _of_one_hour(rows.tobytes(), bool(slow[0]))
    else:
        lately, level, ground_c = _of_hours(rows, numbers - numbers[0], slow)
    return (lately[:, back], level[:, back]), ground_c[back]


@lru_cache(maxsize=512)
def _of_one_hour(rows: bytes, slow: bool) -> tuple[Floats, Floats, Floats]:
    """Return what `_of_hours` says of one hour."""
    return _of_hours(np.frombuffer(rows).reshape(-1, REMEMBERED_HOURS), np.zeros(1, np.int64), np.array([slow]))


def _of_hours(rows: Floats, hours: NDArray[np.int64], slow: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Return the same for each hour, counted from the first; `rows`: by hours from three days before that on what the dew point
    is and follows, the warmth of the air, and how far the dew point fell within each hour."""
    figures, heat, within = rows[:4], rows[4], rows[5]
    # For each hour the hours before it, the oldest first.
    each = hours[:, None] + np.arange(REMEMBERED_HOURS)
    ground_c = np.fmin.reduce(heat[each][:, 1 - GROUND_HOURS :], axis=1)
    before = figures[:, each]
    newer = _without(before, np.full(len(hours), JUST_NOW_HOURS))
    lately = _fitted(newer)
    left_k = _left_k(before, lately)
    falls_k = np.minimum(left_k[:, :-3], left_k[:, 1:-2]) - left_k[:, 3:]
    most_k = np.maximum(np.fmax.reduce(np.where(np.isnan(newer[0, :, 3:]), np.nan, falls_k), axis=1), 0.0)
    # From the lower of two hours, so what only goes back after a puff of steam has not fallen.
    hour = np.arange(len(hours)), np.argmin(left_k[:, -GROUND_HOURS:-1], axis=1) - GROUND_HOURS
    lower = before[(slice(None), *hour)]
    lower[1] = heat[each][hour]  # its air may have been warmer than its ground, and gave its dew point
    lately[:4] = np.where(np.isnan(lower) & ~np.isnan(lower[0]), lately[:4], lower)
    older = _without(before, np.where(slow, LATELY_HOURS, JUST_NOW_HOURS))
    level = _fitted(older)
    worst_k = -np.fmin.reduce(_left_k(older, level), axis=1)
    within_k = HALF_HOUR_OF_SWING * _mean(within[each])
    lately = np.array((*lately, _beyond_k(newer, np.hypot(most_k, within_k), LEAST_FALL_K)))
    level = np.array((*level, _beyond_k(older, np.hypot(worst_k, within_k), LEAST_LEVEL_K)))
    return lately, level, ground_c


def _beyond_k(rows: Floats, own_k: Floats, least_k: float) -> Floats:
    """Return how far it may fall by itself, by how far its own hours did and how many they are; NaN where they are too few."""
    known = np.count_nonzero(~np.isnan(rows[0]), axis=1)
    young = np.where(known < KNOWN_HOURS, np.nan, np.maximum(1.0, WHOLE_DAY_HOURS / np.maximum(known, 1)))
    return np.asarray(BEYOND * young * np.hypot(own_k, np.where(np.isnan(rows[2]).all(axis=1), LEAST_UNSEEN_K, least_k)))


def _fitted(rows: Floats) -> Floats:
    """Return for each row of hours the mean dew point and the mean of the three that it follows, how far it follows each, K/K,
    and the standard uncertainty of that: linear regression about what such boxes do (Bayes; Gelman et al., Bayesian Data
    Analysis, 14; from memory)."""
    means = _mean(rows)
    dew, *given = np.nan_to_num(rows - means[..., None])
    three = np.array(given)
    doubt = np.linalg.inv(np.einsum("ink,jnk->nij", three, three) / HOUR_U_K**2 + np.diag(FOLLOWS_U**-2.0))
    shared = np.einsum("ink,nk->ni", three, dew) / HOUR_U_K**2 + FOLLOWS * FOLLOWS_U**-2.0
    follows = np.clip(np.einsum("nij,nj->in", doubt, shared), 0.0, 1.0)  # never the other way, nor beyond
    known = ~np.isnan(means[1:])
    return np.concatenate((means, known * follows, known * np.sqrt(np.diagonal(doubt, axis1=1, axis2=2)).T))


def _left_k(rows: Floats, fit: Floats) -> Floats:
    """Return how far the dew point of each hour lay above what it follows; NaN where it is not known."""
    return np.asarray(-_fallen(rows, np.array((*fit, fit[0]))[..., None])[0])


def _without(rows: Floats, last: NDArray[np.int64]) -> Floats:
    """Return rows of hours without so many of their last ones, where enough older ones are known."""
    left_out = np.arange(REMEMBERED_HOURS) >= REMEMBERED_HOURS - last[:, None]
    enough = np.count_nonzero(~np.isnan(rows[0]) & ~left_out, axis=1) >= KNOWN_HOURS
    return np.where(left_out & enough[:, None], np.nan, rows)


def _room_lately_c(view: View) -> Floats:
    """Return dew point and temperature of the room in the last whole hours; NaN: not known."""
    first, end = int(view.hours_met[0]) - GROUND_HOURS, int(view.hours_met[-1])
    tables = hours_with(view, "room_dew_point_c", view.room_dew_point), view.room_hours
    means = np.array([hours_between(table, first, end).mean for table in tables])
    each = (view.hours_met - view.hours_met[0])[:, None] + np.arange(GROUND_HOURS)
    return _mean(means[:, each])[:, view.hour_place]


def _mean(rows: Floats) -> Floats:
    """Return the mean of what is known in each row; NaN: nothing is."""
    count = np.count_nonzero(~np.isnan(rows), axis=-1)
    return np.asarray(np.nansum(rows, axis=-1) / np.where(count, count, np.nan))
