"""The advisory in plain words: first what to do, then the chain of numbers behind it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import hypot, sqrt
from typing import Literal

from rules.advice.balance import STRUCTURE_SHARE
from rules.advice.branches import BRANCHES
from rules.advice.cause import Cause
from rules.advice.goal import garden_ml
from rules.advice.planned import Plan
from rules.advice.search import HALF_WAY, HELPS_SHARE, Forecast, standing_misses
from rules.advice.standing import Standing
from rules.advice.state import Worth
from rules.advice.worth import EVEN_FROM_NOTHING, brought, factor, humidity_of
from rules.climate.situate import NO_ROOM_HUMIDITY
from rules.climate.situation import Situation
from rules.settings import Chamber
from rules.terms.advised import Prediction, Reach
from rules.terms.events import HOUR_MS
from rules.trade import practice
from rules.trade.alarm_kinds import ALARMS
from rules.trade.coupled_cases import CASES
from rules.trade.garden_sizes import size_class

TOLD_H = (1.0, 6.0, 24.0)
"""Of the predicted course, the hours that are told; the last one stands for 'at rest'. Own estimate."""
TOLD_SWING_K = 1.0
"""A swing smaller than this is not told beside the present figures."""
SWING_PER_U = 2.0 * sqrt(3.0)
"""A course that swings evenly between two ends has this part of their distance as its standard deviation (JCGM 100)."""
LITTLE_HELP_SHARE = 0.7
"""A winner that leaves more than this share of the fault is called no help: the structure has to change; judgement."""
UNMET = {
    "temperature-high": ("too warm", "a cooler room, shade, or a smaller heater"),
    "temperature-low": ("too cool", "a warmer room, foam on lid and sides, or a stronger heater at the side"),
    "humidity-low": ("too dry", "a larger water buffer (more wet clay), tighter openings, or moister room air"),
    "humidity-high": ("very humid", "less wet ground, or drier room air"),
    "damp": ("damp", "nothing wet left in it, or drier room air"),
    "lid-dew": ("wet", "a warmer lid: thicker foam, a second pane, or a warmer room"),
}
OTHER_WAY = {"temperature-high": "cooler", "temperature-low": "warmer", "humidity-low": "moister"}
_BRANCH = {name: branch.reason for name, branch in BRANCHES.items()} | {
    "heat": "Heat comes first, whatever the humidity says.",
    "hot-room": "It is the room that heats, and the mat on top of it.",
    "plug-in": "The heater was unplugged because it was too warm; now it is cool enough again.",
    "plug-back": "It was told to unplug the heater, and nobody has said whether that was done.",
    "left-out": "The heater ran away more than once within a week, or was found not to switch off.",
    "turn-up": "The set point was turned down before, and what it was turned down for is over.",
    "room-back": "It was told to cool the room, or to carry the box, against heat, and that is over.",
    "place-back": "It was told to warm the room, or to carry the box, against cold, and that is over.",
    "centre": "Its thermostat holds it, and its swing passes one edge of the band hour after hour.",
    "close-again": "It was opened, or misted less, on advice against heat or a wet lid, and that is over: left so it would dry"
    " the garden.",
    "probe": "No temperature is believed here, so nothing is said about the climate.",
    "no-humidity": "The humidity is not believed, so only the temperature is judged.",
}


def headline_of(plan: Plan) -> str:
    """Return one short sentence: the first action, and the second where both are short."""
    texts = [action.text for action in plan.actions]
    if len(texts) > 1 and len(texts[0]) + len(texts[1]) < 110:
        return f"{texts[0]}; then {texts[1][0].lower()}{texts[1][1:]}"
    return texts[0]


def reason_of_plan(plan: Plan, moment: Situation, situation: Situation, worth: Mapping[str, Worth]) -> str:
    """Return the chain of numbers in plain sentences: what is, why, what follows, what cannot be met.

    `situation` is what was judged: the moment, or the mean over the heater's swing. `worth`: how past predictions fared.
    """
    parts = [_now(plan.cause, moment, situation)]
    if plan.branch in _BRANCH and not (plan.cause is None and plan.notes):
        parts.append(_BRANCH[plan.branch])
    if plan.cause is None:
        parts += plan.notes
    else:
        parts += _why(plan, plan.cause, situation)
    if plan.solution is not None:
        known = plan.cause is not None and plan.cause.lid_known
        stated = prediction(plan.solution.winner.rest, situation, worth, lid_known=known, watered=plan.waters, acts=plan.anew)
        parts.append(_then(stated))
    parts += _missed(plan)
    return " ".join(part for part in parts if part)


def _now(cause: Cause | None, moment: Situation, situation: Situation) -> str:
    if moment.temperature_c is None:
        return ""
    said = f"It is {_climate(moment)}"
    swing = situation.temperature_swing
    if situation.by_mean and swing is not None and swing.most - swing.least >= TOLD_SWING_K:
        said += f", on average of the last {swing.hours} hours {_climate(situation)}"
    if cause is not None:
        goal = cause.goal
        damp = f"{goal.low_pct:g} to {goal.high_pct:g}" if goal.dryness_matters else f"at most {goal.high_pct:g}"
        said += f" (wanted {goal.low_c:g} to {goal.high_c:g} °C, {damp} %RH)"
    return said + "."


def _climate(situation: Situation) -> str:
    rh = situation.relative_humidity_pct
    return f"{situation.temperature_c:.1f} °C" + ("" if rh is None or situation.saturated else f" and {rh:.0f} %RH")


def _why(plan: Plan, cause: Cause, situation: Situation) -> list[str]:
    parts = []
    if plan.branch == "cell":
        parts.append(_sentence(_diagnosis(plan, cause)))
        parts += _numbers(cause, situation)
    if plan.branch in ("heat", "heater-failed", "cold", "together") and situation.room_temperature_c is not None:
        parts.append(f"The room is at {situation.room_temperature_c:.1f} °C.")
    return parts + list(plan.notes)


def _diagnosis(plan: Plan, cause: Cause) -> str:
    """Return what it is. Humid air is what the garden likes only where the lid is known to be dry and nothing is to change."""
    if cause.case:
        return CASES[cause.case].diagnosis
    if cause.cell.number != 11 or (cause.lid_known and not plan.moves):
        return cause.cell.meaning
    lid = "its lid is dry, so there is no haste" if cause.lid_known else "whether its lid is dry is not known"
    return f"more humid than its band, and {lid}"


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _numbers(cause: Cause, situation: Situation) -> list[str]:
    """Return the derived figures that decided, as one sentence."""
    parts, t = [], situation.temperature_c
    star, floor, goal = cause.humidity_at_target_pct, cause.humidity_floor_pct, cause.goal
    if star is not None and t is not None and abs(t - goal.temperature_c) > 1.0 and cause.temperature != "ok":
        parts.append(f"the same water in the air would be {star:.0f} %RH at {goal.temperature_c:g} °C")
    if floor is not None and cause.humidity == "high" and "floor-wets" in cause.facts:
        parts.append(f"venting cannot dry it, since the room's air alone would give {floor:.0f} %RH in here")
    elif floor is not None and cause.humidity != "ok":
        parts.append(f"the room's air alone would give {floor:.0f} %RH in here")
    margin = situation.dew_margin_k
    if cause.lid_wet and margin is not None:
        how = "" if situation.lid_source == "measured" else ", estimated"
        parts.append(f"the lid is {abs(margin):.1f} K {'below' if margin <= 0 else 'above'} the dew point{how}")
    return [_sentence("; ".join(parts))] if parts else []


def _then(stated: Prediction) -> str:
    if not stated.tells:
        return "What it comes to in the end cannot be told surely enough to be of use."
    margin = "" if stated.dew_margin_k is None else f", the lid {stated.dew_margin_k:+.1f} K from the dew point"
    return (
        f"Expected at rest: {stated.temperature_c:.1f} °C and {stated.relative_humidity_pct:.0f} %RH"
        f" (give or take {2 * stated.temperature_u_k:.1f} K and {2 * stated.relative_humidity_u_pct:.0f} points){margin}."
    )


def beyond_devices(plan: Plan) -> bool:
    """Return whether hardly anything that is at hand helps: something would have to be rebuilt or carried elsewhere."""
    solution = plan.solution
    if plan.leaves_it:
        return False
    if solution is None or solution.feasible or not solution.unmet:
        return plan.limits_harm
    helps = solution.worst is not None and solution.moved >= HALF_WAY  # what does most harm, whatever else stays
    return not helps and solution.winner.violation >= LITTLE_HELP_SHARE * solution.idle.violation


def _missed(plan: Plan) -> list[str]:
    """Return that a first step is not all, and, where hardly anything helps, what would have to be rebuilt."""
    solution, cause = plan.solution, plan.cause
    if solution is None or solution.feasible or cause is None or plan.leaves_it:
        return []
    if not solution.unmet:
        return ["The size is not sure yet, so this is a first step: look again before more."]
    stays, what = standing_misses(cause), _what(cause, solution.unmet)
    worst, beyond = solution.worst, beyond_devices(plan) and not stays.isdisjoint(solution.unmet)
    if worst is not None and worst in OTHER_WAY and solution.moved < HELPS_SHARE and not beyond:
        return [f"Nothing that can be set here makes it {OTHER_WAY[worst]}: {what}. What would: {_remedy(worst, cause)}."]
    if not beyond:
        return [f"This is a first step: by itself {what}."]
    means = "; ".join(dict.fromkeys(_remedy(name, cause) for name in solution.unmet if name in stays))
    return [f"Your devices cannot repair this: {what}. What would: {means}."]


def _remedy(miss: str, cause: Cause) -> str:
    """Return what would help where no device here does; of a mat that is too weak, how many watts it takes."""
    if miss != "temperature-low" or cause.weak is None:
        return UNMET[miss][1]
    weak = cause.weak
    return (
        f"a warmer room, foam on lid and sides, or a mat of about {weak.needs_w:g} W instead of {weak.watts:g} W at the side, "
        f"which holds {weak.hold_c:.1f} °C in a room of {weak.room_c:.0f} °C"
    )


def _what(cause: Cause, misses: Sequence[str]) -> str:
    """Return what is still missed, in words."""
    stays = standing_misses(cause)
    return " and ".join(
        f"{'the lid' if name == 'lid-dew' else 'it'} {'stays' if name in stays else 'may get'} {UNMET[name][0]}"
        for name in misses
    )  # fmt: skip


SUPPOSED_DRY = "no room humidity: its air is taken to be as dry as that of most homes"


def lacking_of(plan: Plan, situation: Situation) -> tuple[str, ...]:
    """Return what is missing, each with what it costs the advice."""
    airs = plan.cause is not None and plan.cause.humidity_floor_pct is None and not set(plan.keys).isdisjoint(practice.AIR)
    out = [SUPPOSED_DRY if airs and text == NO_ROOM_HUMIDITY else text for text in situation.lacking]
    if situation.room_temperature_c is None and not any("room" in text for text in out):
        out.append("no room probe: what venting would do is not known")
    if plan.cause is not None and not plan.cause.lid_known and not any("lid" in text for text in out):
        unknown = "how long it takes to dry" if plan.cause.lid_wet else "whether the lid is wet"
        out.append(f"no lid temperature: {unknown} is not known")
    return tuple(out)


def cautions_of(plan: Plan, chamber: Chamber) -> tuple[str, ...]:
    """Return what must be said along with these actions, and about a mat below the chamber."""
    out: list[str] = []
    for action in plan.actions:
        if action.change != "hold":
            out += practice.CAUTIONS[action.device]
        if action.device == "lid" and action.change == "insulate":
            out.append(practice.KEEP_CLEAR)
    heater = chamber.devices.heater
    if heater is not None and heater.mount == "below" and any(action.device == "heater" for action in plan.actions):
        out.append("The mat lies below: it drives the water out of the ground; move it to the side.")
    if heater is not None and not heater.thermostat and any(action.device == "heater" for action in plan.actions):
        out.append(practice.LOW_VOLTAGE)
    return tuple(dict.fromkeys(out))


def predictions_of(plan: Plan, situation: Situation, worth: Mapping[str, Worth]) -> tuple[Prediction, ...]:
    """Return the forecasts with the probes' own uncertainty added."""
    if plan.cause is None:
        return ()
    known, rows = plan.cause.lid_known, [row for row in plan.forecasts if row.after_h in TOLD_H]
    return tuple(
        prediction(row, situation, worth, lid_known=known, watered=plan.waters, acts=plan.anew) for row in rows
    )


