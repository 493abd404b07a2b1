"""The smallest set of changes that brings temperature, humidity and dew margin into band together, robustly.

A search over every combination of up to two allowed moves, each judged over draws of the model's parameters. Where none is
good enough, the best step in the right direction is taken, and what stands in the way is named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations, product
from math import sqrt
from typing import Literal

import numpy as np

from rules.advice.balance import Outcome, Present, Setting, at_rest, course, e_s, moment
from rules.advice.cause import Cause
from rules.advice.devices import Move
from rules.advice.goal import Goal
from rules.advice.model import Array
from rules.advice.room_day import COURSE_H
from rules.physics.saturation import saturation_temperatures

SURE = 0.7
"""How many of the draws must agree before a change counts as one that will do; judgement."""
DRY_AIR_OUT = frozenset({"close-vents", "fan-less"})
"""What goes with water where the room's air dries the chamber: how much wetting gives is known least of all."""
HELPS_SHARE = 0.1
"""The least share of the worst miss that a change must take away to count as one that helps; judgement."""
HALF_WAY = 0.5
"""Where devices take away less than this share of the worst miss, the letter also asks for what would; judgement."""
WORSE_AT_MOST = 0.08
"""Share of draws in which a change may bring a quantity past its harmful limit on the way, beyond those in which it keeps it
from harm; judgement."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Mean and spread of one instant of the winner's course."""

    after_h: float
    temperature_c: float
    temperature_u_k: float
    humidity_pct: float
    humidity_u_pct: float
    margin_k: float
    margin_u_k: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A combination of moves and what it would do: share of draws in band at rest, violation left, effort."""

    moves: tuple[Move, ...]
    in_band: float
    violation: float
    effort: float
    rest: Forecast


@dataclass(frozen=True, slots=True)
class Solution:
    """What the search found: winner (no moves: leave it be), whether it will do, and what cannot be met."""

    winner: Candidate
    feasible: bool
    unmet: tuple[str, ...]
    searched: int
    shortlist: Shortlist = field(compare=False)
    worst: Miss | None = None
    """What does most harm now."""
    moved: float = 1.0
    """The share of that which the winner takes away, by its forecast at rest."""
    dries_pct: Callable[[float], float] | None = field(default=None, compare=False)
    """How many points of what it gives in water are gone again after so many hours; None: it gives none."""

    @property
    def runner_up(self) -> Candidate | None:
        """The second best."""
        second = self.shortlist.safe[1:2]
        return self.shortlist.candidate(second[0]) if second else None

    @property
    def idle(self) -> Candidate:
        """To leave it be."""
        return self.shortlist.candidate(IDLE)

    @property
    def refused(self) -> int:
        """How many would have harmed on the way."""
        return len(self.shortlist.places) - len(self.shortlist.safe)

    @property
    def forecasts(self) -> tuple[Forecast, ...]:
        """The winner's course."""
        rows, dries_pct = self.shortlist.ahead(self.shortlist.first), self.dries_pct
        if dries_pct is None:
            return rows
        return tuple(_drier(row, idle, dries_pct) for row, idle in zip(rows, self.without, strict=True))

    @property
    def without(self) -> tuple[Forecast, ...]:
        """The same instants if nothing is changed."""
        return self.shortlist.ahead(IDLE)


IDLE = 0
"""Place of the candidate that changes nothing."""
Miss = Literal["temperature-high", "temperature-low", "humidity-low", "humidity-high", "lid-dew"]


