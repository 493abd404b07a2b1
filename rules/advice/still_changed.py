"""What was done on advice and is not taken back yet: the letter that ends a trouble names it, for nobody else remembers it."""

from __future__ import annotations

from rules.advice.goal import goal_of
from rules.advice.put_back import may_stand_open, opened, stays_cooled, stays_warmed
from rules.advice.recalled import WRAPPED_MS, may_be_out
from rules.advice.set_point import LOWERED_K, PLUG_IN_BELOW_K, has_failed, lowered_k
from rules.advice.state import AdviceState
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.settings import Chamber

WRAPS = ("wrap-box", "wrap-bottle")


def still_changed(chamber: Chamber, state: AdviceState, situation: Situation) -> tuple[str, ...]:
    """Return a sentence for each thing that stands otherwise than before, or may, and when it is taken back."""
    changes, at_ms, aim_c = situation.changes, situation.at_ms, goal_of(chamber, situation).temperature_c
    vents = chamber.devices.vents
    said = [_heater(chamber, state, situation, aim_c)]
    if stays_cooled(state, at_ms):
        said.append(f"If its room was cooled or the box carried: let it be as warm as before, below {aim_c:g} °C.")
    if stays_warmed(state, at_ms):
        said.append(f"If its room was warmed or the box carried: let it be as cool as before, above {aim_c:g} °C.")
    if at_ms - max(state.checked_ms.get(act, 0) for act in WRAPS) < WRAPPED_MS:
        said.append(f"If blankets were wrapped round it: take them off above {aim_c:g} °C, or when its room is warm again.")
    if "close-vents" in opened(chamber, changes) or (vents.count > vents.open and may_stand_open(state, changes)):
        said.append(f"If vents or lid were opened: shut them as before ({vents.open} of {vents.count} open), once it is dry.")
    return tuple(one for one in said if one)


def _heater(chamber: Chamber, state: AdviceState, situation: Situation, aim_c: float) -> str:
    now, before, told = present_knobs(chamber, situation.changes), present_knobs(chamber, ()), state.open
    unplugged = chamber.devices.heater is not None and now.get("heater_plugged", 1.0) == 0.0
    asked = told is not None and told.done_ms is None and "heater:stop" in told.keys
    if unplugged and has_failed(state, situation.at_ms):
        return "Its heater is left out, until it has a thermostat that holds."
    if unplugged or asked or may_be_out(state, situation.at_ms):
        which = "Its heater is unplugged" if unplugged else "If you unplugged its heater"
        return f"{which}: plug it in again below {aim_c + PLUG_IN_BELOW_K:g} °C, and before a cold night."
    if now.get("watts") != before.get("watts"):
        way = "up again as it gets cooler" if now["watts"] < before["watts"] else "down again as its room gets warmer"
        return f"Its heater gives {now['watts']:g} W instead of {before['watts']:g} W: turn it {way}."
    if lowered_k(chamber, situation.changes) > LOWERED_K:
        was_c, is_c = before["setpoint"], now["setpoint"]
        return f"Its thermostat is set to {is_c:g} °C instead of {was_c:g} °C: turn it up again below {aim_c:g} °C."
    return ""
