"""Did it work? What happened after a change against what was predicted, and how strongly each device works in this box."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import sqrt

from rules.advice.standing import Standing
from rules.advice.state import AdviceState, Gain, OpenAdvice, ToldForecast
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.settings import Chamber
from rules.terms.advised import Effect
from rules.terms.events import DAY_MS

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
_NOISE = {"temperature": 0.25, "humidity": 1.5, "margin": 0.35}  # own estimate


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of a done advisory: the share of the predicted effect, its uncertainty and the line of numbers."""

    said: Effect
    share: float | None
    u_share: float | None
    because: str


def judge(item: OpenAdvice, situation: Situation, calibrated: bool = False) -> Verdict:
    """Return the verdict on a done advisory, by the figure that its first knob acts on, else by the clearest effect.

    `calibrated`: a probe was calibrated or changed meanwhile, so that what was before cannot be compared (case C16).
    """
    if calibrated:
        return Verdict("cannot tell", None, None, "A probe was calibrated meanwhile, so before and after cannot be compared.")
    forecast = _forecast_at(item, situation.at_ms)
    if forecast is None or not item.moves:
        return Verdict("cannot tell", None, None, _then_and_now(item, situation))
    options = []
    for name, start, begun, then, now, unit in (
        ("temperature", item.start_c, item.begun_c, forecast.temperature_c, situation.temperature_c, "K"),
        ("humidity", item.start_pct, item.begun_pct, forecast.humidity_pct, situation.relative_humidity_pct, "points"),
        ("margin", item.start_margin_k, item.begun_margin_k, forecast.margin_k, situation.dew_margin_k, "K"),
    ):
        if start is not None and now is not None:
            wanted = (then - start) * item.done_share
            got = now - (start if begun is None else begun)  # what went on before it was done is not its effect
            options.append((abs(wanted) / _NOISE[name], name, wanted, got, unit))
    own = [option for option in options if option[1] == _OWN.get(item.moves[0].knob, "humidity") and option[0] >= 2.0]
    if not options or max(options)[0] < 2.0:
        return Verdict("cannot tell", None, None, "The expected change was too small to be told from the probes' noise.")
    _, name, wanted, got, unit = max(own or options)
    share, u_share = got / wanted, _NOISE[name] * sqrt(2.0) / abs(wanted)
    because = f"Expected {wanted:+.1f} {unit} of {name}, seen {got:+.1f} {unit}."
    bounds: tuple[tuple[float, Effect], ...] = ((0.2, "no effect"), (0.6, "too little"), (1.7, "works"))
    said: Effect = next((name for bound, name in bounds if share < bound), "more than expected")
    return Verdict(said, share, u_share, because)


def _then_and_now(item: OpenAdvice, situation: Situation) -> str:
    """Return what was and what is, for advice that predicted no figure (a check, heat that had to be stopped)."""
    if item.start_c is None or situation.temperature_c is None:
        return "There was no figure to compare with."
    if item.done_c is not None:
        return f"It was {item.done_c:.1f} °C when this was done and {situation.temperature_c:.1f} °C when I looked again."
    return f"It was {item.start_c:.1f} °C when this was advised and {situation.temperature_c:.1f} °C when I looked again."


def _forecast_at(item: OpenAdvice, at_ms: int) -> ToldForecast | None:
    """Return what was predicted for the time since the change, between the two nearest instants."""
    if item.done_ms is None or not item.forecasts or item.start_c is None or item.start_pct is None:
        return None
    told = item.told_ms
    start = ToldForecast(told, item.start_c, 0.1, item.start_pct, 0.5, item.start_margin_k or 0.0, 0.2)
    rows, after = [start, *item.forecasts], at_ms - item.done_ms + told
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
    )


def learned(state: AdviceState, item: OpenAdvice, verdict: Verdict) -> AdviceState:
    """Return the state with the changed knob's gain learned; only from an advisory of one knob, since two share an effect."""
    failures = state.mist_failures
    if any(move.act == "mist-more" for move in item.moves):
        failures = failures + 1 if verdict.said in ("no effect", "too little") else 0
    if verdict.share is None or verdict.u_share is None or len(item.moves) != 1:
        return replace(state, mist_failures=failures)
    knob = item.moves[0].knob
    old = state.gains.get(knob, Gain())
    variance, noise = old.spread**2 + 0.02, verdict.u_share**2 + 0.04
    weight = variance / (variance + noise)
    seen = min(max(verdict.share, 0.1), 3.0) * old.mean
    new = Gain(
        mean=min(max(old.mean + weight * (seen - old.mean), 0.15), 4.0), spread=sqrt(variance * (1.0 - weight)),
        count=old.count + 1
    )
    return replace(state, mist_failures=failures, gains=state.gains | {knob: new})


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


def verdict_text(item: OpenAdvice, verdict: Verdict) -> str:
    """Return the verdict as one plain sentence, with where to look if nothing happened."""
    knob = item.moves[0].knob if item.moves else ""
    if verdict.said == "no effect":
        return f"No effect seen: {_WHY_NOTHING.get(knob, 'look whether it was really changed')}"
    if verdict.said == "cannot tell" and not item.moves:
        return "Done, thank you"
    return {
        "works": "It works: the change does what was expected",
        "too little": "It helps, but less than expected: another step may follow",
        "more than expected": "It does more than expected: the next step will be smaller",
        "cannot tell": "Done, thank you: the effect is too small to judge",
    }[verdict.said]