def foremost(cause: Cause, temperature_c: float, humidity_pct: float) -> Miss | None:
    """Return which miss does most harm now: the one that is furthest on its way from the band to its harmful limit.

    A humid chamber or a wet lid has no such limit and comes after heat, cold and dryness; what is dry only because it is hot is
    judged by what it would be at the right temperature.
    """
    goal, shares = cause.goal, dict[Miss, float]()
    if cause.temperature == "high":
        shares["temperature-high"] = (temperature_c - goal.high_c) / max(goal.harmful_high_c - goal.high_c, 0.1)
    if cause.temperature == "low":
        shares["temperature-low"] = (goal.low_c - temperature_c) / max(goal.low_c - goal.harmful_low_c, 0.1)
    star = cause.humidity_at_target_pct
    if cause.temperature == "high" and star is not None:
        humidity_pct = star
    if cause.humidity == "low" and humidity_pct < goal.low_pct:
        shares["humidity-low"] = (goal.low_pct - humidity_pct) / max(goal.low_pct - goal.harmful_low_pct, 0.1)
    if shares:
        return max(shares, key=lambda name: shares[name])
    return "lid-dew" if cause.lid_wet else "humidity-high" if cause.humidity == "high" else None


def standing_misses(cause: Cause) -> set[str]:
    """Return which limits are missed now: only of those can it be said that it stays so, or that something else would help."""
    missed = {f"temperature-{cause.temperature}", f"humidity-{cause.humidity}"}
    return missed | ({"lid-dew"} if cause.lid_wet else set())


def combos(moves: Sequence[Move], most: int) -> list[tuple[Move, ...]]:
    """Return no move, every single move, and every pair of moves of different knobs."""
    by_knob: dict[str, list[Move]] = {}
    for move in moves:
        by_knob.setdefault(move.knob, []).append(move)
    found: list[tuple[Move, ...]] = [()]
    for size in range(1, most + 1):
        for group in combinations(by_knob, size):
            found.extend(product(*(by_knob[name] for name in group)))
    return found


def setting_of(
    candidates: Sequence[tuple[Move, ...]], knobs: Mapping[str, float], gains: Mapping[str, float]
) -> Setting:
    """Return the candidates' knob settings as columns; `gains`: how strongly each knob was seen to work (1: as modelled)."""
    count = len(candidates)
    heat, power, wet = np.zeros(count), np.ones(count), np.ones(count)
    levels = {name: np.full(count, knobs.get(name, 0.0)) for name in ("vents", "fan", "mister", "foam")}
    watts, wetness = max(knobs.get("watts", 1.0), 1e-6), max(knobs.get("water", 1.0), 1e-6)
    for row, moves in enumerate(candidates):
        for move in moves:
            delta = move.delta * gains.get(move.knob, 1.0)
            if move.knob == "heater":
                heat[row] = 0.0 if move.watts_share else delta
                power[row] = max(1.0 + delta / watts, 0.0) if move.watts_share else 1.0
            elif move.knob == "water":
                wet[row] = max(1.0 + delta / wetness, 0.1)
            else:
                levels[move.knob][row] = max(levels[move.knob][row] + delta, 0.0)
    return Setting(heat, power, levels["vents"], levels["fan"] / 60.0, levels["mister"], levels["foam"], wet)


def _misses(goal: Goal, outcome: Outcome, margin_matters: bool) -> dict[Miss, Array]:
    """Return how far outside the band, in units of a clear miss (1 K, 5 points, 0.7 K); each of shape (candidates, draws)."""
    rh, inside_k, inside_pct = outcome.humidity_pct, goal.inside_k, goal.inside_pct
    drip = np.maximum(goal.margin_k + 0.2 - outcome.margin_k, 0.0) / 0.7
    return {
        "temperature-high": np.maximum(outcome.warmest_c - (goal.high_c - inside_k), 0.0) * 1.3,
        "temperature-low": np.maximum(goal.low_c + inside_k - outcome.coldest_c, 0.0),
        "humidity-low": np.maximum(goal.low_pct + inside_pct - rh, 0.0) / 5.0 * float(goal.dryness_matters),
        "humidity-high": np.maximum(rh - (goal.high_pct - inside_pct), 0.0) / 8.0,
        "lid-dew": drip if margin_matters else np.zeros_like(drip),
    }


