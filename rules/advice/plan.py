"""What should be told now, without memory of what was told: the branch, the actions, their size and their reasons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rules.advice.balance import by_night, present_of
from rules.advice.cause import Cause, Standing, heat_comes_first, reason_of
from rules.advice.devices import Move, allowed, moves_for, present_knobs
from rules.advice.model import ChamberModel, model_from_json, prior_model
from rules.advice.search import Forecast, Solution, solve
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.settings import Chamber
from rules.terms.events import HOUR_MS, Action
from rules.trade import practice
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import ACTS, Step

CHECK_AGAIN_MS = 12 * HOUR_MS
MOST_ACTIONS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """An advisory without its life: what to do, why it was chosen and what was searched."""

    branch: str
    cause: Cause | None
    actions: tuple[Action, ...]
    acts: tuple[str, ...]
    moves: tuple[Move, ...] = ()
    forecasts: tuple[Forecast, ...] = ()
    solution: Solution | None = None
    never: tuple[str, ...] = ()
    knobs: Mapping[str, float] | None = None

    @property
    def keys(self) -> list[str]:
        """Return what is to be changed, without amounts: what must not flap."""
        return [f"{action.device}:{action.change}" for action in self.actions]


def model_of(chamber: Chamber, state: AdviceState) -> ChamberModel:
    """Return the fitted model, or what geometry says where there is none or it is of another version."""
    if state.model is None:
        return prior_model(chamber)
    try:
        return model_from_json(state.model)
    except ValueError:
        return prior_model(chamber)


def climate_stands(standing: Mapping[str, Standing]) -> list[Standing]:
    """Return the standing alarms that advice answers."""
    return [row for row in standing.values() if ALARMS[row.alarm].answered == "climate" and row.condition == "active"]


def probes_stand(standing: Mapping[str, Standing]) -> list[Standing]:
    """Return the standing alarms that say that something is not seen or not believed."""
    return [row for row in standing.values() if ALARMS[row.alarm].answered == "probe" and row.condition == "active"]


def cause_of(chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]) -> Cause:
    """Return the cause with what the advice remembers: the told settings, a lid called wet, mist that did not last."""
    knobs = present_knobs(chamber, state.told_knobs)
    was_wet = state.open is not None and state.open.lid_wet
    return reason_of(
        chamber, situation, standing, knobs, mist_useless=state.mist_failures >= 2, lid_was_wet=was_wet
    )


def plan(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Plan | None:
    """Return what should be told now; None where there is nothing to do or all that could be done waits for its effect."""
    found = without_search(chamber, state, situation, standing)
    return searched(chamber, state, situation, found) if isinstance(found, Cause) else found


def without_search(
    chamber: Chamber, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Plan | Cause | None:
    """Return what should be told now where no search is needed for it, else the cause whose cell must be searched."""
    if situation.temperature_c is None:
        return _blind(situation, standing)
    cause = cause_of(chamber, state, situation, standing)
    if heat_comes_first(situation, standing):
        return _heat(cause)
    if "unplugged" in cause.facts:
        return _plug_in(state, situation, cause, standing)
    special = _special(cause, standing)
    if special is not None:
        return special
    if situation.relative_humidity_pct is None or situation.saturated:
        return _without_humidity(chamber, state, situation, cause)
    return None if cause.cell.number == 9 else cause


def _action(act: str, text: str | None = None) -> Action:
    row = ACTS[act]
    return Action(row.device, row.change, None, None, text or row.text)


def _action_of(move: Move) -> Action:
    row = ACTS[move.act]
    return Action(row.device, row.change, round(move.amount, 2), move.unit, move.text)


def _plain(branch: str, cause: Cause | None, acts: tuple[str, ...], never: tuple[str, ...] = ()) -> Plan:
    return Plan(branch=branch, cause=cause, actions=tuple(_action(act) for act in acts), acts=acts, never=never)


def _blind(situation: Situation, standing: Mapping[str, Standing]) -> Plan | None:
    seen = probes_stand(standing)
    if not seen:
        return None
    named = sorted({row.probe for row in seen if row.probe})
    text = f"Check the probe{' ' if named else ''}{' and '.join(named)}: cable, power, water on it"
    return Plan(
        branch="probe", cause=None, actions=(_action("check-probe", text),), acts=("check-probe",),
        never=("Change nothing at heater, vents or mister on the strength of a probe that is not believed.",),
    )


def _heat(cause: Cause) -> Plan:
    acts = [step.act for step in practice.HEAT_BRANCH if allowed(step, cause)]
    return _plain("heat", cause, _distinct(acts)[:MOST_ACTIONS], practice.HEAT_NEVER)


def _distinct(acts: list[str]) -> tuple[str, ...]:
    """Return the acts in order, one for each device: a device gets at most one change per message."""
    out: dict[str, str] = {}
    for act in acts:
        device = "vent" if ACTS[act].device == "fan" else ACTS[act].device
        out.setdefault(device, act)
    return tuple(out.values())


def _special(cause: Cause, standing: Mapping[str, Standing]) -> Plan | None:
    active = {row.alarm for row in standing.values() if row.condition == "active"}
    if "lid-open" in active and "visiting" not in cause.facts:
        return _plain("lid-open", cause, ("check-lid",), ("Do not mist or heat against an open lid.",))
    if "heater-failed" in active:
        weak = "warm-room" if "room-warm" not in cause.facts else "check-heater"
        return _plain("heater-failed", cause, _distinct(["check-heater", weak]), ("Do not air the box: it cools.",))
    if "mister-stuck" in active:
        return _plain("mister-stuck", cause, _distinct(["stop-water", "check-lid"]), ("No mains plug with wet hands.",))
    return None


THERMOSTAT_FAILED_K = 2.5
"""A chamber that was this far above its set point has no working thermostat: a lower set point would not have helped."""
PLUG_IN_BELOW_K = 0.5
"""How far below the upper edge an unplugged heater's chamber must be before it is plugged in again: the deadband."""