def prediction(
    row: Forecast, now: Situation, worth: Mapping[str, Worth] | None, *, lid_known: bool, watered: bool = False,
    acts: Sequence[str] = (),
) -> Prediction:
    """Return one forecast with what no model sizes of these acts and all that its spread is made of, as wide as past ones had
    to be; `worth` None: of no action."""
    own_k, own_pct, own_margin_k = _own_uncertainties(now, row.after_h)
    more_k, more_pct = (brought(acts, quantity, row.after_h) for quantity in ("temperature", "humidity"))
    own_k, own_pct = hypot(own_k, EVEN_FROM_NOTHING * more_k), hypot(own_pct, EVEN_FROM_NOTHING * more_pct)
    heat, damp = (factor(worth, quantity, row.after_h) for quantity in ("temperature", humidity_of(watered=watered)))
    margin_u_k = damp * _joined(row.margin_u_k, own_margin_k, row.margin_k, now.dew_margin_k)
    return Prediction(
        after_ms=round(row.after_h * HOUR_MS), temperature_c=round(row.temperature_c + more_k, 2),
        temperature_u_k=round(heat * _joined(row.temperature_u_k, own_k, row.temperature_c, now.temperature_c), 2),
        relative_humidity_pct=round(min(row.humidity_pct + more_pct, 100.0), 1), relative_humidity_u_pct=round(
            damp * _joined(row.humidity_u_pct, own_pct, row.humidity_pct, now.relative_humidity_pct), 1
        ),
        dew_margin_k=round(row.margin_k, 2) if lid_known else None,
        dew_margin_u_k=round(margin_u_k, 2) if lid_known else None,
    )