def _off_target(goal: Goal, outcome: Outcome) -> Array:
    """Return a mild pull towards the aim, so that of two changes that will do the better placed one is taken."""
    heat = np.abs((outcome.coldest_c + outcome.warmest_c) / 2.0 - goal.temperature_c) / (goal.high_c - goal.low_c)
    damp = np.abs(outcome.humidity_pct - goal.humidity_pct) / max(goal.high_pct - goal.low_pct, 5.0)
    return np.asarray(heat + (damp if goal.dryness_matters else 0.0))


def _harm(goal: Goal, outcome: Outcome) -> Array:
    """Return by how much a quantity lies beyond its harmful limit, in the units of `_violation`."""
    t, rh = outcome.temperature_c, outcome.humidity_pct
    heat = np.maximum(t - goal.harmful_high_c, 0.0) + np.maximum(goal.harmful_low_c - t, 0.0)
    return np.asarray(heat + (np.maximum(goal.harmful_low_pct - rh, 0.0) / 5.0 if goal.dryness_matters else 0.0))


def solve(
    present: Present, cause: Cause, moves: Sequence[Move], rank: Mapping[str, int], gains: Mapping[str, float], most: int = 2,
    companions: Mapping[str, frozenset[str]] | None = None, worst: Miss | None = None,
) -> Solution:
    """Return the smallest robust change among `moves`.

    `rank`: the place of each act in the cell's order. `companions`: acts that are taken only together with one of others.
    `worst`: what does most harm now; what does not move it towards its band is taken only where nothing does.
    """
    candidates = [combo for combo in combos(moves, most) if _accompanied(combo, companions or {})]
    rest = at_rest(present, setting_of(candidates, present.knobs, gains))
    if cause.temperature != "ok":  # the troughs and peaks of the swing are to come into the band, not its mean alone
        rest = replace(rest, coldest_c=rest.coldest_c - present.below_k, warmest_c=rest.warmest_c + present.above_k)
    goal, weight = cause.goal, present.weight
    misses = _misses(goal, rest, cause.lid_known)
    violation = np.sum(list(misses.values()), axis=0)
    in_band = (violation <= 1e-9) @ weight
    left, pull = violation @ weight, _off_target(goal, rest) @ weight
    effort = np.array([_effort(moves_, rank) for moves_ in candidates])
    score = left + 0.05 * pull + 0.06 * effort
    enough = in_band >= max(SURE, float(in_band.max()) - 0.12)
    score = np.where(enough, 0.05 * pull + 0.06 * effort - 10.0, score)
    moved = np.ones(len(candidates))
    if worst is not None:
        # By the means of this hour: not by its day's extremes, nor by how far the room may go, which no device moves.
        now, then = (_mean(outcome, weight) for outcome in (_seen(present), rest))
        missed, left_over = (_misses(goal, outcome, cause.lid_known)[worst][:, 0] for outcome in (now, then))
        moved = 1.0 - left_over / np.maximum(missed, 1e-9)
        score = np.where(moved >= min(HELPS_SHARE, float(moved.max())) - 1e-6, score, score + 100.0)
    if cause.thirsty:
        water = frozenset({"water"} if any(move.act == "water" for move in moves) else GIVES_WATER)  # or mist, for want of it
        score += 1000.0 * _lacks(candidates, (companions or {}).get("water", water))
        score += 500.0 * _lacks(candidates, DRY_AIR_OUT) * ("dry-air" in cause.facts)
    order = [int(place) for place in np.argsort(score, kind="stable")]
    places = list(dict.fromkeys([*order[:10], IDLE]))
    shortlist = Shortlist(present, cause, candidates, gains, rest, places, (in_band, left, effort))
    alone = {combo[0]: float(share) for combo, share in zip(candidates, moved, strict=True) if len(combo) == 1}
    winner = _ordered(shortlist.candidate(shortlist.first), rank, alone)
    return Solution(
        winner, winner.in_band >= SURE, _unmet(goal, winner.rest, cause.lid_known), len(candidates), shortlist, worst,
        float(moved[shortlist.first]),
    )