def _plug_in(
    state: AdviceState, situation: Situation, cause: Cause, standing: Mapping[str, Standing]
) -> Plan | None:
    """Return the call to plug an unplugged heater in again, its set point lower by what was too much; not while it is warm."""
    knobs, goal = state.told_knobs, cause.goal
    t, room_c = situation.temperature_c or 0.0, situation.room_temperature_c
    if any(row.alarm in ("temperature-high", "heater-runaway") for row in climate_stands(standing)):
        return None  # too warm until that is over, whatever the figure says by now
    if t > goal.temperature_c + PLUG_IN_BELOW_K or (room_c is not None and room_c > goal.temperature_c):
        return None
    if "thermostat" not in cause.facts:
        return _plug_in_by_power(state, room_c, cause)
    reached = state.stopped_c or goal.high_c
    setpoint = knobs.get("setpoint", state.config_knobs.get("setpoint"))
    failed = setpoint is not None and reached - setpoint > THERMOSTAT_FAILED_K
    too_much = (setpoint or 0.0) - goal.temperature_c if failed else reached - goal.temperature_c
    delta = -round(max(too_much, 0.0) * 2.0) / 2.0
    value = None if setpoint is None else setpoint + delta
    how = f"by {-delta:g} K lower" if value is None else f"to {value:g} °C"
    text = f"Plug the heater in again, its thermostat set {how}; stay until you have seen it switch off once"
    if failed:
        past = f"{reached - (setpoint or 0.0):.0f} K past its set point"
        text = f"First find out why it heated {past} (probe fallen? relay stuck?). {text}"
    move = Move(act="plug-in", knob="heater", delta=delta, value=value, amount=-delta, unit="K", effort=1.0, text=text)
    return _plugged(cause, move)


def _plug_in_by_power(state: AdviceState, room_c: float | None, cause: Cause) -> Plan:
    """Return the call to plug in a heater without a thermostat again, at the share of its power that the target needs."""
    watts = state.told_knobs.get("watts", state.config_knobs.get("watts", 1.0))
    below = room_c if room_c is not None else cause.goal.low_c - 4.0
    share = (cause.goal.temperature_c - below) / max((state.stopped_c or cause.goal.harmful_high_c) - below, 1.0)
    value = round(watts * min(max(share, 0.1), 0.9), 1)
    text = f"Plug the heater in again, but with {value:g} W instead of {watts:g} W, and buy it a thermostat"
    move = Move(
        act="plug-in", knob="heater", delta=value - watts, value=value, amount=watts - value, unit="W", effort=1.0, text=text
    )
    return _plugged(cause, move)


def _plugged(cause: Cause, move: Move) -> Plan:
    return Plan(
        branch="plug-in", cause=cause, actions=(Action("heater", "more", None, None, move.text),), acts=("plug-in",),
        moves=(move,),
        never=("Do not leave it alone before you have seen the temperature hold.", "Do not turn it up to catch up faster."),
    )