def _own_uncertainties(situation: Situation, after_h: float) -> tuple[float, float, float]:
    """Return what a reading may differ by from the mean that is predicted: the probe's error, the heater's swing, and how far
    the chamber moved by itself within such a time."""
    swings = (situation.temperature_swing, situation.humidity_swing, situation.margin_swing)
    moved = [(swing.most - swing.least) / SWING_PER_U if situation.by_mean and swing is not None else 0.0 for swing in swings]
    probes = (situation.u_temperature_k or 0.0, situation.u_relative_humidity_pct or 0.0, 0.0)
    past = own_moves(situation, after_h)
    own_k, own_pct, own_margin_k = (  # the days' own moves hold its swing already
        sqrt(probe**2 + max(swing, day) ** 2) for probe, swing, day in zip(probes, moved, past, strict=True)
    )
    return own_k, own_pct, own_margin_k


def own_moves(situation: Situation, after_h: float, *, usual: bool = False) -> tuple[float, float, float]:
    """Return how far temperature, humidity and margin move by themselves within such a time; 0 where nothing is known."""
    heat, damp, margin = [moves.within(after_h, usual=usual) for moves in situation.moves] or (0.0, 0.0, 0.0)
    return heat, damp, margin


def _joined(by_draws: float, of_probe: float, then: float, now: float | None) -> float:
    """Return the uncertainty of a prediction: parameters, probe, and the share of the change that the model may miss."""
    missed = STRUCTURE_SHARE * abs(then - now) if now is not None else 0.0
    return sqrt(by_draws**2 + of_probe**2 + missed**2)


