"""Did it work? What came of a change against what was predicted with it and without it, and how strongly each device works.

A room that warms, a night, the heater's swing move a box too. So the effect is what came beyond the course that was predicted
without the change, in the room as it was and not as it was forecast, and nothing is said or learned of one that does not stand
out from that course's own spread.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, hypot, sqrt

from rules.advice.standing import Standing
from rules.advice.state import AdviceState, Gain, OpenAdvice, ToldForecast
from rules.climate.situation import Situation
from rules.climate.thermostat import NO_LIFT_K
from rules.keeper.devices import present_knobs
from rules.settings import Chamber
from rules.terms.advised import Effect
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import WAIT_S

_WHY_NOTHING = {
    "heater": "check that the mat is plugged in, warm to the hand, and its thermostat's probe in place",
    "mister": "check that the nozzle is not clogged and the water reaches the walls",
    "fan": "check that the fan turns and its opening is free",
    "vents": "check that the openings are really free, or really shut",
    "foam": "check that the foam lies flat on the whole lid",
    "water": "check that the granules are wet through",
}
_OWN = {"heater": "temperature", "foam": "margin"}
"""The figure by which a knob is judged; all others: humidity."""
WATERS = frozenset({"water", "mister"})
PCT_PER_K, MARGIN_PER_K = 5.0, 0.5
"""What one kelvin of a box makes of its humidity at 80 %RH with the same vapour, points (slope of the saturation curve), and
about what it makes of a lid's margin. Own estimate."""
_NOISE = {"temperature": 0.25, "humidity": 1.5, "margin": 0.35}  # own estimate
STANDS_OUT = 2.0
"""By so many standard uncertainties of what would have come without it a change must be expected to be judged at all: the usual
level, JCGM 100."""
SURELY = 3.0
"""And by so many before it is said that it did not come; judgement."""
LAGS_MS = 15 * MINUTE_MS
"""So long after a change a box and its probe still read mostly of what was before. Own estimate."""
HELPS_FROM = 0.6
"""From this share of what was expected on it works; judgement."""

WATER_GIVES_PCT = 5.0
"""What wetted ground gives at least within half a day, where the vapour stays; own estimate."""
HEATS_K = 2.0
"""So far above both its room and where it was, a box is heated: more than what probes differ by. Own estimate."""
WORSE_K, WORSE_PCT = 0.5, 4.0
"""What lies so far beyond the value of the last try is worse: a little more than a probe's noise. Own estimate."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of a done advisory: the share of the predicted effect, its uncertainty and the line of numbers."""

    said: Effect
    share: float | None
    u_share: float | None
    because: str


@dataclass(frozen=True, slots=True)
class Follows:
    """How a box goes with its room: its time constant, h, and whether a thermostat holds it against that."""

    tau_h: float
    held: bool

    def moved_k(self, room_k: float, over_h: float, until_h: float) -> float:
        """Return how far the air has come after `until_h` of a room that moves evenly by `room_k` in `over_h`."""
        return room_k / over_h * (until_h - self.tau_h * (1.0 - exp(-until_h / self.tau_h)))


def is_seen(item: OpenAdvice, now: Situation) -> bool:
    """Return whether the time has come to look at what a done advisory brought, and each figure that is known was read long
    enough since then: no reading of before, nor of a probe that lags, knows of it."""
    if item.done_ms is None or now.at_ms < item.look_again_ms:
        return False
    young_ms = item.done_ms + LAGS_MS
    return all(read_ms >= young_ms for read_ms in _read_ms(now))


def not_read_since(item: OpenAdvice, now: Situation) -> bool:
    """Return whether each figure that is known was read before a done advisory was done."""
    read_ms = _read_ms(now)
    return item.done_ms is not None and bool(read_ms) and max(read_ms) < item.done_ms


def _read_ms(now: Situation) -> list[int]:
    rows = ((now.temperature_c, now.temperature_read_ms), (now.relative_humidity_pct, now.humidity_read_ms))
    return [read_ms for value, read_ms in rows if value is not None and read_ms is not None]


