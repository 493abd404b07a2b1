"""The account of one kind of harm, carried on from look to look, and the steps at which it is judged anew.

Looked at is the first instant of every five minutes: a grid of the clock, so that however the stream is cut the same values are
added up. A step for the worse is a graver priority, half of the time left gone, or a mark crossed; it must hold for two looks.
The same step is news again only after it was given up for hours, so what hovers at a border is told once.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from operator import attrgetter
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Account
from rules.harm.course import SOON, TREND_U_SHARE, Courses, Floats, courses
from rules.terms.condition_changes import Harm, Worse
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade.bearable import BEARABLE, HEAL_H, MOST_USED, Consequence, HarmKind
from rules.trade.garden_sizes import SizeClass
from rules.trade.urgency import ACUTE_H, rank, ranks, urgency

EVERY_MS = 5 * MINUTE_MS  # bookkeeping
WORTH_ONE_GO = 12
"""Fewer looks are taken as fast one by one. Measured."""
HEAL_MS = round(HEAL_H * HOUR_MS)
TODAY = rank("today")
LOWER_FOR_MS = 30 * MINUTE_MS
"""So long a judgement must be milder, with no trend for the worse, before it counts. Own estimate."""
STILL_FOR_MS = 3 * HOUR_MS
"""A value that has stayed at its worst for so long gets worse no more: slower than noise is a plateau. Own estimate."""
FORGET_FOR_MS = 6 * HOUR_MS
"""So long after that, the graver one is news again; like the window for chattering. Own estimate."""
BACK_FOR_MS = HOUR_MS
"""So long a value must be back from a mark, or inside its band, before crossing it again is news."""
SHORT_S = 3600.0
"""Half of less than this is no news: what is to be done was told. Own estimate."""
GAP_MS, MOST_OF_GAP_MS = 30 * MINUTE_MS, 8 * HOUR_MS
"""A box that was in its band and after so long a gap is not went there meanwhile, at a steady pace as far as is known; of more
than a night nothing is known. Own estimate."""


class Look(NamedTuple):
    """What is known at one look; `value` NaN: nothing is seen. `trend_per_h`: change for the worse, less than 0 for the better,
    0 where it is no more than noise."""

    at_ms: int
    place: int
    value: float
    shown: float
    """The value as the keeper reads it and the marks mean it: a humidity as it is, not as it dries."""
    edge: float
    trend_per_h: float
    end: float
    unseen_ms: int = 0
    """How long before it nothing was seen."""


@dataclass(frozen=True, slots=True)
class Step:
    """The account was judged anew at one look."""

    index: int
    to: Literal["worse", "judged"]
    harm: Harm
    worse: Worse | None = None
    mark: float | None = None


@dataclass(frozen=True, slots=True)
class _Beyond:
    """What is judged of the looks beyond the band, row by row, however much is used up: of all looks of a piece at once."""

    mean: Courses
    early: Courses
    rate_per_h: list[float]
    consequence: list[Consequence]
    acute: list[bool]
    away: list[bool]
    crossed: list[int]
    """How many marks it is past, and how many it is not well back from."""
    still: list[int]

    goes_on: NDArray[np.bool_]
    """Whether the look after it is beyond the band too."""

    def until(self, row: int) -> int:
        """Return the row after the last one that is beyond the band without a break from this one on."""
        return row + 1 + int(np.argmin(self.goes_on[row:]))


Judged = tuple[int, Callable[[int], Harm] | None]
"""From which instant on it stands how, worked out where it is asked for, for that instant; None: it is inside."""


@dataclass(frozen=True, slots=True)
class Garden:
    """Whose account it is: kind of harm, size class, and how far the keeper's own harmful edge shifts the table."""

    kind: HarmKind
    size: SizeClass
    shift: float = 0.0


def used_at(account: Account, at_ms: int) -> float:
    """Return the share that is used up at an instant at or after the account's last look; inside its band it heals."""
    if account.outside:
        return account.used
    return account.used * math.exp(-max(at_ms - account.at_ms, 0) / (HEAL_H * HOUR_MS))


WORTH_TELLING = 0.005
"""Less than half a percent is nothing. Own estimate."""


def standing(accounts: Mapping[HarmKind, Account], at_ms: int) -> tuple[Harm, ...]:
    """Return what is used up in each account at an instant at or after its last look; what is healing has no time left."""
    return tuple(
        replace(account.judged or Harm(kind, 0.0, None, None, "minor", False, False), used=round(used, 4))
        for kind in BEARABLE
        if (account := accounts.get(kind)) is not None and (used := used_at(account, at_ms)) >= WORTH_TELLING
    )