def act_within_s(
    situation: Situation, chamber: Chamber, standing: Mapping[str, Standing], reaches: Sequence[Reach]
) -> int | None:
    """Return how soon to act: the least of what the alarms say is left now, else by temperature and garden size; in any case
    before the next mark of cold is passed."""
    now = {str(harm.kind): harm.left_s for harm in situation.harm}
    active = [row for row in standing.values() if row.condition == "active"]
    found = [now.get(ALARMS[row.alarm].harm or "", row.seconds_left) for row in active]
    seconds = [left_s for left_s in found if left_s is not None]
    by_value, t = _borne_s(situation, chamber), situation.temperature_c
    if seconds and by_value is not None and t is not None and t <= practice.LETHAL_COLD_C:
        seconds.append(by_value)  # the account tells when all is lost
    within = round(min(seconds)) if seconds else by_value
    return min([*(reach.after_ms // 1000 for reach in reaches), *([] if within is None else [within])], default=None)


def _borne_s(situation: Situation, chamber: Chamber) -> int | None:
    """Return how soon to act where no alarm says it, by temperature and garden size; judgement, no published exposure times."""
    t, rh = situation.temperature_c, situation.relative_humidity_pct
    size_ml = garden_ml(situation, chamber)
    small, damp = size_class(size_ml) in "AB", chamber.humidity_for(size_ml)
    if t is not None and t >= practice.VERY_HOT_C:
        return 900 if t >= practice.HEAT_FIRST_C else 2 * 3600
    if t is not None and t <= practice.LETHAL_COLD_C:
        return 3600 if small else 2 * 3600
    if chamber.role == "fungus" and rh is not None and damp.low is not None and rh < damp.low:
        if damp.harmful_low is not None and rh < damp.harmful_low:
            return 3600 if small else 3 * 3600
        return 3 * 3600 if small else 8 * 3600
    band = chamber.temperature
    beyond = t is not None and (t < _or(band.low, -99.0) - 2.0 or t > _or(band.high, 99.0))
    return 24 * 3600 if beyond else None


def _or(edge: float | None, otherwise: float) -> float:
    return otherwise if edge is None else edge


_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_PAIR = re.compile(rf"({_NUMBER}) to ({_NUMBER}) °C")
_ONE = re.compile(rf"({_NUMBER}) °C")
_STEP = re.compile(rf"({_NUMBER}) K\b")


def in_keepers_unit(text: str, unit: Literal["degC", "degF"]) -> str:
    """Return the text with every `°C` and `K` turned to `°F`, if that is the keeper's unit: 26 °C is 78.8 °F, 1 K is 1.8 °F."""
    if unit == "degC":
        return text
    text = _PAIR.sub(lambda found: f"{_fahrenheit(found[1])} to {_fahrenheit(found[2])} °F", text)
    text = _ONE.sub(lambda found: f"{_fahrenheit(found[1])} °F", text)
    return _STEP.sub(lambda found: f"{_sign(found[1])}{abs(float(found[1])) * 1.8:.1f} °F", text)


def _fahrenheit(number: str) -> str:
    return f"{float(number) * 1.8 + 32.0:.1f}"


def _sign(number: str) -> str:
    return number[0] if number[0] in "+-" else ""
