"""The question that comes before all that a leap of the temperature's probe would ask for: does another thermometer say so?"""

from __future__ import annotations

from rules.advice.cause import Cause
from rules.advice.planned import Plan, plain
from rules.climate.situation import Situation
from rules.trade.practice import Never

NEVER = Never("Do not touch heater, lid, vents or water before you have compared: the figure may be the probe's alone.")


def leapt(cause: Cause, situation: Situation) -> Plan | None:
    """Return the call for a second thermometer where what stands may come from a leap of the probe; None: it does not.

    What is too warm, too humid or wet may be so by a leap alone; what is too cold or too dry only the more. Where it goes up
    and down with the heat, so does its humidity.
    """
    if situation.switched_k is not None:
        note = (
            f"The probe goes up and down by {situation.switched_k:.0f} K again and again. A heater that runs away does not "
            "switch off by itself, and the air here never swung so: a probe on the mat, under a lamp or in the sun does."
        )
        return plain("leapt", cause, ("compare-leap",), NEVER, note)
    too_much = cause.temperature == "high" or cause.humidity == "high" or cause.lid_wet
    if situation.leapt_k is None or cause.temperature == "low" or not too_much:
        return None
    note = (
        f"The probe said {situation.leapt_k:.0f} K more within minutes, in air as humid as before. A heater takes an hour for "
        "that and dries the air; a probe that has fallen onto the mat, or fails, leaps so."
    )
    return plain("leapt", cause, ("compare-leap",), NEVER, note)