class Walker:
    """Carries one account over the looks of a stretch."""

    def __init__(self, garden: Garden, account: Account) -> None:
        self.garden = garden
        self.row = BEARABLE[garden.kind]
        self.marks = self.row.marks_for(garden.size)
        self.account = replace(account)
        self.steps: list[Step] = []
        self.judged: list[Judged] = []

    def walk(self, looks: list[Look]) -> None:
        """Take all looks of a stretch, in order of time, until none is left beyond the band and what was is over."""
        filled = self._filled(looks)
        _, _, value, shown, edge, trend, end, _ = (np.array(column, float) for column in zip(*filled, strict=True))
        outside = np.flatnonzero(self.row.worse * (value - edge) > 0)
        rows = {place: row for row, place in enumerate(outside.tolist())}
        end_beyond = max(rows, default=-1) + 1
        beyond = self._beyond(outside, *(column[outside] for column in (value, shown, edge, trend, end)))
        taken, rests = 0, False
        while taken < len(filled) and (taken < end_beyond or self.account.awake):
            row = rows.get(taken)
            if rests and row is not None:
                taken += self._rest(filled[taken:], looks[taken:], row, beyond)
                row, rests = rows.get(taken), False
                if taken == len(filled):
                    break
            rests = self._look(filled[taken], filled[taken] is not looks[taken], row, beyond)
            taken += 1
        if self.judged and self.judged[-1][1] is not None:
            self.account.judged = self.judged[-1][1](looks[-1].place)

    def _beyond(
        self, place: NDArray[np.intp], value: Floats, shown: Floats, edge: Floats, trend: Floats, end: Floats
    ) -> _Beyond:
        """Return what is judged of these looks, all of which lie beyond the band; `place`: theirs among all looks."""
        row, (kind, size, shift) = self.row, (self.garden.kind, self.garden.size, self.garden.shift)
        mean = early = courses(kind, size, value, edge, trend, end, shift)
        if (trend > 0).any():
            early = courses(kind, size, value, edge, trend * (1.0 + 2.0 * TREND_U_SHARE), end, shift)
        away = (trend > 0) & (row.worse * (row.worse * early.value[:, -1] + shift - row.anchor) > 0)
        past = row.worse * (shown[:, None] - np.array(self.marks))
        return _Beyond(
            mean, early, mean.rate_per_h[:, 0].tolist(),
            [row.consequence(soon + shift, size) for soon in (row.worse * mean.value[:, SOON]).tolist()],
            (row.wakes & (mean.rate_per_h[:, 0] * ACUTE_H > 1.0)).tolist(), away.tolist(),
            np.count_nonzero(past >= 0, axis=1).tolist(), np.count_nonzero(past > -row.rearm, axis=1).tolist(),
            np.append((np.diff(place) == 1) & (mean.rate_per_h[1:, 0] > 0), False)[: len(place)],
        )

    def _filled(self, looks: list[Look]) -> list[Look]:
        """Return the looks with the last course carried on where nothing is seen."""
        filled, last = [], None
        if self.account.outside:
            known = self.account
            end = math.nan if known.end is None else known.end
            last = Look(known.seen_ms, 0, known.value, known.shown, known.edge, known.trend_per_h, end)
        for look in looks:
            if not math.isnan(look.value):
                last = look if self.row.worse * (look.value - look.edge) > 0 else None
            elif last is not None:
                look = carried(self.garden.kind, last, look)
            filled.append(look)
        return filled

    def _look(self, look: Look, unseen: bool, row: int | None, beyond: _Beyond) -> bool:
        """Take one look and return whether all stood as it had stood; `row`: its place among those beyond the band."""
        account, rate_per_h = self.account, 0.0 if row is None else beyond.rate_per_h[row]
        outside = rate_per_h > 0
        if look.value != look.value or not (outside or account.awake):
            return False
        passed_h = min(look.at_ms - account.at_ms, HEAL_MS) / HOUR_MS
        if account.outside:
            account.used = min(account.used + passed_h * (account.rate_per_h + rate_per_h) / 2.0, MOST_USED)
        elif outside:
            gap_h = min(look.unseen_ms, MOST_OF_GAP_MS) / HOUR_MS if look.unseen_ms >= GAP_MS else 0.0
            account.used = min(used_at(account, look.at_ms) + gap_h * rate_per_h / 2.0, MOST_USED)
        if account.outside or outside:
            account.at_ms = look.at_ms
        account.outside, account.rate_per_h = outside, rate_per_h
        if not unseen:
            self._see(look)
        account.judged = None
        if outside and row is not None:
            account.inside_since_ms = None
            harm = partial(self._harm, look, unseen, row, beyond, account.used)
            rests = self._step(look, harm, row, beyond)
            self.judged.append((look.place, partial(_whenever, partial(harm, account.rank))))
            return rests
        self._inside(look.at_ms)
        self.judged.append((look.place, None))
        return False

    def _rest(self, filled: list[Look], looks: list[Look], row: int, beyond: _Beyond) -> int:
        """Take at one go the looks from this one on at which nothing turns, after one at which nothing did; return how many.

        Beyond the band what is used up only grows, so its sums are known beforehand.
        """
        account, rows = self.account, slice(row - 1, beyond.until(row - 1))
        most = rows.stop - row
        if most < WORTH_ONE_GO:
            return 0
        at_ms, rate = np.array([look.at_ms for look in filled[:most]]), beyond.mean.rate_per_h[rows, 0]
        passed_h = np.minimum(np.diff(at_ms, prepend=account.at_ms), HEAL_MS) / HOUR_MS
        grown = np.concatenate(([account.used], passed_h * (rate[:-1] + rate[1:]) / 2.0))
        used = np.minimum(np.add.accumulate(grown), MOST_USED)
        left_s = np.rint(beyond.mean.lefts_h(rows, used) * 3600.0)
        now = ranks(beyond.consequence[rows], left_s, beyond.acute[rows], beyond.away[rows])
        turns = (now[1:] != account.rank) | self._passes(row, beyond, most)
        if account.told_left_s > SHORT_S and account.rank >= TODAY:
            coming_back = np.array([look.trend_per_h < 0 for look in filled[:most]])
            turns |= (left_s[1:] <= account.told_left_s / 2.0) & ~coming_back
        if account.lowered_ms is not None:
            turns |= at_ms - account.lowered_ms >= FORGET_FOR_MS
        count = int(np.argmax(turns)) if turns.any() else most
        if not count:
            return 0
        account.used, account.at_ms, account.rate_per_h = float(used[count]), int(at_ms[count - 1]), float(rate[count])
        account.judged = None
        unseen = [look is not known for look, known in zip(filled[:count], looks, strict=False)]
        for look in filled[:count]:
            self._note_worst(look)
        if not all(unseen):
            self._see(filled[count - 1 - unseen[::-1].index(False)])
        harm = partial(self._at, filled[:count], unseen, row, beyond, used.tolist(), account.rank)
        self.judged.append((filled[0].place, harm))
        return count

    def _passes(self, row: int, beyond: _Beyond, most: int) -> NDArray[np.bool_]:
        """Return at which of so many looks a mark is crossed or come back from."""
        crossed, still = (np.array(column[row : row + most]) for column in (beyond.crossed, beyond.still))
        return (crossed > self.account.marks) | (still < self.account.marks)

    def _at(
        self, looks: list[Look], unseen: list[bool], row: int, beyond: _Beyond, used: list[float], held_rank: int, index: int
    ) -> Harm:
        """Return how it stood at an instant among looks that were taken at one go; `used`: before them and after each."""
        one = bisect_right(looks, index, key=attrgetter("place")) - 1
        return self._harm(looks[one], unseen[one], row + one, beyond, used[one + 1], held_rank)

    def _see(self, look: Look) -> None:
        """Remember what was seen last."""
        account = self.account
        account.value, account.shown, account.edge = look.value, look.shown, look.edge
        account.trend_per_h, account.seen_ms = look.trend_per_h, look.at_ms
        account.end = None if look.end != look.end else look.end

    def _note_worst(self, look: Look) -> None:
        if self.account.rank < 0 or self.row.worse * (look.shown - self.account.worst) > self.row.noise_h:
            self.account.worst, self.account.worst_ms = look.shown, look.at_ms

    def _harm(self, look: Look, unseen: bool, row: int, beyond: _Beyond, used: float, held_rank: int = -1) -> Harm:
        left_s, early_s = (_seconds(each.left_h(row, used)) for each in (beyond.mean, beyond.early))
        return Harm(
            self.garden.kind, round(used, 4), left_s, early_s, beyond.consequence[row], beyond.acute[row], beyond.away[row],
            unseen, look.at_ms, held_rank, _seconds(beyond.early.mark_h(row)),
        )

    def _step(self, look: Look, harm: Callable[[], Harm], row: int, beyond: _Beyond) -> bool:
        """Judge one look beyond the band and return whether all stood as it had stood."""
        account, left_s = self.account, _seconds(beyond.mean.left_h(row, self.account.used))
        now = rank(
            urgency(
                beyond.consequence[row], math.inf if left_s is None else left_s, acute=beyond.acute[row],
                going_away=beyond.away[row],
            )
        )
        self._note_worst(look)
        crossed = beyond.crossed[row]
        worse = self._worse(now, left_s, crossed, look.trend_per_h < 0)
        if worse is not None and account.worse_before:
            mark = self.marks[crossed - 1] if worse == "mark" else None
            account.rank, account.told_rank = max(now, account.rank), max(now, account.told_rank)
            account.told_left_s = left_s or 0.0
            account.marks, account.worse_before = max(account.marks, crossed), False
            account.lower_since_ms = account.lowered_ms = account.back_since_ms = None
            self.steps.append(Step(look.place, "worse", harm(), worse, mark))
            return False
        account.worse_before = worse is not None
        if worse is None:
            self._milder(look, harm, now, left_s)
        self._come_back(look.at_ms, beyond.still[row])
        return worse is None and now == account.rank and account.back_since_ms is None

    def _worse(self, now: int, left_s: float | None, crossed: int, coming_back: bool) -> Worse | None:
        account = self.account
        if crossed > account.marks:
            return "mark"
        if now > account.told_rank:
            return "priority"
        half = left_s is not None and account.told_left_s > SHORT_S and left_s <= account.told_left_s / 2.0
        return "time" if half and now >= TODAY and not coming_back else None

    def _milder(self, look: Look, harm: Callable[[], Harm], now: int, left_s: float | None) -> None:
        """Give up a graver judgement once it was milder for a while and gets worse no more; take it again at once.

        A trend tells that it gets worse, and so does a value that lies at its worst, however slowly it came there.
        """
        account, row = self.account, self.row
        at_worst = row.worse * (look.shown - account.worst) > -row.noise_h and look.at_ms - account.worst_ms < STILL_FOR_MS
        if now > account.rank:
            account.rank, account.lower_since_ms = now, None
            self.steps.append(Step(look.place, "judged", harm()))
        elif now == account.rank or look.trend_per_h > 0 or at_worst:
            account.lower_since_ms = None
        elif account.lower_since_ms is None:
            account.lower_since_ms = look.at_ms
        elif look.at_ms - account.lower_since_ms >= LOWER_FOR_MS:
            account.rank, account.lower_since_ms, account.lowered_ms = now, None, look.at_ms
            self.steps.append(Step(look.place, "judged", harm()))
        if account.rank == account.told_rank:
            account.lowered_ms = None
        elif account.lowered_ms is not None and look.at_ms - account.lowered_ms >= FORGET_FOR_MS:
            account.told_rank, account.told_left_s, account.lowered_ms = account.rank, left_s or 0.0, None

    def _come_back(self, at_ms: int, still: int) -> None:
        """Forget the marks that the value has been well back from for a while; `still`: how many it is not back from."""
        account = self.account
        if still >= account.marks:
            account.back_since_ms = None
        elif account.back_since_ms is None:
            account.back_since_ms = at_ms
        elif at_ms - account.back_since_ms >= BACK_FOR_MS:
            account.marks, account.back_since_ms = still, None

    def _inside(self, at_ms: int) -> None:
        account = self.account
        account.worse_before = False
        if account.inside_since_ms is None:
            account.inside_since_ms = at_ms
        elif at_ms - account.inside_since_ms >= BACK_FOR_MS:
            self.account = Account(used=account.used, at_ms=account.at_ms)
        elif at_ms - account.inside_since_ms >= LOWER_FOR_MS:
            account.rank, account.lower_since_ms = -1, None