def with_foam(solution: Solution, moves: Sequence[Move], most: int) -> Solution:
    """Return what was found with foam first: of a lid that only the eye knows no search can tell what it gains."""
    foam = [move for move in moves if move.knob == "foam"][-1:]
    chosen = (*foam, *(move for move in solution.winner.moves if move.knob != "foam"))[:most]
    return replace(solution, winner=replace(solution.winner, moves=chosen)) if foam else solution


GIVES_WATER = frozenset({"water", "mist-more"})


def dried(solution: Solution, cause: Cause, dries_pct: Callable[[float], float]) -> Solution:
    """Return what was found with as much less humidity as past promises of water were too high, and by that what is unmet."""
    winner = solution.winner
    if GIVES_WATER.isdisjoint(move.act for move in winner.moves):
        return solution
    rest = _drier(winner.rest, solution.idle.rest, dries_pct)
    unmet = _unmet(cause.goal, rest, cause.lid_known)
    feasible = solution.feasible and "humidity-low" not in unmet
    return replace(solution, winner=replace(winner, rest=rest), unmet=unmet, feasible=feasible, dries_pct=dries_pct)


def _drier(row: Forecast, idle: Forecast, dries_pct: Callable[[float], float]) -> Forecast:
    """Return a forecast that much drier, but no drier than without any water."""
    least = min(idle.humidity_pct, row.humidity_pct)
    return replace(row, humidity_pct=min(max(row.humidity_pct - dries_pct(row.after_h), least), 100.0))


def _ordered(winner: Candidate, rank: Mapping[str, int], alone: Mapping[Move, float]) -> Candidate:
    """Return the winner with that move first which takes most of the worst miss away by itself, the others by their rank."""
    best = max(winner.moves, key=lambda move: (alone.get(move, 0.0), -rank[move.act]), default=None)
    leads = best if best is not None and HELPS_SHARE <= alone.get(best, 0.0) < 1.0 + 1e-9 else None
    return replace(winner, moves=tuple(sorted(winner.moves, key=lambda move: (move is not leads, rank[move.act]))))


def _lacks(candidates: Sequence[tuple[Move, ...]], acts: frozenset[str]) -> Array:
    """Return which candidates do none of these acts."""
    return np.array([acts.isdisjoint(move.act for move in combo) for combo in candidates], dtype=np.float64)


def _seen(present: Present) -> Outcome:
    """Return what is seen now, in the shape of a candidate's outcome."""
    humidity = 100.0 * present.vapour_pa / e_s(present.temperature_c)
    lid_c = present.room_c + present.factor * (present.temperature_c - present.room_c) + present.lid_offset_k
    margin = lid_c - saturation_temperatures(np.maximum(present.vapour_pa, 50.0))
    return moment(present.temperature_c[None, :], humidity[None, :], margin[None, :])


def _mean(outcome: Outcome, weight: Array) -> Outcome:
    """Return one instant's mean over the draws, in the shape of a single draw."""
    return moment(*((row @ weight)[:, None] for row in (outcome.temperature_c, outcome.humidity_pct, outcome.margin_k)))


_DAMPENS = {"water": 1, "mister": 1, "vents": -1, "fan": -1}
"""Which way a knob turned up moves the humidity: no message turns one knob towards damp and another towards dry."""


def _accompanied(combo: tuple[Move, ...], companions: Mapping[str, frozenset[str]]) -> bool:
    acts = {move.act for move in combo}
    both_ways = {_DAMPENS[move.knob] * (1 if move.delta > 0 else -1) for move in combo if move.knob in _DAMPENS}
    return len(both_ways) < 2 and all(companions[act] & acts for act in acts if act in companions)


def _effort(moves: tuple[Move, ...], rank: Mapping[str, int]) -> float:
    return sum(move.effort + 0.12 * rank.get(move.act, 0) for move in moves)