def _without_humidity(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Plan | None:
    """Return what the temperature alone allows, and the call to look at the humidity probe."""
    acts = ["check-probe"]
    moves: list[Move] = []
    if cause.temperature != "ok":
        step = Step("heat-down" if cause.temperature == "high" else "heat-up",
            at_most=1.0 if cause.temperature == "low" else None)
        if cause.temperature == "low" and "heater-suspect" in cause.facts:
            acts.insert(0, "check-heater")
        elif not _waits(state, "heater", situation.at_ms):
            options = moves_for(step, chamber, cause, present_knobs(chamber, state.told_knobs))
            wanted = abs(cause.goal.temperature_c - (situation.temperature_c or 0.0))
            fitting = [m for m in options if abs(m.delta) <= wanted + 0.25] or options[:1]
            moves = fitting[-1:] if not any(m.watts_share for m in fitting) else fitting[:1]
    actions = tuple(_action_of(m) for m in moves) + tuple(_action(act) for act in acts)
    return Plan(
        branch="no-humidity", cause=cause, actions=actions[:MOST_ACTIONS], moves=tuple(moves),
        acts=(tuple(m.act for m in moves) + tuple(acts))[:MOST_ACTIONS],
        never=("Do not mist, dry or air the box by a humidity figure that is not believed.",),
    )


def _waits(state: AdviceState, knob: str, at_ms: int) -> bool:
    return state.judge_from_ms.get(knob, 0) > at_ms


def searched(chamber: Chamber, state: AdviceState, situation: Situation, cause: Cause) -> Plan | None:
    """Return the smallest set of changes of this cell that will do; None where nothing should be changed."""
    knobs = present_knobs(chamber, state.told_knobs)
    steps = [step for step in cause.cell.order if allowed(step, cause)]
    lead = _leading_check(steps, state, situation.at_ms)
    moves = [
        move for step in steps if not _waits(state, ACTS[step.act].knob, situation.at_ms)
        and not (lead and ACTS[lead].device == ACTS[step.act].device) for move in moves_for(step, chamber, cause, knobs)
    ]
    present = present_of(model_of(chamber, state), chamber, situation, knobs)
    if "night-ahead" in cause.facts and (situation.dew_margin_k or 0.0) > 0.0:
        present = by_night(present, practice.NIGHT_FALL_K)
    rank = {step.act: place for place, step in enumerate(cause.cell.order)}
    gains = {name: gain.mean for name, gain in state.gains.items()}
    room = MOST_ACTIONS - (1 if lead else 0)
    solution = solve(present, cause, moves, rank, gains, room, companions(cause, knobs, chamber))
    return _assembled(cause, state, steps, lead, solution, knobs, situation.at_ms)


def companions(cause: Cause, knobs: Mapping[str, float], chamber: Chamber) -> dict[str, frozenset[str]]:
    """Return acts that need company: heat in a wet box goes with foam, heat in dry cold with closing or water."""
    if cause.lid_wet and knobs.get("foam", 0.0) < 10.0:
        if chamber.devices.can_insulate_lid:
            return {"heat-up": frozenset({"insulate-lid"})}
        return {"heat-up": frozenset({"mist-less", "wet-less", "close-vents"})}
    if cause.cell.number == 1:
        partners = frozenset({"close-vents", "fan-less", "water", "insulate-lid", "mist-more"})
        return {"heat-up": partners}
    return {}


def _leading_check(steps: list[Step], state: AdviceState, at_ms: int) -> str | None:
    """Return the check that comes before any change, unless it was asked for within half a day."""
    for step in steps:
        act = ACTS[step.act]
        if act.knob != "none":
            return None
        if act.change in ("check", "move") and not _asked_lately(state, step.act, at_ms):
            return step.act
    return None


def _asked_lately(state: AdviceState, act: str, at_ms: int) -> bool:
    return at_ms - state.checked_ms.get(act, -CHECK_AGAIN_MS) < CHECK_AGAIN_MS


def findable_keys(state: AdviceState, cause: Cause, at_ms: int) -> set[str]:
    """Return all keys that a search in this cell may find: not what waits for its effect or was asked for lately."""
    acts = {step.act: ACTS[step.act] for step in cause.cell.order if allowed(step, cause)}
    return {action.device + ":" + action.change for _, action in _leave_be(cause)} | {
        f"{act.device}:{act.change}"
        for name, act in acts.items()
        if not (_asked_lately(state, name, at_ms) if act.knob == "none" else _waits(state, act.knob, at_ms))
    }


def _assembled(
    cause: Cause, state: AdviceState, steps: list[Step], lead: str | None, solution: Solution,
    knobs: Mapping[str, float], at_ms: int,
) -> Plan | None:
    rank = {step.act: place for place, step in enumerate(steps)}
    moves = tuple(sorted(solution.winner.moves, key=lambda move: rank[move.act]))
    chosen: list[tuple[str, Action]] = [(lead, _action(lead))] if lead else []
    chosen += [(move.act, _action_of(move)) for move in moves]
    used = {action.device for _, action in chosen}
    for step in steps:
        act = ACTS[step.act]
        asked = _asked_lately(state, step.act, at_ms)
        if len(chosen) < MOST_ACTIONS and act.knob == "none" and act.device not in used and not asked:
            chosen.append((step.act, _action(step.act)))
            used.add(act.device)
    if not chosen:
        chosen = _leave_be(cause)
    if not chosen:
        return None
    used_acts = {act for act, _ in chosen}
    return Plan(
        branch="cell", cause=cause, actions=tuple(action for _, action in chosen), acts=tuple(act for act, _ in chosen),
        moves=moves, forecasts=solution.forecasts, solution=solution, knobs=knobs,
        never=tuple(text for text in cause.cell.never if not ("heat-up" in used_acts and text in practice.AGAINST_HEAT)),
    )


def _leave_be(cause: Cause) -> list[tuple[str, Action]]:
    """Return the advice to do nothing where that is the right thing: humid air under a dry lid."""
    if cause.cell.number != 11:
        return []
    text = "Leave it as it is: humid air under a dry lid is what the garden likes"
    return [("mist-less", Action("water", "hold", None, None, text))]
