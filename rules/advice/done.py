"""What the keeper did of the advice: what was told under the name that the letter gave it, or another amount of that."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Any

from rules.advice.model import model_from_json
from rules.advice.planned import judged_by
from rules.advice.put_back import opened, taken_back_until_ms
from rules.advice.recalled import COOLS_FOR_MS, OUT_MS
from rules.advice.set_point import LOWERED_K, lowered_k
from rules.advice.state import AdviceState, BeforeDone, OpenAdvice, ToldMove
from rules.advice.verification import WATERS
from rules.advice.worth import awaiting
from rules.climate.situation import Situation
from rules.keeper.devices import told_knobs
from rules.keeper.state import DeviceChange
from rules.settings import Chamber
from rules.terms.advised import Action
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade import practice

WETTEST = 2.0
"""Ground is never remembered as wetter than this against the first day: granules dry again, and only the next step counts."""


def changed_ms(state: AdviceState, changes: Sequence[DeviceChange]) -> int | None:
    """Return when something was last changed at the chamber: what was before tells nothing of what is."""
    done = [item.done_ms for item in (state.open, state.last) if item is not None and item.done_ms is not None]
    return max([*done, *(change.at_ms for change in changes)], default=None)


@dataclass(frozen=True, slots=True)
class Owed:
    """Up to when an adviser must be asked although nothing stands, and up to when at whole hours: 0, nothing is owed."""

    until_ms: float
    hourly_until_ms: float

    def at(self, at_ms: int) -> bool:
        """Return whether it must be asked at an instant."""
        return at_ms < self.until_ms or (at_ms < self.hourly_until_ms and at_ms % HOUR_MS == 0)

    def after(self, at_ms: int) -> bool:
        """Return whether it must be asked at an instant or later."""
        return at_ms < max(self.until_ms, self.hourly_until_ms)


def owed(state: AdviceState, chamber: Chamber, changes: Sequence[DeviceChange]) -> Owed:
    """Return how long advice is owed: while some is open, a heater waits to be plugged in or turned up again or a vent to be
    closed, and for some hours where a plug may be out. For days, but not by the minute, where a room may be let warm or cool
    again, or what may stand open be shut."""
    unplugged = told_knobs(changes).get("heater_plugged", 1.0) == 0.0
    left = unplugged or lowered_k(chamber, changes) > LOWERED_K or bool(opened(chamber, changes))
    if state.open is not None or left:
        return Owed(inf, inf)
    ended_ms, back_ms = max(state.by_itself_ms, default=0), taken_back_until_ms(state, chamber, changes)
    if ended_ms <= state.checked_ms.get("plug-again", 0):
        return Owed(0, back_ms)
    return Owed(ended_ms + COOLS_FOR_MS, max(ended_ms + OUT_MS, back_ms))


def wordings(state: AdviceState) -> Iterator[tuple[OpenAdvice, OpenAdvice]]:
    """Yield the open advisory and the one before it, each with every wording in which it was told."""
    for item in (state.open, state.last):
        if item is not None:
            yield from ((item, wording) for wording in (item, *item.earlier))


def told_as(state: AdviceState, name: str) -> OpenAdvice | None:
    """Return what was told under a name, as done if its first step is done already in another wording; None: nothing was."""
    found = next(((item, wording) for item, wording in wordings(state) if wording.name == name), None)
    if found is None:
        return None
    item, wording = found
    is_done = wording.done_ms is None and item.done_ms is not None and not _leads_elsewhere(wording, item)
    return item if is_done else wording


def still_asked(state: AdviceState, told: OpenAdvice) -> OpenAdvice | None:
    """Return the wording that stands beside what is done, because it asks for something else; None: nothing does."""
    now = state.open
    return now if now is not None and now.done_ms is None and _is_aside(now, told) else None


def _is_aside(now: OpenAdvice, told: OpenAdvice) -> bool:
    """Whether an earlier wording of an advisory was done, and the one that stands is not done with it, or was done before."""
    earlier = _same(now, told) and now.name != told.name
    return earlier and (now.done_ms is not None or _leads_elsewhere(now, told))


def _leads_elsewhere(one: OpenAdvice, done: OpenAdvice) -> bool:
    """Whether the first step of one wording is none of those of another that was done."""
    return bool(one.acts) and one.acts[0] not in done.acts


@dataclass(frozen=True, slots=True)
class Begun:
    """When something was done, and how it was then: the temperature, and the means over the heater's swing, where known."""

    at_ms: int
    now_c: float | None = None
    mean_c: float | None = None
    mean_pct: float | None = None
    mean_margin_k: float | None = None