def judge(item: OpenAdvice, situation: Situation, follows: Follows, *, calibrated: bool = False) -> Verdict:
    """Return the verdict on a done advisory, by the figure that its first knob acts on, else by the clearest effect; on water
    that was given by the humidity alone.

    `follows`: how the box goes with its room, for what the room did that nobody had forecast.
    `calibrated`: a probe was calibrated or changed meanwhile, so that what was before cannot be compared (case C16).
    """
    if calibrated:
        return Verdict("cannot tell", None, None, "A probe was calibrated meanwhile, so before and after cannot be compared.")
    effects = _effects(item, situation, follows)
    if item.moves and item.moves[0].knob in WATERS and item.moves[0].delta > 0.0:
        effects = [one for one in effects if one.name == "humidity"]  # a lid nearer to its dew point is not what it was for
    if not effects or not item.moves:
        said: Effect = "works" if _heats_again(item, situation) else "cannot tell"
        return Verdict(said, None, None, _then_and_now(item, situation))
    own = [one for one in effects if one.name == _OWN.get(item.moves[0].knob, "humidity") and one.by_u >= STANDS_OUT]
    best = max(own or effects, key=lambda one: one.by_u)
    if best.by_u < STANDS_OUT:
        return Verdict("cannot tell", None, None, "The expected change was too small to be told from what comes by itself.")
    share, u_share = best.got / best.wanted, best.u / abs(best.wanted)
    because = f"Expected {best.wanted:+.1f} {best.unit} of {best.name}, seen {best.got:+.1f} {best.unit}{best.beside}."
    if share < HELPS_FROM and best.by_u < SURELY:
        # Too little to say so, but it teaches by its weight: gains learned from what worked alone would only ever rise.
        return Verdict("cannot tell", share, u_share, f"{because} So much also comes and goes by itself.")
    bounds: tuple[tuple[float, Effect], ...] = ((0.2, "no effect"), (HELPS_FROM, "too little"), (1.7, "works"))
    said = next((name for bound, name in bounds if share < bound), "more than expected")
    return Verdict(said, share, u_share, because)


def _heats_again(item: OpenAdvice, now: Situation) -> bool:
    """Return whether a heater that was looked at or plugged in gives heat: without it no box gets warmer than it was or than
    its room is."""
    came_c, bounds_c = now.temperature_c, (item.done_c, item.start_room_c, now.room_temperature_c)
    known_c = [bound_c for bound_c in bounds_c if bound_c is not None]
    asked = not {"heater:check", "heater:more"}.isdisjoint(item.keys)
    return asked and came_c is not None and len(known_c) == len(bounds_c) and came_c >= max(known_c) + HEATS_K


@dataclass(frozen=True, slots=True)
class _Effect:
    """What a change did to one figure against what would have come without it."""

    name: str
    unit: str
    wanted: float
    got: float
    u: float
    beside: str
    """What would have come by itself, where that is plain."""

    @property
    def by_u(self) -> float:
        return abs(self.wanted) / self.u


def _effects(item: OpenAdvice, now: Situation, follows: Follows) -> list[_Effect]:
    """Return the effect on each figure that is known, by the courses that were predicted with the change and without it."""
    if item.done_ms is None:
        return []
    then, without = (_course_at(item, rows, now.at_ms - item.done_ms) for rows in (item.forecasts, item.without))
    if then is None:
        return []
    room_k = _unforeseen_k(item, now, follows)
    moved = {"temperature": 0.0 if follows.held else room_k}
    unsure = {
        "temperature": abs(room_k) * (1.0 if follows.held else 0.5), "humidity": PCT_PER_K * abs(room_k),
        "margin": MARGIN_PER_K * abs(room_k),
    }
    rows = (
        ("temperature", "K", item.start_c, item.begun_c, then.temperature_c, now.temperature_c,
            without and (without.temperature_c, without.temperature_u_k)),
        ("humidity", "points", item.start_pct, item.begun_pct, then.humidity_pct, now.relative_humidity_pct,
            without and (without.humidity_pct, without.humidity_u_pct)),
        ("margin", "K", item.start_margin_k, item.begun_margin_k, then.margin_k, now.dew_margin_k,
            without and (without.margin_k, without.margin_u_k)),
    )  # fmt: skip
    found = []
    for name, unit, start, begun, with_it, came, alone in rows:
        if start is None or came is None:
            continue
        idle, u_idle = alone or (start, 0.0)
        wanted, by_itself = (with_it - idle) * item.done_share, idle - start + moved.get(name, 0.0)
        got = came - by_itself - (start if begun is None else begun)  # what went on before it was done is not its effect
        plain = abs(by_itself) >= STANDS_OUT * _NOISE[name]
        beside = f", beside {by_itself:+.1f} {unit} that were expected without it" if plain else ""
        found.append(_Effect(name, unit, wanted, got, hypot(_NOISE[name], u_idle, unsure[name]), beside))
    return found


def _unforeseen_k(item: OpenAdvice, now: Situation, follows: Follows) -> float:
    """Return what has reached the air since it was done of the room's course that was not forecast, K; of a box that a
    thermostat holds: at most. The room is taken to have left its forecast evenly since the telling."""
    hours, done_h = (now.at_ms - item.told_ms) / HOUR_MS, ((item.done_ms or item.told_ms) - item.told_ms) / HOUR_MS
    expected = _course_at(item, item.without, now.at_ms - item.told_ms)
    if now.room_temperature_c is None or expected is None or expected.room_c is None or hours <= 0.0:
        return 0.0
    room_k = now.room_temperature_c - expected.room_c
    return follows.moved_k(room_k, hours, hours) - follows.moved_k(room_k, hours, done_h)


