"""What the keeper can change, by how much, in the keeper's own units: the knobs, their present settings and the moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, floor

from rules.advice.cause import Cause
from rules.advice.weak_mat import WeakMat
from rules.climate.thermostat import BELOW_K
from rules.keeper.devices import foam_of
from rules.physics.mat_ends import loss_w_k
from rules.settings import Chamber
from rules.trade import practice
from rules.trade.acts import ACTS
from rules.trade.practice import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One possible change of one knob: how far, to which setting, at which effort, and in words."""

    act: str
    knob: str
    delta: float
    value: float | None
    amount: float
    unit: str
    effort: float
    text: str
    lifts_k: float = 0.0
    """What a turn of the heater comes to, K: of its set point, or of its power by the box's size and build."""

    @property
    def does(self) -> frozenset[str]:
        """What it is to a keeper: the change of its device, and that a mister which gives less still gives something."""
        act = ACTS[self.act]
        still = {f"{act.device}:on"} if self.value else set()
        return frozenset({f"{act.device}:{act.change}"} | still)

    @property
    def watts_share(self) -> bool:
        """Whether the heater is turned by its power, not by a set point."""
        return self.unit == "W"


def dial(value_c: float) -> float:
    """Return the nearest set point that a thermostat's knob can be set to: half degrees; common practice, no source."""
    return round(value_c * 2.0) / 2.0