def begun_at(at_ms: int, now_c: float | None, steady: Situation | None) -> Begun:
    """Return how it is at an instant, `steady` with the means over the heater's swing."""
    if steady is None:
        return Begun(at_ms, now_c)
    return Begun(at_ms, now_c, steady.temperature_c, steady.relative_humidity_pct, steady.dew_margin_k)


TURNS = ("heat-up", "heat-down")
"""What is booked also of a dial without figures: to where it was turned is not known, and when it was is."""


def done(
    state: AdviceState, told: OpenAdvice, amount: float | None, begun: Begun, vents: int = 0, *, left_out: bool = False
) -> tuple[AdviceState, list[DeviceChange]]:
    """Return the state in which what was told is done, scaled by the amount that it really was, and the settings since then.

    `vents`: how many there are; aired in an emergency, all are open. `left_out`: its heater was found not to switch off.
    """
    at_ms = begun.at_ms
    shares, stopped = _shares(told, amount), "heater:stop" in told.keys
    made = [(move, share) for move, share in zip(told.moves, shares, strict=True) if share > 0.0]
    made = [(move, share) for move, share in made if not left_out or move.knob != "heater"]
    plugged = any(move.act == "plug-in" for move, _ in made)
    changes = [DeviceChange(at_ms, "heater_plugged", 1.0)] if plugged else []
    changes += [_change(move, share, at_ms) for move, share in made if move.value is not None or move.act in TURNS]
    dimmed_out = any(change.knob == "watts" and not change.value for change in changes)
    changes += [DeviceChange(at_ms, "heater_plugged", 0.0)] if stopped or dimmed_out or left_out else []
    state = replace(state, stuck_ms=at_ms) if left_out else state
    state = replace(state, heated_ms=at_ms) if plugged else state
    if not any(change.knob == "vents" for change in changes):
        changes += done_along(told, at_ms, vents)
    shortest = {"heat": 15 * MINUTE_MS, "place-back": practice.WAIT_S["heater"] * 1000}.get(told.branch, 30 * MINUTE_MS)
    knobs = judged_by(told.acts, [move for move, _ in made], told.forecasts)
    wait_ms = practice.wait_s(knobs) * 1000 if knobs else shortest
    others = [replace(other, earlier=[]) for item, other in wordings(state) if _same(item, told) and other.name != told.name]
    booked = replace(
        told, earlier=others, done_ms=at_ms, done_c=begun.now_c, done_share=shares[0] if shares else 1.0,
        look_again_ms=at_ms + wait_ms, begun_c=begun.mean_c, begun_pct=begun.mean_pct, begun_margin_k=begun.mean_margin_k,
    )
    judged = {move.knob: at_ms + practice.WAIT_S[move.knob] * 1000 for move, _ in made}
    state = replace(state, judge_from_ms=state.judge_from_ms | judged)
    if stopped:
        reached = [celsius for celsius in (told.start_c, begun.now_c) if celsius is not None]
        state = replace(state, stopped_c=max(reached, default=None))
        if "stop-unsure" in told.acts:  # where nobody measures the room it may be that which heats
            state = replace(state, cleared_ms=at_ms)
        else:
            state = replace(state, stopped_at_ms=[*state.stopped_at_ms, at_ms][-10:])
    if "heater:check" in told.keys or not {"plug-back", "plug-again", "swap-heater"}.isdisjoint(told.acts):
        state = replace(state, heater_seen_ms=at_ms)
    if "lid:check" in told.keys:
        watered = any(move.knob in WATERS for move, _ in made)
        state = replace(state, lid_checked_ms=at_ms, water_failures=state.water_failures if watered else 0)
    now = state.open
    if now is not None and _is_aside(now, told):
        booked = replace(booked, earlier=[])
        earlier = [booked if wording.name == told.name else wording for wording in now.earlier]
        return replace(state, open=replace(now, earlier=earlier), searches=[]), changes
    state = awaiting(state, told, at_ms)
    return replace(state, open=booked) if now is not None and _same(now, told) else replace(state, last=booked), changes