_OF_HEAT = frozenset({
    "heat", "heater-failed", "cold", "together", "warming", "plug-in", "plug-back", "turn-up", "room-back", "left-out",
    "hot-room", "place-back",
})


def _then_and_now(item: OpenAdvice, situation: Situation) -> str:
    """Return what was and what is, for advice that predicted no figure (a check, heat that had to be stopped)."""
    if item.start_c is None or situation.temperature_c is None:
        return "There was no figure to compare with."
    then_c, when = (item.start_c, "advised") if item.done_c is None else (item.done_c, "done")
    then, now = f"{then_c:.1f} °C", f"{situation.temperature_c:.1f} °C"
    pct = item.start_pct if item.begun_pct is None else item.begun_pct
    if item.branch not in _OF_HEAT and pct is not None and situation.relative_humidity_pct is not None:
        then, now = f"{then} and {pct:.0f} %RH", f"{now} and {situation.relative_humidity_pct:.0f} %RH"
    return f"It was {then} when this was {when} and {now} when I looked again."


def _course_at(item: OpenAdvice, course: Sequence[ToldForecast], after_ms: int) -> ToldForecast | None:
    """Return what a course says of so long after its begin, between the two nearest instants."""
    if not course or item.start_c is None or item.start_pct is None:
        return None
    told = item.told_ms
    start = ToldForecast(told, item.start_c, 0.1, item.start_pct, 0.5, item.start_margin_k or 0.0, 0.2, item.start_room_c)
    rows, after = [start, *course], told + after_ms
    for before, then in pairwise(rows):
        if after <= then.due_ms:
            return _between(before, then, (after - before.due_ms) / max(then.due_ms - before.due_ms, 1))
    return rows[-1]


def _between(a: ToldForecast, b: ToldForecast, share: float) -> ToldForecast:
    def mix(x: float, y: float) -> float:
        return x + (y - x) * share

    return ToldForecast(
        a.due_ms + round((b.due_ms - a.due_ms) * share), mix(a.temperature_c, b.temperature_c),
        mix(a.temperature_u_k, b.temperature_u_k), mix(a.humidity_pct, b.humidity_pct), mix(a.humidity_u_pct, b.humidity_u_pct),
        mix(a.margin_k, b.margin_k), mix(a.margin_u_k, b.margin_u_k),
        None if a.room_c is None or b.room_c is None else mix(a.room_c, b.room_c),
    )


def taught(state: AdviceState, item: OpenAdvice, verdict: Verdict, situation: Situation) -> AdviceState:
    """Return the state that knows what a verdict teaches: how strongly a knob works, and what was given in vain."""
    return heated(watered(learned(state, item, verdict), item, verdict, situation), item, situation)


def learned(state: AdviceState, item: OpenAdvice, verdict: Verdict) -> AdviceState:
    """Return the state with the changed knob's gain learned; only from an advisory of one knob, since two share an effect, or
    of water given in two ways, which share its failure too."""
    failures = state.mist_failures
    if any(move.act == "mist-more" for move in item.moves):
        failures = failures + 1 if verdict.said in ("no effect", "too little") else 0
    knobs = {move.knob for move in item.moves}
    if verdict.share is None or verdict.u_share is None or not (len(knobs) == 1 or WATERS.issuperset(knobs)):
        return replace(state, mist_failures=failures)
    gains = {knob: _gain(state.gains.get(knob, Gain()), verdict.share, verdict.u_share) for knob in knobs}
    return replace(state, mist_failures=failures, gains=state.gains | gains)


def watered(state: AdviceState, item: OpenAdvice, verdict: Verdict, situation: Situation) -> AdviceState:
    """Return the state with one more watering in vain, where it is about as dry as it was after its time and nothing says that
    it would be drier without; with none where it helped."""
    begun, rh = item.start_pct if item.begun_pct is None else item.begun_pct, situation.relative_humidity_pct
    waited_s = (situation.at_ms - (item.done_ms or situation.at_ms)) / 1000.0
    gave = any(move.knob in WATERS and move.delta > 0.0 and waited_s >= WAIT_S[move.knob] for move in item.moves)
    if not gave or begun is None or rh is None:
        return state
    helped = rh >= begun + WATER_GIVES_PCT or verdict.said in ("works", "more than expected")
    return replace(state, water_failures=0 if helped else state.water_failures + 1)


def heated(state: AdviceState, item: OpenAdvice, situation: Situation) -> AdviceState:
    """Return the state that knows that no heat came, where more was given and its box is no warmer, nor seen to be warmer than
    its room."""
    t, room_c = situation.temperature_c, situation.room_temperature_c
    gave = "heater:more" in item.keys and any(move.knob == "heater" for move in item.moves)
    if not gave or t is None or item.done_c is None or t > item.done_c + WORSE_K:
        return state
    lifts = room_c is not None and t > room_c + NO_LIFT_K
    return state if lifts else replace(state, unheated_ms=situation.at_ms)


