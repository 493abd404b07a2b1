"""The coupled cases: patterns of two or more figures that have a name and a first answer of their own.

Common practice, no source, where a row names none.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Case:
    """A coupled case by its id: what it is called and what it says to the keeper."""

    id: str
    diagnosis: str
    first: str


CASES: dict[str, Case] = {
    row.id: row
    for row in (
        Case("C1", "dry only because it is hot", "lower the temperature; the humidity follows"),
        Case("C2", "damp only because it is cool", "raise the temperature; the humidity follows"),
        Case("C3",
            "winter air: what comes in from the room parches the chamber",
            "less fan and fewer openings; moisten the room's air"),
        Case("C4", "summer air: the room is too humid to dry the chamber",
            "no fan for drying; dry or cool the room, foam on the lid, less wet ground"),
        Case("C5", "a cold lid: the room cools it below the dew point", "foam on the lid before dusk"),
        Case("C6",
            "the heater works harder as the room cools, and that dries the air", "foam instead of more heat; mat at the side"),
        Case("C7",
            "the mat below pumps the ground dry and the water up to the lid",
            "move the mat to the side; wet the granules again"),
        Case("C8", "the lid was opened or is ajar", "look at the lid and the barrier"),
        Case("C9", "the heat has failed: it falls towards the room's temperature", "plug, breaker, thermostat"),
        Case("C10", "the heater runs away", "unplug it"),
        Case("C11", "the humidity probe is wet or buried", "clean it or move it; until then nothing is said of humidity"),
        Case("C12", "its heater rests: the room, the sun or stored heat warms it", "cool the room; the heater can do no more"),
        Case("C13", "misting does not last: the surfaces are dry or air leaks", "wet clay, not mist; find the leak"),
        Case("C14", "humid at the probe, yet the garden looks dry",
            "move the probe to garden height; shield the inflow (Bollazzi & Roces 2007)"),
        Case("C15", "several boxes of one room move together", "it is the room: one measure, not one for each box"),
        Case("C16", "a step after a calibration or a new probe", "nothing: let a day pass before trends are judged"),
        Case("C17",
            "the heater runs at its limit and does not reach its set point", "foam, or a warmer room; not a higher set point"),
        Case("C18", "more heat is wanted while the lid is wet", "foam on the lid first, heat with it"),
    )
}