@dataclass(frozen=True)
class Shortlist:
    """The candidates that end best, and to leave it be. How they come there is worked out only as far as somebody asks: most
    searches find what was told already."""

    present: Present
    cause: Cause
    candidates: list[tuple[Move, ...]]
    gains: Mapping[str, float]
    rest: Outcome
    places: list[int]
    """Places among the candidates, the best first."""
    figures: tuple[Array, Array, Array]
    """Of all candidates: share in band, violation left, effort."""

    @cached_property
    def first(self) -> int:
        """The best that harms nothing on its way; nothing does more than to leave it be."""
        return IDLE if self.places[0] == IDLE else (self._safe_of(self.places[:1], self._first_ways) or self.safe)[0]

    @cached_property
    def safe(self) -> list[int]:
        """All that harm nothing on their way."""
        return self._safe_of(self.places, self._course([*self.places, IDLE]))

    @cached_property
    def _first_ways(self) -> list[Outcome]:
        """The ways of the one that ends best and of leaving it be: mostly the two that are told."""
        return self._course([self.places[0], IDLE])

    def _safe_of(self, places: list[int], steps: list[Outcome]) -> list[int]:
        """Return those that harm nothing on their way; `steps`: theirs, and that of leaving it be."""
        harm = np.array([_harm(self.cause.goal, step) for step in steps]).max(axis=0)
        least = np.maximum(harm[-1], _harm(self.cause.goal, steps[0])[0])
        worse = ((harm > least + 0.05).astype(float) - (harm < harm[-1] - 0.05)) @ self.present.weight
        shares = zip(places, worse.tolist(), strict=False)
        return [place for place, share in shares if share <= WORSE_AT_MOST or place == IDLE]

    def _course(self, places: list[int]) -> list[Outcome]:
        return course(self.present, setting_of([self.candidates[i] for i in places], self.present.knobs, self.gains))

    def candidate(self, place: int) -> Candidate:
        """Return one of them with its figures."""
        rest, here = self.rest, slice(place, place + 1)
        last = moment(rest.temperature_c[here], rest.humidity_pct[here], rest.margin_k[here])
        in_band, left, effort = (float(figure[place]) for figure in self.figures)
        return Candidate(self.candidates[place], in_band, left, effort, _forecast(self.present, last, 0, COURSE_H[-1]))

    def ahead(self, place: int) -> tuple[Forecast, ...]:
        """Return the course of one of them as it is told."""
        known = place in (self.places[0], IDLE)
        ways, row = (self._first_ways, int(place == IDLE)) if known else (self._course([place]), 0)
        steps = zip(COURSE_H[2:-1], ways[2:-1], strict=True)
        return (*(_forecast(self.present, step, row, hours) for hours, step in steps), self.candidate(place).rest)


def unchanged(present: Present) -> tuple[Forecast, ...]:
    """Return the course if nothing is changed."""
    steps = course(present, setting_of([()], present.knobs, {}))
    return tuple(_forecast(present, step, 0, hours) for hours, step in zip(COURSE_H, steps, strict=True))


def _forecast(present: Present, outcome: Outcome, row: int, hours: float) -> Forecast:
    def both(values: Array) -> tuple[float, float]:
        mean = float(values @ present.weight)
        return mean, sqrt(max(float(((values - mean) ** 2) @ present.weight), 0.0))

    t, rh, margin = both(outcome.temperature_c[row]), both(outcome.humidity_pct[row]), both(outcome.margin_k[row])
    return Forecast(hours, *t, *rh, *margin)


def _unmet(goal: Goal, rest: Forecast, margin_matters: bool) -> tuple[str, ...]:
    """Return which limits the winner's mean still misses at rest."""
    misses = {
        "temperature-high": rest.temperature_c > goal.high_c, "temperature-low": rest.temperature_c < goal.low_c,
        "humidity-low": goal.dryness_matters and rest.humidity_pct < goal.low_pct,
        "humidity-high" if goal.dryness_matters else "damp": rest.humidity_pct > goal.high_pct,
        "lid-dew": goal.dryness_matters and margin_matters and rest.margin_k < goal.margin_k,
    }
    return tuple(name for name, missed in misses.items() if missed)