def remembered(state: AdviceState, told: OpenAdvice, word_id: str, at_ms: int, known: Collection[str]) -> AdviceState:
    """Return the state that still knows what held before `told` is done; of words that are not `known` any more it forgets."""
    before = BeforeDone(
        word_id, told.advisory, at_ms, told.look_again_ms, [move.knob for move in told.moves], state.gains, state.judge_from_ms,
        state.mist_failures, state.stopped_c, state.heater_seen_ms, state.lid_checked_ms, state.water_failures,
    )  # fmt: skip
    return replace(state, before_done=[*(one for one in state.before_done if one.word_id in known), before])


def taken_back(state: AdviceState, word_id: str) -> AdviceState:
    """Return the state as if the keeper had not said that an advisory is done; one that knows nothing of it stays.

    What later doings of the same devices taught goes too: it was learned on top of what was never done.
    """
    before = next((one for one in state.before_done if one.word_id == word_id), None)
    if before is None:
        return state
    others = {knob: one for knob, one in state.gains.items() if knob not in before.knobs}
    gains = others | {knob: before.gains[knob] for knob in before.knobs if knob in before.gains}
    judge = {knob: at_ms for knob, at_ms in state.judge_from_ms.items() if knob not in before.knobs}
    judge |= {knob: before.judge_from_ms[knob] for knob in before.knobs if knob in before.judge_from_ms}
    stopped = before.done_ms in state.stopped_at_ms
    looked, checked = (seen_ms == before.done_ms for seen_ms in (state.heater_seen_ms, state.lid_checked_ms))
    return replace(
        state, open=_not_done(state.open, before), last=_not_done(state.last, before), gains=gains, judge_from_ms=judge,
        mist_failures=before.mist_failures if "mister" in before.knobs else state.mist_failures,
        water_failures=before.water_failures if checked or not WATERS.isdisjoint(before.knobs) else state.water_failures,
        stopped_c=before.stopped_c if stopped else state.stopped_c,
        stopped_at_ms=[at_ms for at_ms in state.stopped_at_ms if at_ms != before.done_ms],
        in_vain_ms=[at_ms for at_ms in state.in_vain_ms if at_ms != before.done_ms],
        stuck_ms=None if state.stuck_ms == before.done_ms else state.stuck_ms,
        heated_ms=None if state.heated_ms == before.done_ms else state.heated_ms,
        heater_seen_ms=before.heater_seen_ms if looked else state.heater_seen_ms,
        lid_checked_ms=before.lid_checked_ms if checked else state.lid_checked_ms,
        unheated_ms=None if "heater" in before.knobs else state.unheated_ms,
        before_done=[one for one in state.before_done if one is not before], searches=[], quiet_until_ms=None,
        awaited=[],
    )


def _not_done(item: OpenAdvice | None, before: BeforeDone) -> OpenAdvice | None:
    """Return an advisory as it was told last, not done."""
    if item is None or item.advisory != before.advisory:
        return item
    told = [_cleared(wording, before) if wording.done_ms == before.done_ms else wording for wording in (item, *item.earlier)]
    if item.done_ms != before.done_ms:
        return replace(item, earlier=told[1:])
    *earlier, newest = sorted(told, key=lambda wording: wording.event.revision)
    return replace(newest, earlier=[replace(wording, earlier=[]) for wording in earlier])


def _cleared(told: OpenAdvice, before: BeforeDone) -> OpenAdvice:
    return replace(
        told, done_ms=None, done_c=None, done_share=1.0, begun_c=None, begun_pct=None, begun_margin_k=None,
        look_again_ms=before.look_again_ms,
    )


def corrects(state: AdviceState, item: OpenAdvice, amount: float | None, at_ms: int) -> BeforeDone | None:
    """Return what held before an advisory was done, where another amount of it is told before its effect is judged."""
    if item.done_ms is None or amount is None or at_ms >= item.look_again_ms:
        return None
    of_it = (one for one in state.before_done if (one.advisory, one.done_ms) == (item.advisory, item.done_ms))
    return next(of_it, None)


def begun_before(item: OpenAdvice, at_ms: int) -> Begun:
    """Return how it was when a done advisory was done."""
    return Begun(at_ms, item.done_c, item.begun_c, item.begun_pct, item.begun_margin_k)


