"""The account of one kind of harm, carried on from look to look, and the steps at which it is judged anew.

Looked at is the first instant of every five minutes: a grid of the clock, so that however the stream is cut the same values are
added up. A step for the worse is a graver priority, half of the time left gone, or a mark crossed; it must hold for two looks.
The same step is news again only after it was given up for hours, so what hovers at a border is told once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from rules.climate.memory import Account
from rules.harm.course import TREND_U_SHARE, Courses, courses
from rules.terms.condition_changes import Harm, Worse
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade.bearable import BEARABLE, HEAL_H, HarmKind
from rules.trade.garden_sizes import SizeClass
from rules.trade.urgency import ACUTE_H, rank, urgency

EVERY_MS = 5 * MINUTE_MS  # bookkeeping
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
MOST_USED = 1.5
"""What is used up beyond all heals as if it were no more than this. Own estimate."""


@dataclass(frozen=True, slots=True)
class Look:
    """What is known at one look; `value` NaN: nothing is seen. `trend_per_h`: change for the worse, less than 0 for the better,
    0 where it is no more than noise."""

    at_ms: int
    index: int
    value: float
    shown: float
    """The value as the keeper reads it and the marks mean it: a humidity as it is, not as it dries."""
    edge: float
    trend_per_h: float
    end: float


@dataclass(frozen=True, slots=True)
class Step:
    """The account was judged anew at one look."""

    index: int
    to: Literal["worse", "judged"]
    harm: Harm
    worse: Worse | None = None
    mark: float | None = None


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
        self.account = replace(account)
        self.steps: list[Step] = []
        self.judged: list[tuple[int, Harm | None]] = []
        """From which instant on it stands how; None: it is inside."""

    def walk(self, looks: list[Look]) -> None:
        """Take all looks of a stretch, in order of time, until none is left beyond the band and what was is over."""
        filled = self._filled(looks)
        columns = ([getattr(one, name) for one in filled] for name in ("value", "edge", "trend_per_h", "end"))
        value, edge, trend, end = (np.array(column, float) for column in columns)
        garden, outside = self.garden, np.flatnonzero(self.row.worse * (value - edge) > 0)
        rows = {place: row for row, place in enumerate(outside.tolist())}
        end_beyond = max(rows, default=-1) + 1
        value, edge, trend, end = value[outside], edge[outside], trend[outside], end[outside]
        mean, early = (
            courses(garden.kind, garden.size, value, edge, trend * steeper, end, garden.shift)
            for steeper in (1.0, 1.0 + 2.0 * TREND_U_SHARE)
        )
        for place, (look, told) in enumerate(zip(filled, looks, strict=True)):
            if place >= end_beyond and not self.account.awake:
                return
            self._look(look, look is not told, rows.get(place), mean, early)

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

    def _look(self, look: Look, unseen: bool, row: int | None, mean: Courses, early: Courses) -> None:
        """Take one look; `row`: its place among the courses, which only those beyond the band have."""
        account, rate_per_h = self.account, 0.0 if row is None else mean.rate_per_h[row]
        outside = rate_per_h > 0
        if math.isnan(look.value) or not (outside or account.awake):
            return
        passed_h = min(look.at_ms - account.at_ms, round(HEAL_H * HOUR_MS)) / HOUR_MS
        if account.outside:
            account.used = min(account.used + passed_h * (account.rate_per_h + rate_per_h) / 2.0, MOST_USED)
        elif outside:
            account.used = used_at(account, look.at_ms)
        if account.outside or outside:
            account.at_ms = look.at_ms
        account.outside, account.rate_per_h = outside, rate_per_h
        if not unseen:
            account.value, account.shown, account.edge = look.value, look.shown, look.edge
            account.trend_per_h, account.seen_ms = look.trend_per_h, look.at_ms
            account.end = None if math.isnan(look.end) else look.end
        if outside and row is not None:
            account.inside_since_ms = None
            harm = self._harm(look, unseen, row, mean, early)
            self._step(look, harm())
            account.judged = harm(held_rank=account.rank)
        else:
            account.judged = None
            self._inside(look.at_ms)
        self.judged.append((look.index, account.judged))

    def _harm(self, look: Look, unseen: bool, course: int, mean: Courses, early: Courses) -> partial[Harm]:
        row, used, shift = self.row, self.account.used, self.garden.shift
        left_s, early_s = (_seconds(each.left_h(course, used)) for each in (mean, early))
        away = look.trend_per_h > 0 and row.worse * (early.worst[course] + shift - row.anchor) > 0
        consequence = row.consequence(mean.soon[course] + shift, self.garden.size)
        acute = row.wakes and mean.rate_per_h[course] * ACUTE_H > 1.0
        return partial(
            Harm, self.garden.kind, round(used, 4), left_s, early_s, consequence, acute, away, unseen, look.at_ms,
            mark_left_s=_seconds(mean.mark_h[course]),
        )

    def _step(self, look: Look, harm: Harm) -> None:
        account, left_s = self.account, math.inf if harm.left_s is None else harm.left_s
        now = rank(urgency(harm.consequence, left_s, acute=harm.acute, going_away=harm.going_away))
        if account.rank < 0 or self.row.worse * (look.shown - account.worst) > self.row.noise_h:
            account.worst, account.worst_ms = look.shown, look.at_ms
        crossed = [mark for mark in self.row.marks_for(self.garden.size) if self.row.worse * (look.shown - mark) >= 0]
        worse = self._worse(now, left_s, len(crossed), look.trend_per_h < 0)
        if worse is not None and account.worse_before:
            mark = crossed[-1] if worse == "mark" else None
            account.rank, account.told_rank = max(now, account.rank), max(now, account.told_rank)
            account.told_left_s = harm.left_s or 0.0
            account.marks, account.worse_before = max(account.marks, len(crossed)), False
            account.lower_since_ms = account.lowered_ms = account.back_since_ms = None
            self.steps.append(Step(look.index, "worse", harm, worse, mark))
            return
        account.worse_before = worse is not None
        if worse is None:
            self._milder(look, harm, now)
        self._come_back(look)

    def _worse(self, now: int, left_s: float, crossed: int, coming_back: bool) -> Worse | None:
        account = self.account
        if crossed > account.marks:
            return "mark"
        if now > account.told_rank:
            return "priority"
        half = account.told_left_s > SHORT_S and left_s <= account.told_left_s / 2.0
        return "time" if half and now >= rank("today") and not coming_back else None

    def _milder(self, look: Look, harm: Harm, now: int) -> None:
        """Give up a graver judgement once it was milder for a while and gets worse no more; take it again at once.

        A trend tells that it gets worse, and so does a value that lies at its worst, however slowly it came there.
        """
        account, row = self.account, self.row
        at_worst = row.worse * (look.shown - account.worst) > -row.noise_h and look.at_ms - account.worst_ms < STILL_FOR_MS
        if now > account.rank:
            account.rank, account.lower_since_ms = now, None
            self.steps.append(Step(look.index, "judged", harm))
        elif now == account.rank or look.trend_per_h > 0 or at_worst:
            account.lower_since_ms = None
        elif account.lower_since_ms is None:
            account.lower_since_ms = look.at_ms
        elif look.at_ms - account.lower_since_ms >= LOWER_FOR_MS:
            account.rank, account.lower_since_ms, account.lowered_ms = now, None, look.at_ms
            self.steps.append(Step(look.index, "judged", harm))
        if account.rank == account.told_rank:
            account.lowered_ms = None
        elif account.lowered_ms is not None and look.at_ms - account.lowered_ms >= FORGET_FOR_MS:
            account.told_rank, account.told_left_s, account.lowered_ms = account.rank, harm.left_s or 0.0, None

    def _come_back(self, look: Look) -> None:
        """Forget the marks that the value has been well back from for a while."""
        account, row = self.account, self.row
        still = sum(row.worse * (look.shown - mark) > -row.rearm for mark in row.marks_for(self.garden.size))
        if still >= account.marks:
            account.back_since_ms = None
        elif account.back_since_ms is None:
            account.back_since_ms = look.at_ms
        elif look.at_ms - account.back_since_ms >= BACK_FOR_MS:
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
    row = BEARABLE[kind]
    faded = math.exp(-max(now.at_ms - last.at_ms, 0) / HOUR_MS / row.damping_h)
    value = row.worse * last.value + max(last.trend_per_h, 0.0) * row.damping_h * (1.0 - faded)
    if not math.isnan(last.end):
        value = min(value, max(row.worse * last.end, row.worse * last.value))
    value *= row.worse
    shown = last.shown + value - last.value
    return replace(now, value=value, shown=shown, edge=last.edge, trend_per_h=last.trend_per_h * faded, end=last.end)


def _seconds(hours: float) -> float | None:
    return float(round(hours * 3600.0)) if math.isfinite(hours) else None