def carried(kind: HarmKind, last: Look, now: Look) -> Look:
    """Return where the course of the last look has come to by now."""
    row, end = BEARABLE[kind], now.end if now.end == now.end else last.end
    if kind == "cold" and last.trend_per_h > 0.0 and last.end < last.value:
        return _cooled(last, now, end)
    faded = math.exp(-max(now.at_ms - last.at_ms, 0) / HOUR_MS / row.damping_h)
    value = row.worse * last.value + max(last.trend_per_h, 0.0) * row.damping_h * (1.0 - faded)
    if not math.isnan(last.end):
        value = min(value, max(row.worse * last.end, row.worse * last.value))
    value *= row.worse
    shown = last.shown + value - last.value
    return now._replace(value=value, shown=shown, edge=last.edge, trend_per_h=last.trend_per_h * faded, end=last.end)


def _cooled(last: Look, now: Look, end: float) -> Look:
    """Return where a box without heat has come to: Newton's law of cooling, at the pace at which it was seen to fall, towards
    its room, which is still seen."""
    hours, tau_h = max(now.at_ms - last.at_ms, 0) / HOUR_MS, (last.value - last.end) / last.trend_per_h
    value = min(end + (last.value - end) * math.exp(-hours / tau_h), last.value)
    return now._replace(
        value=value, shown=last.shown + value - last.value, edge=last.edge, trend_per_h=max(value - end, 0.0) / tau_h, end=end
    )


def _whenever(harm: Callable[[], Harm], _index: int) -> Harm:
    return harm()


def _seconds(hours: float) -> float | None:
    return float(round(hours * 3600.0)) if math.isfinite(hours) else None