def _gain(old: Gain, share: float, u_share: float) -> Gain:
    variance, noise = old.spread**2 + 0.02, u_share**2 + 0.04
    weight = variance / (variance + noise)
    seen = min(max(share, 0.1), 3.0) * old.mean
    return Gain(
        mean=min(max(old.mean + weight * (seen - old.mean), 0.15), 4.0), spread=sqrt(variance * (1.0 - weight)),
        count=old.count + 1
    )


RELAPSES_MS = 3 * DAY_MS
"""So long doses of water after which it was dry again are counted together. Judgement."""


def noticed_fading(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> AdviceState:
    """Return the state with one more failure of the mist, if it is dry again within half an hour of being right (case C13).

    Only where misting was raised on advice within the last day: then the air was wetted and nothing that holds water.
    """
    quiet_ms, changes = state.quiet_until_ms, [change for change in situation.changes if change.knob == "mister"]
    dry = any(row.alarm == "humidity-low" and row.condition == "active" for row in standing.values())
    if not dry or not changes or quiet_ms is None or not situation.at_ms < quiet_ms or state.faded_ms == quiet_ms:
        return state
    before, after = [present_knobs(chamber, part).get("mister", 0.0) for part in (changes[:-1], changes)]
    if after <= before or situation.at_ms - changes[-1].at_ms > DAY_MS:
        return state
    return replace(state, mist_failures=state.mist_failures + 1, faded_ms=quiet_ms)


def noticed_relapse(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> AdviceState:
    """Return the state that knows of one more dose of water after which it was right, and dry again within a day: each looks as
    if it had worked, and water that goes so, or a probe that creeps downwards, takes one after the other."""
    dry, doses = standing.get("humidity-low"), [change for change in situation.changes if change.knob in WATERS]
    since_ms = None if dry is None or dry.condition != "active" else dry.since_ms
    if since_ms is None or not doses or not 0 < since_ms - doses[-1].at_ms <= DAY_MS or doses[-1].at_ms in state.relapsed_ms:
        return state
    knob, at_ms = doses[-1].knob, doses[-1].at_ms
    earlier = tuple(change for change in situation.changes if change.at_ms < at_ms)
    before, after = (present_knobs(chamber, part).get(knob, 0.0) for part in (earlier, situation.changes))
    lately = [one for one in state.relapsed_ms if at_ms - one < RELAPSES_MS]
    return replace(state, relapsed_ms=[*lately, at_ms]) if after > before else state


def verdict_text(item: OpenAdvice, verdict: Verdict, worse: bool = False) -> str:
    """Return the verdict as one plain sentence, with where to look if nothing happened; `worse`: it goes the bad way still."""
    knob = item.moves[0].knob if item.moves else ""
    if verdict.said == "no effect":
        return f"No effect seen: {_WHY_NOTHING.get(knob, 'look whether it was really changed')}"
    if verdict.said == "cannot tell" and not (item.moves and item.forecasts):
        return "Done, thank you, but it has gone on since" if worse else "Done, thank you"
    return {
        "works": "It works: the change does what was expected" if item.forecasts else "It works: it gets its heat again",
        "too little": "It helps, but less than expected: another step may follow",
        "more than expected": "It does more than expected: the next step will be smaller",
        "cannot tell": "Done, thank you: the effect is too small to judge",
    }[verdict.said]


def gone_worse(then_c: float | None, then_pct: float | None, now: Situation) -> dict[str, bool]:
    """Return for each kind of harm whether its figure has gone the bad way since; where one is not known it has."""

    def beyond(then: float | None, present: float | None, sign: float, least: float) -> bool:
        return then is None or present is None or sign * (present - then) > least

    t, rh = now.temperature_c, now.relative_humidity_pct
    return {
        "heat": beyond(then_c, t, 1.0, WORSE_K), "cold": beyond(then_c, t, -1.0, WORSE_K),
        "dryness": beyond(then_pct, rh, -1.0, WORSE_PCT),
    }  # fmt: skip


def in_vain_so_far(state: AdviceState, now: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether an alarm stood when the last step was done, and its figure has gone further the bad way since."""
    done = next((item for item in (state.open, state.last) if item is not None and item.done_ms is not None), None)
    if done is None or done.done_ms is None:
        return False
    worse = gone_worse(done.done_c, done.start_pct if done.begun_pct is None else done.begun_pct, now)
    rows = [row for row in standing.values() if row.condition == "active" and (row.since_ms or 0) <= done.done_ms]
    return any(worse.get(ALARMS[row.alarm].harm or "", False) for row in rows)