def moves_for(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    """Return the moves that this step of a cell allows now; empty if it is barred, not there, or not a matter of size."""
    act = ACTS[step.act]
    if act.knob == "none" or not allowed(step, cause):
        return []
    sized = {
        "heater": _heater_moves, "vents": _vent_moves, "fan": _fan_moves,
        "mister": _mister_moves, "foam": _foam_moves, "water": _water_moves,
    }[act.knob]
    found = sized(step, chamber, cause, knobs)
    known = _dial_lies(cause) or _is_set_low(cause) or cause.weak is not None
    limit = None if step.act == "heat-up" and known else step.at_most
    if limit is not None:
        found = [move for move in found if _size(move) <= _most(move, limit, cause)]
    found = [move for move in found if cause.forbidden.isdisjoint(move.does)]
    # For a wet lid or dry air in one step to where the garden should be, not a half degree each few hours.
    once = step.act == "heat-down" and cause.temperature != "high" and cause.setpoint_c is not None
    return found[-1:] if once else found


def _size(move: Move) -> float:
    """Return by how much it turns its knob, in the unit of a step's limit: a heater in K, whether by set point or by power."""
    return abs(move.lifts_k if move.knob == "heater" else move.delta)


def _most(move: Move, limit: float, cause: Cause) -> float:
    """Return the most that it may turn its knob. No thermostat takes back what a turn of the power gives too much: by what is
    missing to the aim, where that is more."""
    missing_k = 0.0
    if move.watts_share and move.delta > 0.0 and cause.temperature_c is not None:
        missing_k = cause.goal.temperature_c - cause.temperature_c
    return max(limit, missing_k) + 1e-9


def allowed(step: Step, cause: Cause) -> bool:
    """Return whether the facts call for this step and none of them forbids it."""
    act, facts = ACTS[step.act], cause.facts
    if "dry-on-purpose" in facts and act.device in ("mister", "water", "garden") and act.change in ("more", "close"):
        return False
    if f"{act.device}:{act.change}" in cause.forbidden:
        return False
    return facts.issuperset(step.when) and facts.issuperset(act.needs) and facts.isdisjoint(act.bars)


def _move(
    step: Step, delta: float, value: float | None, amount: float, unit: str, text: str, share: float, lifts_k: float = 0.0
) -> Move:
    act = ACTS[step.act]
    return Move(
        act=step.act, knob=act.knob, delta=delta, value=value, amount=amount, unit=unit, text=text,
        effort=act.effort * (0.5 + share), lifts_k=lifts_k,
    )


def _heater_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    heater = chamber.devices.heater
    if heater is None:
        return []
    direction = ACTS[step.act].direction
    if not heater.thermostat:
        k_w = 1.0 / loss_w_k(chamber.air_ml, chamber.lid)
        return _power_moves(step, heater.watts, knobs.get("watts", heater.watts), direction, cause.weak, k_w)
    up_k = practice.HEAT_STEP_SEEN_K if _dial_lies(cause) else practice.HEAT_STEP_UP_K
    if _is_set_low(cause):
        up_k = max(up_k, cause.goal.temperature_c - (cause.setpoint_c or 0.0))
    largest = up_k if direction > 0 else practice.HEAT_STEP_DOWN_K
    setpoint, word = knobs.get("setpoint"), "up" if direction > 0 else "down"
    if direction < 0 and cause.temperature != "high" and _is_not_heeded(setpoint, heater.setpoint_c, cause.temperature_c):
        return []
    out = []
    for tenth in range(5, int(largest * 10) + 1, 5):
        delta = direction * tenth / 10.0
        if setpoint is None:
            aim = dial(cause.goal.temperature_c)  # told too, so that it is known from then on and no step is told twice
            text = f"Turn the heater's thermostat {word} by {abs(delta):g} K, or to {aim:g} °C if its dial shows figures"
            out.append(_move(step, delta, aim, abs(delta), "K", text, abs(delta) / 4.0, delta))
            continue
        value = dial(setpoint + delta)
        delta = value - setpoint
        under_k = _under_dial_k(setpoint, cause)
        least_c = cause.goal.low_c + cause.goal.inside_k if cause.temperature == "high" else cause.goal.temperature_c
        lowest_c = least_c + under_k  # for a wet lid or dry air the garden is not made colder than it should be
        highest_c = cause.goal.high_c + (under_k if _dial_lies(cause) else 0.0)
        if value <= highest_c and (direction > 0 or value >= lowest_c):
            text = f"Turn the heater's thermostat {word} from {round(setpoint, 1):g} to {value:g} °C"
            if under_k >= OFF_DIAL_K:
                text += f"; its dial is off by {under_k:.0f} K, so go by the thermometer in the box"
            out.append(_move(step, delta, value, abs(delta), "K", text, abs(delta) / 4.0, delta))
    return out


def _is_not_heeded(setpoint: float | None, was_c: float | None, temperature_c: float | None) -> bool:
    """Return whether the dial was told down and the air did not come along by half: it was not turned, or something else heats.
    A step further down is then no help, and harmful to who makes all of them at last."""
    if setpoint is None or was_c is None or temperature_c is None or was_c - setpoint < HEEDED_FROM_K:
        return False
    return temperature_c > (was_c + setpoint) / 2.0


def _dial_lies(cause: Cause) -> bool:
    """Return whether a heater that the keeper has looked at holds the air plainly below what its dial is said to be set to."""
    t, told = cause.temperature_c, cause.setpoint_c
    return "heater-seen" in cause.facts and t is not None and told is not None and t <= told - BELOW_K


def _is_set_low(cause: Cause) -> bool:
    """Return whether a thermostat that holds its box is set below the band: then how far up it must go is known."""
    return cause.thermostat == "regulating" and cause.setpoint_c is not None and cause.setpoint_c < cause.goal.low_c


def _under_dial_k(setpoint: float, cause: Cause) -> float:
    """Return how far under its dial a thermostat that was seen to switch holds the box, K: its bounds are moved by as much."""
    return setpoint - cause.temperature_c if cause.thermostat == "regulating" and cause.temperature_c is not None else 0.0


HEEDED_FROM_K = 1.0
"""A set point that was told down by less is not told from a thermostat's swing; own estimate."""
OFF_DIAL_K = 2.5
"""A dial that is off by more is told: the keeper would take the figure for a fault, or not dare to set it; own estimate."""
SURE_PARTS = (0.5, 0.65, 0.8)
STRONGER = 1.5
"""A mat that is on all the time and too weak is exchanged for one of up to so many times the watts of the keeper's config, and
of no more before its lift is seen: the mat of a cold box may be one that is out; judgement."""


def _power_moves(step: Step, rated: float, now: float, direction: int, weak: WeakMat | None, k_w: float) -> list[Move]:
    out = []
    unit = 0.1 if rated < 2.0 else 0.5 if rated < 10.0 else 1.0
    tenths = [1, 2, 3, 4, 6] if direction > 0 else [1, 2, 3, 4, 5, 6]
    most = max(now, STRONGER * rated)
    thens = [round(round((now + direction * max(rated, now) * tenth / 10.0) / unit) * unit, 1) for tenth in tenths]
    if now < rated:  # one that was turned down first goes back to what held the box
        thens = [min(then, rated) for then in thens]
    thens = list(dict.fromkeys(then for then in thens if 0.0 <= then <= most and then != now))
    if direction > 0 and weak is not None:
        part_w = [round(2.0 * part * weak.needs_w) / 2.0 for part in SURE_PARTS]  # in a warmer room all of it may be too much
        thens = list(dict.fromkeys([*(then for then in (*thens, *part_w) if now < then < weak.needs_w), weak.needs_w]))
    for then in thens:
        word, other = ("up", "a stronger") if direction > 0 else ("down", "a smaller")
        how = "switch it off" if then == 0 else f"turn it {word} from {now:g} to {then:g} W"
        text = f"Heater: {how} (dimmer, timer share or {other} mat; better a thermostat)"
        text += "; turn it down again as the room gets warmer" if then > STRONGER * rated else ""
        share = min(abs(then - now) / max(rated, now), 0.6)
        out.append(_move(step, then - now, then, abs(then - now), "W", text, share, (then - now) * k_w))
    return out


def _vent_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    now, direction = int(knobs.get("vents", 0.0)), ACTS[step.act].direction
    last = chamber.devices.vents.count if direction > 0 else 0
    out = []
    for value in range(now + direction, last + direction, direction):
        count = abs(value - now)
        noun = "vent" if count == 1 else "vents"
        verb = "Open" if direction > 0 else "Close"
        text = f"{verb} {count} {noun} ({value} of {chamber.devices.vents.count} then open)"
        text += "" if value else "; leave a pinhole: the box must breathe"
        out.append(_move(step, value - now, value, count, "openings", text, 0.2 * count))
    return out[:4]


def _fan_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    now, direction = knobs.get("fan", 0.0), ACTS[step.act].direction
    more = (0.5, 1.0, 2.0, 5.0, 10.0)  # no more at once: in a small box seconds of it change all the air
    values = [now + m for m in more if now + m <= 60.0] if direction > 0 else [round(now * s, 1) for s in (0.75, 0.5, 0.25,
        0.0)]
    out = []
    for value in values:
        if value != now:
            less = "Switch the fan off" if value == 0 else f"Turn the fan down from {now:g} to {value:g} min per hour"
            text = f"Run the fan {value:g} min per hour instead of {now:g}" if direction > 0 else less
            out.append(_move(step, value - now, value, abs(value - now), "min/h", text, abs(value - now) / 30.0))
    return out


def _mister_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    mister = chamber.devices.mister
    if mister is None:
        return []
    now, direction, dose = knobs.get("mister", 0.0), ACTS[step.act].direction, mister.ml_per_press or LEAST_DOSE_ML
    base = max(0.2, chamber.air_ml / 8000.0)
    wanted = [now + base * m for m in (0.5, 1.0, 2.0, 4.0, 8.0)] if direction > 0 else [now * s for s in (0.75, 0.5, 0.25, 0.0)]
    values = dict.fromkeys(_dosed(raw, dose, direction) for raw in wanted)
    if direction > 0 and "dry-harms" in cause.facts:
        values = dict.fromkeys(max(value, dose) for value in values)  # every day
    return [
        _move(step, value - now, value, abs(round(value - now, 2)), "ml/d", _mist_text(now, value, mister.ml_per_press),
              min(1.0, abs(value - now) / (8 * base)))
        for value in values
        if direction * (value - now) >= 0.05 and value <= mister.max_ml_per_day
    ]  # fmt: skip


LEAST_DOSE_ML = 0.5
"""The least that a keeper gives at a time where no press is known: about one press of a small sprayer; own estimate."""
DAYS_BETWEEN = (2, 3, 4, 7)
"""The intervals of what is too little for every day: such as a keeper can remember. Common practice, no source."""


def _dosed(ml_per_day: float, dose_ml: float, direction: int) -> float:
    """Return the nearest amount that can be given: whole doses a day, or one dose every few days, never past the direction."""
    if ml_per_day >= dose_ml:
        doses = ml_per_day / dose_ml
        return round((ceil(doses - 1e-9) if direction > 0 else floor(doses + 1e-9)) * dose_ml, 2)
    rungs = [0.0, *(dose_ml / days for days in reversed(DAYS_BETWEEN)), dose_ml]
    return round(rungs[min(range(len(rungs)), key=lambda rung: abs(rungs[rung] - ml_per_day))], 3)


def _mist_text(now: float, value: float, ml_per_press: float | None) -> str:
    if value == 0:
        return "Stop misting"
    then, before = _dose_text(value, ml_per_press), _dose_text(now, ml_per_press)
    return f"Mist the walls, never the garden, with {then} instead of {before}"


def _dose_text(ml_per_day: float, ml_per_press: float | None) -> str:
    """Return an amount as a keeper gives it, in whole doses; what was told otherwise in ml a day."""
    dose = ml_per_press or LEAST_DOSE_ML
    for days in (1, *DAYS_BETWEEN):
        count = round(ml_per_day * days / dose)
        if count < 1 or (days > 1 and count > 1) or abs(count * dose - ml_per_day * days) > 0.01 * days:
            continue
        often = "a day" if days == 1 else f"every {days} days"
        if ml_per_press is None:
            return f"{count * dose:g} ml {often}"
        return f"{count} {'press' if count == 1 else 'presses'} {often} ({count * dose:g} ml)"
    return f"{ml_per_day:g} ml a day"


def _foam_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    now = knobs.get("foam", 0.0)
    bare = now == 0.0 or (now == foam_of(chamber) and chamber.lid.insulation_mm == 0.0 and chamber.lid.build == "double")
    out = []
    for value in (10.0, 20.0, 30.0):
        if value > now:
            more = f"Make the foam on the lid {value:g} mm instead of {now:g} mm"
            verb = f"Lay {value:g} mm of foam on the lid" if bare else more
            out.append(_move(step, value - now, value, value - now, "mm", f"{verb}, vents left free", (value - now) / 60.0))
    return out


def _water_moves(step: Step, chamber: Chamber, cause: Cause, knobs: Mapping[str, float]) -> list[Move]:
    now, direction = knobs.get("water", 1.0), ACTS[step.act].direction
    ml = max(1.0, round(10.0 * (chamber.air_ml / 10_000.0) ** (2.0 / 3.0)))
    if direction < 0:
        hangs = "water-hangs" in cause.facts
        text = "Take out about {} of the wet granules, or let that share dry"
        if hangs or cause.humidity == "high":
            text = "Soak up any water that stands on the ground, and take out about {} of the wet granules, or let it dry"
        return [
            _move(step, -share * now, now * (1.0 - share), round(100.0 * share, 2), "%", text.format(part), share)
            for share, part in ((0.3, "a third"), (0.7, "two thirds"))[: 2 if hangs else 1] if now > share + 0.1
        ]  # fmt: skip
    how = "Fill the drinker and wet the clay granules along the wall with {:g} ml, away from the garden"
    if "shut-in" in cause.facts:
        how = "Give {:g} ml of water along a wall, away from her, by a syringe through a vent or the pinhole, the lid shut"
    return [
        _move(step, now * (factor - 1.0), now * factor, amount, "ml", how.format(amount), share)
        for factor, amount, share in ((1.4, ml, 0.1), (1.8, 2.0 * ml, 0.25), (2.6, 4.0 * ml, 0.5))[: 3 if cause.thirsty else 1]
    ]