def done_along(told: OpenAdvice, at_ms: int, vents: int) -> list[DeviceChange]:
    """Return the settings since then of each chamber that this was told for: of all that is asked of several, the vents.

    Who was to air only where the room feels cooler may have kept the sun off instead: what the vents are then is not known.
    """
    aired = "vent:open" in told.keys and "air-if-cooler" not in told.acts
    return [DeviceChange(at_ms, "vents", float(vents))] if vents and aired else []


def _same(one: OpenAdvice, other: OpenAdvice) -> bool:
    return one.advisory == other.advisory


def _shares(told: OpenAdvice, amount: float | None) -> list[float]:
    """Return how much of each change was made: an amount is that of the first one."""
    first = told.moves[0].amount if told.moves else 0.0
    share = 1.0 if amount is None or not first else max(0.0, amount / first)
    return [share, *(1.0 for _ in told.moves[1:])] if told.moves else []


def _change(move: ToldMove, share: float, at_ms: int) -> DeviceChange:
    key = "watts" if move.unit == "W" else "setpoint" if move.knob == "heater" else move.knob
    if move.value is None:
        return DeviceChange(at_ms, key, None)
    value = round((move.value or 0.0) - move.delta + move.delta * share, 4)
    value = min(value, WETTEST) if key == "water" else float(round(value)) if key == "vents" else value
    return DeviceChange(at_ms, key, value)


def asked_text(told: OpenAdvice) -> str:
    """Return what one wording asked for."""
    return "; ".join(action.text for action in told.event.actions)


def _measured(told: OpenAdvice) -> Action | None:
    """Return the action that an amount is told of: the first one that has one."""
    return next((action for action in told.event.actions if action.amount is not None), None) if told.moves else None


def why_no_amount(told: OpenAdvice, amount: float | None) -> str | None:
    """Return why this amount cannot be told of an advisory; None: it can, or there is none."""
    if amount is None:
        return None
    if _measured(told) is None:
        return f"no_amount: {told.name} asks for no amount ({asked_text(told)}); say that it is done without one."
    if amount == 0.0 and len(told.event.actions) == 1:
        return f"not_done: an amount of 0 means that {told.name} was not done ({asked_text(told)}); it stays as it is."
    return None


def why_not_left_out(told: OpenAdvice, chamber: Chamber, *, left_out: bool) -> str | None:
    """Return why its heater cannot be said to be left out; None: it can, or that is not said."""
    heater = chamber.devices.heater
    if not left_out or (heater is not None and any(action.device == "heater" for action in told.event.actions)):
        return None
    return f"no_heater: {told.name} asks for nothing at a heater ({asked_text(told)}); say that it is done without it."


def booked_text(
    told: OpenAdvice, amount: float | None, others: Sequence[str] = (), still: OpenAdvice | None = None, *,
    left_out: bool = False,
) -> str:
    """Return what is booked, in the words in which it was told, at which other chambers, and what is still asked."""
    along = f" Booked for {' and '.join(others)} too." if others else ""
    first = None if amount is None else _measured(told)
    really = "" if first is None else f" (really {amount:g} {first.unit})"
    asked = [action for action in told.event.actions if amount or action is not first]
    if left_out:
        rest = "".join(f"; {action.text}" for action in asked if action.device != "heater")
        return f"{told.name} is done. Booked: the heater does not switch off and is left out{rest}.{along}"
    texts = [action.text + (really if action is first else "") for action in asked]
    left = f" Not done: {first.text}." if first is not None and not amount else ""
    done = f"{told.name} is done; what it does will be compared with what was predicted."
    if still is not None:
        done = f"{told.name} is done. {still.name} is still asked: {asked_text(still)}."
    return f"{done} Booked: {'; '.join(texts)}.{left}{along}"


def fitted(state: AdviceState, model: Mapping[str, Any]) -> AdviceState:
    """Return the state with the model of the daily fit; of a model of another version the one before stays."""
    try:
        model_from_json(dict(model))
    except ValueError:
        return state
    return replace(state, model=dict(model), searches=[])


def calibrated(state: AdviceState, at_ms: int) -> AdviceState:
    """Return the state in which for a day no change is judged by a probe whose correction has just stepped."""
    return replace(state, metrology_until_ms=at_ms + 24 * HOUR_MS)


